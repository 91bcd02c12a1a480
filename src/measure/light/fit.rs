//! One gain, and a plane of gain, from many ratios of which a large part may be wrong.
//!
//! A block that still shows the background has the ratio of the light; one that an actor
//! covers has any other. The ratios' histogram gives starting points (its modes, at several
//! widths); each is settled by Tukey-weighted least squares with a window that narrows to
//! the noise, first for a gain, then for a plane and, if asked, a lift: a signal added
//! everywhere, which changes dark ratios most. The start that gathers most blocks wins.
//! If the blocks it leaves out agree among themselves on another gain, and are more than
//! half as many, nobody can tell which of them is the background.

use super::errors::{gain_error, lift_errors, slope_errors};
use super::modes::modes;
use super::normal::Sums;

/// Tukey's constant: 95 % efficient on normal noise (Beaton & Tukey, Technometrics 16, 1974).
pub(super) const TUKEY: f64 = 4.685;

/// A rival with more than this part of the winner's blocks makes the answer unsafe. Ours.
const RIVAL: f64 = 0.5;

/// From this part of the blocks on, those left over cannot be a rival: they are at most
/// `1 - part`, and a rival has more than `RIVAL * part`.
const NO_RIVAL: f64 = 1.0 / (1.0 + RIVAL);

/// Fewest blocks an answer may rest on, and the smallest part of those that could be used.
/// Ours: chance gathers up to 2 % of the blocks of unlike pictures in a narrow window.
const FEWEST: usize = 24;
const SMALLEST_SHARE: f64 = 0.04;

/// Blocks on which starts are tried; all others join for the last steps.
const TRIED: usize = 2048;

/// One block that can be compared.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratio {
    /// Column and row of the block.
    pub at: (u32, u32),
    /// Centre, -.5 to .5 of the picture, x right, y down.
    pub x: f64,
    /// See `x`.
    pub y: f64,
    /// Signal of the plate.
    pub level: f64,
    /// Light of the frame over light of the plate.
    pub ratio: f64,
    /// Relative change of the light when the signal changes by 1: turns ratios into signal.
    pub slope: f64,
}

/// Which terms a fit may use besides one gain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Terms {
    /// Slopes of the gain over the picture.
    pub plane: bool,
    /// A signal added everywhere.
    pub lift: bool,
}

/// Gain over the picture: `gain + x * across + y * down`, x and y from -.5 to .5, and a
/// signal added to it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Surface {
    /// Gain at the centre.
    pub gain: f64,
    /// Change from the left edge to the right.
    pub across: f64,
    /// Change from the top edge to the bottom.
    pub down: f64,
    /// Signal added to what the gain makes of the plate.
    pub lift: f64,
}

impl Surface {
    /// Returns a gain without a plane.
    pub fn flat(gain: f64) -> Surface {
        Surface { gain, across: 0.0, down: 0.0, lift: 0.0 }
    }

    /// Returns the gain at a place.
    pub fn at(self, x: f64, y: f64) -> f64 {
        self.gain + self.across * x + self.down * y
    }

    /// Returns the ratio expected of a block. The lift counts by the slope, which is the
    /// relative change of the light for a change of the signal.
    pub fn of(self, block: &Ratio) -> f64 {
        self.at(block.x, block.y) + self.lift * block.slope
    }

    /// Returns how far the signal is off what this gain makes of the plate.
    pub fn off(self, block: &Ratio) -> f64 {
        let ratio = self.of(block);
        (block.ratio - ratio) / (block.slope * ratio.abs().max(1e-6))
    }
}

/// What the ratios agree on.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The gain as one number: with a plane, its mean over the blocks used.
    pub gain: f64,
    /// Standard error of `gain`, with the correlation of neighbouring blocks in it.
    pub error: f64,
    /// The plane, and the lift if it was asked for.
    pub tilt: Surface,
    /// Standard errors of the two slopes.
    pub slope_errors: (f64, f64),
    /// Standard error of the gain at the centre: above `error` where a lift was fitted.
    pub gain_error: f64,
    /// Standard error of the lift, in signal; 0 if none was asked for.
    pub lift_error: f64,
    /// Spread of what is left over the blocks used, in signal.
    pub residual: f64,
    /// How far a block may be off and still count, in signal.
    pub window: f64,
    /// Blocks used, by index.
    pub used: Vec<usize>,
}

/// Why the ratios agree on nothing.
#[derive(Debug, Clone, PartialEq)]
pub enum NoFit {
    /// Too few blocks to compare: dark, clipped or masked.
    TooFew(usize),
    /// Two gains, each with many blocks.
    Rivals(f64, f64),
    /// Two gains, one among the dark blocks and one among the bright.
    ByLevel(f64, f64),
    /// No gain stands out; the ratios lie between these two.
    Scattered(f64, f64),
}

/// Noise of a block mean in signal: what it is at least and at most.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// Least: no picture is exact to less than a part of a code.
    pub least: f64,
    /// Most: what a plate shows, with room for a grainier frame. Without it a crowd of unlike
    /// blocks would pass for one noisy background.
    pub most: f64,
}

/// Finds the gain most blocks agree on, with a plane.
///
/// # Errors
///
/// Why there is no safe answer.
pub fn fit(blocks: &[Ratio], noise: Noise) -> Result<Fit, NoFit> {
    fit_with(blocks, noise, Terms { plane: true, lift: false })
}

/// As [`fit`], with the terms that are asked for.
///
/// # Errors
///
/// Why there is no safe answer.
pub fn fit_with(blocks: &[Ratio], noise: Noise, terms: Terms) -> Result<Fit, NoFit> {
    if blocks.len() < FEWEST {
        return Err(NoFit::TooFew(blocks.len()));
    }
    let tried = some(blocks);
    let noise_at = |gain: f64| neighbour_noise(blocks, gain).max(noise.least).min(noise.most);
    let mut settled: Vec<Settled> = Vec::new();
    for (gain, width) in modes(&tried) {
        let noise = noise_at(gain);
        let tilt = narrow(&tried, Surface::flat(gain), width, noise, terms);
        let count = mass(&tried, tilt, TUKEY * noise, |_| true);
        settled.push(Settled { tilt, noise, count });
        // What is left is then less than half as many: no rival is possible.
        if count > NO_RIVAL * tried.len() as f64 {
            break;
        }
    }
    settled.sort_by(|a, b| b.count.total_cmp(&a.count));
    let Some(best) = settled.first().copied() else { return Err(NoFit::TooFew(0)) };
    if best.count < SMALLEST_SHARE * tried.len() as f64 {
        return Err(scattered(&tried));
    }
    if let Some(rival) = rival(&tried, &settled) {
        let (low, high) =
            (best.tilt.gain.min(rival.tilt.gain), best.tilt.gain.max(rival.tilt.gain));
        return Err(if by_level(&tried, best, rival) {
            NoFit::ByLevel(low, high)
        } else {
            NoFit::Rivals(low, high)
        });
    }
    let fit = finish(blocks, best, noise.most, terms);
    if stands_out(blocks, &fit) { Ok(fit) } else { Err(scattered(&tried)) }
}

/// Returns every so manieth block: enough to try a start on.
fn some(blocks: &[Ratio]) -> Vec<Ratio> {
    blocks.iter().step_by(blocks.len().div_ceil(TRIED).max(1)).copied().collect()
}

/// Tells whether the blocks crowd about the gain: fewer than half as many lie in the window
/// on either side of its own. Chance fills both alike.
fn stands_out(blocks: &[Ratio], fit: &Fit) -> bool {
    let beside =
        |block: &&Ratio| (fit.window..2.0 * fit.window).contains(&fit.tilt.off(block).abs());
    fit.used.len() >= FEWEST && 2 * blocks.iter().filter(beside).count() < fit.used.len()
}

/// One start and what it led to.
#[derive(Clone, Copy)]
struct Settled {
    tilt: Surface,
    noise: f64,
    count: f64,
}

/// Returns another agreement, among the blocks the best leaves out.
fn rival(blocks: &[Ratio], settled: &[Settled]) -> Option<Settled> {
    let best = settled.first()?;
    let left_out = |block: &Ratio| best.tilt.off(block).abs() > TUKEY * best.noise;
    let many = |other: &&Settled| {
        mass(blocks, other.tilt, TUKEY * other.noise, left_out) > RIVAL * best.count
    };
    settled[1..].iter().find(many).copied()
}

/// Tells whether two gains belong to different levels: the middle halves of the levels at
/// which each is found do not overlap. A thing in front has no reason to do that; a signal
/// whose curve was not undone has.
fn by_level(blocks: &[Ratio], one: Settled, other: Settled) -> bool {
    let levels = |of: Settled, not: Settled| {
        let own = |block: &&Ratio| {
            of.tilt.off(block).abs() < TUKEY * of.noise
                && not.tilt.off(block).abs() > TUKEY * not.noise
        };
        let mut levels: Vec<f64> = blocks.iter().filter(own).map(|block| block.level).collect();
        [0.25, 0.75].map(|part| quantile(&mut levels, part))
    };
    let (one, other) = (levels(one, other), levels(other, one));
    one[1] < other[0] || other[1] < one[0]
}

fn scattered(blocks: &[Ratio]) -> NoFit {
    let mut ratios: Vec<f64> = blocks.iter().map(|block| block.ratio).collect();
    ratios.sort_by(f64::total_cmp);
    let at = |part: f64| ratios[((ratios.len() - 1) as f64 * part) as usize];
    NoFit::Scattered(at(0.1), at(0.9))
}

/// Tukey's weight of what is `off` in a window.
pub(super) fn weight(off: f64, window: f64) -> f64 {
    let part = off / window;
    if part.abs() >= 1.0 { 0.0 } else { (1.0 - part * part).powi(2) }
}

/// Returns how many blocks a gain gathers in a window, those at its foot in part.
pub(super) fn mass(
    blocks: &[Ratio],
    tilt: Surface,
    window: f64,
    counted: impl Fn(&Ratio) -> bool,
) -> f64 {
    let counted = blocks.iter().filter(|block| counted(block));
    counted.map(|block| weight(tilt.off(block), window)).sum()
}

/// Noise of a block mean in signal, from neighbours: both show the same light, so their
/// difference is noise, whatever the gradient.
fn neighbour_noise(blocks: &[Ratio], gain: f64) -> f64 {
    let near = |block: &Ratio| (block.ratio / gain - 1.0).abs() < 0.12;
    let pairs = blocks.len().saturating_sub(1);
    let mut differences: Vec<f64> = blocks
        .windows(2)
        .step_by(pairs.div_ceil(TRIED).max(1))
        .filter(|pair| pair[0].at.1 == pair[1].at.1 && pair[0].at.0 + 1 == pair[1].at.0)
        .filter(|pair| near(&pair[0]) && near(&pair[1]))
        .map(|pair| {
            let spread = pair[0].slope.hypot(pair[1].slope) * gain;
            (pair[0].ratio - pair[1].ratio).abs() / spread
        })
        .collect();
    // A quarter of normal numbers lie within .3186 of their spread; the lower quarter is used
    // because most pairs may belong to something in front. Sound while more than a quarter
    // of the pairs in the window show the background.
    quantile(&mut differences, 0.25) / 0.3186
}

fn median(values: &mut [f64]) -> f64 {
    quantile(values, 0.5)
}

pub(super) fn quantile(values: &mut [f64], part: f64) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let at = (values.len() as f64 * part) as usize;
    *values.select_nth_unstable_by(at.min(values.len() - 1), f64::total_cmp).1
}

/// Follows the weighted blocks while the window narrows from `width` to the noise.
fn narrow(blocks: &[Ratio], start: Surface, width: f64, noise: f64, terms: Terms) -> Surface {
    let mut slopes: Vec<f64> = blocks.iter().map(|block| block.slope).collect();
    let last = TUKEY * noise;
    let mut window = (3.0 * width / median(&mut slopes).max(1e-9)).max(last);
    let mut tilt = start;
    for step in 0..14 {
        let terms = if step < 3 { FLAT } else { terms };
        let Some(moved) = step_of(blocks, tilt, window, noise, terms) else { return tilt };
        tilt = moved;
        window = (window * 0.75).max(last);
    }
    tilt
}

/// One gain and nothing else.
const FLAT: Terms = Terms { plane: false, lift: false };

/// One weighted least-squares step; `None` if no block counts.
fn step_of(
    blocks: &[Ratio],
    tilt: Surface,
    window: f64,
    noise: f64,
    terms: Terms,
) -> Option<Surface> {
    let mut sums = Sums::default();
    for block in blocks {
        let weight = weight(tilt.off(block), window) / (block.slope * block.slope);
        if weight > 0.0 {
            let columns = [1.0, block.x, block.y, block.slope];
            sums.add(weight, columns, block.ratio);
        }
    }
    sums.solve(noise * tilt.gain, terms)
}

/// Settles on all blocks and works out the errors.
fn finish(blocks: &[Ratio], best: Settled, most: f64, terms: Terms) -> Fit {
    let mut noise = best.noise;
    let mut tilt = best.tilt;
    for _ in 0..3 {
        tilt = step_of(blocks, tilt, TUKEY * noise, noise, terms).unwrap_or(tilt);
        // The blocks may scatter more than neighbours differ: texture that moved a little.
        noise = spread(blocks, tilt, 2.0 * TUKEY * noise)
            .min(3.0 * best.noise)
            .min(most)
            .max(best.noise);
    }
    let window = TUKEY * noise;
    let slope_errors = slope_errors(blocks, tilt, window);
    let steep = |slope: f64, error: f64| slope.abs() > 5.0 * error;
    let tilted = steep(tilt.across, slope_errors.0) || steep(tilt.down, slope_errors.1);
    let weights = |tilt: Surface| {
        move |block: &Ratio| weight(tilt.off(block), window) / (block.slope * block.slope)
    };
    let mut flat = Surface::flat(mean(blocks, weights(tilt)));
    let tilted = tilted || terms.lift;
    for _ in 0..if tilted { 0 } else { 6 } {
        flat = step_of(blocks, flat, window, noise, FLAT).unwrap_or(flat);
    }
    let model = if tilted { tilt } else { flat };
    let used = (0..blocks.len()).filter(|at| tilt.off(&blocks[*at]).abs() < window).collect();
    let error = gain_error(blocks, model, window);
    let residual = spread(blocks, tilt, window);
    let (lift_error, gain_error) =
        if terms.lift { lift_errors(blocks, tilt, window, error) } else { (0.0, error) };
    let gain = flat.gain;
    Fit { gain, error, tilt, slope_errors, gain_error, lift_error, residual, window, used }
}

fn mean(blocks: &[Ratio], weight: impl Fn(&Ratio) -> f64) -> f64 {
    let (mut sum, mut all) = (0.0, 0.0);
    for block in blocks {
        let weight = weight(block);
        sum += weight * block.ratio;
        all += weight;
    }
    sum / all.max(f64::MIN_POSITIVE)
}

/// Spread of the signal about the gain by the median, of the blocks in a window.
fn spread(blocks: &[Ratio], tilt: Surface, window: f64) -> f64 {
    let offs = blocks.iter().map(|block| tilt.off(block).abs());
    1.4826 * median(&mut offs.filter(|off| *off < window).collect::<Vec<_>>())
}

/// Fits from the middle ratio, which most blocks are taken to share: where nothing covers
/// more than half. `None` if there are too few blocks.
pub(super) fn settle(blocks: &[Ratio], noise: Noise, terms: Terms) -> Option<Fit> {
    if blocks.len() < FEWEST {
        return None;
    }
    let mut ratios: Vec<f64> = blocks.iter().map(|block| block.ratio).collect();
    let start = Surface::flat(median(&mut ratios));
    let own = neighbour_noise(blocks, start.gain).max(noise.least).min(noise.most);
    let tried = some(blocks);
    let tilt = narrow(&tried, start, 0.06, own, terms);
    Some(finish(blocks, Settled { tilt, noise: own, count: 0.0 }, noise.most, terms))
}

/// Fits other terms to the blocks another fit used; `None` if none counts.
pub(super) fn refit(blocks: &[Ratio], fit: &Fit, noise: Noise, terms: Terms) -> Option<Surface> {
    // Wide enough for what the other terms took up, and for all blocks to count.
    let window = 16.0 * fit.window.max(TUKEY * noise.least);
    let tried = some(blocks);
    let mut surface = Surface::flat(fit.gain);
    for _ in 0..3 {
        surface = step_of(&tried, surface, window, noise.least, terms)?;
    }
    Some(surface)
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOISE: Noise = Noise { least: 1e-4, most: 4e-3 };

    /// Blocks of a grid whose ratios a closure gives, each a signal of its own noise off.
    fn grid(ratio: impl Fn(usize, usize) -> f64) -> Vec<Ratio> {
        let (columns, rows) = (60, 40);
        let mut state = 9_u64;
        let mut noise = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_041);
            // Sum of four uniform numbers, spread .0016.
            let parts = (0..4).map(|n| (state >> (16 * n) & 0xffff) as f64 / 65536.0 - 0.5);
            parts.sum::<f64>() * 0.0016 / 0.577
        };
        let mut blocks = Vec::new();
        for row in 0..rows {
            for column in 0..columns {
                let (x, y) = (column as f64 / 59.0 - 0.5, row as f64 / 39.0 - 0.5);
                let slope = 4.0 + (column % 3) as f64;
                let ratio = ratio(column, row) * (1.0 + slope * noise());
                blocks.push(Ratio {
                    at: (column as u32, row as u32),
                    x,
                    y,
                    level: 0.5,
                    ratio,
                    slope,
                });
            }
        }
        blocks
    }

    #[test]
    fn a_gain_is_found_under_a_crowd_of_others() {
        let blocks = grid(|column, row| match column {
            0..24 => 1.07,
            _ => 0.3 + ((column * 37 + row * 101) % 97) as f64 / 40.0,
        });
        let fit = fit(&blocks, NOISE).expect("40 % agree");
        assert!((fit.gain - 1.07).abs() < 4.0 * fit.error, "{} +- {}", fit.gain, fit.error);
        assert!(fit.error < 0.0012, "{}", fit.error);
    }

    #[test]
    fn a_plane_is_found_and_a_flat_light_has_none() {
        let tilted = grid(|column, row| {
            let place = (column as f64 / 59.0 - 0.5, row as f64 / 39.0 - 0.5);
            if column > 40 { 1.4 } else { 0.9 * (1.0 + 0.05 * place.0 - 0.03 * place.1) }
        });
        let fit = fit(&tilted, NOISE).expect("two thirds agree");
        assert!((fit.tilt.gain - 0.9).abs() < 0.001, "{fit:?}");
        assert!((fit.tilt.across - 0.045).abs() < 0.003 && (fit.tilt.down + 0.027).abs() < 0.003);
        let flat = super::fit(&grid(|_, _| 1.0), NOISE).expect("all agree");
        assert!(flat.tilt.across.abs() < 5.0 * flat.slope_errors.0);
    }

    #[test]
    fn two_crowds_are_not_told_apart() {
        let blocks = grid(|column, _| if column < 35 { 1.1 } else { 0.8 });
        match fit(&blocks, NOISE) {
            Err(NoFit::Rivals(low, high)) => {
                assert!((low - 0.8).abs() < 0.01 && (high - 1.1).abs() < 0.01);
            }
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn unlike_pictures_have_no_gain() {
        let scrambled = |at: u64| (at + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15).rotate_left(29);
        let blocks = grid(|column, row| {
            let hash = scrambled(scrambled((column + 60 * row) as u64) ^ 0x55aa);
            0.3 + (hash >> 40) as f64 / (1_u64 << 24) as f64 * 2.5
        });
        let found = fit(&blocks, NOISE);
        assert!(
            matches!(found, Err(NoFit::Scattered(..) | NoFit::Rivals(..))),
            "{:?}",
            found.map(|fit| fit.gain)
        );
        assert_eq!(fit(&blocks[..9], NOISE), Err(NoFit::TooFew(9)));
    }
}
