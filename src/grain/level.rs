//! New grain held against the take's.

use super::{GrainModel, Place};

/// Frames of new grain that are looked at.
const FRAMES: u64 = 8;

/// Grain as it comes out in whole codes: new grain, and what is left of old.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Check {
    /// Its standard deviation over that of the take's.
    pub level: f64,
    /// Its correlation with that one and two frames on.
    pub lags: [f64; 2],
}

impl GrainModel {
    /// Makes grain for a few frames over a clean picture, `levels`, of the first component,
    /// rounds it as codes are, and measures it. Old grain of which variance `left` is in the
    /// picture is taken to be the same in every frame. `None` where there is no grain.
    pub fn check(&self, place: Place, levels: &[f32], left: &[f32]) -> Option<Check> {
        let rounded = self.components.first()?.rounded;
        let made = |number: u64| -> Vec<f32> {
            let grain = self.fresh_beside(number, 0, place, levels, left);
            let code = |(grain, level): (&f32, &f32)| match rounded {
                true => (level + grain).round() - level,
                false => *grain,
            };
            grain.iter().zip(levels).map(code).collect()
        };
        let frames: Vec<Vec<f32>> = (0..FRAMES).map(made).collect();
        let power = |one: &[f32], two: &[f32]| -> f64 {
            one.iter().zip(two).map(|(a, b)| f64::from(a * b)).sum()
        };
        let old: f64 = left.iter().map(|left| f64::from(*left)).sum();
        let own = frames.iter().map(|frame| power(frame, frame)).sum::<f64>() / FRAMES as f64 + old;
        let curve = &self.components.first()?.curve;
        let wanted: f64 = levels.iter().map(|level| f64::from(curve.variance(*level))).sum();
        let lag = |by: usize| {
            let pairs = frames.iter().zip(&frames[by..]);
            let new = pairs.map(|(a, b)| power(a, b)).sum::<f64>() / (FRAMES as usize - by) as f64;
            (new + old) / own
        };
        let check = Check { level: (own / wanted).sqrt(), lags: [lag(1), lag(2)] };
        (own > 0.0 && wanted > 0.0).then_some(check)
    }
}
