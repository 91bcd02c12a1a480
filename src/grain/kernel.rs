//! What makes white numbers into grain of a given texture.

use super::Place;
use std::f32::consts::TAU;

/// Farthest samples whose grain may hang together. Grain and coding seldom reach farther.
pub(super) const REACH: usize = 7;

/// Side of the square the spectrum is worked out in.
const SIDE: usize = 32;

/// Correlations below this are taken for none. Ours: three errors of the smallest measure.
const NONE: f32 = 0.01;

/// Samples of the kernel below this part of the middle one are left off.
const FAINT: f32 = 0.004;

/// Correlation by place, from `-REACH` to `REACH` across and down: `[y][x]`.
pub(super) type Correlations = [[f32; 2 * REACH + 1]; 2 * REACH + 1];

/// A symmetric filter whose squares add up to 1.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Kernel {
    reach: usize,
    /// Row by row, `2 * reach + 1` each way.
    taps: Vec<f32>,
}

impl Kernel {
    /// Makes the filter that gives white numbers these correlations: the root of their
    /// spectrum.
    pub fn of(correlations: &Correlations) -> Kernel {
        let middle = correlations[REACH][REACH].max(f32::MIN_POSITIVE);
        let mut square = vec![0.0_f32; SIDE * SIDE];
        for (y, row) in correlations.iter().enumerate() {
            for (x, value) in row.iter().enumerate() {
                let value = value / middle;
                if value.abs() > NONE {
                    let at = |place: usize| (place + SIDE - REACH) % SIDE;
                    square[at(y) * SIDE + at(x)] = value * taper(x) * taper(y);
                }
            }
        }
        let spectrum = transformed(&square);
        let roots: Vec<f32> = spectrum.iter().map(|power| power.max(0.0).sqrt()).collect();
        let whole = transformed(&roots);
        let tap = |x: usize, y: usize, reach: usize| {
            let at = |place: usize| (place + SIDE - reach) % SIDE;
            whole[at(y) * SIDE + at(x)]
        };
        let faint = FAINT * tap(0, 0, 0).abs();
        let reach = (0..=REACH).rev().find(|reach| {
            let side = 2 * reach;
            (0..=side).any(|at| {
                let edge = [tap(at, 0, *reach), tap(0, at, *reach)];
                edge.iter().any(|value| value.abs() > faint)
            })
        });
        let reach = reach.unwrap_or(0);
        let side = 2 * reach + 1;
        let mut taps: Vec<f32> =
            (0..side * side).map(|at| tap(at % side, at / side, reach)).collect();
        let energy = taps.iter().map(|tap| tap * tap).sum::<f32>().sqrt();
        taps.iter_mut().for_each(|tap| *tap /= energy.max(f32::MIN_POSITIVE));
        Kernel { reach, taps }
    }

    /// Weaves white numbers of a place, given by column and row, into grain.
    pub fn woven(&self, place: Place, white: impl Fn(i64, i64) -> f32) -> Vec<f32> {
        let (reach, side) = (self.reach, 2 * self.reach + 1);
        let across = place.width + 2 * reach;
        let first = (place.left as i64 - reach as i64, place.top as i64 - reach as i64);
        let mut out = vec![0.0; place.width * place.height];
        // Only as many rows of white numbers are held as the kernel is high.
        let row = |y: usize| -> Vec<f32> {
            (0..across).map(|x| white(first.0 + x as i64, first.1 + y as i64)).collect()
        };
        let mut rows: std::collections::VecDeque<Vec<f32>> = (0..side - 1).map(row).collect();
        for (y, out) in out.chunks_exact_mut(place.width.max(1)).enumerate() {
            rows.push_back(row(y + side - 1));
            for (taps, white) in self.taps.chunks_exact(side).zip(&rows) {
                for (x, tap) in taps.iter().enumerate() {
                    let shifted = &white[x..x + place.width];
                    out.iter_mut().zip(shifted).for_each(|(sum, white)| *sum += tap * white);
                }
            }
            rows.pop_front();
        }
        out
    }

    /// Returns the correlation of grain woven by two kernels from the same numbers.
    pub fn overlap(&self, other: &Kernel) -> f32 {
        let (small, large) = if self.reach <= other.reach { (self, other) } else { (other, self) };
        let (side, wide) = (2 * small.reach + 1, 2 * large.reach + 1);
        let off = large.reach - small.reach;
        let rows = small.taps.chunks_exact(side).zip(large.taps.chunks_exact(wide).skip(off));
        rows.map(|(a, b)| a.iter().zip(&b[off..]).map(|(a, b)| a * b).sum::<f32>()).sum()
    }

    /// Returns the correlation of its grain at a distance.
    pub fn correlation(&self, x: usize, y: usize) -> f32 {
        let side = 2 * self.reach + 1;
        if x >= side || y >= side {
            return 0.0;
        }
        let rows = (0..side - y).flat_map(|row| (0..side - x).map(move |column| (column, row)));
        rows.map(|(column, row)| {
            self.taps[row * side + column] * self.taps[(row + y) * side + column + x]
        })
        .sum()
    }
}

/// Lets correlations run out instead of breaking off, which would put ripples into the
/// spectrum.
fn taper(place: usize) -> f32 {
    let off = place.abs_diff(REACH) as f32 / (REACH + 1) as f32;
    if off <= 0.5 { 1.0 } else { 0.5 + 0.5 * (TAU * (off - 0.5)).cos() }
}

/// The discrete Fourier transform of a square that is even in both directions together;
/// scaled so that it is its own inverse.
fn transformed(square: &[f32]) -> Vec<f32> {
    let angle: Vec<(f32, f32)> = (0..SIDE)
        .map(|at| {
            let angle = TAU * at as f32 / SIDE as f32;
            (angle.cos(), angle.sin())
        })
        .collect();
    let scale = 1.0 / SIDE as f32;
    // Rows first, to real and imaginary part; then columns, of which the real part is all.
    let mut part = vec![(0.0_f32, 0.0_f32); SIDE * SIDE];
    for y in 0..SIDE {
        for u in 0..SIDE {
            let sum = (0..SIDE).fold((0.0, 0.0), |sum: (f32, f32), x| {
                let (cos, sin) = angle[u * x % SIDE];
                let value = square[y * SIDE + x];
                (sum.0 + value * cos, sum.1 - value * sin)
            });
            part[y * SIDE + u] = sum;
        }
    }
    let mut out = vec![0.0; SIDE * SIDE];
    for v in 0..SIDE {
        for u in 0..SIDE {
            let sum: f32 = (0..SIDE)
                .map(|y| {
                    let (cos, sin) = angle[v * y % SIDE];
                    let (re, im) = part[y * SIDE + u];
                    re * cos + im * sin
                })
                .sum();
            out[v * SIDE + u] = sum * scale;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn correlations(of: impl Fn(i64, i64) -> f32) -> Correlations {
        let mut all = [[0.0; 2 * REACH + 1]; 2 * REACH + 1];
        for (y, row) in all.iter_mut().enumerate() {
            for (x, value) in row.iter_mut().enumerate() {
                *value = of(x as i64 - REACH as i64, y as i64 - REACH as i64);
            }
        }
        all
    }

    #[test]
    fn the_kernel_gives_back_the_correlations_it_was_made_of() {
        // The autocorrelation of a Gaussian blur of sigma s is a Gaussian of sigma s * sqrt 2.
        let blur = |sx: f32, sy: f32| {
            move |x: i64, y: i64| {
                let (x, y) = (x as f32 / sx, y as f32 / sy);
                (-(x * x + y * y) / 4.0).exp()
            }
        };
        // A slanted texture: even only in both directions together.
        let slanted = |x: i64, y: i64| {
            let (x, y) = (x as f32, y as f32);
            (-(x * x + y * y + x * y) / 4.0).exp()
        };
        let white = |x: i64, y: i64| f32::from(u8::from(x == 0 && y == 0));
        let all: [(&str, Correlations); 4] = [
            ("round", correlations(blur(1.0, 1.0))),
            ("flat", correlations(blur(1.6, 0.7))),
            ("slanted", correlations(slanted)),
            ("white", correlations(white)),
        ];
        for (name, wanted) in all {
            let kernel = Kernel::of(&wanted);
            for (x, y) in [(1, 0), (0, 1), (1, 1), (2, 0), (0, 2), (3, 1)] {
                let (got, want) = (kernel.correlation(x, y), wanted[REACH + y][REACH + x]);
                assert!((got - want).abs() < 0.015, "{name} {x},{y}: {got} for {want}");
            }
            assert!((kernel.correlation(0, 0) - 1.0).abs() < 1e-5, "{name}");
        }
        assert_eq!(Kernel::of(&correlations(white)).reach, 0);
    }

    #[test]
    fn overlapping_places_agree() {
        let kernel = Kernel::of(&correlations(|x, y| (-((x * x + y * y) as f32) / 4.0).exp()));
        let white = |x: i64, y: i64| ((x * 37 + y * 101).rem_euclid(23)) as f32 - 11.0;
        let whole = kernel.woven(Place { left: 0, top: 0, width: 30, height: 20 }, white);
        let part = kernel.woven(Place { left: 7, top: 5, width: 10, height: 9 }, white);
        for (y, row) in part.chunks_exact(10).enumerate() {
            let at = (y + 5) * 30 + 7;
            assert_eq!(row, &whole[at..at + 10]);
        }
    }
}
