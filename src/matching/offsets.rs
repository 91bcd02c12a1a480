//! One timecode offset that holds for a whole roll: the log's clock ran off the camera's.

use super::{Matcher, UseClues, names};
use crate::platelog::{Point, TakeClock};
use crate::time::{Frame, FrameShift, Rate};
use std::collections::BTreeMap;

/// An offset is proposed from this many takes on; one or two may be slips of the pen.
const LEAST_TAKES: usize = 3;

/// A constant offset between the log's timecode and the media's on one roll.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RollOffset {
    /// The roll as the log names it.
    pub roll: String,
    /// Media take frame less the log's.
    pub frames: FrameShift,
    /// The rate of those frames.
    pub rate: Rate,
    /// The records it was found from, in order.
    pub takes: Vec<usize>,
}

impl Matcher<'_> {
    /// Finds rolls whose takes, matched by name, all disagree in timecode by one amount.
    ///
    /// Needs the media's start ([`UseClues::media_start`]) and the record's. The amount must
    /// hold within the records' tolerance for three takes and for most takes of the roll.
    pub fn roll_offsets(&self, uses: &[UseClues]) -> Vec<RollOffset> {
        let mut rolls: BTreeMap<&str, BTreeMap<usize, (i64, Rate, i64)>> = BTreeMap::new();
        for clues in uses {
            let Some((at, found)) = self.offset(clues) else { continue };
            let Some(roll) = self.roll(at) else { continue };
            rolls.entry(roll).or_default().entry(at).or_insert(found);
        }
        rolls.into_iter().filter_map(|(roll, takes)| self.constant(roll, &takes)).collect()
    }

    /// Returns the record a use's media name, and media start less record start.
    fn offset(&self, clues: &UseClues) -> Option<(usize, (i64, Rate, i64))> {
        let (media_start, media_rate) = clues.media_start?;
        let mut found = BTreeMap::new();
        self.by_name(clues, &mut found);
        let mut named = found.into_keys();
        let at = named.next().filter(|_| named.next().is_none())?;
        let record = self.records.get(at)?;
        let rate = record.rate.unwrap_or(media_rate);
        if rate.nominal() != media_rate.nominal() {
            return None;
        }
        let Some(Point::Timecode(_)) = record.start else { return None };
        let clock = TakeClock::at(record, rate, self.settings.out);
        let Frame(start) = clock.start?;
        let day = clock.counting.frames_in_day();
        let off =
            (media_start.0.saturating_sub(start).saturating_add(day / 2)).rem_euclid(day) - day / 2;
        let tolerance = record.tolerance.unwrap_or(self.settings.claim_tolerance_frames);
        Some((at, (off, rate, i64::from(tolerance))))
    }

    fn constant(
        &self,
        roll: &str,
        takes: &BTreeMap<usize, (i64, Rate, i64)>,
    ) -> Option<RollOffset> {
        let tolerance = takes.values().map(|(.., tolerance)| *tolerance).max().unwrap_or(0);
        let mut sorted: Vec<(i64, usize)> =
            takes.iter().map(|(at, (off, ..))| (*off, *at)).collect();
        sorted.sort_unstable();
        let (mut best, mut from) = (0..0, 0);
        for to in 0..sorted.len() {
            while sorted[to].0 - sorted[from].0 > tolerance {
                from += 1;
            }
            if to + 1 - from > best.len() {
                best = from..to + 1;
            }
        }
        let group = sorted.get(best)?;
        let middle = group.get(group.len() / 2)?.0;
        let most = group.len() >= LEAST_TAKES && group.len() * 2 > takes.len();
        if !most || middle.abs() <= tolerance {
            return None;
        }
        let mut records: Vec<usize> = group.iter().map(|(_, at)| *at).collect();
        records.sort_unstable();
        let first = *records.first()?;
        let named = self.records.get(first).and_then(|record| record.roll.clone());
        debug_assert!(named.as_deref().is_none_or(|named| names::key(named) == roll));
        let rate = takes.get(&first)?.1;
        let roll = named.unwrap_or_else(|| roll.to_uppercase());
        Some(RollOffset { roll, frames: FrameShift(middle), rate, takes: records })
    }
}
