//! The contour between boom and actors, traced between pixels.
//!
//! The nodes of the grid are the centres of the mask's pixels; a row more on each side lies
//! on the edge of the frame, and a last one, in the same places, is always outside, so that
//! every outline closes along the edge.

use super::distance::Cells;
use super::polygon::{Point, signed_area};
use crate::measure::Mask;

/// The two sides the contour keeps apart, and how far it may go from the boom at most.
#[derive(Debug)]
pub(super) struct Gap<'a> {
    pub(super) boom: Cells<'a>,
    pub(super) actors: Cells<'a>,
    /// How far the patch region reaches beyond the boom, in mask pixels.
    pub(super) reach: f64,
}

impl Gap<'_> {
    /// Distances of a point from the boom and from what stops the region: the nearest actor,
    /// or the end of its reach.
    pub(super) fn sides(&self, point: Point) -> (f64, f64) {
        let far = 4.0 * self.reach + 8.0;
        (self.boom.distance_up_to(point, far), self.actors.distance_up_to(point, self.reach))
    }

    /// Negative nearer to the boom.
    pub(super) fn lean(&self, point: Point) -> f64 {
        let (boom, stop) = self.sides(point);
        boom - stop
    }
}

/// Places of the grid's nodes along one axis.
fn places(length: usize) -> Vec<f64> {
    let end = length as f64;
    let centres = (0..length).map(|at| at as f64 + 0.5);
    [0.0, 0.0].into_iter().chain(centres).chain([end, end]).collect()
}

/// The grid: where its nodes are and which of them lie in the region.
struct Grid<'a> {
    gap: &'a Gap<'a>,
    columns: Vec<f64>,
    rows: Vec<f64>,
    inside: Mask,
}

const NONE: u32 = u32::MAX;

/// Traces the outlines of all points nearer to the boom than to what stops the region, in
/// mask pixels: clockwise as seen round a part, anticlockwise round a hole.
pub(super) fn outlines(gap: &Gap<'_>, boom: &Mask, actors: &Mask) -> Vec<Vec<Point>> {
    let grid = Grid::new(gap, boom, actors);
    let next = grid.links();
    let mut taken = vec![false; next.len()];
    let mut found = Vec::new();
    for start in 0..next.len() {
        if next[start] == NONE || taken[start] {
            continue;
        }
        let (mut outline, mut at) = (Vec::new(), start);
        while !taken[at] {
            taken[at] = true;
            let point = grid.crossing(at);
            if outline.last() != Some(&point) {
                outline.push(point);
            }
            at = next[at] as usize;
        }
        while outline.len() > 1 && outline.first() == outline.last() {
            outline.pop();
        }
        if outline.len() > 2 && signed_area(&outline) != 0.0 {
            found.push(outline);
        }
    }
    found
}

impl<'a> Grid<'a> {
    fn new(gap: &'a Gap<'a>, boom: &Mask, actors: &Mask) -> Self {
        let (columns, rows) = (places(boom.width()), places(boom.height()));
        let mut inside = Mask::new(columns.len(), rows.len());
        for (j, row) in rows.iter().enumerate().take(rows.len() - 1).skip(1) {
            for (i, column) in columns.iter().enumerate().take(columns.len() - 1).skip(1) {
                let x = (i.max(2) - 2).min(boom.width() - 1);
                let y = (j.max(2) - 2).min(boom.height() - 1);
                let near = gap.boom.near(x, y);
                let lean = near - gap.actors.near(x, y).min(gap.reach);
                // Between centres and squares, and from the edge of the frame to the
                // nearest centre, no distance differs by more than 2.
                let lean = if lean.abs() > 4.0 { lean } else { gap.lean([*column, *row]) };
                if boom.has(x, y) || (lean < 0.0 && !actors.has(x, y)) {
                    inside.set(i, j);
                }
            }
        }
        Self { gap, columns, rows, inside }
    }

    /// For each crossing, by the number of its grid line, the one that follows it with the
    /// region on the right hand.
    fn links(&self) -> Vec<u32> {
        let (width, height) = (self.columns.len(), self.rows.len());
        let mut next = vec![NONE; 2 * width * height];
        for j in 0..height - 1 {
            for i in 0..width - 1 {
                for (from, to) in self.cell(i, j).into_iter().flatten() {
                    let lines = [
                        2 * (j * width + i),
                        2 * (j * width + i + 1) + 1,
                        2 * ((j + 1) * width + i),
                        2 * (j * width + i) + 1,
                    ];
                    next[lines[from]] = lines[to] as u32;
                }
            }
        }
        next
    }

    /// Pieces of contour through one cell, from side to side: 0 top, 1 right, 2 bottom, 3
    /// left. Source of the cases: Lorensen & Cline 1987, in two dimensions.
    fn cell(&self, i: usize, j: usize) -> [Option<(usize, usize)>; 2] {
        let corner = |x: usize, y: usize, bit: u8| if self.inside.has(x, y) { bit } else { 0 };
        let case =
            corner(i, j, 1) | corner(i + 1, j, 2) | corner(i + 1, j + 1, 4) | corner(i, j + 1, 8);
        const TOP: usize = 0;
        const RIGHT: usize = 1;
        const BOTTOM: usize = 2;
        const LEFT: usize = 3;
        let one = |from, to| [Some((from, to)), None];
        let joined = || {
            let middle = |at: &[f64], n: usize| (at[n] + at[n + 1]) / 2.0;
            self.gap.lean([middle(&self.columns, i), middle(&self.rows, j)]) < 0.0
        };
        match case {
            1 => one(TOP, LEFT),
            2 => one(RIGHT, TOP),
            3 => one(RIGHT, LEFT),
            4 => one(BOTTOM, RIGHT),
            6 => one(BOTTOM, TOP),
            7 => one(BOTTOM, LEFT),
            8 => one(LEFT, BOTTOM),
            9 => one(TOP, BOTTOM),
            11 => one(RIGHT, BOTTOM),
            12 => one(LEFT, RIGHT),
            13 => one(TOP, RIGHT),
            14 => one(LEFT, TOP),
            5 if joined() => [Some((TOP, RIGHT)), Some((BOTTOM, LEFT))],
            5 => [Some((TOP, LEFT)), Some((BOTTOM, RIGHT))],
            10 if joined() => [Some((LEFT, TOP)), Some((RIGHT, BOTTOM))],
            10 => [Some((RIGHT, TOP)), Some((LEFT, BOTTOM))],
            _ => [None, None],
        }
    }

    /// The point where the contour crosses a grid line.
    fn crossing(&self, line: usize) -> Point {
        let width = self.columns.len();
        let (node, down) = (line / 2, line % 2);
        let (i, j) = (node % width, node / width);
        let a = [self.columns[i], self.rows[j]];
        let b = [self.columns[i + 1 - down], self.rows[j + down]];
        if self.inside.has(i, j) { between(self.gap, a, b) } else { between(self.gap, b, a) }
    }
}

/// Finds the contour between a point in the region and one outside by halving, and by the
/// chord where that is quicker.
pub(super) fn between(gap: &Gap<'_>, inner: Point, outer: Point) -> Point {
    let at = |share: f64| [0, 1].map(|axis| inner[axis] + share * (outer[axis] - inner[axis]));
    if inner == outer {
        return inner;
    }
    let (mut low, mut high) = (0.0, 1.0);
    let (mut below, mut above) = (gap.lean(inner), gap.lean(outer));
    if below >= 0.0 || above <= 0.0 {
        // A node was decided by its mask, not by its lean: as near to it as may be.
        return at(if below >= 0.0 { 0.0 } else { 1.0 });
    }
    for step in 0..24 {
        let chord = low + (high - low) * below / (below - above);
        let middle = if step % 3 == 2 { (low + high) / 2.0 } else { chord };
        let lean = gap.lean(at(middle));
        if lean.abs() < 1e-4 {
            return at(middle);
        }
        if lean < 0.0 {
            (low, below) = (middle, lean);
        } else {
            (high, above) = (middle, lean);
        }
    }
    at((low + high) / 2.0)
}
