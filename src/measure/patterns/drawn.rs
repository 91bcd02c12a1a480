//! How the patterns of a plate are drawn from its mean.

use super::{
    AREA, BEND, BLURS, CELL, CELLS, Control, FORMS, LEVEL, Moments, ONE, Patterns, SLOPE_X,
    SLOPE_Y, STORED, TILE,
};
use crate::measure::plane::{Excluded, Plane};
use crate::measure::small::inverse;

/// Derivatives and blurs of the mean.
pub(super) struct Derived {
    forms: [Vec<f32>; 4],
    causes: Vec<Vec<f32>>,
}

impl Patterns {
    pub(super) fn add_tile(
        &mut self,
        tile: usize,
        mean: &Plane,
        variance: &Plane,
        derived: &Derived,
        frames: u32,
        excluded: Option<&Excluded>,
    ) {
        let (left, top) = (tile % self.across * TILE, tile / self.across * TILE);
        let (right, bottom) = ((left + TILE).min(self.width), (top + TILE).min(self.height));
        let inside = Window { left, top, right, bottom, width: self.width };
        let levels = inside.of(&mean.data);
        let pixels = inside.pixels();
        let own_level = levels.iter().sum::<f32>() / pixels as f32;
        let lift = own_level - self.level_around(mean, left, top);
        let mut forms = [[0.0_f32; AREA]; FORMS];
        let mut scales = [0.0; 4];
        let mut packed = [[0_i8; AREA]; STORED];
        for (at, form) in [SLOPE_X, SLOPE_Y, LEVEL, BEND].into_iter().enumerate() {
            let mut values = inside.of(&derived.forms[at]);
            if form == LEVEL {
                inside.each(|pixel| values[pixel] -= own_level);
            }
            (scales[at], packed[at]) = packed_values(&values);
            forms[form] = packed[at].map(|value| f32::from(value) * scales[at]);
        }
        inside.each(|pixel| forms[ONE][pixel] = 1.0);
        self.plate.push(std::array::from_fn(|form| dot(&forms[form], &levels)));
        inside.each(|pixel| forms[LEVEL][pixel] += lift);
        let causes: Vec<[f32; AREA]> = derived.causes.iter().map(|of| inside.of(of)).collect();
        let mut moments = Moments::empty();
        for form in 0..FORMS {
            let z = &forms[form];
            let of = &mut moments.response[form];
            for (cause, values) in causes.iter().enumerate() {
                let place = if cause < 2 { cause } else { cause + 2 };
                of[place] = dot(z, values);
            }
            of[ONE] = dot(z, &forms[ONE]);
            of[LEVEL] = dot(z, &levels) - f64::from(own_level - lift) * of[ONE];
            moments.products[form] = std::array::from_fn(|other| dot(z, &forms[other]));
        }
        for (at, squares) in moments.blur_squares.iter_mut().enumerate() {
            *squares = dot(&causes[2 + at], &causes[2 + at]);
        }
        moments.pixels = pixels as f64;
        moments.variance = inside.of(&variance.data).iter().map(|v| f64::from(*v)).sum();
        moments.noise = moments.variance / f64::from(frames.max(1));
        let free = excluded.is_none_or(|out| out.is_free(left..right, top..bottom));
        let usable = free && right - left >= TILE / 2 && bottom - top >= TILE / 2;
        self.scale.push(scales);
        self.lift.push(lift);
        self.usable.push(usable);
        let slope = (tile / self.across + tile % self.across) % 2;
        packed[STORED - 1] = moved(&packed[slope]);
        let pattern = packed[STORED - 1].map(|value| f32::from(value) * scales[slope]);
        let control = if usable && pixels == AREA {
            Control::new(&pattern, scales[slope], &levels, &forms, &moments, &causes)
        } else {
            None
        };
        self.packed.extend(packed.iter().flatten());
        self.controls.push(control);
        self.moments.push(moments);
    }

    /// Mean level of the 64-pixel block around a place: levels are counted from there, so
    /// that sums of one block can be added.
    fn level_around(&self, mean: &Plane, x: usize, y: usize) -> f32 {
        let side = 4 * TILE;
        let (left, top) = (x / side * side, y / side * side);
        let (right, bottom) = ((left + side).min(self.width), (top + side).min(self.height));
        let rows = (top..bottom).map(|y| &mean.data[y * self.width + left..y * self.width + right]);
        let sum: f64 = rows.flatten().map(|value| f64::from(*value)).sum();
        (sum / ((right - left) * (bottom - top)) as f64) as f32
    }

    pub(super) fn add_cells(
        &mut self,
        mean: &Plane,
        variance: &Plane,
        derived: &Derived,
        excluded: Option<&Excluded>,
    ) {
        let (wide, high) = (self.across * CELLS, self.down * CELLS);
        let share = 1.0 / (CELL * CELL) as f32;
        for at in 0..wide * high {
            let (x, y) = (at % wide * CELL, at / wide * CELL);
            let whole = x + CELL <= self.width && y + CELL <= self.height;
            let free = excluded.is_none_or(|out| out.is_free(x..x + CELL, y..y + CELL));
            self.cell_free.push(whole && free);
            let (mut level, mut slope, mut spread) = (0.0, 0.0, 0.0);
            for row in y..(y + CELL).min(self.height) {
                for pixel in row * self.width + x..row * self.width + (x + CELL).min(self.width) {
                    level += mean.data[pixel];
                    spread += variance.data[pixel];
                    slope += derived.causes[0][pixel].powi(2) + derived.causes[1][pixel].powi(2);
                }
            }
            self.cell_mean.push(level * share);
            self.cell_variance.push(spread * share);
            self.cell_slope.push((slope * share).sqrt());
        }
    }
}

impl Control {
    /// Takes off what the tile's own patterns explain; `None` if little is left.
    fn new(
        pattern: &[f32; AREA],
        scale: f32,
        levels: &[f32; AREA],
        forms: &[[f32; AREA]; FORMS],
        moments: &Moments,
        causes: &[[f32; AREA]],
    ) -> Option<Self> {
        let gram: [[f64; 4]; 4] =
            std::array::from_fn(|i| std::array::from_fn(|j| moments.response[i][j]));
        let back = inverse(&gram)?;
        let to: [f64; 4] = [
            dot(pattern, &causes[0]),
            dot(pattern, &causes[1]),
            dot(pattern, &forms[ONE]),
            dot(pattern, &forms[LEVEL]),
        ];
        let shares: [f64; 4] = std::array::from_fn(|j| (0..4).map(|i| to[i] * back[i][j]).sum());
        let left: [f32; AREA] = std::array::from_fn(|pixel| {
            let known = (0..4).map(|j| shares[j] * f64::from(forms[j][pixel])).sum::<f64>();
            (f64::from(pattern[pixel]) - known) as f32
        });
        let (norm, whole) = (dot(&left, &left), dot(pattern, pattern));
        if norm <= 0.25 * whole || norm <= 0.0 {
            return None;
        }
        let by = 1.0 / norm.sqrt();
        let share = |j: usize| shares.get(j).map_or(0.0, |share| (share * by) as f32);
        Some(Self {
            shares: std::array::from_fn(share),
            scale: scale * by as f32,
            plate: dot(pattern, levels) * by,
        })
    }
}

/// The part of a tile inside the plane.
struct Window {
    left: usize,
    top: usize,
    right: usize,
    bottom: usize,
    width: usize,
}

impl Window {
    fn pixels(&self) -> usize {
        (self.right - self.left) * (self.bottom - self.top)
    }

    fn each(&self, mut see: impl FnMut(usize)) {
        for row in 0..self.bottom - self.top {
            for column in 0..self.right - self.left {
                see(row * TILE + column);
            }
        }
    }

    fn of(&self, plane: &[f32]) -> [f32; AREA] {
        let mut out = [0.0; AREA];
        let wide = self.right - self.left;
        for (row, out) in out.chunks_exact_mut(TILE).take(self.bottom - self.top).enumerate() {
            let from = (self.top + row) * self.width + self.left;
            out[..wide].copy_from_slice(&plane[from..from + wide]);
        }
        out
    }
}

/// Inner product; eight sums side by side, added up in a fixed order.
fn dot(a: &[f32; AREA], b: &[f32; AREA]) -> f64 {
    let mut lanes = [0.0_f64; 8];
    for (a, b) in a.chunks_exact(8).zip(b.chunks_exact(8)) {
        for (lane, (a, b)) in lanes.iter_mut().zip(a.iter().zip(b)) {
            *lane += f64::from(*a) * f64::from(*b);
        }
    }
    lanes.iter().sum()
}

fn packed_values(values: &[f32; AREA]) -> (f32, [i8; AREA]) {
    let most = values.iter().fold(0.0_f32, |most, value| most.max(value.abs()));
    if most <= 0.0 {
        return (0.0, [0; AREA]);
    }
    let scale = most / 127.0;
    (scale, values.map(|value| (value / scale).round() as i8))
}

/// Moves a pattern round by five pixels each way: past the width of a sharp edge, and still
/// in the block that a codec treats as one.
fn moved(pattern: &[i8; AREA]) -> [i8; AREA] {
    std::array::from_fn(|at| {
        let (x, y) = ((at % TILE + 5) % TILE, (at / TILE + 5) % TILE);
        pattern[y * TILE + x]
    })
}

impl Derived {
    pub(super) fn of(mean: &Plane) -> Self {
        let smooth = filtered(&filtered(mean, &SMOOTH, false), &SMOOTH, true);
        let slope = |plane: &Plane, taps: &[f32], down: bool| filtered(plane, taps, down);
        let (exact_x, exact_y) = (slope(mean, &SLOPE, false), slope(mean, &SLOPE, true));
        let blurs: Vec<Plane> =
            BLURS.iter().map(|square| blur_less_itself(mean, *square)).collect();
        let bend = filtered(&filtered(&blurs[1], &SMOOTH, false), &SMOOTH, true);
        let forms = [
            slope(&smooth, &STEP, false).data,
            slope(&smooth, &STEP, true).data,
            mean.data.clone(),
            bend.data,
        ];
        let second = |plane: &Plane, down: bool| slope(plane, &SLOPE, down).data;
        let mut causes = vec![exact_x.data.clone(), exact_y.data.clone()];
        causes.extend(blurs.into_iter().map(|blur| blur.data));
        causes.push(second(&exact_x, false));
        causes.push(second(&exact_x, true));
        causes.push(second(&exact_y, true));
        Self { forms, causes }
    }
}

/// Binomial smoothing, variance one half.
const SMOOTH: [f32; 3] = [0.25, 0.5, 0.25];
/// Central difference.
const STEP: [f32; 3] = [-0.5, 0.0, 0.5];
/// Five-point derivative, exact for polynomials up to the fourth degree (Abramowitz and
/// Stegun 1964, table 25.2).
const SLOPE: [f32; 5] = [1.0 / 12.0, -8.0 / 12.0, 0.0, 8.0 / 12.0, -1.0 / 12.0];

/// What a Gaussian blur of this squared width changes.
fn blur_less_itself(plane: &Plane, square: f64) -> Plane {
    let reach = (4.0 * square.sqrt()).ceil() as i64;
    let bare: Vec<f64> = (-reach..=reach).map(|n| (-0.5 * (n * n) as f64 / square).exp()).collect();
    let sum: f64 = bare.iter().sum();
    let taps: Vec<f32> = bare.iter().map(|weight| (weight / sum) as f32).collect();
    let mut out = filtered(&filtered(plane, &taps, false), &taps, true);
    out.data.iter_mut().zip(&plane.data).for_each(|(out, from)| *out -= from);
    out
}

/// Adds shifted rows times their taps, one after the other; four in one go, so that sums are
/// written a quarter as often.
fn add_taps<'a>(taps: &[f32], from: impl Fn(usize) -> &'a [f32], out: &mut [f32]) {
    let fours = taps.chunks_exact(4);
    let rest = taps.len() - fours.remainder().len();
    for (at, taps) in fours.enumerate() {
        let rows: [&[f32]; 4] = std::array::from_fn(|n| from(4 * at + n));
        let pairs = rows[0].iter().zip(rows[1]).zip(rows[2].iter().zip(rows[3]));
        for (out, ((a, b), (c, d))) in out.iter_mut().zip(pairs) {
            *out = *out + taps[0] * a + taps[1] * b + taps[2] * c + taps[3] * d;
        }
    }
    for (at, tap) in taps.iter().enumerate().skip(rest) {
        out.iter_mut().zip(from(at)).for_each(|(out, from)| *out += tap * from);
    }
}

/// Correlates rows, or columns, with taps around their middle; edges repeat.
fn filtered(plane: &Plane, taps: &[f32], down: bool) -> Plane {
    let (width, height, reach) = (plane.width, plane.height, taps.len() / 2);
    let mut data = vec![0.0_f32; plane.data.len()];
    let mut padded = vec![0.0; width + 2 * reach];
    for (y, out) in data.chunks_exact_mut(width.max(1)).enumerate() {
        if !down {
            let row = &plane.data[y * width..(y + 1) * width];
            for (x, value) in padded.iter_mut().enumerate() {
                *value = row[x.saturating_sub(reach).min(width - 1)];
            }
        }
        let from = |at: usize| {
            if down {
                let row = (y + at).saturating_sub(reach).min(height - 1);
                &plane.data[row * width..(row + 1) * width]
            } else {
                &padded[at..at + width]
            }
        };
        add_taps(taps, from, out);
    }
    Plane { width, height, data }
}
