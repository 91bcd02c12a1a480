//! A few frames of a take as the picture of the set without a boom, or so it is tried.

use super::blobs::{CLEAN, STRONG, WEAK};
use super::tone::{BlockMeans, Tone, quarters};
use crate::measure::plane::Plane;

/// The clean range of some frames, pixel by pixel.
#[derive(Debug, Clone)]
pub(super) struct Reference {
    pub width: usize,
    pub height: usize,
    /// Middle of the range.
    pub middle: Vec<f32>,
    /// Its levels, as [`Tone::map`] wants them.
    pub quarters: Vec<u16>,
    /// Half of the range where something moves; zero where only grain does.
    pub half: Vec<f32>,
    pub blocks: BlockMeans,
    /// Standard deviation of the grain in most of the picture, in codes.
    pub grain: f32,
}

/// Gathers the range, each frame in the tone of the first: light drifts in plates too.
#[derive(Debug, Clone, Default)]
pub(super) struct ReferenceSum {
    frames: u32,
    first: Plane,
    quarters: Vec<u16>,
    blocks: BlockMeans,
    mapped: Vec<f32>,
    least: Vec<f32>,
    most: Vec<f32>,
    sum: Vec<f32>,
    squares: Vec<f32>,
}

impl ReferenceSum {
    /// Adds a frame; false, and nothing added, if it is not of the size of the first.
    pub fn add(&mut self, frame: &Plane) -> bool {
        if self.frames == 0 {
            self.first = frame.clone();
            self.quarters = quarters(&frame.data);
            self.blocks = BlockMeans::of(frame);
            for sums in [&mut self.least, &mut self.most, &mut self.sum, &mut self.squares] {
                sums.resize(frame.data.len(), 0.0);
            }
            self.mapped.resize(frame.data.len(), 0.0);
        } else if (frame.width, frame.height) != (self.first.width, self.first.height) {
            return false;
        } else {
            let tone = Tone::fit(&BlockMeans::of(frame), &self.blocks, None);
            tone.map(&self.first.data, &self.quarters, frame.width, &mut self.mapped);
            let sums = self.least.iter_mut().zip(&mut self.most);
            let sums = sums.zip(self.sum.iter_mut().zip(&mut self.squares));
            let off = frame.data.iter().zip(&self.mapped);
            for ((value, mapped), ((least, most), (sum, square))) in off.zip(sums) {
                let off = (value - mapped) / tone.gain;
                *least = least.min(off);
                *most = most.max(off);
                *sum += off;
                *square += off * off;
            }
        }
        self.frames += 1;
        true
    }

    /// Makes the reference; `None` without a frame. Where the variance is far above that of
    /// most of the picture and the range above `grain` codes, something moves.
    pub fn finish(&self, grain: f32) -> Option<Reference> {
        self.range(grain, 9.0)
    }

    /// As [`ReferenceSum::finish`] of frames in which no grain is left: the range alone counts.
    pub fn finish_smooth(&self, grain: f32) -> Option<Reference> {
        self.range(grain, 0.0)
    }

    fn range(&self, grain: f32, far: f32) -> Option<Reference> {
        if self.frames == 0 {
            return None;
        }
        let (width, height) = (self.first.width, self.first.height);
        let share = 1.0 / self.frames as f32;
        let variance =
            |at: usize| (self.squares[at] - self.sum[at].powi(2) * share).max(0.0) * share;
        let variances: Vec<f32> = (0..self.sum.len()).map(variance).collect();
        let mut some: Vec<f32> = variances.iter().copied().step_by(7).collect();
        let middle = some.len() / 2;
        let usual = if some.is_empty() {
            0.0
        } else {
            *some.select_nth_unstable_by(middle, f32::total_cmp).1
        };
        let moves =
            |at: usize| variances[at] > far * usual && self.most[at] - self.least[at] > grain;
        let active: Vec<bool> = (0..variances.len()).map(moves).collect();
        let mean: Vec<f32> =
            self.first.data.iter().zip(&self.sum).map(|(first, sum)| first + sum * share).collect();
        let (mut middle, mut half) = (mean.clone(), vec![0.0_f32; mean.len()]);
        for at in (0..active.len()).filter(|at| active[*at]) {
            // Spread over the neighbours, because a thing that sways a pixel may sway two.
            let (x, y) = (at % width, at / width);
            for row in y.saturating_sub(1)..(y + 2).min(height) {
                for near in row * width + x.saturating_sub(1)..row * width + (x + 2).min(width) {
                    let base = self.first.data[near];
                    let low = (base + self.least[near].min(self.least[at]))
                        .min(middle[near] - half[near]);
                    let high =
                        (base + self.most[near].max(self.most[at])).max(middle[near] + half[near]);
                    (middle[near], half[near]) = ((low + high) / 2.0, (high - low) / 2.0);
                }
            }
        }
        let mean = Plane { width, height, data: mean };
        Some(Reference {
            width,
            height,
            quarters: quarters(&middle),
            middle,
            half,
            blocks: BlockMeans::of(&mean),
            grain: usual.sqrt(),
        })
    }
}

/// Scratch of one comparison.
#[derive(Debug, Default)]
pub(super) struct Compared {
    /// Foreground of each pixel.
    pub levels: Vec<u8>,
    /// The reference in the tone of the frame.
    pub mapped: Vec<f32>,
    /// The frame less that.
    pub off: Vec<f32>,
    /// Grain and misfit of the clean part, standard deviation in codes.
    pub sigma: f32,
    /// Share of blocks that follow the tone.
    pub share: f32,
}

/// Thresholds of a foreground: codes, or multiples of the noise if that is larger.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Steps {
    /// Lower threshold in codes.
    pub weak_codes: f32,
    /// Upper threshold in codes.
    pub strong_codes: f32,
    /// Lower threshold in standard deviations of the noise.
    pub weak_sigmas: f32,
    /// Upper threshold in standard deviations of the noise.
    pub strong_sigmas: f32,
}

impl Reference {
    /// Compares a frame with this reference.
    pub fn compare(&self, frame: &Plane, blocks: &BlockMeans, steps: Steps, out: &mut Compared) {
        let tone = Tone::fit(blocks, &self.blocks, None);
        out.share = tone.share;
        out.mapped.resize(self.middle.len(), 0.0);
        tone.map(&self.middle, &self.quarters, self.width, &mut out.mapped);
        out.off.clear();
        out.off.extend(frame.data.iter().zip(&out.mapped).map(|(value, mapped)| value - mapped));
        out.sigma = spread(&out.off, &self.half);
        let weak = steps.weak_codes.max(steps.weak_sigmas * out.sigma);
        let strong = steps.strong_codes.max(steps.strong_sigmas * out.sigma);
        out.levels.clear();
        out.levels.extend(out.off.iter().zip(&self.half).map(|(off, half)| {
            let off = off.abs() - half;
            CLEAN + WEAK * u8::from(off > weak) + (STRONG - WEAK) * u8::from(off > strong)
        }));
    }
}

/// Standard deviation of grain and misfit, from the middle of the sizes of the differences
/// (.674 sigma for normal grain), every seventh pixel; steps of a 32nd of a code.
pub(super) fn spread(off: &[f32], half: &[f32]) -> f32 {
    let mut counts = [0_u32; 512];
    let mut all = 0;
    for at in (0..off.len()).step_by(7).filter(|at| half[*at] == 0.0) {
        counts[((off[at].abs() * 32.0) as usize).min(511)] += 1;
        all += 1;
    }
    let mut sum = 0;
    let middle = counts.iter().position(|count| {
        sum += count;
        2 * sum >= all
    });
    middle.unwrap_or(0) as f32 / 32.0 / 0.674
}
