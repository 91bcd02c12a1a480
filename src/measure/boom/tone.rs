//! The tone of a frame against a reference: a plane of gain, an offset and a curve.
//!
//! Gain alone made the bezel of a screen a boom: black lifts, gamma and auto exposure bend
//! the curve as well. Three steps, each robust against what stands in front of the set: the
//! mode of the ratios of blocks, least squares with Tukey weights (gain with its slopes
//! across and down, and an offset), and the median residual of each of sixteen levels.

use crate::measure::Mask;
use crate::measure::plane::Plane;

/// Levels of the curve.
const LEVELS: usize = 16;

/// Largest residual that the curve takes, in 8-bit codes. Ours.
const CURVE_CODES: f32 = 16.0;

/// Blocks a level of the curve needs. Ours.
const LEVEL_BLOCKS: usize = 8;

/// Blocks darker than this have no useful ratio, in 8-bit codes. Ours.
const DARK: f32 = 12.0;

/// Means of square blocks of a plane.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct BlockMeans {
    pub columns: usize,
    pub rows: usize,
    size: usize,
    pub means: Vec<f32>,
}

impl BlockMeans {
    /// Averages blocks; about a thousand of them, whatever the size of the plane.
    pub fn of(plane: &Plane) -> BlockMeans {
        let size = (plane.width.min(plane.height) / 24).clamp(2, 24);
        let (columns, rows) = (plane.width / size, plane.height / size);
        let mut means = vec![0.0_f32; columns * rows];
        let share = 1.0 / (size * size) as f32;
        for (row, means) in means.chunks_exact_mut(columns.max(1)).enumerate() {
            for y in row * size..(row + 1) * size {
                let line = &plane.data[y * plane.width..];
                for (mean, run) in means.iter_mut().zip(line.chunks_exact(size)) {
                    *mean += run.iter().sum::<f32>();
                }
            }
            means.iter_mut().for_each(|mean| *mean *= share);
        }
        BlockMeans { columns, rows, size, means }
    }

    /// Tells which blocks hold a pixel of any of the masks.
    pub fn meeting(&self, masks: &[&Mask]) -> Vec<bool> {
        let mut out = vec![false; self.columns * self.rows];
        for (at, out) in out.iter_mut().enumerate() {
            let (left, top) = (at % self.columns * self.size, at / self.columns * self.size);
            *out = masks
                .iter()
                .any(|mask| mask.meets_rectangle(left..left + self.size, top..top + self.size));
        }
        out
    }

    /// The same with all blocks beside.
    pub fn near(&self, masks: &[&Mask]) -> Vec<bool> {
        let met = self.meeting(masks);
        let at = |x: usize, y: usize| met[y * self.columns + x];
        let near = |place: usize| {
            let (x, y) = (place % self.columns, place / self.columns);
            (y.saturating_sub(1)..(y + 2).min(self.rows))
                .any(|y| (x.saturating_sub(1)..(x + 2).min(self.columns)).any(|x| at(x, y)))
        };
        (0..met.len()).map(near).collect()
    }

    /// Returns the middle of each block, -1 to 1 across and down.
    fn places(&self) -> Vec<(f32, f32)> {
        let part = |at: usize, count: usize| (2 * at + 1) as f32 / count.max(1) as f32 - 1.0;
        let across: Vec<f32> = (0..self.columns).map(|at| part(at, self.columns)).collect();
        let down = (0..self.rows).map(|at| part(at, self.rows));
        down.flat_map(|y| across.iter().map(move |x| (*x, y))).collect()
    }
}

/// Mean of a block in the frame and in the reference, and its place across and down.
type Pair = [f32; 4];

/// How a frame shows the tones of a reference:
/// `frame = reference * (gain + across * x + down * y) + offset + curve(reference)`, with x
/// and y from -1 to 1, in 8-bit codes.
#[derive(Debug, Clone, PartialEq)]
pub struct Tone {
    /// Gain in the middle of the frame.
    pub gain: f32,
    /// Slope of the gain to the right.
    pub across: f32,
    /// Slope of the gain downward.
    pub down: f32,
    /// Offset in 8-bit codes.
    pub offset: f32,
    /// Residual at the middle of each of sixteen levels of the reference.
    pub curve: [f32; LEVELS],
    /// Share of blocks that follow the tone.
    pub share: f32,
}

impl Default for Tone {
    fn default() -> Self {
        Tone { gain: 1.0, across: 0.0, down: 0.0, offset: 0.0, curve: [0.0; LEVELS], share: 1.0 }
    }
}

impl Tone {
    /// Fits the tone of a frame against a reference of one size.
    pub(super) fn fit(
        frame: &BlockMeans,
        reference: &BlockMeans,
        without: Option<&[bool]>,
    ) -> Tone {
        let mut tone = Tone { gain: mode_of_ratios(frame, reference, without), ..Tone::default() };
        if frame.means.len() != reference.means.len() {
            return tone;
        }
        let places = reference.places();
        let means = frame.means.iter().zip(&reference.means);
        let pairs: Vec<Pair> =
            means.zip(places).map(|((frame, plate), (x, y))| [*frame, *plate, x, y]).collect();
        let mut weights = vec![0.0_f32; pairs.len()];
        for round in 0..5 {
            let scale = tone.weigh(&pairs, without, round, &mut weights);
            if !tone.solve(&pairs, &weights, round >= 1) || scale < 1e-3 {
                break;
            }
        }
        tone.weigh(&pairs, without, 5, &mut weights);
        tone.bend(&pairs, &weights);
        tone
    }

    /// Gives each block a Tukey weight; returns the scale of the residuals.
    fn weigh(
        &mut self,
        pairs: &[Pair],
        without: Option<&[bool]>,
        round: usize,
        weights: &mut [f32],
    ) -> f32 {
        let off: Vec<f32> =
            pairs.iter().map(|[frame, plate, x, y]| frame - self.linear(*plate, *x, *y)).collect();
        let free = |at: &usize| without.is_none_or(|out| !out[*at]);
        let mut sizes: Vec<f32> = match without {
            None => off.iter().map(|off| off.abs()).collect(),
            Some(_) => (0..off.len()).filter(free).map(|at| off[at].abs()).collect(),
        };
        let scale = if sizes.is_empty() {
            1.0
        } else {
            // The first rounds trust the nearer third only: half the frame may be occluded.
            let part = if round < 2 { sizes.len() / 3 } else { sizes.len() / 2 };
            let (_, middle, _) = sizes.select_nth_unstable_by(part, f32::total_cmp);
            // Where a third of normal residuals lies: .43 sigma; a half: .674 sigma.
            *middle / if round < 2 { 0.43 } else { 0.674 }
        };
        let reach = 4.685 * scale.max(0.4);
        let mut kept = 0;
        for (at, weight) in weights.iter_mut().enumerate() {
            let part = (off[at] / reach).powi(2);
            *weight = if part < 1.0 && free(&at) { (1.0 - part).powi(2) } else { 0.0 };
            kept += usize::from(*weight > 0.0);
        }
        self.share = kept as f32 / weights.len().max(1) as f32;
        scale
    }

    /// Solves the weighted least squares; slopes only when `slopes`. False if singular.
    fn solve(&mut self, pairs: &[Pair], weights: &[f32], slopes: bool) -> bool {
        let mut sums = [[0.0_f64; 5]; 4];
        for (pair, weight) in pairs.iter().zip(weights).filter(|(_, weight)| **weight > 0.0) {
            let [f, r, x, y] = pair.map(f64::from);
            let (x, y) = if slopes { (x, y) } else { (0.0, 0.0) };
            let row = [r, 1.0, r * x, r * y, f];
            for (i, line) in sums.iter_mut().enumerate() {
                for (sum, value) in line.iter_mut().zip(row) {
                    *sum += f64::from(*weight) * row[i] * value;
                }
            }
        }
        let total: f64 = weights.iter().map(|weight| f64::from(*weight)).sum();
        // A little faith in no offset and no slope keeps flat sets from being singular.
        let faith = [0.0, 1e-3 * total, 1.0 * total, 1.0 * total];
        for (i, faith) in faith.into_iter().enumerate() {
            sums[i][i] += faith;
        }
        let Some([gain, offset, across, down]) = solved(sums) else { return false };
        if !(0.2..5.0).contains(&gain) || offset.abs() > 96.0 {
            return false;
        }
        (self.gain, self.offset) = (gain as f32, offset as f32);
        (self.across, self.down) = (across as f32, down as f32);
        true
    }

    /// Takes the median residual of each level, smoothed over levels that have enough blocks.
    fn bend(&mut self, pairs: &[Pair], weights: &[f32]) {
        let mut off: Vec<Vec<f32>> = vec![Vec::new(); LEVELS];
        for ([frame, value, x, y], weight) in pairs.iter().zip(weights) {
            let residual = frame - self.linear(*value, *x, *y);
            if *weight > 0.0 || residual.abs() < CURVE_CODES / 2.0 {
                off[level(*value)].push(residual);
            }
        }
        for (curve, mut off) in self.curve.iter_mut().zip(off) {
            if off.len() >= LEVEL_BLOCKS {
                let middle = off.len() / 2;
                let (_, median, _) = off.select_nth_unstable_by(middle, f32::total_cmp);
                *curve = median.clamp(-CURVE_CODES, CURVE_CODES);
            }
        }
    }

    fn linear(&self, value: f32, x: f32, y: f32) -> f32 {
        value * (self.gain + self.across * x + self.down * y) + self.offset
    }

    /// Returns what the curve adds at a level of the reference.
    pub(super) fn bent(&self, value: f32) -> f32 {
        let place = (value * (LEVELS as f32 / 256.0) - 0.5).clamp(0.0, (LEVELS - 1) as f32);
        let low = (place as usize).min(LEVELS - 2);
        let part = place - low as f32;
        self.curve[low] * (1.0 - part) + self.curve[low + 1] * part
    }

    /// Writes a reference of `width` in the tone of the frame; `quarters` are those of it.
    pub(super) fn map(&self, reference: &[f32], quarters: &[u16], width: usize, out: &mut [f32]) {
        let (width, height) = (width.max(1), reference.len() / width.max(1));
        let table = self.table();
        let rows = reference.chunks_exact(width).zip(quarters.chunks_exact(width));
        for (row, ((reference, quarters), out)) in rows.zip(out.chunks_exact_mut(width)).enumerate()
        {
            let y = (2 * row + 1) as f32 / height.max(1) as f32 - 1.0;
            let step = 2.0 * self.across / width as f32;
            let first = self.gain + self.down * y - self.across * (1.0 - 1.0 / width as f32);
            // In two steps: the first is done several pixels at a time.
            for (x, (out, value)) in out.iter_mut().zip(reference).enumerate() {
                *out = *value * (first + step * x as i32 as f32);
            }
            for (out, quarter) in out.iter_mut().zip(quarters) {
                *out += table[usize::from(quarter & 1023)];
            }
        }
    }

    /// What offset and curve add at each quarter of a code.
    fn table(&self) -> Box<[f32; 1024]> {
        let mut table = Box::new([0.0; 1024]);
        for (quarter, add) in table.iter_mut().enumerate() {
            *add = self.offset + self.bent((quarter as f32 + 0.5) / 4.0);
        }
        table
    }
}

/// Returns the level of each pixel in quarters of a code, for [`Tone::map`].
pub(super) fn quarters(reference: &[f32]) -> Vec<u16> {
    reference.iter().map(|value| (*value * 4.0).clamp(0.0, 1023.0) as i32 as u16).collect()
}

fn level(value: f32) -> usize {
    ((value.max(0.0) * (LEVELS as f32 / 256.0)) as usize).min(LEVELS - 1)
}

/// What is left of the light after the tone: a smooth field over the blocks, from those that
/// follow the tone; what stands in front is spanned from its surroundings.
pub(super) struct Glow {
    columns: usize,
    rows: usize,
    size: usize,
    codes: Vec<f32>,
}

/// Standard deviation of the window of the field, as a share of the longer side. Ours: wide
/// against a boom and its shadow, narrow against clouds and lamps.
const GLOW_WIDTH: f32 = 0.08;

/// Weight of no residual against that of a clear surrounding.
const GLOW_FAITH: f32 = 0.02;

/// Largest residual that is taken for light, in codes.
const GLOW_CODES: f32 = 6.0;

impl Glow {
    /// Gathers the field; blocks marked in `without` are spanned.
    pub fn of(
        tone: &Tone,
        frame: &BlockMeans,
        reference: &BlockMeans,
        without: Option<&[bool]>,
    ) -> Glow {
        let (columns, rows) = (reference.columns, reference.rows);
        let (mut sums, mut weights) =
            (vec![0.0_f32; columns * rows], vec![0.0_f32; columns * rows]);
        let places = reference.places();
        for at in 0..sums.len().min(frame.means.len()) {
            let (x, y) = places[at];
            let base = reference.means[at];
            let off = frame.means[at] - tone.linear(base, x, y) - tone.bent(base);
            let part = (off / GLOW_CODES).powi(2);
            if part < 1.0 && without.is_none_or(|out| !out[at]) {
                weights[at] = (1.0 - part).powi(2);
                sums[at] = weights[at] * off;
            }
        }
        let sigma = GLOW_WIDTH * columns.max(rows) as f32;
        for plane in [&mut sums, &mut weights] {
            blur(plane, columns, rows, sigma);
        }
        let codes =
            sums.iter().zip(&weights).map(|(sum, weight)| sum / (weight + GLOW_FAITH)).collect();
        Glow { columns, rows, size: reference.size, codes }
    }

    /// Adds the field to a plane of `width`, between the middles of its blocks.
    pub fn add_to(&self, plane: &mut [f32], width: usize) {
        if self.columns == 0 || self.rows == 0 {
            return;
        }
        let place = |at: usize, count: usize| {
            let place = ((at as f32 + 0.5) / self.size as f32 - 0.5).clamp(0.0, (count - 1) as f32);
            let low = (place as usize).min(count.saturating_sub(2));
            (low, (low + 1).min(count - 1), place - low as f32)
        };
        let mut line = vec![0.0_f32; self.columns];
        let across: Vec<(usize, usize, f32)> = (0..width).map(|x| place(x, self.columns)).collect();
        for (y, out) in plane.chunks_exact_mut(width.max(1)).enumerate() {
            let (above, below, part) = place(y, self.rows);
            let row = |row: usize| &self.codes[row * self.columns..(row + 1) * self.columns];
            for ((value, above), below) in line.iter_mut().zip(row(above)).zip(row(below)) {
                *value = above + part * (below - above);
            }
            for (out, (left, right, part)) in out.iter_mut().zip(&across) {
                *out += line[*left] + part * (line[*right] - line[*left]);
            }
        }
    }
}

/// Blurs by a Gaussian, rows then columns; outside counts as nothing.
fn blur(plane: &mut [f32], columns: usize, rows: usize, sigma: f32) {
    let reach = (3.0 * sigma) as usize + 1;
    let taps: Vec<f32> = (0..=reach).map(|at| (-0.5 * (at as f32 / sigma).powi(2)).exp()).collect();
    let whole: f32 = 2.0 * taps.iter().sum::<f32>() - taps[0];
    let mut pass = |count: usize, lines: usize, step: usize, jump: usize| {
        let mut line = vec![0.0_f32; count];
        for at in 0..lines {
            let first = at * jump;
            for (to, out) in line.iter_mut().enumerate() {
                let range = to.saturating_sub(reach)..(to + reach + 1).min(count);
                *out = range
                    .map(|from| taps[from.abs_diff(to)] * plane[first + from * step])
                    .sum::<f32>()
                    / whole;
            }
            for (to, value) in line.iter().enumerate() {
                plane[first + to * step] = *value;
            }
        }
    };
    pass(columns, rows, 1, columns);
    pass(rows, columns, columns, 1);
}

/// The commonest ratio of blocks, to 1 %: steps of half a percent, three taken together.
fn mode_of_ratios(frame: &BlockMeans, reference: &BlockMeans, without: Option<&[bool]>) -> f32 {
    const STEP: f32 = 0.005;
    const COUNT: usize = 640;
    let mut votes = [0_u32; COUNT];
    for (at, (value, base)) in frame.means.iter().zip(&reference.means).enumerate() {
        if *base < DARK || *value < DARK / 2.0 || without.is_some_and(|out| out[at]) {
            continue;
        }
        let place = ((value / base).ln() / STEP) + (COUNT / 2) as f32;
        if (0.0..COUNT as f32).contains(&place) {
            votes[place as usize] += 1;
        }
    }
    let near = |at: usize| votes[at - 1] + 2 * votes[at] + votes[at + 1];
    // The earliest of equals that is nearest to no change, so that the choice is fixed.
    let middle = COUNT / 2;
    let best = (1..COUNT - 1).max_by_key(|at| (near(*at), std::cmp::Reverse(at.abs_diff(middle))));
    match best {
        Some(at) if near(at) > 0 => ((at as f32 + 0.5 - middle as f32) * STEP).exp(),
        _ => 1.0,
    }
}

/// Solves four equations by elimination with pivots.
fn solved(mut m: [[f64; 5]; 4]) -> Option<[f64; 4]> {
    for column in 0..4 {
        let pivot =
            (column..4).max_by(|a, b| m[*a][column].abs().total_cmp(&m[*b][column].abs()))?;
        if m[pivot][column].abs() < 1e-9 {
            return None;
        }
        m.swap(column, pivot);
        let top = m[column];
        for row in (0..4).filter(|row| *row != column) {
            let factor = m[row][column] / top[column];
            for (value, top) in m[row].iter_mut().zip(top).skip(column) {
                *value -= factor * top;
            }
        }
    }
    Some(std::array::from_fn(|row| m[row][4] / m[row][row]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ramp(width: usize, height: usize) -> Plane {
        let value = |at: usize| {
            40.0 + 150.0 * (at % width) as f32 / width as f32 + ((at / width * 7) % 13) as f32
        };
        Plane { width, height, data: (0..width * height).map(value).collect() }
    }

    #[test]
    fn gain_offset_and_slopes_are_found_behind_an_actor() {
        let (width, height) = (320, 180);
        let plate = ramp(width, height);
        let mut frame = plate.clone();
        for (at, value) in frame.data.iter_mut().enumerate() {
            let (x, y) = (at % width, at / width);
            let place = 2.0 * (x as f32 + 0.5) / width as f32 - 1.0;
            *value = *value * (0.85 + 0.03 * place) + 3.0;
            // Two fifths of the frame are somebody in a dark coat.
            if (60..190).contains(&x) && y > 10 {
                *value = 30.0 + (x * y % 17) as f32;
            }
        }
        let tone = Tone::fit(&BlockMeans::of(&frame), &BlockMeans::of(&plate), None);
        assert!((tone.gain - 0.85).abs() < 0.01 && (tone.across - 0.03).abs() < 0.01, "{tone:?}");
        let mut mapped = vec![0.0; width * height];
        tone.map(&plate.data, &quarters(&plate.data), width, &mut mapped);
        let clean = (0..mapped.len()).filter(|at| !(60..190).contains(&(at % width)));
        let worst = clean.map(|at| (mapped[at] - frame.data[at]).abs()).fold(0.0, f32::max);
        assert!(worst < 1.0, "{worst}");
    }

    #[test]
    fn empty_and_even_planes_have_a_tone() {
        for plane in [Plane::default(), Plane { width: 64, height: 48, data: vec![0.0; 64 * 48] }] {
            let blocks = BlockMeans::of(&plane);
            let tone = Tone::fit(&blocks, &blocks, None);
            assert!(tone.gain.is_finite() && tone.offset.abs() < 1e-3, "{tone:?}");
        }
    }
}
