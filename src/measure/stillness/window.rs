//! The scores of a run of frames, and what they say together.

use super::StillnessLimits;
use super::lens::Lens;
use super::spectrum::{Cosines, Energy, SLOW, SLOWEST, jump_score, ratio_for, ratio_score};
use super::swim::{Asked, Swim};
use crate::measure::patterns::Patterns;
use crate::time::Frame;

/// Frames judged together; each window begins half a window after the one before.
pub(super) const WINDOW: usize = 48;
/// Fewer frames than this say nothing about slow and fast.
pub(super) const FEWEST: usize = SLOW + 6;

/// Scores of the frames of a window, one row for each frame. A score that is not a number
/// stands for a hidden tile.
#[derive(Debug, Clone)]
pub(super) struct Window {
    series: usize,
    pub frames: Vec<Frame>,
    rows: Vec<f32>,
    /// Frames already judged in the window before.
    pub judged: usize,
}

/// What one tile did in a window.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Told {
    /// Standard normal score of its motion.
    pub z: f32,
    /// Peak of a sway that would move as much, in pixels.
    pub px: f32,
    /// What that changes, rms over the tile and the frames, in codes.
    pub codes: f32,
    /// Smallest peak that would have been found, in pixels; not finite if it was hidden.
    pub least_px: f32,
}

/// Noise along patterns that no motion makes, for one coefficient of one code.
#[derive(Debug, Clone, Copy)]
struct Floor {
    slow: [f32; SLOW],
    fast: f32,
    /// Independent series it is worth.
    series: f32,
    /// Whether noise is slow here: a codec froze it.
    frozen: bool,
}

impl Window {
    pub fn new(series: usize) -> Self {
        Self { series, frames: Vec::new(), rows: Vec::new(), judged: 0 }
    }

    pub fn is_full(&self) -> bool {
        self.frames.len() >= WINDOW
    }

    /// Begins the row of a frame and returns it.
    pub fn row(&mut self, frame: Frame) -> &mut [f32] {
        self.frames.push(frame);
        let from = self.rows.len();
        self.rows.resize(from + self.series, f32::NAN);
        &mut self.rows[from..]
    }

    /// Lets the older half go.
    pub fn advance(&mut self) {
        let by = self.frames.len().saturating_sub(WINDOW / 2);
        self.frames.drain(..by);
        self.rows.drain(..by * self.series);
        self.judged = self.frames.len();
    }

    pub fn clear(&mut self) {
        self.frames.clear();
        self.rows.clear();
        self.judged = 0;
    }

    fn energy(&self, series: usize, cosines: &Cosines, buffer: &mut Vec<f32>) -> Option<Energy> {
        buffer.clear();
        let values = self.rows.chunks_exact(self.series).map(|row| row[series]);
        buffer.extend(values.filter(|value| value.is_finite()));
        (buffer.len() >= FEWEST).then(|| cosines.energy(buffer))
    }

    /// Judges every tile. Series are two for each lens, then one for each small tile's control.
    pub fn judge(
        &self,
        patterns: &Patterns,
        lenses: &[Lens],
        cosines: &Cosines,
        limits: &StillnessLimits,
        swim: &mut Swim,
    ) -> Vec<Told> {
        let mut buffer = Vec::with_capacity(WINDOW);
        let (across, down) = patterns.tiles();
        let controls: Vec<Option<Energy>> = (0..across * down)
            .map(|tile| self.energy(2 * lenses.len() + tile, cosines, &mut buffer))
            .collect();
        let frozen = is_frozen(&controls);
        let mut scored = Vec::with_capacity(lenses.len());
        for (at, lens) in lenses.iter().enumerate() {
            let energies = [0, 1].map(|axis| self.energy(2 * at + axis, cosines, &mut buffer));
            let floor = Floor::around(patterns, lens, &controls, frozen);
            scored.push(floor.map(|floor| scored_axes(lens, energies, floor, limits)));
        }
        let asked = if frozen {
            for (lens, axes) in lenses.iter().zip(&scored) {
                let moving = axes.iter().flatten().flatten().filter(|axis| axis.z > limits.sure);
                moving.for_each(|axis| swim.note(lens, axis.codes));
            }
            swim.asked(limits.frozen_codes)
        } else {
            Asked::NOTHING
        };
        let told = lenses.iter().zip(&scored).map(|(lens, axes)| {
            axes.as_ref().map_or(Told::HIDDEN, |axes| judged(lens, axes, asked.of(lens), limits))
        });
        told.collect()
    }
}

impl Told {
    const HIDDEN: Told = Told { z: 0.0, px: 0.0, codes: 0.0, least_px: f32::INFINITY };
}

impl Floor {
    /// Takes the floor of a tile from the controls in it and next to it, each as strong as
    /// the slopes are there.
    fn around(
        patterns: &Patterns,
        lens: &Lens,
        controls: &[Option<Energy>],
        frozen: bool,
    ) -> Option<Self> {
        let (across, down) = patterns.tiles();
        let rows = lens.y.saturating_sub(1)..(lens.y + lens.side + 1).min(down);
        let (mut whole, mut squares) = (0.0_f32, 0.0_f32);
        let mut floor = Self { slow: [0.0; SLOW], fast: 0.0, series: 0.0, frozen };
        for y in rows {
            for x in lens.x.saturating_sub(1)..(lens.x + lens.side + 1).min(across) {
                let tile = y * across + x;
                let Some(energy) = &controls[tile] else { continue };
                let own = (lens.x..lens.x + lens.side).contains(&x)
                    && (lens.y..lens.y + lens.side).contains(&y);
                // Neighbours steady the floor of a small tile; a large one needs few.
                let weight = patterns.slopes(tile) as f32 * if own { 1.0 } else { BESIDE };
                whole += weight;
                squares += weight * weight;
                floor.slow.iter_mut().zip(energy.slow).for_each(|(sum, e)| *sum += weight * e);
                floor.fast += weight * energy.fast_level();
            }
        }
        if squares <= 0.0 {
            return None;
        }
        floor.series = whole * whole / squares;
        floor.fast = (floor.fast / whole).max(SMALLEST);
        // Noise that is frozen between refreshes is strongest in the slowest coefficients; it
        // is never below that of the fast ones.
        floor.slow.iter_mut().for_each(|sum| *sum = (*sum / whole).max(floor.fast));
        let slow = f64::from(floor.sum(SLOWEST) / floor.fast) / SLOWEST as f64;
        let series = f64::from(floor.series);
        floor.frozen |= ratio_score(slow, SLOWEST as f64 * series, 35.0 * series) > SURELY;
        Some(floor)
    }

    fn sum(&self, count: usize) -> f32 {
        self.slow[..count].iter().sum()
    }

    /// How many coefficients of white noise vary as much as the first `count` of this.
    fn degrees(&self, count: usize) -> f64 {
        let squares: f32 = self.slow[..count].iter().map(|value| value * value).sum();
        f64::from(self.sum(count) * self.sum(count) / squares.max(f32::MIN_POSITIVE))
    }

    /// Joins the fast level of a series with that of the controls, unless the series is the
    /// noisier one: its own says too little alone. Returns level and degrees of freedom.
    fn fast_with(&self, energy: &Energy) -> (f64, f64) {
        let own = f64::from(energy.fast_level().max(SMALLEST));
        let free = energy.fast_count().max(1) as f64;
        let others = f64::from(self.series).min(3.0);
        let both = (own + others * f64::from(self.fast)) / (1.0 + others);
        if self.frozen || own > 1.3 * both { (own, free) } else { (both, free * (1.0 + others)) }
    }

    /// Degrees of freedom of the floor itself.
    fn own_degrees(&self, each: f64) -> f64 {
        (f64::from(self.series) * each).clamp(4.0, 400.0)
    }
}

/// Tells whether noise is slow in most of the picture: the median of slow against fast, which
/// for white noise is .9 and hardly spreads.
fn is_frozen(controls: &[Option<Energy>]) -> bool {
    let mut ratios: Vec<f32> = controls
        .iter()
        .flatten()
        .map(|energy| energy.slow_sum(SLOWEST) / SLOWEST as f32 / energy.fast_level().max(SMALLEST))
        .collect();
    let middle = ratios.len() / 2;
    !ratios.is_empty() && *ratios.select_nth_unstable_by(middle, f32::total_cmp).1 > FROZEN
}

/// See [`is_frozen`]; midway between white noise and the mildest coding tried.
const FROZEN: f32 = 1.3;

/// How much more a codec may leave along slopes than along the controls next to them.
const UNEVEN: f64 = 2.0;

/// Score beyond which noise is taken to be slow around one tile.
const SURELY: f64 = 4.0;

/// Weight of a control next to a tile against one inside it.
const BESIDE: f32 = 0.35;

/// Squared noise of a picture without any: a step of a sixteenth of a code.
const SMALLEST: f32 = 1.0 / (16.0 * 16.0 * 12.0);

/// What a series along one axis of a tile says.
#[derive(Debug, Clone, Copy)]
struct Axis {
    z: f64,
    /// Energy beyond noise, in square units.
    square: f64,
    /// What that changes, rms over tile and frames, in codes.
    codes: f64,
    /// What the tests ask for at least, and the noise of that, in square units.
    asked: f64,
    fast: f64,
    count: f64,
}

fn scored_axes(
    lens: &Lens,
    energies: [Option<Energy>; 2],
    floor: Floor,
    limits: &StillnessLimits,
) -> [Option<Axis>; 2] {
    energies.map(|energy| {
        let energy = energy?;
        let (z, square) = score(&energy, &floor, limits);
        let (asked, fast) = asked(&energy, &floor, limits);
        let count = energy.count as f64;
        let codes = (square / count / lens.pixels).sqrt();
        Some(Axis { z, square, codes, asked, fast, count })
    })
}

/// `least` is what a sway must change in codes.
fn judged(lens: &Lens, axes: &[Option<Axis>; 2], least: f64, limits: &StillnessLimits) -> Told {
    let mut told = Told::HIDDEN;
    let (mut square_px, mut square_codes) = (0.0, 0.0);
    for (at, axis) in axes.iter().enumerate() {
        let Some(axis) = axis else { continue };
        let unit = lens.unit_px[at];
        let least_px = axis.least(least, lens) * unit;
        if at == 0 {
            told.least_px = least_px as f32;
        }
        // Along an edge displacement neither shows nor can be told.
        if least_px > limits.most_px {
            continue;
        }
        let own_px = (2.0 * axis.square / axis.count).sqrt() * unit;
        if axis.z > limits.sure {
            square_px += own_px * own_px;
            square_codes += axis.codes * axis.codes;
        }
        if own_px >= f64::from(limits.least_px) && axis.codes >= least {
            told.z = told.z.max(axis.z as f32);
        }
    }
    told.px = square_px.sqrt().min(limits.most_px) as f32;
    told.codes = square_codes.sqrt() as f32;
    told
}

/// Scores a series: slow motion must stand out both against its own fast part and against
/// the noise floor; fast motion against the floor alone. The square is the energy beyond
/// noise.
fn score(energy: &Energy, floor: &Floor, limits: &StillnessLimits) -> (f64, f64) {
    let free = energy.fast_count() as f64;
    let (fast, known) = floor.fast_with(energy);
    let slow_of = |count: usize| {
        let own = f64::from(energy.slow_sum(count));
        let in_time = ratio_score(own / count as f64 / fast, count as f64, known);
        if !floor.frozen {
            return in_time;
        }
        let degrees = floor.degrees(count);
        let lower = floor.own_degrees(degrees);
        let in_place = ratio_score(own / UNEVEN / f64::from(floor.sum(count)), degrees, lower);
        in_time.min(in_place)
    };
    let slow = slow_of(SLOWEST).max(slow_of(SLOW));
    let over = f64::from(energy.fast_level() / floor.fast);
    let lower = floor.own_degrees(free);
    let plain = ratio_score(over / limits.uneven_noise, free, lower);
    let jumps = jump_score(energy).min(ratio_score(over, free, lower));
    let noise = f64::from(floor.sum(SLOW)).max(fast * SLOW as f64);
    let slow_square = (f64::from(energy.all_slow()) - noise).max(0.0);
    let quick = plain.max(jumps);
    let fast_square = (f64::from(energy.fast) - f64::from(floor.fast) * free).max(0.0);
    let square = if quick > limits.sure { slow_square + fast_square } else { slow_square };
    (slow.max(quick), square)
}

impl Axis {
    /// Returns the peak of the smallest sway that would have been found nineteen times in
    /// twenty, in units: its energy lies two standard deviations above what is asked for.
    fn least(&self, codes: f64, lens: &Lens) -> f64 {
        let asked = self.asked.max(codes * codes * lens.pixels * self.count);
        let wanted = asked + 4.0 * (asked * self.fast).sqrt();
        (2.0 * wanted / self.count).sqrt()
    }
}

/// Returns the energy the tests ask for, and that of noise.
fn asked(energy: &Energy, floor: &Floor, limits: &StillnessLimits) -> (f64, f64) {
    let (fast, known) = floor.fast_with(energy);
    let count = SLOWEST as f64;
    let mut asked = count * fast * ratio_for(limits.sure, count, known);
    if floor.frozen {
        let degrees = floor.degrees(SLOWEST);
        let over = ratio_for(limits.sure, degrees, floor.own_degrees(degrees));
        asked = asked.max(UNEVEN * f64::from(floor.sum(SLOWEST)) * over);
    }
    (asked, fast)
}
