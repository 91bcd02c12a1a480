//! Means of the blocks of one picture, each taken where the camera's move has brought it.

use super::ring::Ring;
use crate::measure::Motion;
use crate::media::Picture;

/// Means of one component in codes of eight bits, one for each block.
pub(super) type Means = Vec<f32>;

/// Which components of a picture are light, at most three: alpha is none.
pub(super) fn components(picture: &Picture) -> usize {
    match picture.components() {
        count @ 0..3 => count.min(1),
        _ => 3,
    }
}

/// Reads the means of all components; `None` where the samples cannot be reached.
pub(super) fn means(picture: &Picture, ring: &Ring, motion: &Motion) -> Option<Vec<Means>> {
    let count = components(picture);
    let all: Option<Vec<Means>> =
        (0..count).map(|component| of_component(picture, component, ring, motion)).collect();
    all.filter(|all| !all.is_empty())
}

fn of_component(
    picture: &Picture,
    component: usize,
    ring: &Ring,
    motion: &Motion,
) -> Option<Means> {
    let (width, height, (across, down)) = picture.component_size(component);
    let (by_x, by_y) = (f64::from(1_u32 << across), f64::from(1_u32 << down));
    // Moved blocks reach a little beyond the ring.
    let far = 4 + motion.shift_px().ceil().clamp(0.0, 64.0) as usize;
    let span = |low: usize, high: usize, shift: u32, end: usize| {
        ((low.saturating_sub(far)) >> shift, ((high + far) >> shift).min(end))
    };
    let (left, right) = span(ring.area.left, ring.area.right, across, width);
    let (top, bottom) = span(ring.area.top, ring.area.bottom, down, height);
    let scale = 255.0 / f64::from(picture.component_peak(component));
    let sums = Sums::read(picture, component, (left, top, right, bottom))?;
    let centre = (f64::from(picture.width()) / 2.0, f64::from(picture.height()) / 2.0);
    let half = ring.side as f64 / 2.0;
    let mean = |block: &super::ring::Block| {
        let (dx, dy) = motion.at(block.x - centre.0, block.y - centre.1);
        let x = |at: f64| (block.x + dx + at) / by_x - left as f64;
        let y = |at: f64| (block.y + dy + at) / by_y - top as f64;
        (scale * sums.mean((x(-half), y(-half)), (x(half), y(half)))) as f32
    };
    Some(ring.blocks.iter().map(mean).collect())
}

/// Sums of all samples above and left of every corner (Crow 1984).
struct Sums {
    columns: usize,
    rows: usize,
    sums: Vec<f64>,
}

impl Sums {
    fn read(
        picture: &Picture,
        component: usize,
        (left, top, right, bottom): (usize, usize, usize, usize),
    ) -> Option<Sums> {
        let (columns, rows) = (right.checked_sub(left)?, bottom.checked_sub(top)?);
        let mut sums = vec![0.0; (columns + 1) * (rows + 1)];
        let mut row = Vec::new();
        for y in 0..rows {
            if !picture.samples(component, top + y, left..right, &mut row) {
                return None;
            }
            let mut along = 0.0;
            for (x, value) in row.iter().enumerate() {
                along += f64::from(*value);
                sums[(y + 1) * (columns + 1) + x + 1] = sums[y * (columns + 1) + x + 1] + along;
            }
        }
        Some(Sums { columns, rows, sums })
    }

    /// Sum up to a corner between samples: samples are squares of one value.
    fn to(&self, x: f64, y: f64) -> f64 {
        let (x, y) = (x.clamp(0.0, self.columns as f64), y.clamp(0.0, self.rows as f64));
        let column = (x as usize).min(self.columns.saturating_sub(1));
        let row = (y as usize).min(self.rows.saturating_sub(1));
        let (fx, fy) = (x - column as f64, y - row as f64);
        let at = |dx: usize, dy: usize| {
            let (x, y) = ((column + dx).min(self.columns), (row + dy).min(self.rows));
            self.sums[y * (self.columns + 1) + x]
        };
        let upper = at(0, 0) + fx * (at(1, 0) - at(0, 0));
        let lower = at(0, 1) + fx * (at(1, 1) - at(0, 1));
        upper + fy * (lower - upper)
    }

    /// Mean over a rectangle; what lies beyond the edge is left off.
    fn mean(&self, (left, top): (f64, f64), (right, bottom): (f64, f64)) -> f64 {
        let inside = |at: f64, end: usize| at.clamp(0.0, end as f64);
        let wide = inside(right, self.columns) - inside(left, self.columns);
        let high = inside(bottom, self.rows) - inside(top, self.rows);
        let sum = self.to(right, bottom) - self.to(left, bottom) - self.to(right, top)
            + self.to(left, top);
        sum / (wide * high).max(1e-9)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mean_between_samples_is_that_of_their_parts() {
        // 1 2 / 3 4, and by hand: the middle square holds a quarter of each.
        let sums = Sums { columns: 2, rows: 2, sums: vec![0., 0., 0., 0., 1., 3., 0., 4., 10.] };
        assert_eq!(sums.mean((0.5, 0.5), (1.5, 1.5)), 2.5);
        assert_eq!(sums.mean((1.0, 0.0), (2.0, 2.0)), 3.0);
        assert_eq!(sums.mean((1.0, 1.0), (5.0, 5.0)), 4.0);
    }
}
