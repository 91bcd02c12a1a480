//! The mean of the plate, made ready to be looked for in other frames.

use super::calm::{self, Place};
use super::gauss::{self, RUN, RUN_PIXELS, Taps};
use crate::measure::plane::{Excluded, Plane, View};
use std::ops::Range;

/// Tiles across the frame.
pub const TILE_COLUMNS: usize = 16;

/// Tiles down the frame.
pub const TILE_ROWS: usize = 9;

/// Most runs of samples that are looked at: 8,000 runs of 16 keep a frame of any size to a
/// few milliseconds, and twice as many lower the error by a tenth only.
const MOST_RUNS: usize = 7_000;

/// Runs of a tile without texture.
const FLAT_RUNS: usize = 12;

/// Pixels at the edge of the frame that are left out: coding and scaling are at their worst
/// there, and small moves must not carry a run out of the picture.
const MARGIN: usize = 8;

/// Slope below which a tile counts as flat, rms over its chosen runs, in 1/255 of the
/// brightest code a pixel. Ours: frozen coding noise of one 8-bit code stays below it.
const FLAT: f32 = 0.6;

/// One run of samples, every second pixel of a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Run {
    pub x: u32,
    pub y: u32,
}

/// A part of the frame whose displacement is found on its own.
#[derive(Debug, Clone)]
pub(super) struct Tile {
    /// Column and row.
    pub cell: (usize, usize),
    /// Middle of its slopes, from the middle of the frame.
    pub middle: (f64, f64),
    /// Its runs.
    pub runs: Range<usize>,
    /// Mean level, taken off the samples.
    pub level: f32,
    /// Whether it has enough texture to be looked for.
    pub textured: bool,
}

/// Level and slopes of the plate's mean at the samples worth looking at.
#[derive(Debug, Clone)]
pub(super) struct Template {
    pub width: usize,
    pub height: usize,
    pub peak: f32,
    pub tiles: Vec<Tile>,
    pub runs: Vec<Run>,
    /// Smoothed level less the tile's, for each run.
    pub level: Vec<[f32; RUN]>,
    pub slope_x: Vec<[f32; RUN]>,
    pub slope_y: Vec<[f32; RUN]>,
}

/// A run and what was seen there, before it is known whether it is kept.
struct Candidate {
    run: Run,
    level: [f32; RUN],
    slope_x: [f32; RUN],
    slope_y: [f32; RUN],
    energy: f32,
}

impl Template {
    /// Chooses the runs with most slope in each tile, where the plate holds still if its
    /// variance is known; `peak` is the brightest code.
    pub fn new(
        mean: &Plane,
        variance: Option<&Plane>,
        excluded: Option<&Excluded>,
        peak: f32,
    ) -> Option<Template> {
        let view = mean.view()?;
        let mut tiles = candidates(view, excluded);
        if let Some(variance) = variance.and_then(Plane::view) {
            drop_busy(&mut tiles, variance, peak);
        }
        let mut template = Template {
            width: mean.width,
            height: mean.height,
            peak,
            tiles: Vec::new(),
            runs: Vec::new(),
            level: Vec::new(),
            slope_x: Vec::new(),
            slope_y: Vec::new(),
        };
        for tile in &mut tiles {
            // Ties keep the order of the picture, so that the choice is always the same.
            tile.sort_by(|a, b| b.energy.total_cmp(&a.energy));
        }
        let counts = shared_out(&tiles, peak);
        for (number, (mut tile, count)) in tiles.into_iter().zip(counts).enumerate() {
            tile.truncate(count);
            tile.sort_by_key(|candidate| (candidate.run.y, candidate.run.x));
            template.add((number % TILE_COLUMNS, number / TILE_COLUMNS), &tile);
        }
        Some(template)
    }

    fn add(&mut self, cell: (usize, usize), chosen: &[Candidate]) {
        if chosen.is_empty() {
            return;
        }
        let samples = (chosen.len() * RUN) as f64;
        let sum = chosen.iter().flat_map(|candidate| candidate.level).map(f64::from).sum::<f64>();
        let level = (sum / samples) as f32;
        let start = self.runs.len();
        let (mut weight, mut at) = (0.0, (0.0, 0.0));
        for candidate in chosen {
            for sample in 0..RUN {
                let slope = candidate.slope_x[sample].hypot(candidate.slope_y[sample]);
                let energy = f64::from(slope).powi(2) + 1e-9;
                weight += energy;
                at.0 += energy * (f64::from(candidate.run.x) + 2.0 * sample as f64);
                at.1 += energy * f64::from(candidate.run.y);
            }
            self.runs.push(candidate.run);
            self.level.push(candidate.level.map(|value| value - level));
            self.slope_x.push(candidate.slope_x);
            self.slope_y.push(candidate.slope_y);
        }
        let (half_x, half_y) = self.half();
        let rms = (weight / samples).sqrt() as f32;
        self.tiles.push(Tile {
            cell,
            middle: (at.0 / weight - half_x, at.1 / weight - half_y),
            runs: start..self.runs.len(),
            level,
            textured: rms * 255.0 / self.peak > FLAT,
        });
    }

    /// Tells for each run whether the part of another plate that lies there is busy.
    pub fn busy(&self, variance: View<'_, f32>) -> Vec<bool> {
        let mut places = Vec::with_capacity(self.runs.len());
        for tile in &self.tiles {
            for run in tile.runs.clone() {
                let slopes = self.slope_x[run].iter().chain(&self.slope_y[run]);
                let energy: f32 = slopes.map(|slope| slope * slope).sum();
                let mean = self.level[run].iter().sum::<f32>() / RUN as f32 + tile.level;
                places.push(place(variance, self.runs[run], mean, energy));
            }
        }
        calm::busy(&places, f64::from(self.peak))
    }

    /// Returns the rectangle of a tile in pixels, ends exclusive.
    pub fn rectangle(&self, tile: &Tile) -> (Range<usize>, Range<usize>) {
        let (column, row) = tile.cell;
        let across = |at: usize| (at * self.width).div_ceil(TILE_COLUMNS);
        let down = |at: usize| (at * self.height).div_ceil(TILE_ROWS);
        (across(column)..across(column + 1), down(row)..down(row + 1))
    }

    /// Returns the middle of the frame in pixels.
    pub fn half(&self) -> (f64, f64) {
        ((self.width as f64 - 1.0) / 2.0, (self.height as f64 - 1.0) / 2.0)
    }
}

/// Returns how many runs each tile gets, its strongest first. Flat tiles get a few, to know
/// their light; what they leave goes to those with texture, up to two thirds of each: the
/// weakest add cost and little else.
fn shared_out(tiles: &[Vec<Candidate>], peak: f32) -> Vec<usize> {
    let few = |tile: &Vec<Candidate>| tile.len().min(FLAT_RUNS);
    let textured: Vec<bool> = tiles
        .iter()
        .map(|tile| {
            let strong = &tile[..few(tile)];
            let energy: f32 = strong.iter().map(|candidate| candidate.energy).sum();
            let rms = (energy / (strong.len() * RUN).max(1) as f32).sqrt();
            rms * 255.0 / peak > FLAT
        })
        .collect();
    let flat: usize = tiles
        .iter()
        .zip(&textured)
        .filter(|(_, textured)| !**textured)
        .map(|(tile, _)| few(tile))
        .sum();
    let all: usize = tiles
        .iter()
        .zip(&textured)
        .filter(|(_, textured)| **textured)
        .map(|(tile, _)| tile.len())
        .sum();
    let left = MOST_RUNS.saturating_sub(flat) as f64;
    let share = (left / all.max(1) as f64).min(2.0 / 3.0);
    let count = |(tile, textured): (&Vec<Candidate>, &bool)| {
        if *textured { (tile.len() as f64 * share).ceil() as usize } else { few(tile) }
    };
    tiles.iter().zip(&textured).map(count).collect()
}

/// Rows between runs: neighbouring rows see the same grain through the Gaussian.
fn row_step(height: usize) -> usize {
    (height / 270).clamp(2, 16)
}

fn candidates(view: View<'_, f32>, excluded: Option<&Excluded>) -> Vec<Vec<Candidate>> {
    let (width, height) = (view.width(), view.height());
    let mut tiles: Vec<Vec<Candidate>> = Vec::new();
    tiles.resize_with(TILE_COLUMNS * TILE_ROWS, Vec::new);
    for y in (MARGIN..height.saturating_sub(MARGIN)).step_by(row_step(height)) {
        let last = width.saturating_sub(MARGIN + RUN_PIXELS);
        for x in (MARGIN..=last.max(MARGIN)).step_by(RUN_PIXELS) {
            let free =
                excluded.is_none_or(|out| out.is_free(x - 4..x + RUN_PIXELS + 4, y - 4..y + 5));
            let Some(candidate) = candidate(view, x, y).filter(|_| free) else { continue };
            let column = (x + RUN_PIXELS / 2) * TILE_COLUMNS / width;
            tiles[y * TILE_ROWS / height * TILE_COLUMNS + column.min(TILE_COLUMNS - 1)]
                .push(candidate);
        }
    }
    tiles
}

/// Leaves out what moves while the plate runs.
fn drop_busy(tiles: &mut [Vec<Candidate>], variance: View<'_, f32>, peak: f32) {
    let of = |candidate: &Candidate| {
        let mean = candidate.level.iter().sum::<f32>() / RUN as f32;
        place(variance, candidate.run, mean, candidate.energy)
    };
    let places: Vec<Place> = tiles.iter().flatten().map(of).collect();
    let mut busy = calm::busy(&places, f64::from(peak)).into_iter();
    for tile in tiles {
        tile.retain(|_| !busy.next().unwrap_or(false));
    }
}

/// Gathers what is known of a run and the rows its samples come from.
fn place(variance: View<'_, f32>, run: Run, level: f32, energy: f32) -> Place {
    let (x, y) = (run.x as usize, run.y as usize);
    let rows = [y.saturating_sub(2), y, y + 2];
    let values = rows.into_iter().filter_map(|row| variance.run(x, row, RUN_PIXELS));
    let (sum, count) = values
        .flatten()
        .fold((0.0_f64, 0_u32), |(sum, count), value| (sum + f64::from(*value), count + 1));
    Place {
        level: f64::from(level),
        slope: f64::from(energy) / RUN as f64,
        variance: sum / f64::from(count.max(1)),
    }
}

fn candidate(view: View<'_, f32>, x: usize, y: usize) -> Option<Candidate> {
    let (smooth, slope) = (gauss::smooth(0.0), gauss::slope());
    let seen = |across: &Taps, down: &Taps| {
        let mut out = [0.0; RUN];
        gauss::run(view, (x as i64, y as i64), (across, down), &mut out).then_some(out)
    };
    let (slope_x, slope_y) = (seen(&slope, &smooth)?, seen(&smooth, &slope)?);
    let energy = slope_x.iter().chain(&slope_y).map(|slope| slope * slope).sum();
    let run = Run { x: u32::try_from(x).ok()?, y: u32::try_from(y).ok()? };
    Some(Candidate { run, level: seen(&smooth, &smooth)?, slope_x, slope_y, energy })
}
