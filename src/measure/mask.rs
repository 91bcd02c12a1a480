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
        let last = self.last_bits();
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
        let mut wide = self.clone();
        let last = self.last_bits();
        for row in wide.bits.chunks_exact_mut(self.words.max(1)) {
            (0..by).for_each(|_| widen(row, last));
        }
        let mut grown = wide.clone();
        let words = self.words;
        for y in 0..self.height {
            for row in y.saturating_sub(by)..(y + by + 1).min(self.height) {
                for word in 0..words {
                    grown.bits[y * words + word] |= wide.bits[row * words + word];
                }
            }
        }
        grown
    }

    /// Returns the pixels farther than a square of `by` pixels from every pixel that is not
    /// in the set; what lies outside the plane takes nothing.
    pub fn shrunk(&self, by: usize) -> Mask {
        self.inverted().grown(by).inverted()
    }

    /// Returns the set on a plane of another size: each pixel is on if the one it lies in is.
    pub fn scaled(&self, width: usize, height: usize) -> Mask {
        Mask::from_fn(width, height, |x, y| {
            self.has(x * self.width / width, y * self.height / height)
        })
    }

    /// Returns the set on a plane twice as large: two by two pixels for each.
    pub fn doubled(&self) -> Mask {
        let mut large = Mask::new(2 * self.width, 2 * self.height);
        for y in 0..self.height {
            let rows = &mut large.bits[2 * y * large.words..(2 * y + 2) * large.words];
            let (upper, lower) = rows.split_at_mut(large.words);
            for (at, word) in upper.iter_mut().enumerate() {
                let half = self.bits[y * self.words + at / 2] >> (32 * (at % 2)) & 0xffff_ffff;
                *word = spread(half) * 3;
            }
            lower.copy_from_slice(upper);
        }
        large
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

    /// The bits of the last word of a row that are pixels: those past the width stay empty.
    fn last_bits(&self) -> u64 {
        match self.width % 64 {
            0 => u64::MAX,
            rest => (1 << rest) - 1,
        }
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

/// Grows the bits of a row by one to each side.
fn widen(row: &mut [u64], last: u64) {
    let mut before = 0;
    for at in 0..row.len() {
        let own = row[at];
        let after = row.get(at + 1).map_or(0, |word| word << 63);
        row[at] = own | own << 1 | before >> 63 | own >> 1 | after;
        before = own;
    }
    if let Some(word) = row.last_mut() {
        *word &= last;
    }
}

/// Spreads 32 bits over the even places of 64.
fn spread(half: u64) -> u64 {
    let steps = [
        (16, 0x0000_ffff_0000_ffff),
        (8, 0x00ff_00ff_00ff_00ff),
        (4, 0x0f0f_0f0f_0f0f_0f0f),
        (2, 0x3333_3333_3333_3333),
        (1, 0x5555_5555_5555_5555),
    ];
    steps.into_iter().fold(half, |bits, (by, keep)| (bits | bits << by) & keep)
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
    fn shrinking_keeps_what_touches_the_edge_of_the_plane_and_doubling_makes_four_of_one() {
        let mask = Mask::from_fn(130, 40, |x, y| x > 90 && y < 20 || (x * 7 + y * 3) % 11 < 5);
        let plain = Mask::from_fn(130, 40, |x, y| {
            (y.saturating_sub(2)..(y + 3).min(40))
                .all(|row| (x.saturating_sub(2)..(x + 3).min(130)).all(|at| mask.has(at, row)))
        });
        assert_eq!(mask.shrunk(2), plain);
        assert!(plain.has(129, 0) && !plain.has(93, 17 + 3));
        let large = Mask::from_fn(260, 80, |x, y| mask.has(x / 2, y / 2));
        assert_eq!(mask.doubled(), large);
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
