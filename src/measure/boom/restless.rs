//! Something hangs in the picture all the time and moves.
//!
//! A boom that never comes or goes leaves no frame to compare with, but a pole held at arm's
//! length is never still. What changes is looked at twice, at a threshold and at half of it:
//! a thing with an outline keeps its shape, drifting clouds and residual light do not, and
//! people reach the floor.

use super::blobs::{Blobs, CLEAN, STRONG, Window};
use super::limits::FinderLimits;
use super::reference::Reference;
use super::small_take::SmallTake;
use super::tone::{BlockMeans, Tone};
use crate::measure::Mask;
use crate::measure::plane::Plane;
use std::ops::Range;

/// Parts of a lock-off whose means are compared.
const PARTS: usize = 12;

/// Frames of a part that are looked at.
const LOOKS: usize = 8;

/// Tells whether something hangs from the top or a side of a lock-off and moves.
///
/// # Errors
///
/// As the system says: frames cannot be read back.
pub(super) fn hangs(
    take: &mut SmallTake,
    span: &Range<usize>,
    references: &[Reference],
    limits: &FinderLimits,
) -> std::io::Result<bool> {
    let (width, height) = take.size();
    let Some(reference) = references.get(references.len() / 2) else { return Ok(false) };
    let (changes, smooth) = changes(take, span, reference)?;
    let window = Window::whole(width, height);
    let least = (limits.peak_share * window.area() as f32) as usize;
    let hanging = |changes: &[f32], codes: f32| {
        let level = |change: &f32| if *change > codes { STRONG } else { CLEAN };
        let levels: Vec<u8> = changes.iter().map(level).collect();
        let blobs = Blobs::of(&levels, width, window, 2);
        let mut masks = Vec::new();
        for (number, blob) in blobs.blobs.iter().enumerate() {
            if blob.area >= least && blob.hangs(window, limits.side_share, limits.lowest_share) {
                let mut mask = Mask::new(width, height);
                blobs.add_to(number, &levels, width, &mut mask);
                masks.push(mask);
            }
        }
        masks
    };
    let keeps = |changes: &[f32], codes: f32| {
        let wide = hanging(changes, codes / 2.0);
        let keeps =
            |one: &Mask| wide.iter().any(|wide| wide.meets(one) && wide.count() <= 2 * one.count());
        hanging(changes, codes).iter().any(keeps)
    };
    if limits.restless_codes.iter().any(|codes| keeps(&changes, *codes)) {
        return Ok(true);
    }
    // Means of frames, smoothed, show what grain hides in each of them.
    let mut some: Vec<f32> = smooth.iter().copied().step_by(7).collect();
    let middle = some.len() / 2;
    let usual =
        if some.is_empty() { 0.0 } else { *some.select_nth_unstable_by(middle, f32::total_cmp).1 };
    let faint = limits.faint_codes.iter().filter(|codes| **codes > limits.faint_times * usual);
    Ok(faint.into_iter().any(|codes| keeps(&smooth, *codes)))
}

/// Returns by how much the means of the parts of a lock-off differ, pixel by pixel: as they
/// are, and averaged over three by three pixels.
fn changes(
    take: &mut SmallTake,
    span: &Range<usize>,
    reference: &Reference,
) -> std::io::Result<(Vec<f32>, Vec<f32>)> {
    let (width, height) = take.size();
    let parts = (span.len() / 3).clamp(1, PARTS);
    let (mut plane, mut mapped) = (Plane::default(), vec![0.0_f32; width * height]);
    let none =
        || Extremes { least: vec![f32::MAX; width * height], most: vec![f32::MIN; width * height] };
    let (mut own, mut smooth) = (none(), none());
    for part in 0..parts {
        let edge = |part: usize| span.start + part * span.len() / parts;
        let (from, to) = (edge(part), edge(part + 1));
        let (mut sum, mut count) = (vec![0.0_f32; width * height], 0.0);
        for frame in (from..to).step_by(((to - from) / LOOKS).max(1)) {
            take.read(frame, &mut plane)?;
            let tone = Tone::fit(&BlockMeans::of(&plane), &reference.blocks, None);
            tone.map(&reference.middle, &reference.quarters, width, &mut mapped);
            for ((sum, value), mapped) in sum.iter_mut().zip(&plane.data).zip(&mapped) {
                *sum += (value - mapped) / tone.gain;
            }
            count += 1.0;
        }
        sum.iter_mut().for_each(|sum| *sum /= count);
        own.add(&sum);
        smooth.add(&averaged(&sum, width, height));
    }
    Ok((own.ranges(), smooth.ranges()))
}

/// The least and the most of each pixel.
struct Extremes {
    least: Vec<f32>,
    most: Vec<f32>,
}

impl Extremes {
    fn add(&mut self, values: &[f32]) {
        for ((least, most), value) in self.least.iter_mut().zip(&mut self.most).zip(values) {
            *least = least.min(*value);
            *most = most.max(*value);
        }
    }

    fn ranges(&self) -> Vec<f32> {
        self.least.iter().zip(&self.most).map(|(least, most)| most - least).collect()
    }
}

/// Averages over the pixels within one to each side that are in the picture.
fn averaged(values: &[f32], width: usize, height: usize) -> Vec<f32> {
    let near = |at: usize, end: usize| at.saturating_sub(1)..(at + 2).min(end);
    let mean = |at: usize| {
        let (columns, rows) = (near(at % width, width), near(at / width, height));
        let count = (columns.len() * rows.len()) as f32;
        rows.map(|y| values[y * width..][columns.clone()].iter().sum::<f32>()).sum::<f32>() / count
    };
    (0..values.len()).map(mean).collect()
}
