//! How much the detail of a coded picture swims although nothing moves.
//!
//! A codec predicts blocks from earlier ones moved by parts of a pixel, and codes little of
//! what is wrong with that: edges swim as one, and nothing in a tile alone tells it from a sway.
//! But they swim all over the picture, by amounts whose logarithm is near to normal (drawn
//! scenes through H.264, seen to one tile in a thousand). What stands out of that moves itself.

use super::lens::Lens;

/// Values kept of each kind, the latest.
pub(super) const KEPT: usize = 2048;
/// Fewer say nothing.
const FEWEST: usize = 16;
/// Upper quartile of a normal variable of variance 1.
const QUARTILE: f64 = 0.6745;
/// Score of three in a million.
const SURELY: f64 = 4.5;
/// How far beyond the least that counts a picture may raise what is asked. Ours: no codec
/// tried swims farther, and where more does it is the picture that moves.
pub(super) const MOST: f64 = 3.0;

/// What tiles that seem to move changed of late, in codes, for each size of tile.
#[derive(Debug, Clone, Default)]
pub(super) struct Swim {
    codes: [Vec<f32>; 3],
}

/// What a sway must change to count, in codes, for each size of tile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Asked([f64; 3]);

fn size(lens: &Lens) -> usize {
    (lens.side.max(1).ilog2() as usize).min(2)
}

impl Swim {
    /// Notes what a tile changes that seems to move.
    pub fn note(&mut self, lens: &Lens, codes: f64) {
        self.codes[size(lens)].push(codes as f32);
    }

    /// Returns what has to be asked in a picture that a codec froze, `least` at least; and
    /// forgets what lies far back.
    pub fn asked(&mut self, least: f64) -> Asked {
        Asked(std::array::from_fn(|size| {
            let codes = &mut self.codes[size];
            codes.drain(..codes.len().saturating_sub(KEPT));
            // Codecs work in blocks: what they leave averages out in a larger tile.
            let least = least * (1.0 + 1.0 / f64::from(1_u32 << size));
            beyond(codes).map_or(least, |beyond| beyond.clamp(least, MOST * least))
        }))
    }
}

impl Asked {
    /// Nothing: the noise is not frozen.
    pub const NOTHING: Asked = Asked([0.0; 3]);

    /// For one tile.
    pub fn of(&self, lens: &Lens) -> f64 {
        self.0[size(lens)]
    }
}

/// What three in a million of these surpass, from their median and upper quartile: what
/// truly moves in less than a quarter of the picture hardly counts.
pub(super) fn beyond(values: &[f32]) -> Option<f64> {
    if values.len() < FEWEST {
        return None;
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f32::total_cmp);
    let [middle, upper] = [2, 3].map(|quarters| f64::from(sorted[sorted.len() * quarters / 4]));
    (middle > 0.0).then(|| middle * ((upper / middle).ln() / QUARTILE * SURELY).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_few_that_move_do_not_hide_behind_those_that_swim() {
        // Logarithms evenly over the quantiles of a normal variable of deviation .4, by the
        // rational approximation 26.2.22 of Abramowitz and Stegun 1964.
        let quantile = |p: f64| {
            let t = (-2.0 * p.min(1.0 - p).ln()).sqrt();
            let far = t - (2.30753 + 0.27061 * t) / (1.0 + t * (0.99229 + 0.04481 * t));
            if p < 0.5 { -far } else { far }
        };
        let mut codes: Vec<f32> = (0..500)
            .map(|n| (0.5 * (0.4 * quantile((f64::from(n) + 0.5) / 500.0)).exp()) as f32)
            .collect();
        let alone = beyond(&codes).expect("many");
        let right = 0.5 * (0.4_f64 * 4.5).exp();
        assert!((alone / right - 1.0).abs() < 0.05, "{alone} {right}");
        codes.extend([5.0; 25]);
        let with_some = beyond(&codes).expect("many");
        assert!(with_some < 1.35 * alone && with_some < 5.0, "{with_some}");
        assert!(beyond(&codes[..FEWEST - 1]).is_none());
    }
}
