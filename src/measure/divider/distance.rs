//! Euclidean distances to a set of pixels, exact.
//!
//! Points are in pixels of the mask: the pixel in column x and row y is the square from
//! `(x, y)` to `(x + 1, y + 1)`, its centre at `(x + .5, y + .5)`.

use crate::measure::{Mask, Plane};

/// Measures for every pixel how far its centre is from the nearest centre in the set, in
/// pixels; infinite everywhere if the set is empty.
///
/// Two passes, the second with the lower envelope of parabolas. Source: Felzenszwalb &
/// Huttenlocher, Distance Transforms of Sampled Functions, Theory of Computing 8 (2012).
pub fn distances(set: &Mask) -> Plane {
    let (width, height) = (set.width(), set.height());
    let mut data = vec![f32::INFINITY; width * height];
    down_columns(set, &mut data);
    let mut envelope = Envelope::default();
    for row in data.chunks_exact_mut(width.max(1)) {
        envelope.lower(row);
    }
    Plane { width, height, data }
}

/// Leaves in each pixel the distance to the nearest pixel of its column.
fn down_columns(set: &Mask, data: &mut [f32]) {
    let (width, height) = (set.width(), set.height());
    let mut last = vec![f32::INFINITY; width];
    for back in [false, true] {
        last.fill(f32::INFINITY);
        for at in 0..height {
            let y = if back { height - 1 - at } else { at };
            let row = &mut data[y * width..(y + 1) * width];
            for (x, (value, last)) in row.iter_mut().zip(&mut last).enumerate() {
                *last = if set.has(x, y) { 0.0 } else { *last + 1.0 };
                *value = value.min(*last);
            }
        }
    }
}

/// The lower envelope of the parabolas over one row.
#[derive(Default)]
struct Envelope {
    apexes: Vec<(f64, f64)>,
    starts: Vec<f64>,
}

impl Envelope {
    fn lower(&mut self, row: &mut [f32]) {
        self.apexes.clear();
        self.starts.clear();
        for (x, height) in row.iter().enumerate().filter(|(_, height)| height.is_finite()) {
            self.add(x as f64, f64::from(*height) * f64::from(*height));
        }
        if self.apexes.is_empty() {
            return;
        }
        let mut at = 0;
        for (x, value) in row.iter_mut().enumerate() {
            let x = x as f64;
            while self.starts.get(at + 1).is_some_and(|start| *start < x) {
                at += 1;
            }
            let (apex, height) = self.apexes[at];
            *value = ((x - apex) * (x - apex) + height).sqrt() as f32;
        }
    }

    fn add(&mut self, x: f64, height: f64) {
        while let (Some((apex, low)), Some(start)) = (self.apexes.last(), self.starts.last()) {
            let meet = (height + x * x - low - apex * apex) / (2.0 * (x - apex));
            if meet > *start {
                self.apexes.push((x, height));
                self.starts.push(meet);
                return;
            }
            self.apexes.pop();
            self.starts.pop();
        }
        self.apexes.push((x, height));
        self.starts.push(f64::NEG_INFINITY);
    }
}

/// Answers how far any point is from a set whose pixels stand for cells of a finer raster.
///
/// A mask pixel of `scale` source pixels tells only that some source pixel in it is meant.
/// And its mean decided, so beside it up to half a pixel of the mask may hold source pixels
/// above the threshold. So it counts as the square that holds the centres of all of them,
/// `half` to each side of its own centre: no distance is larger than the one between the
/// source pixels.
#[derive(Debug)]
pub(super) struct Cells<'a> {
    set: &'a Mask,
    near: Plane,
    filled: Vec<bool>,
    empty: bool,
    /// Half the side of the square, in mask pixels; 0 where both rasters are the same.
    pub(super) half: f64,
}

/// Returns half the side of the square of source pixel centres a mask pixel stands for, in
/// pixels of the mask: 0 where both rasters are the same.
pub(super) fn half_cell(scale: f64) -> f64 {
    let inside = (scale - 1.0) / 2.0;
    let beside = (scale / 2.0).floor();
    ((inside + beside) / scale).max(0.0)
}

/// The same of a mask whose outlines were looked at with their surroundings: nothing beside
/// its pixels is meant.
pub(super) fn half_inside(scale: f64) -> f64 {
    ((scale - 1.0) / 2.0 / scale).max(0.0)
}

impl<'a> Cells<'a> {
    pub(super) fn new(set: &'a Mask, half: f64) -> Self {
        let words = set.width().div_ceil(64);
        let rows = set.words().chunks_exact(words.max(1));
        let filled: Vec<bool> = rows.map(|row| row.iter().any(|word| *word != 0)).collect();
        let empty = !filled.contains(&true);
        Self { set, near: distances(set), filled, empty, half }
    }

    /// Distance between centres at a pixel.
    pub(super) fn near(&self, x: usize, y: usize) -> f64 {
        f64::from(self.near.data[y * self.near.width + x])
    }

    pub(super) fn is_empty(&self) -> bool {
        self.empty
    }

    /// Returns the distance of a point inside the frame, or on its edge, to the nearest
    /// square; infinite if the set is empty.
    pub(super) fn distance(&self, point: [f64; 2]) -> f64 {
        self.distance_with(point, self.half)
    }

    /// The same up to `cap`, beyond which it is not looked for.
    pub(super) fn distance_up_to(&self, point: [f64; 2], cap: f64) -> f64 {
        let (column, row, off) = self.node(point);
        // Off by the way to the node's centre and half the diagonal of a square.
        if self.is_empty() || self.near(column, row) - off - self.half * 2.0_f64.sqrt() >= cap {
            return cap;
        }
        self.distance(point).min(cap)
    }

    /// The pixel a point lies in, and how far it is from its centre.
    fn node(&self, [px, py]: [f64; 2]) -> (usize, usize, f64) {
        let (width, height) = (self.set.width(), self.set.height());
        let column = (px.max(0.0) as usize).min(width - 1);
        let row = (py.max(0.0) as usize).min(height - 1);
        (column, row, (px - column as f64 - 0.5).hypot(py - row as f64 - 0.5))
    }

    /// The same with squares of another size: twice the half measures from square to square.
    pub(super) fn distance_with(&self, [px, py]: [f64; 2], half: f64) -> f64 {
        if self.is_empty() {
            return f64::INFINITY;
        }
        let height = self.set.height();
        let (column, row, off) = self.node([px, py]);
        let mut best = self.near(column, row) + off + 1e-3;
        let mut best_squared = best * best;
        for step in 0..height {
            let gap = (step as f64 - 1.0 - half).max(0.0);
            if gap > best {
                break;
            }
            let rows = [row.checked_sub(step), (step > 0).then_some(row + step)];
            for y in rows.into_iter().flatten().filter(|y| *y < height && self.filled[*y]) {
                let down = ((py - y as f64 - 0.5).abs() - half).max(0.0);
                if down >= best {
                    continue;
                }
                let across = self.across(column, y, px, half);
                let squared = across * across + down * down;
                if squared < best_squared {
                    best_squared = squared;
                    best = squared.sqrt();
                }
            }
        }
        best
    }

    /// Distance along a row to the nearest square in it.
    fn across(&self, column: usize, y: usize, px: f64, half: f64) -> f64 {
        let words = self.set.width().div_ceil(64);
        let row = &self.set.words()[y * words..(y + 1) * words];
        let (left, right) = neighbours(row, column);
        let gap = |x: usize| ((px - x as f64 - 0.5).abs() - half).max(0.0);
        let left = left.map_or(f64::INFINITY, gap);
        right.map_or(f64::INFINITY, gap).min(left)
    }
}

/// The nearest set bits of a row at or before, and at or after, a column.
fn neighbours(row: &[u64], column: usize) -> (Option<usize>, Option<usize>) {
    let (word, bit) = (column / 64, column % 64);
    let upto = u64::MAX >> (63 - bit);
    let from = u64::MAX << bit;
    let left = (0..=word).rev().find_map(|at| {
        let bits = row[at] & if at == word { upto } else { u64::MAX };
        (bits != 0).then(|| at * 64 + 63 - bits.leading_zeros() as usize)
    });
    let right = (word..row.len()).find_map(|at| {
        let bits = row[at] & if at == word { from } else { u64::MAX };
        (bits != 0).then(|| at * 64 + bits.trailing_zeros() as usize)
    });
    (left, right)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scattered(width: usize, height: usize, every: u64, seed: u64) -> Mask {
        let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
        let mut mask = Mask::new(width, height);
        for y in 0..height {
            for x in 0..width {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                if (state >> 33).is_multiple_of(every) {
                    mask.set(x, y);
                }
            }
        }
        mask
    }

    fn plain(set: &Mask, [px, py]: [f64; 2], half: f64) -> f64 {
        let gap = |a: f64, b: usize| ((a - b as f64 - 0.5).abs() - half).max(0.0);
        set.pixels().map(|(x, y)| gap(px, x).hypot(gap(py, y))).fold(f64::INFINITY, f64::min)
    }

    #[test]
    fn the_envelope_agrees_with_trying_every_pixel() {
        for seed in 0..12 {
            let set = scattered(150 - seed as usize, 31, 3 + 60 * seed, seed);
            let fast = distances(&set);
            for y in 0..set.height() {
                for x in 0..set.width() {
                    let exact = plain(&set, [x as f64 + 0.5, y as f64 + 0.5], 0.0);
                    let found = f64::from(fast.data[y * fast.width + x]);
                    assert!(found == exact || (found - exact).abs() < 1e-4, "{found} {exact}");
                }
            }
        }
    }

    #[test]
    fn squares_agree_with_trying_every_square() {
        for seed in 0..12_u64 {
            let set = scattered(140, 40, 200 + 100 * seed, seed + 5);
            for half in [0.0, 0.25, 0.375, 0.75] {
                let cells = Cells::new(&set, half);
                for at in 0..400 {
                    let point = [f64::from(at * 37 % 1400) / 10.0, f64::from(at * 91 % 400) / 10.0];
                    let (found, exact) = (cells.distance(point), plain(&set, point, half));
                    assert!(found == exact || (found - exact).abs() < 1e-9, "{found} {exact}");
                }
            }
        }
    }

    #[test]
    fn an_empty_set_is_nowhere() {
        let set = Mask::new(70, 3);
        assert!(distances(&set).data.iter().all(|value| value.is_infinite()));
        assert!(Cells::new(&set, 0.0).distance([3.0, 1.0]).is_infinite());
    }
}
