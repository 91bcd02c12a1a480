//! Few straight sides instead of one for every pixel, each measured exactly.

use super::polygon::{Point, on_one_edge};
use super::trace::{Gap, between};

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
        let spare = gap.boom.distance(middle) - self.from_boom;
        let spare = spare.min(gap.actors.distance(middle) - self.from_actors);
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

/// Returns the least of a distance along a side, at most 1e-3 too small and never too large.
pub(super) fn least(distance: &dyn Fn(Point) -> f64, a: Point, b: Point, known: f64) -> f64 {
    const EXACT: f64 = 1e-3;
    let half = (b[0] - a[0]).hypot(b[1] - a[1]) / 2.0;
    let middle = [f64::midpoint(a[0], b[0]), f64::midpoint(a[1], b[1])];
    let here = distance(middle);
    if half < EXACT || here - half >= known {
        return known.min(here - half.min(EXACT));
    }
    let first = least(distance, a, middle, known);
    least(distance, middle, b, first)
}
