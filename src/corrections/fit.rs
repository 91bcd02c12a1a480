//! Robust least squares of a frame's blocks on those of the plate.

/// The terms by which codes of a frame are made from those of the plate.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Model {
    /// The light is the plate's.
    None,
    /// One gain about black.
    Gain,
    /// A gain that changes over the patch.
    Tilt,
    /// One gain and one offset.
    GainAndOffset,
    /// A gain that changes over the patch, and one offset.
    TiltAndOffset,
}

impl Model {
    /// Every model, those with fewer terms first.
    pub const ALL: [Model; 5] =
        [Model::None, Model::Gain, Model::Tilt, Model::GainAndOffset, Model::TiltAndOffset];

    /// Which of gain, slope across, slope down and offset it has.
    pub(super) fn terms(self) -> [bool; TERMS] {
        let slope = matches!(self, Model::Tilt | Model::TiltAndOffset);
        let offset = matches!(self, Model::GainAndOffset | Model::TiltAndOffset);
        [self != Model::None, slope, slope, offset]
    }
}

/// Unknowns of a fit, at most.
pub(super) const TERMS: usize = 4;

/// Tukey's constant: 95 % as good as least squares on Gaussian noise (Beaton and Tukey 1974).
const TUKEY: f64 = 4.685;

/// The same while the weights settle: outliers all to one side pull the first fits and make
/// themselves look near.
const TIGHT: f64 = 2.5;

/// Rounds of weighing, and those of them that are tight. Ours: more changes nothing.
const ROUNDS: usize = 16;
const TIGHT_ROUNDS: usize = 10;

/// Least scale of what is left of a block, in its own standard deviations: a frozen coded
/// picture leaves next to nothing, and a code more is no outlier then.
const LEAST_SCALE: f64 = 0.25;

/// One block of a fit.
#[derive(Debug, Clone, Copy)]
pub(super) struct Point {
    /// What each unknown is multiplied by.
    pub terms: [f64; TERMS],
    /// What they make together.
    pub value: f64,
    /// One over its variance.
    pub weight: f64,
}

/// Unknowns as found.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    pub unknowns: [f64; TERMS],
    /// Their covariance; of one that was not asked 0.
    pub covariance: [[f64; TERMS]; TERMS],
    /// How far each point is believed, 0 to 1.
    pub trust: Vec<f64>,
}

/// Finds the unknowns that are asked. `prior` is one over the variance each has about 0
/// before anything is known; `start` is where the weighing begins.
///
/// `None` with too few points for the unknowns.
pub(super) fn robust(
    points: &[Point],
    asked: [bool; TERMS],
    prior: [f64; TERMS],
    start: [f64; TERMS],
) -> Option<Fit> {
    let count = asked.iter().filter(|asked| **asked).count();
    if points.len() < 2 * count.max(1) {
        return None;
    }
    let (mut unknowns, mut trust) = (start, vec![1.0; points.len()]);
    let (mut scale, mut inverse) = (1.0, [[0.0; TERMS]; TERMS]);
    for round in 0..ROUNDS {
        let tuned = if round < TIGHT_ROUNDS { TIGHT } else { TUKEY };
        let left: Vec<f64> = points.iter().map(|point| off(point, &unknowns)).collect();
        let counted = points.iter().zip(&left).filter(|(point, _)| point.weight > 0.0);
        scale = spread(counted.map(|(_, left)| *left)).max(LEAST_SCALE);
        for (trust, left) in trust.iter_mut().zip(&left) {
            let far = left / (tuned * scale);
            *trust = if far.abs() < 1.0 { (1.0 - far * far).powi(2) } else { 0.0 };
        }
        if count == 0 {
            break;
        }
        let (normal, right) = normal(points, &trust, asked, prior.map(|p| p * scale * scale));
        inverse = inverted(normal)?;
        unknowns = std::array::from_fn(|row| {
            if asked[row] { (0..TERMS).map(|at| inverse[row][at] * right[at]).sum() } else { 0.0 }
        });
    }
    let covariance = std::array::from_fn(|row| {
        std::array::from_fn(|column| {
            let both = asked[row] && asked[column];
            if both { inverse[row][column] * scale * scale } else { 0.0 }
        })
    });
    unknowns.iter().all(|value| value.is_finite()).then_some(Fit { unknowns, covariance, trust })
}

/// What a point is off by, in its standard deviations.
fn off(point: &Point, unknowns: &[f64; TERMS]) -> f64 {
    let made: f64 = point.terms.iter().zip(unknowns).map(|(term, unknown)| term * unknown).sum();
    (point.value - made) * point.weight.sqrt()
}

/// Standard deviation as the median of the sizes has it.
fn spread(left: impl Iterator<Item = f64>) -> f64 {
    let mut sizes: Vec<f64> = left.map(f64::abs).collect();
    1.4826 * median(&mut sizes)
}

/// The middle value, 0 of none.
pub(super) fn median(values: &mut [f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

type Square = [[f64; TERMS]; TERMS];

fn normal(
    points: &[Point],
    trust: &[f64],
    asked: [bool; TERMS],
    prior: [f64; TERMS],
) -> (Square, [f64; TERMS]) {
    let (mut normal, mut right) = ([[0.0; TERMS]; TERMS], [0.0; TERMS]);
    for (point, trust) in points.iter().zip(trust) {
        let weight = point.weight * trust;
        for row in 0..TERMS {
            right[row] += weight * point.terms[row] * point.value;
            for (sum, term) in normal[row].iter_mut().zip(point.terms) {
                *sum += weight * point.terms[row] * term;
            }
        }
    }
    for at in 0..TERMS {
        normal[at][at] += prior[at];
        if !asked[at] {
            right[at] = 0.0;
            (0..TERMS).for_each(|other| (normal[at][other], normal[other][at]) = (0.0, 0.0));
            normal[at][at] = 1.0;
        }
    }
    (normal, right)
}

/// Inverts by Gauss and Jordan, the largest pivot first.
fn inverted(mut a: Square) -> Option<Square> {
    let mut inverse: Square =
        std::array::from_fn(|row| std::array::from_fn(|at| f64::from(u8::from(row == at))));
    let size = a.iter().flatten().fold(0.0, |most: f64, value| most.max(value.abs()));
    for at in 0..TERMS {
        let pivot = (at..TERMS).max_by(|x, y| a[*x][at].abs().total_cmp(&a[*y][at].abs()))?;
        a.swap(at, pivot);
        inverse.swap(at, pivot);
        let by = a[at][at];
        if !by.is_finite() || by.abs() <= size * 1e-13 {
            return None;
        }
        a[at].iter_mut().chain(&mut inverse[at]).for_each(|value| *value /= by);
        for row in (0..TERMS).filter(|row| *row != at) {
            let by = a[row][at];
            for column in 0..TERMS {
                a[row][column] -= by * a[at][column];
                inverse[row][column] -= by * inverse[at][column];
            }
        }
    }
    Some(inverse)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_third_of_outliers_does_not_pull_a_plane() {
        let truth = [1.1, 0.05, -0.02, 3.0];
        let points: Vec<Point> = (0..300)
            .map(|at| {
                let level = 40.0 + f64::from(at * 37 % 120);
                let (u, v) = (f64::from(at % 20) / 10.0 - 1.0, f64::from(at / 20) / 7.5 - 1.0);
                let terms = [level, level * u, level * v, 1.0];
                let made: f64 = terms.iter().zip(truth).map(|(term, truth)| term * truth).sum();
                let grain = f64::from(at * 7919 % 101) / 100.0 - 0.5;
                let actor = if at % 3 == 0 { 30.0 } else { 0.0 };
                Point { terms, value: made + grain + actor, weight: 12.0 }
            })
            .collect();
        let fit = robust(&points, [true; 4], [0.0; 4], [1.0, 0.0, 0.0, 0.0]).unwrap();
        for (found, truth) in fit.unknowns.iter().zip(truth) {
            assert!((found - truth).abs() < 0.002 * truth.abs().max(10.0), "{fit:?}");
        }
        assert!(fit.trust.iter().step_by(3).all(|trust| *trust == 0.0));
    }

    #[test]
    fn unknowns_that_are_not_asked_stay_nothing() {
        let point = |level: f64| Point {
            terms: [level, level, level, 1.0],
            value: 2.0 * level,
            weight: 1.0,
        };
        let points: Vec<Point> = (1..40).map(|at| point(f64::from(at))).collect();
        let fit = robust(&points, Model::Gain.terms(), [0.0; 4], [1.0, 0.0, 0.0, 0.0]).unwrap();
        assert!((fit.unknowns[0] - 2.0).abs() < 1e-9 && fit.unknowns[1..] == [0.0; 3]);
        // All slopes alike cannot be told apart.
        assert!(robust(&points, Model::Tilt.terms(), [0.0; 4], [1.0; 4]).is_none());
    }
}
