//! Slow against fast: cosine sums of a series and the tests on them.

/// Coefficients summed one by one; what is above counts as fast. At 48 frames the twelfth is
/// one turn in eight frames.
pub(super) const SLOW: usize = 12;
/// The slowest of them, tested on their own: a sway gathers in few coefficients.
pub(super) const SLOWEST: usize = 4;

/// Energy of a series about its mean: each slow coefficient of its orthonormal cosine
/// transform (DCT-II; Ahmed, Natarajan and Rao 1974), the rest together, and the sum of
/// squared steps.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Energy {
    pub slow: [f32; SLOW],
    pub fast: f32,
    pub steps: f32,
    /// Samples.
    pub count: usize,
}

impl Energy {
    pub fn all_slow(&self) -> f32 {
        self.slow.iter().sum()
    }

    /// Coefficients above the slow ones.
    pub fn fast_count(&self) -> usize {
        self.count.saturating_sub(SLOW + 1)
    }

    /// Mean energy of a fast coefficient.
    pub fn fast_level(&self) -> f32 {
        self.fast / self.fast_count().max(1) as f32
    }

    pub fn slow_sum(&self, count: usize) -> f32 {
        self.slow[..count].iter().sum()
    }
}

/// Cosines for every length of series up to a window.
#[derive(Debug, Clone)]
pub(super) struct Cosines {
    tables: Vec<Vec<f32>>,
}

impl Cosines {
    pub fn new(longest: usize) -> Self {
        Self { tables: (0..=longest).map(table).collect() }
    }

    /// Transforms a series no longer than the longest; its mean is taken off first.
    pub fn energy(&self, series: &mut [f32]) -> Energy {
        let count = series.len();
        let mean = series.iter().sum::<f32>() / count.max(1) as f32;
        series.iter_mut().for_each(|value| *value -= mean);
        let whole: f32 = series.iter().map(|value| value * value).sum();
        let steps = series.windows(2).map(|two| (two[1] - two[0]).powi(2)).sum();
        let mut slow = [0.0_f32; SLOW];
        for (value, cosines) in series.iter().zip(self.tables[count].chunks_exact(SLOW)) {
            slow.iter_mut().zip(cosines).for_each(|(sum, cosine)| *sum += value * cosine);
        }
        slow.iter_mut().for_each(|value| *value *= *value);
        let fast = (whole - slow.iter().sum::<f32>()).max(0.0);
        Energy { slow, fast, steps, count }
    }
}

fn table(count: usize) -> Vec<f32> {
    let scale = (2.0 / count.max(1) as f64).sqrt();
    let arc = std::f64::consts::PI / count.max(1) as f64;
    let at = |t: usize, k: usize| (scale * (arc * (t as f64 + 0.5) * k as f64).cos()) as f32;
    (0..count)
        .flat_map(|t| (1..=SLOW).map(move |k| if k < count { at(t, k) } else { 0.0 }))
        .collect()
}

/// Returns how far a ratio of two mean squares lies from 1, as a standard normal score of
/// the same tail (Paulson, Ann. Math. Stat. 13, 233-235, 1942).
pub(super) fn ratio_score(ratio: f64, upper: f64, lower: f64) -> f64 {
    let root = ratio.max(0.0).cbrt();
    let (a, b) = (2.0 / (9.0 * upper), 2.0 / (9.0 * lower));
    ((1.0 - b) * root - (1.0 - a)) / (b * root * root + a).sqrt()
}

/// Returns the ratio that has this score; infinite where none has, for want of degrees of
/// freedom.
pub(super) fn ratio_for(score: f64, upper: f64, lower: f64) -> f64 {
    let (a, b) = (2.0 / (9.0 * upper), 2.0 / (9.0 * lower));
    let (c, d, square) = (1.0 - b, 1.0 - a, score * score);
    let lead = c * c - square * b;
    if lead <= 0.0 {
        return f64::INFINITY;
    }
    let root = (c * d + (c * c * d * d - lead * (d * d - square * a)).max(0.0).sqrt()) / lead;
    root.powi(3)
}

/// Returns the score of the mean squared step over the variance against a series without
/// memory: positive where neighbours jump more than strangers (von Neumann, Ann. Math.
/// Stat. 12, 367-395, 1941: mean 2n/(n-1), variance about 4(n-2)/(n^2-1)).
pub(super) fn jump_score(energy: &Energy) -> f64 {
    let n = energy.count as f64;
    let whole = f64::from(energy.all_slow() + energy.fast);
    if n < 4.0 || whole <= 0.0 {
        return 0.0;
    }
    let ratio = f64::from(energy.steps) / whole * (n / (n - 1.0));
    (ratio - 2.0 * n / (n - 1.0)) / (4.0 * (n - 2.0) / (n * n - 1.0)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slow_cosine_is_one_coefficient() {
        let cosines = Cosines::new(48);
        let arc = std::f64::consts::PI / 48.0;
        let mut series: Vec<f32> =
            (0..48).map(|t| (7.0 + (arc * (f64::from(t) + 0.5) * 3.0).cos()) as f32).collect();
        let energy = cosines.energy(&mut series);
        assert!((energy.slow[2] - 24.0).abs() < 1e-3, "{energy:?}");
        assert!(energy.fast < 1e-3 && energy.slow[0] < 1e-4);
    }

    #[test]
    fn an_alternating_series_jumps() {
        let cosines = Cosines::new(48);
        let mut series: Vec<f32> = (0..40).map(|t| if t % 2 == 0 { 1.0 } else { -1.0 }).collect();
        assert!(jump_score(&cosines.energy(&mut series)) > 5.0);
        let mut ramp: Vec<f32> = (0..40).map(|t| t as f32).collect();
        assert!(jump_score(&cosines.energy(&mut ramp)) < -5.0);
    }

    #[test]
    fn scores_of_tabulated_quantiles() {
        // Upper .1 % points of F (Fisher and Yates, Statistical Tables, table V; from memory,
        // and checked by integrating the density with NumPy); the normal one is 3.0902.
        for (ratio, upper, lower) in [(4.24, 10.0, 30.0), (3.87, 10.0, 40.0), (5.70, 4.0, 40.0)] {
            let score = ratio_score(ratio, upper, lower);
            assert!((score - 3.0902).abs() < 0.05, "F({upper}, {lower}) {ratio}: {score}");
            assert!((ratio_for(score, upper, lower) / ratio - 1.0).abs() < 1e-6);
        }
        // One in ten million, score 5.2: integrated in the same way.
        for (ratio, upper, lower) in
            [(16.644, 4.0, 35.0), (9.362, 12.0, 35.0), (3.786, 35.0, 100.0)]
        {
            let score = ratio_score(ratio, upper, lower);
            assert!(score > 5.05 && score <= 5.2, "F({upper}, {lower}) {ratio}: {score}");
        }
        assert!(ratio_for(5.2, 2.0, 4.0).is_infinite());
    }
}
