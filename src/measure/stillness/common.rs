//! The part of the motion that the whole background shares, taken out of the scores.

use super::lens::Lens;
use crate::measure::Motion;
use crate::measure::small::inverse;

/// Noise of one frame in codes assumed for the weights, and what a displacement is not known
/// better than, in pixels. Ours; both only set how much small and large tiles count.
const NOISE: f64 = 2.0;
const NEAREST: f64 = 0.004;
/// Rotation and scale are held near the given ones unless tiles say otherwise.
const TURN: f64 = 3e-4;
/// Tuning constant of Tukey's biweight (Holland and Welsch 1977).
const TUKEY: f64 = 4.685;
/// Tiles that must be there; fewer are one object.
const FEWEST: usize = 8;

/// A tile's displacement along an axis against the plate.
struct Equation {
    factors: [f64; 4],
    px: f64,
    weight: f64,
}

/// Refines the motion of the whole picture on the tiles themselves, those that move on their
/// own rejected: what is left in a score is then the tile's own. `scores` holds two for each
/// lens, motion not taken out. The refined motion stays within `reach` of the given one, in
/// pixels, or the given one is returned.
pub(super) fn refined(
    lenses: &[Lens],
    scores: &[f32],
    gain: f64,
    given: Motion,
    reach: f64,
) -> Motion {
    let mut equations = Vec::new();
    for (lens, told) in lenses.iter().zip(scores.chunks_exact(2)).filter(|(lens, _)| lens.side == 2)
    {
        for (axis, unit) in lens.unit_px.into_iter().enumerate() {
            if unit < 0.1 && told[axis].is_finite() {
                equations.push(Equation {
                    factors: lens.factors(axis).map(|factor| factor * gain),
                    px: f64::from(told[axis]) * unit,
                    weight: 1.0 / ((unit * NOISE).powi(2) + NEAREST * NEAREST),
                });
            }
        }
    }
    if equations.len() < FEWEST {
        return given;
    }
    let mut motion = given;
    for _ in 0..4 {
        let Some(step) = step(&equations, &motion) else { return given };
        motion = motion.plus(step);
    }
    let off = (motion.shift_x - given.shift_x).hypot(motion.shift_y - given.shift_y);
    if off <= reach { motion } else { given }
}

fn step(equations: &[Equation], motion: &Motion) -> Option<[f64; 4]> {
    let parameters = motion.parameters();
    let left: Vec<f64> = equations
        .iter()
        .map(|one| one.px + one.factors.iter().zip(parameters).map(|(f, p)| f * p).sum::<f64>())
        .collect();
    let mut sizes: Vec<f64> =
        left.iter().zip(equations).map(|(left, one)| left.abs() * one.weight.sqrt()).collect();
    let middle = sizes.len() / 2;
    let spread = *sizes.select_nth_unstable_by(middle, f64::total_cmp).1 / 0.6745;
    let limit = TUKEY * spread.max(0.05);
    let mut gram = [[0.0; 4]; 4];
    let mut vector = [0.0; 4];
    for (left, one) in left.iter().zip(equations) {
        let size = left * one.weight.sqrt() / limit;
        let inner = (1.0 - size * size).max(0.0);
        let weight = one.weight * inner * inner;
        for i in 0..4 {
            vector[i] -= weight * one.factors[i] * left;
            for (sum, factor) in gram[i].iter_mut().zip(one.factors) {
                *sum += weight * one.factors[i] * factor;
            }
        }
    }
    gram[2][2] += TURN.powi(-2);
    gram[3][3] += TURN.powi(-2);
    let back = inverse(&gram)?;
    Some(std::array::from_fn(|i| (0..4).map(|j| back[i][j] * vector[j]).sum()))
}
