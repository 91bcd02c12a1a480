//! `turnover` in parts, and `jobs`: the parts as a job for a farm.

use super::args::{Jobs, Turnover};
use super::check::print_table;
use super::turnover::{Said, deliver};
use super::{diagnostic, progress::Bar};
use crate::error::{Faults, shown};
use crate::farm::farm_job;
use crate::report;
use crate::review::{
    HandBack, Job, Plan, Word, check_outputs, lift, note_outputs, plan_of, planned_measures,
    render_planned, review,
};
use crate::whole::put_whole;
use clap::ValueEnum;
use std::path::Path;

/// Prints the renders of a plan as a job template, or what its parameters are here.
///
/// # Errors
///
/// No plan, or a file that cannot be written.
pub fn jobs(args: &Jobs) -> Result<u8, Faults> {
    let plan = Plan::read(&args.turnover)?;
    let job = farm_job(&plan, &absolute(&args.turnover)?)?;
    let what = if args.values { job.values } else { job.template };
    let text = format!("{what:#}\n");
    match &args.out {
        None => diagnostic::print(&text),
        Some(file) => put_whole(file, text.as_bytes()).map_err(|io| {
            let fault = format!("cannot be written: {io}");
            Faults::one(file.display().to_string(), "", fault, "check the path after -o")
        })?,
    }
    Ok(0)
}

/// Judges a cut and leaves a plan of what is to be rendered.
///
/// # Errors
///
/// As `turnover`.
pub fn plan(job: &mut Job, options: &HandBack, args: &Turnover) -> Result<u8, Faults> {
    options.check(job)?;
    let words = words(args)?;
    job.settings.planned_measures = Some(planned_measures(&options.out));
    let said = Said { json: args.cut.json, quiet: args.cut.quiet };
    let mut reviewed = review(job, &mut Bar::new(said.quiet || said.json))?;
    diagnostic::print_faults(&reviewed.findings.faults);
    let plan = plan_of(&reviewed, words);
    plan.write(&options.out)?;
    if said.json {
        diagnostic::print_bytes(&report::json::bytes(&reviewed.findings));
    } else if !said.quiet {
        print_table(&reviewed, !job.picture);
    }
    let out = options.out.display();
    let count = plan.shots.len();
    diagnostic::note(&format!(
        "{count} shots to render; platesmith jobs {out} makes a job of them"
    ));
    drop(reviewed.unpacked.take());
    Ok(reviewed.findings.exit_code())
}

/// Renders one shot of a plan. A shot that needs a person is no failure of its task.
///
/// # Errors
///
/// As [`render_planned`].
pub fn only(job: &mut Job, options: &HandBack, asked: &str, quiet: bool) -> Result<u8, Faults> {
    options.check(job)?;
    let plan = Plan::read(&options.out)?;
    let planned = plan.shot(asked)?;
    job.settings.planned_measures = Some(planned_measures(&options.out));
    let finding = render_planned(job, planned, &options.out, &mut Bar::new(quiet))?;
    note_outputs(&finding, &options.out)?;
    if !quiet {
        diagnostic::note(&format!("{}: rendered", finding.shot));
    }
    Ok(0)
}

/// Checks what was rendered of a plan and hands it back. A shot that needs a person is no
/// failure here either.
///
/// # Errors
///
/// Outputs that are missing or have changed; as `turnover`.
pub fn collect(job: &mut Job, options: &HandBack, said: Said) -> Result<u8, Faults> {
    options.check(job)?;
    // A task that is run again after it was done finds no plan, and what it handed back.
    let planned = Plan::is_in(&options.out) || !options.out.join("findings.json").is_file();
    if planned {
        check_outputs(&Plan::read(&options.out)?, &options.out)?;
        job.settings.planned_measures = Some(planned_measures(&options.out));
    }
    let code = deliver(job, options, said)?;
    if code == super::FAULT {
        return Ok(code);
    }
    if planned {
        lift(&options.out)?;
    }
    Ok(0)
}

/// The command line of a turnover as its parts need it, without `-o`.
fn words(args: &Turnover) -> Result<Vec<Word>, Faults> {
    let (cut, back) = (&args.cut, &args.back);
    let mut words = Vec::new();
    words.extend(cut.cut().as_deref().map(path).transpose()?);
    for log in cut.logs() {
        words.extend([own("--log"), path(&log)?]);
    }
    for folder in cut.media_folders() {
        words.extend([own("--media"), path(&folder)?]);
    }
    for (option, file) in [("--map", &cut.map), ("--settings", &cut.settings)] {
        if let Some(file) = file {
            words.extend([own(option), path(file)?]);
        }
    }
    if let Some((head, tail)) = cut.handles {
        words.extend([own("--handles"), own(&format!("{head}:{tail}"))]);
    }
    for (option, text) in [("--cut-rate", &cut.cut_rate), ("--timeline", &cut.timeline)] {
        if let Some(text) = text {
            words.push(Word::Text(option.into(), text.clone()));
        }
    }
    let choices = [
        ("--reverse-anchor", cut.reverse_anchor.and_then(word)),
        ("--turns", args.turns.and_then(word)),
        ("--markers", word(back.markers)),
        ("--plates", word(back.plates)),
        ("--edl", back.edl.and_then(word)),
    ];
    for (option, choice) in choices {
        words.extend(choice.into_iter().flat_map(|choice| [own(option), own(&choice)]));
    }
    let flags = [
        ("--no-picture", cut.no_picture),
        ("--all", cut.all),
        ("--force", cut.force),
        ("--with-temp", back.with_temp),
        ("--zero-based", back.zero_based),
        ("--no-review", back.no_review),
        ("--verify", back.verify),
    ];
    words.extend(flags.iter().filter(|(_, set)| *set).map(|(flag, _)| own(flag)));
    words.extend([own("--jobs"), own(&cut.jobs.to_string())]);
    Ok(words)
}

fn own(word: &str) -> Word {
    Word::Own(word.into())
}

fn word<T: ValueEnum>(choice: T) -> Option<String> {
    Some(choice.to_possible_value()?.get_name().to_string())
}

fn path(path: &Path) -> Result<Word, Faults> {
    let text = absolute(path)?;
    Ok(if path.is_dir() { Word::Folder(text) } else { Word::File(text) })
}

fn absolute(path: &Path) -> Result<String, Faults> {
    let absolute = std::path::absolute(path).ok().and_then(|path| path.to_str().map(String::from));
    absolute.ok_or_else(|| {
        let name = shown(&path.to_string_lossy(), 200);
        Faults::one(
            name,
            "",
            "a job can name only paths that are text",
            "rename the file or folder",
        )
    })
}
