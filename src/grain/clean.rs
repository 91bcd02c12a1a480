//! A picture with its grain taken off, so that new grain does not lie over old.

use super::kernel::Kernel;
use super::{Component, Place};

/// Side of the squares that are looked at.
const SIDE: usize = 8;

/// How far one square lies from the next: each sample is in four of them.
const STEP: usize = 4;

/// Coefficients below this many standard deviations of the grain are taken for grain. After
/// Donoho and Johnstone 1994; 2.7 is common practice for cosine squares that overlap.
const SURE: f32 = 2.7;

/// A plane without most of its grain.
#[derive(Debug, Clone, PartialEq)]
pub struct Cleaned {
    /// The samples, row by row.
    pub plane: Vec<f32>,
    /// Variance of the grain that is still in each, squared codes.
    pub left: Vec<f32>,
}

impl Component {
    /// Takes grain off a plane of this component: what in a square of 8 by 8 is no more than
    /// grain. `share` is the part of the take's variance that is in the plane.
    pub(super) fn cleaned(
        &self,
        plane: &[f32],
        place: Place,
        levels: &[f32],
        share: f32,
    ) -> Cleaned {
        let Place { width, height, .. } = place;
        if width < SIDE
            || height < SIDE
            || plane.len() != width * height
            || levels.len() != plane.len()
        {
            return Cleaned { plane: plane.to_vec(), left: vec![0.0; plane.len()] };
        }
        let bases = bases();
        let strengths = strengths(&self.kernel, &bases);
        let none = || vec![0.0_f32; plane.len()];
        let (mut sums, mut counts, mut left) = (none(), none(), none());
        for y in starts(height) {
            for x in starts(width) {
                let mut square = [0.0_f32; SIDE * SIDE];
                let mut level = 0.0;
                for row in 0..SIDE {
                    let at = (y + row) * width + x;
                    square[row * SIDE..][..SIDE].copy_from_slice(&plane[at..at + SIDE]);
                    level += levels[at + SIDE / 2];
                }
                let variance = self.curve.variance(level / SIDE as f32).max(0.0) * share;
                let mut found = turned(&square, &bases, false);
                // The mean stays: light is never grain. What stays keeps its grain.
                let mut kept = variance * strengths[0];
                for (value, strength) in found.iter_mut().zip(&strengths).skip(1) {
                    if value.abs() < SURE * (variance * strength).sqrt() {
                        *value = 0.0;
                    } else {
                        kept += variance * strength;
                    }
                }
                let square = turned(&found, &bases, true);
                for row in 0..SIDE {
                    let at = (y + row) * width + x;
                    for column in 0..SIDE {
                        sums[at + column] += square[row * SIDE + column];
                        counts[at + column] += 1.0;
                        left[at + column] += kept / (SIDE * SIDE) as f32;
                    }
                }
            }
        }
        for ((sum, left), count) in sums.iter_mut().zip(&mut left).zip(&counts) {
            *sum /= count.max(1.0);
            *left /= count.max(1.0);
        }
        Cleaned { plane: sums, left }
    }
}

/// Where squares begin so that they reach the end.
fn starts(size: usize) -> impl Iterator<Item = usize> + Clone {
    let last = size - SIDE;
    (0..last).step_by(STEP).chain([last])
}

type Bases = [[f32; SIDE]; SIDE];

/// The cosines (type II), each of length 1: `[frequency][place]`.
fn bases() -> Bases {
    let mut bases = [[0.0; SIDE]; SIDE];
    for (frequency, basis) in bases.iter_mut().enumerate() {
        let scale = if frequency == 0 { 1.0 } else { 2.0_f32 } / SIDE as f32;
        for (place, value) in basis.iter_mut().enumerate() {
            let turn = std::f32::consts::PI * frequency as f32 * (place as f32 + 0.5) / SIDE as f32;
            *value = scale.sqrt() * turn.cos();
        }
    }
    bases
}

/// Turns a square into its cosines, or back.
fn turned(square: &[f32; SIDE * SIDE], bases: &Bases, back: bool) -> [f32; SIDE * SIDE] {
    let factor = |out: usize, at: usize| if back { bases[at][out] } else { bases[out][at] };
    let mut rows = [0.0_f32; SIDE * SIDE];
    for y in 0..SIDE {
        for out in 0..SIDE {
            rows[y * SIDE + out] =
                (0..SIDE).map(|at| factor(out, at) * square[y * SIDE + at]).sum();
        }
    }
    let mut all = [0.0_f32; SIDE * SIDE];
    for out in 0..SIDE {
        for at in 0..SIDE {
            let factor = factor(out, at);
            for x in 0..SIDE {
                all[out * SIDE + x] += factor * rows[at * SIDE + x];
            }
        }
    }
    all
}

/// The variance of each cosine of grain of variance 1.
fn strengths(kernel: &Kernel, bases: &Bases) -> [f32; SIDE * SIDE] {
    // How often two places of a basis lie a distance apart, weighed by the basis.
    let own = |frequency: usize, off: usize| -> f32 {
        (0..SIDE - off).map(|at| bases[frequency][at] * bases[frequency][at + off]).sum()
    };
    let mut strengths = [0.0; SIDE * SIDE];
    for (at, strength) in strengths.iter_mut().enumerate() {
        let (u, v) = (at % SIDE, at / SIDE);
        for y in 0..SIDE {
            for x in 0..SIDE {
                let times = f32::from(1 + u8::from(x > 0)) * f32::from(1 + u8::from(y > 0));
                *strength += times * own(u, x) * own(v, y) * kernel.correlation(x, y);
            }
        }
        *strength = strength.max(0.0);
    }
    strengths
}
