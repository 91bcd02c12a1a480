//! Watches the plate's frames in the patch and keeps how they differ from their neighbours.

use super::area::Area;
use super::fits::{Fit, Moments};
use super::visible::Visible;
use crate::error::Faults;
use crate::media::{FrameReader, Picture, Wanted};
use crate::time::{Frame, FrameRange};
use std::collections::VecDeque;

/// About how many pixels wide the picture is watched.
const WIDE: usize = 480;

/// Side of a block in pixels of the watched plane.
const BLOCK: usize = 8;

/// Slopes over 2, 4 and 6 frames, second differences over 3 and 7, the fourth difference:
/// least squares fits (Savitzky and Golay 1964), so that grain hides little of a movement.
pub(super) const TAPS: [&[f32]; 6] = [
    &[-1.0, 1.0],
    &[-0.3, -0.1, 0.1, 0.3],
    &[-2.5 / 17.5, -1.5 / 17.5, -0.5 / 17.5, 0.5 / 17.5, 1.5 / 17.5, 2.5 / 17.5],
    &[1.0, -2.0, 1.0],
    &[5.0 / 42.0, 0.0, -3.0 / 42.0, -4.0 / 42.0, -3.0 / 42.0, 0.0, 5.0 / 42.0],
    &[1.0, -4.0, 6.0, -4.0, 1.0],
];

/// Most frames that are looked at together.
const MOST_TAPS: usize = 7;

/// Reads plate frames and keeps block differences; what it keeps of the pictures themselves
/// is seven frames.
#[derive(Debug)]
pub struct Watch {
    range: FrameRange,
    by: usize,
    /// Left, top, right, bottom of what is kept, in watched pixels.
    crop: [usize; 4],
    /// Upper left corners of the blocks that lie in the patch, within the crop.
    blocks: Vec<(usize, usize)>,
    recent: VecDeque<Vec<f32>>,
    codes: Vec<u16>,
    /// Mean square of each of [`TAPS`] over each block, from the frame it is first whole at.
    powers: [Vec<Vec<f32>>; TAPS.len()],
    /// The fit about each frame that has one, by block.
    moments: Vec<Vec<Moments>>,
}

impl Watch {
    /// Prepares to watch `plate`, file frames, in an area of pictures of a size.
    pub fn over(plate: FrameRange, area: &Area, width: u32, height: u32) -> Watch {
        let by = (width as usize / WIDE).max(1);
        let (wide, high) = (width as usize / by, height as usize / by);
        let mask = area.mask(by);
        let [left, top, right, bottom] = area.bounds().map(|edge| edge / by);
        let crop = [left.min(wide), top.min(high), right.min(wide), bottom.min(high)];
        let (columns, rows) = ((crop[2] - crop[0]) / BLOCK, (crop[3] - crop[1]) / BLOCK);
        let all = (0..rows).flat_map(|y| (0..columns).map(move |x| (x * BLOCK, y * BLOCK)));
        let inside = |(x, y): &(usize, usize)| {
            let cells = (0..BLOCK * BLOCK)
                .filter(|at| mask.has(crop[0] + x + at % BLOCK, crop[1] + y + at / BLOCK));
            cells.count() * 2 >= BLOCK * BLOCK
        };
        let blocks = all.filter(inside).collect();
        Watch {
            range: plate,
            by,
            crop,
            blocks,
            recent: VecDeque::new(),
            codes: Vec::new(),
            powers: Default::default(),
            moments: Vec::new(),
        }
    }

    /// Returns what turns would show; `None` for fewer than five frames or a patch without
    /// a whole block.
    pub fn visible(self) -> Option<Visible> {
        Visible::of(self.range.start.0, &self.powers, self.fit(), &self.moments)
    }

    fn fit(&self) -> &'static Fit {
        Fit::over(usize::try_from(self.range.count().0).unwrap_or(usize::MAX))
    }

    /// Adds the next frame as luma in codes of eight bits, `width` values a row, already
    /// cut to the crop.
    pub(super) fn add(&mut self, luma: Vec<f32>) {
        let width = self.crop[2] - self.crop[0];
        self.recent.push_back(smoothed(&luma, width));
        if self.recent.len() > MOST_TAPS {
            self.recent.pop_front();
        }
        for (taps, powers) in TAPS.iter().zip(&mut self.powers) {
            let Some(first) = self.recent.len().checked_sub(taps.len()) else { continue };
            let parts: Vec<(&Vec<f32>, f32)> =
                self.recent.range(first..).zip(taps.iter().copied()).collect();
            powers.push(self.blocks.iter().map(|at| of_block(&parts, *at, width)).collect());
        }
        let fit = self.fit();
        if let Some(first) = self.recent.len().checked_sub(fit.frames()) {
            let frames: Vec<&Vec<f32>> = self.recent.range(first..).collect();
            let all = self.blocks.iter().map(|at| fitted(&frames, fit, *at, width));
            self.moments.push(all.collect());
        }
    }

    /// Averages the codes of the crop down to watched pixels.
    fn reduced(&self, width: usize, peak: f32) -> Vec<f32> {
        let [left, top, right, bottom] = self.crop;
        let by = self.by;
        let scale = 255.0 / (peak * (by * by) as f32);
        let mut out = Vec::with_capacity((right - left) * (bottom - top));
        for y in top..bottom {
            for x in left..right {
                let rows =
                    (y * by..(y + 1) * by).map(|row| &self.codes[row * width + x * by..][..by]);
                let sum: u32 = rows.flatten().map(|code| u32::from(*code)).sum();
                out.push(sum as f32 * scale);
            }
        }
        out
    }
}

impl FrameReader for Watch {
    fn range(&self) -> FrameRange {
        self.range
    }

    fn wants(&self, _: Frame) -> Wanted {
        Wanted::Luma
    }

    fn see(&mut self, _: Frame, picture: &Picture) -> Result<(), Faults> {
        let mut codes = std::mem::take(&mut self.codes);
        let read = picture.luma_u16(&mut codes);
        self.codes = codes;
        let (width, height) = (picture.width() as usize, picture.height() as usize);
        let [_, _, right, bottom] = self.crop;
        if read && right * self.by <= width && bottom * self.by <= height {
            let peak = ((1_u32 << picture.luma_depth()) - 1) as f32;
            let reduced = self.reduced(width, peak);
            self.add(reduced);
        }
        Ok(())
    }
}

/// Mean square of a weighted sum of frames over a block.
fn of_block(parts: &[(&Vec<f32>, f32)], (x, y): (usize, usize), width: usize) -> f32 {
    let mut sum = 0.0_f32;
    for row in y..y + BLOCK {
        for at in row * width + x..row * width + x + BLOCK {
            let value: f32 = parts.iter().map(|(frame, weight)| frame[at] * weight).sum();
            sum += value * value;
        }
    }
    sum / (BLOCK * BLOCK) as f32
}

/// Powers of the fit over a block.
fn fitted(frames: &[&Vec<f32>], fit: &Fit, (x, y): (usize, usize), width: usize) -> Moments {
    let mut sums = [0.0_f32; 3];
    for row in y..y + BLOCK {
        for at in row * width + x..row * width + x + BLOCK {
            let [bend, slope] = fit.of(frames.iter().map(|frame| frame[at]));
            let all = [bend * bend, bend * slope, slope * slope];
            sums.iter_mut().zip(all).for_each(|(sum, value)| *sum += value);
        }
    }
    sums.map(|sum| sum / (BLOCK * BLOCK) as f32)
}

/// Smooths by 1-2-1 across and down: the eye finds movement of areas, not of single pixels.
fn smoothed(plane: &[f32], width: usize) -> Vec<f32> {
    let height = plane.len() / width.max(1);
    let at = |x: usize, y: usize| plane[y * width + x];
    let mut across = Vec::with_capacity(plane.len());
    for y in 0..height {
        for x in 0..width {
            let (left, right) = (x.saturating_sub(1), (x + 1).min(width - 1));
            across.push(0.25 * (at(left, y) + at(right, y)) + 0.5 * at(x, y));
        }
    }
    let at = |x: usize, y: usize| across[y * width + x];
    let mut out = Vec::with_capacity(plane.len());
    for y in 0..height {
        let (above, below) = (y.saturating_sub(1), (y + 1).min(height - 1));
        out.extend((0..width).map(|x| 0.25 * (at(x, above) + at(x, below)) + 0.5 * at(x, y)));
    }
    out
}
