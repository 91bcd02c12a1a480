//! The command line.

mod args;
mod card;
mod check;
mod choices;
mod comparing;
mod diagnostic;
mod farming;
mod finishing;
mod inspect;
mod logging;
mod looping;
mod progress;
mod stripping;
mod turnover;
mod watching;

use crate::error::{BadInput, Faults, shown};
use crate::review::Job;
use crate::settings::Settings;
use crate::time::Rate;
use args::{Command, CommandLine, CutArgs};
use clap::{CommandFactory, Parser};
use std::path::Path;
use std::process::ExitCode;

/// The exit code when a file had a fault or the run could not finish.
const FAULT: u8 = 2;

/// Runs the program with the arguments of the process and returns its exit code.
pub fn run() -> ExitCode {
    let line = match CommandLine::try_parse() {
        Ok(line) => line,
        Err(wrong) => {
            let _ = wrong.print();
            return ExitCode::from(if wrong.use_stderr() { FAULT } else { 0 });
        }
    };
    let done = match line.command {
        Command::Check(args) => check::run(&args),
        Command::Turnover(args) => turnover::run(&args),
        Command::Finish(args) => finishing::run(&args),
        Command::Inspect(args) => inspect::run(&args),
        Command::Loop(args) => looping::run(&args),
        Command::Log(args) => logging::run(&args),
        Command::Setcard(args) => card::run(&args),
        Command::Compare(args) => comparing::run(&args),
        Command::Jobs(args) => farming::jobs(&args),
        Command::Strip(args) => stripping::run(&args),
        Command::Completions { shell } => {
            clap_complete::generate(
                shell,
                &mut CommandLine::command(),
                "platesmith",
                &mut std::io::stdout(),
            );
            Ok(0)
        }
        Command::Man { command } => man_page(command.as_deref()),
    };
    match done {
        Ok(code) => ExitCode::from(code),
        Err(faults) => {
            diagnostic::print_faults(&faults.0);
            ExitCode::from(FAULT)
        }
    }
}

fn man_page(command: Option<&str>) -> Result<u8, Faults> {
    let mut root = CommandLine::command();
    root.build();
    let page = match command {
        None => root,
        Some(name) => root.find_subcommand(name).cloned().ok_or_else(|| {
            Faults::one(
                "command line",
                "man",
                format!("there is no command \"{name}\""),
                "see platesmith --help",
            )
        })?,
    };
    // A page is the same whatever FFmpeg is on the machine.
    let page = page.long_version(clap::builder::Resettable::Reset);
    let mut text = Vec::new();
    clap_mangen::Man::new(page)
        .render(&mut text)
        .map_err(|io| Faults::one("manual page", "", io.to_string(), "write it to a file"))?;
    diagnostic::print_bytes(&text);
    Ok(0)
}

/// Checks what `check` and `turnover` were given and makes the job of it.
fn job(args: &CutArgs) -> Result<Job, Faults> {
    let mut faults = Vec::new();
    let mut settings = match log_settings(args.settings.as_deref(), args.map.as_deref()) {
        Ok(settings) => settings,
        Err(wrong) => {
            faults.extend(wrong.0);
            Settings::default()
        }
    };
    if let Some((head, tail)) = args.handles {
        (settings.handles_head, settings.handles_tail) = (head, tail);
    }
    settings.also(false, args.all);
    if let Some(anchor) = args.reverse_anchor {
        settings.reverse_anchor = anchor.into();
    }
    let cut = args.cut().unwrap_or_default();
    if cut.as_os_str().is_empty() || args.logs().is_empty() {
        faults.push(BadInput::new(
            "command line",
            "",
            "a cut and at least one plate log are needed",
            "write: platesmith check CUT --log LOG",
        ));
    }
    let cut_rate = match args.cut_rate.as_deref().map(rate).transpose() {
        Ok(rate) => rate,
        Err(wrong) => {
            faults.push(wrong);
            None
        }
    };
    if !faults.is_empty() {
        return Err(Faults(faults));
    }
    Ok(Job {
        cut,
        logs: args.logs(),
        media: args.media_folders(),
        pulls: None,
        picture: !args.no_picture,
        settings,
        cut_rate,
        timeline: args.timeline.clone(),
        threads: args.jobs,
        earlier: None,
    })
}

/// Reads settings, and adds what a mapping file says of headings.
fn log_settings(settings: Option<&Path>, map: Option<&Path>) -> Result<Settings, Faults> {
    let mut settings = settings.map(Settings::read).transpose()?.unwrap_or_default();
    if let Some(map) = map {
        settings.log_columns.extend(crate::settings::read_columns(map)?);
    }
    check_columns(&settings)?;
    Ok(settings)
}

/// Refuses a mapping to what no log holds.
fn check_columns(settings: &Settings) -> Result<(), Faults> {
    let wrong = |(heading, word): (&String, &String)| {
        let remedy = crate::platelog::check_mapping(word).err()?;
        let fault = format!("\"{}\" is nothing a log holds", shown(word, 60));
        let place = format!("column \"{}\"", shown(heading, 60));
        Some(BadInput::new("mapping of columns", place, fault, remedy))
    };
    let faults: Vec<BadInput> = settings.log_columns.iter().filter_map(wrong).collect();
    if faults.is_empty() { Ok(()) } else { Err(Faults(faults)) }
}

fn rate(text: &str) -> Result<Rate, BadInput> {
    Rate::parse(text).ok_or_else(|| {
        BadInput::new(
            "command line",
            "frame rate",
            format!("\"{text}\" is not a frame rate"),
            "write it as 24, 23.976 or 24000/1001",
        )
    })
}
