//! `log`: logs of any kind read, validated, shown and written as one.

use super::args::Log;
use super::{diagnostic, log_settings};
use crate::error::{BadInput, Faults};
use crate::platelog::{read_logs, write_csv, write_json};
use crate::report::noted;
use crate::whole::put_whole;
use std::path::Path;

/// Reads logs and writes or shows what they add up to. What could be read is written whatever
/// was wrong with the rest.
///
/// # Errors
///
/// An output that exists, has another ending than `.json` or `.csv`, or cannot be written.
pub fn run(args: &Log) -> Result<u8, Faults> {
    let settings = log_settings(args.settings.as_deref(), args.map.as_deref())?;
    let writes = args.to.as_deref().map(|to| writer(to, args.force)).transpose()?;
    let (records, faults) = read_logs(&args.logs, &settings);
    diagnostic::print_faults(&faults);
    if let (Some(write), Some(to)) = (writes, args.to.as_deref()) {
        put_whole(to, write(&records).as_bytes()).map_err(|io| {
            let remedy = "check the path after --to and the room on the disk";
            Faults::one(to.display().to_string(), "", format!("cannot be written: {io}"), remedy)
        })?;
    }
    if args.json {
        diagnostic::print(&write_json(&records));
    } else if args.to.is_none() && !args.quiet {
        diagnostic::print(&noted::table(&records));
    } else if !args.quiet {
        let s = if records.len() == 1 { "" } else { "s" };
        diagnostic::note(&format!("{} record{s} written.", records.len()));
    }
    Ok(if faults.is_empty() { 0 } else { super::FAULT })
}

type Writer = fn(&[crate::platelog::Record]) -> String;

/// Chooses how a log is written by the ending of its name.
fn writer(to: &Path, force: bool) -> Result<Writer, Faults> {
    let name = to.display().to_string();
    let ending = to.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
    let write: Writer = match ending.to_ascii_lowercase().as_str() {
        "json" => write_json,
        "csv" => write_csv,
        _ => {
            let fault = format!("a log is written as .json or .csv, not as \".{ending}\"");
            return Err(Faults::one(name, "", fault, "name a file with one of these endings"));
        }
    };
    if to.exists() && !force {
        let fault = BadInput::new(
            name,
            "",
            "the file exists",
            "choose another file, or add --force to replace it",
        );
        return Err(fault.into());
    }
    Ok(write)
}
