//! The matte as the samples of a component see it.
//!
//! A sample of subsampled chroma stands for several pixels, and its siting says where among
//! them it lies (ITU-T H.273, 8.7; BT.2020 and BT.2100 have it at the top left pixel, MPEG-2
//! and BT.709 practice left between two lines, MPEG-1 and JPEG in the middle).

use crate::measure::Plane;

/// Taps of a filter across or down: offset from the first pixel a sample stands for, weight.
type Taps = &'static [(isize, f32)];

/// At a pixel: half of it, a quarter of each neighbour.
const AT_PIXEL: Taps = &[(-1, 0.25), (0, 0.5), (1, 0.25)];

/// Between two pixels: their mean.
const BETWEEN: Taps = &[(0, 0.5), (1, 0.5)];

/// Not subsampled.
const WHOLE: Taps = &[(0, 1.0)];

/// A quarter of the samples, as some old formats have it: the mean of four.
const OF_FOUR: Taps = &[(0, 0.25), (1, 0.25), (2, 0.25), (3, 0.25)];

/// Returns the taps across and down for a siting by its name, `None` if none is known: then
/// chroma lies left, as in nearly all camera files.
fn taps(siting: Option<&str>, (across, down): (u32, u32)) -> (Taps, Taps) {
    let (at_left, at_top) = match siting.unwrap_or("left") {
        "center" => (false, false),
        "topleft" => (true, true),
        "top" => (false, true),
        _ => (true, false),
    };
    let axis = |shift: u32, at_pixel: bool| match (shift, at_pixel) {
        (0, _) => WHOLE,
        (1, true) => AT_PIXEL,
        (1, false) => BETWEEN,
        _ => OF_FOUR,
    };
    (axis(across, at_left), axis(down, at_top))
}

/// Rows of one component's alpha: where they begin, and what follows; empty where the take
/// shows alone.
pub(super) type Rows = Vec<(usize, Vec<f32>)>;

/// Returns the alpha of every sample of a component of `size`, subsampled by `shift` bits.
pub(super) fn rows(
    alpha: &Plane,
    (width, height): (usize, usize),
    shift: (u32, u32),
    siting: Option<&str>,
) -> Rows {
    let (across, down) = taps(siting, shift);
    let at = |x: isize, y: isize| {
        let x = x.clamp(0, alpha.width as isize - 1) as usize;
        let y = y.clamp(0, alpha.height as isize - 1) as usize;
        alpha.data[y * alpha.width + x]
    };
    let sample = |x: usize, y: usize| -> f32 {
        let (x, y) = ((x << shift.0) as isize, (y << shift.1) as isize);
        let line = |y: isize| across.iter().map(|(step, by)| by * at(x + step, y)).sum::<f32>();
        down.iter().map(|(step, by)| by * line(y + step)).sum()
    };
    (0..height)
        .map(|y| {
            let row: Vec<f32> = (0..width).map(|x| sample(x, y)).collect();
            let first = row.iter().position(|value| *value > 0.0);
            let last = row.iter().rposition(|value| *value > 0.0);
            match (first, last) {
                (Some(first), Some(last)) => (first, row[first..=last].to_vec()),
                _ => (0, Vec::new()),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A ramp that rises by one for each pixel across, so that alpha tells where it was taken.
    fn ramp() -> Plane {
        let data = (0..8 * 4).map(|at| (at % 8 + 10 * (at / 8)) as f32).collect();
        Plane { width: 8, height: 4, data }
    }

    #[test]
    fn chroma_takes_the_matte_where_it_lies() {
        // ITU-T H.273, 8.7: types 0 (left), 1 (centre), 2 (top left).
        for (siting, shift, x, y) in [
            ("left", (1, 1), 2.0, 0.5),
            ("center", (1, 1), 2.5, 0.5),
            ("topleft", (1, 1), 2.0, 0.0),
            ("left", (1, 0), 2.0, 0.0),
            ("unspecified", (0, 0), 2.0, 0.0),
        ] {
            let size = (8 >> shift.0, 4 >> shift.1);
            let rows = rows(&ramp(), size, shift, Some(siting));
            let column = 2 >> shift.0;
            let row = 2 >> shift.1;
            let (first, values) = &rows[row];
            let wanted = x + 10.0 * (2.0 + y);
            assert!((values[column - first] - wanted).abs() < 1e-4, "{siting} {shift:?}");
        }
    }

    #[test]
    fn rows_without_patch_hold_nothing() {
        let mut alpha = Plane { width: 8, height: 4, data: vec![0.0; 32] };
        alpha.data[10] = 1.0;
        let rows = rows(&alpha, (8, 4), (0, 0), None);
        assert_eq!(rows[1], (2, vec![1.0]));
        assert!([0, 2, 3].iter().all(|y| rows[*y].1.is_empty()));
    }
}
