//! Entries of one or more logs that describe one take become one record.
//!
//! Two entries describe one take if they name the same id or camera clip, or the same
//! scene, slate, take and camera, and nothing about camera, roll, date, id or clip speaks
//! against it. Where their values disagree the first is kept and the two places are said.

use super::entry::Entry;
use super::points::{ORDER_OF_DAY, label_order};
use super::write::{text_of, value_of};
use super::{
    KEYS, PlateKind, PlateNote, Point, PointRange, Record, Serves, TakeClock, Wrong, take_range,
};
use crate::error::{BadInput, shown};
use crate::settings::Settings;
use crate::time::FrameRange;
use std::collections::BTreeMap;

/// Makes one record of each take, in the order in which the takes are first named.
pub(super) fn merged(
    entries: Vec<Entry>,
    settings: &Settings,
    faults: &mut Vec<BadInput>,
) -> Vec<Record> {
    let numbered = entries.into_iter().enumerate();
    let (with_camera, without): (Vec<_>, Vec<_>) =
        numbered.partition(|(_, entry)| entry.record.camera.is_some());
    let mut takes = Takes {
        settings,
        takes: Vec::new(),
        keys: BTreeMap::new(),
        copies: BTreeMap::new(),
        faults,
    };
    // Entries that say their camera come first: one that does not can then only join a
    // take if a single camera covered it.
    for (at, entry) in with_camera.into_iter().chain(without) {
        takes.add(at, entry);
    }
    let mut takes = takes.takes;
    takes.sort_by_key(|take| take.first);
    takes.into_iter().map(|take| take.record).collect()
}

struct Take {
    first: usize,
    record: Record,
    /// The entries it was made of, as read: faults name two of them.
    parts: Vec<Entry>,
}

struct Takes<'f> {
    settings: &'f Settings,
    takes: Vec<Take>,
    keys: BTreeMap<String, Vec<usize>>,
    /// The part that says exactly this, by take, file and values.
    copies: BTreeMap<(usize, String, String), usize>,
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
                let record = entry.record.clone();
                let values = (self.takes.len(), entry.file.clone(), values(&record));
                self.copies.insert(values, 0);
                self.takes.push(Take { first: at, record, parts: vec![entry] });
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
        let mut fits =
            self.keys.get(key)?.iter().filter(|at| {
                self.takes.get(**at).is_some_and(|take| may_be_one(&take.record, record))
            });
        let first = fits.next()?;
        fits.next().is_none().then_some(*first)
    }

    fn join(&mut self, index: usize, at: usize, entry: Entry) {
        let Some(take) = self.takes.get_mut(index) else { return };
        take.first = take.first.min(at);
        let title = title(&take.record);
        let values = (index, entry.file.clone(), values(&entry.record));
        if let Some(part) = self.copies.get(&values).and_then(|part| take.parts.get(*part)) {
            if part.place != entry.place {
                let remedy = "delete one of the two";
                self.faults.push(both(part, &entry, &title, "with the same values", remedy));
            }
            return;
        }
        self.copies.insert(values, take.parts.len());
        let different = join(&mut take.record, &entry.record, self.settings);
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
        let noted = parts.iter().position(|part| part.record.origin.contains_key(*key));
        let words = grouped.entry(noted.unwrap_or(0)).or_default();
        if !words.contains(word) {
            words.push(word.clone());
        }
    }
    grouped
}

fn listed(words: &[String]) -> String {
    match words {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// Says a fault of two entries, the earlier first.
fn both(a: &Entry, b: &Entry, title: &str, with: &str, remedy: &str) -> BadInput {
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
fn title(record: &Record) -> String {
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

/// Compares names without case and outer blanks.
fn name(text: &str) -> String {
    text.trim().to_lowercase()
}

/// Writes a take as takes compare: without case, blanks, leading zeros or the word itself.
///
/// ```
/// # use platesmith::platelog::take_key;
/// assert_eq!(take_key("001"), take_key("Take 1"));
/// assert_eq!(take_key("3 PU"), "3pu");
/// assert_ne!(take_key("10"), take_key("1"));
/// ```
pub fn take_key(take: &str) -> String {
    let lower: String = take
        .chars()
        .filter(|letter| letter.is_alphanumeric())
        .flat_map(char::to_lowercase)
        .collect();
    let bare = ["take", "tk", "t"]
        .iter()
        .find_map(|word| {
            lower.strip_prefix(word).filter(|rest| rest.starts_with(|l: char| l.is_ascii_digit()))
        })
        .unwrap_or(&lower);
    let trimmed = bare.trim_start_matches('0');
    if trimmed.starts_with(|letter: char| letter.is_ascii_digit()) || bare == trimmed {
        trimmed.to_string()
    } else {
        // Nothing but zeros before the rest: one of them is the number.
        format!("0{trimmed}")
    }
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

/// Tells whether two names are one but for case and outer blanks.
fn same_name(a: &str, b: &str) -> bool {
    // Letter by letter: this runs for each pair of records that share a name.
    a.trim().chars().flat_map(char::to_lowercase).eq(b.trim().chars().flat_map(char::to_lowercase))
}

/// Tells whether two dates can be the same day, however each is written; `None` if either
/// cannot be read as a date.
///
/// ```
/// # use platesmith::platelog::dates_agree;
/// assert_eq!(dates_agree("2031-02-03", "03/02/2031"), Some(true));
/// assert_eq!(dates_agree("310203", "20310204"), Some(false));
/// assert_eq!(dates_agree("Day 4", "2031-02-03"), None);
/// ```
pub fn dates_agree(a: &str, b: &str) -> Option<bool> {
    let (a, b) = (days(a), days(b));
    if a.is_empty() || b.is_empty() {
        return None;
    }
    Some(a.iter().any(|day| b.contains(day)))
}

/// Returns every day (year, month, day) a text may mean; a time of day after it is ignored.
pub(crate) fn days(text: &str) -> Vec<(u32, u32, u32)> {
    let text = text.trim();
    let date = text.split(['T', ' ']).next().unwrap_or_default();
    let fields: Vec<&str> = date.split(['-', '/', '.', '_', ':']).collect();
    if fields.iter().any(|field| field.is_empty() || !field.bytes().all(|b| b.is_ascii_digit())) {
        return Vec::new();
    }
    let year = |text: &str| match (text.len(), text.parse::<u32>()) {
        (4, Ok(year)) => Some(year),
        // Cameras write two digits of the year; common practice, no source.
        (2, Ok(year)) => Some(2000 + year),
        _ => None,
    };
    let number = |text: &str| text.parse::<u32>().ok().filter(|_| text.len() <= 2);
    let mut read = Vec::new();
    let mut add = |y: Option<u32>, m: Option<u32>, d: Option<u32>| {
        if let (Some(y), Some(m @ 1..=12), Some(d @ 1..=31)) = (y, m, d)
            && !read.contains(&(y, m, d))
        {
            read.push((y, m, d));
        }
    };
    match fields.as_slice() {
        [all] if all.len() == 8 => add(year(&all[..4]), number(&all[4..6]), number(&all[6..])),
        [all] if all.len() == 6 => add(year(&all[..2]), number(&all[2..4]), number(&all[4..])),
        [a, b, c] if a.len() == 4 => add(year(a), number(b), number(c)),
        [a, b, c] => {
            add(year(c), number(b), number(a));
            add(year(c), number(a), number(b));
            if c.len() == 2 && a.len() == 2 {
                add(year(a), number(b), number(c));
            }
        }
        _ => {}
    }
    read
}

/// Writes what a record says without where it was read: two that say the same are equal.
fn values(record: &Record) -> String {
    let values = KEYS.iter().map(|key| value_of(record, key));
    serde_json::Value::Array(values.map(|value| value.unwrap_or_default()).collect()).to_string()
}

/// A key in which two records disagree, and how a sentence names it.
struct Difference {
    key: &'static str,
    word: String,
}

/// Adds what `from` knows to `into`, which wins where they disagree.
fn join(into: &mut Record, from: &Record, settings: &Settings) -> Vec<Difference> {
    let mut different = Vec::new();
    let tolerance = [into.tolerance, from.tolerance]
        .into_iter()
        .map(|frames| frames.unwrap_or(settings.claim_tolerance_frames))
        .max()
        .unwrap_or(0);
    let rule = Ruler::new(into, from, settings, i64::from(tolerance));
    for key in KEYS {
        if !from.origin.contains_key(key) {
            continue;
        }
        let fresh = !into.origin.contains_key(key);
        let words = join_key(key, into, from, &rule);
        if fresh && let Some(place) = from.origin.get(key) {
            into.origin.insert(key.to_string(), place.clone());
        } else if words.is_empty()
            && changed_by_both(key)
            && let (Some(here), Some(place)) = (into.origin.get_mut(key), from.origin.get(key))
            && here != place
        {
            here.push_str("; ");
            here.push_str(place);
        }
        different.extend(words.into_iter().map(|word| Difference { key, word }));
    }
    if let (Some(here), Some(place)) = (into.origin.get_mut("record"), from.origin.get("record")) {
        here.push_str("; ");
        here.push_str(place);
    }
    different
}

/// Keys that hold lists or notes: two logs may each add to them.
fn changed_by_both(key: &str) -> bool {
    ["lock_off", "plates", "boom", "unusable", "serves", "remarks", "agreed_by", "tolerance"]
        .contains(&key)
}

fn join_key(key: &str, into: &mut Record, from: &Record, rule: &Ruler) -> Vec<String> {
    fn only<T: Clone + PartialEq>(
        into: &mut Option<T>,
        from: &Option<T>,
        word: &str,
    ) -> Vec<String> {
        match (&into, from) {
            (Some(a), Some(b)) if a != b => vec![word.to_string()],
            (None, Some(_)) => {
                into.clone_from(from);
                Vec::new()
            }
            _ => Vec::new(),
        }
    }
    match key {
        "rate" => only(&mut into.rate, &from.rate, "rate"),
        "start" => rule.point(&mut into.start, &from.start, "start"),
        "end" => rule.point(&mut into.end, &from.end, "end"),
        "capture" => only(&mut into.capture, &from.capture, "capture"),
        "tolerance" => {
            into.tolerance = into.tolerance.max(from.tolerance);
            Vec::new()
        }
        "lock_off" => rule.runs(&mut into.lock_off, &from.lock_off, "lock_off"),
        "plates" => rule.plates(&mut into.plates, &from.plates),
        "boom" if into.no_boom != from.no_boom && said_boom(into) && said_boom(from) => {
            vec!["boom".into()]
        }
        "boom" => {
            into.no_boom |= from.no_boom;
            // The more boom is noted the safer the verdict: both logs count.
            from.boom.iter().for_each(|range| push_new(&mut into.boom, range));
            Vec::new()
        }
        "unusable" => {
            from.unusable.iter().for_each(|unusable| push_new(&mut into.unusable, unusable));
            Vec::new()
        }
        "region" if into.region.is_empty() => {
            into.region.clone_from(&from.region);
            Vec::new()
        }
        "region" if into.region != from.region && !from.region.is_empty() => vec!["region".into()],
        "region" => Vec::new(),
        "serves" => join_serves(into, from),
        "remarks" => join_notes(&mut into.remarks, &from.remarks),
        "agreed_by" => join_notes(&mut into.agreed_by, &from.agreed_by),
        _ => join_text(key, into, from),
    }
}

fn said_boom(record: &Record) -> bool {
    record.no_boom || !record.boom.is_empty()
}

fn push_new<T: Clone + PartialEq>(list: &mut Vec<T>, item: &T) {
    if !list.contains(item) {
        list.push(item.clone());
    }
}

fn join_serves(into: &mut Record, from: &Record) -> Vec<String> {
    match (&mut into.serves, &from.serves) {
        (_, Serves::Itself) => {}
        (here @ Serves::Itself, other) => *here = other.clone(),
        (Serves::Takes(here), Serves::Takes(other)) => {
            other.iter().for_each(|take| push_new(here, take));
        }
        (Serves::All, Serves::All) => {}
        _ => return vec!["serves".into()],
    }
    Vec::new()
}

fn join_notes(into: &mut Option<String>, from: &Option<String>) -> Vec<String> {
    match (into, from) {
        (Some(here), Some(other)) if !here.contains(other.as_str()) => {
            here.push_str(" / ");
            here.push_str(other);
        }
        (here @ None, Some(_)) => here.clone_from(from),
        _ => {}
    }
    Vec::new()
}

fn join_text(key: &str, into: &mut Record, from: &Record) -> Vec<String> {
    let Some(other) = text_of(from, key) else { return Vec::new() };
    let alike = |here: &str| match key {
        "take" => take_key(here) == take_key(other),
        "date" => dates_agree(here, other).unwrap_or(name(here) == name(other)),
        _ => same_name(here, other),
    };
    match text_of(into, key) {
        Some(here) if alike(here) => {}
        Some(_) => return vec![key.to_string()],
        None => set_text(into, key, other),
    }
    Vec::new()
}

fn set_text(record: &mut Record, key: &str, text: &str) {
    let slot = match key {
        "id" => &mut record.id,
        "scene" => &mut record.scene,
        "slate" => &mut record.slate,
        "take" => &mut record.take,
        "camera" => &mut record.camera,
        "roll" => &mut record.roll,
        "clip" => &mut record.clip,
        "media" => &mut record.media,
        "date" => &mut record.date,
        _ => return,
    };
    *slot = Some(text.to_string());
}

/// Tells whether times of two entries are the same within their tolerance.
struct Ruler {
    clock: Option<TakeClock>,
    tolerance: i64,
}

impl Ruler {
    fn new(a: &Record, b: &Record, settings: &Settings, tolerance: i64) -> Ruler {
        let rate = a.rate.or(b.rate);
        let timed = if a.start.is_some() { a } else { b };
        let clock = rate.map(|rate| TakeClock::at(timed, rate, settings.out));
        Ruler { clock, tolerance }
    }

    fn frames(&self, range: &PointRange) -> Option<FrameRange> {
        take_range(range, self.clock.as_ref()?).ok()
    }

    /// Two points are one if their frames are within tolerance; without a rate only if
    /// they read the same.
    fn same_point(&self, a: &Point, b: &Point) -> bool {
        if a == b {
            return true;
        }
        let frame = |point: &Point| super::take_frame(point, self.clock.as_ref()?).ok();
        match (frame(a), frame(b)) {
            (Some(a), Some(b)) => a.0.abs_diff(b.0) <= self.tolerance.unsigned_abs(),
            _ => order(a).is_some() && order(a) == order(b),
        }
    }

    fn same_range(&self, a: &PointRange, b: &PointRange) -> bool {
        self.same_point(&a.start, &b.start) && self.same_point(&a.end, &b.end)
    }

    fn overlap(&self, a: &PointRange, b: &PointRange) -> bool {
        if let (Some(a), Some(b)) = (self.frames(a), self.frames(b)) {
            return a.overlap(b).is_some();
        }
        let span = |range: &PointRange| {
            let (start, end) = (order(&range.start)?, order(&range.end)?);
            Some((start, if end < start { end + ORDER_OF_DAY } else { end }))
        };
        match (span(a), span(b)) {
            (Some((a, a_end)), Some((b, b_end))) => a < b_end && b < a_end,
            _ => false,
        }
    }

    fn point(&self, into: &mut Option<Point>, from: &Option<Point>, word: &str) -> Vec<String> {
        match (&into, from) {
            (Some(a), Some(b)) if !self.same_point(a, b) => vec![word.to_string()],
            (None, Some(_)) => {
                into.clone_from(from);
                Vec::new()
            }
            _ => Vec::new(),
        }
    }

    /// Runs that overlap and differ contradict each other; others are added.
    fn runs(&self, into: &mut Vec<PointRange>, from: &[PointRange], word: &str) -> Vec<String> {
        let mut words = Vec::new();
        for range in from {
            if into.iter().any(|here| self.same_range(here, range)) {
                continue;
            }
            if into.iter().any(|here| self.overlap(here, range)) {
                words.push(word.to_string());
            } else {
                into.push(range.clone());
            }
        }
        words
    }

    fn plates(&self, into: &mut Vec<PlateNote>, from: &[PlateNote]) -> Vec<String> {
        let mut words = Vec::new();
        for plate in from {
            match into.iter_mut().find(|here| self.one_plate(here, plate)) {
                Some(here) => words.extend(self.join_plate(here, plate)),
                None => into.push(plate.clone()),
            }
        }
        words
    }

    /// A take has one head and one tail; other plates are one if they overlap, plate takes
    /// if they name the same clip.
    fn one_plate(&self, a: &PlateNote, b: &PlateNote) -> bool {
        use PlateKind::{Head, Tail, Take};
        match (a.kind, b.kind) {
            (Some(Head), Some(Head)) | (Some(Tail), Some(Tail)) => true,
            (Some(Take), Some(Take)) => a.clip.as_deref().map(name) == b.clip.as_deref().map(name),
            (Some(Take), _) | (_, Some(Take)) => false,
            _ => match (&a.range, &b.range) {
                (Some(a), Some(b)) => self.same_range(a, b) || self.overlap(a, b),
                _ => a == b,
            },
        }
    }

    fn join_plate(&self, here: &mut PlateNote, other: &PlateNote) -> Option<String> {
        let word = here
            .kind
            .or(other.kind)
            .map_or("plates".to_string(), |kind| format!("{}s", kind_word(kind)));
        let ranges = match (&here.range, &other.range) {
            (Some(a), Some(b)) => self.same_range(a, b),
            _ => true,
        };
        let seconds = match (here.seconds, other.seconds) {
            (Some(a), Some(b)) => a == b,
            _ => true,
        };
        let kinds = here.kind.is_none() || other.kind.is_none() || here.kind == other.kind;
        if !(ranges && seconds && kinds) || here.good != other.good {
            return Some(word);
        }
        here.kind = here.kind.or(other.kind);
        here.range = here.range.take().or_else(|| other.range.clone());
        here.seconds = here.seconds.or(other.seconds);
        here.clip = here.clip.take().or_else(|| other.clip.clone());
        here.roll = here.roll.take().or_else(|| other.roll.clone());
        None
    }
}

/// Names a plate's kind as logs do.
fn kind_word(kind: PlateKind) -> &'static str {
    match kind {
        PlateKind::Head => "head",
        PlateKind::Tail => "tail",
        PlateKind::Take => "plate take",
    }
}

fn order(point: &Point) -> Option<i64> {
    match point {
        Point::Timecode(label) => label_order(label),
        Point::FileFrame(_) => None,
    }
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
    fn takes_compare_without_leading_zeros() {
        for (a, b) in [("01", "1"), ("001", "1"), ("T3", "3"), ("0", "00"), ("3-PU", "03 pu")] {
            assert_eq!(take_key(a), take_key(b), "{a} {b}");
        }
        assert_ne!(take_key("WT1"), take_key("1"));
        assert_eq!(take_key("tail"), "tail");
    }

    #[test]
    fn dates_are_read_in_every_order_they_may_mean() {
        assert_eq!(days("2031-02-03"), [(2031, 2, 3)]);
        assert_eq!(days("20310203"), days("310203"));
        assert!(days("03/02/2031").contains(&(2031, 2, 3)));
        assert!(days("02/03/31").contains(&(2031, 2, 3)));
        assert_eq!(days("2031-02-03T10:00:00"), [(2031, 2, 3)]);
        assert!(days("Day 4").is_empty() && days("").is_empty() && days("31").is_empty());
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
        assert_eq!(records[0].origin["plates"], "log.csv, row 3");
        assert_eq!(records[0].origin["lock_off"], "log.csv, row 2");
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
