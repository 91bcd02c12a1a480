//! What was noted on set: records of takes, their plates, booms and lock-offs.
//!
//! A log is a CSV table whose headings are the record's keys, a JSON file of the schema
//! `platesmith.platelog/1`, a report of sound, camera or script with the trade's headings, a
//! sound file, or a folder of any of these. Faults are said with file, place, value and remedy, all of a
//! file at once; a row with a fault keeps its good cells. Entries of several logs for one
//! take become one record.

mod cells;
mod csv;
mod entry;
mod files;
mod headings;
mod join;
mod json;
mod keys;
mod merge;
mod origin;
mod points;
mod record;
mod reports;
mod rolled;
mod same;
mod shots;
mod sound;
mod speed;
mod text;
mod words;
mod write;

pub use headings::check_mapping;
pub use keys::{KEYS, key_of};
pub use origin::Origins;
pub use points::{PointFault, TakeClock, take_frame, take_range};
pub use record::{
    PlateKind, PlateNote, Point, PointRange, Record, Report, ServedTake, Serves, Unusable,
};
pub use same::{dates_agree, take_key};
pub use shots::{Shot, read_shots};
pub use write::{write_csv, write_json};

use crate::error::BadInput;
use crate::settings::Settings;
use std::collections::{BTreeMap, BTreeSet};
use std::io::{Read as _, Seek as _};
use std::path::{Path, PathBuf};

/// The version of the layout of a JSON log.
pub const SCHEMA: &str = "platesmith.platelog/1";

/// Largest log that is read, in bytes. A feature's log is a few megabytes; ours.
const LARGEST_LOG: u64 = 64 << 20;

/// What is wrong with a value, and what to do about it; the place is added by the reader.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Wrong {
    fault: String,
    remedy: String,
}

impl Wrong {
    fn new(fault: impl Into<String>, remedy: impl Into<String>) -> Wrong {
        Wrong { fault: fault.into(), remedy: remedy.into() }
    }
}

/// Reads logs in the order given and makes one record of each take.
///
/// Records stand in the order in which their take is first named. Every fault of every
/// file comes back beside what could be read.
pub fn read_logs(paths: &[PathBuf], settings: &Settings) -> (Vec<Record>, Vec<BadInput>) {
    let mut faults = Vec::new();
    let mut read = Read::default();
    let (files, wrong) = files::listed(paths);
    faults.extend(wrong);
    let labels = labels(&files);
    for (file, label) in files.iter().zip(labels) {
        let name = file.path.display().to_string();
        let source = entry::Source { name: &name, label: &label, settings };
        if let Err(wrong) = read.file(file, &source, &mut faults) {
            faults.push(BadInput::new(&name, "", wrong.fault, wrong.remedy));
        }
    }
    let records = merge::merged(read.entries(settings, &mut faults), settings, &mut faults);
    (records, faults)
}

/// What was read of logs so far.
#[derive(Default)]
struct Read {
    tables: Vec<entry::Entry>,
    sounds: Vec<sound::Member>,
}

impl Read {
    fn file(
        &mut self,
        file: &files::LogFile,
        source: &entry::Source<'_>,
        faults: &mut Vec<BadInput>,
    ) -> Result<(), Wrong> {
        let unread = |io: std::io::Error| {
            Wrong::new(format!("cannot be read: {io}"), "check the path after --log")
        };
        let mut open = std::fs::File::open(&file.path).map_err(unread)?;
        let mut head = Vec::new();
        open.by_ref().take(16).read_to_end(&mut head).map_err(unread)?;
        if sound::is_wave(&head) || (file.found && files::is_sound(&file.path)) {
            let media = file.path.file_name().unwrap_or_default().to_string_lossy();
            self.sounds.extend(sound::read(&mut open, &media, source, faults));
            return Ok(());
        }
        open.rewind().map_err(unread)?;
        let bytes = read_bytes(open)?;
        if file.found && !looks_like_log(&bytes, source) {
            return Ok(());
        }
        self.tables.extend(read_log(&bytes, source, &file.path, faults));
        Ok(())
    }

    /// Tables first, then what sounds add up to.
    fn entries(self, settings: &Settings, faults: &mut Vec<BadInput>) -> Vec<entry::Entry> {
        let mut entries = self.tables;
        entries.extend(sound::entries(self.sounds, settings.mark_tolerance_s, faults));
        entries
    }
}

/// Tells whether a table or JSON file that was found in a folder is a log at all: others lie
/// there, too.
fn looks_like_log(bytes: &[u8], source: &entry::Source<'_>) -> bool {
    text::decode(bytes).is_ok_and(|decoded| {
        if decoded.text.trim_start().starts_with('{') {
            return decoded.text.contains(SCHEMA);
        }
        csv::knows(&decoded.text, source.settings)
    })
}

/// Leaves out records of reports that say nothing of plates, boom or lock-off: they name
/// takes nobody asks about. Those that another record names as its plate take stay.
pub fn asked_about(records: Vec<Record>) -> Vec<Record> {
    let named: BTreeSet<String> = records
        .iter()
        .flat_map(|record| record.plates.iter().filter_map(|plate| plate.clip.as_deref()))
        .map(same::name)
        .collect();
    let is_named = |clip: &str| named.contains(&same::name(clip));
    records
        .into_iter()
        .filter(|record| record.lists() || record.clip.as_deref().is_some_and(is_named))
        .collect()
}

/// Reads one range as it is written in a log: `10:12:08:00-10:14:02:00` or `#12-#60`.
///
/// # Errors
///
/// What is wrong with the text, and what to do about it.
pub fn read_range(text: &str) -> Result<PointRange, (String, String)> {
    let [range] = <[_; 1]>::try_from(cells::ranges(text)).map_err(|found| {
        let fault = format!("\"{}\" holds {} ranges", crate::error::shown(text, 60), found.len());
        (fault, "give one range: two timecodes or two file frames (#12-#60)".to_string())
    })?;
    range.map_err(|wrong| (wrong.fault, wrong.remedy))
}

/// Reads one log from memory; `name` stands for the file in faults and origins.
pub fn read_log_bytes(
    bytes: &[u8],
    name: &str,
    settings: &Settings,
) -> (Vec<Record>, Vec<BadInput>) {
    let mut faults = Vec::new();
    let source = entry::Source { name, label: name, settings };
    let mut read = Read::default();
    if sound::is_wave(bytes) {
        let mut bytes = std::io::Cursor::new(bytes);
        read.sounds.extend(sound::read(&mut bytes, name, &source, &mut faults));
    } else {
        read.tables = read_log(bytes, &source, Path::new(name), &mut faults);
    }
    let records = merge::merged(read.entries(settings, &mut faults), settings, &mut faults);
    (records, faults)
}

fn read_log(
    bytes: &[u8],
    source: &entry::Source<'_>,
    path: &Path,
    faults: &mut Vec<BadInput>,
) -> Vec<entry::Entry> {
    let decoded = match text::decode(bytes) {
        Ok(decoded) => decoded,
        Err((place, wrong)) => {
            faults.push(BadInput::new(source.name, place, wrong.fault, wrong.remedy));
            return Vec::new();
        }
    };
    if let Some((place, wrong)) = decoded.damage {
        faults.push(BadInput::new(source.name, place, wrong.fault, wrong.remedy));
    }
    let json = path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("json"));
    if json || decoded.text.trim_start().starts_with(['{', '[']) {
        json::read(&decoded.text, source, faults)
    } else {
        csv::read(&decoded.text, source, faults)
    }
}

fn read_bytes(file: std::fs::File) -> Result<Vec<u8>, Wrong> {
    let unread = |io: std::io::Error| {
        Wrong::new(format!("cannot be read: {io}"), "check the path after --log")
    };
    let mut bytes = Vec::new();
    file.take(LARGEST_LOG + 1).read_to_end(&mut bytes).map_err(unread)?;
    if bytes.len() as u64 > LARGEST_LOG {
        return Err(Wrong::new(
            format!("is larger than {} MiB", LARGEST_LOG >> 20),
            "check that this is a log; if it is, cut it into several files",
        ));
    }
    Ok(bytes)
}

/// Names the files in origins: without folders where that tells them apart.
fn labels(files: &[files::LogFile]) -> Vec<String> {
    let paths: Vec<&PathBuf> = files.iter().map(|file| &file.path).collect();
    let short = |path: &PathBuf| {
        path.file_name().map_or(path.display().to_string(), |n| n.to_string_lossy().into_owned())
    };
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    for path in &paths {
        *seen.entry(short(path)).or_default() += 1;
    }
    let label = |path: &&PathBuf| match seen.get(&short(path)) {
        Some(1) => short(path),
        _ => path.display().to_string(),
    };
    paths.iter().map(label).collect()
}
