//! Burnt-in letters.

use super::Area;
use crate::measure::{Mask, View};

/// What counts as burnt-in text. All ours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TextLimits {
    /// Darkest level of letters, in codes of eight bits.
    pub bright_codes: f32,
    /// How far the level may fall within two pixels at the edge of a letter, at least.
    pub edge_codes: f32,
    /// How far a pixel of a letter may waver from frame to frame: coding noise.
    pub waver_codes: f32,
    /// Smallest and largest height of a line, as parts of the frame's height.
    pub height: (f64, f64),
    /// How near the edge of the frame, or of a matte, the middle of a line is at most, as a
    /// part of the frame's height.
    pub from_edge: f64,
    /// Fewest letters of a line.
    pub letters: usize,
}

impl Default for TextLimits {
    fn default() -> Self {
        Self {
            bright_codes: 150.0,
            edge_codes: 70.0,
            waver_codes: 4.0,
            height: (0.012, 0.12),
            from_edge: 0.2,
            letters: 4,
        }
    }
}

/// What was counted for each pixel.
#[derive(Debug, Clone, Default)]
pub(super) struct Counts {
    /// Frames in which it was bright, with a hard edge near.
    lit: Vec<u32>,
    /// Steps from lit to lit with hardly any change.
    held: Vec<u32>,
    /// Steps from lit to lit with more change than coding makes.
    wavered: Vec<u32>,
    /// Sum and sum of squares of its level where lit.
    level: Vec<[f32; 2]>,
    was: Mask,
}

impl Counts {
    pub(super) fn see(&mut self, frame: &View<'_, f32>, last: Option<&[f32]>) {
        let limits = TextLimits::default();
        if last.is_none() {
            let count = frame.data().len();
            self.lit = vec![0; count];
            self.held = vec![0; count];
            self.wavered = vec![0; count];
            self.level = vec![[0.0; 2]; count];
        }
        let lit = lit(frame, &limits);
        for (x, y) in lit.pixels() {
            let at = y * frame.width() + x;
            let value = frame.data()[at];
            self.lit[at] += 1;
            self.level[at][0] += value;
            self.level[at][1] += value * value;
            if let Some(last) = last.filter(|_| self.was.has(x, y)) {
                let wavers = (value - last[at]).abs() > limits.waver_codes;
                let count = if wavers { &mut self.wavered } else { &mut self.held };
                count[at] += 1;
            }
        }
        self.was = lit;
    }

    /// Lines of letters.
    pub(super) fn lines(
        &self,
        frames: usize,
        (width, height): (usize, usize),
        picture: Option<Area>,
        limits: &TextLimits,
    ) -> Vec<Area> {
        let letters = Mask::from_fn(width, height, |x, y| self.is_letter(y * width + x, frames));
        let seen = Seen { counts: self, letters: &letters, frames, picture, limits };
        let least = (limits.height.0 * height as f64).max(5.0);
        let most = limits.height.1 * height as f64;
        let glyphs: Vec<Area> = parts(&letters)
            .into_iter()
            .filter(|part| {
                let tall = (part.bottom - part.top) as f64;
                tall >= least && tall <= most && (part.right - part.left) as f64 <= 2.0 * tall
            })
            .collect();
        let mut lines: Vec<Area> = rows_of(&glyphs)
            .into_iter()
            .filter(|line| seen.is_burnt(line))
            .map(|line| around(&line, width, height))
            .collect();
        lines.sort_by_key(|line| (line.top, line.left));
        lines
    }

    /// A letter's pixel was lit in some frames, or in all, and never wavered while it was.
    fn is_letter(&self, at: usize, frames: usize) -> bool {
        let (lit, held, wavered) = (self.lit[at], self.held[at], self.wavered[at]);
        let often = lit as usize * 12 >= frames.min(120);
        often && lit > 0 && wavered * 8 <= held + wavered
    }

    fn level(&self, at: usize) -> f32 {
        self.level[at][0] / (self.lit[at] as f32).max(1.0)
    }
}

/// Pixels that are bright with darkness close on both sides along a row or a column: strokes.
fn lit(frame: &View<'_, f32>, limits: &TextLimits) -> Mask {
    let (width, height) = (frame.width(), frame.height());
    let wide = widest(height, limits);
    let columns = Darkest::along_columns(frame, wide);
    let (mut row_least, mut scratch) = (Vec::new(), Vec::new());
    let mut mask = Mask::new(width, height);
    let mut strokes = vec![false; width];
    for (y, row) in frame.data().chunks_exact(width.max(1)).enumerate() {
        if !row.iter().fold(false, |any, value| any | (*value >= limits.bright_codes)) {
            continue;
        }
        least_of_runs(row, wide, &mut row_least, &mut scratch);
        let (left, right) = (&row_least[..width], &row_least[wide + 1..]);
        let (above, below) = columns.around(y);
        let sides = left.iter().zip(right).zip(above.iter().zip(below));
        for ((stroke, value), ((left, right), (above, below))) in
            strokes.iter_mut().zip(row).zip(sides)
        {
            let dark = |other: &f32| value - other >= limits.edge_codes;
            *stroke = (*value >= limits.bright_codes)
                & ((dark(left) & dark(right)) | (dark(above) & dark(below)));
        }
        let lit = strokes.iter().enumerate().filter(|(_, stroke)| **stroke);
        lit.for_each(|(x, _)| mask.set(x, y));
    }
    mask
}

/// No stroke is wider than this: a quarter of the tallest line.
fn widest(height: usize, limits: &TextLimits) -> usize {
    ((limits.height.1 * height as f64) / 4.0).ceil().clamp(3.0, 16.0) as usize
}

/// Writes the least of every run of `wide` values of a row that has `wide` values beyond
/// each end, which are never least: run `at` ends before value `at` of the row.
fn least_of_runs(row: &[f32], wide: usize, out: &mut Vec<f32>, scratch: &mut Vec<f32>) {
    scratch.clear();
    scratch.resize(wide, f32::INFINITY);
    scratch.extend_from_slice(row);
    scratch.resize(row.len() + 2 * wide, f32::INFINITY);
    let mut reach = 1;
    while reach < wide {
        // A run of `reach`, and another that begins `step` later, are one of `reach + step`.
        let step = reach.min(wide - reach);
        let count = scratch.len() - step;
        out.clear();
        out.extend(scratch[..count].iter().zip(&scratch[step..]).map(|(a, b)| a.min(*b)));
        std::mem::swap(out, scratch);
        reach += step;
    }
    std::mem::swap(out, scratch);
}

/// The least of every run of rows, column by column.
struct Darkest {
    width: usize,
    wide: usize,
    /// Run `at` ends before row `at` of the frame.
    least: Vec<f32>,
}

impl Darkest {
    fn along_columns(frame: &View<'_, f32>, wide: usize) -> Darkest {
        let width = frame.width();
        let beyond = wide * width;
        let mut least = Vec::with_capacity(frame.data().len() + 2 * beyond);
        least.resize(beyond, f32::INFINITY);
        least.extend_from_slice(frame.data());
        least.resize(frame.data().len() + 2 * beyond, f32::INFINITY);
        let mut reach = 1;
        while reach < wide {
            let step = reach.min(wide - reach);
            // Row by row from above: a row is written after the last time it is read.
            let count = least.len() - step * width;
            for from in (0..count).step_by(width.max(1)) {
                let (head, tail) = least.split_at_mut(from + step * width);
                let (head, tail) = (&mut head[from..from + width], &tail[..width]);
                head.iter_mut().zip(tail).for_each(|(a, b)| *a = a.min(*b));
            }
            least.truncate(count);
            reach += step;
        }
        Darkest { width, wide, least }
    }

    /// The least above and below each pixel of a row.
    fn around(&self, y: usize) -> (&[f32], &[f32]) {
        let row = |at: usize| &self.least[at * self.width..(at + 1) * self.width];
        (row(y), row(y + self.wide + 1))
    }
}

/// Bounds of the connected parts of a set.
fn parts(set: &Mask) -> Vec<Area> {
    let mut left = set.clone();
    let mut found = Vec::new();
    let mut open = Vec::new();
    for start in set.pixels() {
        if !left.has(start.0, start.1) {
            continue;
        }
        let mut area =
            Area { left: start.0, top: start.1, right: start.0 + 1, bottom: start.1 + 1 };
        left.clear(start.0, start.1);
        open.push(start);
        while let Some((x, y)) = open.pop() {
            area.left = area.left.min(x);
            area.right = area.right.max(x + 1);
            area.bottom = area.bottom.max(y + 1);
            for row in y.saturating_sub(1)..=y + 1 {
                for column in x.saturating_sub(1)..=x + 1 {
                    if left.has(column, row) {
                        left.clear(column, row);
                        open.push((column, row));
                    }
                }
            }
        }
        found.push(area);
    }
    found
}

/// Joins letters of one height that stand side by side.
fn rows_of(glyphs: &[Area]) -> Vec<Vec<Area>> {
    let mut glyphs = glyphs.to_vec();
    glyphs.sort_by_key(|area| (area.left, area.top));
    let mut lines: Vec<Vec<Area>> = Vec::new();
    for glyph in glyphs {
        let follows = |line: &&mut Vec<Area>| {
            line.last().is_some_and(|last| {
                let (tall, other) = (glyph.bottom - glyph.top, last.bottom - last.top);
                let shared = glyph.bottom.min(last.bottom).saturating_sub(glyph.top.max(last.top));
                let gap = glyph.left.saturating_sub(last.right);
                shared * 10 >= tall.max(other) * 7 && gap <= 2 * tall.max(other)
            })
        };
        match lines.iter_mut().find(follows) {
            Some(line) => line.push(glyph),
            None => lines.push(vec![glyph]),
        }
    }
    lines
}

/// The bounds of a line, with room for what changes beside the letters seen.
fn around(line: &[Area], width: usize, height: usize) -> Area {
    let tall = line.iter().map(|area| area.bottom - area.top).max().unwrap_or(0);
    let room = 1 + tall / 4;
    let least = |of: fn(&Area) -> usize| line.iter().map(of).min().unwrap_or(0);
    let most = |of: fn(&Area) -> usize| line.iter().map(of).max().unwrap_or(0);
    Area {
        left: least(|area| area.left).saturating_sub(room),
        top: least(|area| area.top).saturating_sub(room),
        right: (most(|area| area.right) + room).min(width),
        bottom: (most(|area| area.bottom) + room).min(height),
    }
}

struct Seen<'a> {
    counts: &'a Counts,
    letters: &'a Mask,
    frames: usize,
    picture: Option<Area>,
    limits: &'a TextLimits,
}

impl Seen<'_> {
    /// Tells whether a line of letters was burnt in: enough of them, near the edge, of one
    /// level, thin in their boxes.
    fn is_burnt(&self, line: &[Area]) -> bool {
        line.len() >= self.limits.letters && self.is_near_edge(line) && self.is_of_one_level(line)
    }

    fn is_near_edge(&self, line: &[Area]) -> bool {
        let height = self.letters.height();
        let near = self.limits.from_edge * height as f64;
        let top = line.iter().map(|area| area.top).min().unwrap_or(0);
        let bottom = line.iter().map(|area| area.bottom).max().unwrap_or(0);
        let middle = (top + bottom) as f64 / 2.0;
        let (above, below) = self.picture.map_or((0, height), |area| (area.top, area.bottom));
        middle - above as f64 <= near || below as f64 - middle <= near
    }

    /// Most pixels of letters lie within a few codes of their middle level, and were held
    /// there in nearly every frame.
    fn is_of_one_level(&self, line: &[Area]) -> bool {
        let width = self.letters.width();
        let inside = line
            .iter()
            .flat_map(|area| area.rows().flat_map(move |y| area.columns().map(move |x| (x, y))));
        let inside = inside.filter(|(x, y)| self.letters.has(*x, *y));
        let at: Vec<usize> = inside.map(|(x, y)| y * width + x).collect();
        let mut levels: Vec<f32> = at.iter().map(|at| self.counts.level(*at)).collect();
        levels.sort_by(f32::total_cmp);
        let Some(top) = levels.get(levels.len() * 3 / 4).copied() else { return false };
        let one = levels.iter().filter(|level| (*level - top).abs() <= 6.0).count();
        let held: u64 = at.iter().map(|at| u64::from(self.counts.held[*at])).sum();
        let wavered: u64 = at.iter().map(|at| u64::from(self.counts.wavered[*at])).sum();
        let settled = self.frames < 2 || wavered * 50 <= held + wavered;
        one * 2 >= levels.len() && settled && top >= self.limits.bright_codes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The plain way: every pixel looks at its neighbours one by one.
    fn plain(frame: &View<'_, f32>, limits: &TextLimits) -> Mask {
        let (width, height, data) = (frame.width(), frame.height(), frame.data());
        let wide = widest(height, limits);
        Mask::from_fn(width, height, |x, y| {
            let value = data[y * width + x];
            let dark = |other: f32| value - other >= limits.edge_codes;
            let left = (x.saturating_sub(wide)..x).any(|x| dark(data[y * width + x]));
            let right = (x + 1..(x + 1 + wide).min(width)).any(|x| dark(data[y * width + x]));
            let above = (y.saturating_sub(wide)..y).any(|y| dark(data[y * width + x]));
            let below = (y + 1..(y + 1 + wide).min(height)).any(|y| dark(data[y * width + x]));
            value >= limits.bright_codes && (left && right || above && below)
        })
    }

    #[test]
    fn strokes_are_those_of_the_plain_way() {
        for (width, height) in [(97, 33), (64, 130), (200, 540), (33, 32)] {
            let mut state = 7_u32;
            let data: Vec<f32> = (0..width * height)
                .map(|_| {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    let dark = if state >> 28 == 3 { 90.0 } else { 0.0 };
                    140.0 + (state >> 24) as f32 / 4.0 - dark
                })
                .collect();
            let frame = View::new(width, height, &data).unwrap();
            let limits = TextLimits::default();
            let found = lit(&frame, &limits);
            assert_eq!(found, plain(&frame, &limits), "{width}x{height}");
            assert!(found.count() > 10 && found.count() < width * height / 2);
        }
    }
}
