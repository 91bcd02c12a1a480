//! Sets of pixels: the boom, the actors, the patch.

/// A set of pixels of a plane, one bit each, rows padded to whole words.
#[derive(Debug, Clone, PartialEq, Eq, Default, serde::Serialize, serde::Deserialize)]
pub struct Mask {
    width: usize,
    height: usize,
    words: usize,
    bits: Vec<u64>,
}

impl Mask {
    /// Makes an empty set for a plane of this size.
    pub fn new(width: usize, height: usize) -> Self {
        let words = width.div_ceil(64);
        Self { width, height, words, bits: vec![0; words.saturating_mul(height)] }
    }

    /// Makes the set of the pixels for which `holds(x, y)` is true.
    pub fn from_fn(width: usize, height: usize, holds: impl Fn(usize, usize) -> bool) -> Self {
        let mut mask = Self::new(width, height);
        let words = mask.words.max(1);
        for (y, row) in mask.bits.chunks_exact_mut(words).enumerate() {
            for (at, word) in row.iter_mut().enumerate() {
                let from = at * 64;
                for x in from..(from + 64).min(width) {
                    *word |= u64::from(holds(x, y)) << (x - from);
                }
            }
        }
        mask
    }

    /// Returns the width of the plane in pixels.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Returns the height of the plane in pixels.
    pub fn height(&self) -> usize {
        self.height
    }

    /// Tells whether a pixel is in the set; pixels outside the plane are not.
    pub fn has(&self, x: usize, y: usize) -> bool {
        x < self.width && y < self.height && self.bits[y * self.words + x / 64] >> (x % 64) & 1 == 1
    }

    /// Adds a pixel; one outside the plane is ignored.
    pub fn set(&mut self, x: usize, y: usize) {
        if x < self.width && y < self.height {
            self.bits[y * self.words + x / 64] |= 1 << (x % 64);
        }
    }

    /// Takes a pixel out.
    pub fn clear(&mut self, x: usize, y: usize) {
        if x < self.width && y < self.height {
            self.bits[y * self.words + x / 64] &= !(1 << (x % 64));
        }
    }

    /// Returns the number of pixels in the set.
    pub fn count(&self) -> usize {
        self.bits.iter().map(|word| word.count_ones() as usize).sum()
    }

    /// Tells whether the set is empty.
    pub fn is_empty(&self) -> bool {
        self.bits.iter().all(|word| *word == 0)
    }

    /// Adds every pixel of another set of one size; another size adds nothing.
    pub fn add(&mut self, other: &Mask) {
        self.join(other, |own, other| own | other);
    }

    /// Takes every pixel of another set of one size out.
    pub fn take(&mut self, other: &Mask) {
        self.join(other, |own, other| own & !other);
    }

    /// Keeps only pixels that are also in another set of one size.
    pub fn keep(&mut self, other: &Mask) {
        self.join(other, |own, other| own & other);
    }

    /// Tells whether two sets of one size share a pixel.
    pub fn meets(&self, other: &Mask) -> bool {
        self.is_like(other) && self.bits.iter().zip(&other.bits).any(|(a, b)| a & b != 0)
    }

    /// Tells whether a rectangle holds a pixel of the set.
    pub fn meets_rectangle(&self, x: std::ops::Range<usize>, y: std::ops::Range<usize>) -> bool {
        let (from, to) = (x.start, x.end.min(self.width));
        if from >= to {
            return false;
        }
        (y.start..y.end.min(self.height)).any(|row| {
            (from / 64..=(to - 1) / 64).any(|word| {
                let low = if word == from / 64 { u64::MAX << (from % 64) } else { u64::MAX };
                let high =
                    if word == (to - 1) / 64 { u64::MAX >> (63 - (to - 1) % 64) } else { u64::MAX };
                self.bits[row * self.words + word] & low & high != 0
            })
        })
    }

    /// Returns the pixels that are not in the set.
    pub fn inverted(&self) -> Mask {
        let mut mask = self.clone();
        // Bits past the width stay empty.
        let last = match self.width % 64 {
            0 => u64::MAX,
            rest => (1 << rest) - 1,
        };
        for row in mask.bits.chunks_exact_mut(self.words.max(1)) {
            row.iter_mut().for_each(|word| *word = !*word);
            if let Some(word) = row.last_mut() {
                *word &= last;
            }
        }
        mask
    }

    /// Returns the pixels of the set in reading order, `(x, y)`.
    pub fn pixels(&self) -> impl Iterator<Item = (usize, usize)> + '_ {
        (0..self.height).flat_map(move |y| self.row(y).map(move |x| (x, y)))
    }

    fn row(&self, y: usize) -> impl Iterator<Item = usize> + '_ {
        let words = &self.bits[y * self.words..(y + 1) * self.words];
        words.iter().enumerate().flat_map(|(at, word)| {
            let mut left = *word;
            std::iter::from_fn(move || {
                (left != 0).then(|| {
                    let bit = left.trailing_zeros() as usize;
                    left &= left - 1;
                    at * 64 + bit
                })
            })
        })
    }

    /// Returns the smallest rectangle that holds the set, `(left, top, right, bottom)`, ends
    /// exclusive; `None` if the set is empty.
    pub fn bounds(&self) -> Option<(usize, usize, usize, usize)> {
        self.pixels().fold(None, |bounds, (x, y)| {
            let (left, top, right, bottom) = bounds.unwrap_or((x, y, x + 1, y + 1));
            Some((left.min(x), top.min(y), right.max(x + 1), bottom.max(y + 1)))
        })
    }

    /// Returns the set grown by a square of `by` pixels to each side.
    pub fn grown(&self, by: usize) -> Mask {
        let mut wide = Mask::new(self.width, self.height);
        for y in 0..self.height {
            for x in self.row(y) {
                for at in x.saturating_sub(by)..(x + by + 1).min(self.width) {
                    wide.set(at, y);
                }
            }
        }
        let mut grown = Mask::new(self.width, self.height);
        for y in 0..self.height {
            let rows = y.saturating_sub(by)..(y + by + 1).min(self.height);
            for row in rows {
                for word in 0..self.words {
                    grown.bits[y * self.words + word] |= wide.bits[row * self.words + word];
                }
            }
        }
        grown
    }

    /// Returns the words of the rows, for storage: `height` rows of `ceil(width / 64)`.
    pub fn words(&self) -> &[u64] {
        &self.bits
    }

    /// Makes a set from stored words; `None` if their number does not fit the size.
    pub fn from_words(width: usize, height: usize, bits: Vec<u64>) -> Option<Mask> {
        let words = width.div_ceil(64);
        (words.checked_mul(height) == Some(bits.len())).then_some(Mask {
            width,
            height,
            words,
            bits,
        })
    }

    fn is_like(&self, other: &Mask) -> bool {
        (self.width, self.height) == (other.width, other.height)
    }

    fn join(&mut self, other: &Mask, with: impl Fn(u64, u64) -> u64) {
        if self.is_like(other) {
            for (own, other) in self.bits.iter_mut().zip(&other.bits) {
                *own = with(*own, *other);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dots(at: &[(usize, usize)]) -> Mask {
        let mut mask = Mask::new(130, 5);
        at.iter().for_each(|(x, y)| mask.set(*x, *y));
        mask
    }

    #[test]
    fn pixels_come_back_in_reading_order() {
        let mask = dots(&[(129, 4), (0, 0), (64, 2), (63, 2), (130, 0), (0, 5)]);
        assert_eq!(mask.pixels().collect::<Vec<_>>(), [(0, 0), (63, 2), (64, 2), (129, 4)]);
        assert_eq!((mask.count(), mask.bounds()), (4, Some((0, 0, 130, 5))));
        assert_eq!(Mask::from_words(130, 5, mask.words().to_vec()), Some(mask));
    }

    #[test]
    fn growing_is_a_square_that_stops_at_the_edges() {
        let grown = dots(&[(0, 0), (66, 3)]).grown(2);
        let plain = Mask::from_fn(130, 5, |x, y| {
            (x <= 2 && y <= 2) || ((64..=68).contains(&x) && (1..5).contains(&y))
        });
        assert_eq!(grown, plain);
    }

    #[test]
    fn a_rectangle_meets_the_set_where_it_holds_one_of_its_pixels() {
        let mask = dots(&[(63, 1), (64, 2), (129, 4)]);
        for (x, y) in [(0..63, 0..5), (65..129, 0..5), (63..64, 2..5), (64..65, 0..2), (7..7, 0..5)]
        {
            assert!(!mask.meets_rectangle(x, y));
        }
        for (x, y) in [(0..64, 0..5), (60..70, 2..3), (129..400, 3..9), (0..130, 1..2)] {
            assert!(mask.meets_rectangle(x, y));
        }
    }

    #[test]
    fn sets_of_other_sizes_change_nothing() {
        let mut mask = dots(&[(1, 1)]);
        mask.add(&Mask::from_fn(5, 130, |_, _| true));
        assert_eq!(mask, dots(&[(1, 1)]));
        assert!(mask.meets(&dots(&[(1, 1)])) && !mask.meets(&dots(&[(1, 2)])));
        assert_eq!(mask.inverted().count(), 130 * 5 - 1);
    }
}
