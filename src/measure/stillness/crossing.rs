//! Small things that pass through the picture: insects, drips, edges of shadows.

use super::swim::{KEPT, MOST as FARTHEST_LUMP, beyond};
use crate::measure::patterns::{CELL, Patterns, Sums, TILE};
use crate::time::Frame;

const CELLS: usize = TILE / CELL;
/// Brightness classes of the noise.
const CLASSES: usize = 16;
/// Steps of the histograms of deviations, and steps a code.
const BINS: usize = 512;
const BINS_A_CODE: f32 = 16.0;
/// Median of the absolute value of a normal variable of variance 1.
const MIDDLE: f32 = 0.6745;
/// Candidates kept in a frame; a picture with more moves everywhere.
const MOST: usize = 4000;
/// Frames a track is summed over.
pub(super) const TRACK: usize = 5;
/// Frames that are enough for something strong.
const STRONG: usize = 3;

/// What is asked of things that pass.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct CrossingLimits {
    /// A cell counts as a candidate beyond this many standard deviations. Ours: about one
    /// cell in 2,000 of pure grain.
    pub candidate: f32,
    /// Sum of the scores of five frames of a track that moves. Ours.
    pub track: f32,
    /// Score that is enough in each of three frames in a row between which it moves. Ours.
    pub strong: f32,
    /// How far a thing may go from one frame to the next, in pixels. Ours: 1/80 of the width
    /// of a high-definition picture.
    pub reach_px: f32,
    /// Least deviation that counts at all, in codes of eight bits. Ours.
    pub least_codes: f32,
}

impl Default for CrossingLimits {
    fn default() -> Self {
        Self { candidate: 3.5, track: 23.0, strong: 6.5, reach_px: 24.0, least_codes: 1.5 }
    }
}

/// A cell that something passed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Passed {
    pub tile: u32,
    /// Frames since the track began.
    pub since: u8,
    pub z: f32,
    pub codes: f32,
}

#[derive(Debug, Clone, Copy)]
struct Candidate {
    x: u16,
    y: u16,
    z: f32,
    codes: f32,
    /// Scores of the last frames of the best track that ends here, the latest first.
    track: [f32; TRACK],
    /// Where it was in them.
    places: [(u16, u16); TRACK],
    length: u8,
}

/// Watches cells from frame to frame.
#[derive(Debug, Clone)]
pub(super) struct Crossings {
    limits: CrossingLimits,
    wide: usize,
    high: usize,
    across: usize,
    down: usize,
    class: Vec<u8>,
    /// Squared noise beyond that of its class (times it), and the squared slope.
    more: Vec<f32>,
    slope: Vec<f32>,
    /// Squared displacement of detail that is taken for noise, in squared pixels.
    swim: f32,
    spread: [f32; CLASSES],
    /// One over the noise of each cell, and the squares of the classes it was taken with.
    weight: Vec<f32>,
    weight_for: [f32; CLASSES],
    weight_swim: f32,
    /// Mean square of each cell's score over the last frames, about fifty.
    history: Vec<f32>,
    /// Deviations of the frame before, and how much of a deviation is new in each frame: 1
    /// for grain, less for noise that a codec froze.
    before: Vec<f32>,
    fresh: f32,
    /// What candidates of late changed in a picture that a codec froze, in codes.
    lumps: Vec<f32>,
    asked: f32,
    last: Vec<Candidate>,
    last_frame: Option<Frame>,
    every: u8,
    heads: Vec<u32>,
}

impl Crossings {
    pub fn new(patterns: &Patterns, limits: CrossingLimits) -> Self {
        let (across, down) = patterns.tiles();
        let (mean, slope, variance, free) = patterns.cell_planes();
        let class: Vec<u8> =
            mean.iter().map(|level| (level / 16.0).clamp(0.0, 15.0) as u8).collect();
        let mut of_class: Vec<Vec<f32>> = vec![Vec::new(); CLASSES];
        for ((class, variance), _) in class.iter().zip(variance).zip(free).filter(|(_, f)| **f) {
            of_class[usize::from(*class)].push(*variance);
        }
        let usual: Vec<f32> = of_class.iter_mut().map(|values| median(values)).collect();
        let more = class.iter().zip(variance).map(|(class, variance)| {
            let usual = usual[usize::from(*class)].max(1e-3);
            (variance / usual).max(1.0)
        });
        Self {
            limits,
            wide: across * CELLS,
            high: down * CELLS,
            across,
            down,
            more: more.collect(),
            slope: slope.iter().map(|slope| slope * slope).collect(),
            swim: LEFTOVER * LEFTOVER,
            class,
            spread: [0.0; CLASSES],
            weight: Vec::new(),
            weight_for: [0.0; CLASSES],
            weight_swim: 0.0,
            history: Vec::new(),
            before: Vec::new(),
            fresh: 1.0,
            lumps: Vec::new(),
            asked: limits.least_codes,
            last: Vec::new(),
            last_frame: None,
            every: 1,
            heads: Vec::new(),
        }
    }

    /// Frames come `every` so many, not one by one.
    pub fn paced(&mut self, every: u32) {
        self.every = u8::try_from(every).unwrap_or(u8::MAX).max(1);
    }

    /// Forgets the tracks: frames were left out.
    pub fn cut(&mut self) {
        self.last.clear();
        self.last_frame = None;
    }

    pub fn see(
        &mut self,
        frame: Frame,
        patterns: &Patterns,
        sums: &Sums,
        light: (f32, f32),
        hidden: &[bool],
    ) -> Vec<Passed> {
        let scores = self.scores(patterns, sums, light, hidden);
        let mut found = self.candidates(&scores);
        self.ask(&found);
        let follows = |last: Frame| frame.0.saturating_sub(last.0) <= i64::from(self.every);
        if self.last_frame.is_some_and(follows) {
            self.link(&mut found);
        }
        let passed = found.iter().filter_map(|candidate| self.judged(candidate)).collect();
        self.last = found;
        self.last_frame = Some(frame);
        passed
    }

    /// Returns the deviation of every cell from the plate in standard deviations, and in
    /// codes; both zero where it cannot be told.
    fn scores(
        &mut self,
        patterns: &Patterns,
        sums: &Sums,
        light: (f32, f32),
        hidden: &[bool],
    ) -> (Vec<f32>, Vec<f32>) {
        let (mean, _, _, free) = patterns.cell_planes();
        let mut off: Vec<f32> = sums
            .cells
            .iter()
            .zip(mean)
            .map(|(now, plate)| now - light.0 * plate - light.1)
            .collect();
        let levels = self.levels(&off, free, hidden);
        let mut told = vec![false; off.len()];
        for (row, (line, told)) in
            off.chunks_exact_mut(self.wide).zip(told.chunks_exact_mut(self.wide)).enumerate()
        {
            let free = &free[row * self.wide..(row + 1) * self.wide];
            for tile in 0..self.across {
                let number = row / CELLS * self.across + tile;
                let is_hidden = hidden.get(number) == Some(&true);
                for cell in tile * CELLS..(tile + 1) * CELLS {
                    told[cell] = free[cell] && !is_hidden;
                    line[cell] = if told[cell] { line[cell] - levels[number] } else { 0.0 };
                }
            }
        }
        let squares = self.class_squares(&off, &told);
        self.follow_swim(&off, &told, &squares);
        self.weigh(&squares);
        self.freshen(&off);
        let mut z: Vec<f32> = off.iter().zip(&self.weight).map(|(off, by)| off * by).collect();
        self.history.resize(z.len(), 1.0);
        for (z, history) in z.iter_mut().zip(&mut self.history) {
            let square = (*z * *z).min(25.0);
            *z /= history.max(1.0).sqrt();
            *history += (square - *history) * 0.02;
        }
        (z, off)
    }

    /// Compares deviations with those of the frame before.
    fn freshen(&mut self, off: &[f32]) {
        if self.before.len() == off.len() {
            let size = |values: &mut dyn Iterator<Item = f32>| {
                median(&mut values.filter(|value| *value != 0.0).map(f32::abs).collect::<Vec<_>>())
            };
            let whole = size(&mut off.iter().step_by(11).copied());
            let two = off.iter().zip(&self.before).step_by(11);
            let steps = size(&mut two.map(|(now, before)| now - before));
            if whole > 0.0 {
                let now = (steps / whole / std::f32::consts::SQRT_2).min(1.0);
                self.fresh += (now - self.fresh) * 0.25;
            }
        }
        self.before.clear();
        self.before.extend_from_slice(off);
    }

    /// Takes how far steep cells are displaced beyond noise: what the lock-off leaves, and
    /// edges that a codec lets swim.
    fn follow_swim(&mut self, off: &[f32], told: &[bool], squares: &[f32; CLASSES]) {
        let steep = (0..off.len()).filter(|at| told[*at]).filter_map(|at| {
            let noise = squares[usize::from(self.class[at])] * self.more[at];
            (STEEP * STEEP * self.slope[at] > noise)
                .then(|| (off[at] * off[at] / (MIDDLE * MIDDLE) - noise) / self.slope[at])
        });
        let mut steep: Vec<f32> = steep.step_by(3).collect();
        if steep.len() >= 50 {
            let now = median(&mut steep).clamp(LEFTOVER * LEFTOVER, FARTHEST * FARTHEST);
            let mean = self.swim + (now - self.swim) * 0.1;
            self.swim = now.max(mean);
        }
    }

    /// Takes one over the noise of each cell anew where the noise has changed.
    fn weigh(&mut self, squares: &[f32; CLASSES]) {
        let near = |(now, before): (&f32, &f32)| (now / before - 1.0).abs() < 0.1;
        let swims = near((&self.swim, &self.weight_swim));
        if swims && squares.iter().zip(&self.weight_for).all(near) {
            return;
        }
        let swim = self.swim;
        let cells = self.class.iter().zip(&self.more).zip(&self.slope);
        self.weight.clear();
        self.weight.extend(cells.map(|((class, more), slope)| {
            1.0 / (squares[usize::from(*class)] * more + swim * slope).sqrt()
        }));
        self.weight_for = *squares;
        self.weight_swim = swim;
    }

    /// Mean deviation around each small tile, five by five of them: light that drifts.
    fn levels(&self, off: &[f32], free: &[bool], hidden: &[bool]) -> Vec<f32> {
        let mut sums = vec![(0.0_f32, 0.0_f32); self.across * self.down];
        for (row, line) in off.chunks_exact(self.wide).enumerate() {
            let free = &free[row * self.wide..(row + 1) * self.wide];
            for tile in 0..self.across {
                let number = row / CELLS * self.across + tile;
                if hidden.get(number) == Some(&true) {
                    continue;
                }
                for cell in tile * CELLS..(tile + 1) * CELLS {
                    if free[cell] {
                        sums[number].0 += line[cell].clamp(-20.0, 20.0);
                        sums[number].1 += 1.0;
                    }
                }
            }
        }
        let near = |at: usize, most: usize| at.saturating_sub(2)..(at + 3).min(most);
        let around = |x: usize, y: usize| {
            let (mut sum, mut count) = (0.0, 0.0);
            for row in near(y, self.down) {
                for column in near(x, self.across) {
                    let (own, cells) = sums[row * self.across + column];
                    sum += own;
                    count += cells;
                }
            }
            if count > 0.0 { sum / count } else { 0.0 }
        };
        (0..self.across * self.down).map(|at| around(at % self.across, at / self.across)).collect()
    }

    /// Robust squared spread of each brightness class in this frame, never below a slow
    /// average of earlier ones: noise that is frozen shows between places, not in time.
    fn class_squares(&mut self, off: &[f32], told: &[bool]) -> [f32; CLASSES] {
        let mut counts = vec![[0_u32; BINS]; CLASSES];
        let mut whole = [0_u32; CLASSES];
        for at in (0..off.len()).step_by(3).filter(|at| told[*at]) {
            let class = usize::from(self.class[at]);
            let bin = (off[at].abs() * BINS_A_CODE) as usize;
            counts[class][bin.min(BINS - 1)] += 1;
            whole[class] += 1;
        }
        let mut squares = [0.0; CLASSES];
        for class in 0..CLASSES {
            if whole[class] >= 50 {
                let now = median_of(&counts[class], whole[class]) / MIDDLE;
                let before = self.spread[class];
                self.spread[class] =
                    if before == 0.0 { now } else { before + (now - before) * 0.1 };
                squares[class] = now.max(self.spread[class]);
            }
        }
        fill_gaps(&mut squares);
        squares.map(|spread| (spread * spread).max(FLOOR))
    }

    fn candidates(&self, (z, off): &(Vec<f32>, Vec<f32>)) -> Vec<Candidate> {
        let (wide, high) = (self.wide, self.high);
        let mut four = vec![0.0_f32; z.len()];
        for y in 0..high.saturating_sub(1) {
            let (top, bottom) = (&z[y * wide..(y + 1) * wide], &z[(y + 1) * wide..(y + 2) * wide]);
            for (x, out) in four[y * wide..(y + 1) * wide - 1].iter_mut().enumerate() {
                *out = 0.5 * (top[x] + top[x + 1] + bottom[x] + bottom[x + 1]);
            }
        }
        let share = 1.0 / spread_of(&four).max(1.0);
        let tail = self.tail(z, &four, share);
        let limit = self.limits.candidate;
        let strong: Vec<f32> = z
            .iter()
            .zip(&four)
            .map(|(one, four)| {
                let four = four * share;
                if four.abs() >= one.abs() * 0.9 { four * tail } else { one * 0.9 * tail }
            })
            .collect();
        let mut found = Vec::new();
        for y in 0..high {
            for x in 0..wide {
                let own = strong[y * wide + x];
                if own.abs() <= limit || !is_peak(&strong, wide, high, x, y) {
                    continue;
                }
                let codes = off[y * wide + x];
                found.push(Candidate {
                    x: x as u16,
                    y: y as u16,
                    z: own,
                    codes,
                    track: [own.abs(), 0.0, 0.0, 0.0, 0.0],
                    places: [(x as u16, y as u16); TRACK],
                    length: 1,
                });
            }
        }
        if found.len() > MOST {
            found.sort_by(|a, b| b.z.abs().total_cmp(&a.z.abs()).then((a.y, a.x).cmp(&(b.y, b.x))));
            found.truncate(MOST);
        }
        found
    }

    /// Returns one over how much farther the strongest cells of most blocks of 64 pixels lie
    /// out than those of normal noise would: what codecs leave has long tails.
    fn tail(&self, z: &[f32], four: &[f32], share: f32) -> f32 {
        let side = 4 * CELLS;
        let mut most: Vec<f32> = Vec::new();
        for y in (0..self.high).step_by(side) {
            for x in (0..self.wide).step_by(side) {
                let right = (x + side).min(self.wide);
                let rows = (y..(y + side).min(self.high)).map(|row| row * self.wide);
                let own = rows.flat_map(|row| row + x..row + right).fold(0.0_f32, |most, at| {
                    most.max((four[at] * share).abs()).max(0.9 * z[at].abs())
                });
                most.push(own);
            }
        }
        1.0 / (median(&mut most) / STRONGEST_OF_BLOCK).max(1.0)
    }

    /// Hangs each candidate on the best track of the frame before within reach.
    fn link(&mut self, found: &mut [Candidate]) {
        let (across, none) = (self.across, u32::MAX);
        self.heads.clear();
        self.heads.resize(self.across * self.down, none);
        let mut next = vec![none; self.last.len()];
        for (at, candidate) in self.last.iter().enumerate() {
            let tile = usize::from(candidate.y) / CELLS * across + usize::from(candidate.x) / CELLS;
            next[at] = self.heads[tile];
            self.heads[tile] = at as u32;
        }
        let reach = self.limits.reach_px / CELL as f32;
        let tiles = (reach / CELLS as f32).ceil() as usize;
        for candidate in found.iter_mut() {
            let (x, y) = (usize::from(candidate.x) / CELLS, usize::from(candidate.y) / CELLS);
            let mut best: Option<(f32, u32)> = None;
            for row in y.saturating_sub(tiles)..(y + tiles + 1).min(self.down) {
                for column in x.saturating_sub(tiles)..(x + tiles + 1).min(across) {
                    let mut at = self.heads[row * across + column];
                    while at != none {
                        let before = &self.last[at as usize];
                        if before.z * candidate.z > 0.0 && distance(before, candidate) <= reach {
                            // What stays where it is is linked to itself.
                            let sum = before.track[..TRACK - 1].iter().sum::<f32>()
                                - FARTHER * distance(before, candidate);
                            if best.is_none_or(|(most, _)| sum > most) {
                                best = Some((sum, at));
                            }
                        }
                        at = next[at as usize];
                    }
                }
            }
            if let Some((_, at)) = best {
                let before = &self.last[at as usize];
                candidate.track[1..].copy_from_slice(&before.track[..TRACK - 1]);
                candidate.places[1..].copy_from_slice(&before.places[..TRACK - 1]);
                candidate.length = before.length.saturating_add(1);
            }
        }
    }

    /// Takes what a thing must change in codes to count. Where a codec froze the noise, blocks
    /// that it codes anew stand out singly: then it must stand out of those of late.
    fn ask(&mut self, found: &[Candidate]) {
        let least = self.limits.least_codes;
        if self.fresh >= FROZEN {
            self.lumps.clear();
            self.asked = least;
            return;
        }
        self.lumps.extend(found.iter().map(|candidate| candidate.codes.abs()));
        self.lumps.drain(..self.lumps.len().saturating_sub(KEPT));
        let least = f64::from(least * MORE * MORE);
        self.asked =
            beyond(&self.lumps).map_or(least, |far| far.clamp(least, FARTHEST_LUMP * least)) as f32;
    }

    fn judged(&self, candidate: &Candidate) -> Option<Passed> {
        let limits = &self.limits;
        let more = if self.fresh < FROZEN { MORE } else { 1.0 };
        if candidate.codes.abs() < self.asked {
            return None;
        }
        let sum: f32 = candidate.track.iter().sum();
        let (first, here) = (candidate.places[TRACK - 1], candidate.places[0]);
        let went = first.0.abs_diff(here.0).max(first.1.abs_diff(here.1));
        let moves = |count: usize| {
            candidate.places[..count].windows(2).filter(|two| two[0] != two[1]).count()
        };
        let long = usize::from(candidate.length) >= TRACK;
        let tracked = long && sum >= limits.track * more && went >= 2 && moves(TRACK) >= 2;
        let strong = candidate.track[..STRONG].iter().all(|z| *z >= limits.strong * more);
        let quick = strong && moves(STRONG) == STRONG - 1;
        if !tracked && !quick {
            return None;
        }
        let tile =
            usize::from(candidate.y) / CELLS * self.across + usize::from(candidate.x) / CELLS;
        let steps = if tracked { TRACK as u8 - 1 } else { STRONG as u8 - 1 };
        let since = steps.saturating_mul(self.every);
        Some(Passed { tile: tile as u32, since, z: candidate.z.abs(), codes: candidate.codes })
    }
}

/// Median over blocks of the strongest of 256 cells and of their sums by four, for normal
/// noise whose neighbours are alike as grain is; measured.
const STRONGEST_OF_BLOCK: f32 = 3.3;

/// Share of new noise below which a codec is taken to have frozen it; then more is asked.
const FROZEN: f32 = 0.9;
const MORE: f32 = 1.35;

/// Displacement that is always taken for noise, in pixels: below what the lock-off tells from
/// one frame.
const LEFTOVER: f32 = 0.04;
/// Largest such displacement. Ours: codecs predict by quarters of a pixel.
const FARTHEST: f32 = 0.3;
/// A cell is steep where this displacement, in pixels, shows more than its noise. Ours.
const STEEP: f32 = 0.15;

/// What a track loses for each cell it goes from one frame to the next.
const FARTHER: f32 = 0.3;

/// Least squared noise of a cell in codes: an eighth of a code, below what eight bits step.
const FLOOR: f32 = 0.125 * 0.125;

fn distance(a: &Candidate, b: &Candidate) -> f32 {
    let off = |a: u16, b: u16| f32::from(a.abs_diff(b));
    off(a.x, b.x).hypot(off(a.y, b.y))
}

fn is_peak(strong: &[f32], wide: usize, high: usize, x: usize, y: usize) -> bool {
    let own = strong[y * wide + x].abs();
    for row in y.saturating_sub(1)..(y + 2).min(high) {
        for column in x.saturating_sub(1)..(x + 2).min(wide) {
            let other = strong[row * wide + column].abs();
            let earlier = (row, column) < (y, x);
            if other > own || (other == own && earlier) {
                return false;
            }
        }
    }
    true
}

fn median_of(counts: &[u32; BINS], whole: u32) -> f32 {
    let mut left = whole / 2;
    for (bin, count) in counts.iter().enumerate() {
        if *count > left {
            return (bin as f32 + left as f32 / *count as f32) / BINS_A_CODE;
        }
        left -= count;
    }
    BINS as f32 / BINS_A_CODE
}

fn median(values: &mut [f32]) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f32::total_cmp).1
}

fn spread_of(values: &[f32]) -> f32 {
    let mut some: Vec<f32> =
        values.iter().step_by(7).filter(|v| **v != 0.0).map(|value| value.abs()).collect();
    median(&mut some) / MIDDLE
}

/// Gives classes with too few cells the spread of the nearest that has enough.
fn fill_gaps(values: &mut [f32; CLASSES]) {
    let known = *values;
    for at in 0..CLASSES {
        if known[at] == 0.0 {
            let nearest = (0..CLASSES).filter(|other| known[*other] > 0.0);
            let nearest = nearest.min_by_key(|other| other.abs_diff(at));
            values[at] = nearest.map_or(0.0, |other| known[other]);
        }
    }
}
