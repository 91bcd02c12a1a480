//! What was marked in sound is a claim for every camera that rolled at that timecode.
//!
//! A recorder is no camera: its roll, its files and its start name nothing of a camera's.
//! So entries of sound are joined among themselves, then what they claim of plates is added
//! to the records of cameras; where none was noted the entry stands for itself.

use super::entry::Entry;
use super::join::join;
use super::merge::{both, listed, title};
use super::points::{ORDER_OF_DAY, label_order};
use super::same::{dates_agree, name, same_name, take_key};
use super::{PlateNote, Point, PointRange, Record, TakeClock, take_range};
use crate::error::BadInput;
use crate::settings::Settings;
use crate::time::{Counting, Frame, Rate};
use std::collections::BTreeMap;

/// One second in the unit of [`label_order`].
const ORDER_OF_SECOND: i64 = 2000;
/// How long a camera that noted its start alone is taken to have rolled, in seconds; ours.
const ROLLED_S: i64 = 3600;
/// Seconds by which two starts of one sound take may differ: reports are typed in whole
/// seconds; ours.
const SAME_START_S: i64 = 2;

/// Adds entries of sound to the records of cameras.
pub(super) fn with_sound(
    mut records: Vec<Record>,
    entries: Vec<Entry>,
    settings: &Settings,
    faults: &mut Vec<BadInput>,
) -> Vec<Record> {
    let sounds = joined(entries, settings, faults);
    let cameras = records.len();
    for sound in sounds {
        let mut rolled = false;
        if sound.record.lists() {
            for camera in records.iter_mut().take(cameras) {
                if !rolled_with(camera, &sound.record) {
                    continue;
                }
                rolled = true;
                let different = add(camera, &sound.record, settings);
                if !different.is_empty() {
                    let fault =
                        format!("marks {}, and {} has others", listed(&different), camera.place());
                    let remedy = "look at the picture, and keep the row that agrees with it";
                    let place = sound.record.origin.get("plates").map_or("", |place| place);
                    faults.push(BadInput::new(&sound.file, place, fault, remedy));
                }
            }
        }
        if !rolled {
            records.push(*sound.record);
        }
    }
    records
}

/// Makes one entry of those that describe one take of the recorder: files and report rows.
fn joined(entries: Vec<Entry>, settings: &Settings, faults: &mut Vec<BadInput>) -> Vec<Entry> {
    let mut sounds: Vec<Entry> = Vec::new();
    let mut known: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for entry in entries {
        let keys = keys(&entry.record);
        let one = |at: &&usize| sounds.get(**at).is_some_and(|known| one_take(known, &entry));
        let found = keys.iter().find_map(|key| known.get(key)?.iter().find(one).copied());
        let at = match found {
            Some(at) => {
                if let Some(into) = sounds.get_mut(at) {
                    add_sound(into, entry, settings, faults);
                }
                at
            }
            None => {
                sounds.push(entry);
                sounds.len() - 1
            }
        };
        for key in keys {
            let takes = known.entry(key).or_default();
            if !takes.contains(&at) {
                takes.push(at);
            }
        }
    }
    sounds
}

fn keys(record: &Record) -> Vec<String> {
    let mut keys: Vec<String> =
        record.media.iter().map(|media| format!("file\n{}", name(media))).collect();
    if let Some(take) = &record.take {
        for part in [&record.scene, &record.slate].into_iter().flatten() {
            keys.push(format!("take\n{}\n{}", name(part), take_key(take)));
        }
    }
    keys
}

fn one_take(a: &Entry, b: &Entry) -> bool {
    let (a, b) = (&*a.record, &*b.record);
    let alike = |a: &Option<String>, b: &Option<String>| {
        a.as_deref().zip(b.as_deref()).is_none_or(|(a, b)| same_name(a, b))
    };
    let media = a.media.as_deref().zip(b.media.as_deref());
    let one_file = media.is_some_and(|(a, b)| same_name(a, b));
    alike(&a.roll, &b.roll) && same_day(a, b) && (one_file || near(&a.start, &b.start))
}

/// Tells whether nothing says that two records are of different days.
fn same_day(a: &Record, b: &Record) -> bool {
    let dates = a.date.as_deref().zip(b.date.as_deref());
    dates.is_none_or(|(a, b)| dates_agree(a, b) != Some(false))
}

fn near(a: &Option<Point>, b: &Option<Point>) -> bool {
    match (a.as_ref().and_then(order), b.as_ref().and_then(order)) {
        (Some(a), Some(b)) => {
            let apart = (a - b).rem_euclid(ORDER_OF_DAY);
            apart.min(ORDER_OF_DAY - apart) <= SAME_START_S * ORDER_OF_SECOND
        }
        _ => true,
    }
}

fn order(point: &Point) -> Option<i64> {
    match point {
        Point::Timecode(label) => label_order(label),
        Point::FileFrame(_) => None,
    }
}

/// Adds a further entry of one take of the recorder. Its files are many, and each is right.
fn add_sound(into: &mut Entry, entry: Entry, settings: &Settings, faults: &mut Vec<BadInput>) {
    let mut from = (*entry.record).clone();
    let record = &mut into.record;
    let copies = [(&record.media, &mut from.media), (&record.id, &mut from.id)];
    copies.into_iter().filter(|(here, _)| here.is_some()).for_each(|(_, other)| *other = None);
    let title = title(record);
    let different: Vec<String> =
        join(record, &from, settings).into_iter().map(|found| found.word).collect();
    if !different.is_empty() {
        let with = format!("with different {}", listed(&different));
        let remedy = "look at the recorder's own display, and correct the other";
        faults.push(both(into, &entry, &title, &with, remedy));
    }
}

/// Tells whether a camera rolled the take of a sound entry: by name unless the times speak
/// against it, or by time on a day that is known to be the same.
fn rolled_with(camera: &Record, sound: &Record) -> bool {
    if !same_day(camera, sound) {
        return false;
    }
    let dated = camera.date.is_some() && sound.date.is_some();
    match (named_alike(camera, sound), overlap(camera, sound)) {
        (_, Some(false)) | (Some(false), None) | (None, None) => false,
        (Some(true), _) => true,
        (Some(false), Some(true)) => dated,
        (None, Some(true)) => true,
    }
}

/// Tells whether two records name one take; `None` if one of them names none. What a
/// recorder calls scene may be the slate.
fn named_alike(camera: &Record, sound: &Record) -> Option<bool> {
    let take = take_key(camera.take.as_deref()?) == take_key(sound.take.as_deref()?);
    let of = |record: &Record| -> Vec<String> {
        [&record.scene, &record.slate].into_iter().flatten().map(|part| name(part)).collect()
    };
    let (camera, sound) = (of(camera), of(sound));
    if camera.is_empty() || sound.is_empty() {
        return None;
    }
    let joined = |parts: &[String]| -> String {
        parts.concat().chars().filter(|letter| letter.is_alphanumeric()).collect()
    };
    let alike = camera.iter().any(|part| sound.contains(part)) || joined(&camera) == joined(&sound);
    Some(take && alike)
}

/// Tells whether the marks, or else the sound, ran while the camera did; `None` if one of
/// them notes no time.
fn overlap(camera: &Record, sound: &Record) -> Option<bool> {
    let (start, end) = span(camera)?;
    let slack = |plate: &PlateNote| {
        let rate = i64::from(sound.rate.map_or(25, Rate::nominal));
        i64::from(plate.tolerance.unwrap_or(0)) * ORDER_OF_SECOND / rate.max(1)
    };
    let marked = sound.plates.iter().filter_map(|plate| {
        let range = plate.range.as_ref()?;
        Some((order(&range.start)?, order(&range.end)?, slack(plate)))
    });
    let mut marked = marked.peekable();
    if marked.peek().is_some() {
        return Some(
            marked.any(|(from, to, slack)| meet((start, end), (from - slack, to + slack))),
        );
    }
    let (from, to) = (order(sound.start.as_ref()?)?, order(sound.end.as_ref()?)?);
    Some(meet((start, end), (from, to)))
}

/// When a camera rolled, in the order of labels.
fn span(camera: &Record) -> Option<(i64, i64)> {
    let start = order(camera.start.as_ref()?)?;
    let end = camera.end.as_ref().and_then(order);
    Some((start, end.unwrap_or(start + ROLLED_S * ORDER_OF_SECOND)))
}

/// Tells whether two spans of the day meet, round midnight or not.
fn meet((a, a_end): (i64, i64), (b, b_end): (i64, i64)) -> bool {
    let after = |from: i64, to: i64| (to - from).rem_euclid(ORDER_OF_DAY);
    after(a, b) < after(a, a_end) || after(b, a) < after(b, b_end)
}

/// Adds what was marked to a camera's record; returns what contradicts it, in words.
fn add(camera: &mut Record, sound: &Record, settings: &Settings) -> Vec<String> {
    let mut from = Record {
        plates: sound.plates.clone(),
        remarks: sound.remarks.clone(),
        ..Record::default()
    };
    for key in ["plates", "remarks", "record"] {
        if let Some(place) = sound.origin.get(key) {
            from.origin.insert(key, place.clone());
        }
    }
    if let (Some(theirs), Some(own)) = (sound.rate, camera.rate) {
        for plate in &mut from.plates {
            let range = plate.range.take();
            plate.range =
                range.and_then(|range| at_rate(range, theirs, own, camera.notes_drop_frame()));
            let scaled = |frames: u32| {
                (u64::from(frames) * u64::from(own.nominal())).div_ceil(theirs.nominal().into())
            };
            plate.tolerance =
                plate.tolerance.map(|frames| u32::try_from(scaled(frames)).unwrap_or(frames));
        }
    }
    join(camera, &from, settings).into_iter().map(|found| found.word).collect()
}

/// Writes a range that a recorder counted in a camera's labels: second for second, as
/// timecode counts. A label the camera's counting leaves out becomes the next.
fn at_rate(range: PointRange, from: Rate, to: Rate, drop: bool) -> Option<PointRange> {
    let clock = TakeClock {
        counting: Counting::new(from, [&range.start, &range.end].into_iter().any(drops)),
        start: None,
        out: crate::settings::OutPoint::Exclusive,
    };
    let counting = Counting::new(to, drop && to.can_drop());
    if from == to && counting.is_drop() == clock.counting.is_drop() {
        return Some(range);
    }
    let frames = take_range(&range, &clock).ok()?;
    let label = |frame: Frame, up: i64| {
        let label = clock.counting.label(frame);
        let (second, last) = label.split_at_checked(9)?;
        let (own, theirs) = (i64::from(to.nominal()), i64::from(from.nominal()));
        let number =
            last.parse::<i64>().ok()?.saturating_mul(own).saturating_add(up * (theirs - 1))
                / theirs;
        let number = number.min(own - 1);
        let sign = if counting.is_drop() { ';' } else { ':' };
        let tries = (number..own).map(|number| format!("{}{sign}{number:02}", &second[..8]));
        tries.into_iter().find(|label| counting.frame(label).is_ok()).map(Point::Timecode)
    };
    let (start, end) = (label(frames.start, 0)?, label(frames.end, 1)?);
    (start != end).then_some(PointRange { start, end })
}

fn drops(point: &Point) -> bool {
    matches!(point, Point::Timecode(label) if super::points::has_drop_sign(label))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::platelog::{PlateKind, Report};

    fn label(text: &str) -> Point {
        Point::Timecode(text.into())
    }

    fn text(text: &str) -> Option<String> {
        Some(text.to_string()).filter(|text| !text.is_empty())
    }

    fn camera(letter: &str, take: &str, start: &str, end: &str) -> Record {
        let mut record = Record {
            scene: text("12"),
            take: text(take),
            camera: text(letter),
            date: text("2031-05-14"),
            rate: Rate::new(24, 1),
            start: Some(label(start)),
            end: Some(label(end)),
            ..Record::default()
        };
        record.origin.insert("record", format!("camera.csv, {letter}").into());
        record
    }

    fn sound(take: &str, plate: (&str, &str)) -> Entry {
        let plate = PlateNote {
            kind: Some(PlateKind::Head),
            range: Some((label(plate.0), label(plate.1)).into()),
            tolerance: Some(50),
            ..PlateNote::BARE
        };
        let mut record = Record {
            scene: text("12"),
            take: text(take),
            roll: text("S01"),
            date: text("2031-05-14"),
            rate: Rate::new(25, 1),
            start: Some(label("10:00:00:00")),
            end: Some(label("10:02:00:00")),
            plates: vec![plate],
            report: Some(Report::Sound),
            ..Record::default()
        };
        for key in ["record", "plates"] {
            record.origin.insert(key, "T1.WAV, cue points".into());
        }
        Entry { file: "T1.WAV".into(), place: String::new(), record: Box::new(record) }
    }

    fn added(cameras: Vec<Record>, sound: Entry) -> (Vec<Record>, Vec<BadInput>) {
        let mut faults = Vec::new();
        let records = with_sound(cameras, vec![sound], &Settings::default(), &mut faults);
        (records, faults)
    }

    #[test]
    fn a_mark_is_a_claim_for_every_camera_that_rolled() {
        let cameras = vec![
            camera("A", "3", "10:00:02:00", "10:01:00:00"),
            camera("B", "03", "10:00:01:00", "10:01:30:00"),
            camera("C", "3", "11:00:00:00", "11:01:00:00"),
        ];
        let (records, faults) = added(cameras, sound("3", ("10:00:04:12", "10:00:08:13")));
        assert_eq!((records.len(), faults.len()), (3, 0), "{faults:?}");
        let plate = &records[0].plates[0];
        // 12 of 25 frames are 11 of 24, 13 are 12.48: an out point is rounded up.
        assert_eq!(plate.range, Some((label("10:00:04:11"), label("10:00:08:13")).into()));
        assert_eq!(plate.tolerance, Some(48));
        assert_eq!(records[1].plates.len(), 1);
        assert!(records[2].plates.is_empty(), "it rolled an hour later");
        assert_eq!(records[0].roll, None, "a sound roll is no camera roll");
        let origin = records[0].origin.get("plates").map(|place| &**place);
        assert_eq!(origin, Some("T1.WAV, cue points"));
    }

    #[test]
    fn another_name_at_the_same_time_of_the_same_day_is_the_same_take() {
        let (records, _) = added(
            vec![camera("A", "7", "10:00:02:00", "10:01:00:00")],
            sound("3", ("10:00:04:00", "10:00:08:00")),
        );
        assert_eq!(records.len(), 1);
        let undated = Record { date: None, ..camera("A", "7", "10:00:02:00", "10:01:00:00") };
        let (records, _) = added(vec![undated], sound("3", ("10:00:04:00", "10:00:08:00")));
        assert_eq!(records.len(), 2, "it may be another day");
    }

    #[test]
    fn a_plate_noted_exactly_stays_and_a_far_mark_contradicts_it() {
        let exact = |from: &str, to: &str| {
            let range = Some((label(from), label(to)).into());
            let plate = PlateNote { kind: Some(PlateKind::Head), range, ..PlateNote::BARE };
            let mut record = camera("A", "3", "10:00:02:00", "10:01:00:00");
            record.plates.push(plate);
            record.origin.insert("plates", "camera.csv, A".into());
            record
        };
        let mark = || sound("3", ("10:00:04:00", "10:00:08:00"));
        let (records, faults) = added(vec![exact("10:00:03:00", "10:00:07:00")], mark());
        assert_eq!((records[0].plates.len(), faults.len()), (1, 0));
        assert_eq!(records[0].plates[0].tolerance, None);
        let (records, faults) = added(vec![exact("10:00:30:00", "10:00:34:00")], mark());
        assert_eq!(records[0].plates.len(), 1);
        assert_eq!(
            faults[0].fault,
            "marks heads, and camera.csv, A; T1.WAV, cue points has others"
        );
    }
}
