//! Dense movement between two frames, found at a moment between them.
//!
//! Lucas and Kanade 1981, coarse to fine (Bergen et al. 1992), from both sides: a point that
//! is at x at the moment was at x - share * u before and will be at x + (1 - share) * u.
//! So the movement stands where the rendered picture needs it, and nothing is left bare.

use crate::measure::Plane;

/// Most levels, each half as large as the one below.
const LEVELS: usize = 5;

/// Smallest side of a level, in pixels.
const LEAST: usize = 24;

/// Rounds on each level. Ours: later ones change less than a hundredth of a pixel.
const ROUNDS: usize = 5;

/// Reach of the window in pixels; two passes of it, so neighbours count less.
const REACH: usize = 3;

/// Structure below this, squared codes of 8 bits a pixel, does not tell movement. Ours.
const FAINT: f32 = 0.05;

/// Movement by pixel, in pixels from the first to the second frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Flow {
    /// Width of the planes it was found on.
    pub width: usize,
    /// Their height.
    pub height: usize,
    /// To the right, row by row.
    pub dx: Vec<f32>,
    /// Down.
    pub dy: Vec<f32>,
}

impl Flow {
    fn none(width: usize, height: usize) -> Flow {
        let still = vec![0.0; width * height];
        Flow { width, height, dx: still.clone(), dy: still }
    }

    /// Returns the 95th percentile of the movement's length, in pixels.
    pub fn most(&self) -> f32 {
        let mut lengths: Vec<f32> =
            self.dx.iter().zip(&self.dy).map(|(dx, dy)| dx.hypot(*dy)).collect();
        lengths.sort_by(f32::total_cmp);
        lengths.get(lengths.len() * 19 / 20).copied().unwrap_or(0.0)
    }

    /// Returns the movement at a pixel; beyond the edge that of the edge.
    pub fn at(&self, x: usize, y: usize) -> (f32, f32) {
        let at = y.min(self.height.max(1) - 1) * self.width + x.min(self.width.max(1) - 1);
        match (self.dx.get(at), self.dy.get(at)) {
            (Some(dx), Some(dy)) => (*dx, *dy),
            _ => (0.0, 0.0),
        }
    }

    /// The same movement for planes twice as large.
    fn doubled(&self, width: usize, height: usize) -> Flow {
        let plane = |data: &[f32]| -> Vec<f32> {
            let small = Plane { width: self.width, height: self.height, data: data.to_vec() };
            let all = (0..height).flat_map(|y| (0..width).map(move |x| (x, y)));
            all.map(|(x, y)| 2.0 * linear(&small, (x as f32 - 0.5) / 2.0, (y as f32 - 0.5) / 2.0))
                .collect()
        };
        Flow { width, height, dx: plane(&self.dx), dy: plane(&self.dy) }
    }
}

/// Finds the movement from `one` to `two`, planes of one size in codes of 8 bits, as it
/// stands when `share` of the time between them has gone.
pub fn between(one: &Plane, two: &Plane, share: f32) -> Flow {
    if one.data.is_empty() || one.data.len() != two.data.len() {
        return Flow::none(one.width, one.height);
    }
    let mut levels = vec![(softened(one), softened(two))];
    while levels.len() < LEVELS {
        let Some((one, two)) = levels.last() else { break };
        if one.width.min(one.height) < 2 * LEAST {
            break;
        }
        let next = (halved(one), halved(two));
        levels.push(next);
    }
    let mut flow: Option<Flow> = None;
    for (one, two) in levels.iter().rev() {
        let mut here = match &flow {
            Some(coarse) => coarse.doubled(one.width, one.height),
            None => Flow::none(one.width, one.height),
        };
        (0..ROUNDS).for_each(|_| improve(&mut here, one, two, share));
        flow = Some(here);
    }
    flow.unwrap_or_else(|| Flow::none(one.width, one.height))
}

/// One round: what is still off, explained by the slopes about each pixel.
fn improve(flow: &mut Flow, one: &Plane, two: &Plane, share: f32) {
    let (width, height) = (flow.width, flow.height);
    let (mut off, mut middle) = (Vec::with_capacity(width * height), Vec::new());
    middle.reserve(width * height);
    for y in 0..height {
        for x in 0..width {
            let (dx, dy) = (flow.dx[y * width + x], flow.dy[y * width + x]);
            let (x, y) = (x as f32, y as f32);
            let before = cubic(one, x - share * dx, y - share * dy);
            let after = cubic(two, x + (1.0 - share) * dx, y + (1.0 - share) * dy);
            off.push(after - before);
            middle.push(before + share * (after - before));
        }
    }
    let (across, down) = slopes(&middle, width, height);
    let product = |a: &[f32], b: &[f32]| -> Vec<f32> {
        let mut all: Vec<f32> = a.iter().zip(b).map(|(a, b)| a * b).collect();
        windowed(&mut all, width, height);
        all
    };
    let (xx, xy, yy) = (product(&across, &across), product(&across, &down), product(&down, &down));
    let (xt, yt) = (product(&across, &off), product(&down, &off));
    for at in 0..width * height {
        let (xx, yy) = (xx[at] + FAINT, yy[at] + FAINT);
        let scale = 1.0 / (xx * yy - xy[at] * xy[at]);
        let dx = scale * (xy[at] * yt[at] - yy * xt[at]);
        let dy = scale * (xy[at] * xt[at] - xx * yt[at]);
        flow.dx[at] += dx.clamp(-1.0, 1.0);
        flow.dy[at] += dy.clamp(-1.0, 1.0);
    }
}

/// Slopes across and down, four taps each way: -1 8 0 -8 1 over 12.
fn slopes(plane: &[f32], width: usize, height: usize) -> (Vec<f32>, Vec<f32>) {
    let (mut across, mut down) = (Vec::with_capacity(plane.len()), Vec::new());
    down.reserve(plane.len());
    let (last_x, last_y) = (width as i64 - 1, height as i64 - 1);
    for y in 0..height as i64 {
        for x in 0..width as i64 {
            let at = |dx: i64, dy: i64| {
                let (x, y) = ((x + dx).clamp(0, last_x), (y + dy).clamp(0, last_y));
                plane[(y as usize) * width + x as usize]
            };
            across.push((8.0 * (at(1, 0) - at(-1, 0)) - (at(2, 0) - at(-2, 0))) / 12.0);
            down.push((8.0 * (at(0, 1) - at(0, -1)) - (at(0, 2) - at(0, -2))) / 12.0);
        }
    }
    (across, down)
}

/// Means over the window, two passes, in place.
fn windowed(plane: &mut [f32], width: usize, height: usize) {
    let mut line = Vec::new();
    for _ in 0..2 {
        for row in plane.chunks_exact_mut(width.max(1)) {
            line.clear();
            line.extend_from_slice(row);
            running(&line, |x, mean| row[x] = mean);
        }
        // Columns, by running sums over whole rows.
        let copy = plane.to_vec();
        let row = |y: i64| &copy[y.clamp(0, height as i64 - 1) as usize * width..][..width];
        let mut sums = vec![0.0_f32; width];
        let reach = REACH as i64;
        for y in -reach..=reach {
            sums.iter_mut().zip(row(y)).for_each(|(sum, value)| *sum += value);
        }
        for y in 0..height as i64 {
            let out = &mut plane[y as usize * width..][..width];
            out.iter_mut().zip(&sums).for_each(|(out, sum)| *out = sum / (2 * REACH + 1) as f32);
            let (come, gone) = (row(y + reach + 1), row(y - reach));
            for ((sum, come), gone) in sums.iter_mut().zip(come).zip(gone) {
                *sum += come - gone;
            }
        }
    }
}

/// Running means of a line, its ends held.
fn running(line: &[f32], mut put: impl FnMut(usize, f32)) {
    let last = line.len() as i64 - 1;
    let at = |x: i64| line[x.clamp(0, last) as usize];
    let reach = REACH as i64;
    let mut sum: f32 = (-reach..=reach).map(at).sum();
    for x in 0..line.len() {
        put(x, sum / (2 * REACH + 1) as f32);
        sum += at(x as i64 + reach + 1) - at(x as i64 - reach);
    }
}

/// Softened by 1-4-6-4-1 over 16: less of grain, and slopes that hold for a pixel's move.
fn softened(plane: &Plane) -> Plane {
    let (width, height) = (plane.width, plane.height);
    let (last_x, last_y) = (width as i64 - 1, height as i64 - 1);
    const WEIGHTS: [f32; 5] = [0.0625, 0.25, 0.375, 0.25, 0.0625];
    let mut rows = Vec::with_capacity(plane.data.len());
    for y in 0..height {
        for x in 0..width as i64 {
            let at = |off: i64| plane.data[y * width + (x + off).clamp(0, last_x) as usize];
            rows.push((-2..=2).zip(WEIGHTS).map(|(off, weight)| weight * at(off)).sum::<f32>());
        }
    }
    let mut data = Vec::with_capacity(plane.data.len());
    for y in 0..height as i64 {
        for x in 0..width {
            let at = |off: i64| rows[(y + off).clamp(0, last_y) as usize * width + x];
            data.push((-2..=2).zip(WEIGHTS).map(|(off, weight)| weight * at(off)).sum::<f32>());
        }
    }
    Plane { width, height, data }
}

/// Half as large, each pixel the mean of four.
fn halved(plane: &Plane) -> Plane {
    let (width, height) = (plane.width / 2, plane.height / 2);
    let at = |x: usize, y: usize| plane.data[y * plane.width + x];
    let all = (0..height).flat_map(|y| (0..width).map(move |x| (2 * x, 2 * y)));
    let data = all
        .map(|(x, y)| 0.25 * (at(x, y) + at(x + 1, y) + at(x, y + 1) + at(x + 1, y + 1)))
        .collect();
    Plane { width, height, data }
}

fn linear(plane: &Plane, x: f32, y: f32) -> f32 {
    weighed(plane, x, y, 0, |t| [1.0 - t, t])
}

/// Keys' cubic (1981).
fn cubic(plane: &Plane, x: f32, y: f32) -> f32 {
    weighed(plane, x, y, 1, |t| {
        let (t2, t3) = (t * t, t * t * t);
        [
            -0.5 * t + t2 - 0.5 * t3,
            1.0 - 2.5 * t2 + 1.5 * t3,
            0.5 * t + 2.0 * t2 - 1.5 * t3,
            -0.5 * t2 + 0.5 * t3,
        ]
    })
}

/// Reads a plane between its samples with Lagrange's polynomial through six: a cubic is
/// biased by a fiftieth of a pixel.
pub(super) fn sixfold(plane: &Plane, x: f32, y: f32) -> f32 {
    weighed(plane, x, y, 2, |t| {
        let factors = [t + 2.0, t + 1.0, t, t - 1.0, t - 2.0, t - 3.0];
        const OVER: [f32; 6] =
            [-1.0 / 120.0, 1.0 / 24.0, -1.0 / 12.0, 1.0 / 12.0, -1.0 / 24.0, 1.0 / 120.0];
        let without = |left: usize| -> f32 {
            (0..6).filter(|at| *at != left).map(|at| factors[at]).product()
        };
        std::array::from_fn::<f32, 6, _>(|at| OVER[at] * without(at))
    })
}

/// Weighs `N` samples each way, the first of them `before` to the left; the edge is held.
fn weighed<const N: usize>(
    plane: &Plane,
    x: f32,
    y: f32,
    before: i64,
    weights: impl Fn(f32) -> [f32; N],
) -> f32 {
    let (left, top) = (x.floor(), y.floor());
    let (across, down) = (weights(x - left), weights(y - top));
    // A cast of a float saturates.
    let (left, top) = (left as i64 - before, top as i64 - before);
    let (last_x, last_y) = (plane.width as i64 - 1, plane.height as i64 - 1);
    let inside =
        left >= 0 && top >= 0 && left + N as i64 - 1 <= last_x && top + N as i64 - 1 <= last_y;
    let mut sum = 0.0;
    for (step, weight) in (0..).zip(down) {
        let row = top.saturating_add(step).clamp(0, last_y) as usize * plane.width;
        let line: f32 = if inside {
            let line = &plane.data[row + left as usize..][..N];
            line.iter().zip(&across).map(|(value, weight)| value * weight).sum()
        } else {
            let at = |step: i64| left.saturating_add(step).clamp(0, last_x) as usize;
            (0..).zip(&across).map(|(step, weight)| plane.data[row + at(step)] * weight).sum()
        };
        sum += weight * line;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::super::interpolated;
    use super::*;

    /// Waves pushed about by a swell; the truth at any moment.
    fn painted(moment: f32) -> Plane {
        let (width, height) = (200, 120);
        let all = (0..height).flat_map(|y| (0..width).map(move |x| (x as f32, y as f32)));
        let data = all.map(|(x, y)| {
            let swell = 1.0 + 0.4 * (x / 60.0 + y / 45.0).sin();
            let (x, y) = (x - 1.5 * moment * swell, y - 0.6 * moment * swell);
            100.0
                + 22.0 * (x / 2.5 + y / 7.0).sin()
                + 18.0 * (x / 9.0 - y / 3.0).sin()
                + 25.0 * (x / 17.0 + y / 13.0).sin()
        });
        Plane { width, height, data: data.collect() }
    }

    #[test]
    fn a_frame_between_frames_is_within_50_db_of_the_truth() {
        for share in [0.25, 0.5, 0.7] {
            let (one, two, truth) = (painted(0.0), painted(1.0), painted(share));
            let flow = between(&one, &two, share);
            let made = interpolated(&one, &two, Some(&flow), share, (1, 1));
            let (mut sum, mut count) = (0.0, 0.0);
            for y in 12..108 {
                for x in 12..188 {
                    sum += (made.data[y * 200 + x] - truth.data[y * 200 + x]).powi(2);
                    count += 1.0;
                }
            }
            let psnr = 10.0 * (255.0_f32 * 255.0 / (sum / count)).log10();
            assert!(psnr >= 50.0, "{share}: {psnr}");
        }
    }

    #[test]
    fn nothing_moves_where_nothing_is_seen() {
        let flat = Plane { width: 64, height: 48, data: vec![80.0; 64 * 48] };
        let flow = between(&flat, &flat, 0.5);
        assert!(flow.most() == 0.0 && flow.at(1000, 1000) == (0.0, 0.0));
        let empty = Plane { width: 0, height: 0, data: Vec::new() };
        assert_eq!(between(&empty, &empty, 0.5).at(3, 3), (0.0, 0.0));
    }

    #[test]
    fn six_samples_read_a_wave_between_them() {
        let wave = |x: f32| (x / 2.0).sin();
        let plane = Plane {
            width: 30,
            height: 8,
            data: (0..240).map(|at| wave((at % 30) as f32)).collect(),
        };
        for x in [10.0, 10.3, 12.5, 17.9] {
            assert!((sixfold(&plane, x, 3.5) - wave(x)).abs() < 2e-3, "{x}");
        }
    }
}
