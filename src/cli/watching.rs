//! `inspect FOLDER --watch`: looks at each take as it lands, and writes the day's log.

use super::args::Inspect;
use super::{diagnostic, inspect as once};
use crate::error::{BadInput, Faults};
use crate::inspect::{InspectJob, Inspected, takes_in};
use crate::platelog::{Record, read_logs, write_json};
use crate::report::take::{DayLine, day, headline};
use crate::settings::Settings;
use crate::time::Rate;
use crate::whole::put_whole;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

/// Time between two looks at the folder. Ours: a take is at rest if nothing of it changed from
/// one look to the next, and no recorder pauses for so long while it writes.
const PAUSE: Duration = Duration::from_secs(2);
/// The page of the day.
const DAY: &str = "day.html";
/// The log that writes itself.
const LOG: &str = "platelog.json";

/// Looks at a folder again and again until nothing new has come for `--until-idle` seconds, or
/// for ever.
///
/// # Errors
///
/// Nowhere to write; what goes wrong with one take is said, and the next is looked at.
pub fn run(args: &Inspect, settings: &Settings, rate: Option<Rate>) -> Result<u8, Faults> {
    let out = args.out.clone().unwrap_or_default();
    std::fs::create_dir_all(&out).map_err(|io| {
        let fault = format!("the folder cannot be made: {io}");
        Faults::one(out.display().to_string(), "", fault, "check the path after -o")
    })?;
    let mut day = Day::open(out, settings)?;
    let mut seen: BTreeMap<PathBuf, Stamp> = BTreeMap::new();
    let mut done: BTreeSet<PathBuf> = BTreeSet::new();
    let (mut idle, mut code) = (Duration::ZERO, 0);
    diagnostic::note(&format!("Watching {}; stop with Ctrl-C.", args.take.display()));
    loop {
        let at_rest = landed(&args.take, &mut seen, &done);
        idle = if at_rest.is_empty() { idle } else { Duration::ZERO };
        for take in at_rest {
            done.insert(take.clone());
            let job = InspectJob {
                take: take.clone(),
                logs: args.log.clone(),
                settings: settings.clone(),
                sequence_rate: rate,
                threads: args.jobs,
            };
            match once::looked_at(&job, true) {
                Ok(found) => {
                    code = code.max(found.inspection.exit_code());
                    once::say(args, &found, false);
                    diagnostic::print_faults(&found.inspection.faults);
                    day.add(&take, &found)?;
                }
                Err(wrong) => {
                    code = super::FAULT;
                    diagnostic::print_faults(&wrong.0);
                }
            }
        }
        let limit = args.until_idle.map(u64::from).map(Duration::from_secs);
        if limit.is_some_and(|limit| idle >= limit) {
            return Ok(code);
        }
        std::thread::sleep(PAUSE);
        idle += PAUSE;
    }
}

/// By what a file that is still written is told: its size and when it changed.
type Stamp = (u64, Option<SystemTime>);

/// Returns the takes that are at rest and were not looked at yet. A folder that is empty or
/// away for a moment has none.
fn landed(
    folder: &Path,
    seen: &mut BTreeMap<PathBuf, Stamp>,
    done: &BTreeSet<PathBuf>,
) -> Vec<PathBuf> {
    let takes = takes_in(folder).unwrap_or_default();
    let mut at_rest = Vec::new();
    for take in takes.into_iter().filter(|take| take.as_path() != folder && !done.contains(take)) {
        let Some(stamp) = stamp(&take).filter(|(size, _)| *size > 0) else { continue };
        if seen.insert(take.clone(), stamp) == Some(stamp) {
            at_rest.push(take);
        }
    }
    at_rest
}

fn stamp(take: &Path) -> Option<Stamp> {
    let about = std::fs::metadata(take).ok()?;
    if !about.is_dir() {
        return Some((about.len(), about.modified().ok()));
    }
    let files = std::fs::read_dir(take).ok()?.flatten();
    let sizes = files.filter_map(|file| file.metadata().ok()).map(|about| about.len());
    Some((sizes.fold(0, u64::saturating_add), about.modified().ok()))
}

/// The page of the day and the log that writes itself.
struct Day {
    out: PathBuf,
    lines: Vec<DayLine>,
    records: Vec<Record>,
}

impl Day {
    /// Goes on from the log of an earlier run.
    fn open(out: PathBuf, settings: &Settings) -> Result<Day, Faults> {
        let log = out.join(LOG);
        let mut records = Vec::new();
        if log.is_file() {
            let (read, faults): (Vec<Record>, Vec<BadInput>) = read_logs(&[log], settings);
            // A log that cannot be read in full is never written over.
            if !faults.is_empty() {
                return Err(Faults(faults));
            }
            records = read;
        }
        let line = |record: &Record| DayLine {
            take: record.media.clone().unwrap_or_default(),
            said: record.remarks.clone().unwrap_or_default(),
            verdict: None,
        };
        Ok(Day { lines: records.iter().map(line).collect(), out, records })
    }

    fn add(&mut self, take: &Path, found: &Inspected) -> Result<(), Faults> {
        let name = take.file_name().unwrap_or_default().to_string_lossy().into_owned();
        let line = DayLine {
            take: found.inspection.media.file.clone(),
            said: headline(&found.inspection, found.labels, found.ask_s),
            verdict: Some(found.inspection.verdict),
        };
        let record = found.record();
        self.lines.retain(|known| known.take != line.take);
        self.records.retain(|known| known.media != record.media);
        self.lines.push(line);
        self.records.push(record);
        self.put(&format!("{name}.html"), found.page().as_bytes())?;
        self.put(DAY, day(&self.lines).as_bytes())?;
        self.put(LOG, write_json(&self.records).as_bytes())
    }

    fn put(&self, name: &str, bytes: &[u8]) -> Result<(), Faults> {
        put_whole(&self.out.join(name), bytes).map_err(|io| {
            let fault = format!("cannot be written: {io}");
            Faults::one(name, "", fault, "check that the folder after -o has room")
        })
    }
}
