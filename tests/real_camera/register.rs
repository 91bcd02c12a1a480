//! How far one picture lies from another, by least squares: the plain textbook way (Lucas and
//! Kanade 1981), with gain and offset beside the shift. Nothing of it is the program's.

use std::ops::Range;

/// A rectangle of pixels.
pub struct Area {
    pub x: Range<usize>,
    pub y: Range<usize>,
}

/// Returns by how many pixels right and down `one` lies from `other` in an area.
pub fn off(one: &[u8], other: &[u8], width: usize, area: &Area) -> (f64, f64) {
    let (one, other) = (smooth(one, width), smooth(other, width));
    // Inside the edge: three pixels are needed on every side.
    let (rows, end) = (area.y.start.max(3)..area.y.end, one.len() / width - 3);
    let mut sums = [[0.0; 5]; 4];
    for y in rows.filter(|y| *y < end) {
        for x in area.x.start.max(3)..area.x.end.min(width - 3) {
            let at = y * width + x;
            let slope = |by: usize| {
                let mean = |at: usize| (one[at] + other[at]) / 2.0;
                (mean(at + by) - mean(at - by)) * 2.0 / 3.0
                    - (mean(at + 2 * by) - mean(at - 2 * by)) / 12.0
            };
            // one = gain * other + offset - shift * slope
            let terms = [slope(1), slope(width), other[at], 1.0, one[at]];
            for (row, a) in sums.iter_mut().zip(terms) {
                row.iter_mut().zip(terms).for_each(|(sum, b)| *sum += a * b);
            }
        }
    }
    let [x, y, _, _] = solved(sums);
    (-x, -y)
}

/// A binomial of five by five.
fn smooth(codes: &[u8], width: usize) -> Vec<f64> {
    let along = |codes: &[f64], by: usize| -> Vec<f64> {
        let weights = [1.0, 4.0, 6.0, 4.0, 1.0].map(|weight| weight / 16.0);
        let last = codes.len() - 1;
        let tap = |at: usize, n: usize| codes[(at + n * by).saturating_sub(2 * by).min(last)];
        let sum = |at: usize| (0..5).map(|n| weights[n] * tap(at, n)).sum();
        (0..codes.len()).map(sum).collect()
    };
    let codes: Vec<f64> = codes.iter().map(|code| f64::from(*code)).collect();
    along(&along(&codes, 1), width)
}

/// Solves four equations (Gauss and Jordan).
fn solved(mut rows: [[f64; 5]; 4]) -> [f64; 4] {
    for at in 0..4 {
        let pivot = (at..4).max_by(|a, b| rows[*a][at].abs().total_cmp(&rows[*b][at].abs()));
        rows.swap(at, pivot.expect("four rows"));
        let by = rows[at][at];
        rows[at].iter_mut().for_each(|value| *value /= by);
        let own = rows[at];
        for (_, row) in rows.iter_mut().enumerate().filter(|(other, _)| *other != at) {
            let times = row[at];
            row.iter_mut().zip(own).for_each(|(value, own)| *value -= times * own);
        }
    }
    rows.map(|row| row[4])
}
