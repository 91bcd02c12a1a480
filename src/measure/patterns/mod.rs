//! The plate's own patterns, tile by tile, and the projection of frames on them.
//!
//! A small move changes a picture along its slopes, a change of light along its level, a
//! softer focus along its bend. So what one frame says about a tile is a handful of inner
//! products (Lucas and Kanade 1981; Hager and Belhumeur 1998 for light as one more pattern),
//! and inner products of neighbouring tiles add up to those of a larger tile.

mod drawn;

use super::plane::{Excluded, Plane};
use super::{Mask, PlateSum};
use drawn::Derived;

/// Side of the smallest tile in pixels; larger ones are made of whole small ones.
pub const TILE: usize = 16;
/// Side of a cell in pixels: small objects are looked for in means of cells.
pub const CELL: usize = 4;
const CELLS: usize = TILE / CELL;
const AREA: usize = TILE * TILE;

/// Patterns a frame is projected on: slope x, slope y, level, bend, control.
const STORED: usize = 5;
/// Slope x, slope y, constant, level, bend.
pub(in crate::measure) const FORMS: usize = 5;
/// What a kernel returns: sums along the stored patterns and of the samples alone.
const COUNTS: usize = STORED + 1;
/// What a form may respond to: slope x and y, constant, level, then the changes listed in
/// [`blurs`] and the three second derivatives.
pub(in crate::measure) const CAUSES: usize = 4 + BLURS.len() + 3;
/// Squared blurs whose effect is tabulated, in squared pixels: sigma .5, 1, 1.5 and 2 px.
pub(in crate::measure) const BLURS: [f64; 4] = [0.25, 1.0, 2.25, 4.0];

pub(in crate::measure) const SLOPE_X: usize = 0;
pub(in crate::measure) const SLOPE_Y: usize = 1;
pub(in crate::measure) const ONE: usize = 2;
pub(in crate::measure) const LEVEL: usize = 3;
pub(in crate::measure) const BEND: usize = 4;

/// Frames are counted in sixteenths of a code: exact for codes of eight bits and for the
/// mean of two by two of them.
const STEPS: f32 = 16.0;
/// What is brighter is cut off, so that sums of four samples fit 16 bits.
const BRIGHTEST: f32 = 500.0;

/// Products of the forms of a tile with causes and among each other; they add up over tiles.
#[derive(Debug, Clone)]
pub(in crate::measure) struct Moments {
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
    pub(in crate::measure) forms: Vec<[f32; FORMS]>,
    /// Along the control of each small tile, of noise variance 1 for each code of white noise;
    /// not a number where it has none.
    pub(in crate::measure) controls: Vec<f32>,
    /// Mean of each cell in codes, row by row.
    pub(in crate::measure) cells: Vec<f32>,
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

    pub(in crate::measure) fn is_usable(&self, tile: usize) -> bool {
        self.usable[tile]
    }

    /// Strength of the slopes of a small tile: the sum of their squares.
    pub(in crate::measure) fn slopes(&self, tile: usize) -> f64 {
        let products = &self.moments[tile].products;
        products[SLOPE_X][SLOPE_X] + products[SLOPE_Y][SLOPE_Y]
    }

    /// Mean variance over time of the pixels of a small tile, in squared codes.
    pub(in crate::measure) fn variance(&self, tile: usize) -> f64 {
        self.moments[tile].variance / self.moments[tile].pixels
    }

    /// Returns mean, slope (codes a pixel, rms), variance and freedom of each cell.
    pub(in crate::measure) fn cell_planes(&self) -> (&[f32], &[f32], &[f32], &[bool]) {
        (&self.cell_mean, &self.cell_slope, &self.cell_variance, &self.cell_free)
    }

    /// Adds the moments of the usable small tiles of a block of `side` tiles at `(x, y)`.
    pub(in crate::measure) fn block(&self, x: usize, y: usize, side: usize) -> Option<Moments> {
        let mut sum = Moments::empty();
        for tile in self.within(x, y, side).filter(|tile| self.usable[*tile]) {
            sum.add(&self.moments[tile]);
        }
        (sum.pixels > 0.0).then_some(sum)
    }

    /// Lists the small tiles of a block, those past the edge left out.
    pub(in crate::measure) fn within(
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
