//! Which record of the log describes the take a use shows, and why.
//!
//! Clues, strongest first: unique id; camera clip name in the media's file name or the
//! source metadata; roll with overlapping timecode; scene, slate, take and camera; the
//! editor's clip name. A weaker clue only decides between records that the stronger ones
//! leave equal. Timecode, camera or date that contradict veto a name. Two records that stay
//! equal are both candidates and none is chosen.
//!
//! The editor's clip name is free text: it breaks ties. Alone it counts only if nothing
//! else points at any record and it is exactly a record's clip name.

mod clues;
mod names;
mod nearest;
mod offsets;
mod plate_takes;
mod spans;

pub use clues::{TimeClue, UseClues};
pub use nearest::NearestUses;
pub use offsets::RollOffset;

use crate::media::image_run;
use crate::platelog::{Record, Report, Serves, dates_agree, take_key};
use crate::settings::Settings;
use crate::time::{FrameRange, FrameShift, Rate};
use spans::{Bounds, Span, TimeSays, seconds, span_at};
use std::collections::{BTreeMap, BTreeSet};

/// Seconds by which coarse times may be off: a drop-frame day is 86 s of labels long of its
/// frames, and a record without rate is read at the use's.
const COARSE_S: i64 = 120;
/// Seconds of a day.
const DAY_S: i64 = 86_400;
/// An id shorter than this counts only under a key that holds ids.
const SHORTEST_ID: usize = 16;

/// What was found for one use.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Matched {
    /// The record, if exactly one is best.
    pub record: Option<usize>,
    /// The best records; more than one is ambiguous, none is not in the log.
    pub candidates: Vec<usize>,
    /// What spoke for the candidates, strongest first.
    pub clues: Vec<String>,
    /// Records a name pointed at, and what spoke against each.
    pub against: Vec<(usize, String)>,
    /// Records that fit less well than the candidates, and what spoke for each.
    pub weaker: Vec<(usize, Vec<String>)>,
}

impl Matched {
    /// Tells whether two or more records are equally good.
    pub fn is_ambiguous(&self) -> bool {
        self.candidates.len() > 1
    }
}

/// A record as it is compared.
struct Known {
    clip: Option<String>,
    clip_words: usize,
    roll: Option<String>,
    scene: Option<String>,
    slate: Option<String>,
    take: Option<String>,
    camera: Option<String>,
    span: Option<Span>,
}

/// The clues that point at one record.
#[derive(Debug, Clone, Default)]
struct Evidence {
    id: Option<String>,
    name: Option<String>,
    roll: Option<String>,
    slate: Option<String>,
    date: Option<String>,
    camera: bool,
    overlaps: bool,
    sound: Option<String>,
    editor: Option<String>,
}

impl Evidence {
    fn points(&self) -> bool {
        self.id.is_some()
            || self.name.is_some()
            || self.roll.is_some()
            || self.slate.is_some()
            || self.sound.is_some()
    }

    /// Compares strongest first.
    fn rank(&self) -> [bool; 9] {
        [
            self.id.is_some(),
            self.name.is_some(),
            self.roll.is_some(),
            self.slate.is_some(),
            self.date.is_some(),
            self.camera,
            self.overlaps,
            self.sound.is_some(),
            self.editor.is_some(),
        ]
    }

    fn sentences(self) -> Vec<String> {
        let time = self.overlaps && self.roll.is_none() && self.sound.is_none();
        [self.id, self.name, self.roll, self.slate, self.date]
            .into_iter()
            .chain([time.then(|| "overlapping timecode".to_string()), self.sound, self.editor])
            .flatten()
            .collect()
    }
}

/// Finds the record of each use. Built once; each look-up takes time in the number of
/// records that share a name, a roll or a take with the use, not of all.
pub struct Matcher<'r> {
    records: &'r [Record],
    settings: &'r Settings,
    known: Vec<Known>,
    ids: BTreeMap<String, Vec<usize>>,
    clips: BTreeMap<String, Vec<usize>>,
    media: BTreeMap<String, Vec<usize>>,
    /// By scene or slate, then take.
    takes: BTreeMap<(&'static str, String, String), Vec<usize>>,
    /// Records of a roll by first second, with the latest last second so far.
    rolls: BTreeMap<String, Vec<RollEntry>>,
    offsets: BTreeMap<String, i64>,
    /// Plate suffixes as names compare.
    suffixes: Vec<String>,
    /// Records that say which takes they serve.
    serving: Vec<usize>,
    /// Records of sound that no camera's record goes with.
    sounds: Vec<usize>,
}

struct RollEntry {
    first_s: i64,
    last_s: i64,
    latest_s: i64,
    record: usize,
}

impl<'r> Matcher<'r> {
    /// Indexes records by id, clip name, media name, take and roll.
    pub fn new(records: &'r [Record], settings: &'r Settings) -> Matcher<'r> {
        let known: Vec<Known> = records.iter().map(|record| known(record, settings)).collect();
        let mut matcher = Matcher {
            records,
            settings,
            known,
            ids: BTreeMap::new(),
            clips: BTreeMap::new(),
            media: BTreeMap::new(),
            takes: BTreeMap::new(),
            rolls: BTreeMap::new(),
            offsets: BTreeMap::new(),
            suffixes: settings.plate_suffixes.iter().map(|suffix| names::key(suffix)).collect(),
            serving: Vec::new(),
            sounds: Vec::new(),
        };
        for at in 0..records.len() {
            matcher.index(at);
        }
        for entries in matcher.rolls.values_mut() {
            entries.sort_by_key(|entry| (entry.first_s, entry.record));
            let mut latest = i64::MIN;
            for entry in entries {
                latest = latest.max(entry.last_s);
                entry.latest_s = latest;
            }
        }
        matcher
    }

    /// Takes constant offsets of rolls into account, as [`Matcher::roll_offsets`] found them.
    pub fn with_offsets(mut self, offsets: &[RollOffset]) -> Self {
        self.offsets = offsets.iter().map(|o| (names::key(&o.roll), o.frames.0)).collect();
        self
    }

    fn index(&mut self, at: usize) {
        let (Some(record), Some(known)) = (self.records.get(at), self.known.get(at)) else {
            return;
        };
        if record.serves != Serves::Itself {
            self.serving.push(at);
        }
        let sound = record.report == Some(Report::Sound);
        if sound {
            self.sounds.push(at);
        }
        if let Some(id) = record.id.as_ref().filter(|_| !sound) {
            self.ids.entry(id.to_lowercase()).or_default().push(at);
        }
        if let Some(clip) = &known.clip {
            self.clips.entry(clip.clone()).or_default().push(at);
        }
        if let Some(media) = record.media.as_ref().filter(|_| !sound) {
            let stem = names::without_proxy_suffix(names::stem(media), self.settings);
            let key = names::key(stem);
            // A timeline names a run of image files by what stands before their numbers.
            let run = image_run(media).map(|prefix| names::key(&prefix)).filter(|run| *run != key);
            for key in run.into_iter().chain([key]) {
                if known.clip.as_ref() != Some(&key) && !key.is_empty() {
                    self.media.entry(key).or_default().push(at);
                }
            }
        }
        if let Some(take) = &known.take {
            for (kind, value) in [("scene", &known.scene), ("slate", &known.slate)] {
                if let Some(value) = value {
                    let key = (kind, value.clone(), take.clone());
                    self.takes.entry(key).or_default().push(at);
                }
            }
            for setup in setups(known.scene.as_deref(), known.slate.as_deref()) {
                self.takes.entry(("setup", setup, take.clone())).or_default().push(at);
            }
        }
        if let Some(roll) = &known.roll {
            // Without a rate the second a label names is still its second; these two rates
            // have every label below 60 frames, drop-frame ones included.
            let at_rate = |(num, den)| span_at(record, Rate::new(num, den)?, self.settings);
            let coarse =
                known.span.or_else(|| [(60000, 1001), (30000, 1001)].into_iter().find_map(at_rate));
            if let Some((first_s, last_s)) = coarse.map(|span| span.seconds()) {
                let entry = RollEntry { first_s, last_s, latest_s: last_s, record: at };
                self.rolls.entry(roll.clone()).or_default().push(entry);
            }
        }
    }

    /// Returns the first and last frame of a take whose record notes both, and their rate: the
    /// record's, else `rate`.
    pub fn whole_take(&self, record: usize, rate: Rate) -> Option<(FrameRange, Rate)> {
        let span = span_at(self.records.get(record)?, rate, self.settings)?;
        (span.bounds == Bounds::Take).then(|| (span.range, span.counting.rate()))
    }

    /// Returns the record of a use, the candidates, and what spoke for and against them.
    pub fn find(&self, clues: &UseClues) -> Matched {
        let mut found = self.evidence(clues);
        let mut against = Vec::new();
        let pointed = found.values().any(Evidence::points);
        found.retain(|at, evidence| {
            if !pointed && !self.is_exactly(*at, &clues.clip) {
                return false;
            }
            if pointed && !evidence.points() {
                return false;
            }
            match self.veto(*at, clues, evidence) {
                Some(why) => {
                    against.push((*at, why));
                    false
                }
                None => true,
            }
        });
        let best = found.values().map(Evidence::rank).max();
        let candidates: Vec<usize> = found
            .iter()
            .filter(|(_, evidence)| Some(evidence.rank()) == best)
            .map(|(at, _)| *at)
            .collect();
        let weaker = found
            .iter()
            .filter(|(at, _)| !candidates.contains(at))
            .map(|(at, evidence)| (*at, evidence.clone().sentences()))
            .collect();
        let clues = candidates
            .first()
            .and_then(|at| found.remove(at))
            .map(Evidence::sentences)
            .unwrap_or_default();
        let record = if let [only] = candidates.as_slice() { Some(*only) } else { None };
        Matched { record, candidates, clues, against, weaker }
    }

    /// Gathers what points at any record.
    fn evidence(&self, clues: &UseClues) -> BTreeMap<usize, Evidence> {
        let mut found: BTreeMap<usize, Evidence> = BTreeMap::new();
        self.by_id(clues, &mut found);
        self.by_name(clues, &mut found);
        self.by_roll(clues, &mut found);
        self.by_take(clues, &mut found);
        self.by_sound(clues, &mut found);
        for (at, _) in self.named(&clues.clip) {
            let sentence = || format!("editor's clip name: {}", clues.clip);
            found.entry(at).or_default().editor.get_or_insert_with(sentence);
        }
        for (at, evidence) in &mut found {
            self.support(*at, clues, evidence);
        }
        found
    }

    fn by_id(&self, clues: &UseClues, found: &mut BTreeMap<usize, Evidence>) {
        let long = clues.source_names.iter().filter(|text| text.len() >= SHORTEST_ID);
        for text in clues.ids.iter().chain(long) {
            for at in self.ids.get(&text.to_lowercase()).into_iter().flatten() {
                let sentence = || format!("unique id: {text}");
                found.entry(*at).or_default().id.get_or_insert_with(sentence);
            }
        }
    }

    fn by_name(&self, clues: &UseClues, found: &mut BTreeMap<usize, Evidence>) {
        let media = clues.media_names.iter().map(|name| (name, "the media's file name"));
        let source = clues.source_names.iter().map(|name| (name, "the source metadata"));
        let reels = clues.rolls.iter().map(|name| (name, "the reel name"));
        for (name, from) in media.chain(source).chain(reels) {
            for (at, by_clip) in self.named(name) {
                let record = self.records.get(at);
                let shown = record
                    .and_then(|r| if by_clip { r.clip.as_deref() } else { r.media.as_deref() });
                let what = if by_clip { "camera clip name" } else { "the record's media name" };
                let sentence = || format!("{what} in {from}: {}", shown.unwrap_or_default());
                found.entry(at).or_default().name.get_or_insert_with(sentence);
            }
        }
    }

    /// Returns the records a name names; of two parts of the name the longer counts. Second:
    /// whether it is the record's clip name, else its media name.
    fn named(&self, name: &str) -> Vec<(usize, bool)> {
        let stem = names::without_proxy_suffix(names::stem(name), self.settings);
        let words = names::words(stem);
        let mut hits: Vec<((usize, usize), usize, bool)> = Vec::new();
        for part in names::parts(&words, &self.suffixes) {
            let clips = self.clips.get(&part.key).into_iter().flatten();
            let whole = part.span == (0, words.len());
            let media = self.media.get(&part.key).into_iter().flatten().filter(|_| whole);
            hits.extend(clips.map(|at| (part.span, *at, true)));
            hits.extend(media.map(|at| (part.span, *at, false)));
        }
        let inside = |a: (usize, usize), b: (usize, usize)| a != b && b.0 <= a.0 && a.1 <= b.1;
        let spans: BTreeSet<(usize, usize)> = hits.iter().map(|(span, ..)| *span).collect();
        hits.retain(|(span, ..)| !spans.iter().any(|other| inside(*span, *other)));
        hits.into_iter().map(|(_, at, by_clip)| (at, by_clip)).collect()
    }

    fn by_roll(&self, clues: &UseClues, found: &mut BTreeMap<usize, Evidence>) {
        let Some(time) = &clues.time else { return };
        for roll in clues.roll_keys() {
            let Some(entries) = self.rolls.get(&roll) else { continue };
            let shift = self.offsets.get(&roll).copied().unwrap_or(0);
            let first = seconds(time.range.start.0.saturating_sub(shift), time.rate);
            let last = seconds(time.range.end.0.saturating_sub(shift), time.rate);
            for days in [-DAY_S, 0, DAY_S] {
                let first = first.saturating_add(days - COARSE_S);
                let last = last.saturating_add(days + COARSE_S);
                let until = entries.partition_point(|entry| entry.first_s <= last);
                let near =
                    entries[..until].iter().rev().take_while(|entry| entry.latest_s >= first);
                for entry in near.filter(|entry| entry.last_s >= first) {
                    if self.overlaps(entry.record, clues) {
                        let noted = self.records.get(entry.record).and_then(|r| r.roll.as_deref());
                        let sentence = || {
                            let shown = noted.map_or_else(|| roll.to_uppercase(), String::from);
                            format!("roll {shown} and overlapping timecode")
                        };
                        let evidence = found.entry(entry.record).or_default();
                        evidence.roll.get_or_insert_with(sentence);
                    }
                }
            }
        }
    }

    /// What was marked in sound speaks for whatever rolled at that timecode.
    fn by_sound(&self, clues: &UseClues, found: &mut BTreeMap<usize, Evidence>) {
        for at in self.sounds.iter().filter(|at| self.overlaps(**at, clues)) {
            let sentence = || "overlapping timecode of a sound take".to_string();
            found.entry(*at).or_default().sound.get_or_insert_with(sentence);
        }
    }

    fn by_take(&self, clues: &UseClues, found: &mut BTreeMap<usize, Evidence>) {
        let Some(take) = clues.take.as_deref().map(take_key) else { return };
        let scene = clues.scene.as_deref().map(plain);
        let slate = clues.slate.as_deref().map(plain);
        let known_before = found.values().filter(|evidence| evidence.slate.is_some()).count();
        for (kind, value) in [("scene", &scene), ("slate", &slate)] {
            let Some(value) = value else { continue };
            let records = self.takes.get(&(kind, value.clone(), take.clone()));
            for at in records.into_iter().flatten() {
                let Some(known) = self.known.get(*at) else { continue };
                let alike = |a: &Option<String>, b: &Option<String>| match (a, b) {
                    (Some(a), Some(b)) => a == b,
                    _ => true,
                };
                if alike(&known.scene, &scene) && alike(&known.slate, &slate) {
                    let sentence = || take_sentence(clues, known);
                    found.entry(*at).or_default().slate.get_or_insert_with(sentence);
                }
            }
        }
        let known_now = found.values().filter(|evidence| evidence.slate.is_some()).count();
        if known_now > known_before {
            return;
        }
        // The set writes 12 and A where the cutting room writes 12A, or the slate number
        // under scene: looked for only where nothing fits as written.
        for setup in setups(scene.as_deref(), slate.as_deref()) {
            let records = self.takes.get(&("setup", setup.clone(), take.clone()));
            for at in records.into_iter().flatten() {
                let sentence = || {
                    let take = clues.take.as_deref().unwrap_or_default();
                    format!("set-up {} take {take}, written in another way", setup.to_uppercase())
                };
                found.entry(*at).or_default().slate.get_or_insert_with(sentence);
            }
        }
    }

    /// Adds what agrees but points at nothing by itself.
    fn support(&self, at: usize, clues: &UseClues, evidence: &mut Evidence) {
        let (Some(record), Some(known)) = (self.records.get(at), self.known.get(at)) else {
            return;
        };
        if let Some(noted) = &record.date {
            let in_names =
                clues.media_names.iter().flat_map(|name| names::words(names::stem(name)));
            let dates = clues.dates.iter().cloned().chain(in_names.filter(|word| word.len() >= 6));
            let same = |date: &String| dates_agree(noted, date) == Some(true);
            if dates.into_iter().any(|date| same(&date)) {
                evidence.date = Some(format!("date {noted}"));
            }
        }
        let camera = clues.camera.as_deref().and_then(names::camera_letter);
        evidence.camera = camera.is_some() && camera == known.camera;
        evidence.overlaps = self.overlaps(at, clues);
    }

    /// Says what contradicts a record, if anything does. A unique id cannot be contradicted.
    fn veto(&self, at: usize, clues: &UseClues, evidence: &Evidence) -> Option<String> {
        if evidence.id.is_some() {
            return None;
        }
        let (record, known) = (self.records.get(at)?, self.known.get(at)?);
        if let TimeSays::Contradicts(why) = self.time_says(at, clues)
            && !self.starts_in(at, clues)
        {
            return Some(why);
        }
        if let (Some(camera), Some(noted)) = (&clues.camera, &known.camera)
            && let Some(letter) = names::camera_letter(camera)
            && letter != *noted
        {
            let noted = record.camera.as_deref().unwrap_or_default();
            return Some(format!("its camera is {camera}, the record's {noted}"));
        }
        if let Some(noted) = &record.date
            && let Some(date) = clues.dates.first()
            && clues.dates.iter().all(|date| dates_agree(noted, date) == Some(false))
        {
            return Some(format!("its date is {date}, the record's {noted}"));
        }
        if evidence.name.is_none() && evidence.roll.is_none() {
            return self.other_name(known, clues);
        }
        None
    }

    /// Says that the media carry another camera clip's name: one of the same form as the
    /// record's.
    fn other_name(&self, known: &Known, clues: &UseClues) -> Option<String> {
        let clip = known.clip.as_ref().filter(|clip| names::is_distinct(clip))?;
        let form = names::form(clip);
        for name in clues.media_names.iter().chain(&clues.source_names) {
            let words = names::words(names::stem(name));
            for part in words.windows(known.clip_words.max(1)) {
                if part.concat() != *clip && names::form(&part.concat()) == form {
                    return Some(format!("its media are named {name}, another camera clip"));
                }
            }
        }
        None
    }

    fn time_says(&self, at: usize, clues: &UseClues) -> TimeSays {
        let placed = self.placed(at, clues);
        placed.map_or(TimeSays::Nothing, |(span, time, shift)| span.against(time, shift))
    }

    /// Tells whether the use's frames meet the record's, without the words of a
    /// contradiction: they cost more than the answer.
    fn overlaps(&self, at: usize, clues: &UseClues) -> bool {
        self.placed(at, clues).is_some_and(|(span, time, shift)| span.overlaps(time, shift))
    }

    /// Returns when a record's take ran, the use's time, and the roll's offset.
    fn placed<'c>(&self, at: usize, clues: &'c UseClues) -> Option<(Span, &'c TimeClue, i64)> {
        let (time, known) = (clues.time.as_ref()?, self.known.get(at)?);
        let record = self.records.get(at)?;
        let span = known.span.or_else(|| span_at(record, time.rate, self.settings))?;
        let roll = known.roll.as_ref();
        let shift = roll.and_then(|roll| self.offsets.get(roll)).copied().unwrap_or(0);
        Some((span, time, shift))
    }

    /// Tells whether the media start within the record's take. The clip's own times are then
    /// no timecode of another take, whatever they count.
    fn starts_in(&self, at: usize, clues: &UseClues) -> bool {
        let in_take = clues.time.is_some_and(|time| time.is_take_time);
        let Some((start, rate)) = clues.media_start.filter(|_| !in_take) else { return false };
        let range = FrameRange { start, end: start + FrameShift(1) };
        let time = Some(TimeClue { range, rate, is_take_time: true });
        self.time_says(at, &UseClues { time, ..UseClues::default() }) == TimeSays::Overlaps
    }

    fn is_exactly(&self, at: usize, name: &str) -> bool {
        let clip = self.records.get(at).and_then(|record| record.clip.as_deref());
        clip.is_some_and(|clip| {
            [name.trim(), names::stem(name.trim())].iter().any(|name| plain(name) == plain(clip))
        })
    }

    /// Returns the rolls a record may be on, as rolls compare.
    fn roll(&self, at: usize) -> Option<&str> {
        self.known.get(at)?.roll.as_deref()
    }
}

fn known(record: &Record, settings: &Settings) -> Known {
    let full = |key: String| Some(key).filter(|key| !key.is_empty());
    let clip = record.clip.as_deref().map(names::stem).map(names::key).and_then(full);
    // A recorder's roll is no camera's.
    let roll = record.roll.as_deref().filter(|_| record.report != Some(Report::Sound));
    let roll = roll.map(names::key).and_then(full);
    let of_clip = || clip.as_deref().and_then(names::roll_of).map(String::from);
    Known {
        clip_words: record.clip.as_deref().map_or(0, |clip| names::words(names::stem(clip)).len()),
        roll: roll.or_else(of_clip),
        scene: record.scene.as_deref().map(plain),
        slate: record.slate.as_deref().map(plain),
        take: record.take.as_deref().map(take_key),
        camera: record.camera.as_deref().and_then(names::camera_letter),
        span: record.rate.and_then(|rate| span_at(record, rate, settings)),
        clip,
    }
}

/// Scene and slate compare as written, but for case and outer blanks: 01 is not 1.
fn plain(text: &str) -> String {
    text.trim().to_lowercase()
}

/// The ways in which scene and slate may be written as one set-up: letters and digits alone.
/// A slate that is a number is one by itself (the British way); one of letters belongs to its
/// scene. Common practice, no source.
fn setups(scene: Option<&str>, slate: Option<&str>) -> BTreeSet<String> {
    let bare = |text: &str| text.chars().filter(|l| l.is_alphanumeric()).collect::<String>();
    let (scene, slate) = (scene.map(bare), slate.map(bare));
    let mut found = BTreeSet::new();
    match (scene, slate) {
        (Some(scene), Some(slate)) => {
            let numbered = slate.starts_with(|letter: char| letter.is_ascii_digit());
            found.insert(if numbered { slate } else { format!("{scene}{slate}") });
        }
        (one, other) => found.extend(one.or(other)),
    }
    found.remove("");
    found
}

fn take_sentence(clues: &UseClues, known: &Known) -> String {
    let camera = clues.camera.as_ref().filter(|_| known.camera.is_some());
    let words: Vec<String> = [
        ("scene", clues.scene.as_ref().filter(|_| known.scene.is_some())),
        ("slate", clues.slate.as_ref().filter(|_| known.slate.is_some())),
        ("take", clues.take.as_ref()),
        ("camera", camera),
    ]
    .into_iter()
    .filter_map(|(word, value)| Some(format!("{word} {}", value?)))
    .collect();
    format!("{} in the metadata", words.join(", "))
}

/// Returns the records no use was matched to, in order.
pub fn unmatched(records: usize, matched: &[Matched]) -> Vec<usize> {
    let used: BTreeSet<usize> =
        matched.iter().flat_map(|found| found.candidates.iter().copied()).collect();
    (0..records).filter(|at| !used.contains(at)).collect()
}

#[cfg(test)]
mod tests;
