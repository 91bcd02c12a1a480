//! Outlines of boom and actors on a plane twice as large.
//!
//! A clearance is told by outlines, and a pixel of a reduced plane blurs them. So the pixels
//! along them are looked at again, each in its four parts. What is well inside or well
//! outside stays as it was, so this costs little; what was not looked at again counts with
//! all that its mean may have hidden.

use super::foreground::{Foreground, MISFIT, Split};
use crate::measure::Mask;
use crate::measure::plane::Plane;

/// How far round a boom actors are looked at again, as a share of the width: wider than a
/// patch reaches on any delivery. Ours.
const NEAR: f32 = 0.06;

/// Differences over the threshold from which a neighbour alone lifts a smoothed pixel over it:
/// by an eighth across an edge, a sixteenth at a corner, and grain. Ours.
const HARD: f32 = 4.0;

/// What a plate shows on the larger plane.
#[derive(Debug, Clone)]
pub struct FinePlate {
    /// Each pixel less the mean of the four it belongs to: the light of a frame comes from
    /// the smaller plane.
    detail: Plane,
    grain: f32,
}

/// Boom, its strong part and actors, on the larger plane.
#[derive(Debug, Clone, PartialEq)]
pub struct Outlined {
    /// The boom with its shadow.
    pub boom: Mask,
    /// The boom alone.
    pub core: Mask,
    /// Everything else that is not plate.
    pub actors: Mask,
}

impl FinePlate {
    /// Takes mean and variance over time of the larger plane.
    pub fn new(mean: &Plane, variance: Option<&Plane>) -> FinePlate {
        let (width, height) = (mean.width, mean.height);
        let mut detail = Plane { width, height, data: vec![0.0; width * height] };
        let own = detail.data.chunks_exact_mut(2 * width.max(1));
        for (detail, mean) in own.zip(mean.data.chunks_exact(2 * width.max(1))) {
            for x in (0..width.saturating_sub(1)).step_by(2) {
                let four = [x, x + 1, x + width, x + width + 1];
                let middle = four.iter().map(|at| mean[*at]).sum::<f32>() / 4.0;
                four.iter().for_each(|at| detail[*at] = mean[*at] - middle);
            }
        }
        let grain = variance.map_or(0.0, |variance| {
            let mut some: Vec<f32> = variance.data.iter().copied().step_by(23).collect();
            let middle = some.len() / 2;
            if some.is_empty() {
                return 0.0;
            }
            some.select_nth_unstable_by(middle, f32::total_cmp).1.max(0.0).sqrt()
        });
        FinePlate { detail, grain }
    }
}

impl Outlined {
    /// Takes the smaller masks as they are, grown by all that a mean can hide.
    pub fn coarsely(split: &Split) -> Outlined {
        let core = split.core.doubled();
        let mut actors = split.actors.doubled().grown(1);
        actors.take(&core);
        let mut boom = split.boom.doubled();
        boom.take(&actors);
        Outlined { boom, core, actors }
    }
}

impl Foreground {
    /// Draws the outlines of what [`Foreground::see`] found last on a plane twice as large.
    ///
    /// Actors are looked at again near `around` only, the boom of this frame and of others.
    /// `None` if the planes are not twice as large as those of the plate.
    pub fn outlined(
        &self,
        split: &Split,
        around: &Mask,
        fine: &Plane,
        plate: &FinePlate,
    ) -> Option<Outlined> {
        let (width, height) = (self.plate.width, self.plate.height);
        let twice = |plane: &Plane| (plane.width / 2, plane.height / 2) == (width, height);
        let alike = (fine.width, fine.height) == (plate.detail.width, plate.detail.height);
        if !twice(fine) || !alike || fine.view().is_none() || plate.detail.view().is_none() {
            return None;
        }
        let weak = self
            .limits
            .shadow_codes
            .max(self.limits.shadow_sigmas * plate.grain.max(self.plate.grain));
        let strong = self.limits.core_codes.max(2.0 * weak);
        // The fit of the light takes part of a wide shadow for light; an outline goes round all
        // that may be above the threshold.
        let weak = weak - MISFIT;
        let look = Look { meter: self, fine, plate };
        // The boom's mask is a pixel wider than what was seen: that held its skirt.
        let seen = split.boom.shrunk(1);
        let mut boom = look.outline(&split.boom, &seen, &seen.shrunk(1), weak);
        let core = look.outline(&split.core, &split.core, &split.core.shrunk(1), strong);
        let mut near = split.actors.grown(1);
        near.take(&split.boom);
        near.keep(&rectangle(around, (NEAR * width as f32) as usize));
        let inner = split.actors.shrunk(1);
        let mut far = split.actors.clone();
        far.take(&near);
        far.take(&inner);
        let mut actors = far.doubled().grown(1);
        actors.add(&look.outline(&near, &split.actors, &inner, weak));
        actors.take(&core);
        boom.take(&actors);
        boom.add(&core);
        Some(Outlined { boom, core, actors })
    }
}

/// The smallest rectangle round a set, grown; everything for an empty set.
fn rectangle(set: &Mask, by: usize) -> Mask {
    let (left, top, right, bottom) = set.bounds().unwrap_or((0, 0, set.width(), set.height()));
    let columns = left.saturating_sub(by)..right + by;
    let rows = top.saturating_sub(by)..bottom + by;
    Mask::from_fn(set.width(), set.height(), |x, y| rows.contains(&y) && columns.contains(&x))
}

struct Look<'a> {
    meter: &'a Foreground,
    fine: &'a Plane,
    plate: &'a FinePlate,
}

impl Look<'_> {
    /// Keeps the inner part, and of the rest of a set the quarters of pixels that differ by
    /// `least` codes. Where none does and no hard edge is near, a pixel that was seen counts
    /// whole: a larger neighbourhood told it.
    fn outline(&self, set: &Mask, seen: &Mask, inner: &Mask, least: f32) -> Mask {
        let mut found = inner.doubled();
        let mut rim = set.clone();
        rim.take(inner);
        for (x, y) in rim.pixels() {
            // Where leaves sway, means alone tell.
            let sways = self.meter.swaying().is_some_and(|sways| sways.has(x, y));
            let quarters = if sways { [true; 4] } else { self.quarters(x, y, least) };
            let whole = quarters == [false; 4] && seen.has(x, y) && !self.is_hard(x, y, least);
            for (at, quarter) in quarters.into_iter().enumerate() {
                if quarter || whole {
                    found.set(2 * x + at % 2, 2 * y + at / 2);
                }
            }
        }
        found
    }

    /// Tells whether a hard edge is as near as the smoothing of the smaller plane reaches.
    fn is_hard(&self, x: usize, y: usize, least: f32) -> bool {
        let near = |at: usize| (2 * at).saturating_sub(1)..2 * at + 5;
        near(y).any(|y| near(x).any(|x| self.off(x, y).abs() > HARD * least))
    }

    /// Tells which quarters of a pixel differ from the plate after a smoothing by 1-2-1.
    fn quarters(&self, x: usize, y: usize, least: f32) -> [bool; 4] {
        let mut off = [[0.0_f32; 4]; 4];
        for (row, off) in off.iter_mut().enumerate() {
            for (column, off) in off.iter_mut().enumerate() {
                *off = self.off(2 * x + column, 2 * y + row);
            }
        }
        let half = self.meter.plate.half[y * self.meter.plate.width + x];
        let line = |row: &[f32; 4], at: usize| row[at] + 2.0 * row[at + 1] + row[at + 2];
        std::array::from_fn(|at| {
            let (right, down) = (at % 2, at / 2);
            let sum = line(&off[down], right)
                + 2.0 * line(&off[down + 1], right)
                + line(&off[down + 2], right);
            let rows = off[down..down + 3].iter();
            let most =
                rows.flat_map(|row| &row[right..right + 3]).fold(0.0, |a: f32, b| a.max(b.abs()));
            // Beside a hard edge the smoothing tells of the neighbour, not of the pixel.
            let own = if most > HARD * least { off[down + 1][right + 1].abs() } else { f32::MAX };
            (sum.abs() / 16.0).min(own) - half >= least
        })
    }

    /// Difference from the plate at a pixel one to the left and above; edges repeat.
    fn off(&self, x: usize, y: usize) -> f32 {
        let (width, height) = (self.meter.plate.width, self.meter.plate.height);
        let (x, y) =
            (x.saturating_sub(1).min(2 * width - 1), y.saturating_sub(1).min(2 * height - 1));
        let at = y * self.fine.width + x;
        self.fine.data[at] - self.plate.detail.data[at] - self.meter.mapped[y / 2 * width + x / 2]
    }
}

#[cfg(test)]
mod tests {
    use super::super::{ForegroundLimits, PlateRange};
    use super::*;
    use crate::time::Frame;

    /// A wall with a boom down to row `tip` and somebody from row `head` on; `scale` source
    /// pixels to a pixel.
    fn shot(scale: usize, tip: usize, head: usize, grain: usize) -> Plane {
        let (width, height) = (640 / scale, 400 / scale);
        let value = |x: usize, y: usize| {
            let noise = ((x * 7919 + y * 104_729 + grain * 31) % 97) as f32 / 97.0 - 0.5;
            let set = match (x, y) {
                (300..320, _) if y < tip => 30.0,
                (250..380, _) if y >= head => 190.0,
                _ => 120.0 + 3.0 * ((x / 3 + y / 5) % 2) as f32,
            };
            set + 2.0 * noise
        };
        let block = |at: usize| {
            let (x, y) = (at % width * scale, at / width * scale);
            let all = (0..scale * scale).map(|n| value(x + n % scale, y + n / scale));
            all.sum::<f32>() / (scale * scale) as f32
        };
        Plane { width, height, data: (0..width * height).map(block).collect() }
    }

    #[test]
    fn outlines_are_drawn_to_the_pixel_of_the_larger_plane() {
        let (mut range, mut sum) = (PlateRange::new(), crate::measure::PlateSum::new());
        for grain in 0..6 {
            range.add(&shot(2, 0, 400, grain));
            sum.add(shot(1, 0, 400, grain).view().unwrap());
        }
        let mut meter = range.finish(ForegroundLimits::default()).unwrap();
        let plate = FinePlate::new(&sum.mean().unwrap(), sum.variance().as_ref());
        for (tip, head) in [(100, 140), (101, 141), (102, 139)] {
            let split = meter.see(Frame(9), &shot(2, tip, head, 9));
            assert!(split.present && !split.actors.is_empty());
            let all = Mask::new(split.boom.width(), split.boom.height());
            let fine = meter.outlined(&split, &all, &shot(1, tip, head, 9), &plate).unwrap();
            let (boom, actors) = (fine.boom.bounds().unwrap(), fine.actors.bounds().unwrap());
            // Smoothing and the skirt's pixel make a boom wider by two, an actor by one.
            assert!((tip..=tip + 2).contains(&boom.3), "{tip} {boom:?}");
            assert!((head - 1..=head).contains(&actors.1), "{head} {actors:?}");
            assert!((298..=300).contains(&boom.0) && (320..=322).contains(&boom.2), "{boom:?}");
            assert!(fine.core.bounds().unwrap().3.abs_diff(tip) <= 1);
            let coarse = Outlined::coarsely(&split);
            let mut more = fine.actors.clone();
            more.take(&coarse.actors);
            assert!(more.is_empty(), "what was not looked at again holds all that may be there");
            assert!(meter.outlined(&split, &split.boom, &shot(2, tip, head, 9), &plate).is_none());
        }
    }
}
