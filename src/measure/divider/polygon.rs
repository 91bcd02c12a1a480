//! The patch region: closed outlines in source pixels.

use crate::measure::Mask;
use serde::{Deserialize, Serialize};

/// A point, x right and y down from the upper left corner of the frame, in pixels: the first
/// pixel is the square from (0, 0) to (1, 1).
pub type Point = [f64; 2];

/// A part of the frame within closed outlines.
///
/// A point is inside if a ray from it crosses the outlines an odd number of times, so an
/// outline inside another is a hole. Written as a list of outlines, each a list of points,
/// the first not repeated at the end.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Region {
    /// The outlines: clockwise as seen for a part, anticlockwise for a hole.
    pub outlines: Vec<Vec<Point>>,
}

impl Region {
    /// Tells whether there is no outline.
    pub fn is_empty(&self) -> bool {
        self.outlines.is_empty()
    }

    /// Returns the sides, from point to point.
    pub fn sides(&self) -> impl Iterator<Item = (Point, Point)> + '_ {
        self.outlines.iter().flat_map(|outline| {
            let next = outline.iter().cycle().skip(1);
            outline.iter().copied().zip(next.copied())
        })
    }

    /// Tells whether a point lies inside.
    pub fn contains(&self, [x, y]: Point) -> bool {
        let crossed = |(a, b): &(Point, Point)| {
            (a[1] > y) != (b[1] > y) && x < a[0] + (y - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
        };
        self.sides().filter(crossed).count() % 2 == 1
    }

    /// Returns the area in square pixels, holes taken off.
    pub fn area(&self) -> f64 {
        self.outlines.iter().map(|outline| signed_area(outline)).sum::<f64>().abs()
    }

    /// Returns the columns where a row's inside begins and ends, in order: always pairs.
    pub fn spans(&self, y: f64, out: &mut Vec<f64>) {
        out.clear();
        out.extend(
            self.sides()
                .filter(|(a, b)| (a[1] > y) != (b[1] > y))
                .map(|(a, b)| a[0] + (y - a[1]) / (b[1] - a[1]) * (b[0] - a[0])),
        );
        out.sort_by(f64::total_cmp);
    }

    /// Returns the sides that divide boom from actors, those along the frame's edge left out.
    pub fn inner_sides(&self, width: f64, height: f64) -> Vec<(Point, Point)> {
        self.sides().filter(|(a, b)| !on_one_edge(*a, *b, width, height)).collect()
    }

    /// Returns the pixels of a plane whose middles lie in the region, one unit a pixel.
    pub fn mask(&self, width: usize, height: usize) -> Mask {
        let mut mask = Mask::new(width, height);
        let mut spans = Vec::new();
        for y in 0..height {
            self.spans(y as f64 + 0.5, &mut spans);
            for pair in spans.chunks_exact(2) {
                // A cast of a float saturates; columns past the plane are ignored.
                let columns = (pair[0] - 0.5).ceil().max(0.0) as usize;
                let end = ((pair[1] - 0.5).ceil().max(0.0) as usize).min(width);
                (columns..end).for_each(|x| mask.set(x, y));
            }
        }
        mask
    }

    /// Returns the region with every length multiplied.
    pub fn scaled(&self, by: f64) -> Region {
        let outlines = self.outlines.iter();
        Region {
            outlines: outlines.map(|o| o.iter().map(|p| p.map(|v| v * by)).collect()).collect(),
        }
    }
}

/// Area of an outline, positive if it runs clockwise as seen.
pub(super) fn signed_area(outline: &[Point]) -> f64 {
    let next = outline.iter().cycle().skip(1);
    outline.iter().zip(next).map(|(a, b)| a[0] * b[1] - b[0] * a[1]).sum::<f64>() / 2.0
}

/// Tells whether two points lie on one edge of the frame.
pub(super) fn on_one_edge(a: Point, b: Point, width: f64, height: f64) -> bool {
    let both = |axis: usize, at: f64| a[axis] == at && b[axis] == at;
    both(0, 0.0) || both(1, 0.0) || both(0, width) || both(1, height)
}

/// Returns the distance of a point from the line between two others, ends included.
pub(super) fn from_side([x, y]: Point, (a, b): (Point, Point)) -> f64 {
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length = dx * dx + dy * dy;
    let along = if length > 0.0 { ((x - a[0]) * dx + (y - a[1]) * dy) / length } else { 0.0 };
    let along = along.clamp(0.0, 1.0);
    (x - a[0] - along * dx).hypot(y - a[1] - along * dy)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn with_hole() -> Region {
        Region {
            outlines: vec![
                vec![[0.0, 0.0], [10.0, 0.0], [10.0, 6.0], [0.0, 8.0]],
                vec![[2.0, 2.0], [2.0, 4.0], [4.0, 4.0], [4.0, 2.0]],
            ],
        }
    }

    #[test]
    fn a_hole_is_outside() {
        let region = with_hole();
        assert!(region.contains([1.0, 1.0]) && region.contains([9.0, 6.1]));
        assert!(!region.contains([3.0, 3.0]) && !region.contains([9.0, 6.3]));
        assert_eq!(region.area(), 66.0);
        let mut spans = Vec::new();
        region.spans(3.0, &mut spans);
        assert_eq!(spans, [0.0, 2.0, 4.0, 10.0]);
    }

    #[test]
    fn the_pixels_of_a_region_are_those_it_contains() {
        let region = with_hole();
        let plain = Mask::from_fn(12, 9, |x, y| region.contains([x as f64 + 0.5, y as f64 + 0.5]));
        assert_eq!(region.mask(12, 9), plain);
        assert!(plain.count() > 50);
    }

    #[test]
    fn sides_on_the_frame_divide_nothing() {
        let region = with_hole();
        assert_eq!(region.inner_sides(10.0, 20.0).len(), 5);
        assert_eq!(serde_json::to_string(&Region::default()).unwrap(), "[]");
        assert_eq!(from_side([5.0, 3.0], ([0.0, 0.0], [4.0, 0.0])), 10.0_f64.sqrt());
    }
}
