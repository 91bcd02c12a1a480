//! How each block moves about each frame: a parabola fitted to the frames near it, free of
//! what grain adds.

/// Frames on either side over which powers of the fit are averaged: their errors hardly hang
/// together from frame to frame (those of bends by .08 and .06), what moves does.
const STEADY: usize = 2;

/// Samples of noise a block holds, as many as make its cross terms with coarse detail vary as
/// they do, against those that make its power vary so: the smoothing passes all of coarse
/// noise and 9/64 of all noise, which leaves 9 samples of 17 (64 samples, autocorrelation of
/// the smoothing squared and added up).
const COARSE: f64 = 17.0 / 9.0;

/// A parabola fitted to the frames about one: what gives its slope and its bend there. Their
/// grain does not hang together.
pub(super) struct Fit {
    slope: &'static [f32],
    bend: &'static [f32],
}

/// Over seven frames, and over five where a plate has no more.
const FIT_7: Fit = Fit {
    slope: &[-3.0 / 28.0, -2.0 / 28.0, -1.0 / 28.0, 0.0, 1.0 / 28.0, 2.0 / 28.0, 3.0 / 28.0],
    bend: &[5.0 / 42.0, 0.0, -3.0 / 42.0, -4.0 / 42.0, -3.0 / 42.0, 0.0, 5.0 / 42.0],
};
const FIT_5: Fit = Fit {
    slope: &[-0.2, -0.1, 0.0, 0.1, 0.2],
    bend: &[2.0 / 7.0, -1.0 / 7.0, -2.0 / 7.0, -1.0 / 7.0, 2.0 / 7.0],
};

impl Fit {
    /// The fit for a plate of so many frames.
    pub fn over(frames: usize) -> &'static Fit {
        if frames >= FIT_7.slope.len() { &FIT_7 } else { &FIT_5 }
    }

    /// Frames on either side of the one it stands for.
    pub fn reach(&self) -> usize {
        self.slope.len() / 2
    }

    /// The frames it is fitted to.
    pub fn frames(&self) -> usize {
        self.slope.len()
    }

    /// Bend and slope of a pixel from its values in these frames.
    pub fn of(&self, values: impl Iterator<Item = f32>) -> [f32; 2] {
        let weighed = values.zip(self.bend).zip(self.slope);
        weighed.fold([0.0, 0.0], |[bend, slope], ((value, a), b)| {
            [bend + a * value, slope + b * value]
        })
    }

    /// What grain of variance 1 adds to the power of bend and slope.
    pub fn noise(&self) -> [f32; 2] {
        [self.bend, self.slope].map(|taps| taps.iter().map(|tap| tap * tap).sum())
    }
}

/// Powers of the fit over a block: of the bend, of bend times slope, of the slope.
pub(super) type Moments = [f32; 3];

/// How each block moves about each frame, and the grain in it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Fits {
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
    /// Gathers a fit about each frame that has one; `bounds` is the most that the grain of
    /// each block can be taken for, `moves` tells which blocks move, `fourths` holds the powers
    /// of fourth differences.
    pub fn new(
        fit: &Fit,
        moments: &[Vec<Moments>],
        bounds: &[f32],
        moves: &[bool],
        fourths: &[Vec<f32>],
    ) -> Fits {
        let samples = samples(fourths);
        let spread = Spread::of(samples, fourths.len());
        let mut sorted = bounds.to_vec();
        sorted.sort_by(f32::total_cmp);
        let quiet = sorted.get(sorted.len() / 4).copied().unwrap_or(0.0) / spread.quarter;
        let grain = (bounds.iter().zip(moves))
            .map(|(bound, moves)| if *moves { quiet.min(bound * spread.most) } else { *bound })
            .collect();
        let moments = steadied(moments);
        Fits { moments, grain, reach: fit.reach(), noise: fit.noise(), samples }
    }

    /// The 95th percentile over the blocks of the power of so much of the bend and so much of
    /// the slope at a place, free of grain.
    pub fn shown(&self, place: f64, bend: f64, slope: f64) -> f64 {
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
