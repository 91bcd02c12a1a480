//! Where a frame lies to within a pixel or two, however far it moved: phase correlation on
//! reduced planes (Kuglin and Hines 1975).

use crate::measure::plane::Plane;
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

/// Phase correlation against one plane.
pub(super) struct PhaseCorrelator {
    width: usize,
    height: usize,
    window: Vec<f32>,
    rows: [Arc<dyn Fft<f32>>; 2],
    columns: [Arc<dyn Fft<f32>>; 2],
    reference: Vec<Complex<f32>>,
}

impl PhaseCorrelator {
    /// Makes ready to look for `reference`; `None` if it is smaller than 16 pixels a side.
    pub fn new(reference: &Plane) -> Option<Self> {
        // Even sizes of small factors: odd ones put the peak off by half a pixel.
        let (width, height) = (reference.width & !7, reference.height & !7);
        if width < 16 || height < 16 {
            return None;
        }
        let mut planner = FftPlanner::new();
        let hann = |at: usize, count: usize| {
            (std::f32::consts::PI * (at as f32 + 0.5) / count as f32).sin().powi(2)
        };
        let mut window = Vec::with_capacity(width * height);
        for y in 0..height {
            window.extend((0..width).map(|x| hann(x, width) * hann(y, height)));
        }
        let mut correlator = Self {
            width,
            height,
            window,
            rows: [planner.plan_fft_forward(width), planner.plan_fft_inverse(width)],
            columns: [planner.plan_fft_forward(height), planner.plan_fft_inverse(height)],
            reference: Vec::new(),
        };
        correlator.reference = correlator.spectrum(reference)?;
        Some(correlator)
    }

    /// Returns by how much `frame` lies to the right and below, in pixels of these planes;
    /// `None` if it is of another size or without any texture.
    pub fn shift(&self, frame: &Plane) -> Option<(f64, f64)> {
        let mut cross = self.spectrum(frame)?;
        for (value, reference) in cross.iter_mut().zip(&self.reference) {
            let product = *value * reference.conj();
            let size = product.norm();
            *value = if size > 0.0 { product / size } else { Complex::default() };
        }
        cross[0] = Complex::default();
        self.soften(&mut cross);
        let peaks = self.transform(cross, 1);
        let heights = peaks.iter().map(|value| value.re);
        let (at, top) = heights.enumerate().fold((0, 0.0_f32), |best, (at, height)| {
            if height > best.1 { (at, height) } else { best }
        });
        if top <= 0.0 {
            return None;
        }
        let (x, y) = (at % self.width, at / self.width);
        let height =
            |x: usize, y: usize| f64::from(peaks[y % self.height * self.width + x % self.width].re);
        let across = [height(x + self.width - 1, y), height(x, y), height(x + 1, y)];
        let down = [height(x, y + self.height - 1), height(x, y), height(x, y + 1)];
        Some((signed(x, self.width) + crest(across), signed(y, self.height) + crest(down)))
    }

    /// Takes the highest frequencies back, where there is mostly grain.
    fn soften(&self, spectrum: &mut [Complex<f32>]) {
        let low = |at: usize, count: usize| {
            let frequency = signed(at, count) / count as f64;
            (-0.5 * (frequency / 0.15).powi(2)).exp() as f32
        };
        let across: Vec<f32> = (0..self.width).map(|x| low(x, self.width)).collect();
        for (y, row) in spectrum.chunks_exact_mut(self.width).enumerate() {
            let down = low(y, self.height);
            row.iter_mut().zip(&across).for_each(|(value, weight)| *value *= weight * down);
        }
    }

    fn spectrum(&self, plane: &Plane) -> Option<Vec<Complex<f32>>> {
        let view = plane.view()?;
        if (view.width() & !7, view.height() & !7) != (self.width, self.height) {
            return None;
        }
        let mut values = Vec::with_capacity(self.width * self.height);
        for y in 0..self.height {
            values.extend_from_slice(view.run(0, y, self.width)?);
        }
        let mean = values.iter().map(|value| f64::from(*value)).sum::<f64>() / values.len() as f64;
        let windowed = values.iter().zip(&self.window);
        let data = windowed.map(|(value, w)| Complex::new((value - mean as f32) * w, 0.0));
        Some(self.transform(data.collect(), 0))
    }

    /// Forward (0) or inverse (1), two-dimensional.
    fn transform(&self, mut data: Vec<Complex<f32>>, way: usize) -> Vec<Complex<f32>> {
        self.rows[way].process(&mut data);
        let mut turned = vec![Complex::default(); data.len()];
        for (y, row) in data.chunks_exact(self.width).enumerate() {
            for (x, value) in row.iter().enumerate() {
                turned[x * self.height + y] = *value;
            }
        }
        self.columns[way].process(&mut turned);
        for (x, column) in turned.chunks_exact(self.height).enumerate() {
            for (y, value) in column.iter().enumerate() {
                data[y * self.width + x] = *value;
            }
        }
        data
    }
}

/// Reads a place on a ring as a distance from its start, either way.
fn signed(at: usize, count: usize) -> f64 {
    if at * 2 < count { at as f64 } else { at as f64 - count as f64 }
}

/// Returns where the top of a parabola through three heights lies, from the middle one.
fn crest([before, top, after]: [f64; 3]) -> f64 {
    let bend = before - 2.0 * top + after;
    if bend < 0.0 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dots(right: i64, down: i64) -> Plane {
        let (width, height) = (96_i64, 64_i64);
        let mut data = vec![0.0; (width * height) as usize];
        for y in 0..height {
            for x in 0..width {
                let (a, b) = ((x - right).rem_euclid(96), (y - down).rem_euclid(64));
                let mut cell = ((a / 3) * 64 + b / 3 + 1) as u32;
                for _ in 0..3 {
                    cell = (cell ^ (cell >> 15)).wrapping_mul(0x2c1b_3c6d);
                }
                data[(y * width + x) as usize] = (cell >> 24) as f32;
            }
        }
        Plane { width: 96, height: 64, data }
    }

    #[test]
    fn whole_pixel_moves_are_found_in_either_direction() {
        let finder = PhaseCorrelator::new(&dots(0, 0)).unwrap();
        for (right, down) in [(0, 0), (9, -5), (-14, 11)] {
            let (x, y) = finder.shift(&dots(right, down)).unwrap();
            assert!((x - right as f64).abs() < 0.3 && (y - down as f64).abs() < 0.3, "{x} {y}");
        }
    }

    #[test]
    fn a_flat_frame_and_another_size_give_nothing() {
        let finder = PhaseCorrelator::new(&dots(0, 0)).unwrap();
        let flat = Plane { width: 96, height: 64, data: vec![7.0; 96 * 64] };
        assert_eq!(finder.shift(&flat), None);
        let small = Plane { width: 32, height: 32, data: vec![7.0; 32 * 32] };
        assert_eq!(finder.shift(&small), None);
        assert!(PhaseCorrelator::new(&Plane::default()).is_none());
    }
}
