//! Planes of luma, and the parts of them that are left out.

use super::mask::Mask;
use std::ops::Range;

/// A sample of a plane.
pub trait Sample: Copy {
    /// Returns the sample as a number, in codes.
    fn value(self) -> f32;
}

impl Sample for f32 {
    #[inline]
    fn value(self) -> f32 {
        self
    }
}

impl Sample for u16 {
    #[inline]
    fn value(self) -> f32 {
        f32::from(self)
    }
}

impl Sample for u8 {
    #[inline]
    fn value(self) -> f32 {
        f32::from(self)
    }
}

/// A borrowed plane, row-major `[y][x]`.
#[derive(Debug, Clone, Copy)]
pub struct View<'a, S> {
    width: usize,
    height: usize,
    data: &'a [S],
}

impl<'a, S: Sample> View<'a, S> {
    /// Looks at `data` as a plane; `None` unless it holds exactly `width * height` samples.
    pub fn new(width: usize, height: usize, data: &'a [S]) -> Option<Self> {
        (width.checked_mul(height) == Some(data.len())).then_some(Self { width, height, data })
    }

    /// Returns the width in pixels.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Returns the height in pixels.
    pub fn height(&self) -> usize {
        self.height
    }

    /// Returns all samples.
    pub fn data(&self) -> &'a [S] {
        self.data
    }

    /// Returns `count` samples of row `y` from column `x`; `None` where they leave the plane.
    #[inline]
    pub fn run(&self, x: usize, y: usize, count: usize) -> Option<&'a [S]> {
        if y >= self.height || x.checked_add(count)? > self.width {
            return None;
        }
        let at = y * self.width + x;
        self.data.get(at..at + count)
    }

    /// Averages blocks of `by` times `by` pixels; what does not fill a block is left off.
    pub fn reduced(&self, by: usize) -> Plane {
        let by = by.max(1);
        let (width, height) = (self.width / by, self.height / by);
        let mut data = vec![0.0_f32; width * height];
        let share = 1.0 / (by * by) as f32;
        for (y, out) in data.chunks_exact_mut(width.max(1)).enumerate() {
            for row in 0..by {
                let from = self.run(0, y * by + row, width * by).unwrap_or(&[]);
                for (value, block) in out.iter_mut().zip(from.chunks_exact(by)) {
                    *value += block.iter().map(|sample| sample.value()).sum::<f32>();
                }
            }
            out.iter_mut().for_each(|value| *value *= share);
        }
        Plane { width, height, data }
    }
}

/// An owned plane of luma in codes, row-major `[y][x]`.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct Plane {
    /// Width in pixels.
    pub width: usize,
    /// Height in pixels.
    pub height: usize,
    /// `width * height` samples.
    pub data: Vec<f32>,
}

impl Plane {
    /// Looks at the plane; `None` if `data` does not fit width and height.
    pub fn view(&self) -> Option<View<'_, f32>> {
        View::new(self.width, self.height, &self.data)
    }
}

/// Pixels a measure must not look at: mattes, burn-ins, the boom's region.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Excluded {
    width: usize,
    height: usize,
    out: Vec<bool>,
}

impl Excluded {
    /// Leaves out nothing of a plane of this size.
    pub fn nothing(width: usize, height: usize) -> Self {
        Self { width, height, out: vec![false; width.saturating_mul(height)] }
    }

    /// Leaves out a rectangle as well; what lies outside the plane is ignored.
    pub fn rectangle(&mut self, x: Range<usize>, y: Range<usize>) {
        let (from, to) = (x.start.min(self.width), x.end.min(self.width));
        for row in y.start.min(self.height)..y.end.min(self.height) {
            self.out[row * self.width + from..row * self.width + to.max(from)].fill(true);
        }
    }

    /// Leaves out the pixels of a set as well; a set of another size changes nothing.
    pub fn mask(&mut self, mask: &Mask) {
        if (mask.width(), mask.height()) == (self.width, self.height) {
            mask.pixels().for_each(|(x, y)| self.pixel(x, y));
        }
    }

    /// Leaves out one pixel as well.
    pub fn pixel(&mut self, x: usize, y: usize) {
        self.rectangle(x..x.saturating_add(1), y..y.saturating_add(1));
    }

    /// Tells whether every pixel of a rectangle may be looked at.
    pub fn is_free(&self, x: Range<usize>, y: Range<usize>) -> bool {
        let (from, to) = (x.start.min(self.width), x.end.min(self.width));
        (y.start.min(self.height)..y.end.min(self.height))
            .all(|row| !self.out[row * self.width + from..row * self.width + to].contains(&true))
    }

    /// Leaves out each block of `by` times `by` pixels that holds a pixel left out here.
    pub(super) fn reduced(&self, by: usize) -> Self {
        let by = by.max(1);
        let mut small = Self::nothing(self.width / by, self.height / by);
        for y in 0..small.height {
            for x in 0..small.width {
                let free = self.is_free(x * by..(x + 1) * by, y * by..(y + 1) * by);
                small.out[y * small.width + x] = !free;
            }
        }
        small
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_view_needs_as_many_samples_as_it_has_pixels() {
        assert!(View::new(3, 2, &[0_u16; 6]).is_some());
        assert!(View::new(3, 2, &[0_u16; 5]).is_none());
        assert!(View::new(usize::MAX, 2, &[0_u16; 5]).is_none());
    }

    #[test]
    fn blocks_are_averaged_and_rests_left_off() {
        let data: Vec<u16> = (0..15).collect();
        let view = View::new(5, 3, &data).unwrap();
        let small = view.reduced(2);
        assert_eq!((small.width, small.height), (2, 1));
        assert_eq!(small.data, [3.0, 5.0]);
    }

    #[test]
    fn the_pixels_of_a_mask_are_left_out() {
        let mut out = Excluded::nothing(10, 10);
        out.mask(&Mask::from_fn(10, 10, |x, y| x == 3 && y > 5));
        assert!(out.is_free(0..3, 0..10) && out.is_free(3..4, 0..6) && !out.is_free(3..4, 5..7));
        out.mask(&Mask::from_fn(9, 10, |_, _| true));
        assert!(out.is_free(0..3, 0..10));
    }

    #[test]
    fn rectangles_outside_the_plane_are_ignored() {
        let mut out = Excluded::nothing(10, 10);
        out.rectangle(8..20, 8..20);
        assert!(out.is_free(0..8, 0..10) && !out.is_free(0..9, 0..10));
        assert!(!out.reduced(5).is_free(1..2, 1..2) && out.reduced(5).is_free(0..1, 0..2));
    }
}
