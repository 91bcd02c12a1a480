//! Few straight sides instead of one for every pixel, each measured exactly.

use super::distance::Cells;
use super::polygon::{Point, from_side, on_one_edge};
use super::trace::{Gap, between};
use crate::measure::Mask;

/// How near a side may come, and how exactly that is measured, in mask pixels.
#[derive(Debug, Clone, Copy)]
pub(super) struct Course {
    /// Least distance of a side from the boom.
    pub(super) from_boom: f64,
    /// Least distance of a side from the actors.
    pub(super) from_actors: f64,
    /// Width and height of the frame.
    pub(super) frame: Point,
}

/// Sides shorter than this are not divided again: what a side may be nearer than measured.
const GRAIN_PX: f64 = 2e-3;

/// How far from the middle of the gap a simplified side may stray, as a part of half the
/// gap. A wide gap would else let it come as near as the narrowest place.
const STRAY: f64 = 0.25;

impl Course {
    /// Lays few sides along an outline. Where even the traced outline cuts a corner, points
    /// are added first.
    pub(super) fn simplified(&self, gap: &Gap<'_>, outline: &[Point]) -> Vec<Point> {
        let mut found = Vec::new();
        for (run, is_edge) in self.runs(outline) {
            let run =
                if is_edge { corners(&run) } else { self.fewer(gap, &self.refined(gap, &run)) };
            found.extend_from_slice(&run[..run.len() - 1]);
        }
        found
    }

    /// Parts of an outline along the frame's edge, and between; each ends with the point the
    /// next begins with.
    fn runs(&self, outline: &[Point]) -> Vec<(Vec<Point>, bool)> {
        let count = outline.len();
        let side = |at: usize| (outline[at % count], outline[(at + 1) % count]);
        let is_edge = |at: usize| {
            let (a, b) = side(at);
            on_one_edge(a, b, self.frame[0], self.frame[1])
        };
        let start = (0..count).find(|at| is_edge(*at) != is_edge(at + count - 1)).unwrap_or(0);
        let mut runs: Vec<(Vec<Point>, bool)> = Vec::new();
        for at in start..start + count {
            let (a, b) = side(at);
            match runs.last_mut().filter(|(_, edge)| *edge == is_edge(at)) {
                Some((run, _)) => run.push(b),
                None => runs.push((vec![a, b], is_edge(at))),
            }
        }
        runs
    }

    fn refined(&self, gap: &Gap<'_>, run: &[Point]) -> Vec<Point> {
        let mut found = vec![run[0]];
        for pair in run.windows(2) {
            self.refine(gap, pair[0], pair[1], 5, &mut found);
            found.push(pair[1]);
        }
        found
    }

    fn refine(&self, gap: &Gap<'_>, a: Point, b: Point, depth: u32, found: &mut Vec<Point>) {
        if depth == 0 || self.clears(gap, a, b) {
            return;
        }
        let middle = onto(gap, [(a[0] + b[0]) / 2.0, (a[1] + b[1]) / 2.0], a, b);
        self.refine(gap, a, middle, depth - 1, found);
        found.push(middle);
        self.refine(gap, middle, b, depth - 1, found);
    }

    /// Goes along a run and takes the farthest point that a straight side may reach.
    fn fewer(&self, gap: &Gap<'_>, run: &[Point]) -> Vec<Point> {
        let last = run.len() - 1;
        let mut found = vec![run[0]];
        let mut from = 0;
        while from < last {
            let holds = |to: usize| to == from + 1 || self.holds(gap, run[from], run[to]);
            let (mut good, mut step) = (from + 1, 2);
            while from + step <= last && holds(from + step) {
                good = from + step;
                step *= 2;
            }
            let mut bad = (from + step).min(last + 1);
            while good + 1 < bad {
                let middle = (good + bad) / 2;
                if holds(middle) { good = middle } else { bad = middle }
            }
            from = good;
            found.push(run[from]);
        }
        found
    }

    fn holds(&self, gap: &Gap<'_>, a: Point, b: Point) -> bool {
        a != b && self.keeps_to_the_middle(gap, a, b) && self.clears(gap, a, b)
    }

    fn keeps_to_the_middle(&self, gap: &Gap<'_>, a: Point, b: Point) -> bool {
        let steps = (b[0] - a[0]).hypot(b[1] - a[1]).ceil().max(2.0) as usize;
        (1..steps).all(|at| {
            let share = at as f64 / steps as f64;
            let (boom, stop) = gap.sides([0, 1].map(|n| a[n] + share * (b[n] - a[n])));
            let middle = f64::midpoint(boom, stop).min(gap.reach);
            (boom - middle).abs().max((stop - middle).abs()) <= STRAY * middle
        })
    }

    /// Tells whether every point of a side keeps both distances.
    fn clears(&self, gap: &Gap<'_>, a: Point, b: Point) -> bool {
        let half = (b[0] - a[0]).hypot(b[1] - a[1]) / 2.0;
        let middle = [f64::midpoint(a[0], b[0]), f64::midpoint(a[1], b[1])];
        let spare = |cells: &Cells<'_>, least: f64| {
            if least.is_finite() {
                cells.distance_up_to(middle, least + half) - least
            } else {
                half
            }
        };
        let spare = spare(&gap.boom, self.from_boom).min(spare(&gap.actors, self.from_actors));
        // A distance changes by no more than the way gone.
        if spare < 0.0 || half < GRAIN_PX {
            return spare >= 0.0;
        }
        spare >= half || (self.clears(gap, a, middle) && self.clears(gap, middle, b))
    }
}

/// Moves a point across the side between two others until it lies on the contour.
fn onto(gap: &Gap<'_>, point: Point, a: Point, b: Point) -> Point {
    let length = (b[0] - a[0]).hypot(b[1] - a[1]).max(1e-12);
    // The region is on the right hand of the way from a to b.
    let right = [-(b[1] - a[1]) / length, (b[0] - a[0]) / length];
    let off = |by: f64| [point[0] + by * right[0], point[1] + by * right[1]];
    for reach in [0.1, 0.3, 1.0] {
        let (inner, outer) = (off(reach), off(-reach));
        if gap.lean(inner) < 0.0 && gap.lean(outer) > 0.0 {
            return between(gap, inner, outer);
        }
    }
    point
}

/// Ends of a run along the frame's edge, and the frame's corners between them.
fn corners(run: &[Point]) -> Vec<Point> {
    let turns = |at: &[Point]| {
        let (u, v) = (
            [at[1][0] - at[0][0], at[1][1] - at[0][1]],
            [at[2][0] - at[1][0], at[2][1] - at[1][1]],
        );
        u[0] * v[1] != u[1] * v[0]
    };
    let between = run.windows(3).filter(|at| turns(at)).map(|at| at[1]);
    std::iter::once(run[0]).chain(between).chain(run.last().copied()).collect()
}

/// Returns the least distance of any side from the squares of a set; infinite without.
pub(super) fn least(sides: &[(Point, Point)], set: &Mask, half: f64) -> f64 {
    let rim = rim(set);
    let mut known = f64::INFINITY;
    for side in sides {
        let (a, b) = *side;
        let (low, high) = ([a[0].min(b[0]), a[1].min(b[1])], [a[0].max(b[0]), a[1].max(b[1])]);
        for square in &rim {
            let far =
                |axis: usize| (low[axis] - square[axis]).max(square[axis] - high[axis]) - half;
            if far(0) < known && far(1) < known {
                known = known.min(from_square(*side, *square, half));
            }
        }
    }
    known
}

/// Centres of the pixels of a set with a neighbour outside it.
fn rim(set: &Mask) -> Vec<Point> {
    let inner = |x: usize, y: usize| {
        let across = x > 0 && set.has(x - 1, y) && set.has(x + 1, y);
        across && y > 0 && set.has(x, y - 1) && set.has(x, y + 1)
    };
    let rim = set.pixels().filter(|(x, y)| !inner(*x, *y));
    rim.map(|(x, y)| [x as f64 + 0.5, y as f64 + 0.5]).collect()
}

/// Distance between a side and a square `half` to each side of its centre.
fn from_square(side: (Point, Point), [x, y]: Point, half: f64) -> f64 {
    if half == 0.0 {
        return from_side([x, y], side);
    }
    // Two convex shapes that do not meet are nearest at a corner of one of them.
    let outside =
        |[px, py]: Point| ((px - x).abs() - half).max(0.0).hypot(((py - y).abs() - half).max(0.0));
    let corners = [[-half, -half], [half, -half], [half, half], [-half, half]];
    let corners = corners.map(|off| from_side([x + off[0], y + off[1]], side));
    let nearest = corners.into_iter().fold(f64::INFINITY, f64::min);
    nearest.min(outside(side.0)).min(outside(side.1))
}
