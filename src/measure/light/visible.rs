//! What a patch from the plate would be off by, in codes of 8 bits.
//!
//! One code of 8 bits is at the threshold of sight or above it: 1.1 to 2.2 % of the light
//! between mid grey and white on a display of Rec. ITU-R BT.1886, where a step of about 1 %
//! is seen (arithmetic of that Recommendation; the 1 % is common practice).

use super::coded::{Levels, Model, tile_offs};
use super::fit::{self, Fit, Ratio, Surface};

/// Errors of a patch over an area, without and with its light corrected, in codes of 8 bits.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct Visible {
    /// The plate put in as it is.
    pub as_shot: Error,
    /// The plate times one gain.
    pub one_gain: Error,
    /// The plate times a gain that may change over the picture.
    pub tilt: Error,
    /// What the model leaves in tiles of 4 by 4 blocks where the background is seen, 95th
    /// percentile. No correction of this kind can get below it: shade and clouds of their
    /// own, coding.
    pub left: f64,
}

/// Size of an error over an area, in codes of 8 bits.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct Error {
    /// Mean of its amount.
    pub mean: f64,
    /// 95th percentile of its amount.
    pub most: f64,
}

/// Foretells the errors at places and levels of the plate. Where something hides the
/// background, the model stands in for it; `seen` are the blocks that showed it.
pub(super) fn foretell(
    places: &[(f64, f64, f64)],
    seen: &[Ratio],
    fit: &Fit,
    noise: fit::Noise,
    span: f64,
) -> Visible {
    let truth = fit.tilt;
    let tilted = fit::refit(seen, fit, noise, Model::Tilt.terms()).unwrap_or(truth);
    let mut levels = Levels::default();
    places.iter().for_each(|place| levels.add(*place));
    let one = Surface::flat(levels.as_gain(truth));
    let error = |patch: Surface| {
        let off = |(x, y, level): &(f64, f64, f64)| {
            let code = |by: Surface| by.at(*x, *y) * level + by.lift;
            (code(patch) - code(truth)).abs() * span
        };
        Error::of(places.iter().map(off).collect())
    };
    let mut tiles = tile_offs(seen, truth);
    Visible {
        as_shot: error(Surface::flat(1.0)),
        one_gain: error(one),
        tilt: error(tilted),
        left: fit::quantile(&mut tiles, 0.95) * span,
    }
}

impl Error {
    fn of(mut values: Vec<f64>) -> Error {
        let mean = values.iter().sum::<f64>() / values.len().max(1) as f64;
        Error { mean, most: fit::quantile(&mut values, 0.95) }
    }
}
