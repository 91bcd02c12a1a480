//! The blocks round the patch, and in it, whose means are compared.

use super::setting::{Area, Setting};
use crate::measure::Mask;
use crate::measure::divider::Point;

/// Side of a block in source pixels for every this many pixels of width. Ours: 16 samples
/// tell an actor from grain, and there are hundreds of them.
const WIDTH_TO_A_BLOCK: usize = 240;

/// Least side of a block: two samples of colour at half size.
const LEAST_BLOCK: usize = 4;

/// One block.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Block {
    /// Its middle in source pixels.
    pub x: f64,
    pub y: f64,
    /// Its middle from the middle of the patch, in halves of the patch's size.
    pub place: Place,
    /// Whether it meets the patch region.
    pub inside: bool,
    /// Which cells of the kept masks it meets.
    cells: Area,
}

/// A place from the middle of the patch, in halves of its size.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Place {
    pub u: f64,
    pub v: f64,
}

/// The blocks of one patch.
#[derive(Debug, Clone)]
pub(super) struct Ring {
    /// What is read of every frame, in source pixels.
    pub area: Area,
    /// Side of a block in source pixels.
    pub side: usize,
    pub blocks: Vec<Block>,
    middle: Point,
    half: Point,
    /// Ends of the ring in places: beyond them nothing is known.
    ends: [Place; 2],
}

impl Ring {
    /// Lays blocks over the patch and what is round it, in a picture of this size.
    pub(super) fn new(setting: &Setting, (width, height): (usize, usize)) -> Ring {
        let scale = setting.division.scale;
        let cells = setting.cells;
        let side = (width / WIDTH_TO_A_BLOCK).max(LEAST_BLOCK).next_multiple_of(4);
        let whole = |cell: usize, end: usize| ((cell as f64 * scale) as usize).min(end);
        let area = Area {
            left: whole(cells.left, width).next_multiple_of(side),
            top: whole(cells.top, height).next_multiple_of(side),
            right: whole(cells.right, width),
            bottom: whole(cells.bottom, height),
        };
        let region = setting.division.region_on(width as f64, height as f64);
        let (middle, half) = frame_of(region.outlines.iter().flatten());
        let mut ring =
            Ring { area, side, blocks: Vec::new(), middle, half, ends: [Place::default(); 2] };
        let inner = region.mask(width, height);
        let mut top = area.top;
        while top + side <= area.bottom {
            let mut left = area.left;
            while left + side <= area.right {
                ring.add(setting, &inner, (left, top));
                left += side;
            }
            top += side;
        }
        let beyond = |ends: [Place; 2], block: &Block| {
            let ([low, high], at) = (ends, block.place);
            [
                Place { u: low.u.min(at.u), v: low.v.min(at.v) },
                Place { u: high.u.max(at.u), v: high.v.max(at.v) },
            ]
        };
        let nowhere = [f64::INFINITY, f64::NEG_INFINITY].map(|far| Place { u: far, v: far });
        ring.ends = ring.blocks.iter().fold(nowhere, beyond);
        ring
    }

    fn add(&mut self, setting: &Setting, inner: &Mask, (left, top): (usize, usize)) {
        let (scale, kept, side) = (setting.division.scale, setting.cells, self.side);
        let cell = |px: usize, from: usize| ((px as f64 / scale) as usize).saturating_sub(from);
        let cells = Area {
            left: cell(left, kept.left),
            top: cell(top, kept.top),
            right: cell(left + side - 1, kept.left) + 1,
            bottom: cell(top + side - 1, kept.top) + 1,
        };
        if meets(&setting.excluded, cells) {
            return;
        }
        let inside = inner.meets_rectangle(left..left + side, top..top + side);
        let middle = |at: usize| at as f64 + side as f64 / 2.0;
        let (x, y) = (middle(left), middle(top));
        let place = self.exact_place(x, y);
        self.blocks.push(Block { x, y, place, inside, cells });
    }

    /// Returns columns and rows of a grid over all blocks, its cells `across` blocks a side.
    pub(super) fn grid(&self, across: usize) -> (usize, usize) {
        let side = self.side * across;
        let along = |low: usize, high: usize| high.saturating_sub(low).div_ceil(side).max(1);
        (along(self.area.left, self.area.right), along(self.area.top, self.area.bottom))
    }

    /// Returns the cell of such a grid that holds a block, counted row by row.
    pub(super) fn cell(&self, block: &Block, across: usize, columns: usize) -> usize {
        let (x, y) = self.on_grid(block.x, block.y, across);
        y as usize * columns + x as usize
    }

    /// Returns where on such a grid a point in source pixels lies, in cells.
    pub(super) fn on_grid(&self, x: f64, y: f64, across: usize) -> (f64, f64) {
        let side = (self.side * across) as f64;
        ((x - self.area.left as f64) / side, (y - self.area.top as f64) / side)
    }

    fn exact_place(&self, x: f64, y: f64) -> Place {
        Place { u: (x - self.middle[0]) / self.half[0], v: (y - self.middle[1]) / self.half[1] }
    }

    /// Returns the place of a point in source pixels; one beyond the ring counts as at its
    /// edge, so that a slope measured here runs on nowhere.
    pub(super) fn place(&self, x: f64, y: f64) -> Place {
        let Place { u, v } = self.exact_place(x, y);
        let [low, high] = self.ends;
        // Without blocks the ends are the wrong way round.
        Place { u: u.min(high.u).max(low.u), v: v.min(high.v).max(low.v) }
    }

    /// Tells of every block whether only background is in it; of a frame nobody looked at
    /// nothing counts as background.
    pub(super) fn open(&self, hidden: Option<&Mask>) -> Vec<bool> {
        let Some(hidden) = hidden else { return vec![false; self.blocks.len()] };
        self.blocks.iter().map(|block| !meets(hidden, block.cells)).collect()
    }
}

fn meets(mask: &Mask, cells: Area) -> bool {
    mask.meets_rectangle(cells.left..cells.right, cells.top..cells.bottom)
}

/// Middle and half the size of what holds all points.
fn frame_of<'a>(points: impl Iterator<Item = &'a Point>) -> (Point, Point) {
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for point in points {
        for axis in 0..2 {
            (low[axis], high[axis]) = (low[axis].min(point[axis]), high[axis].max(point[axis]));
        }
    }
    let of = |at: fn(f64, f64) -> f64| [at(low[0], high[0]), at(low[1], high[1])];
    (of(|low, high| (low + high) / 2.0), of(|low, high| ((high - low) / 2.0).max(1.0)))
}
