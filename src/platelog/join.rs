//! What one record knows added to another: lists grow, gaps are filled, and where two
//! values of one key disagree the key is said.

use super::points::{ORDER_OF_DAY, label_order};
use super::same::{dates_agree, name, same_name, take_key};
use super::write::text_of;
use super::{KEYS, PlateKind, PlateNote, Point, PointRange, Record, Serves, TakeClock, take_range};
use crate::settings::Settings;
use crate::time::FrameRange;

/// A key in which two records disagree, and how a sentence names it.
pub(super) struct Difference {
    /// The key.
    pub key: &'static str,
    /// The word for it.
    pub word: String,
}

/// Adds what `from` knows to `into`, which wins where they disagree.
pub(super) fn join(into: &mut Record, from: &Record, settings: &Settings) -> Vec<Difference> {
    let mut different = Vec::new();
    let tolerance = [into.tolerance, from.tolerance]
        .into_iter()
        .map(|frames| frames.unwrap_or(settings.claim_tolerance_frames))
        .max()
        .unwrap_or(0);
    let rule = Ruler::new(into, from, settings, i64::from(tolerance));
    for key in KEYS {
        if !from.origin.has(key) {
            continue;
        }
        let fresh = !into.origin.has(key);
        let words = join_key(key, into, from, &rule);
        if fresh && let Some(place) = from.origin.get(key) {
            into.origin.insert(key, place.clone());
        } else if words.is_empty()
            && changed_by_both(key)
            && let (Some(here), Some(place)) = (into.origin.get(key), from.origin.get(key))
            && here != place
        {
            into.origin.add(key, place);
        }
        different.extend(words.into_iter().map(|word| Difference { key, word }));
    }
    // What a plate log names is looked at, whatever reports say of it.
    if from.report.is_none() && into.report.take().is_some() {
        into.origin.remove("report");
    }
    if let Some(place) = from.origin.get("record") {
        into.origin.add("record", place);
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
        "report" => Vec::new(),
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
        self.within(a, b, self.tolerance)
    }

    fn within(&self, a: &Point, b: &Point, tolerance: i64) -> bool {
        if a == b {
            return true;
        }
        let frame = |point: &Point| super::take_frame(point, self.clock.as_ref()?).ok();
        match (frame(a), frame(b)) {
            (Some(a), Some(b)) => a.0.abs_diff(b.0) <= tolerance.unsigned_abs(),
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
            // `no plate` and a good one contradict each other.
            if into.iter().any(|here| denies(here) != denies(plate) && here.good != plate.good) {
                words.push("plates".to_string());
                continue;
            }
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
        // A hand on a button may be off at either end; two hands by both.
        let by_hand = |plate: &PlateNote| i64::from(plate.tolerance.unwrap_or(0));
        let tolerance = self.tolerance.max(by_hand(here) + by_hand(other));
        let ranges = match (&here.range, &other.range) {
            (Some(a), Some(b)) => {
                self.within(&a.start, &b.start, tolerance) && self.within(&a.end, &b.end, tolerance)
            }
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
        if here.range.is_none()
            || (here.tolerance.is_some() && other.range.is_some() && other.tolerance.is_none())
        {
            here.range.clone_from(&other.range);
            here.tolerance = other.tolerance;
        }
        here.seconds = here.seconds.or(other.seconds);
        here.clip = here.clip.take().or_else(|| other.clip.clone());
        here.roll = here.roll.take().or_else(|| other.roll.clone());
        None
    }
}

/// Tells whether a note says that there is no plate at all.
fn denies(plate: &PlateNote) -> bool {
    !plate.good && plate.kind.is_none() && plate.range.is_none() && plate.seconds.is_none()
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
