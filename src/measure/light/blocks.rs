//! Means and variances of small blocks of a picture, one pass over its samples.
//!
//! Large blocks take only some of their rows: 64 samples are enough for a block, and a
//! picture has thousands of blocks.

use crate::measure::transfer::{Encoding, Matrix, Range};
use crate::media::Picture;

/// Most blocks of a picture; above this the blocks grow. Ours: 1920x1080 in blocks of 8 just
/// fits, and a gain from this many is good to .01 %.
const MOST_BLOCKS: usize = 33_000;

/// Fewest blocks of a picture; below this they shrink to 4 pixels. Ours: a patch in a
/// picture of 320x180 would be a few dozen blocks else.
const FEWEST_BLOCKS: usize = 1_500;

/// Samples of a block, at least. Ours.
const SAMPLES: usize = 64;

/// One plane of samples, row-major.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Samples {
    /// Codes, `width * height` of them.
    pub codes: Vec<u16>,
    /// Width in samples.
    pub width: usize,
    /// Height in samples.
    pub height: usize,
}

/// What the planes of a picture are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Luma alone.
    Luma,
    /// Luma and two colour differences, at the same or a smaller size.
    YCbCr(Matrix),
    /// Red, green and blue of one size.
    Rgb,
}

/// The codes of one picture, reused from frame to frame.
#[derive(Debug, Clone)]
pub struct Codes {
    /// What the planes are.
    pub kind: Kind,
    /// Bits of a code.
    pub depth: u32,
    /// One plane, or three.
    pub planes: [Samples; 3],
}

impl Default for Codes {
    fn default() -> Self {
        Codes { kind: Kind::Luma, depth: 8, planes: Default::default() }
    }
}

impl Codes {
    /// Reads a decoded picture: in colour where its layout and the encoding allow, else its
    /// luma. Returns false if there is neither.
    pub fn read(&mut self, picture: &Picture, encoding: &Encoding) -> bool {
        self.kind = match encoding.matrix {
            _ if picture.is_rgb() => Kind::Rgb,
            Some(matrix) => Kind::YCbCr(matrix),
            None => Kind::Luma,
        };
        self.depth = picture.luma_depth();
        if self.kind != Kind::Luma && (0..3).all(|at| self.read_plane(picture, at)) && self.fits() {
            return true;
        }
        self.kind = Kind::Luma;
        let luma = &mut self.planes[0];
        (luma.width, luma.height) = (picture.width() as usize, picture.height() as usize);
        picture.luma_u16(&mut luma.codes)
    }

    fn read_plane(&mut self, picture: &Picture, at: usize) -> bool {
        let plane = &mut self.planes[at];
        let size = picture.component_u16(at, &mut plane.codes);
        (plane.width, plane.height) = size.unwrap_or((0, 0));
        size.is_some()
    }

    /// Tells whether the second and third plane have the size the kind asks for.
    fn fits(&self) -> bool {
        let [first, second, third] = &self.planes;
        let whole = self.planes.iter().all(|plane| plane.codes.len() == plane.width * plane.height);
        let same = whole && (second.width, second.height) == (third.width, third.height);
        let (across, down) = subsampling(first, second);
        let divides = |n: usize| matches!(n, 1 | 2 | 4 | 8);
        same && divides(across) && divides(down) && (self.kind != Kind::Rgb || across * down == 1)
    }
}

/// Luma samples per chroma sample, across and down.
fn subsampling(luma: &Samples, chroma: &Samples) -> (usize, usize) {
    (luma.width.div_ceil(chroma.width.max(1)), luma.height.div_ceil(chroma.height.max(1)))
}

/// Mean and variance of the signal E' of one channel in every block, row-major.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Channel {
    /// Means.
    pub mean: Vec<f32>,
    /// Variances of the samples of a block.
    pub variance: Vec<f32>,
}

/// A picture in blocks: red, green and blue, or luma alone.
#[derive(Debug, Clone, PartialEq)]
pub struct Blocks {
    /// Width of the picture in pixels.
    pub width: usize,
    /// Height of the picture in pixels.
    pub height: usize,
    /// Side of a block in pixels.
    pub size: usize,
    /// Blocks across; what is left over at the right edge is not measured.
    pub columns: usize,
    /// Blocks down.
    pub rows: usize,
    /// One code as a part of the signal.
    pub code: f64,
    /// Black, and the distance from black to white, in codes of 8 bits (code * 255 / highest).
    pub eight_bits: [f64; 2],
    /// Three channels, or one.
    pub channels: Vec<Channel>,
}

impl Blocks {
    /// Measures a picture in one pass.
    pub fn of(codes: &Codes, range: Range) -> Blocks {
        Blocks::with(codes, range, true)
    }

    /// As [`Blocks::of`] by the plain loops: what the fast ones are held against.
    pub fn plain(codes: &Codes, range: Range) -> Blocks {
        Blocks::with(codes, range, false)
    }

    fn with(codes: &Codes, range: Range, fast: bool) -> Blocks {
        let first = &codes.planes[0];
        let kind = if codes.fits() { codes.kind } else { Kind::Luma };
        let grid = Grid::of(codes, kind);
        let (black, span) = range.black_and_span(codes.depth);
        let narrow = fast && codes.depth <= 12;
        let sums = |plane: &Samples| {
            if narrow { fast_sums(plane, grid) } else { plain_sums(plane, grid) }
        };
        let alone = |plane: &Samples| alone(&sums(plane), grid, black, span);
        let channels = match kind {
            Kind::Luma => vec![alone(first)],
            Kind::Rgb => codes.planes.iter().map(alone).collect(),
            Kind::YCbCr(matrix) => {
                let luma = sums(first);
                let pairs = if narrow { fast_pairs(codes, grid) } else { plain_pairs(codes, grid) };
                let scale = Scale::of(codes, range);
                in_colour(&luma, &pairs, grid, matrix, scale)
            }
        };
        let Grid { size, columns, rows, .. } = grid;
        let (width, height) = (first.width, first.height);
        let eight_bits = [black, span].map(|code| code * 255.0 / highest(codes.depth));
        Blocks { width, height, size, columns, rows, code: 1.0 / span, eight_bits, channels }
    }

    /// Returns the number of blocks.
    pub fn len(&self) -> usize {
        self.columns * self.rows
    }

    /// Tells whether the picture is smaller than one block.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

fn highest(depth: u32) -> f64 {
    f64::from((1_u32 << depth.clamp(1, 16)) - 1)
}

#[derive(Debug, Clone, Copy)]
struct Grid {
    size: usize,
    columns: usize,
    rows: usize,
    /// Rows are taken in groups of this many, which share their colour samples.
    group: usize,
    /// One group in this many is taken.
    step: usize,
}

impl Grid {
    fn of(codes: &Codes, kind: Kind) -> Grid {
        let luma = &codes.planes[0];
        let (width, height) = (luma.width, luma.height);
        let (across, down) = match kind {
            Kind::YCbCr(_) => subsampling(luma, &codes.planes[1]),
            _ => (1, 1),
        };
        let mut size = 8;
        if (width / 8) * (height / 8) < FEWEST_BLOCKS && across.max(down) <= 4 {
            size = 4;
        }
        while (width / size) * (height / size) > MOST_BLOCKS {
            size *= 2;
        }
        let step = (size * size / SAMPLES).clamp(1, size / down);
        Grid { size, columns: width / size, rows: height / size, group: down, step }
    }

    /// Tells whether a row, counted from the top of its block, is taken.
    fn takes(self, row: usize) -> bool {
        (row / self.group).is_multiple_of(self.step)
    }

    /// Samples of a block that are taken.
    fn samples(self) -> usize {
        (0..self.size).filter(|row| self.takes(*row)).count() * self.size
    }
}

/// Sum and sum of squares of every block.
fn plain_sums(plane: &Samples, grid: Grid) -> Vec<[u64; 2]> {
    let mut sums = vec![[0; 2]; grid.columns * grid.rows];
    let rows = rows(plane).take(grid.rows * grid.size).enumerate();
    for (y, row) in rows.filter(|(y, _)| grid.takes(y % grid.size)) {
        for (x, code) in row.iter().take(grid.columns * grid.size).enumerate() {
            let sum = &mut sums[(y / grid.size) * grid.columns + x / grid.size];
            sum[0] += u64::from(*code);
            sum[1] += u64::from(*code) * u64::from(*code);
        }
    }
    sums
}

/// As [`plain_sums`], column by column down a row of blocks, so that several samples are
/// added at a time. For codes of at most 12 bits and at most 16 rows: sixteen codes then stay
/// within 16 bits.
fn fast_sums(plane: &Samples, grid: Grid) -> Vec<[u64; 2]> {
    if grid.samples() > 16 * grid.size {
        return plain_sums(plane, grid);
    }
    let width = grid.columns * grid.size;
    let mut sums = Vec::with_capacity(grid.columns * grid.rows);
    let (mut ones, mut squares) = (vec![0_u16; width], vec![0_i32; width / 2]);
    for band in plane.codes.chunks_exact(plane.width.max(1) * grid.size).take(grid.rows) {
        ones.fill(0);
        squares.fill(0);
        let rows = band.chunks_exact(plane.width.max(1)).enumerate();
        for (_, row) in rows.filter(|(y, _)| grid.takes(*y)) {
            for (one, code) in ones.iter_mut().zip(row) {
                *one = one.wrapping_add(*code);
            }
            // Signed 16 bits, two at a time: one instruction of every processor in use.
            for (square, pair) in squares.iter_mut().zip(row.chunks_exact(2)) {
                let (a, b) = (i32::from(pair[0] as i16), i32::from(pair[1] as i16));
                *square = square.wrapping_add(a * a + b * b);
            }
        }
        let blocks = ones.chunks_exact(grid.size).zip(squares.chunks_exact(grid.size / 2));
        sums.extend(blocks.map(|(ones, squares)| {
            let squares = squares.iter().map(|square| u64::from(*square as u32)).sum();
            [ones.iter().map(|one| u64::from(*one)).sum(), squares]
        }));
    }
    sums
}

fn rows(plane: &Samples) -> impl Iterator<Item = &[u16]> {
    plane.codes.chunks_exact(plane.width.max(1))
}

/// Sums over a block: Cb, Cr, Cb Cb, Cr Cr, Cb Cr, and Y Cb, Y Cr, where Y is the sum of the
/// luma samples a colour sample covers.
type Pairs = [u64; 7];

fn products(luma: u64, cb: u64, cr: u64) -> Pairs {
    [cb, cr, cb * cb, cr * cr, cb * cr, luma * cb, luma * cr]
}

fn plain_pairs(codes: &Codes, grid: Grid) -> Vec<Pairs> {
    let [luma, cb, cr] = &codes.planes;
    let (across, down) = subsampling(luma, cb);
    let (wide, high) = (grid.size / across, grid.size / down);
    let mut sums = vec![[0; 7]; grid.columns * grid.rows];
    let taken = |y: &usize| grid.takes(y % high * down);
    for y in (0..grid.rows * high).filter(taken) {
        for x in 0..grid.columns * wide {
            let cell = |row: usize| &luma.codes[(y * down + row) * luma.width + x * across..];
            let covered = |row| cell(row).iter().take(across).map(|code| u64::from(*code));
            let luma_sum = (0..down).flat_map(covered).sum();
            let at = y * cb.width + x;
            let add = products(luma_sum, cb.codes[at].into(), cr.codes[at].into());
            let sum = &mut sums[(y / high) * grid.columns + x / wide];
            sum.iter_mut().zip(add).for_each(|(sum, add)| *sum += add);
        }
    }
    sums
}

/// As [`plain_pairs`], column by column. For codes of at most 12 bits: a colour sample then
/// covers luma of at most 14 bits, and a block's products stay within 31.
fn fast_pairs(codes: &Codes, grid: Grid) -> Vec<Pairs> {
    let [luma, cb, cr] = &codes.planes;
    let (across, down) = subsampling(luma, cb);
    if across > 2 || down > 2 || grid.samples() > 16 * grid.size {
        return plain_pairs(codes, grid);
    }
    let (wide, high) = (grid.size / across, grid.size / down);
    let width = grid.columns * wide;
    let mut sums = Vec::with_capacity(grid.columns * grid.rows);
    let mut columns: [Vec<i32>; 7] = std::array::from_fn(|_| vec![0; width / 2]);
    let mut lumas = vec![0_u16; width];
    for band in 0..grid.rows {
        columns.iter_mut().for_each(|column| column.fill(0));
        let taken = |y: &usize| grid.takes(y % high * down);
        for y in (band * high..(band + 1) * high).filter(taken) {
            lumas.fill(0);
            for row in 0..down {
                add_cells(&mut lumas, &luma.codes[(y * down + row) * luma.width..], across);
            }
            let (cb, cr) = (&cb.codes[y * cb.width..], &cr.codes[y * cr.width..]);
            add_products(&mut columns, &lumas, cb, cr);
        }
        for block in 0..grid.columns {
            let part = block * wide / 2..(block + 1) * wide / 2;
            sums.push(std::array::from_fn(|n| total(&columns[n][part.clone()])));
        }
    }
    sums
}

fn total(values: &[i32]) -> u64 {
    values.iter().map(|value| u64::from(*value as u32)).sum()
}

fn add_cells(lumas: &mut [u16], row: &[u16], across: usize) {
    if across == 2 {
        for (luma, pair) in lumas.iter_mut().zip(row.chunks_exact(2)) {
            *luma = luma.wrapping_add(pair[0]).wrapping_add(pair[1]);
        }
    } else {
        for (luma, code) in lumas.iter_mut().zip(row) {
            *luma = luma.wrapping_add(*code);
        }
    }
}

/// Adds products of neighbouring samples two at a time, in signed 16 bits: one instruction
/// of every processor in use.
fn add_products(columns: &mut [Vec<i32>; 7], lumas: &[u16], cb: &[u16], cr: &[u16]) {
    let width = lumas.len();
    let (cb, cr) = (&cb[..width], &cr[..width]);
    let ones = |sums: &mut [i32], codes: &[u16]| {
        for (sum, pair) in sums.iter_mut().zip(codes.chunks_exact(2)) {
            *sum = sum.wrapping_add(i32::from(pair[0]) + i32::from(pair[1]));
        }
    };
    let products = |sums: &mut [i32], one: &[u16], other: &[u16]| {
        let pairs = one.chunks_exact(2).zip(other.chunks_exact(2));
        for (sum, (one, other)) in sums.iter_mut().zip(pairs) {
            let [a, b] = [one[0], one[1]].map(|code| i32::from(code as i16));
            let [c, d] = [other[0], other[1]].map(|code| i32::from(code as i16));
            *sum = sum.wrapping_add(a * c + b * d);
        }
    };
    let [a, b, c, d, e, f, g] = columns;
    ones(a, cb);
    ones(b, cr);
    products(c, cb, cb);
    products(d, cr, cr);
    products(e, cb, cr);
    products(f, lumas, cb);
    products(g, lumas, cr);
}

/// Turns sums of codes into mean and variance of the signal.
fn alone(sums: &[[u64; 2]], grid: Grid, black: f64, span: f64) -> Channel {
    let count = grid.samples() as f64;
    let mut channel = Channel::default();
    for [one, square] in sums {
        let mean = *one as f64 / count;
        let variance = (*square as f64 / count - mean * mean).max(0.0);
        channel.mean.push(((mean - black) / span) as f32);
        channel.variance.push((variance / (span * span)) as f32);
    }
    channel
}

/// How codes of Y'CbCr become signals.
#[derive(Clone, Copy)]
struct Scale {
    black: f64,
    span: f64,
    middle: f64,
    colour_span: f64,
    /// Luma samples of one colour sample.
    covered: f64,
}

impl Scale {
    fn of(codes: &Codes, range: Range) -> Scale {
        let (black, span) = range.black_and_span(codes.depth);
        let (across, down) = subsampling(&codes.planes[0], &codes.planes[1]);
        // Rec. ITU-R BT.709-6 item 5.6: 224 steps of 8 bits; all codes in full range.
        let colour_span = if range == Range::Narrow { span * 224.0 / 219.0 } else { span };
        let middle = 2.0_f64.powi(codes.depth as i32 - 1);
        Scale { black, span, middle, colour_span, covered: (across * down) as f64 }
    }
}

/// Mean and variance of red, green and blue are linear and quadratic forms of the means and
/// products of Y', Cb and Cr; no sample has to be converted.
fn in_colour(
    luma: &[[u64; 2]],
    pairs: &[Pairs],
    grid: Grid,
    matrix: Matrix,
    scale: Scale,
) -> Vec<Channel> {
    let mut channels = vec![Channel::default(); 3];
    let lumas = grid.samples() as f64;
    for ([one, square], pairs) in luma.iter().zip(pairs) {
        let colours = lumas / scale.covered;
        let y = *one as f64 / lumas;
        let [cb, cr, bb, rr, br, yb, yr] = pairs.map(|sum| sum as f64 / colours);
        let (yb, yr) = (yb / scale.covered, yr / scale.covered);
        let mean = [
            (y - scale.black) / scale.span,
            (cb - scale.middle) / scale.colour_span,
            (cr - scale.middle) / scale.colour_span,
        ];
        let (own, other) = (scale.span, scale.colour_span);
        let spread = [
            (*square as f64 / lumas - y * y) / (own * own),
            (bb - cb * cb) / (other * other),
            (rr - cr * cr) / (other * other),
            2.0 * (yb - y * cb) / (own * other),
            2.0 * (yr - y * cr) / (own * other),
            2.0 * (br - cb * cr) / (other * other),
        ];
        for (channel, [a, b, c]) in channels.iter_mut().zip(matrix.to_rgb()) {
            let weights = [a * a, b * b, c * c, a * b, a * c, b * c];
            let variance: f64 = weights.iter().zip(spread).map(|(w, s)| w * s).sum();
            channel.mean.push((a * mean[0] + b * mean[1] + c * mean[2]) as f32);
            channel.variance.push(variance.max(0.0) as f32);
        }
    }
    channels
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(seed: u64, count: usize, depth: u32) -> Vec<u16> {
        let mut state = seed;
        let mut next = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040);
            (state >> 48) as u16 >> (16 - depth)
        };
        (0..count).map(|_| next()).collect()
    }

    fn codes(kind: Kind, depth: u32, (across, down): (usize, usize)) -> Codes {
        let (width, height) = (412_usize, 245_usize);
        let plane = |seed, width: usize, height: usize| Samples {
            codes: noise(seed, width * height, depth),
            width,
            height,
        };
        let (w, h) = (width.div_ceil(across), height.div_ceil(down));
        Codes { kind, depth, planes: [plane(1, width, height), plane(2, w, h), plane(3, w, h)] }
    }

    #[test]
    fn the_fast_sums_are_the_plain_ones() {
        for depth in [8, 10, 12, 14, 16] {
            for kind in [Kind::Luma, Kind::YCbCr(Matrix::Bt709), Kind::Rgb] {
                for step in [(1, 1), (2, 1), (2, 2), (4, 1), (4, 4)] {
                    if kind == Kind::Rgb && step != (1, 1) {
                        continue;
                    }
                    let codes = codes(kind, depth, step);
                    assert!(codes.fits());
                    let (fast, plain) =
                        (Blocks::of(&codes, Range::Narrow), Blocks::plain(&codes, Range::Narrow));
                    assert_eq!(fast, plain, "{kind:?} {depth} {step:?}");
                    assert_eq!((fast.columns, fast.rows, fast.size), (51, 30, 8));
                }
            }
        }
    }

    #[test]
    fn colour_is_what_converting_each_sample_gives() {
        // Reference: the matrix of Rec. ITU-R BT.709-6 applied sample by sample.
        let codes = codes(Kind::YCbCr(Matrix::Bt709), 10, (1, 1));
        let blocks = Blocks::of(&codes, Range::Narrow);
        for (channel, row) in blocks.channels.iter().zip(Matrix::Bt709.to_rgb()) {
            let at = |x: usize, y: usize| {
                let code = |n: usize| f64::from(codes.planes[n].codes[y * 412 + x]);
                row[0] * (code(0) - 64.0) / 876.0
                    + row[1] * (code(1) - 512.0) / 896.0
                    + row[2] * (code(2) - 512.0) / 896.0
            };
            // The second block of the second row.
            let values: Vec<f64> = (0..64).map(|n| at(8 + n % 8, 8 + n / 8)).collect();
            let mean = values.iter().sum::<f64>() / 64.0;
            let spread = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / 64.0;
            assert!((f64::from(channel.mean[52]) - mean).abs() < 1e-6);
            assert!((f64::from(channel.variance[52]) - spread).abs() < 1e-6 * spread);
        }
    }

    #[test]
    fn blocks_grow_with_the_picture_and_keep_their_samples() {
        let grid = |width: usize, height: usize, kind: Kind, down: usize| {
            let plane = |down: usize| Samples { codes: Vec::new(), width, height: height / down };
            Grid::of(&Codes { kind, depth: 8, planes: [plane(1), plane(down), plane(down)] }, kind)
        };
        let colour = Kind::YCbCr(Matrix::Bt709);
        let sizes = [(1920, 1080, 8), (3840, 2160, 16), (320, 180, 4), (7680, 4320, 32)];
        for (width, height, size) in sizes {
            let (luma, colour) =
                (grid(width, height, Kind::Luma, 1), grid(width, height, colour, 2));
            assert_eq!((luma.size, colour.size), (size, size));
            assert_eq!(luma.samples(), (size * size).min(64));
            assert_eq!(colour.samples(), (size * size).min(64));
        }
        assert_eq!(grid(3, 300, Kind::Luma, 1).columns, 0);
    }

    #[test]
    fn large_blocks_take_the_same_rows_in_every_kernel() {
        // A picture that darkens by one code a row: the mean tells which rows were taken.
        let (width, height) = (2900, 1000);
        let plane = |across: usize, down: usize| Samples {
            codes: (0..height / down)
                .flat_map(|y| (0..width / across).map(move |x| (900 - y % 800 + x % 7) as u16))
                .collect(),
            width: width / across,
            height: height / down,
        };
        for (kind, across, down) in [
            (Kind::Luma, 1, 1),
            (Kind::YCbCr(Matrix::Bt709), 2, 2),
            (Kind::YCbCr(Matrix::Bt709), 2, 1),
        ] {
            let planes = [plane(1, 1), plane(across, down), plane(across, down)];
            let codes = Codes { kind, depth: 10, planes };
            let fast = Blocks::of(&codes, Range::Full);
            assert_eq!(fast, Blocks::plain(&codes, Range::Full));
            assert_eq!(fast.size, 16);
        }
    }
}
