//! `inspect FOLDER --watch`: looks at each take as it lands, and writes the day's log.

use super::args::Inspect;
use super::{diagnostic, inspect as once};
use crate::error::Faults;
use crate::inspect::{InspectJob, Inspected, SEEN, takes_in};
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
    let mut folder = Watched { path: &args.take, seen: BTreeMap::new(), looked: BTreeMap::new() };
    let mut faulty: BTreeSet<PathBuf> = BTreeSet::new();
    let (mut idle, mut code) = (Duration::ZERO, 0);
    diagnostic::note(&format!("Watching {}; stop with Ctrl-C.", args.take.display()));
    loop {
        let (landed, grew) = folder.landed(&day);
        if grew || !landed.is_empty() {
            idle = Duration::ZERO;
        }
        for take in landed {
            let job = InspectJob {
                take: take.clone(),
                logs: args.log.clone(),
                settings: settings.clone(),
                sequence_rate: rate,
                threads: args.jobs,
                every: args.every,
            };
            match once::looked_at(&job, true) {
                Ok(found) => {
                    faulty.remove(&take);
                    code = code.max(found.inspection.exit_code());
                    once::say(args, &found, false);
                    diagnostic::print_faults(&found.inspection.faults);
                    day.add(&take, &found)?;
                }
                // A recorder may pause for long: it is tried again once something changes.
                Err(wrong) => {
                    faulty.insert(take);
                    diagnostic::print_faults(&wrong.0);
                }
            }
        }
        let limit = args.until_idle.map(u64::from).map(Duration::from_secs);
        if limit.is_some_and(|limit| idle >= limit) {
            return Ok(if faulty.is_empty() { code } else { super::FAULT });
        }
        std::thread::sleep(PAUSE);
        idle += PAUSE;
    }
}

/// By what a file that is still written is told: its size and when it changed.
type Stamp = (u64, Option<SystemTime>);

/// The folder, and what is known of the takes in it.
struct Watched<'a> {
    path: &'a Path,
    /// Takes as they were at the last look.
    seen: BTreeMap<PathBuf, Stamp>,
    /// Takes as they were when they were inspected.
    looked: BTreeMap<PathBuf, Stamp>,
}

impl Watched<'_> {
    /// Returns the takes that are at rest and are not known as they are, and whether any other
    /// grew. Those that the log of an earlier run holds are known. A folder that is empty or
    /// away for a moment has none.
    fn landed(&mut self, day: &Day) -> (Vec<PathBuf>, bool) {
        let takes = takes_in(self.path).unwrap_or_default();
        let (mut landed, mut grew) = (Vec::new(), false);
        for take in takes.into_iter().filter(|take| take.as_path() != self.path) {
            let Some(stamp) = stamp(&take).filter(|(size, _)| *size > 0) else { continue };
            if !self.looked.contains_key(&take) && day.knows(&take) {
                self.looked.insert(take.clone(), stamp);
            }
            let at_rest = self.seen.insert(take.clone(), stamp) == Some(stamp);
            grew |= !at_rest;
            if at_rest && self.looked.get(&take) != Some(&stamp) {
                self.looked.insert(take.clone(), stamp);
                landed.push(take);
            }
        }
        (landed, grew)
    }
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
            let (read, faults) = read_logs(&[log], settings);
            // A log that cannot be read in full is never written over.
            if !faults.is_empty() {
                return Err(Faults(faults));
            }
            records = read;
        }
        let line = |record: &Record| {
            Some(DayLine {
                take: record.media.clone()?,
                said: record.remarks.clone().unwrap_or_default(),
                verdict: None,
            })
        };
        Ok(Day { lines: records.iter().filter_map(line).collect(), out, records })
    }

    /// Tells whether the log holds a take.
    fn knows(&self, take: &Path) -> bool {
        let name = name_of(take);
        self.records.iter().any(|record| record.media.as_deref() == Some(name.as_str()))
    }

    /// Adds what was seen of a take. What a person added to its record stays.
    fn add(&mut self, take: &Path, found: &Inspected) -> Result<(), Faults> {
        let name = name_of(take);
        let line = DayLine {
            take: name.clone(),
            said: headline(&found.inspection, found.labels, found.ask_s),
            verdict: Some(found.inspection.verdict),
        };
        self.lines.retain(|known| known.take != name);
        self.lines.push(line);
        let seen = Record { media: Some(name.clone()), ..found.record() };
        match self.records.iter_mut().find(|known| known.media == seen.media) {
            Some(known) => {
                let mut origin = std::mem::take(&mut known.origin);
                for key in SEEN {
                    if let Some(place) = seen.origin.get(key) {
                        origin.insert(key, place.clone());
                    }
                }
                *known = Record {
                    media: seen.media,
                    rate: seen.rate,
                    start: seen.start,
                    end: seen.end,
                    lock_off: seen.lock_off,
                    plates: seen.plates,
                    boom: seen.boom,
                    remarks: seen.remarks,
                    origin,
                    ..known.clone()
                };
            }
            None => self.records.push(seen),
        }
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

/// The name a take goes by in log and pages: its file's.
fn name_of(take: &Path) -> String {
    take.file_name().unwrap_or_default().to_string_lossy().into_owned()
}
