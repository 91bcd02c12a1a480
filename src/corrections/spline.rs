//! Quintic B-spline interpolation: a picture moved by parts of a sample.
//!
//! Source: Unser, Aldroubi and Eden, IEEE Trans. Signal Process. 41 (1993), parts I and II:
//! the samples are filtered by the poles of the spline, forward and backward, and its weights
//! then pass through every sample. It keeps more of the fine texture than a cubic.

/// Poles of the quintic spline (Unser 1993, part II, table I).
const POLES: [f64; 2] = [-0.430_575_347_099_973_8, -0.043_096_288_203_264_65];

/// Samples from an edge beyond which a pole has died away: |pole|^24 is below 1e-8.
const HORIZON: usize = 24;

/// A plane as a spline.
#[derive(Debug, Clone)]
pub(super) struct Spline {
    width: usize,
    height: usize,
    weights: Vec<f32>,
}

impl Spline {
    /// Filters the samples of a plane, row-major; beyond the edges they are mirrored.
    pub(super) fn of(width: usize, height: usize, mut data: Vec<f32>) -> Spline {
        data.resize(width.saturating_mul(height), 0.0);
        for row in data.chunks_exact_mut(width.max(1)) {
            for pole in POLES {
                filter(row, pole);
            }
        }
        let mut column = vec![0.0; height];
        for x in 0..width {
            for (y, value) in column.iter_mut().enumerate() {
                *value = data[y * width + x];
            }
            for pole in POLES {
                filter(&mut column, pole);
            }
            for (y, value) in column.iter().enumerate() {
                data[y * width + x] = *value;
            }
        }
        Spline { width, height, weights: data }
    }

    /// Returns the value at a place, in samples from the middle of the first; beyond the
    /// edge that of the edge.
    pub(super) fn at(&self, x: f64, y: f64) -> f32 {
        let inside = |at: f64, size: usize| at.clamp(0.0, size.saturating_sub(1) as f64);
        let (x, y) = (inside(x, self.width), inside(y, self.height));
        let (left, top) = (x.floor(), y.floor());
        let (across, down) = (six((x - left) as f32), six((y - top) as f32));
        let (left, top) = (left as usize, top as usize);
        let whole = left >= 2 && top >= 2 && left + 3 < self.width && top + 3 < self.height;
        let mut sum = 0.0;
        for (step, weight) in down.iter().enumerate() {
            let y = if whole { top + step - 2 } else { mirrored(top, step, self.height) };
            let row = &self.weights[y * self.width..][..self.width];
            let line: f32 = if whole {
                row[left - 2..left + 4].iter().zip(across).map(|(value, by)| value * by).sum()
            } else {
                let value = |step: usize| row[mirrored(left, step, self.width)];
                across.iter().enumerate().map(|(step, by)| value(step) * by).sum()
            };
            sum += weight * line;
        }
        sum
    }
}

/// The sample that stands for one beyond an edge.
fn mirrored(at: usize, step: usize, size: usize) -> usize {
    let last = size.saturating_sub(1) as i64;
    let place = (at as i64 + step as i64 - 2).rem_euclid((2 * last).max(1));
    place.min(2 * last - place).max(0) as usize
}

/// One pole, forward and backward, along a line.
fn filter(line: &mut [f32], pole: f64) {
    let count = line.len();
    if count < 2 {
        return;
    }
    let gain = (1.0 - pole) * (1.0 - 1.0 / pole);
    line.iter_mut().for_each(|value| *value = (f64::from(*value) * gain) as f32);
    // The sum over the mirrored samples before the first.
    let (mut first, mut power) = (f64::from(line[0]), pole);
    for at in 1..HORIZON {
        first += power * f64::from(line[mirrored(at, 2, count)]);
        power *= pole;
    }
    let mut before = first;
    line[0] = first as f32;
    for value in line.iter_mut().skip(1) {
        before = f64::from(*value) + pole * before;
        *value = before as f32;
    }
    let (last, next) = (f64::from(line[count - 1]), f64::from(line[count - 2]));
    let mut after = pole / (pole * pole - 1.0) * (pole * next + last);
    line[count - 1] = after as f32;
    for at in (0..count - 1).rev() {
        after = pole * (after - f64::from(line[at]));
        line[at] = after as f32;
    }
}

/// Weights of the six samples round a place, `t` past the third.
fn six(t: f32) -> [f32; 6] {
    let spline = |x: f32| {
        let x = x.abs();
        let (x2, x4) = (x * x, x * x * x * x);
        if x < 1.0 {
            0.55 - 0.5 * x2 + 0.25 * x4 - x4 * x / 12.0
        } else if x < 2.0 {
            0.425 + 0.625 * x - 1.75 * x2 + 1.25 * x2 * x - 0.375 * x4 + x4 * x / 24.0
        } else if x < 3.0 {
            let far = 3.0 - x;
            far * far * far * far * far / 120.0
        } else {
            0.0
        }
    };
    [2.0, 1.0, 0.0, -1.0, -2.0, -3.0].map(|from| spline(t + from))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wave(x: f64, y: f64) -> f64 {
        100.0 + 40.0 * (x * 0.9).sin() + 30.0 * (y * 0.7 + 1.0).cos()
    }

    #[test]
    fn the_spline_passes_through_its_samples_and_follows_a_wave_between_them() {
        let (width, height) = (60, 40);
        let data: Vec<f32> = (0..width * height)
            .map(|at| wave((at % width) as f64, (at / width) as f64) as f32)
            .collect();
        let spline = Spline::of(width, height, data.clone());
        for y in 0..height {
            for x in 0..width {
                let off = spline.at(x as f64, y as f64) - data[y * width + x];
                assert!(off.abs() < 0.01, "{x} {y}: {off}");
            }
        }
        for step in 0..40 {
            let (x, y) = (20.0 + f64::from(step) * 0.37, 12.0 + f64::from(step) * 0.29);
            let off = f64::from(spline.at(x, y)) - wave(x, y);
            assert!(off.abs() < 0.1, "{x} {y}: {off}");
        }
    }

    #[test]
    fn small_planes_and_places_beyond_the_edge_are_no_fault() {
        for (width, height) in [(1, 1), (2, 1), (1, 3), (4, 4)] {
            let spline = Spline::of(width, height, vec![7.0; width * height]);
            for x in [-5.0, 0.0, 0.4, 9.0] {
                assert!((spline.at(x, x) - 7.0).abs() < 1e-3, "{width}x{height} at {x}");
            }
        }
    }
}
