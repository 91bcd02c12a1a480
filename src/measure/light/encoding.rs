//! A claimed encoding held against the pictures: in the right one, light is one gain at all
//! levels.

use super::blocks::Blocks;
use super::fit::{self, Fit, Ratio};
use super::main_channel;
use super::plate::Plate;
use crate::measure::transfer::{Curve, LightTable};

/// Least change of light that tells curves apart. Ours: below, all curves fit alike.
const LEAST_CHANGE: f64 = 0.02;

/// Frames asked. Ours: each takes as long as a score of ordinary measures.
const MOST_FRAMES: usize = 8;

/// Another curve must gather this many times the blocks. Ours.
const CLEARLY: f64 = 1.1;

/// Difference of the gain between levels that counts, if it is also five times its standard
/// error. Ours: a quarter of a code of 8 bits at mid grey.
const LEVELS: f64 = 0.005;

/// What the pictures say of a claimed encoding.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Tested {
    /// The light never changed enough to tell, or the background shows too few levels.
    CannotTell,
    /// No other curve fits clearly better, and the gain is the same at all levels.
    Holds {
        /// Largest difference of the gain between levels, relative.
        spread: f64,
    },
    /// The claim does not fit (`encoding-doubtful`).
    Doubtful {
        /// A curve that fits clearly better, the best of them.
        better: Option<Curve>,
        /// Largest difference of the gain between levels under the claim, relative.
        spread: f64,
    },
}

/// Gathers evidence over the frames of a take.
#[derive(Debug, Clone)]
pub struct EncodingTest {
    plate: Plate,
    claimed: Curve,
    tables: Vec<(Curve, LightTable)>,
    masses: Vec<f64>,
    spreads: Vec<(f64, bool)>,
}

impl EncodingTest {
    /// Begins a test of a claim.
    pub fn new(plate: Plate, claimed: Curve) -> EncodingTest {
        let tables = Curve::ALL.map(|curve| (curve, LightTable::new(Some(curve)))).to_vec();
        let masses = vec![0.0; tables.len()];
        EncodingTest { plate, claimed, tables, masses, spreads: Vec::new() }
    }

    /// Adds a frame; it counts only if its light differs enough from the plate's.
    pub fn add(&mut self, frame: &Blocks) {
        if self.spreads.len() >= MOST_FRAMES || !self.plate.is_like(frame) {
            return;
        }
        let channel = main_channel(frame.channels.len());
        let coded = self.plate.ratios(frame, channel, &LightTable::new(None), None);
        let noise = self.plate.noise_range();
        // How far the signal changes in the middle: by it, not by a gain of the claim, so that
        // a false claim cannot hide a change.
        let mut changes: Vec<f64> = coded.iter().map(|block| (block.ratio - 1.0).abs()).collect();
        changes.sort_by(f64::total_cmp);
        if changes.get(changes.len() / 2).is_none_or(|change| *change < LEAST_CHANGE) {
            return;
        }
        let fits: Vec<Option<(Fit, Vec<Ratio>)>> = self
            .tables
            .iter()
            .map(|(_, table)| {
                let blocks = self.plate.ratios(frame, channel, table, None);
                fit::fit(&blocks, noise).ok().map(|fit| (fit, blocks))
            })
            .collect();
        // One window for all, or a poor fit would widen its own.
        let narrow = |window: f64, fit: &(Fit, Vec<Ratio>)| window.min(fit.0.window);
        let window = fits.iter().flatten().fold(f64::INFINITY, narrow);
        for ((mass, fit), (curve, _)) in self.masses.iter_mut().zip(&fits).zip(&self.tables) {
            let Some((fit, blocks)) = fit else { continue };
            *mass += fit::mass(blocks, fit.tilt, window, |_| true);
            if *curve == self.claimed {
                self.spreads.push(level_spread(fit, blocks));
            }
        }
        if fits
            .iter()
            .zip(&self.tables)
            .all(|(fit, (curve, _))| fit.is_none() || *curve != self.claimed)
        {
            self.spreads.push((0.0, false));
        }
    }

    /// Returns what the frames so far say.
    pub fn verdict(&self) -> Tested {
        let mass_of = |wanted: Curve| {
            let at = self.tables.iter().position(|(curve, _)| *curve == wanted);
            at.and_then(|at| self.masses.get(at)).copied().unwrap_or(0.0)
        };
        let all = self.tables.iter().zip(&self.masses);
        let best = all.max_by(|a, b| a.1.total_cmp(b.1)).filter(|(_, mass)| **mass > 0.0);
        let Some(((best, _), mass)) = best else { return Tested::CannotTell };
        let better = (*mass > CLEARLY * mass_of(self.claimed)).then_some(*best);
        let spread = self.spreads.iter().fold(0.0_f64, |most, (spread, _)| most.max(*spread));
        let uneven = 2 * self.spreads.iter().filter(|(_, sure)| *sure).count() > self.spreads.len();
        if better.is_some() || uneven {
            Tested::Doubtful { better, spread }
        } else {
            Tested::Holds { spread }
        }
    }
}

/// Relative difference of the gain between five groups of levels, and whether it is sure.
fn level_spread(fit: &Fit, blocks: &[Ratio]) -> (f64, bool) {
    let near = |block: &&Ratio| fit.tilt.off(block).abs() < 2.0 * fit.window;
    let mut near: Vec<&Ratio> = blocks.iter().filter(near).collect();
    near.sort_by(|a, b| a.level.total_cmp(&b.level));
    let groups: Vec<(f64, f64)> = near
        .chunks((near.len() / 5).max(20))
        .filter(|group| group.len() >= 20)
        .map(|group| {
            let mut lefts: Vec<f64> =
                group.iter().map(|block| fit.tilt.off(block) * block.slope).collect();
            lefts.sort_by(f64::total_cmp);
            let middle = lefts[lefts.len() / 2];
            // Spread by the quartiles; 1.2533 is the price of a median on normal noise.
            let quartile = |part: usize| lefts[lefts.len() * part / 4];
            let noise = (quartile(3) - quartile(1)) / 1.349;
            (middle, 1.2533 * noise / (lefts.len() as f64).sqrt())
        })
        .collect();
    let low = groups.iter().copied().min_by(|a, b| a.0.total_cmp(&b.0));
    let high = groups.iter().copied().max_by(|a, b| a.0.total_cmp(&b.0));
    let (Some(low), Some(high)) = (low, high) else { return (0.0, false) };
    let spread = high.0 - low.0;
    (spread, spread > LEVELS && spread > 5.0 * low.1.hypot(high.1))
}
