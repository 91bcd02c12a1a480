//! Mean and variance of the plate, one frame after the other.

use super::plane::{Plane, Sample, View};

/// Gathers mean and variance of the frames of a plate, pixel by pixel.
///
/// The first frame is taken off all others, so that the sums stay small and exact enough in
/// single precision. Twelve bytes a pixel, whatever the length.
#[derive(Debug, Clone, Default)]
pub struct PlateSum {
    width: usize,
    height: usize,
    frames: u32,
    first: Vec<f32>,
    sum: Vec<f32>,
    squares: Vec<f32>,
}

impl PlateSum {
    /// Begins with no frame.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a frame; false, and nothing added, if it is not of the size of the first.
    pub fn add<S: Sample>(&mut self, frame: View<'_, S>) -> bool {
        if self.frames == 0 {
            (self.width, self.height) = (frame.width(), frame.height());
            self.first = frame.data().iter().map(|sample| sample.value()).collect();
            self.sum = vec![0.0; self.first.len()];
            self.squares = vec![0.0; self.first.len()];
        }
        if (frame.width(), frame.height()) != (self.width, self.height) {
            return false;
        }
        let sums = self.sum.iter_mut().zip(&mut self.squares);
        for ((sample, first), (sum, square)) in frame.data().iter().zip(&self.first).zip(sums) {
            let off = sample.value() - first;
            *sum += off;
            *square += off * off;
        }
        self.frames += 1;
        true
    }

    /// Returns the number of frames added.
    pub fn frames(&self) -> u32 {
        self.frames
    }

    /// Returns the mean, in codes; `None` before the first frame.
    pub fn mean(&self) -> Option<Plane> {
        let share = 1.0 / self.frames as f32;
        let data = self.first.iter().zip(&self.sum).map(|(first, sum)| first + sum * share);
        (self.frames > 0).then(|| self.plane(data.collect()))
    }

    /// Returns the variance over time of each pixel, in squared codes (n - 1 in the
    /// denominator); `None` before the second frame.
    pub fn variance(&self) -> Option<Plane> {
        let (frames, share) = (self.frames as f32, 1.0 / (self.frames as f32 - 1.0));
        let sums = self.sum.iter().zip(&self.squares);
        let data = sums.map(|(sum, square)| ((square - sum * sum / frames) * share).max(0.0));
        (self.frames > 1).then(|| self.plane(data.collect()))
    }

    fn plane(&self, data: Vec<f32>) -> Plane {
        Plane { width: self.width, height: self.height, data }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The plain way: all frames kept, two passes in double precision.
    fn plain(frames: &[Vec<u16>], pixel: usize) -> (f64, f64) {
        let n = frames.len() as f64;
        let mean = frames.iter().map(|frame| f64::from(frame[pixel])).sum::<f64>() / n;
        let squares = frames.iter().map(|frame| (f64::from(frame[pixel]) - mean).powi(2));
        (mean, squares.sum::<f64>() / (n - 1.0))
    }

    #[test]
    fn mean_and_variance_agree_with_the_plain_two_passes() {
        let frames: Vec<Vec<u16>> = (0..200_u32)
            .map(|t| (0..12_u32).map(move |p| (p * 5000 + (t * 7919 + p * 104_729) % 211) as u16))
            .map(Iterator::collect)
            .collect();
        let mut sum = PlateSum::new();
        for frame in &frames {
            assert!(sum.add(View::new(4, 3, frame).unwrap()));
        }
        assert!(!sum.add(View::new(3, 4, &frames[0]).unwrap()));
        let (mean, variance) = (sum.mean().unwrap(), sum.variance().unwrap());
        for pixel in 0..12 {
            let (exact_mean, exact_variance) = plain(&frames, pixel);
            assert!((f64::from(mean.data[pixel]) - exact_mean).abs() < 0.01);
            assert!((f64::from(variance.data[pixel]) / exact_variance - 1.0).abs() < 1e-3);
        }
    }
}
