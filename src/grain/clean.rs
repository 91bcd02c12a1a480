//! A picture with its grain taken off, so that new grain does not lie over old.

use super::kernel::{Kernel, REACH};
use super::{Component, Place};

/// Sides of the squares that are looked at. Ours: large ones hold leaves and other texture in
/// few cosines, small ones edges; trials with 16 and 64 beside them gained nothing.
const SIDES: [usize; 2] = [8, 32];

/// How far one square lies from the next.
const STEP: usize = 4;

/// Coefficients below this many standard deviations of the grain are taken for grain. After
/// Donoho and Johnstone 1994; 2.7 to 3 is common practice for cosine squares that overlap.
const SURE: f32 = 2.85;

/// Reach of the means in which the grain that is left is told. Ours: a variance is then known
/// to a twentieth.
pub(super) const LEFT_REACH: usize = 12;

/// A plane without most of its grain.
#[derive(Debug, Clone, PartialEq)]
pub struct Cleaned {
    /// The samples, row by row.
    pub plane: Vec<f32>,
    /// Variance of the grain that is still in each, squared codes, with what was lost of the
    /// picture.
    pub left: Vec<f32>,
}

impl Component {
    /// Takes grain off a plane of this component: what in a square is no more than grain.
    /// `share` is the part of the take's variance that is in the plane. What squares that
    /// overlap make of a sample is mixed, those that keep little grain before others
    /// (Guleryuz 2007).
    pub(super) fn cleaned(
        &self,
        plane: &[f32],
        place: Place,
        levels: &[f32],
        share: f32,
    ) -> Vec<f32> {
        let Place { width, height, .. } = place;
        let whole = plane.len() == width * height && levels.len() == plane.len();
        let mut mixed = Mixed { sums: vec![0.0; plane.len()], weights: vec![0.0; plane.len()] };
        for side in SIDES.into_iter().filter(|side| whole && *side <= width.min(height)) {
            let mut squares = Squares::of(side, &self.kernel);
            for y in starts(height, side) {
                for x in starts(width, side) {
                    let rows = || (y..y + side).map(|row| row * width + x);
                    let level = rows().map(|at| levels[at + side / 2]).sum::<f32>();
                    let variance = self.curve.variance(level / side as f32).max(0.0) * share;
                    squares.square.clear();
                    rows().for_each(|at| squares.square.extend(&plane[at..at + side]));
                    let weight = squares.clean(variance);
                    mixed.add(rows(), &squares.square, weight);
                }
            }
        }
        mixed.over(plane)
    }
}

/// Weighed means of what squares make of each sample.
struct Mixed {
    sums: Vec<f32>,
    weights: Vec<f32>,
}

impl Mixed {
    fn add(&mut self, rows: impl ExactSizeIterator<Item = usize>, square: &[f32], weight: f32) {
        let side = rows.len().max(1);
        for (at, values) in rows.zip(square.chunks_exact(side)) {
            let sums = self.sums[at..at + side].iter_mut();
            sums.zip(values).for_each(|(sum, value)| *sum += weight * value);
            self.weights[at..at + side].iter_mut().for_each(|sum| *sum += weight);
        }
    }

    /// The means; where no square was, the plane itself.
    fn over(self, plane: &[f32]) -> Vec<f32> {
        let mixed = self.sums.iter().zip(&self.weights).zip(plane);
        mixed
            .map(|((sum, weight), value)| if *weight > 0.0 { sum / weight } else { *value })
            .collect()
    }
}

/// Where squares begin so that they reach the end.
fn starts(size: usize, side: usize) -> impl Iterator<Item = usize> + Clone {
    let last = size - side;
    (0..last).step_by(STEP).chain([last])
}

/// Squares of one size, one at a time.
struct Squares {
    side: usize,
    /// The cosines (type II), each of length 1: `[frequency][place]`.
    bases: Vec<f32>,
    /// The same the other way round.
    turned: Vec<f32>,
    /// The variance of each cosine of grain of variance 1.
    strengths: Vec<f32>,
    square: Vec<f32>,
    part: Vec<f32>,
}

impl Squares {
    fn of(side: usize, kernel: &Kernel) -> Squares {
        let mut bases = Vec::with_capacity(side * side);
        for frequency in 0..side {
            let scale = if frequency == 0 { 1.0 } else { 2.0_f32 } / side as f32;
            bases.extend((0..side).map(|place| {
                let turn =
                    std::f32::consts::PI * frequency as f32 * (place as f32 + 0.5) / side as f32;
                scale.sqrt() * turn.cos()
            }));
        }
        let turned = (0..side * side).map(|at| bases[at % side * side + at / side]).collect();
        let strengths = strengths(side, kernel, &bases);
        Squares { side, bases, turned, strengths, square: Vec::new(), part: Vec::new() }
    }

    /// Takes grain of a variance off the square, and returns how much its samples weigh: one
    /// over the part of the grain that is still in them.
    fn clean(&mut self, variance: f32) -> f32 {
        transformed(&mut self.square, &mut self.part, &self.turned, self.side);
        // The mean stays: light is never grain. What stays keeps its grain.
        let mut kept = self.strengths[0];
        for (value, strength) in self.square.iter_mut().zip(&self.strengths).skip(1) {
            if *value * *value < SURE * SURE * variance * strength {
                *value = 0.0;
            } else {
                kept += strength;
            }
        }
        transformed(&mut self.square, &mut self.part, &self.bases, self.side);
        (self.side * self.side) as f32 / kept.max(0.01)
    }
}

/// Multiplies a square with `bases` from both sides, in place: rows first, then columns.
fn transformed(square: &mut [f32], part: &mut Vec<f32>, bases: &[f32], side: usize) {
    part.clear();
    part.resize(side * side, 0.0);
    for (row, out) in square.chunks_exact(side).zip(part.chunks_exact_mut(side)) {
        for (value, basis) in row.iter().zip(bases.chunks_exact(side)) {
            // Of a cleaned square most are.
            if *value != 0.0 {
                out.iter_mut().zip(basis).for_each(|(out, basis)| *out += value * basis);
            }
        }
    }
    square.fill(0.0);
    for (row, basis) in part.chunks_exact(side).zip(bases.chunks_exact(side)) {
        for (out, factor) in square.chunks_exact_mut(side).zip(basis) {
            out.iter_mut().zip(row).for_each(|(out, value)| *out += factor * value);
        }
    }
}

/// The variance of each cosine of grain of variance 1.
fn strengths(side: usize, kernel: &Kernel, bases: &[f32]) -> Vec<f32> {
    let far = side.min(2 * REACH + 1);
    // How often two places of a basis lie a distance apart, weighed by the basis.
    let own = |frequency: usize, off: usize| -> f32 {
        let basis = &bases[frequency * side..][..side];
        let times = if off > 0 { 2.0 } else { 1.0 };
        times * basis.iter().zip(&basis[off..]).map(|(one, two)| one * two).sum::<f32>()
    };
    let own: Vec<f32> = (0..side * far).map(|at| own(at / far, at % far)).collect();
    let correlations: Vec<f32> =
        (0..far * far).map(|at| kernel.correlation(at % far, at / far)).collect();
    let strength = |at: usize| -> f32 {
        let (across, down) = (&own[at % side * far..][..far], &own[at / side * far..][..far]);
        let rows = correlations.chunks_exact(far).zip(down);
        let row = |row: &[f32]| row.iter().zip(across).map(|(a, b)| a * b).sum::<f32>();
        rows.map(|(own, down)| down * row(own)).sum::<f32>().max(0.0)
    };
    (0..side * side).map(strength).collect()
}

/// Means over squares that reach so far, the edge left out.
pub(super) fn boxed(plane: &[f32], width: usize, height: usize, reach: usize) -> Vec<f32> {
    let line = |values: &dyn Fn(usize) -> f32, count: usize| -> Vec<f32> {
        let mut sums = vec![0.0_f64];
        (0..count).for_each(|at| sums.push(sums[at] + f64::from(values(at))));
        let mean = |at: usize| {
            let (low, high) = (at.saturating_sub(reach), (at + reach + 1).min(count));
            ((sums[high] - sums[low]) / (high - low) as f64) as f32
        };
        (0..count).map(mean).collect()
    };
    let rows: Vec<f32> = (0..height).flat_map(|y| line(&|x| plane[y * width + x], width)).collect();
    let mut out = vec![0.0; plane.len()];
    for x in 0..width {
        for (y, value) in line(&|y| rows[y * width + x], height).into_iter().enumerate() {
            out[y * width + x] = value;
        }
    }
    out
}
