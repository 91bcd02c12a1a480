//! What a turn at each frame of a plate would show, against what nature does there.

use super::eased::Course;
use super::watch::{Fit, Moments};

/// Frames on either side whose movement is what nature does there. Ours: half a second.
const NEAR: usize = 12;

/// A block in which the slope over six frames is more than this many times what grain makes
/// of it is taken to move. Ours: the mean over a plate is known to a tenth.
const MOVES: f32 = 2.0;

/// What grain adds to the slope over six frames, in its variance.
const SLOPE_NOISE: f32 = 1.0 / 17.5;

/// Frames on either side over which powers of the fit are averaged: their errors hardly hang
/// together from frame to frame (those of bends by .08 and .06), what moves does.
const STEADY: usize = 2;

/// Samples of noise a block holds, as many as make its cross terms with coarse detail vary as
/// they do, against those that make its power vary so: the smoothing passes all of coarse
/// noise and 9/64 of all noise, which leaves 9 samples of 17 (64 samples, autocorrelation of
/// the smoothing squared and added up).
const COARSE: f64 = 17.0 / 9.0;

/// How a turn is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turning {
    /// The turning frame is shown twice.
    Twice,
    /// The turning frame is shown once.
    Once,
    /// The turn is rendered slow, over so many frames.
    Eased(usize),
}

/// Differences of the frames of a plate, free of what its grain adds to them.
#[derive(Debug, Clone, PartialEq)]
pub struct Visible {
    first: i64,
    /// 95th percentile over the blocks of the movement from frame t to t + 1, squared codes.
    steps: Vec<f64>,
    /// The same of the second differences about frame t; at the ends of the nearest known.
    bends: Vec<f64>,
    /// The median of these over the frames near frame t.
    natural: Vec<f64>,
    fits: Fits,
    /// What grain may still be in both: movement below it is none.
    grain: f64,
    at_rest: bool,
}

impl Visible {
    /// Gathers the powers of [`super::watch::TAPS`] and of a fit; `None` for fewer than five
    /// frames or no block.
    pub(super) fn of(
        first: i64,
        powers: &[Vec<Vec<f32>>; 5],
        moments: Vec<Vec<Moments>>,
        fit: &Fit,
    ) -> Option<Visible> {
        let [steps, slopes_4, slopes_6, bends_3, fourths] = powers;
        let blocks = fourths.first().map_or(0, Vec::len);
        if blocks == 0 {
            return None;
        }
        let mean = |of: &[Vec<f32>], block: usize| {
            of.iter().map(|frame| frame[block]).sum::<f32>() / of.len().max(1) as f32
        };
        // Smooth movement has little of a fourth difference and white noise 70 times its
        // variance: what is left is the most the grain can be taken for.
        let bound = |block: usize| {
            let mut own: Vec<f32> = fourths.iter().map(|frame| frame[block]).collect();
            (median(&mut own) / 70.0).min(mean(bends_3, block) / 6.0)
        };
        let bounds: Vec<f32> = (0..blocks).map(bound).collect();
        let mut sorted = bounds.clone();
        sorted.sort_by(f32::total_cmp);
        let samples = samples(fourths);
        let spread = Spread::of(samples, fourths.len());
        let quiet = sorted[sorted.len() / 4] / spread.quarter;
        let (slopes, noise) = match slopes_6.is_empty() {
            true => (steps, 2.0),
            false => (slopes_6, SLOPE_NOISE),
        };
        let moves = |block: usize| mean(slopes, block) > MOVES * noise * bounds[block];
        let moves: Vec<bool> = (0..blocks).map(moves).collect();
        let grain: Vec<f32> = (bounds.iter().zip(&moves))
            .map(|(bound, moves)| if *moves { quiet.min(bound * spread.most) } else { *bound })
            .collect();
        let frames = steps.len() + 1;
        let moments = steadied(&moments);
        let fits = Fits { moments, grain, reach: fit.reach(), noise: fit.noise(), samples };
        // The slope over six frames about the step from frame t to t + 1, at the ends of the
        // plate the nearest one: over two frames grain hides what moves.
        let (slopes, off, noise) = match (slopes_6.is_empty(), slopes_4.is_empty()) {
            (false, _) => (slopes_6, 2, SLOPE_NOISE),
            (true, false) => (slopes_4, 1, 0.2),
            (true, true) => (steps, 0, 2.0),
        };
        let step = |at: usize| {
            let nearest = at.saturating_sub(off).min(slopes.len().saturating_sub(1));
            slopes.get(nearest).map_or(0.0, |frame| fits.free(frame, noise))
        };
        let steps: Vec<f64> = (0..frames - 1).map(step).collect();
        let bends: Vec<f64> = (0..frames).map(|at| fits.shown(at as f64, 1.0, 0.0)).collect();
        let near = |at: usize| {
            let (low, high) = (at.saturating_sub(NEAR), (at + NEAR + 1).min(frames));
            let mut near = bends.get(low..high).unwrap_or_default().to_vec();
            near.sort_by(f64::total_cmp);
            near.get(near.len() / 2).copied().unwrap_or(0.0)
        };
        let moving = moves.iter().filter(|moves| **moves).count();
        Some(Visible {
            first,
            steps,
            natural: (0..frames).map(near).collect(),
            bends,
            fits,
            grain: f64::from(quiet * SLOPE_NOISE),
            at_rest: moving * 20 <= blocks,
        })
    }

    /// Returns the number of frames of the plate.
    pub fn frames(&self) -> usize {
        self.natural.len()
    }

    /// Returns the first frame of the plate, file clock.
    pub fn first(&self) -> i64 {
        self.first
    }

    /// Tells whether nothing moves in 19 of 20 blocks of the patch.
    pub fn at_rest(&self) -> bool {
        self.at_rest
    }

    /// Returns what a turn shows against what nature does there, both with the same grain
    /// about them; the plate turns at its frame `at`, counted from 0, where it has run
    /// forward if `high` and backward if not. Infinite where the plate has no such frame.
    ///
    /// Shown twice, the second difference at a turn is the step before it; shown once, twice
    /// that; both are held against the median of nature's within half a second. Of an eased
    /// turn all frames count that are rendered or beside one that is, each held against that
    /// median, or what nature does at its place if that is more.
    pub fn turn(&self, at: usize, high: bool, turning: Turning) -> f64 {
        let Some(natural) = self.natural.get(at).copied() else { return f64::INFINITY };
        let nearest = if high { at.checked_sub(1) } else { Some(at) };
        let step = nearest.and_then(|at| self.steps.get(at)).copied();
        match turning {
            Turning::Twice => step.map_or(f64::INFINITY, |power| self.ratio(power, natural)),
            Turning::Once => step.map_or(f64::INFINITY, |power| self.ratio(4.0 * power, natural)),
            Turning::Eased(window) => {
                let shown = Course::about_turn(window).into_iter().map(|[place, own, slope]| {
                    let sign = if high { -1.0 } else { 1.0 };
                    let place = at as f64 + sign * place;
                    let natural = natural.max(self.natural_about(place));
                    self.ratio(self.fits.shown(place, own, sign * slope), natural)
                });
                shown.fold(0.0, f64::max)
            }
        }
    }

    fn ratio(&self, shown: f64, natural: f64) -> f64 {
        let grain = self.grain + f64::from(f32::MIN_POSITIVE);
        ((shown + grain) / (natural + grain)).sqrt()
    }

    /// The most that nature does at the frames about a place.
    fn natural_about(&self, place: f64) -> f64 {
        let near = (place.round().max(0.0) as usize).min(self.bends.len().saturating_sub(1));
        let about = near.saturating_sub(1)..(near + 2).min(self.bends.len());
        self.bends.get(about).unwrap_or_default().iter().copied().fold(0.0, f64::max)
    }
}

/// How each block moves about each frame, and the grain in it.
#[derive(Debug, Clone, PartialEq)]
struct Fits {
    /// Of frame t + reach, by block.
    moments: Vec<Vec<Moments>>,
    /// Variance by block.
    grain: Vec<f32>,
    reach: usize,
    /// What grain adds to the powers of bend and slope.
    noise: [f32; 2],
    /// Samples of noise a block holds that do not hang together.
    samples: f64,
}

impl Fits {
    /// The 95th percentile over the blocks of the power of so much of the bend and so much of
    /// the slope at a place, free of grain.
    fn shown(&self, place: f64, bend: f64, slope: f64) -> f64 {
        let Some(last) = self.moments.len().checked_sub(1) else { return 0.0 };
        let place = (place - self.reach as f64).clamp(0.0, last as f64);
        let first = place.floor() as usize;
        let share = (place - first as f64) as f32;
        let (one, two) = (&self.moments[first], &self.moments[(first + 1).min(last)]);
        let (bend, slope) = (bend as f32, slope as f32);
        let parts = [bend * bend, 2.0 * bend * slope, slope * slope];
        let noise = parts[0] * self.noise[0] + parts[2] * self.noise[1];
        let power = |of: &Moments| -> f32 { of.iter().zip(parts).map(|(a, b)| a * b).sum() };
        let blocks = one.iter().zip(two).zip(&self.grain);
        let all = blocks.map(|((one, two), grain)| {
            power(one) * (1.0 - share) + power(two) * share - noise * grain
        });
        let averaged = (first + STEADY + 1).min(last + 1) - first.saturating_sub(STEADY);
        self.top(all.collect(), noise, self.samples * averaged as f64)
    }

    /// The 95th percentile of the powers of blocks in one frame, free of grain.
    fn free(&self, powers: &[f32], noise: f32) -> f64 {
        let free = powers.iter().zip(&self.grain).map(|(power, grain)| power - noise * grain);
        self.top(free.collect(), noise, self.samples)
    }

    /// The 95th percentile of powers, less what their own uncertainty adds to it: they are
    /// drawn towards their mean until they spread by no more than without grain.
    fn top(&self, powers: Vec<f32>, noise: f32, samples: f64) -> f64 {
        let count = powers.len().max(1) as f64;
        let mean = powers.iter().map(|power| f64::from(*power)).sum::<f64>() / count;
        let spread =
            powers.iter().map(|power| (f64::from(*power) - mean).powi(2)).sum::<f64>() / count;
        let of_grain = |grain: &f32| {
            let grain = f64::from(grain * noise);
            2.0 * grain * (grain + 2.0 * COARSE * mean.max(0.0)) / samples
        };
        let unsure = self.grain.iter().map(of_grain).sum::<f64>() / count;
        let kept = (1.0 - unsure / spread.max(f64::MIN_POSITIVE)).clamp(0.0, 1.0).sqrt();
        (mean + kept * (top(powers) - mean)).max(0.0)
    }
}

/// Averages over the frames about each.
fn steadied(moments: &[Vec<Moments>]) -> Vec<Vec<Moments>> {
    let about = |at: usize| {
        let near = &moments[at.saturating_sub(STEADY)..(at + STEADY + 1).min(moments.len())];
        let mean = |block: usize| -> Moments {
            let sum = |part: usize| near.iter().map(|frame| frame[block][part]).sum::<f32>();
            [sum(0), sum(1), sum(2)].map(|sum| sum / near.len() as f32)
        };
        (0..moments[at].len()).map(mean).collect()
    };
    (0..moments.len()).map(about).collect()
}

/// How the grain told of single blocks lies about the true one.
struct Spread {
    /// Where the calm quarter ends.
    quarter: f32,
    /// By how much one may be told too low.
    most: f32,
}

impl Spread {
    /// Of medians over a number of frames of powers over so many samples. The median of a
    /// power after Wilson and Hilferty 1931; it errs by 1.25 times what the mean does. Fourth
    /// differences of white noise hang together from frame to frame by .8, .4 and .11, so that
    /// 2.6 of them tell as much as one.
    fn of(samples: f64, frames: usize) -> Spread {
        let middle = (1.0 - 2.0 / (9.0 * samples)).powi(3);
        let off = 1.25 * (2.0 / samples * 2.6 / frames.max(3) as f64).sqrt();
        // A quarter of normal values lies .674 deviations below their mean.
        let quarter = middle * (1.0 - 0.674 * off).max(0.5);
        Spread { quarter: quarter as f32, most: ((1.0 + 2.0 * off) / middle) as f32 }
    }
}

/// How many samples of noise a block holds: the power of so many varies by the root of 2 over
/// their number. Told from fourth differences, in which there is little but grain.
fn samples(fourths: &[Vec<f32>]) -> f64 {
    let count = fourths.len().max(1) as f32;
    let blocks = fourths.first().map_or(0, Vec::len);
    let varies = |block: usize| {
        let own = || fourths.iter().map(|frame| frame[block]);
        let mean = own().sum::<f32>() / count;
        let spread = own().map(|power| (power - mean).powi(2)).sum::<f32>() / count;
        spread / (mean * mean).max(f32::MIN_POSITIVE)
    };
    let mut all: Vec<f32> = (0..blocks).map(varies).collect();
    f64::from(2.0 / median(&mut all).max(f32::MIN_POSITIVE)).clamp(2.0, 64.0)
}

/// The 95th percentile.
fn top(mut values: Vec<f32>) -> f64 {
    let at = (values.len() * 19 / 20).min(values.len().saturating_sub(1));
    if values.is_empty() {
        return 0.0;
    }
    f64::from(*values.select_nth_unstable_by(at, f32::total_cmp).1)
}

fn median(values: &mut [f32]) -> f32 {
    values.sort_by(f32::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}
