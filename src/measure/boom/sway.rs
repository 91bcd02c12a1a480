//! Leaves and water behind a shot: what sways round a place of rest, and nowhere farther.
//!
//! Pixel by pixel such a background leaves the range of a short plate all the time, and much
//! that hangs in front of it lies within that range. Its mean over a neighbourhood wider than
//! the sway hardly changes; where a boom or somebody is in front, it does. So where a plate
//! sways, plate and frames are smoothed before they are compared.
//!
//! Somebody who walks through a plate, or waves in it, goes farther than the neighbourhood and
//! stays a person; one who breathes moves outlines only, too thin to count. Somebody who stands
//! before leaves is told by their mean like everybody else.

use super::reference::Reference;
use crate::measure::Mask;
use crate::measure::plane::Plane;
use std::ops::Range;

/// Reach of the neighbourhood as a share of the width: two means over it, one after the other.
/// Ours: a sway of 14 px either way in a frame 1920 wide averages out.
const REACH: f32 = 0.0075;

/// Part of a neighbourhood that moves in the plate from which it sways. Ours: leaves move all
/// over, somebody who breathes along outlines.
const MOVES: f32 = 0.25;

/// Range of the mean against that of single pixels up to which a move goes nowhere. Ours: a
/// neighbourhood holds some independent leaves, and an arm that waves fills it.
const STAYS: f32 = 0.4;

/// How much farther than in the plate the mean may go: the wind freshens. Ours.
const FRESHENS: f32 = 1.25;

/// The same for what is taken for a thing of itself and not for a part of one: a gust now and
/// then is stronger than any in the plate. Ours.
const GUSTS: f32 = 2.0;

/// Where a plate sways.
#[derive(Debug, Clone)]
pub(super) struct Sway {
    /// Where it does.
    pub mask: Mask,
    reach: usize,
    /// What has to be looked at to smooth that.
    around: Around,
}

/// Columns and rows.
type Around = (Range<usize>, Range<usize>);

impl Sway {
    /// Looks where a plate sways, and puts the range of its means there in place of that of
    /// its pixels; `smooth` was gathered from frames that [`smoothed`] made.
    pub fn of(plate: &mut Reference, smooth: &Reference) -> Option<Sway> {
        let (width, height) = (plate.width, plate.height);
        if (smooth.width, smooth.height) != (width, height) {
            return None;
        }
        let reach = reach(width);
        let plane = |data: Vec<f32>| Plane { width, height, data };
        let moves = plate.half.iter().map(|half| f32::from(u8::from(*half > 0.0))).collect();
        let share = smoothed_by(&plane(moves), reach);
        let far = smoothed_by(&plane(plate.half.clone()), reach);
        let sways = |at: usize| {
            let pixels = far.data[at] / share.data[at].max(MOVES);
            share.data[at] >= MOVES && smooth.half[at] <= STAYS * pixels
        };
        let mask = Mask::from_fn(width, height, |x, y| sways(y * width + x));
        let mask = mask.shrunk(reach).grown(2 * reach);
        for at in mask.pixels().map(|(x, y)| y * width + x) {
            plate.middle[at] = smooth.middle[at];
            plate.quarters[at] = smooth.quarters[at];
            plate.half[at] = FRESHENS * smooth.half[at];
        }
        let (left, top, right, bottom) = mask.bounds()?;
        let grown = |from: usize, to: usize, end: usize| {
            from.saturating_sub(2 * reach)..(to + 2 * reach).min(end)
        };
        let around = (grown(left, right, width), grown(top, bottom, height));
        Some(Sway { mask, reach, around })
    }

    /// Smooths a frame where the plate sways.
    pub fn laid(&self, frame: &Plane) -> Plane {
        let (columns, rows) = &self.around;
        let line = |y: usize| &frame.data[y * frame.width..][columns.clone()];
        let part = Plane {
            width: columns.len(),
            height: rows.len(),
            data: rows.clone().flat_map(line).copied().collect(),
        };
        let (mut out, smooth) = (frame.clone(), smoothed_by(&part, self.reach));
        for (x, y) in self.mask.pixels() {
            let at = (y - rows.start) * part.width + x - columns.start;
            out.data[y * frame.width + x] = smooth.data[at];
        }
        out
    }

    /// Returns by how many codes more than `half`, which holds the usual sway, a pixel has to
    /// be off to be a thing of itself.
    pub fn gust(half: f32) -> f32 {
        half * (GUSTS / FRESHENS - 1.0)
    }

    /// Widens what was found where the plate sways: a mean thins the outline of what differs
    /// little from it.
    pub fn widen(&self, found: &mut Mask) {
        let mut more = found.grown(self.reach.div_ceil(2));
        more.keep(&self.mask);
        found.add(&more);
    }
}

fn reach(width: usize) -> usize {
    ((width as f32 * REACH) as usize).max(2)
}

/// Averages over the neighbourhood of each pixel.
pub(super) fn smoothed(frame: &Plane) -> Plane {
    smoothed_by(frame, reach(frame.width))
}

/// Steps of a code in which means are summed: whole numbers add up the same in any order, and
/// several at a time.
const STEPS: f32 = 256.0;

/// Means over squares of `2 reach + 1` pixels, less what lies outside the picture, taken twice.
fn smoothed_by(plane: &Plane, reach: usize) -> Plane {
    let (width, height) = (plane.width, plane.height);
    let mut steps: Vec<i32> = plane.data.iter().map(|value| (value * STEPS + 0.5) as i32).collect();
    let mut across = vec![0_i32; steps.len()];
    for _ in 0..2 {
        mean_across(&steps, width, reach, &mut across);
        mean_down(&across, (width, height), reach, &mut steps);
    }
    Plane { width, height, data: steps.iter().map(|step| *step as f32 / STEPS).collect() }
}

/// How many of `2 reach + 1` places round one lie before `end`, and which.
fn near(at: usize, reach: usize, end: usize) -> Range<usize> {
    at.saturating_sub(reach)..(at + reach + 1).min(end)
}

fn mean_across(from: &[i32], width: usize, reach: usize, out: &mut [i32]) {
    let width = width.max(1);
    let share: Vec<f32> = (0..width).map(|x| 1.0 / near(x, reach, width).len() as f32).collect();
    let mut sums = vec![0_i32; width + 2 * reach + 1];
    for (row, out) in from.chunks_exact(width).zip(out.chunks_exact_mut(width)) {
        let mut sum = 0;
        for (sums, step) in sums[reach + 1..].iter_mut().zip(row) {
            sum += step;
            *sums = sum;
        }
        sums[reach + 1 + width..].fill(sum);
        let ends = sums[2 * reach + 1..].iter().zip(&sums);
        for ((out, (to, from)), share) in out.iter_mut().zip(ends).zip(&share) {
            *out = ((to - from) as f32 * share + 0.5) as i32;
        }
    }
}

fn mean_down(from: &[i32], (width, height): (usize, usize), reach: usize, out: &mut [i32]) {
    let row = |y: usize| &from[y * width..(y + 1) * width];
    let mut sums = vec![0_i32; width];
    for y in 0..reach.min(height) {
        sums.iter_mut().zip(row(y)).for_each(|(sum, step)| *sum += step);
    }
    for (y, out) in out.chunks_exact_mut(width.max(1)).enumerate() {
        if y + reach < height {
            sums.iter_mut().zip(row(y + reach)).for_each(|(sum, step)| *sum += step);
        }
        if y > reach {
            sums.iter_mut().zip(row(y - reach - 1)).for_each(|(sum, step)| *sum -= step);
        }
        let share = 1.0 / near(y, reach, height).len() as f32;
        out.iter_mut().zip(&sums).for_each(|(out, sum)| *out = (*sum as f32 * share + 0.5) as i32);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The plain way: every pixel within reach.
    fn plain(plane: &Plane, reach: usize) -> Plane {
        let (width, height) = (plane.width, plane.height);
        let mean = |at: usize| {
            let all: Vec<f32> = near(at / width, reach, height)
                .flat_map(|y| near(at % width, reach, width).map(move |x| (x, y)))
                .map(|(x, y)| plane.data[y * width + x])
                .collect();
            all.iter().sum::<f32>() / all.len() as f32
        };
        Plane { width, height, data: (0..width * height).map(mean).collect() }
    }

    #[test]
    fn means_are_those_of_the_pixels_within_reach() {
        for ((width, height), reach) in [((9_usize, 7_usize), 2), ((40, 31), 7), ((6, 3), 7)] {
            let data = (0..width * height).map(|at| ((at * 31) % 256) as f32).collect();
            let plane = Plane { width, height, data };
            let (fast, plain) = (smoothed_by(&plane, reach), plain(&plain(&plane, reach), reach));
            for (at, (fast, plain)) in fast.data.iter().zip(&plain.data).enumerate() {
                assert!((fast - plain).abs() < 2.0 / STEPS, "{width} {at}: {fast} {plain}");
            }
        }
    }

    #[test]
    fn a_frame_is_smoothed_where_the_plate_sways_and_nowhere_else() {
        let (width, height, reach) = (90_usize, 60_usize, 3);
        let data = (0..width * height).map(|at| ((at * 31) % 256) as f32).collect();
        let frame = Plane { width, height, data };
        let mask =
            Mask::from_fn(width, height, |x, y| (30..50).contains(&x) && (2..20).contains(&y));
        let around = (24..56, 0..26);
        let sway = Sway { mask, reach, around };
        let (laid, smooth) = (sway.laid(&frame), smoothed_by(&frame, reach));
        for at in 0..laid.data.len() {
            let from = if sway.mask.has(at % width, at / width) { &smooth } else { &frame };
            assert_eq!(laid.data[at], from.data[at], "{at}");
        }
    }
}
