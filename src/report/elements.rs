//! What has to be pulled: the elements of every shot, as `pulls.csv` and `pulls.edl` list them.
//!
//! A shot with a plate has two: `BG`, the take over need, and `CP`, the unlooped plate frames
//! of whichever take and roll. A shot that must be patched by hand has its `BG`. Uses that
//! still need a look are not pulled: what to pull depends on the decision.

use super::clock::TakeClock;
use crate::findings::{Findings, PlateSummary, TakeName, UseFinding, Verdict};
use crate::time::{FrameRange, Rate};

/// One element to pull.
pub(super) struct Element<'a> {
    /// The use it belongs to.
    pub found: &'a UseFinding,
    /// `BG` or `CP`.
    pub name: &'static str,
    /// The camera's name of the clip; may be empty.
    pub clip: &'a str,
    /// The roll; may be empty.
    pub roll: &'a str,
    /// The media file, relative; empty if none is known.
    pub file: &'a str,
    /// The frames to pull, take clock of the take they come from.
    pub range: FrameRange,
    /// The same in file frames, if the file is known.
    pub in_file: Option<FrameRange>,
    /// Source frames of handle before and after the used frames.
    pub handles: (u64, u64),
    /// How the frames are labelled.
    pub clock: TakeClock,
    /// Frame rate of the source.
    pub rate: Option<Rate>,
}

/// Returns every element to pull, in the order of the uses, `BG` before `CP`.
pub(super) fn elements(findings: &Findings) -> impl Iterator<Item = Element<'_>> {
    findings.uses.iter().flat_map(|found| of_use(findings, found))
}

/// Returns the elements of one use.
pub(super) fn of_use<'a>(findings: &Findings, found: &'a UseFinding) -> Vec<Element<'a>> {
    let mut elements = Vec::new();
    if let Some(need) = found.need_in_take.filter(|_| is_pulled(found.verdict)) {
        let clock = TakeClock::of(found, &findings.cut);
        elements.push(background(found, need, clock));
        elements.extend(found.plate.as_ref().map(|plate| clean_plate(found, plate, clock)));
    }
    elements
}

fn is_pulled(verdict: Verdict) -> bool {
    verdict.has_plate() || verdict == Verdict::ByHand
}

fn rate(found: &UseFinding) -> Option<Rate> {
    found.take_rate.or(found.media.as_ref().map(|media| media.rate))
}

fn named(take: Option<&TakeName>) -> (Option<&str>, &str) {
    let clip = take.and_then(|take| take.clip.as_deref());
    (clip, take.and_then(|take| take.roll.as_deref()).unwrap_or_default())
}

fn background(found: &UseFinding, need: FrameRange, clock: TakeClock) -> Element<'_> {
    let used = found.used_in_take.unwrap_or(need);
    let head = FrameRange::new(need.start.0, used.start.0).count();
    let tail = FrameRange::new(used.end.0, need.end.0).count();
    let (clip, roll) = named(found.take.as_ref());
    Element {
        found,
        name: "BG",
        clip: clip.unwrap_or(&found.clip),
        roll,
        file: found.media.as_ref().map_or("", |media| media.file.as_str()),
        range: need,
        in_file: found.need_in_file,
        handles: (head.0, tail.0),
        clock,
        rate: rate(found),
    }
}

fn clean_plate<'a>(
    found: &'a UseFinding,
    plate: &'a PlateSummary,
    clock: TakeClock,
) -> Element<'a> {
    let (clip, roll) = named(plate.from_take.as_ref().or(found.take.as_ref()));
    let own_clip = if plate.from_take.is_none() { found.clip.as_str() } else { "" };
    let own_file = found.media.as_ref().filter(|_| plate.from_take.is_none());
    let file = plate.source_file.as_deref().or(own_file.map(|media| media.file.as_str()));
    Element {
        found,
        name: "CP",
        clip: clip.unwrap_or(own_clip),
        roll,
        file: file.unwrap_or_default(),
        range: plate.range_in_take,
        in_file: match plate.from_take {
            None => clock.in_file(plate.range_in_take),
            Some(_) => mapped(plate),
        },
        handles: (0, 0),
        clock,
        rate: rate(found),
    }
}

/// The file frames of a plate from another take: known if its map runs over all of them.
fn mapped(plate: &PlateSummary) -> Option<FrameRange> {
    let map = plate.map.as_ref()?;
    let first = map.iter().map(|run| run[0].min(run[1])).min()?;
    let last = map.iter().map(|run| run[0].max(run[1])).max()?;
    let range = FrameRange::new(first, last.saturating_add(1));
    (range.count() == plate.range_in_take.count()).then_some(range)
}
