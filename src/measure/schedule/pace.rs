//! Which frames are looked at, where not all are: every second, say, and of a plate never so
//! few that its mean is no longer free of grain.
//!
//! ```text
//!   frames    0 1 2 3 4 5 6 7 8 9      every second of them:  0 . 2 . 4 . 6 . 8 9
//!   what lies between two that were looked at counts as hidden by what either shows
//! ```

use super::frames::COLOUR_EVERY;
use super::{FrameMasks, MaskStore, Row};
use crate::media::Wanted;
use crate::time::{Frame, FrameRange};
use std::io;

/// Shortest plate of which the colour of some frames is enough. Ours: two of them at least.
const COLOURED: u64 = 2 * COLOUR_EVERY;

/// Frames a plate keeps at least, if it has them. Ours: their mean has a seventh of the grain.
const OF_A_PLATE: u64 = 48;

/// The same where plates are only tried on. Ours: a fifth of the grain is enough to choose by.
const OF_A_TRIED_PLATE: u64 = 24;

/// Every how many frames are looked at where plates are only tried on. Ours: fewer than of any
/// take that is held against a plate.
pub const TRIED_EVERY: u32 = 12;

/// The frames that are looked at.
#[derive(Debug, Clone)]
pub(super) struct Pace {
    every: u32,
    runs: Vec<FrameRange>,
    plates: Vec<FrameRange>,
}

impl Pace {
    /// `runs` are all frames that matter, those of the `plates` among them.
    pub(super) fn new(every: u32, runs: &[FrameRange], plates: &[FrameRange]) -> Pace {
        Pace { every: every.max(1), runs: runs.to_vec(), plates: plates.to_vec() }
    }

    /// Tells how much of a frame is looked at.
    pub(super) fn wanted(&self, frame: Frame) -> Wanted {
        let Some(run) = self.runs.iter().find(|run| run.holds(frame)) else {
            return Wanted::Nothing;
        };
        // Counted from the head of the file, whatever the run: what was kept before has colour
        // in the same frames.
        let number = frame.0.unsigned_abs();
        let every = u64::from(self.every);
        if frame == run.start || number.is_multiple_of(every * COLOUR_EVERY) {
            return Wanted::Whole;
        }
        // The last of a run is looked at: nothing lies behind it that could stand in for it.
        let of_run = number.is_multiple_of(every) || frame.0 + 1 == run.end.0;
        let of_plates =
            || self.plates.iter().map(|plate| self.wanted_of_plate(*plate, frame)).max();
        if of_run { Wanted::Luma } else { of_plates().unwrap_or(Wanted::Nothing) }
    }

    /// Tells how much of a frame of a plate is looked at for what is held against it.
    pub(super) fn wanted_of_plate(&self, plate: FrameRange, frame: Frame) -> Wanted {
        let number = frame.0.unsigned_abs();
        let step = plate_step(plate, self.every);
        let brief = plate.count().0 < COLOURED * step;
        match plate.holds(frame) && (frame == plate.start || number.is_multiple_of(step)) {
            true if brief || number.is_multiple_of(COLOUR_EVERY * step) => Wanted::Whole,
            true => Wanted::Luma,
            false => Wanted::Nothing,
        }
    }

    /// Adds a row for every frame between two that were looked at: it lies as the nearer of
    /// them, and holds the boom and hides what either does.
    ///
    /// # Errors
    ///
    /// Masks cannot be kept or read back.
    pub(super) fn fill(&self, rows: Vec<Row>, masks: &mut MaskStore) -> io::Result<Vec<Row>> {
        if self.every == 1 {
            return Ok(rows);
        }
        let mut filled: Vec<Row> = Vec::with_capacity(rows.len() * self.every as usize);
        for row in rows {
            if let Some(before) = filled.last().cloned().filter(|before| self.follows(before, &row))
            {
                let middle = (before.frame.0 + row.frame.0) / 2;
                let hidden = between(masks, before.frame, row.frame)?;
                for frame in (before.frame.0 + 1..row.frame.0).map(Frame) {
                    let nearer = if frame.0 <= middle { &before } else { &row };
                    let motion = nearer
                        .motion
                        .clone()
                        .map(|motion| crate::measure::lockoff::FrameMotion { frame, ..motion });
                    let boom = before.boom || row.boom;
                    filled.push(Row { frame, motion, boom, colour: None, ..nearer.clone() });
                    if let Some(hidden) = &hidden {
                        masks.add(frame, hidden)?;
                    }
                }
            }
            filled.push(row);
        }
        Ok(filled)
    }

    fn follows(&self, before: &Row, next: &Row) -> bool {
        let apart = next.frame.0 - before.frame.0;
        let one_run = |run: &FrameRange| run.holds(before.frame) && run.holds(next.frame);
        (2..=i64::from(self.every)).contains(&apart) && self.runs.iter().any(one_run)
    }
}

/// Every how many frames of a plate are looked at.
fn plate_step(plate: FrameRange, every: u32) -> u64 {
    let least = if every >= TRIED_EVERY { OF_A_TRIED_PLATE } else { OF_A_PLATE };
    (plate.count().0 / least).clamp(1, u64::from(every.max(1)))
}

/// What two frames hide together.
fn between(masks: &MaskStore, before: Frame, next: Frame) -> io::Result<Option<FrameMasks>> {
    let (Some(mut all), Some(next)) = (masks.of(before)?, masks.of(next)?) else { return Ok(None) };
    all.boom.add(&next.boom);
    all.core.add(&next.core);
    all.actors.add(&next.actors);
    Ok(Some(all))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measure::Mask;

    fn looked_at(pace: &Pace, range: FrameRange) -> Vec<i64> {
        (range.start.0..range.end.0).filter(|f| pace.wanted(Frame(*f)) > Wanted::Nothing).collect()
    }

    #[test]
    fn every_second_frame_the_last_one_and_the_whole_of_a_short_plate() {
        let (plate, run) = (FrameRange::new(0, 5), FrameRange::new(0, 12));
        let pace = Pace::new(2, &[run, FrameRange::new(20, 24)], &[plate]);
        assert_eq!(
            looked_at(&pace, FrameRange::new(0, 30)),
            [0, 1, 2, 3, 4, 6, 8, 10, 11, 20, 22, 23]
        );
        let all = Pace::new(1, &[run], &[plate]);
        assert_eq!(looked_at(&all, run), (0..12).collect::<Vec<_>>());
        // Of a long plate as few as of the rest.
        let long = FrameRange::new(0, 200);
        let of_plate = |plate: FrameRange, every: u32, least: Wanted| {
            let pace = Pace::new(every, &[], &[]);
            let frames = plate.start.0..plate.end.0;
            frames.filter(|f| pace.wanted_of_plate(plate, Frame(*f)) >= least).count()
        };
        assert_eq!(of_plate(long, 2, Wanted::Luma), 100);
        assert_eq!(of_plate(long, 8, Wanted::Luma), 50);
        assert_eq!(of_plate(long, 1, Wanted::Whole), 25);
        // The colour of a short plate is looked at in each of its frames.
        assert_eq!(of_plate(FrameRange::new(3, 18), 2, Wanted::Whole), 15);
    }

    #[test]
    fn what_lies_between_hides_what_both_sides_hide() {
        let run = FrameRange::new(0, 5);
        let mut masks = MaskStore::new((8, 2)).unwrap();
        let at = |column: usize| Mask::from_fn(8, 2, |x, _| x == column);
        let mut rows = Vec::new();
        for frame in [0, 2, 4] {
            let column = frame as usize;
            let drawn = FrameMasks { boom: at(column), core: at(column), actors: at(7 - column) };
            masks.add(Frame(frame), &drawn).unwrap();
            let boom = frame == 2;
            rows.push(Row { frame: Frame(frame), motion: None, light: None, colour: None, boom });
        }
        let filled = Pace::new(2, &[run], &[]).fill(rows, &mut masks).unwrap();
        let frames: Vec<(i64, bool)> = filled.iter().map(|row| (row.frame.0, row.boom)).collect();
        assert_eq!(frames, [(0, false), (1, true), (2, true), (3, true), (4, false)]);
        let one = masks.of(Frame(1)).unwrap().unwrap();
        assert_eq!(one.boom, Mask::from_fn(8, 2, |x, _| x == 0 || x == 2));
        assert_eq!(one.actors, Mask::from_fn(8, 2, |x, _| x == 7 || x == 5));
    }
}
