//! What a tile can tell about sharpness, prepared once for all frames.

use super::SharpnessLimits;
use crate::measure::Motion;
use crate::measure::patterns::{BEND, BLURS, FORMS, LEVEL, Patterns, SLOPE_X, SLOPE_Y, Sums, TILE};
use crate::measure::small::inverse;

/// Small tiles along the side of a tile: 64 pixels.
pub(super) const SIDE: usize = 4;
/// Where the tabulated blurs and the second derivatives stand among the causes.
const FIRST_BLUR: usize = 4;
const FIRST_SECOND: usize = FIRST_BLUR + BLURS.len();

/// Shift in pixels beyond which the plate's patterns tell nothing about a frame. Ours: it
/// spreads a picture as far as the widest blur that is tabulated.
const FARTHEST: f64 = 2.0;

/// Noise of the plate's mean times itself in the products of bend and blur, for one of
/// variance 1: the taps at lag 0 of the bend, and of bend and blur together a squared pixel.
/// Neighbouring grain that is alike by .3 adds a fifth; half of that is taken.
const NOISE_IN_BEND: f64 = 0.16;
const NOISE_IN_BLUR: f64 = 0.18;
const NOISE_IN_SLOPES: f64 = 0.22;

/// What a tile can tell about sharpness.
#[derive(Debug, Clone, serde::Serialize, serde::Deserialize)]
pub(super) struct Meter {
    members: Vec<u32>,
    row: [f32; FORMS],
    /// Standard error for the plate's noise.
    pub error: f64,
    second: [f64; 3],
    response: [f64; BLURS.len()],
    pub ratio: [f64; BLURS.len()],
    pub codes: [f64; BLURS.len()],
    bias: f64,
    /// Bias for frozen noise of variance 1.
    bias_of_one: f64,
    middle: (f64, f64),
}

impl Meter {
    pub fn new(patterns: &Patterns, x: usize, y: usize, limits: &SharpnessLimits) -> Option<Self> {
        let moments = patterns.block(x, y, SIDE)?;
        let cause = |form: usize, at: usize| moments.response[form][at];
        let mut gram: [[f64; FORMS]; FORMS] = std::array::from_fn(|form| {
            std::array::from_fn(|at| match at {
                BEND => cause(form, FIRST_BLUR) / BLURS[0],
                _ => cause(form, at),
            })
        });
        for (at, share) in [
            (SLOPE_X, NOISE_IN_SLOPES),
            (SLOPE_Y, NOISE_IN_SLOPES),
            (LEVEL, 1.0),
            (BEND, NOISE_IN_BLUR),
        ] {
            let bare = gram[at][at] - share * moments.noise;
            if bare < 0.5 * gram[at][at] && at == BEND {
                return None;
            }
            gram[at][at] = bare.max(0.25 * gram[at][at]);
        }
        let back = inverse(&gram)?;
        let row = back[BEND];
        let along = |at: usize| (0..FORMS).map(|form| row[form] * cause(form, at)).sum::<f64>();
        let response: [f64; BLURS.len()] = std::array::from_fn(|n| along(FIRST_BLUR + n));
        if response.windows(2).any(|two| two[1] <= two[0]) || response[0] <= 0.0 {
            return None;
        }
        let products = &moments.products;
        let square: f64 = (0..FORMS)
            .flat_map(|i| (0..FORMS).map(move |j| (i, j)))
            .map(|(i, j)| row[i] * products[i][j] * row[j])
            .sum();
        let unit = square.max(0.0).sqrt();
        let noise = (moments.variance / moments.pixels).max(limits.least_noise.powi(2)).sqrt();
        let error = unit * noise * limits.alike;
        if !(error.is_finite() && error > 0.0 && error <= limits.most_error) {
            return None;
        }
        let bend = moments.response[BEND];
        let small = patterns.within(x, y, SIDE).filter(|tile| patterns.is_usable(*tile));
        let members: Vec<u32> = small.map(|tile| tile as u32).collect();
        let (width, height) = patterns.size();
        let reach = (SIDE * TILE) as f64 / 2.0;
        Some(Self {
            codes: strongest_codes(patterns, &members),
            members,
            row: row.map(|value| value as f32),
            error,
            second: std::array::from_fn(|n| along(FIRST_SECOND + n)),
            response,
            ratio: std::array::from_fn(|n| bend[FIRST_BLUR + n] / bend[LEVEL]),
            bias: moments.noise * (row[BEND] * NOISE_IN_BEND - row[LEVEL]),
            bias_of_one: moments.pixels * (row[BEND] * NOISE_IN_BEND - row[LEVEL]),
            middle: (
                (x * TILE) as f64 + reach - width as f64 / 2.0,
                (y * TILE) as f64 + reach - height as f64 / 2.0,
            ),
        })
    }

    /// Returns the squared blur of a frame; `None` where a part of the tile is hidden, or lies
    /// farther from its place in the plate than [`FARTHEST`]: its patterns are others then.
    pub fn look(&self, sums: &Sums, gain: f64, motion: &Motion, hidden: &[bool]) -> Option<f64> {
        let mut forms = [0.0_f32; FORMS];
        for tile in self.members.iter().map(|tile| *tile as usize) {
            if hidden.get(tile) == Some(&true) {
                return None;
            }
            forms.iter_mut().zip(&sums.forms[tile]).for_each(|(sum, form)| *sum += form);
        }
        let told: f32 = self.row.iter().zip(&forms).map(|(row, form)| row * form).sum();
        let (dx, dy) = motion.at(self.middle.0, self.middle.1);
        if dx.hypot(dy) > FARTHEST {
            return None;
        }
        let [xx, xy, yy] = self.second;
        let by_shift = 0.5 * dx * dx * xx + dx * dy * xy + 0.5 * dy * dy * yy;
        let gain = if gain > 0.0 { gain } else { 1.0 };
        Some(self.squared(f64::from(told) / gain - by_shift - self.bias))
    }

    /// Returns the squared blur that noise would feign if it all were frozen: the plate holds
    /// one pattern of it, the frame another, and half of what they differ by is the plate's.
    pub fn mistaken(&self, sums: &Sums) -> f64 {
        let told = self.members.iter().map(|tile| sums.controls[*tile as usize]);
        let (mut sum, mut count) = (0.0, 0.0);
        for value in told.filter(|value| value.is_finite()) {
            sum += f64::from(value * value);
            count += 1.0;
        }
        if count == 0.0 { 0.0 } else { self.squared(-self.bias_of_one * sum / count / 2.0).abs() }
    }

    /// Turns the linear answer into a squared blur: strong blurs change less than in
    /// proportion.
    fn squared(&self, told: f64) -> f64 {
        let (mut before, mut at) = (0.0, 0.0);
        for (response, square) in self.response.iter().zip(BLURS) {
            if told <= *response || square == BLURS[BLURS.len() - 1] {
                return at + (told - before) * (square - at) / (response - before);
            }
            (before, at) = (*response, square);
        }
        at
    }

    pub fn touches(&self, marked: &[bool]) -> bool {
        self.members.iter().any(|tile| marked.get(*tile as usize) == Some(&true))
    }
}

/// Rms of what each tabulated blur changes, in the small tile where that is most.
fn strongest_codes(patterns: &Patterns, members: &[u32]) -> [f64; BLURS.len()] {
    let mut most = [0.0_f64; BLURS.len()];
    for tile in members {
        let (across, _) = patterns.tiles();
        let (x, y) = (*tile as usize % across, *tile as usize / across);
        let Some(moments) = patterns.block(x, y, 1) else { continue };
        for (most, squares) in most.iter_mut().zip(moments.blur_squares) {
            *most = most.max((squares / moments.pixels).sqrt());
        }
    }
    most
}

/// Reads a table over [`BLURS`] that is 0 at no blur, in proportion below and beyond it.
pub(super) fn interpolated(table: &[f64; BLURS.len()], square: f64) -> f64 {
    let (mut before, mut at) = (0.0, 0.0);
    for (value, next) in table.iter().zip(BLURS) {
        if square <= next || next == BLURS[BLURS.len() - 1] {
            return before + (value - before) * (square - at) / (next - at);
        }
        (before, at) = (*value, next);
    }
    before
}
