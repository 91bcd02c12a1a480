//! One frame at the three sizes the measures work at, each made from the larger one.

use super::plane::{Plane, View};

/// Widest plane texture is looked at on: HD, whatever the frame.
const WORK_WIDTH: usize = 1920;

/// Widest plane people and booms are looked for on.
const MID_WIDTH: usize = 960;

/// Short side of the plane events in a whole take are looked for on.
const SMALL_SIDE: usize = 240;

/// How many source pixels one pixel of each plane stands for, across and down.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Scales {
    /// Of [`Planes::work`].
    pub work: usize,
    /// Of [`Planes::mid`].
    pub mid: usize,
    /// Of [`Planes::small`].
    pub small: usize,
}

impl Scales {
    /// Chooses the sizes for a frame. Whole numbers only, so that a pixel of one plane is a
    /// block of the next.
    ///
    /// ```
    /// # use platesmith::measure::Scales;
    /// assert_eq!(Scales::of(3840, 2160), Scales { work: 2, mid: 4, small: 8 });
    /// assert_eq!(Scales::of(1920, 1080), Scales { work: 1, mid: 2, small: 4 });
    /// assert_eq!(Scales::of(640, 480), Scales { work: 1, mid: 1, small: 2 });
    /// ```
    pub fn of(width: usize, height: usize) -> Scales {
        let work = width.div_ceil(WORK_WIDTH).max(1);
        let mid = work * (width / work).div_ceil(MID_WIDTH).max(1);
        let short = width.min(height) / mid;
        // The nearest whole division to the wanted side.
        let more = ((short as f64 / SMALL_SIDE as f64).round() as usize).max(1);
        Scales { work, mid, small: mid * more }
    }
}

/// One frame at three sizes, in 8-bit codes (code times 255 over the brightest).
#[derive(Debug, Clone, Default)]
pub struct Planes {
    /// At most 1920 wide.
    pub work: Plane,
    /// At most 960 wide.
    pub mid: Plane,
    /// Short side about 240.
    pub small: Plane,
}

impl Planes {
    /// Fills the planes from the luma of a frame; `peak` is the brightest code.
    pub fn fill(&mut self, luma: View<'_, u16>, peak: f32, scales: Scales) {
        reduce_codes(luma, scales.work, 255.0 / peak, &mut self.work);
        reduce(&self.work, scales.mid / scales.work, &mut self.mid);
        reduce(&self.mid, scales.small / scales.mid, &mut self.small);
    }
}

/// Averages blocks of `by` times `by` codes, times `scale`.
fn reduce_codes(luma: View<'_, u16>, by: usize, scale: f32, out: &mut Plane) {
    let (width, height) = (luma.width() / by, luma.height() / by);
    size(out, width, height);
    if by > 2 {
        *out = luma.reduced(by);
        out.data.iter_mut().for_each(|value| *value *= scale);
        return;
    }
    let rows = out.data.chunks_exact_mut(width.max(1)).enumerate();
    for (y, row) in rows {
        let (Some(one), Some(two)) =
            (luma.run(0, y * by, width * by), luma.run(0, y * by + by - 1, width * by))
        else {
            continue;
        };
        if by == 1 {
            row.iter_mut().zip(one).for_each(|(value, code)| *value = f32::from(*code) * scale);
        } else {
            let quarter = scale / 4.0;
            let pairs = one.chunks_exact(2).zip(two.chunks_exact(2));
            for (value, (upper, lower)) in row.iter_mut().zip(pairs) {
                let sum = u32::from(upper[0])
                    + u32::from(upper[1])
                    + u32::from(lower[0])
                    + u32::from(lower[1]);
                *value = sum as f32 * quarter;
            }
        }
    }
}

/// Averages blocks of `by` times `by` pixels of a plane.
fn reduce(plane: &Plane, by: usize, out: &mut Plane) {
    match (by, plane.view()) {
        (0 | 1, _) | (_, None) => out.clone_from(plane),
        (2, Some(view)) => {
            let (width, height) = (plane.width / 2, plane.height / 2);
            size(out, width, height);
            for (y, row) in out.data.chunks_exact_mut(width.max(1)).enumerate() {
                let (Some(one), Some(two)) =
                    (view.run(0, 2 * y, 2 * width), view.run(0, 2 * y + 1, 2 * width))
                else {
                    continue;
                };
                let pairs = one.chunks_exact(2).zip(two.chunks_exact(2));
                for (value, (upper, lower)) in row.iter_mut().zip(pairs) {
                    *value = 0.25 * ((upper[0] + upper[1]) + (lower[0] + lower[1]));
                }
            }
        }
        (by, Some(view)) => *out = view.reduced(by),
    }
}

fn size(plane: &mut Plane, width: usize, height: usize) {
    (plane.width, plane.height) = (width, height);
    plane.data.resize(width.saturating_mul(height), 0.0);
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The plain way to all sizes.
    fn plain(luma: View<'_, u16>, by: usize, peak: f32) -> Vec<f32> {
        let mut plane = luma.reduced(by);
        plane.data.iter_mut().for_each(|value| *value *= 255.0 / peak);
        plane.data
    }

    #[test]
    fn all_sizes_are_plain_averages_of_the_frame() {
        for (width, height) in [(63, 41), (1921, 12), (2050, 1100), (3840, 60), (6000, 11)] {
            let codes: Vec<u16> = (0..width * height).map(|at| (at * 7919 % 1024) as u16).collect();
            let luma = View::new(width, height, &codes).unwrap();
            let scales = Scales::of(width, height);
            let mut planes = Planes::default();
            planes.fill(luma, 1023.0, scales);
            for (plane, by) in [
                (&planes.work, scales.work),
                (&planes.mid, scales.mid),
                (&planes.small, scales.small),
            ] {
                assert_eq!((plane.width, plane.height), (width / by, height / by));
                let plain = plain(luma, by, 1023.0);
                let off = plane.data.iter().zip(&plain).map(|(a, b)| (a - b).abs());
                assert!(off.fold(0.0, f32::max) < 1e-3, "{width}x{height} by {by}");
            }
        }
    }

    #[test]
    fn tiny_frames_stay_as_they_are() {
        assert_eq!(Scales::of(320, 180), Scales { work: 1, mid: 1, small: 1 });
        assert_eq!(Scales::of(1, 1), Scales { work: 1, mid: 1, small: 1 });
        assert_eq!(Scales::of(0, 0), Scales { work: 1, mid: 1, small: 1 });
    }
}
