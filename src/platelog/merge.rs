//! Entries of one or more logs that describe one take become one record.
//!
//! Two entries describe one take if they name the same id or camera clip, or the same
//! scene, slate, take and camera, and nothing about camera, roll, date, id or clip speaks
//! against it. Where their values disagree the first is kept and the two places are said.

use super::entry::Entry;
use super::join::{Difference, join};
use super::rolled::with_sound;
use super::same::{dates_agree, name, same_name, take_key};
use super::write::value_of;
use super::{KEYS, Record, Report, Wrong};
use crate::error::{BadInput, shown};
use crate::settings::Settings;
use std::collections::BTreeMap;

/// Makes one record of each take, in the order in which the takes are first named.
pub(super) fn merged(
    entries: Vec<Entry>,
    settings: &Settings,
    faults: &mut Vec<BadInput>,
) -> Vec<Record> {
    let (sounds, entries): (Vec<Entry>, Vec<Entry>) =
        entries.into_iter().partition(|entry| entry.record.report == Some(Report::Sound));
    let numbered = entries.into_iter().enumerate();
    let (with_camera, without): (Vec<_>, Vec<_>) =
        numbered.partition(|(_, entry)| entry.record.camera.is_some());
    let mut takes =
        Takes { settings, takes: Vec::new(), keys: BTreeMap::new(), faults: &mut *faults };
    // Entries that say their camera come first: one that does not can then only join a
    // take if a single camera covered it.
    for (at, entry) in with_camera.into_iter().chain(without) {
        takes.add(at, entry);
    }
    let mut takes = takes.takes;
    takes.sort_by_key(|take| take.first);
    let records = takes.into_iter().filter_map(Take::done).collect();
    with_sound(records, sounds, settings, faults)
}

struct Take {
    first: usize,
    /// The entries it was made of, as read: faults name two of them.
    parts: Vec<Entry>,
    /// What two or more entries add up to. Most takes have one, and a copy of it for
    /// nothing would double the work.
    joined: Option<Box<Record>>,
    /// The part that says exactly this, by file and values; filled once a second comes.
    said: BTreeMap<(String, String), usize>,
}

impl Take {
    fn record(&self) -> Option<&Record> {
        self.joined.as_deref().or_else(|| Some(&*self.parts.first()?.record))
    }

    fn done(self) -> Option<Record> {
        let record = self.joined.or_else(|| Some(self.parts.into_iter().next()?.record));
        record.map(|record| *record)
    }
}

struct Takes<'f> {
    settings: &'f Settings,
    takes: Vec<Take>,
    keys: BTreeMap<String, Vec<usize>>,
    faults: &'f mut Vec<BadInput>,
}

impl Takes<'_> {
    fn add(&mut self, at: usize, entry: Entry) {
        let keys = keys(&entry.record);
        let found = keys.iter().find_map(|key| self.only(key, &entry.record));
        let index = match found {
            Some(index) => {
                self.join(index, at, entry);
                index
            }
            None => {
                let (joined, said) = (None, BTreeMap::new());
                self.takes.push(Take { first: at, parts: vec![entry], joined, said });
                self.takes.len() - 1
            }
        };
        for key in keys {
            let takes = self.keys.entry(key).or_default();
            if !takes.contains(&index) {
                takes.push(index);
            }
        }
    }

    /// Returns the one take of a key that may be the record's; two are one too many.
    fn only(&self, key: &str, record: &Record) -> Option<usize> {
        let mut fits = self.keys.get(key)?.iter().filter(|at| {
            let take = self.takes.get(**at).and_then(Take::record);
            take.is_some_and(|take| may_be_one(take, record))
        });
        let first = fits.next()?;
        fits.next().is_none().then_some(*first)
    }

    fn join(&mut self, index: usize, at: usize, entry: Entry) {
        let Some(take) = self.takes.get_mut(index) else { return };
        take.first = take.first.min(at);
        let Some(record) = take.record() else { return };
        let title = title(record);
        if take.said.is_empty()
            && let Some(part) = take.parts.first()
        {
            take.said.insert((part.file.clone(), values(&part.record)), 0);
        }
        let values = (entry.file.clone(), values(&entry.record));
        if let Some(part) = take.said.get(&values).and_then(|part| take.parts.get(*part)) {
            if part.place != entry.place {
                let remedy = "delete one of the two";
                self.faults.push(both(part, &entry, &title, "with the same values", remedy));
            }
            return;
        }
        take.said.insert(values, take.parts.len());
        let of_one = |take: &Take| take.record().cloned().map(Box::new);
        let mut record = take.joined.take().or_else(|| of_one(take)).unwrap_or_default();
        let different = join(&mut record, &entry.record, self.settings);
        take.joined = Some(record);
        for (key, words) in group(&different, &take.parts) {
            let Some(part) = take.parts.get(key) else { continue };
            let with = format!("with different {}", listed(&words));
            let remedy = "keep the row that agrees with the camera report";
            self.faults.push(both(part, &entry, &title, &with, remedy));
        }
        take.parts.push(entry);
    }
}

/// Sorts the keys that differ by the entry that noted them first.
fn group(different: &[Difference], parts: &[Entry]) -> BTreeMap<usize, Vec<String>> {
    let mut grouped: BTreeMap<usize, Vec<String>> = BTreeMap::new();
    for Difference { key, word } in different {
        let noted = parts.iter().position(|part| part.record.origin.has(key));
        let words = grouped.entry(noted.unwrap_or(0)).or_default();
        if !words.contains(word) {
            words.push(word.clone());
        }
    }
    grouped
}

pub(super) fn listed(words: &[String]) -> String {
    match words {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// Says a fault of two entries, the earlier first.
pub(super) fn both(a: &Entry, b: &Entry, title: &str, with: &str, remedy: &str) -> BadInput {
    let place = match (a.place.strip_prefix("row "), b.place.strip_prefix("row ")) {
        _ if a.file != b.file => format!("{}, and {}, {}", a.place, b.file, b.place),
        (Some(first), Some(second)) => {
            let mut rows = [first, second];
            rows.sort_by_key(|row| row.parse::<usize>().unwrap_or(0));
            format!("rows {} and {}", rows[0], rows[1])
        }
        _ => format!("{} and {}", a.place, b.place),
    };
    let Wrong { fault, remedy } = Wrong::new(format!("both describe {title}, {with}"), remedy);
    BadInput::new(&a.file, place, fault, remedy)
}

/// Names a take in a sentence: `A014C007 take 3`, `scene 12 slate 4 take 3 camera A`.
pub(super) fn title(record: &Record) -> String {
    let words = if record.clip.is_some() {
        vec![("", &record.clip), ("take ", &record.take)]
    } else {
        vec![
            ("scene ", &record.scene),
            ("slate ", &record.slate),
            ("take ", &record.take),
            ("camera ", &record.camera),
        ]
    };
    let words: Vec<String> = words
        .into_iter()
        .filter_map(|(word, value)| Some(format!("{word}{}", shown(value.as_ref()?, 40))))
        .collect();
    if words.is_empty() { "one recording".into() } else { words.join(" ") }
}

/// Returns what a record may be found by, strongest first.
fn keys(record: &Record) -> Vec<String> {
    let mut keys = Vec::new();
    keys.extend(record.id.as_deref().map(|id| format!("id\n{}", id.to_lowercase())));
    keys.extend(record.clip.as_deref().map(|clip| format!("clip\n{}", name(clip))));
    if let Some(take) = &record.take
        && (record.scene.is_some() || record.slate.is_some())
    {
        let part = |part: &Option<String>| part.as_deref().map_or(String::new(), name);
        let slate = format!("{}\n{}\n{}", part(&record.scene), part(&record.slate), take_key(take));
        keys.push(format!("take\n{slate}"));
    }
    keys
}

/// Tells whether nothing that names the recording speaks against two records being one.
fn may_be_one(a: &Record, b: &Record) -> bool {
    let alike = |a: &Option<String>, b: &Option<String>| match (a, b) {
        (Some(a), Some(b)) => same_name(a, b),
        _ => true,
    };
    let dates = || match (&a.date, &b.date) {
        (Some(a), Some(b)) => dates_agree(a, b) != Some(false),
        _ => true,
    };
    alike(&a.camera, &b.camera)
        && alike(&a.roll, &b.roll)
        && alike(&a.clip, &b.clip)
        && alike(&a.id, &b.id)
        && dates()
}

/// Writes what a record says without where it was read: two that say the same are equal.
fn values(record: &Record) -> String {
    let values = KEYS.iter().map(|key| value_of(record, key));
    serde_json::Value::Array(values.map(|value| value.unwrap_or_default()).collect()).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(rows: &[&str]) -> (Vec<Record>, Vec<String>) {
        let (records, faults) = super::super::read_log_bytes(
            rows.join("\n").as_bytes(),
            "log.csv",
            &Settings::default(),
        );
        (records, faults.iter().map(ToString::to_string).collect())
    }

    #[test]
    fn two_rows_of_one_take_add_up_and_keep_their_origin() {
        let (records, faults) = read(&[
            "clip,take,rate,lock_off,plates",
            "A014C007,3,24,10:12:00:00-10:14:00:00,",
            "a014c007,03,,,head 3s",
        ]);
        assert_eq!(faults, Vec::<String>::new());
        assert_eq!(records.len(), 1);
        assert_eq!(records[0].origin.get("plates").map(|at| &**at), Some("log.csv, row 3"));
        assert_eq!(records[0].origin.get("lock_off").map(|at| &**at), Some("log.csv, row 2"));
        assert_eq!(records[0].place(), "log.csv, row 2; log.csv, row 3");
    }

    #[test]
    fn two_cameras_stay_two_records() {
        let (records, faults) = read(&[
            "scene,slate,take,camera,remarks",
            "12,4,3,A,wide",
            "12,4,3,B,tight",
            "12,4,3,,whose?",
        ]);
        assert_eq!((records.len(), faults.len()), (3, 0));
    }

    #[test]
    fn a_row_without_camera_joins_the_only_camera_there_is() {
        let (records, _) = read(&["scene,take,camera,roll", "12,3,,A014", "12,3,A,"]);
        assert_eq!(records.len(), 1);
        assert_eq!(records[0].roll.as_deref(), Some("A014"));
    }

    #[test]
    fn one_clip_name_on_two_days_is_two_takes() {
        let (records, faults) = read(&["clip,date", "C0007,2031-02-03", "C0007,2031-02-04"]);
        assert_eq!((records.len(), faults.len()), (2, 0));
    }

    #[test]
    fn rows_that_disagree_are_said_with_both_places() {
        let (records, faults) = read(&[
            "clip,take,rate,start,plates",
            "A014C007,3,24,10:12:00:00,tail 10:14:00:00-10:14:03:00",
            "A014C007,3,24,10:12:01:00,tail 10:14:00:00-10:14:04:00",
        ]);
        assert_eq!(records.len(), 1);
        assert_eq!(
            faults,
            [
                "log.csv, rows 2 and 3: both describe A014C007 take 3, with different start and tails"
            ]
        );
    }

    #[test]
    fn times_within_the_noted_tolerance_agree() {
        let (records, faults) = read(&[
            "clip,rate,start,tolerance",
            "A014C007,24,10:12:00:00,",
            "A014C007,24,10:12:01:00,48",
        ]);
        assert_eq!((records.len(), faults.len()), (1, 0), "{faults:?}");
    }
}
