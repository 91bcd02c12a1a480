//! A clean frame put together from a take whose boom moves: every pixel from the frames in
//! which it was free.
//!
//! ```text
//!   frames, small  -> Bare    the set without boom and people, and who hides what when
//!   frames, whole  -> Pile    each in one light, robust mean of the free samples, their count
//!   Pile, grain    -> Built   pictures of the bare set, each with grain of its own
//! ```
//!
//! Nothing is painted: a pixel that was free in fewer than [`LEAST_FREE`] frames is counted as
//! never free, and whoever asks is told.

mod bare;
mod built;
mod pile;
mod take;

pub use bare::{Bare, bare};
pub use built::Built;
pub use pile::{Hidden, Lit, Pile, pile};
pub use take::{first_gathered, gathered_again, never_free};

use crate::time::FrameRange;

/// Fewest frames a pixel has to be free in: a robust mean of fewer is none. Measured.
pub const LEAST_FREE: u16 = 5;

/// Most frames a clean frame is put together from: a twelfth of the grain is left.
pub const MOST_FRAMES: u64 = 160;

/// Frames at either end of a range that are all looked at: there the boom slides in and out.
const ENDS: u64 = 36;

/// Returns some frames of a range as ranges: all at its ends, and between evenly spread ones.
pub fn some(range: FrameRange, most: u64) -> Vec<FrameRange> {
    let ends = ENDS.min(most / 4).min(range.count().0 / 2) as i64;
    let (first, last) = (range.start.0 + ends, range.end.0 - ends);
    let between = FrameRange::new(first, last).count().0;
    let left = most.saturating_sub(2 * ends.unsigned_abs()).max(1);
    let every = between.div_ceil(left).max(1) as usize;
    let frames =
        (range.start.0..first).chain((first..last).step_by(every)).chain(last..range.end.0);
    frames.map(|frame| FrameRange::new(frame, frame + 1)).collect()
}
