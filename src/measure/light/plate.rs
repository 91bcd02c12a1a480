//! The mean of a plate in blocks: what every frame is held against.

use super::blocks::{Blocks, Channel};
use super::fit::{Noise, Ratio};
use crate::measure::Mask;
use crate::measure::transfer::LightTable;

/// Signals below this are noise and flare, above it near clipping. Ours: white of a camera
/// often clips at its nominal level, and then no longer follows the light.
const DARK: f64 = 0.04;
const BRIGHT: f64 = 0.97;

/// Least noise of a block mean, in codes: a coded picture whose grain is frozen still errs
/// by part of a code. Ours.
const LEAST_NOISE: f64 = 0.1;

/// Most noise of a block mean, in times that of the plate and in signal; the larger holds.
/// Ours: .0025 is .6 of a code of 8 bits, more than coding leaves in the mean of 64 samples.
const MOST_TIMES: f64 = 2.0;
const MOST_SIGNAL: f64 = 0.0025;

/// Most frames of a plate that are kept to try models on. Ours.
const KEPT: usize = 8;

/// Most blocks that are asked. Ours: a gain from this many is good to .01 %.
const MOST_ASKED: usize = 6_000;

/// Adds up the frames of a plate.
#[derive(Debug, Clone, Default)]
pub struct PlateMean {
    sums: Option<Blocks>,
    squares: Vec<Vec<f64>>,
    means: Vec<Vec<f64>>,
    variances: Vec<Vec<f64>>,
    frames: u64,
    before: Vec<Channel>,
    noise: f64,
    kept: Vec<Blocks>,
    every: u64,
}

impl PlateMean {
    /// Begins an empty plate.
    pub fn new() -> PlateMean {
        PlateMean::default()
    }

    /// Adds one frame. Returns false, and adds nothing, if it is unlike those before.
    pub fn add(&mut self, frame: &Blocks) -> bool {
        let first = self.sums.get_or_insert_with(|| frame.clone());
        if !alike(first, frame) {
            return false;
        }
        if self.frames == 0 {
            let empty = || vec![vec![0.0; frame.len()]; frame.channels.len()];
            (self.means, self.squares, self.variances) = (empty(), empty(), empty());
        }
        for (at, channel) in frame.channels.iter().enumerate() {
            for (block, (mean, variance)) in channel.mean.iter().zip(&channel.variance).enumerate()
            {
                let mean = f64::from(*mean);
                self.means[at][block] += mean;
                self.squares[at][block] += mean * mean;
                self.variances[at][block] += f64::from(*variance);
            }
        }
        self.noise += self.change(frame);
        self.keep(frame);
        self.before.clone_from(&frame.channels);
        self.frames += 1;
        true
    }

    /// Keeps every so manieth frame: spread over the plate, whatever its length.
    fn keep(&mut self, frame: &Blocks) {
        self.every = self.every.max(1);
        if !self.frames.is_multiple_of(self.every) {
            return;
        }
        if self.kept.len() == KEPT {
            let mut at = 0;
            self.kept.retain(|_| {
                at += 1;
                at % 2 == 1
            });
            self.every *= 2;
            if !self.frames.is_multiple_of(self.every) {
                return;
            }
        }
        self.kept.push(frame.clone());
    }

    /// Returns the noise of block means against the frame before, light taken out; of the
    /// noisiest channel.
    fn change(&self, frame: &Blocks) -> f64 {
        let noise = |(now, then): (&Channel, &Channel)| {
            let pairs = || {
                let pairs = now.mean.iter().zip(&then.mean);
                pairs.map(|(n, t)| (f64::from(*n), f64::from(*t))).filter(|(_, t)| *t > DARK)
            };
            let gain = median(pairs().map(|(now, then)| now / then).collect());
            let left = median(pairs().map(|(now, then)| (now - gain * then).abs()).collect());
            // Both frames are noisy.
            1.4826 * left / std::f64::consts::SQRT_2
        };
        frame.channels.iter().zip(&self.before).map(noise).fold(0.0, f64::max)
    }

    /// Returns the mean; `None` if no frame was added.
    pub fn finish(self) -> Option<Plate> {
        let mut blocks = self.sums?;
        let count = self.frames as f64;
        let channels = self.means.iter().zip(&self.squares).zip(&self.variances);
        let mean_of = |((means, squares), variances): ((&Vec<f64>, &Vec<f64>), &Vec<f64>)| {
            let mut channel = Channel::default();
            for ((mean, square), variance) in means.iter().zip(squares).zip(variances) {
                let mean = mean / count;
                // Samples vary inside a block, and the block from frame to frame.
                let over_time = (square / count - mean * mean).max(0.0);
                channel.mean.push(mean as f32);
                channel.variance.push((variance / count + over_time) as f32);
            }
            channel
        };
        blocks.channels = channels.map(mean_of).collect();
        let pairs = self.frames.saturating_sub(1).max(1) as f64;
        let noise = self.noise / pairs;
        Some(Plate { blocks, frames: self.frames, noise, kept: self.kept })
    }
}

fn median(mut values: Vec<f64>) -> f64 {
    let middle = values.len() / 2;
    if values.is_empty() { 0.0 } else { *values.select_nth_unstable_by(middle, f64::total_cmp).1 }
}

fn alike(one: &Blocks, other: &Blocks) -> bool {
    let shape = |blocks: &Blocks| (blocks.width, blocks.height, blocks.size, blocks.channels.len());
    shape(one) == shape(other)
}

/// The mean of a plate in blocks.
#[derive(Debug, Clone)]
pub struct Plate {
    pub(super) blocks: Blocks,
    frames: u64,
    noise: f64,
    kept: Vec<Blocks>,
}

impl Plate {
    /// Returns the number of frames in the mean.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Returns the mean in blocks.
    pub fn blocks(&self) -> &Blocks {
        &self.blocks
    }

    /// Returns a mask that holds the blocks wholly inside a rectangle (left, top, right,
    /// bottom in pixels, ends exclusive) or, turned round, those wholly outside of it.
    pub fn rectangle(&self, [left, top, right, bottom]: [f64; 4], inside: bool) -> Vec<bool> {
        let (size, columns) = (self.blocks.size as f64, self.blocks.columns);
        let holds = |at: usize| {
            let (x, y) = ((at % columns) as f64 * size, (at / columns) as f64 * size);
            if inside {
                x >= left && y >= top && x + size <= right && y + size <= bottom
            } else {
                x + size <= left || y + size <= top || x >= right || y >= bottom
            }
        };
        (0..self.blocks.len()).map(holds).collect()
    }

    /// Returns a mask of the blocks of which at least a part lies in a set of pixels. The set
    /// may be of a plane of any size that shows the whole picture.
    pub fn held(&self, pixels: &Mask, part: f64) -> Vec<bool> {
        let (columns, size) = (self.blocks.columns.max(1), self.blocks.size);
        let across = pixels.width() as f64 / self.blocks.width.max(1) as f64;
        let down = pixels.height() as f64 / self.blocks.height.max(1) as f64;
        // A plane smaller than the picture has few pixels in a block; at least one is asked.
        let run = |at: usize, scale: f64| {
            let first = (at * size) as f64 * scale;
            let end = ((at + 1) * size) as f64 * scale;
            (first + 1e-9) as usize..(end.ceil() as usize).max(first as usize + 1)
        };
        let holds = |at: usize| {
            let (x, y) = (run(at % columns, across), run(at / columns, down));
            let all = x.len() * y.len();
            let held = y.map(|y| x.clone().filter(|x| pixels.has(*x, y)).count()).sum::<usize>();
            held as f64 >= part * all as f64 && held > 0
        };
        (0..self.blocks.len()).map(holds).collect()
    }

    /// Returns some frames of the plate, each with the mean of all others.
    pub(super) fn tried(&self) -> Vec<(Plate, &Blocks)> {
        let count = self.frames as f64;
        let without = |frame: &Blocks| {
            let Plate { blocks, frames, noise, .. } = self;
            let mut plate =
                Plate { blocks: blocks.clone(), frames: *frames, noise: *noise, kept: Vec::new() };
            for (channel, own) in plate.blocks.channels.iter_mut().zip(&frame.channels) {
                for (mean, own) in channel.mean.iter_mut().zip(&own.mean) {
                    *mean += (*mean - own) / (count - 1.0) as f32;
                }
            }
            plate
        };
        let kept = if self.frames > 1 { self.kept.as_slice() } else { &[] };
        kept.iter().map(|frame| (without(frame), frame)).collect()
    }

    pub(super) fn is_like(&self, frame: &Blocks) -> bool {
        alike(&self.blocks, frame)
    }

    /// Returns the noise of block means, as a part of full signal; 0 for a single frame.
    pub fn noise(&self) -> f64 {
        self.noise
    }

    pub(super) fn noise_range(&self) -> Noise {
        let least = LEAST_NOISE * self.blocks.code;
        Noise { least, most: (MOST_TIMES * self.noise).max(MOST_SIGNAL).max(least) }
    }

    /// Compares a channel of a frame block by block, where both are neither dark nor clipped
    /// and the mask allows.
    pub(super) fn ratios(
        &self,
        frame: &Blocks,
        channel: usize,
        table: &LightTable,
        mask: Option<&[bool]>,
    ) -> Vec<Ratio> {
        self.ratios_of(frame, channel, table, self.asked(mask))
    }

    /// As [`Plate::ratios`], of the blocks named by number.
    pub(super) fn ratios_of(
        &self,
        frame: &Blocks,
        channel: usize,
        table: &LightTable,
        blocks: impl Iterator<Item = usize>,
    ) -> Vec<Ratio> {
        let (Some(plate), Some(frame)) =
            (self.blocks.channels.get(channel), frame.channels.get(channel))
        else {
            return Vec::new();
        };
        let columns = self.blocks.columns.max(1);
        let compare = |at: usize| {
            let plate = signal(plate, at)?;
            let frame = signal(frame, at)?;
            let [light, rise, _] = table.at(plate.0);
            let (before, now) =
                (table.mean_light(plate.0, plate.1), table.mean_light(frame.0, frame.1));
            let (slope, ratio) = (rise / light, now / before);
            let usable = before > 0.0 && now > 0.0 && slope > 0.0 && slope.is_finite();
            let [x, y] = self.place(at);
            let at = ((at % columns) as u32, (at / columns) as u32);
            usable.then_some(Ratio { at, x, y, level: plate.0, ratio, slope })
        };
        blocks.filter_map(compare).collect()
    }

    /// Returns place and level of the blocks of an area that are neither dark nor clipped.
    pub(super) fn levels(
        &self,
        channel: usize,
        area: Option<&[bool]>,
    ) -> impl Iterator<Item = (f64, f64, f64)> {
        let channel = self.blocks.channels.get(channel);
        self.asked(area).filter_map(move |at| {
            let [x, y] = self.place(at);
            let level = f64::from(*channel?.mean.get(at)?);
            (DARK..BRIGHT).contains(&level).then_some((x, y, level))
        })
    }

    /// Returns the blocks a mask holds: of very many a regular part, in pairs of neighbours.
    fn asked(&self, mask: Option<&[bool]>) -> impl Iterator<Item = usize> {
        let columns = self.blocks.columns.max(1);
        let held = move |at: &usize| mask.is_none_or(|mask| mask.get(*at) == Some(&true));
        let count = (0..self.blocks.len()).filter(held).count();
        // Pairs are counted along the rows; one is taken when its number times the part
        // wanted passes a whole number.
        let in_turn = move |at: &usize| {
            let pair = at / columns * columns.div_ceil(2) + at % columns / 2;
            count <= MOST_ASKED || pair * MOST_ASKED / count != (pair + 1) * MOST_ASKED / count
        };
        (0..self.blocks.len()).filter(held).filter(in_turn)
    }

    /// Returns the centre of a block, from -.5 to .5 of the picture.
    fn place(&self, at: usize) -> [f64; 2] {
        let (columns, rows) = (self.blocks.columns.max(1), self.blocks.rows.max(1));
        let centred = |n: usize, of: usize| (n as f64 + 0.5) / of as f64 - 0.5;
        [centred(at % columns, columns), centred(at / columns, rows)]
    }
}

/// Mean and variance of a block that is neither dark nor clipped.
fn signal(channel: &Channel, at: usize) -> Option<(f64, f64)> {
    let mean = f64::from(*channel.mean.get(at)?);
    let variance = f64::from(*channel.variance.get(at)?);
    let reach = 2.0 * variance.sqrt();
    (mean - reach.min(mean / 2.0) > DARK / 2.0 && mean > DARK && mean + reach < BRIGHT)
        .then_some((mean, variance))
}
