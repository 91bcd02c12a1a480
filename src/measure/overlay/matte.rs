//! Letterbox and pillarbox: bars of one level up to a straight line.

use super::Area;
use crate::measure::Plane;

/// How far a matte may be from its level, in codes of eight bits. Ours: lossy coding wavers
/// by one or two next to the picture; a dark set holds grain and shading.
const LEVEL: f32 = 2.0;

/// Part of a bar's pixels that may be something else: a burn-in in the bar. Ours.
const WRITTEN: f64 = 0.4;

/// Part of the places along the inner edge at which the picture must begin just there, of
/// all places where it can be told from the bar. Ours.
const STRAIGHT: f64 = 0.95;

/// Least part of the inner edge at which it can be told. Ours: less could be chance.
const TOLD: f64 = 0.3;

/// Brightest level of a bar on one side alone, in codes of eight bits: black of narrow range
/// with a code of coding noise. A brighter one must have its like on the other side. Ours.
const BLACK: f32 = 18.0;

/// A bar: how deep it is, and its level.
#[derive(Clone, Copy)]
struct Bar {
    depth: usize,
    level: f32,
}

/// Finds the picture inside its matte from the lowest and highest value of each pixel.
pub(super) fn find(low: &Plane, high: &Plane) -> Option<Area> {
    let look = Look { low, high };
    let (width, height) = (low.width, low.height);
    let rows = look.pair(true);
    let columns = look.pair(false);
    let area = Area {
        left: columns[0],
        top: rows[0],
        right: width.checked_sub(columns[1])?,
        bottom: height.checked_sub(rows[1])?,
    };
    let bars = columns.iter().chain(&rows).sum::<usize>();
    (bars > 0 && area.left < area.right && area.top < area.bottom).then_some(area)
}

/// The depth of a bar that stands alone: 0 unless it is black.
fn dark(bar: Bar, depth: usize) -> usize {
    if bar.level <= BLACK { depth } else { 0 }
}

struct Look<'a> {
    low: &'a Plane,
    high: &'a Plane,
}

impl Look<'_> {
    /// Depths of the bars at both ends of one axis: above and below, or left and right.
    fn pair(&self, rows: bool) -> [usize; 2] {
        let bars = [false, true].map(|end| self.bar(rows, end));
        match bars {
            [Some(a), Some(b)] if (a.level - b.level).abs() <= LEVEL => [a.depth, b.depth],
            [Some(a), None] => [a.depth, self.like(rows, true, a)].map(|depth| dark(a, depth)),
            [None, Some(b)] => [self.like(rows, false, b), b.depth].map(|depth| dark(b, depth)),
            bars => bars.map(|bar| bar.map_or(0, |bar| dark(bar, bar.depth))),
        }
    }

    /// Depth of the bar at the other end where a dark picture hides its edge: mattes are
    /// laid evenly, and what is as plain as a matte is no loss.
    fn like(&self, rows: bool, end: bool, other: Bar) -> usize {
        let plain = (0..other.depth).all(|depth| self.is_full(rows, end, depth, other.level));
        if plain { other.depth } else { 0 }
    }

    /// Tells whether nearly all of a row, or column, is at a level.
    fn is_full(&self, rows: bool, end: bool, depth: usize, level: f32) -> bool {
        let length = if rows { self.low.width } else { self.low.height };
        let off = |along: &usize| {
            let (low, high) = self.at(rows, end, *along, depth);
            low < level - LEVEL || high > level + LEVEL
        };
        (0..length).filter(off).count() as f64 <= WRITTEN * length as f64
    }

    /// Lowest and highest value at a place: `along` the bar, `depth` from the frame's edge.
    fn at(&self, rows: bool, end: bool, along: usize, depth: usize) -> (f32, f32) {
        let deep = if rows { self.low.height } else { self.low.width };
        let across = if end { deep - 1 - depth } else { depth };
        let (x, y) = if rows { (along, across) } else { (across, along) };
        let at = y * self.low.width + x;
        (self.low.data[at], self.high.data[at])
    }

    fn bar(&self, rows: bool, end: bool) -> Option<Bar> {
        let (length, deep) = if rows {
            (self.low.width, self.low.height)
        } else {
            (self.low.height, self.low.width)
        };
        let mut edge: Vec<f32> = (0..length).map(|along| self.at(rows, end, along, 0).0).collect();
        edge.sort_by(f32::total_cmp);
        let level = edge[length / 2];
        // A dark picture may go on plain behind the edge in places, so the deepest row that
        // is mostly plain need not be the bar's: each depth where the picture begins in
        // many places is tried, the deepest first.
        let most =
            (0..deep * 2 / 5).take_while(|depth| self.is_full(rows, end, *depth, level)).count();
        (2..=most)
            .rev()
            .find(|depth| self.is_straight(rows, end, *depth, length, level))
            .map(|depth| Bar { depth, level })
    }

    /// Tells whether a bar ends at a depth in one straight line: what is behind it and can be
    /// told from it is told from there on.
    fn is_straight(&self, rows: bool, end: bool, depth: usize, length: usize, level: f32) -> bool {
        const BEHIND: usize = 6;
        let far = |along: usize, depth: usize| {
            let (low, high) = self.at(rows, end, along, depth);
            (level - low).max(high - level)
        };
        let (mut told, mut straight) = (0_usize, 0_usize);
        for along in 0..length {
            // Letters in the bar, and coding noise about them, tell nothing of its edge.
            if (depth.saturating_sub(4)..depth - 1).any(|depth| far(along, depth) > LEVEL) {
                continue;
            }
            let behind = (depth + 1..depth + BEHIND).map(|depth| far(along, depth));
            if behind.fold(0.0, f32::max) > 4.0 * LEVEL {
                told += 1;
                // Two rows: in one of them the picture may be as bright as the bar.
                straight += usize::from(far(along, depth).max(far(along, depth + 1)) > LEVEL);
            }
        }
        told as f64 >= TOLD * length as f64 && straight as f64 >= STRAIGHT * told as f64
    }
}
