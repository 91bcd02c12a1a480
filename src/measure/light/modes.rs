//! Where the ratios of blocks gather: the gains a fit is tried from.

use super::fit::Ratio;

/// Bins of the histogram: a thousandth of a natural logarithm each, gains of 1/6 to 6.
const BIN: f64 = 0.002;
const BINS: usize = 1800;

/// Finds the modes of the ratios at three widths, with the width each was found at.
pub(super) fn modes(blocks: &[Ratio]) -> Vec<(f64, f64)> {
    let mut histogram = vec![0.0; BINS];
    let middle = BINS as f64 / 2.0;
    for block in blocks.iter().filter(|block| block.ratio > 0.0) {
        let bin = block.ratio.ln() / BIN + middle;
        if bin >= 0.0 && bin < BINS as f64 {
            histogram[bin as usize] += 1.0;
        }
    }
    let mut seeds: Vec<(f64, f64)> = Vec::new();
    for width in [0.006, 0.02, 0.06] {
        let smooth = smoothed(&histogram, (width / BIN) as usize);
        for bin in peaks(&smooth, (2.0 * width / BIN) as usize) {
            let gain = ((bin as f64 + 0.5 - middle) * BIN).exp();
            let known =
                seeds.iter().any(|(seed, w)| *w == width && (seed / gain).ln().abs() < 0.004);
            if !known {
                seeds.push((gain, width));
            }
        }
    }
    seeds
}

/// Three passes of a running mean: nearly a normal curve of the given spread.
fn smoothed(histogram: &[f64], spread: usize) -> Vec<f64> {
    let mut values = histogram.to_vec();
    for _ in 0..3 {
        let mut sums = vec![0.0];
        values.iter().for_each(|value| sums.push(sums[sums.len() - 1] + value));
        let near = |at: usize| {
            let (low, high) = (at.saturating_sub(spread), (at + spread + 1).min(values.len()));
            (sums[high] - sums[low]) / (2 * spread + 1) as f64
        };
        values = (0..values.len()).map(near).collect();
    }
    values
}

/// The three highest peaks, each the highest within `apart` bins and a fifth of the first.
fn peaks(values: &[f64], apart: usize) -> Vec<usize> {
    let highest = |at: &usize| {
        let (low, high) = (at.saturating_sub(apart), (at + apart + 1).min(values.len()));
        values[*at] > 0.0 && values[low..high].iter().all(|value| *value <= values[*at])
    };
    let mut found: Vec<usize> = (0..values.len()).filter(highest).collect();
    found.sort_by(|a, b| values[*b].total_cmp(&values[*a]).then(a.cmp(b)));
    let top = found.first().map_or(0.0, |at| values[*at]);
    found.retain(|at| values[*at] >= 0.2 * top);
    found.dedup_by(|a, b| a.abs_diff(*b) <= apart);
    found.truncate(3);
    found
}
