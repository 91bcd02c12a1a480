//! The part of the masks a divider needs: round the boom, as far as the nearest actor.

use crate::measure::Mask;

/// A rectangle of a mask. Its left side is that of a word, so that parts are copied whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Window {
    pub(super) left: usize,
    pub(super) top: usize,
    right: usize,
    bottom: usize,
    full: (usize, usize),
}

impl Window {
    /// The bounds of a set, grown at least by so many pixels; all of it if it is empty.
    pub(super) fn round(set: &Mask, by: usize) -> Window {
        let full = (set.width(), set.height());
        let (left, top, right, bottom) = set.bounds().unwrap_or((0, 0, full.0, full.1));
        Window {
            left: left.saturating_sub(by) / 64 * 64,
            top: top.saturating_sub(by),
            right: (right + by).min(full.0),
            bottom: (bottom + by).min(full.1),
            full,
        }
    }

    /// Returns its width and height.
    pub(super) fn size(&self) -> (usize, usize) {
        (self.right - self.left, self.bottom - self.top)
    }

    /// Tells whether nothing of the mask lies outside.
    pub(super) fn is_all(&self) -> bool {
        (self.left, self.top) == (0, 0) && (self.right, self.bottom) == self.full
    }

    /// Tells whether a pixel of the mask lies in it, `by` pixels from all sides that are not
    /// those of the mask.
    pub(super) fn holds(&self, x: usize, y: usize, by: usize) -> bool {
        let within = |at: usize, low: usize, high: usize, end: usize| {
            (low == 0 || at >= low + by) && (high == end || at + by < high)
        };
        within(x, self.left, self.right, self.full.0)
            && within(y, self.top, self.bottom, self.full.1)
    }

    /// Copies its part of a mask.
    pub(super) fn of(&self, mask: &Mask) -> Mask {
        let (width, height) = self.size();
        let (from, words) = (mask.width().div_ceil(64), width.div_ceil(64));
        let last = if width.is_multiple_of(64) { u64::MAX } else { (1 << (width % 64)) - 1 };
        let mut bits = Vec::with_capacity(words * height);
        for y in self.top..self.bottom {
            let start = y * from + self.left / 64;
            bits.extend_from_slice(&mask.words()[start..start + words]);
            if let Some(word) = bits.last_mut().filter(|_| words > 0) {
                *word &= last;
            }
        }
        Mask::from_words(width, height, bits).unwrap_or_default()
    }

    /// Puts a part back into an empty mask of the full size.
    pub(super) fn placed(&self, part: &Mask) -> Mask {
        let (words, own) = (self.full.0.div_ceil(64), part.width().div_ceil(64));
        let mut bits = vec![0; words * self.full.1];
        for (y, row) in part.words().chunks_exact(own.max(1)).enumerate() {
            let start = (self.top + y) * words + self.left / 64;
            bits[start..start + own].copy_from_slice(row);
        }
        Mask::from_words(self.full.0, self.full.1, bits).unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_is_copied_and_put_back() {
        let mask = Mask::from_fn(300, 90, |x, y| (x * 31 + y * 17) % 13 < 4);
        let set = Mask::from_fn(300, 90, |x, y| (150..210).contains(&x) && (20..40).contains(&y));
        let window = Window::round(&set, 9);
        let part = window.of(&mask);
        assert_eq!((window.left, window.top, part.width(), part.height()), (128, 11, 91, 38));
        let plain = Mask::from_fn(91, 38, |x, y| mask.has(x + 128, y + 11));
        assert_eq!(part, plain);
        let back = window.placed(&part);
        let kept = |x: usize, y: usize| mask.has(x, y) && window.holds(x, y, 0);
        assert_eq!(back, Mask::from_fn(300, 90, kept));
        assert!(!window.holds(130, 30, 4) && window.holds(132, 30, 4) && !window.is_all());
        assert!(Window::round(&set, 400).is_all() && Window::round(&Mask::new(9, 9), 0).is_all());
    }
}
