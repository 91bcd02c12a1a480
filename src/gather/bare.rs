//! What of a take is set, found without any plate: on small pictures, from all at once.
//!
//! A pixel shows the set in most frames, or a boom that hangs still does. The outline of what
//! differs tells which: where the contrast along it is stronger in the frame than in what was
//! taken for the set, a thing is in the frame; where it is the other way round the thing is in
//! what was taken for the set, and the frame shows the set.

use super::{MOST_FRAMES, some};
use crate::error::Faults;
use crate::measure::{Mask, Planes, Scales, View};
use crate::media::{FrameReader, Media, Picture, Wanted};
use crate::time::{Frame, FrameRange};

/// Difference from the set that counts, in codes of eight bits of the small picture.
const OFF: f32 = 8.0;

/// Width of the densest part of a pixel's values, in codes of eight bits.
const DENSE: f32 = 8.0;

/// By how much one contrast has to be above the other to tell: a thing that covers part of
/// its own ghost has an outline of both.
const CLEARLY: f64 = 2.0;

/// How often what was taken for the set is looked at again.
const ROUNDS: usize = 5;

/// Smallest thing that counts, as a share of the picture.
const LEAST: f64 = 0.0005;

/// How far down a side a thing may reach in and be a boom, as a share of the height.
const SIDE: f64 = 0.6;

/// Soft edges round what differs, in small pixels.
const ROUND: usize = 3;

/// The set of a take and what hides it, small.
#[derive(Debug)]
pub struct Bare {
    /// How many source pixels one small pixel is.
    pub scale: usize,
    /// Frames looked at, file clock.
    pub frames: Vec<i64>,
    /// What hides the set in each, soft edges included.
    pub hidden: Vec<Mask>,
    /// Gain that takes each into the light of all.
    pub gains: Vec<f32>,
    /// Frames in which something hangs in from an upper edge.
    pub booms: usize,
}

/// Finds the set of the frames of a range (file clock).
///
/// # Errors
///
/// Frames that cannot be decoded.
pub fn bare(media: &Media, range: FrameRange) -> Result<Option<Bare>, Faults> {
    let info = media.info();
    let scales = Scales::of(info.width as usize, info.height as usize);
    let mut small = Small {
        range,
        scales,
        size: (0, 0),
        frames: Vec::new(),
        data: Vec::new(),
        codes: Vec::new(),
        planes: Planes::default(),
    };
    media.read(&some(range, MOST_FRAMES), &mut [&mut small])?;
    Ok(small.bare())
}

/// Keeps small luma of every frame it is shown.
struct Small {
    range: FrameRange,
    scales: Scales,
    size: (usize, usize),
    frames: Vec<i64>,
    /// Codes of eight bits, in quarters.
    data: Vec<Vec<u16>>,
    codes: Vec<u16>,
    planes: Planes,
}

impl FrameReader for Small {
    fn range(&self) -> FrameRange {
        self.range
    }

    fn wants(&self, _frame: Frame) -> Wanted {
        Wanted::Luma
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        let size = (picture.width() as usize, picture.height() as usize);
        if !picture.luma_u16(&mut self.codes) {
            return Ok(());
        }
        let peak = ((1_u32 << picture.luma_depth()) - 1) as f32;
        let Some(luma) = View::new(size.0, size.1, &self.codes) else { return Ok(()) };
        self.planes.fill(luma, peak, self.scales);
        let small = &self.planes.small;
        if self.data.is_empty() {
            self.size = (small.width, small.height);
        }
        if self.size == (small.width, small.height) {
            self.frames.push(frame.0);
            self.data.push(small.data.iter().map(|code| (code * 4.0).round() as u16).collect());
        }
        Ok(())
    }
}

impl Small {
    fn bare(self) -> Option<Bare> {
        let (width, height) = self.size;
        if self.data.len() < usize::from(super::LEAST_FREE) || width == 0 {
            return None;
        }
        let gains = self.gains();
        let frame = |at: usize| -> Vec<f32> {
            self.data[at].iter().map(|code| f32::from(*code) / 4.0 * gains[at]).collect()
        };
        let frames: Vec<Vec<f32>> = (0..self.data.len()).map(frame).collect();
        let mut set: Vec<f32> =
            (0..width * height).map(|at| densest(&frames, at, |_| true)).collect();
        let mut booms = 0;
        for _ in 0..ROUNDS {
            let found = Told::of(&frames, &set, self.size);
            booms = found.booms;
            if !found.correct(&frames, &mut set) {
                break;
            }
        }
        let hidden = frames.iter().map(|frame| differing(frame, &set, self.size).grown(ROUND));
        Some(Bare {
            scale: self.scales.small,
            frames: self.frames.clone(),
            hidden: hidden.collect(),
            gains,
            booms,
        })
    }

    /// Gains into the light of the middle of all frames: the median of the ratios.
    fn gains(&self) -> Vec<f32> {
        let count = self.size.0 * self.size.1;
        let places: Vec<usize> = (0..count).step_by((count / 4096).max(1)).collect();
        let usual: Vec<f32> = places
            .iter()
            .map(|at| middle(self.data.iter().map(|frame| f32::from(frame[*at])).collect()))
            .collect();
        let gain = |frame: &Vec<u16>| {
            let ratios = places.iter().zip(&usual).filter(|(_, usual)| **usual > 80.0);
            let ratios: Vec<f32> =
                ratios.map(|(at, usual)| usual / f32::from(frame[*at]).max(1.0)).collect();
            if ratios.is_empty() { 1.0 } else { middle(ratios) }
        };
        self.data.iter().map(gain).collect()
    }
}

fn middle(mut values: Vec<f32>) -> f32 {
    let at = values.len() / 2;
    values.sort_by(f32::total_cmp);
    values.get(at).copied().unwrap_or(0.0)
}

/// The middle of the densest part of a pixel's values over the frames that count.
fn densest(frames: &[Vec<f32>], at: usize, counts: impl Fn(usize) -> bool) -> f32 {
    let counted = frames.iter().enumerate().filter(|(number, _)| counts(*number));
    let mut values: Vec<f32> = counted.map(|(_, frame)| frame[at]).collect();
    values.sort_by(f32::total_cmp);
    let (mut best, mut end) = ((0, 0), 0);
    for start in 0..values.len() {
        while end < values.len() && values[end] - values[start] <= DENSE {
            end += 1;
        }
        if end - start > best.1 - best.0 {
            best = (start, end);
        }
    }
    let dense = &values[best.0..best.1];
    dense.get(dense.len() / 2).copied().unwrap_or(0.0)
}

/// Where a frame differs from the set, after a mean of 3x3.
fn differing(frame: &[f32], set: &[f32], (width, height): (usize, usize)) -> Mask {
    let off = |x: usize, y: usize| {
        let (mut sum, mut count) = (0.0, 0.0);
        for y in y.saturating_sub(1)..(y + 2).min(height) {
            for x in x.saturating_sub(1)..(x + 2).min(width) {
                sum += frame[y * width + x] - set[y * width + x];
                count += 1.0;
            }
        }
        let here = (frame[y * width + x] - set[y * width + x]).abs();
        f32::max((sum / f32::max(count, 1.0)).abs() * 1.5, here) > OFF
    };
    Mask::from_fn(width, height, off)
}

/// What was told of the outlines in all frames.
struct Told {
    /// For each frame, where it shows the set and what was taken for it a thing.
    ghosts: Vec<Mask>,
    /// In how many frames a pixel is a thing's, and in how many it was a ghost.
    votes: Vec<[u16; 2]>,
    booms: usize,
}

impl Told {
    fn of(frames: &[Vec<f32>], set: &[f32], size: (usize, usize)) -> Told {
        let mut told = Told { ghosts: Vec::new(), votes: vec![[0; 2]; set.len()], booms: 0 };
        for frame in frames {
            let mut ghost = Mask::new(size.0, size.1);
            let mut hangs = false;
            for blob in blobs(&differing(frame, set, size), size) {
                if (blob.len() as f64) < LEAST * set.len() as f64 || !reaches_in(&blob, size) {
                    continue;
                }
                let (now, then) = contrasts(&blob, frame, set, size);
                hangs |= now > then;
                let is_ghost = then > CLEARLY * now;
                if !is_ghost && now <= CLEARLY * then {
                    continue;
                }
                for at in blob {
                    let votes = &mut told.votes[at][usize::from(is_ghost)];
                    *votes = votes.saturating_add(1);
                    if is_ghost {
                        ghost.set(at % size.0, at / size.0);
                    }
                }
            }
            told.booms += usize::from(hangs);
            told.ghosts.push(ghost);
        }
        told
    }

    /// Takes what ghosts show for the set; false if there were none.
    fn correct(&self, frames: &[Vec<f32>], set: &mut [f32]) -> bool {
        let width = self.ghosts.first().map_or(1, Mask::width).max(1);
        let mut changed = false;
        for (at, [things, ghosts]) in self.votes.iter().enumerate() {
            // Where the boom hangs still only few frames tell, and they tell alike.
            if *ghosts >= 2 && *ghosts > things.saturating_mul(2) {
                let shows = |number: usize| self.ghosts[number].has(at % width, at / width);
                set[at] = densest(frames, at, shows);
                changed = true;
            }
        }
        changed
    }
}

/// The 8-connected parts of a set.
fn blobs(mask: &Mask, (width, height): (usize, usize)) -> Vec<Vec<usize>> {
    let mut left = mask.clone();
    let mut found = Vec::new();
    for (x, y) in mask.pixels() {
        if !left.has(x, y) {
            continue;
        }
        left.clear(x, y);
        let (mut blob, mut next) = (Vec::new(), vec![(x, y)]);
        while let Some((x, y)) = next.pop() {
            blob.push(y * width + x);
            for y in y.saturating_sub(1)..(y + 2).min(height) {
                for x in x.saturating_sub(1)..(x + 2).min(width) {
                    if left.has(x, y) {
                        left.clear(x, y);
                        next.push((x, y));
                    }
                }
            }
        }
        found.push(blob);
    }
    found
}

/// Whether a part comes in from above, or from the upper part of a side, and stays off the
/// floor.
fn reaches_in(blob: &[usize], (width, height): (usize, usize)) -> bool {
    let upper = (height as f64 * SIDE) as usize;
    let meets = |at: &usize| {
        let (x, y) = (at % width, at / width);
        y == 0 || (y < upper && (x == 0 || x + 1 == width))
    };
    blob.iter().any(meets) && blob.iter().all(|at| at / width + 1 < height)
}

/// The contrast along the outline of a part, in the frame and in the set.
fn contrasts(
    blob: &[usize],
    frame: &[f32],
    set: &[f32],
    (width, height): (usize, usize),
) -> (f64, f64) {
    let inside: std::collections::BTreeSet<usize> = blob.iter().copied().collect();
    let (mut now, mut then) = (0.0, 0.0);
    for at in blob {
        let (x, y) = (at % width, at / width);
        let beside = [
            (x > 1).then(|| (at - 1, at - 2, at + 1)),
            (x + 2 < width).then(|| (at + 1, at + 2, at.saturating_sub(1))),
            (y > 1).then(|| (at - width, at - 2 * width, at + width)),
            (y + 2 < height).then(|| (at + width, at + 2 * width, at.saturating_sub(width))),
        ];
        for (next, beyond, within) in beside.into_iter().flatten() {
            if !inside.contains(&next) {
                // Smoothing made the part wider than the thing: its edge lies inside.
                let within = if inside.contains(&within) { within } else { *at };
                now += f64::from((frame[within] - frame[beyond]).abs());
                then += f64::from((set[within] - set[beyond]).abs());
            }
        }
    }
    (now, then)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A textured wall, and a dark bar that hangs from above at `x`, `depth` down.
    fn frame(number: usize, x: usize, depth: usize) -> Vec<u16> {
        let code = |at: usize| {
            let (px, py) = (at % 120, at / 120);
            let wall = 120.0 + 10.0 * (px as f32 / 7.0).sin() + 8.0 * (py as f32 / 9.0).cos();
            let grain = ((at * 7919 + number * 104_729) % 13) as f32 / 6.5 - 1.0;
            let bar = (x..x + 14).contains(&px) && py < depth;
            ((if bar { 40.0 } else { wall } + grain) * 4.0).round() as u16
        };
        (0..120 * 68).map(code).collect()
    }

    fn found(data: Vec<Vec<u16>>) -> Bare {
        let frames = (0..data.len() as i64).collect();
        let small = Small {
            range: FrameRange::new(0, data.len() as i64),
            scales: Scales { work: 1, mid: 1, small: 1 },
            size: (120, 68),
            frames,
            data,
            codes: Vec::new(),
            planes: Planes::default(),
        };
        small.bare().expect("frames")
    }

    fn holds_to(bare: &Bare, at: impl Fn(usize) -> (usize, usize)) {
        for (number, hidden) in bare.hidden.iter().enumerate() {
            let (x, depth) = at(number);
            let bar = Mask::from_fn(120, 68, |px, py| (x..x + 14).contains(&px) && py < depth);
            let mut lost = bar.clone();
            lost.take(hidden);
            let mut more = hidden.clone();
            more.take(&bar.grown(6));
            assert!(lost.is_empty(), "frame {number}: {} lost", lost.count());
            assert!(more.count() < 20, "frame {number}: {} too many", more.count());
        }
    }

    #[test]
    fn a_bar_that_swings_hides_only_where_it_is() {
        let at = |number: usize| (10 + 2 * number, 30);
        let bare = found((0..40).map(|number| frame(number, at(number).0, at(number).1)).collect());
        assert!(bare.booms >= 38, "{}", bare.booms);
        holds_to(&bare, at);
    }

    #[test]
    fn a_bar_at_rest_that_slides_in_and_out_is_no_set() {
        let at = |number: usize| (50, (3 * number).min(30).min(3 * (59 - number)));
        let bare = found((0..60).map(|number| frame(number, at(number).0, at(number).1)).collect());
        holds_to(&bare, at);
    }
}
