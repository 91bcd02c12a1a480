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
const MOST_FRAMES: u32 = 8;

/// Difference of the gain between levels that counts. Ours: a quarter of a code of 8 bits at
/// mid grey.
pub const LEVELS: f64 = 0.005;

/// What another curve may leave of that difference, at most, and the part of the blocks it
/// must still gather. Ours.
const LEFT: f64 = 0.33;
const GATHERED: f64 = 0.95;

/// What the pictures say of a claimed encoding.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub enum Tested {
    /// The light never changed enough to tell, or the background shows too few levels.
    CannotTell,
    /// The gain is much the same at all levels, or no other curve makes it so.
    Holds {
        /// Difference of the gain between levels, relative; mean over the frames asked.
        spread: f64,
    },
    /// The claim does not fit (`encoding-doubtful`): the gain differs between levels, and
    /// another curve takes most of the difference away.
    Doubtful {
        /// The curve that leaves least.
        better: Curve,
        /// Difference of the gain between levels under the claim, relative.
        spread: f64,
        /// The same under the better curve.
        left: f64,
    },
}

/// What one curve made of the frames asked, added up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evidence {
    /// The curve.
    pub curve: Curve,
    /// Blocks that agree on one gain.
    pub blocks: f64,
    /// Differences of the gain between levels.
    pub spreads: f64,
    /// Frames in which the difference is five times its standard error.
    pub sure: u32,
}

/// Gathers evidence over the frames of a take.
#[derive(Debug, Clone)]
pub struct EncodingTest {
    plate: Plate,
    claimed: Curve,
    signal: LightTable,
    tables: Vec<LightTable>,
    evidence: Vec<Evidence>,
    frames: u32,
}

impl EncodingTest {
    /// Begins a test of a claim.
    pub fn new(plate: Plate, claimed: Curve) -> EncodingTest {
        let tables = Curve::ALL.map(|curve| LightTable::new(Some(curve))).to_vec();
        let none = |curve| Evidence { curve, blocks: 0.0, spreads: 0.0, sure: 0 };
        let evidence = Curve::ALL.map(none).to_vec();
        let signal = LightTable::new(None);
        EncodingTest { plate, claimed, signal, tables, evidence, frames: 0 }
    }

    /// Adds a frame; it counts only if its light differs enough from the plate's.
    pub fn add(&mut self, frame: &Blocks) {
        if self.frames >= MOST_FRAMES || !self.plate.is_like(frame) {
            return;
        }
        let channel = main_channel(frame.channels.len());
        let coded = self.plate.ratios(frame, channel, &self.signal, None);
        let noise = self.plate.noise_range();
        // How far the signal changes in the middle: by it, not by a gain of the claim, so that
        // a false claim cannot hide a change.
        let mut changes: Vec<f64> = coded.iter().map(|block| (block.ratio - 1.0).abs()).collect();
        if changes.is_empty() || fit::quantile(&mut changes, 0.5) < LEAST_CHANGE {
            return;
        }
        let in_curve = |table: &LightTable| {
            let blocks = self.plate.ratios(frame, channel, table, None);
            fit::fit(&blocks, noise).ok().map(|fit| (fit, blocks))
        };
        let fits: Vec<Option<(Fit, Vec<Ratio>)>> = self.tables.iter().map(in_curve).collect();
        // One window for all, or a poor fit would widen its own.
        let narrow = |window: f64, fit: &(Fit, Vec<Ratio>)| window.min(fit.0.window);
        let window = fits.iter().flatten().fold(f64::INFINITY, narrow);
        for (evidence, fit) in self.evidence.iter_mut().zip(&fits) {
            let Some((fit, blocks)) = fit else { continue };
            let (spread, sure) = level_spread(fit, blocks);
            evidence.blocks += fit::mass(blocks, fit.tilt, window, |_| true);
            evidence.spreads += spread;
            evidence.sure += u32::from(sure);
        }
        self.frames += 1;
    }

    /// Returns what every curve made of the frames so far, and their number.
    pub fn evidence(&self) -> (&[Evidence], u32) {
        (&self.evidence, self.frames)
    }

    /// Returns what the frames so far say.
    pub fn verdict(&self) -> Tested {
        let claimed = self.evidence.iter().find(|evidence| evidence.curve == self.claimed);
        let (Some(claimed), true) = (claimed, self.frames > 0) else { return Tested::CannotTell };
        let most = self.evidence.iter().fold(0.0_f64, |most, evidence| most.max(evidence.blocks));
        let frames = f64::from(self.frames);
        let able = |evidence: &&Evidence| evidence.blocks >= GATHERED * most;
        let per_frame = |evidence: &Evidence| evidence.spreads / frames;
        let flatter = |a: &&Evidence, b: &&Evidence| a.spreads.total_cmp(&b.spreads);
        let best = self.evidence.iter().filter(able).min_by(flatter);
        let (Some(best), true) = (best, most > 0.0) else { return Tested::CannotTell };
        // A claim under which the blocks agree on nothing has no levels to compare.
        let (spread, left) = (per_frame(claimed), per_frame(best));
        let lost = claimed.blocks < 0.5 * most;
        let uneven = 2 * claimed.sure > self.frames && spread > LEVELS && left < LEFT * spread;
        if lost || uneven {
            Tested::Doubtful { better: best.curve, spread, left }
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
