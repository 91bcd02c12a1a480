//! Smoothing and interpolation in one: a Gaussian laid over the samples at any sub-pixel
//! place.
//!
//! At sigma 1.2 the Gaussian passes 0.08 % at the Nyquist frequency, so the smoothed picture
//! is band-limited and its value between pixels is exact up to that: there is no separate
//! interpolator and so none of its bias (Pham et al. 2005 on that bias).

use crate::measure::plane::{Sample, View};

/// Standard deviation of the Gaussian, in pixels; 1.2 keeps most gradient and most of the
/// grain away (measured on synthetic shots; .8 to 2 change the error by a fifth).
pub(super) const SIGMA: f64 = 1.2;

/// Taps to each side of the middle one: 3.3 sigma.
const REACH: usize = 4;

/// Number of taps.
pub(super) const TAPS: usize = 2 * REACH + 1;

/// Samples of a run, every second pixel of a row.
pub(super) const RUN: usize = 16;

/// Pixels of a row a run spans.
pub(super) const RUN_PIXELS: usize = 2 * RUN;

/// Pixels of a row a run needs.
const SPAN: usize = RUN_PIXELS + TAPS - 1;

/// Weights of nine samples around a place.
pub(super) type Taps = [f32; TAPS];

/// Returns the weights that smooth at `phase` pixels (-.5 to .5) right of the middle sample.
///
/// They sum to one and have their centre of gravity at the phase: cut off at four pixels the
/// bare Gaussian would lean by up to .001 px.
pub(super) fn smooth(phase: f64) -> Taps {
    let bare: [f64; TAPS] = std::array::from_fn(|at| bell(at as f64 - REACH as f64 - phase));
    let off = |at: usize| at as f64 - REACH as f64 - phase;
    let sum = |power: i32| (0..TAPS).map(|at| bare[at] * off(at).powi(power)).sum::<f64>();
    let (m0, m1, m2) = (sum(0), sum(1), sum(2));
    let lean = -m1 / m2;
    let whole = m0 + lean * m1;
    std::array::from_fn(|at| (bare[at] * (1.0 + lean * off(at)) / whole) as f32)
}

/// Returns the weights of the slope of the smoothed picture at a sample: 1 on a ramp of one
/// code a pixel.
pub(super) fn slope() -> Taps {
    let off = |at: usize| at as f64 - REACH as f64;
    let bare: [f64; TAPS] = std::array::from_fn(|at| off(at) * bell(off(at)));
    let ramp: f64 = (0..TAPS).map(|at| bare[at] * off(at)).sum();
    bare.map(|weight| (weight / ramp) as f32)
}

fn bell(x: f64) -> f64 {
    (-0.5 * (x / SIGMA).powi(2)).exp()
}

/// Weighs the picture at every second pixel of a row from `(x, y)`; false, with `out`
/// untouched, where the taps leave the picture.
pub(super) fn run<S: Sample>(
    view: View<'_, S>,
    (x, y): (i64, i64),
    (across, down): (&Taps, &Taps),
    out: &mut [f32; RUN],
) -> bool {
    let reach = REACH as i64;
    let (Ok(x), Ok(y)) = (usize::try_from(x - reach), usize::try_from(y - reach)) else {
        return false;
    };
    let mut column = [0.0_f32; SPAN];
    if view.run(x, y + TAPS - 1, SPAN).is_none() {
        return false;
    }
    for (row, weight) in down.iter().enumerate() {
        // A length known beforehand lets several samples be weighed at once.
        let samples = view.run(x, y + row, SPAN).and_then(|run| <&[S; SPAN]>::try_from(run).ok());
        let Some(samples) = samples else { return false };
        for (sum, sample) in column.iter_mut().zip(samples) {
            *sum += weight * sample.value();
        }
    }
    // Even and odd columns apart, so that neighbours in memory are neighbours in `out`.
    let mut halves = [[0.0_f32; SPAN / 2]; 2];
    for (at, pair) in column.chunks_exact(2).enumerate() {
        halves[0][at] = pair[0];
        halves[1][at] = pair[1];
    }
    *out = [0.0; RUN];
    for (tap, weight) in across.iter().enumerate() {
        for (sum, value) in out.iter_mut().zip(&halves[tap % 2][tap / 2..tap / 2 + RUN]) {
            *sum += weight * value;
        }
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The plain way: the two-dimensional sum for one place, in double precision.
    fn plain(view: View<'_, u16>, x: usize, y: usize, across: &Taps, down: &Taps) -> f64 {
        let mut sum = 0.0;
        for (j, v) in down.iter().enumerate() {
            for (i, u) in across.iter().enumerate() {
                let at = (y + j - REACH) * view.width() + x + i - REACH;
                sum += f64::from(*v) * f64::from(*u) * f64::from(view.data()[at]);
            }
        }
        sum
    }

    #[test]
    fn a_run_agrees_with_the_plain_sum() {
        let data: Vec<u16> = (0..64 * 20_u32).map(|at| (at * 7919 % 1024) as u16).collect();
        let view = View::new(64, 20, &data).unwrap();
        let (across, down) = (smooth(0.3), slope());
        let mut out = [0.0; RUN];
        assert!(run(view, (7, 9), (&across, &down), &mut out));
        for (at, value) in out.iter().enumerate() {
            let exact = plain(view, 7 + 2 * at, 9, &across, &down);
            assert!((f64::from(*value) - exact).abs() < 0.01, "{at}: {value} {exact}");
        }
        assert!(!run(view, (3, 9), (&across, &down), &mut out));
        assert!(!run(view, (7, 16), (&across, &down), &mut out));
        assert!(!run(view, (29, 9), (&across, &down), &mut out));
    }

    #[test]
    fn ramps_are_read_exactly_at_every_phase() {
        for step in -5..=5 {
            let phase = f64::from(step) / 10.0;
            let at: f64 = (0..TAPS).map(|n| f64::from(smooth(phase)[n]) * (n as f64 - 4.0)).sum();
            assert!((at - phase).abs() < 1e-6, "{phase}: {at}");
        }
        let rise: f64 = (0..TAPS).map(|n| f64::from(slope()[n]) * (n as f64 - 4.0)).sum();
        assert!((rise - 1.0).abs() < 1e-6);
    }
}
