//! Normal equations of a gain with a plane and a lift, and their solution.

use super::fit::{Surface, Terms};

/// Spread of the prior on the slopes, in gain per picture size: keeps a plane from tilting
/// where a few blocks in a corner are all there is. Ours; a gradient of .2 is still free.
const SLOPE_PRIOR: f64 = 0.3;

/// Spread of the prior on the lift, in signal. Ours: where all levels are alike the gain
/// alone takes the light; a mix-up of ranges (.063 of white) is still free.
pub(super) const LIFT_PRIOR: f64 = 0.1;

/// Normal equations of gain, across, down and lift.
#[derive(Default)]
pub(super) struct Sums {
    products: [[f64; 4]; 4],
    right: [f64; 4],
}

impl Sums {
    pub(super) fn add(&mut self, weight: f64, columns: [f64; 4], value: f64) {
        for (at, column) in columns.iter().enumerate() {
            let weighted = weight * column;
            for (product, other) in self.products[at].iter_mut().zip(columns).skip(at) {
                *product += weighted * other;
            }
            self.right[at] += weighted * value;
        }
    }

    /// Solves for the terms wanted; all but the gain are held near 0 by their priors, whose
    /// strength follows from the noise of a block.
    pub(super) fn solve(mut self, noise: f64, terms: Terms) -> Option<Surface> {
        if self.products[0][0] <= 0.0 {
            return None;
        }
        let wanted = [true, terms.plane, terms.plane, terms.lift];
        let spreads = [f64::INFINITY, SLOPE_PRIOR, SLOPE_PRIOR, LIFT_PRIOR];
        for at in 0..4 {
            for other in 0..at {
                self.products[at][other] = self.products[other][at];
            }
        }
        for at in 0..4 {
            if !wanted[at] {
                (0..4).for_each(|other| {
                    self.products[at][other] = 0.0;
                    self.products[other][at] = 0.0;
                });
                (self.products[at][at], self.right[at]) = (1.0, 0.0);
            }
            self.products[at][at] += (noise / spreads[at]).powi(2);
        }
        let [gain, across, down, lift] = solved(self.products, self.right)?;
        Some(Surface { gain, across, down, lift })
    }
}

/// Solves a symmetric positive system by Cholesky's method; `None` if it is not positive.
fn solved(mut a: [[f64; 4]; 4], mut b: [f64; 4]) -> Option<[f64; 4]> {
    for at in 0..4 {
        let diagonal = a[at][at] - (0..at).map(|n| a[at][n] * a[at][n]).sum::<f64>();
        if diagonal <= 1e-12 * a[at][at] {
            return None;
        }
        a[at][at] = diagonal.sqrt();
        for row in at + 1..4 {
            let dot: f64 = (0..at).map(|n| a[row][n] * a[at][n]).sum();
            a[row][at] = (a[row][at] - dot) / a[at][at];
        }
    }
    for at in 0..4 {
        b[at] = (b[at] - (0..at).map(|n| a[at][n] * b[n]).sum::<f64>()) / a[at][at];
    }
    for at in (0..4).rev() {
        b[at] = (b[at] - (at + 1..4).map(|n| a[n][at] * b[n]).sum::<f64>()) / a[at][at];
    }
    Some(b)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exact_values_give_back_their_surface_and_unwanted_terms_stay_out() {
        let truth = Surface { gain: 0.9, across: 0.05, down: -0.03, lift: 0.02 };
        let all = Terms { plane: true, lift: true };
        let sums = |value: &dyn Fn([f64; 4]) -> f64| {
            let mut sums = Sums::default();
            for at in 0..40 {
                let (x, y) = (f64::from(at % 8) / 8.0 - 0.5, f64::from(at / 8) / 5.0 - 0.5);
                let columns = [1.0, x, y, 2.0 + f64::from(at * 7 % 5)];
                sums.add(1.0 + f64::from(at % 3), columns, value(columns));
            }
            sums
        };
        let value = |[_, x, y, slope]: [f64; 4]| truth.at(x, y) + truth.lift * slope;
        let found = sums(&value).solve(0.0, all).expect("enough places and levels");
        for (found, truth) in [
            (found.gain, truth.gain),
            (found.across, truth.across),
            (found.down, truth.down),
            (found.lift, truth.lift),
        ] {
            assert!((found - truth).abs() < 1e-9, "{found} {truth}");
        }
        let flat = sums(&|_| 1.5).solve(0.0, Terms { plane: false, lift: false });
        assert_eq!(flat.map(|flat| (flat.across, flat.down, flat.lift)), Some((0.0, 0.0, 0.0)));
        assert!(Sums::default().solve(0.0, all).is_none());
    }
}
