//! `pulls.csv`: every element to pull, one a row.
//!
//! A shot with a plate has two: `BG`, the take over need, and `CP`, the unlooped plate frames
//! of whichever take and roll. A shot that must be patched by hand has its `BG`. Uses that
//! still need a look are not pulled: what to pull depends on the decision.

use super::cells::{path_cell, rows, text_cell};
use super::clock::{TakeClock, cut_label};
use super::words::speed_words;
use crate::error::Faults;
use crate::findings::{Findings, PlateSummary, UseFinding, Verdict};
use crate::time::FrameRange;

const HEADINGS: [&str; 18] = [
    "shot",
    "element",
    "clip",
    "roll",
    "source_file",
    "rate",
    "source_in",
    "source_out",
    "file_in",
    "file_out",
    "frames",
    "handle_head",
    "handle_tail",
    "speed",
    "cut_in",
    "cut_out",
    "cut_frame",
    "verdict",
];

/// Returns the bytes of `pulls.csv`.
///
/// `source_in` and `source_out` are source timecode (`#N` file frames where there is none),
/// `file_in` and `file_out` 0-based file frames, empty if the file is not known; every out
/// point is the frame after the last. `cut_frame` counts from 0.
///
/// # Errors
///
/// Only if a row cannot be written.
pub fn bytes(findings: &Findings) -> Result<Vec<u8>, Faults> {
    let elements = findings.uses.iter().flat_map(|found| elements(findings, found));
    rows(b',', std::iter::once(HEADINGS.map(String::from)).chain(elements))
}

fn elements(findings: &Findings, found: &UseFinding) -> Vec<[String; 18]> {
    let mut elements = Vec::new();
    if let Some(need) = found.need_in_take.filter(|_| is_pulled(found.verdict)) {
        elements.push(background(findings, found, need));
        elements.extend(found.plate.as_ref().map(|plate| clean_plate(findings, found, plate)));
    }
    elements
}

fn is_pulled(verdict: Verdict) -> bool {
    verdict.has_plate() || verdict == Verdict::ByHand
}

fn background(findings: &Findings, found: &UseFinding, need: FrameRange) -> [String; 18] {
    let clock = TakeClock::of(found, &findings.cut);
    let used = found.used_in_take.unwrap_or(need);
    let head = FrameRange::new(need.start.0, used.start.0).count();
    let tail = FrameRange::new(used.end.0, need.end.0).count();
    let take = found.take.as_ref();
    let element = Element {
        name: "BG",
        clip: take.and_then(|take| take.clip.as_deref()).unwrap_or(&found.clip),
        roll: take.and_then(|take| take.roll.as_deref()).unwrap_or_default(),
        file: found.media.as_ref().map_or("", |media| media.file.as_str()),
        range: need,
        in_file: found.need_in_file,
        handles: (head.0, tail.0),
    };
    element.row(findings, found, clock)
}

fn clean_plate(findings: &Findings, found: &UseFinding, plate: &PlateSummary) -> [String; 18] {
    let clock = TakeClock::of(found, &findings.cut);
    let take = plate.from_take.as_ref().or(found.take.as_ref());
    let own_clip = if plate.from_take.is_none() { found.clip.as_str() } else { "" };
    let own_file = found.media.as_ref().filter(|_| plate.from_take.is_none());
    let file = plate.source_file.as_deref().or(own_file.map(|media| media.file.as_str()));
    let in_file = match plate.from_take {
        None => clock.in_file(plate.range_in_take),
        Some(_) => mapped(plate),
    };
    let element = Element {
        name: "CP",
        clip: take.and_then(|take| take.clip.as_deref()).unwrap_or(own_clip),
        roll: take.and_then(|take| take.roll.as_deref()).unwrap_or_default(),
        file: file.unwrap_or_default(),
        range: plate.range_in_take,
        in_file,
        handles: (0, 0),
    };
    element.row(findings, found, clock)
}

/// The file frames of a plate from another take: known if its map runs over all of them.
fn mapped(plate: &PlateSummary) -> Option<FrameRange> {
    let map = plate.map.as_ref()?;
    let first = map.iter().map(|run| run[0].min(run[1])).min()?;
    let last = map.iter().map(|run| run[0].max(run[1])).max()?;
    let range = FrameRange::new(first, last.saturating_add(1));
    (range.count() == plate.range_in_take.count()).then_some(range)
}

/// One element to pull.
struct Element<'a> {
    name: &'static str,
    clip: &'a str,
    roll: &'a str,
    file: &'a str,
    range: FrameRange,
    in_file: Option<FrameRange>,
    handles: (u64, u64),
}

impl Element<'_> {
    fn row(&self, findings: &Findings, found: &UseFinding, clock: TakeClock) -> [String; 18] {
        let rate = found.take_rate.or(found.media.as_ref().map(|media| media.rate));
        let file_frame = |pick: fn(FrameRange) -> i64| {
            self.in_file.map_or(String::new(), |range| pick(range).to_string())
        };
        [
            text_cell(&found.shot),
            self.name.into(),
            text_cell(self.clip),
            text_cell(self.roll),
            path_cell(self.file),
            rate.map_or(String::new(), |rate| rate.to_string()),
            clock.label(self.range.start),
            clock.label(self.range.end),
            file_frame(|range| range.start.0),
            file_frame(|range| range.end.0),
            self.range.count().to_string(),
            self.handles.0.to_string(),
            self.handles.1.to_string(),
            speed_words(found.speed.as_deref()),
            cut_label(&findings.cut, found.range_in_cut.start),
            cut_label(&findings.cut, found.range_in_cut.end),
            found.range_in_cut.start.to_string(),
            found.verdict.word().into(),
        ]
    }
}
