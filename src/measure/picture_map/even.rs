//! Pictures made even: less the local mean, over the local spread.

use crate::measure::Plane;

/// How far round a pixel its surroundings reach, in pixels of the level. Ours.
const REACH: usize = 6;

/// Least spread that counts as picture, as a part of the whole picture's. Ours: below it there
/// is grain and coding.
const FLOOR: f64 = 0.05;

/// Makes a picture even over the pixels that `seen` holds; 0 elsewhere.
pub(super) fn even(plane: &Plane, seen: &[bool]) -> Vec<f32> {
    let (width, height) = (plane.width, plane.height);
    let sums = Sums::of(plane, seen);
    let whole = sums.over(0, 0, width, height);
    let floor = FLOOR * whole.spread().unwrap_or(0.0);
    let mut out = vec![0.0; plane.data.len()];
    for y in 0..height {
        let (top, bottom) = (y.saturating_sub(REACH), (y + REACH + 1).min(height));
        for x in 0..width {
            let at = y * width + x;
            if !seen[at] {
                continue;
            }
            let (left, right) = (x.saturating_sub(REACH), (x + REACH + 1).min(width));
            let near = sums.over(left, top, right, bottom);
            let (Some(mean), Some(spread)) = (near.mean(), near.spread()) else { continue };
            let over = spread.hypot(floor);
            if over > 0.0 {
                out[at] = ((f64::from(plane.data[at]) - mean) / over) as f32;
            }
        }
    }
    out
}

/// Count, sum and sum of squares.
#[derive(Clone, Copy, Default)]
struct Three([f64; 3]);

impl Three {
    fn mean(self) -> Option<f64> {
        (self.0[0] > 0.0).then(|| self.0[1] / self.0[0])
    }

    fn spread(self) -> Option<f64> {
        let mean = self.mean()?;
        Some((self.0[2] / self.0[0] - mean * mean).max(0.0).sqrt())
    }
}

/// Sums over everything above and left of a pixel (Crow 1984).
struct Sums {
    across: usize,
    data: Vec<Three>,
}

impl Sums {
    fn of(plane: &Plane, seen: &[bool]) -> Sums {
        let across = plane.width + 1;
        let mut data = vec![Three::default(); across * (plane.height + 1)];
        for y in 0..plane.height {
            let mut row = Three::default();
            for x in 0..plane.width {
                let at = y * plane.width + x;
                if seen[at] {
                    let value = f64::from(plane.data[at]);
                    row = Three([row.0[0] + 1.0, row.0[1] + value, row.0[2] + value * value]);
                }
                let above = data[y * across + x + 1];
                data[(y + 1) * across + x + 1] =
                    Three(std::array::from_fn(|i| above.0[i] + row.0[i]));
            }
        }
        Sums { across, data }
    }

    fn over(&self, left: usize, top: usize, right: usize, bottom: usize) -> Three {
        let at = |x: usize, y: usize| self.data[y * self.across + x].0;
        let (a, b, c, d) = (at(left, top), at(right, top), at(left, bottom), at(right, bottom));
        Three(std::array::from_fn(|i| d[i] - b[i] - c[i] + a[i]))
    }
}
