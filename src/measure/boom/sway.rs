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
}

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
        let share = mean(&mean(&plane(moves), reach), reach);
        let far = mean(&mean(&plane(plate.half.clone()), reach), reach);
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
        (!mask.is_empty()).then_some(Sway { mask, reach })
    }

    /// Smooths a frame where the plate sways.
    pub fn laid(&self, frame: &Plane) -> Plane {
        let (mut out, smooth) = (frame.clone(), smoothed(frame));
        for at in self.mask.pixels().map(|(x, y)| y * frame.width + x) {
            out.data[at] = smooth.data[at];
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
    let reach = reach(frame.width);
    mean(&mean(frame, reach), reach)
}

/// Means over squares of `2 reach + 1` pixels, less what lies outside the picture.
fn mean(plane: &Plane, reach: usize) -> Plane {
    let (width, height) = (plane.width, plane.height);
    let mut across = Plane { width, height, data: Vec::with_capacity(plane.data.len()) };
    let near = |at: usize, end: usize| at.saturating_sub(reach)..(at + reach + 1).min(end);
    for row in plane.data.chunks_exact(width.max(1)) {
        let mut sums = Vec::with_capacity(width + 1);
        let mut sum = 0.0_f64;
        sums.push(sum);
        sums.extend(row.iter().map(|value| {
            sum += f64::from(*value);
            sum
        }));
        across.data.extend((0..width).map(|x| {
            let range = near(x, width);
            ((sums[range.end] - sums[range.start]) / range.len() as f64) as f32
        }));
    }
    let row = |y: usize| &across.data[y * width..(y + 1) * width];
    let mut sums = vec![0.0_f64; width];
    let add = |y: usize, sign: f64, sums: &mut [f64]| {
        sums.iter_mut().zip(row(y)).for_each(|(sum, value)| *sum += sign * f64::from(*value));
    };
    let mut out = Plane { width, height, data: Vec::with_capacity(plane.data.len()) };
    (0..reach.min(height)).for_each(|y| add(y, 1.0, &mut sums));
    for y in 0..height {
        if y + reach < height {
            add(y + reach, 1.0, &mut sums);
        }
        if y > reach {
            add(y - reach - 1, -1.0, &mut sums);
        }
        let share = 1.0 / near(y, height).len() as f64;
        out.data.extend(sums.iter().map(|sum| (sum * share) as f32));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn means_are_those_of_the_pixels_within_reach() {
        let (width, height) = (9_usize, 7_usize);
        let data: Vec<f32> = (0..63).map(|at| ((at * 31) % 17) as f32).collect();
        let plane = Plane { width, height, data };
        let fast = mean(&plane, 2);
        for at in 0..63 {
            let (x, y) = (at % width, at / width);
            let near = |at: usize, end: usize| at.saturating_sub(2)..(at + 3).min(end);
            let all: Vec<f32> = near(y, height)
                .flat_map(|y| near(x, width).map(move |x| (x, y)))
                .map(|(x, y)| plane.data[y * width + x])
                .collect();
            let plain = all.iter().sum::<f32>() / all.len() as f32;
            assert!((fast.data[at] - plain).abs() < 1e-4, "{x} {y}");
        }
    }
}
