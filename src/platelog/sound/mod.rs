//! Sound files as a plate log: timecode from samples, names from iXML and `bext`, and what a
//! mixer marked. The files of one take, mono or not, give one entry.

mod bext;
mod cues;
mod file;
mod ixml;
mod marks;
mod riff;
mod text;

pub(super) use riff::is_wave;

use super::entry::{Entry, Source};
use super::points::label_fault;
use super::{Origins, PlateNote, Point, PointRange, Record, Report, Wrong};
use crate::error::BadInput;
use crate::time::Frame;
use file::{SoundClock, SoundFile};
use marks::Mark;
use std::collections::BTreeMap;
use std::io::{Read, Seek};

/// A sound file as one of its take's.
pub(super) struct Member {
    name: String,
    label: String,
    media: String,
    sound: SoundFile,
}

/// Reads one sound file; `media` is its name without folders.
pub(super) fn read(
    file: &mut (impl Read + Seek),
    media: &str,
    source: &Source<'_>,
    faults: &mut Vec<BadInput>,
) -> Option<Member> {
    let mut say = |place: String, wrong: Wrong| {
        faults.push(BadInput::new(source.name, place, wrong.fault, wrong.remedy));
    };
    let stem = media.rsplit_once('.').map_or(media, |(stem, _)| stem);
    match file::read(file, stem, &source.settings.plate_suffixes) {
        Ok((sound, wrong)) => {
            wrong.into_iter().for_each(|(place, wrong)| say(place, wrong));
            let label = source.label.to_string();
            Some(Member { name: source.name.to_string(), label, media: media.to_string(), sound })
        }
        Err(wrong) => {
            say(String::new(), wrong);
            None
        }
    }
}

/// Makes one entry of the files of each take, in the order of their first files.
pub(super) fn entries(
    members: Vec<Member>,
    tolerance_s: f64,
    faults: &mut Vec<BadInput>,
) -> Vec<Entry> {
    let mut families: Vec<Vec<Member>> = Vec::new();
    let mut known: BTreeMap<[String; 5], usize> = BTreeMap::new();
    for member in members {
        match family(&member.sound).map(|key| *known.entry(key).or_insert(families.len())) {
            Some(at) if at < families.len() => families[at].push(member),
            _ => families.push(vec![member]),
        }
    }
    families.iter().filter_map(|family| entry(family, tolerance_s, faults)).collect()
}

/// What the files of one take share: an id, or else names and the first sample; `None` for a
/// file that says too little to be joined with any.
fn family(sound: &SoundFile) -> Option<[String; 5]> {
    let first = sound.first?.0.to_string();
    let text = |part: &Option<String>| part.clone().unwrap_or_default();
    if let Some(family) = &sound.family {
        return Some([family.clone(), first, String::new(), String::new(), String::new()]);
    }
    let named = sound.take.is_some() && sound.scene.is_some();
    named.then(|| {
        [text(&sound.scene), text(&sound.take), text(&sound.roll), text(&sound.date), first]
    })
}

fn entry(family: &[Member], tolerance_s: f64, faults: &mut Vec<BadInput>) -> Option<Entry> {
    let member = family.first()?;
    let sound = &member.sound;
    let mut record = Record {
        id: sound.family.clone().or_else(|| sound.uid.clone()),
        scene: sound.scene.clone(),
        take: sound.take.clone(),
        roll: sound.roll.clone(),
        media: Some(member.media.clone()),
        date: sound.date.clone(),
        rate: file::rate(sound),
        remarks: sound.note.clone(),
        report: Some(Report::Sound),
        origin: Origins::with_room(12),
        ..Record::default()
    };
    let clock = sound.clock.zip(sound.first.map(|(first, _)| first));
    if let Some((clock, first)) = clock {
        record.start = Some(point(clock, clock.frame(first)));
        let longest = family.iter().filter_map(|member| member.sound.samples).max();
        let end = longest.filter(|samples| *samples > 0);
        record.end =
            end.map(|samples| point(clock, clock.frame_behind(first.saturating_add(samples))));
    }
    let mut found: Vec<(&Member, &Mark)> = Vec::new();
    for member in family.iter().filter(|member| !member.sound.wild) {
        for mark in &member.sound.marks {
            if !found.iter().any(|(_, known)| marks::same(known, mark)) {
                found.push((member, mark));
            }
        }
    }
    for (member, mark) in &found {
        match plate(mark, clock, tolerance_s) {
            Ok(plate) => record.plates.push(plate),
            Err(wrong) => {
                faults.push(BadInput::new(&member.name, mark.found, wrong.fault, wrong.remedy));
            }
        }
    }
    origins(&mut record, family, &found);
    Some(Entry { file: member.name.clone(), place: String::new(), record: Box::new(record) })
}

fn point(clock: SoundClock, frame: Frame) -> Point {
    Point::Timecode(clock.counting.label(frame))
}

/// A mark as a plate on the recorder's timecode, with the tolerance of a hand on a button.
fn plate(
    mark: &Mark,
    clock: Option<(SoundClock, u64)>,
    tolerance_s: f64,
) -> Result<PlateNote, Wrong> {
    let mut plate = mark.note.clone();
    if let Some(range) = &plate.range {
        let rate = clock.map(|(clock, _)| clock.counting.rate());
        for point in [&range.start, &range.end] {
            if let Point::Timecode(label) = point
                && let Some(fault) = label_fault(label, rate)
            {
                let fault = format!("\"{label}\" is not a timecode: {fault}");
                return Err(Wrong::new(fault, "correct the note, or leave its times out"));
            }
        }
    }
    if let Some((from, to)) = mark.span {
        let Some((clock, first)) = clock else {
            let fault = "its marks cannot be placed: the file says no timecode rate or no start";
            return Err(Wrong::new(fault, "note the plate in the log"));
        };
        let start = clock.frame(first.saturating_add(from));
        let end = clock.frame_behind(first.saturating_add(to));
        let end = end.max(Frame(start.0.saturating_add(1)));
        plate.range = Some(PointRange { start: point(clock, start), end: point(clock, end) });
    }
    if plate.range.is_some() {
        let labels = clock.map_or(25, |(clock, _)| clock.counting.rate().nominal());
        plate.tolerance = Some((tolerance_s * f64::from(labels)).ceil().clamp(0.0, 1e6) as u32);
    }
    Ok(plate)
}

/// Notes where each value was read: file and chunk.
fn origins(record: &mut Record, family: &[Member], found: &[(&Member, &Mark)]) {
    let Some(member) = family.first() else { return };
    let sound = &member.sound;
    let place = |what: &str| format!("{}, {what}", member.label);
    let names: Vec<&str> = family.iter().map(|member| member.label.as_str()).collect();
    let named = place(sound.named_in);
    let started = sound.first.map(|(_, chunk)| place(chunk));
    let marked = found.iter().fold(String::new(), |text, (member, mark)| {
        let place = format!("{}, {}", member.label, mark.found);
        match text {
            text if text.is_empty() => place,
            text if text.ends_with(&place) => text,
            text => format!("{text}; {place}"),
        }
    });
    let (ended, plated) = (record.end.is_some(), !record.plates.is_empty());
    let origin = &mut record.origin;
    let mut put = |key: &str, here: bool, place: &str| {
        if here {
            origin.insert(key, place.into());
        }
    };
    put("record", true, &names.join("; "));
    put("media", true, &member.label);
    put("report", true, &member.label);
    put("id", sound.family.is_some() || sound.uid.is_some(), &named);
    put("scene", sound.scene.is_some(), &named);
    put("take", sound.take.is_some(), &named);
    put("roll", sound.roll.is_some(), &named);
    put("remarks", sound.note.is_some(), &named);
    put("rate", sound.clock.is_some(), &named);
    put("date", sound.date.is_some(), &place("bext chunk"));
    let started = started.unwrap_or_default();
    put("start", !started.is_empty() && sound.clock.is_some(), &started);
    put("end", ended, &started);
    put("plates", plated, &marked);
}
