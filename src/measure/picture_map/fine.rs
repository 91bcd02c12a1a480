//! The fit of scale and offset to a fraction of a pixel.

use super::even::even;
use super::{LEAST_OVERLAP, PictureMap};
use crate::measure::small::inverse;
use crate::measure::{Excluded, Plane};

/// Rounds of Gauss-Newton at most.
const ROUNDS: usize = 30;

/// Ends the rounds, in pixels of the level at the picture's corner.
const STILL: f64 = 2e-4;

/// Tukey's constant: 95 % efficient on normal residuals (Beaton & Tukey 1974).
const TUKEY: f64 = 4.685;

/// Side of the blocks by which a picture is halved, in proxy pixels.
const BLOCK: usize = 48;

/// Which blocks of a picture are looked at.
pub(super) type Part = Option<usize>;

/// All of them.
pub(super) const ALL: Part = None;

/// Every other one, like the fields of a chessboard.
pub(super) const HALVES: [Part; 2] = [Some(0), Some(1)];

/// A fit.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fit {
    pub map: PictureMap,
    pub likeness: f64,
}

/// Proxy and original at one size.
pub(super) struct Level<'a> {
    /// Proxy pixels for one of this level.
    by: usize,
    proxy: Plane,
    free: Vec<bool>,
    original: &'a Plane,
}

impl<'a> Level<'a> {
    /// Averages `by` times `by` pixels of the proxy into one.
    pub fn new(
        proxy: &Plane,
        left_out: Option<&Excluded>,
        original: &'a Plane,
        by: usize,
    ) -> Option<Level<'a>> {
        let reduced = proxy.view()?.reduced(by);
        let free = (0..reduced.data.len()).map(|at| {
            let (x, y) = (at % reduced.width * by, at / reduced.width * by);
            left_out.is_none_or(|out| out.is_free(x..x + by, y..y + by))
        });
        Some(Level { by, free: free.collect(), proxy: reduced, original })
    }

    /// Fits the map from a start; `None` if too little of the picture is seen in both.
    pub fn fit(&self, start: &PictureMap, part: Part) -> Option<Fit> {
        let (reduced, times) = self.reduced_original(start);
        let mut map = *start;
        let mut likeness = 0.0;
        for _ in 0..ROUNDS {
            let (next, like) = self.step(&map, (&reduced, times), part)?;
            likeness = like;
            let moved = next.apart(&map, self.size()) / (map.scale[0].abs() * self.by as f64);
            map = next;
            if moved < STILL {
                break;
            }
        }
        Some(Fit { map, likeness })
    }

    /// One round: returns the next map, and how alike the pictures are under this one.
    fn step(
        &self,
        map: &PictureMap,
        (reduced, times): (&Plane, [f64; 2]),
        part: Part,
    ) -> Option<(PictureMap, f64)> {
        let (width, height) = (self.proxy.width, self.proxy.height);
        let at = |axis: usize, i: usize| {
            let in_proxy = (i as f64 + 0.5) * self.by as f64;
            (map.scale[axis] * in_proxy + map.offset[axis]) / times[axis] - 0.5
        };
        let columns: Vec<Option<Taps>> =
            (0..width).map(|x| Taps::at(at(0, x), reduced.width)).collect();
        let rows: Vec<Option<Taps>> =
            (0..height).map(|y| Taps::at(at(1, y), reduced.height)).collect();
        let mut seen = self.free.clone();
        for (y, row) in seen.chunks_exact_mut(width).enumerate() {
            for (x, seen) in row.iter_mut().enumerate() {
                *seen &= rows[y].is_some() && columns[x].is_some();
            }
        }
        let both = seen.iter().filter(|seen| **seen).count();
        let free = self.free.iter().filter(|free| **free).count();
        if (both as f64) < LEAST_OVERLAP * free as f64 || both < 64 {
            return None;
        }
        let laid = Plane { width, height, data: resampled(reduced, &columns, &rows) };
        let (ours, theirs) = (even(&self.proxy, &seen), even(&laid, &seen));
        let inside = |x: usize, y: usize| {
            let all = [(0, 0), (1, 0), (0, 1), (2, 1), (1, 2)];
            let part =
                part.is_none_or(|part| (x * self.by / BLOCK + y * self.by / BLOCK) % 2 == part);
            part && all.iter().all(|(dx, dy)| seen[(y + dy - 1) * width + x + dx - 1])
        };
        let mut residuals = Vec::with_capacity(both);
        let (mut cross, mut energy) = (0.0_f64, [0.0_f64; 2]);
        for y in 1..height.saturating_sub(1) {
            for x in 1..width - 1 {
                if inside(x, y) {
                    let at = y * width + x;
                    residuals.push((ours[at] - theirs[at]).abs());
                    cross += f64::from(ours[at] * theirs[at]);
                    energy[0] += f64::from(ours[at] * ours[at]);
                    energy[1] += f64::from(theirs[at] * theirs[at]);
                }
            }
        }
        if residuals.len() < 64 {
            return None;
        }
        let middle = residuals.len() / 2;
        let median = *residuals.select_nth_unstable_by(middle, f32::total_cmp).1;
        let limit = TUKEY * f64::from(median).max(1e-6) / 0.6745;
        // Scale and offset from the middle of the picture hang together least.
        let middle = [width as f64 / 2.0, height as f64 / 2.0];
        let mut normal = [[0.0_f64; 4]; 4];
        let mut right = [0.0_f64; 4];
        for y in 1..height - 1 {
            for x in 1..width - 1 {
                if !inside(x, y) {
                    continue;
                }
                let at = y * width + x;
                let residual = f64::from(ours[at] - theirs[at]);
                let share = residual / limit;
                if share.abs() >= 1.0 {
                    continue;
                }
                let weight = (1.0 - share * share).powi(2);
                let slope = |step: usize| {
                    let of = |plane: &[f32]| f64::from(plane[at + step] - plane[at - step]);
                    (of(&ours) + of(&theirs)) / 4.0
                };
                let (across, down) = (slope(1), slope(width));
                let (from_x, from_y) = (x as f64 + 0.5 - middle[0], y as f64 + 0.5 - middle[1]);
                let row = [across * from_x, down * from_y, across, down];
                for i in 0..4 {
                    right[i] += weight * row[i] * residual;
                    for j in 0..4 {
                        normal[i][j] += weight * row[i] * row[j];
                    }
                }
            }
        }
        let inverted = inverse(&normal)?;
        let by: [f64; 4] = std::array::from_fn(|i| (0..4).map(|j| inverted[i][j] * right[j]).sum());
        // A step of a level's pixel is `scale * by` original pixels. What is taken back from a
        // step that is too long is tried again in the next round.
        let longest = by[2].hypot(by[3]) + by[0].abs() * middle[0] + by[1].abs() * middle[1];
        let held = (2.0 / longest).min(1.0);
        let mut next = *map;
        for axis in 0..2 {
            let pixel = map.scale[axis] * self.by as f64;
            let (grown, moved) = (by[axis] * held, by[axis + 2] * held);
            next.scale[axis] += map.scale[axis] * grown;
            next.offset[axis] += pixel * (moved - grown * middle[axis]);
        }
        let whole = next.scale.iter().chain(&next.offset).all(|value| value.is_finite());
        let upright = next.scale.iter().all(|scale| *scale > 1e-3);
        let likeness = cross / (energy[0] * energy[1]).sqrt().max(f64::MIN_POSITIVE);
        (whole && upright).then_some((next, likeness))
    }

    fn size(&self) -> (usize, usize) {
        (self.proxy.width * self.by, self.proxy.height * self.by)
    }

    /// Averages the original into whole blocks about as large as a pixel of this level.
    fn reduced_original(&self, map: &PictureMap) -> (Plane, [f64; 2]) {
        let times = |axis: usize, length: usize| {
            let times = (map.scale[axis].abs() * self.by as f64).floor().max(1.0);
            (length as f64 / times).floor().max(8.0) as usize
        };
        let size = (times(0, self.original.width), times(1, self.original.height));
        let plane = super::coarse::sampled(self.original, size);
        let times = [
            self.original.width as f64 / size.0 as f64,
            self.original.height as f64 / size.1 as f64,
        ];
        (plane, times)
    }
}

/// Six taps of a row or column, from the first one on.
struct Taps {
    first: usize,
    share: [f32; 6],
}

impl Taps {
    /// Lagrange's polynomial of degree 5 between samples: it moves no edge by more than .005 of
    /// a pixel. `None` where it would reach past an end.
    fn at(at: f64, count: usize) -> Option<Taps> {
        let whole = at.floor();
        let first = whole - 2.0;
        if !(first >= 0.0 && first + 5.0 < count as f64) {
            return None;
        }
        let from = at - first;
        let share = std::array::from_fn(|i| {
            let others = (0..6).filter(|j| *j != i);
            let parts = others.map(|j| (from - j as f64) / (i as f64 - j as f64));
            parts.product::<f64>() as f32
        });
        Some(Taps { first: first as usize, share })
    }
}

fn resampled(plane: &Plane, columns: &[Option<Taps>], rows: &[Option<Taps>]) -> Vec<f32> {
    let width = columns.len();
    let mut lines = vec![0.0_f32; width * plane.height];
    for (line, from) in lines.chunks_exact_mut(width).zip(plane.data.chunks_exact(plane.width)) {
        for (value, taps) in line.iter_mut().zip(columns) {
            if let Some(taps) = taps {
                let from = &from[taps.first..taps.first + 6];
                *value = from.iter().zip(&taps.share).map(|(value, share)| value * share).sum();
            }
        }
    }
    let mut out = vec![0.0_f32; width * rows.len()];
    for (line, taps) in out.chunks_exact_mut(width).zip(rows) {
        let Some(taps) = taps else { continue };
        for (k, share) in taps.share.iter().enumerate() {
            let from = &lines[(taps.first + k) * width..][..width];
            line.iter_mut().zip(from).for_each(|(value, from)| *value += share * from);
        }
    }
    out
}
