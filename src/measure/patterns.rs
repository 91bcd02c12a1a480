//! The plate's own patterns, tile by tile, and the projection of frames on them.
//!
//! A small move changes a picture along its slopes, a change of light along its level, a
//! softer focus along its bend. So what one frame says about a tile is a handful of inner
//! products (Lucas and Kanade 1981; Hager and Belhumeur 1998 for light as one more pattern),
//! and inner products of neighbouring tiles add up to those of a larger tile.

use super::plane::{Excluded, Plane};
use super::small::inverse;
use super::{Mask, PlateSum};

/// Side of the smallest tile in pixels; larger ones are made of whole small ones.
pub const TILE: usize = 16;
/// Side of a cell in pixels: small objects are looked for in means of cells.
pub const CELL: usize = 4;
const CELLS: usize = TILE / CELL;
const AREA: usize = TILE * TILE;

/// Patterns a frame is projected on: slope x, slope y, level, bend, control.
const STORED: usize = 5;
/// Slope x, slope y, constant, level, bend.
pub(super) const FORMS: usize = 5;
/// What a kernel returns: sums along the stored patterns and of the samples alone.
const COUNTS: usize = STORED + 1;
/// What a form may respond to: slope x and y, constant, level, then the changes listed in
/// [`blurs`] and the three second derivatives.
pub(super) const CAUSES: usize = 4 + BLURS.len() + 3;
/// Squared blurs whose effect is tabulated, in squared pixels: sigma .5, 1, 1.5 and 2 px.
pub(super) const BLURS: [f64; 4] = [0.25, 1.0, 2.25, 4.0];

pub(super) const SLOPE_X: usize = 0;
pub(super) const SLOPE_Y: usize = 1;
pub(super) const ONE: usize = 2;
pub(super) const LEVEL: usize = 3;
pub(super) const BEND: usize = 4;

/// Frames are counted in sixteenths of a code: exact for codes of eight bits and for the
/// mean of two by two of them.
const STEPS: f32 = 16.0;
/// What is brighter is cut off, so that sums of four samples fit 16 bits.
const BRIGHTEST: f32 = 500.0;

/// Products of the forms of a tile with causes and among each other; they add up over tiles.
#[derive(Debug, Clone)]
pub(super) struct Moments {
    pub response: [[f64; CAUSES]; FORMS],
    pub products: [[f64; FORMS]; FORMS],
    /// Pixels, mean level times pixels, noise variance of the plate's mean times pixels.
    pub pixels: f64,
    pub noise: f64,
    /// Temporal variance of one frame times pixels.
    pub variance: f64,
    /// Sum of the squared effect of each tabulated blur.
    pub blur_squares: [f64; BLURS.len()],
}

impl Moments {
    fn empty() -> Self {
        Self {
            response: [[0.0; CAUSES]; FORMS],
            products: [[0.0; FORMS]; FORMS],
            pixels: 0.0,
            noise: 0.0,
            variance: 0.0,
            blur_squares: [0.0; BLURS.len()],
        }
    }

    fn add(&mut self, other: &Moments) {
        for form in 0..FORMS {
            for cause in 0..CAUSES {
                self.response[form][cause] += other.response[form][cause];
            }
            for second in 0..FORMS {
                self.products[form][second] += other.products[form][second];
            }
        }
        self.pixels += other.pixels;
        self.noise += other.noise;
        self.variance += other.variance;
        for (own, other) in self.blur_squares.iter_mut().zip(other.blur_squares) {
            *own += other;
        }
    }
}

/// A pattern that no motion makes: the slopes of a tile, moved by a third of it. What a frame
/// shows along it is noise of the same kind as along the true slopes.
#[derive(Debug, Clone)]
struct Control {
    /// Taken off: shares of the five forms.
    shares: [f32; FORMS],
    scale: f32,
    plate: f64,
}

/// The patterns of a plate.
#[derive(Debug, Clone, serde::Serialize, serde::Deserialize)]
pub struct Patterns {
    width: usize,
    height: usize,
    across: usize,
    down: usize,
    #[serde(skip)]
    packed: Vec<i8>,
    #[serde(skip)]
    scale: Vec<[f32; 4]>,
    #[serde(skip)]
    plate: Vec<[f64; FORMS]>,
    #[serde(skip)]
    lift: Vec<f32>,
    #[serde(skip)]
    usable: Vec<bool>,
    #[serde(skip)]
    moments: Vec<Moments>,
    #[serde(skip)]
    controls: Vec<Option<Control>>,
    #[serde(skip)]
    cell_mean: Vec<f32>,
    #[serde(skip)]
    cell_free: Vec<bool>,
    #[serde(skip)]
    cell_slope: Vec<f32>,
    #[serde(skip)]
    cell_variance: Vec<f32>,
}

/// What one frame says: inner products of frame less plate mean with every form of every
/// small tile, along the controls, and the mean of every cell.
#[derive(Debug, Clone, Default)]
pub struct Sums {
    /// Slope x, slope y, constant, level, bend of each small tile, row by row.
    pub(super) forms: Vec<[f32; FORMS]>,
    /// Along the control of each small tile, of noise variance 1 for each code of white noise;
    /// not a number where it has none.
    pub(super) controls: Vec<f32>,
    /// Mean of each cell in codes, row by row.
    pub(super) cells: Vec<f32>,
}

/// Derivatives and blurs of the mean.
struct Derived {
    forms: [Vec<f32>; 4],
    causes: Vec<Vec<f32>>,
}

impl Patterns {
    /// Draws the patterns of a plate; `None` before its second frame.
    pub fn new(plate: &PlateSum, excluded: Option<&Excluded>) -> Option<Self> {
        let (mean, variance) = (plate.mean()?, plate.variance()?);
        let (width, height) = (mean.width, mean.height);
        let (across, down) = (width.div_ceil(TILE), height.div_ceil(TILE));
        let derived = Derived::of(&mean);
        let mut own = Self {
            width,
            height,
            across,
            down,
            packed: Vec::with_capacity(across * down * STORED * AREA),
            scale: Vec::new(),
            plate: Vec::new(),
            lift: Vec::new(),
            usable: Vec::new(),
            moments: Vec::new(),
            controls: Vec::new(),
            cell_mean: Vec::new(),
            cell_free: Vec::new(),
            cell_slope: Vec::new(),
            cell_variance: Vec::new(),
        };
        for at in 0..across * down {
            own.add_tile(at, &mean, &variance, &derived, plate.frames(), excluded);
        }
        own.add_cells(&mean, &variance, &derived, excluded);
        Some(own)
    }

    /// Returns the number of small tiles across and down.
    pub fn tiles(&self) -> (usize, usize) {
        (self.across, self.down)
    }

    /// Returns width and height of the plane in pixels.
    pub fn size(&self) -> (usize, usize) {
        (self.width, self.height)
    }

    pub(super) fn is_usable(&self, tile: usize) -> bool {
        self.usable[tile]
    }

    /// Strength of the slopes of a small tile: the sum of their squares.
    pub(super) fn slopes(&self, tile: usize) -> f64 {
        let products = &self.moments[tile].products;
        products[SLOPE_X][SLOPE_X] + products[SLOPE_Y][SLOPE_Y]
    }

    /// Mean variance over time of the pixels of a small tile, in squared codes.
    pub(super) fn variance(&self, tile: usize) -> f64 {
        self.moments[tile].variance / self.moments[tile].pixels
    }

    /// Returns mean, slope (codes a pixel, rms), variance and freedom of each cell.
    pub(super) fn cell_planes(&self) -> (&[f32], &[f32], &[f32], &[bool]) {
        (&self.cell_mean, &self.cell_slope, &self.cell_variance, &self.cell_free)
    }

    /// Adds the moments of the usable small tiles of a block of `side` tiles at `(x, y)`.
    pub(super) fn block(&self, x: usize, y: usize, side: usize) -> Option<Moments> {
        let mut sum = Moments::empty();
        for tile in self.within(x, y, side).filter(|tile| self.usable[*tile]) {
            sum.add(&self.moments[tile]);
        }
        (sum.pixels > 0.0).then_some(sum)
    }

    /// Lists the small tiles of a block, those past the edge left out.
    pub(super) fn within(
        &self,
        x: usize,
        y: usize,
        side: usize,
    ) -> impl Iterator<Item = usize> + use<> {
        let (right, bottom) = ((x + side).min(self.across), (y + side).min(self.down));
        let across = self.across;
        (y..bottom).flat_map(move |row| (x..right).map(move |column| row * across + column))
    }

    /// Tells which small tiles a mask of any size touches.
    pub fn touched(&self, mask: &Mask) -> Vec<bool> {
        let mut out = vec![false; self.across * self.down];
        if self.width == 0 || mask.width() == 0 || mask.height() == 0 {
            return out;
        }
        let words = mask.width().div_ceil(64);
        let (wide, high) = (mask.width(), mask.height());
        let mut row_or = vec![0_u64; words];
        for row in 0..self.down {
            let from = row * TILE * high / self.height;
            let to = ((row + 1) * TILE * high).div_ceil(self.height).min(high);
            row_or.fill(0);
            for line in mask.words()[from.min(high) * words..to * words].chunks_exact(words) {
                row_or.iter_mut().zip(line).for_each(|(own, word)| *own |= word);
            }
            for column in 0..self.across {
                let left = column * TILE * wide / self.width;
                let right = ((column + 1) * TILE * wide).div_ceil(self.width).min(wide);
                out[row * self.across + column] =
                    (left..right).any(|x| row_or[x / 64] >> (x % 64) & 1 == 1);
            }
        }
        out
    }

    /// Projects a frame; `None` if it is not of the plate's size.
    pub fn project(&self, work: &Plane) -> Option<Sums> {
        self.project_with(work, tile_sums)
    }

    /// The plain way, for comparison.
    #[doc(hidden)]
    pub fn project_plain(&self, work: &Plane) -> Option<Sums> {
        self.project_with(work, plain_tile_sums)
    }

    fn project_with(
        &self,
        work: &Plane,
        kernel: fn(&[i16], &[i8]) -> [i32; COUNTS],
    ) -> Option<Sums> {
        if (work.width, work.height) != (self.width, self.height) {
            return None;
        }
        let mut sums = Sums {
            forms: Vec::with_capacity(self.across * self.down),
            controls: Vec::with_capacity(self.controls.len()),
            cells: vec![0.0; self.across * self.down * CELLS * CELLS],
        };
        let mut strip = vec![0_i16; self.across * AREA];
        for row in 0..self.down {
            self.read_strip(work, row, &mut strip);
            for column in 0..self.across {
                let tile = row * self.across + column;
                let samples = &strip[column * AREA..(column + 1) * AREA];
                self.read_cells(samples, row, column, &mut sums.cells);
                let from = tile * STORED * AREA;
                let counts = kernel(samples, &self.packed[from..from + STORED * AREA]);
                let forms = self.forms(tile, &counts);
                sums.forms.push(forms);
                sums.controls.push(self.control(tile, counts[4], &forms));
            }
        }
        Some(sums)
    }

    /// Counts a row of tiles in sixteenths of a code, tile by tile, zero outside the plane.
    fn read_strip(&self, work: &Plane, row: usize, strip: &mut [i16]) {
        for line in 0..TILE {
            let y = row * TILE + line;
            if y >= self.height {
                for tile in strip.chunks_exact_mut(AREA) {
                    tile[line * TILE..(line + 1) * TILE].fill(0);
                }
                continue;
            }
            let from = &work.data[y * self.width..(y + 1) * self.width];
            for (samples, tile) in from.chunks(TILE).zip(strip.chunks_exact_mut(AREA)) {
                let out = &mut tile[line * TILE..(line + 1) * TILE];
                if samples.len() == TILE {
                    out.iter_mut().zip(samples).for_each(|(out, sample)| *out = counted(*sample));
                } else {
                    out.fill(0);
                    out.iter_mut().zip(samples).for_each(|(out, sample)| *out = counted(*sample));
                }
            }
        }
    }

    fn read_cells(&self, samples: &[i16], row: usize, column: usize, cells: &mut [f32]) {
        let wide = self.across * CELLS;
        for (line, rows) in samples.chunks_exact(CELL * TILE).enumerate() {
            let mut sum = [0_i16; TILE];
            for row in rows.chunks_exact(TILE) {
                sum.iter_mut().zip(row).for_each(|(sum, value)| *sum = sum.wrapping_add(*value));
            }
            let at = (row * CELLS + line) * wide + column * CELLS;
            for (out, four) in cells[at..at + CELLS].iter_mut().zip(sum.chunks_exact(CELL)) {
                let whole = four.iter().fold(0_i32, |sum, v| sum.wrapping_add(i32::from(*v)));
                *out = whole as f32 * (1.0 / (STEPS * (CELL * CELL) as f32));
            }
        }
    }

    /// Turns counts of a tile into inner products of frame less plate.
    fn forms(&self, tile: usize, counts: &[i32; COUNTS]) -> [f32; FORMS] {
        let (scale, plate) = (&self.scale[tile], &self.plate[tile]);
        let off = |count: i32, scale: f32, plate: f64| {
            (f64::from(count) * f64::from(scale / STEPS) - plate) as f32
        };
        let one = off(counts[STORED], 1.0, plate[ONE]);
        let level = off(counts[2], scale[2], plate[LEVEL]) + self.lift[tile] * one;
        [
            off(counts[0], scale[0], plate[SLOPE_X]),
            off(counts[1], scale[1], plate[SLOPE_Y]),
            one,
            level,
            off(counts[3], scale[3], plate[BEND]),
        ]
    }

    fn control(&self, tile: usize, count: i32, forms: &[f32; FORMS]) -> f32 {
        let Some(control) = &self.controls[tile] else { return f32::NAN };
        let raw = f64::from(count) * f64::from(control.scale / STEPS) - control.plate;
        let known = forms.iter().zip(&control.shares).map(|(form, share)| form * share);
        raw as f32 - known.sum::<f32>()
    }
}

fn counted(sample: f32) -> i16 {
    // Adding 1.5 * 2^23 leaves the rounded whole number in the low bits of the sum.
    let shifted = sample.clamp(0.0, BRIGHTEST) * STEPS + 12_582_912.0;
    shifted.to_bits() as i16
}

/// Sums of the stored patterns times the samples, and of the samples alone. Nothing can wrap:
/// 256 products of at most 8,000 times 127 stay below 2^28; checked sums would not run side
/// by side.
fn tile_sums(samples: &[i16], patterns: &[i8]) -> [i32; COUNTS] {
    let mut sums = [0_i32; COUNTS];
    for (sum, pattern) in sums.iter_mut().zip(patterns.chunks_exact(AREA)) {
        *sum = samples.iter().zip(pattern).fold(0_i32, |sum, (sample, by)| {
            sum.wrapping_add(i32::from(*sample).wrapping_mul(i32::from(*by)))
        });
    }
    sums[STORED] = samples.iter().fold(0, |sum, sample| sum.wrapping_add(i32::from(*sample)));
    sums
}

fn plain_tile_sums(samples: &[i16], patterns: &[i8]) -> [i32; COUNTS] {
    std::array::from_fn(|at| {
        let each = samples.iter().enumerate().map(|(pixel, sample)| {
            let by = if at == STORED { 1 } else { patterns[at * AREA + pixel] };
            i32::from(*sample) * i32::from(by)
        });
        each.sum()
    })
}

impl Patterns {
    fn add_tile(
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

    fn add_cells(
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
    fn of(mean: &Plane) -> Self {
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
        for (at, tap) in taps.iter().enumerate() {
            let from = if down {
                let row = (y + at).saturating_sub(reach).min(height - 1);
                &plane.data[row * width..(row + 1) * width]
            } else {
                &padded[at..at + width]
            };
            out.iter_mut().zip(from).for_each(|(out, from)| *out += tap * from);
        }
    }
    Plane { width, height, data }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn invented(width: usize, height: usize, shift: f32, salt: u32) -> Plane {
        let data = (0..width * height).map(|at| {
            let (x, y) = ((at % width) as f32 - shift, (at / width) as f32);
            let noise = (at as u32).wrapping_add(salt).wrapping_mul(2_654_435_761) >> 24;
            120.0 + 50.0 * (x / 5.0).sin() * (y / 7.0).cos() + noise as f32 / 64.0
        });
        Plane { width, height, data: data.collect() }
    }

    fn plate(width: usize, height: usize) -> PlateSum {
        let mut sum = PlateSum::new();
        for salt in 0..8 {
            sum.add(invented(width, height, 0.0, salt * 7919).view().expect("a plane"));
        }
        sum
    }

    #[test]
    fn the_fast_kernel_sums_as_the_plain_one() {
        let patterns = Patterns::new(&plate(75, 50), None).expect("a plate");
        let frame = invented(75, 50, 0.3, 99);
        let (fast, plain) = (patterns.project(&frame), patterns.project_plain(&frame));
        let (fast, plain) = (fast.expect("one size"), plain.expect("one size"));
        assert_eq!(fast.forms, plain.forms);
        assert_eq!(fast.cells, plain.cells);
        assert_eq!(patterns.tiles(), (5, 4));
    }

    #[test]
    fn forms_are_inner_products_of_frame_less_plate() {
        let sum = plate(64, 64);
        let patterns = Patterns::new(&sum, None).expect("a plate");
        let (mean, frame) = (sum.mean().expect("frames"), invented(64, 64, 0.5, 5));
        let sums = patterns.project(&frame).expect("one size");
        let plain: f64 = (0..TILE * TILE)
            .map(|at| (16 + at / TILE) * 64 + 32 + at % TILE)
            .map(|at| f64::from(frame.data[at]) - f64::from(mean.data[at]))
            .sum();
        assert!((f64::from(sums.forms[4 + 2][ONE]) - plain).abs() < 5.0, "{plain}");
    }

    #[test]
    fn a_mask_touches_the_tiles_it_meets_at_any_size() {
        let patterns = Patterns::new(&plate(75, 50), None).expect("a plate");
        let mut mask = Mask::new(150, 100);
        mask.set(149, 99);
        mask.set(31, 0);
        let touched = patterns.touched(&mask);
        let told: Vec<usize> = (0..20).filter(|tile| touched[*tile]).collect();
        assert_eq!(told, [0, 19]);
        assert!(!patterns.touched(&Mask::new(0, 0)).contains(&true));
    }

    #[test]
    fn a_frame_of_another_size_is_refused() {
        let patterns = Patterns::new(&plate(75, 50), None).expect("a plate");
        assert!(patterns.project(&invented(75, 51, 0.0, 1)).is_none());
    }
}
