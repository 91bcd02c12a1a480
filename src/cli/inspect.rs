//! `inspect`: on set, can this take be patched?

use super::args::Inspect;
use super::{diagnostic, progress::Bar, rate};
use crate::error::{BadInput, Faults};
use crate::inspect::{InspectJob, Inspected, inspect, takes_in};
use crate::report::take;
use crate::whole::put_whole;
use std::path::{Path, PathBuf};

/// Inspects one take, or every take of a folder, and prints the answer first.
///
/// # Errors
///
/// Settings, logs or a take that cannot be read; a page that cannot be written. In a folder
/// the other takes are inspected all the same.
pub fn run(args: &Inspect) -> Result<u8, Faults> {
    let settings = super::log_settings(args.settings.as_deref(), args.map.as_deref())?;
    let sequence_rate = args.rate.as_deref().map(rate).transpose()?;
    if args.watch {
        return super::watching::run(args, &settings, sequence_rate);
    }
    let takes = takes_in(&args.take)?;
    let one = takes.len() == 1;
    let mut faults: Vec<BadInput> = Vec::new();
    let mut code = 0;
    let mut all = Vec::new();
    for path in &takes {
        let job = InspectJob {
            take: path.clone(),
            logs: args.log.clone(),
            settings: settings.clone(),
            sequence_rate,
            threads: args.jobs,
            every: args.every,
        };
        match looked_at(&job, args.quiet || args.json) {
            Ok(found) => {
                code = code.max(found.inspection.exit_code());
                faults.extend(found.inspection.faults.iter().cloned());
                if !args.json {
                    say(args, &found, one);
                }
                if let Some(out) = &args.out
                    && let Err(wrong) = write_page(out, path, &found, one)
                {
                    faults.extend(wrong.0);
                }
                all.push(found.as_json(args.series));
            }
            Err(wrong) => faults.extend(wrong.0),
        }
    }
    if args.json {
        let text = match all.as_slice() {
            [only] if one => format!("{only:#}\n"),
            _ => format!("{:#}\n", serde_json::Value::Array(all)),
        };
        diagnostic::print(&text);
    }
    diagnostic::print_faults(&faults);
    Ok(if faults.is_empty() { code } else { super::FAULT })
}

/// Inspects one take, with a bar on a terminal unless it is to be quiet.
pub fn looked_at(job: &InspectJob, quiet: bool) -> Result<Inspected, Faults> {
    let mut bar = Bar::new(quiet);
    inspect(job, &mut bar)
}

/// Prints what was found of a take; its name in front if it is one of several.
pub fn say(args: &Inspect, found: &Inspected, one: bool) {
    let line = take::headline(&found.inspection, found.labels, found.ask_s);
    if one {
        diagnostic::print(&format!("{line}\n"));
    } else {
        diagnostic::print(&format!("{}: {line}\n", found.inspection.media.file));
    }
    if !args.quiet {
        for line in take::lines(&found.inspection, found.labels) {
            diagnostic::print(&format!("  {line}\n"));
        }
    }
}

/// Writes the page: the file asked for, or for several takes one a take in a folder. What is
/// not called a page is never written, so that no slip of the hand replaces media.
fn write_page(out: &Path, take: &Path, found: &Inspected, one: bool) -> Result<(), Faults> {
    let path: PathBuf = if one {
        out.to_path_buf()
    } else {
        std::fs::create_dir_all(out).map_err(|io| {
            let fault = format!("the folder cannot be made: {io}");
            Faults::one(out.display().to_string(), "", fault, "check the path after -o")
        })?;
        // With its ending: a take and its proxy may share the rest of the name.
        let name = take.file_name().unwrap_or_default().to_string_lossy().into_owned();
        out.join(format!("{name}.html"))
    };
    let ending = path.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
    if !["html", "htm"].contains(&ending.to_ascii_lowercase().as_str()) {
        return Err(Faults::one(
            "command line",
            "-o",
            format!("{} is not the name of a page", out.display()),
            "end it in .html",
        ));
    }
    put_whole(&path, found.page().as_bytes()).map_err(|io| {
        let fault = format!("the page cannot be written: {io}");
        Faults::one(path.display().to_string(), "", fault, "check the path after -o")
    })
}
