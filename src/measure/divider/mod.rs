//! The divider: where the patch ends, between the boom and the actors.
//!
//! One static region has to serve all patched frames, so it is laid between the union of
//! boom and shadow and the union of the actors over all of them. It runs where both are
//! equally far (the contour between their Voronoi regions), or, with no actor near, a
//! feather's width from the boom.
//!
//! ```text
//!   boom, core, actors -> distances -> outline between pixels -> few sides -> measured again
//! ```
//!
//! A pixel of a mask reduced by `scale` stands for all source pixels in it, and, unless the
//! outlines were looked at closely, for those beside it that its mean may have hidden. So every distance is the least it can be between
//! source pixels: never overstated.

mod crossing;
mod distance;
mod matte;
mod polygon;
mod simplify;
mod specks;
mod trace;
mod window;

pub use crate::settings::DividerLimits;
pub(in crate::measure) use crossing::near_sides;
pub use crossing::{Crossing, Entered, crossings, reasons};
pub use distance::distances;
pub use matte::alpha;
pub use polygon::{Point, Region};
pub use specks::{ActorTally, Speck};

use crate::measure::Mask;
use distance::{Cells, half_cell, half_inside};
use serde::Serialize;
use simplify::{Course, least};
use trace::Gap;
use window::Window;

/// The part of the ideal margin every side has to keep. The rest pays for straight sides.
const KEPT: f64 = 0.99;

/// How far from the sides of the part that is looked at nothing is judged by what is beyond,
/// in mask pixels: wider than a speck stands alone.
const BORDER: usize = 16;

/// Whether there is a divider.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Boom and shadow are clear of every actor.
    Free,
    /// The soft shadow comes too near to an actor, or the boom itself does without touching
    /// him. The region leaves out the shadow's pixels that do.
    SkirtTouched,
    /// The boom itself meets an actor: there is no region.
    Overlap,
    /// There is no boom, so nothing to patch.
    NoBoom,
}

/// The patch region and how well it keeps boom and actors apart.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Division {
    /// The patch region, in source pixels; empty if there is none.
    pub region: Region,
    /// Whether there is a divider.
    pub standing: Standing,
    /// Least distance between a pixel of boom or shadow and one of an actor, from centre to
    /// centre, in source pixels; `None` without boom or actors.
    pub clearance_px: Option<f64>,
    /// The same for the boom without its soft shadow.
    pub core_clearance_px: Option<f64>,
    /// Least distance from the divider to what the region holds of the boom, in source
    /// pixels; `None` without region.
    pub margin_boom_px: Option<f64>,
    /// Least distance from the divider to an actor, in source pixels; `None` without region
    /// or actors.
    pub margin_actors_px: Option<f64>,
    /// What both margins could be at best: half the clearance, or the reach of the region.
    pub ideal_margin_px: Option<f64>,
    /// Pixels of the mask that belong to the shadow and lie outside the region.
    pub left_out: usize,
    /// Actor pixels that were not allowed to bend the divider.
    pub specks: Vec<Speck>,
    /// Whether the region meets pixels that are not measured: a burn-in, a matte.
    pub meets_excluded: bool,
    /// Source pixels for each pixel of the masks.
    pub scale: f64,
    #[serde(skip)]
    sets: Sets,
    #[serde(skip)]
    limits: DividerLimits,
    /// Half the side of the square a pixel of the masks stands for, in their pixels.
    #[serde(skip)]
    half: f64,
}

/// The masks a division was made from.
#[derive(Debug, Clone, PartialEq)]
struct Sets {
    boom: Mask,
    core: Mask,
    /// What the region holds of the boom.
    held: Mask,
    actors: Mask,
    specks: Mask,
}

/// Divides boom from actors.
///
/// All masks are of one size; `boom` is the union of boom and shadow over all patched frames,
/// `core` the boom without its soft shadow, `actors` the union of the actors, `excluded` what
/// is not measured, `scale` the number of source pixels along a side of a mask's pixel.
/// `None` if the sizes differ, a mask has no pixel, or `scale` is not a positive number.
///
/// Nobody counted in how many frames each actor pixel was on, so a speck is told by its size
/// alone; [`divide_seen`] knows better.
pub fn divide(
    boom: &Mask,
    core: &Mask,
    actors: &Mask,
    excluded: &Mask,
    scale: f64,
    limits: &DividerLimits,
) -> Option<Division> {
    let half = half_cell(scale);
    Parts { boom, core, actors, excluded, seen: None, scale, half }.divide(limits)
}

/// Divides boom from actors that were counted frame by frame; see [`divide`]. Their outlines
/// were drawn with their surroundings, so that no pixel outside the masks is meant.
pub fn divide_seen(
    boom: &Mask,
    core: &Mask,
    actors: &ActorTally,
    excluded: &Mask,
    scale: f64,
    limits: &DividerLimits,
) -> Option<Division> {
    let (seen, actors, half) = (Some(actors), actors.union(), half_inside(scale));
    Parts { boom, core, actors, excluded, seen, scale, half }.divide(limits)
}

struct Parts<'a> {
    boom: &'a Mask,
    core: &'a Mask,
    actors: &'a Mask,
    excluded: &'a Mask,
    seen: Option<&'a ActorTally>,
    scale: f64,
    half: f64,
}

impl Parts<'_> {
    fn divide(&self, limits: &DividerLimits) -> Option<Division> {
        let size = |mask: &Mask| (mask.width(), mask.height());
        let alike =
            [self.core, self.actors, self.excluded].iter().all(|m| size(m) == size(self.boom));
        let sound =
            self.scale.is_finite() && self.scale > 0.0 && size(self.boom).0 * size(self.boom).1 > 0;
        if !alike || !sound {
            return None;
        }
        let reach = (2.0 * limits.feather_px / self.scale).ceil().min(1e5) as usize;
        let mut margin = reach + 4 * BORDER;
        let mut boom = self.boom.clone();
        boom.add(self.core);
        // Nothing farther than the nearest actor, and nothing far beyond the patch, counts.
        let (mut division, specks) = loop {
            let window = Window::round(&boom, margin);
            let (sets, specks) = self.sets(&window, limits);
            let mut division = Division::bare(sets, self.scale, *limits, self.half);
            let clear = division.lay(&window);
            let alone = division.sets.actors.is_empty();
            if window.is_all() || alone || clear <= (margin - 2 * BORDER) as f64 {
                break (division, specks);
            }
            margin *= 4;
        };
        division.name_specks(&specks);
        division.meets_excluded = division.region_meets(self.excluded);
        Some(division)
    }

    fn sets(
        &self,
        window: &Window,
        limits: &DividerLimits,
    ) -> (Sets, Vec<(specks::Cluster, Option<u32>)>) {
        let without = |mask: &Mask, other: &Mask| {
            let mut left = mask.clone();
            left.take(other);
            left
        };
        let core = without(self.core, self.excluded);
        let mut boom = without(self.boom, self.excluded);
        boom.add(&core);
        let mut actors = without(self.actors, self.excluded);
        let inside = window.placed(&window.of(&actors));
        let mut found = specks::find(&inside, self.seen, limits);
        // Near the side of the window few pixels may be the end of many.
        found.retain(|(cluster, _)| cluster.iter().all(|(x, y)| window.holds(*x, *y, BORDER)));
        let mut specks = Mask::new(actors.width(), actors.height());
        found.iter().flat_map(|(cluster, _)| cluster).for_each(|(x, y)| specks.set(*x, *y));
        actors.take(&specks);
        (Sets { held: boom.clone(), boom, core, actors, specks }, found)
    }
}

impl Division {
    fn bare(sets: Sets, scale: f64, limits: DividerLimits, half: f64) -> Division {
        Division {
            region: Region::default(),
            standing: Standing::NoBoom,
            clearance_px: None,
            core_clearance_px: None,
            margin_boom_px: None,
            margin_actors_px: None,
            ideal_margin_px: None,
            left_out: 0,
            specks: Vec::new(),
            meets_excluded: false,
            scale,
            sets,
            limits,
            half,
        }
    }

    /// Lays the divider within a part of the masks; returns the clearance in mask pixels.
    fn lay(&mut self, window: &Window) -> f64 {
        if self.sets.boom.is_empty() {
            return 0.0;
        }
        let half = self.half;
        let actors = window.of(&self.sets.actors);
        let (boom, core) = (window.of(&self.sets.boom), window.of(&self.sets.core));
        let cells = Cells::new(&actors, half);
        let clear = clearance(&cells, &boom);
        let core_clear = clearance(&cells, &core);
        if clear.is_infinite() && !window.is_all() && !self.sets.actors.is_empty() {
            return clear;
        }
        let in_source = |clear: f64| clear.is_finite().then_some(clear * self.scale);
        self.clearance_px = in_source(clear);
        self.core_clearance_px = in_source(core_clear);
        let least = self.limits.clearance_px / self.scale;
        // A core that an actor comes near without touching it can still be parted from him.
        self.standing = match (clear >= least, core_clear > 0.0) {
            (true, _) => Standing::Free,
            (_, true) => Standing::SkirtTouched,
            _ => Standing::Overlap,
        };
        let mut held = boom.clone();
        if self.standing == Standing::SkirtTouched {
            self.left_out = leave_out_touching(&cells, least, (&boom, &core), &mut held);
            self.sets.held = window.placed(&held);
        }
        if self.standing != Standing::Overlap && !held.is_empty() {
            self.outline(cells, &actors, held, window);
        }
        clear
    }

    fn outline(&mut self, actors: Cells<'_>, actor_set: &Mask, held: Mask, window: &Window) {
        let reach = (self.limits.feather_px / self.scale).max(0.75);
        let clear = clearance(&actors, &held);
        let gap = Gap { boom: Cells::new(&held, actors.half), actors, reach };
        let ideal = (clear / 2.0).min(reach);
        let frame = [held.width() as f64, held.height() as f64];
        let course = Course {
            from_boom: KEPT * ideal,
            from_actors: KEPT * clear.min(2.0 * ideal) / 2.0,
            frame,
        };
        let traced = Region { outlines: trace::outlines(&gap, &held, actor_set) };
        let traced = without_empty_holes(traced, actor_set);
        let few = traced.outlines.iter().map(|outline| course.simplified(&gap, outline));
        let few = Region { outlines: few.filter(|outline| outline.len() > 2).collect() };
        let sound = |region: &Region| divides(region, &held, actor_set);
        let Some(region) = [few, traced].into_iter().find(sound) else {
            self.standing = Standing::Overlap;
            return;
        };
        let sides = region.inner_sides(frame[0], frame[1]);
        let margin = |set: &Mask| {
            let margin = least(&sides, set, gap.boom.half);
            margin.is_finite().then_some(margin * self.scale)
        };
        self.margin_boom_px = margin(&held);
        self.margin_actors_px = margin(actor_set);
        self.ideal_margin_px = Some(ideal * self.scale);
        let moved = |[x, y]: Point| {
            [(x + window.left as f64) * self.scale, (y + window.top as f64) * self.scale]
        };
        let outlines = region.outlines.iter();
        self.region = Region {
            outlines: outlines
                .map(|outline| outline.iter().copied().map(moved).collect())
                .collect(),
        };
    }

    fn name_specks(&mut self, found: &[(specks::Cluster, Option<u32>)]) {
        if found.is_empty() {
            return;
        }
        let boom = Cells::new(&self.sets.boom, self.half);
        for (cluster, frames) in found {
            let from_boom = cluster.iter().map(|(x, y)| {
                boom.distance_with([*x as f64 + 0.5, *y as f64 + 0.5], 2.0 * boom.half)
            });
            let from_boom_px = from_boom.fold(f64::INFINITY, f64::min) * self.scale;
            let middle = |low: usize, high: usize| (low + high + 1) as f64 / 2.0 * self.scale;
            let span = |of: fn(&(usize, usize)) -> usize| {
                let values = cluster.iter().map(of);
                middle(values.clone().min().unwrap_or(0), values.max().unwrap_or(0))
            };
            let inside = |(x, y): &(usize, usize)| {
                self.region.contains([x, y].map(|v| (*v as f64 + 0.5) * self.scale))
            };
            self.specks.push(Speck {
                at: [span(|cell| cell.0), span(|cell| cell.1)],
                cells: cluster.len(),
                frames: *frames,
                from_boom_px,
                in_region: cluster.iter().any(inside),
            });
        }
    }

    /// Returns the division there would be with nobody near the boom.
    pub fn without_actors(&self) -> Option<Division> {
        let (width, height) = self.mask_size();
        let none = Mask::new(width, height);
        let Sets { boom, core, .. } = &self.sets;
        divide(boom, core, &none, &none, self.scale, &self.limits)
    }

    /// Returns the width of the feather it was laid for, in source pixels.
    pub fn feather_px(&self) -> f64 {
        self.limits.feather_px
    }

    /// Returns boom and shadow over all patched frames, in pixels of the masks.
    pub fn boom(&self) -> &Mask {
        &self.sets.boom
    }

    /// Returns the size of the masks, in their pixels.
    pub fn mask_size(&self) -> (usize, usize) {
        (self.sets.boom.width(), self.sets.boom.height())
    }

    /// Returns the region for a source of this size. A mask leaves off the last columns and
    /// rows that fill no pixel of it; a region that reaches its edge reaches the source's.
    pub fn region_on(&self, width: f64, height: f64) -> Region {
        let (columns, rows) = self.mask_size();
        let edge = [columns as f64 * self.scale, rows as f64 * self.scale];
        let snap = |point: &Point| {
            let fit =
                |axis: usize, end: f64| if point[axis] == edge[axis] { end } else { point[axis] };
            [fit(0, width), fit(1, height)]
        };
        let outlines = self.region.outlines.iter();
        Region { outlines: outlines.map(|outline| outline.iter().map(snap).collect()).collect() }
    }

    fn region_meets(&self, set: &Mask) -> bool {
        let mut meets = false;
        each_inside(&self.region.scaled(1.0 / self.scale), set, &mut |inside| meets |= inside);
        meets
    }
}

/// Takes from what the region holds the shadow's pixels that are too near to an actor, and
/// counts them.
fn leave_out_touching(
    actors: &Cells<'_>,
    least: f64,
    (boom, core): (&Mask, &Mask),
    held: &mut Mask,
) -> usize {
    let centre = |(x, y): (usize, usize)| [x as f64 + 0.5, y as f64 + 0.5];
    let touches = |(x, y): (usize, usize)| {
        actors.near(x, y) < least + 3.0
            && actors.distance_with(centre((x, y)), 2.0 * actors.half) < least
    };
    let mut left_out = 0;
    for (x, y) in boom.pixels().filter(|(x, y)| !core.has(*x, *y) && touches((*x, *y))) {
        held.clear(x, y);
        left_out += 1;
    }
    left_out
}

/// Returns the least distance between a set and the squares of another, from square to
/// square, in mask pixels.
fn clearance(cells: &Cells<'_>, set: &Mask) -> f64 {
    let nearest = set.pixels().map(|(x, y)| cells.near(x, y)).fold(f64::INFINITY, f64::min);
    // From square to square it is less than between centres, by two diagonals at most.
    let close = set.pixels().filter(|(x, y)| cells.near(*x, *y) <= nearest + 3.0);
    close.fold(f64::INFINITY, |least, (x, y)| {
        let centre = [x as f64 + 0.5, y as f64 + 0.5];
        least.min(cells.distance_with(centre, 2.0 * cells.half))
    })
}

/// Tells for each pixel of a set whether its centre is in a region in mask pixels.
fn each_inside(region: &Region, set: &Mask, tell: &mut dyn FnMut(bool)) {
    let (mut row, mut spans) = (usize::MAX, Vec::new());
    for (x, y) in set.pixels() {
        if y != row {
            region.spans(y as f64 + 0.5, &mut spans);
            row = y;
        }
        let before = spans.iter().take_while(|at| **at <= x as f64 + 0.5).count();
        tell(before % 2 == 1);
    }
}

/// Tells whether a region holds all of the boom and nothing of the actors.
fn divides(region: &Region, boom: &Mask, actors: &Mask) -> bool {
    let (mut whole, mut free) = (true, true);
    each_inside(region, boom, &mut |inside| whole &= inside);
    each_inside(region, actors, &mut |inside| free &= !inside);
    whole && free
}

/// Fills holes in which there is no actor.
fn without_empty_holes(region: Region, actors: &Mask) -> Region {
    let needed = |outline: &Vec<Point>| {
        polygon::signed_area(outline) > 0.0 || {
            let hole = Region { outlines: vec![outline.clone()] };
            let mut holds = false;
            each_inside(&hole, actors, &mut |inside| holds |= inside);
            holds
        }
    };
    Region { outlines: region.outlines.into_iter().filter(needed).collect() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scene(actors_from: usize) -> (Mask, Mask, Mask) {
        let boom = Mask::from_fn(160, 90, |x, y| y + x / 4 < 30 && (40..80).contains(&x));
        let actors = Mask::from_fn(160, 90, |x, y| y > actors_from && (30..100).contains(&x));
        (boom, actors, Mask::new(160, 90))
    }

    #[test]
    fn the_region_holds_the_boom_and_keeps_to_the_middle() {
        let (boom, actors, none) = scene(40);
        let found = divide(&boom, &boom, &actors, &none, 2.0, &DividerLimits::default()).unwrap();
        assert_eq!(found.standing, Standing::Free);
        let ideal = found.ideal_margin_px.unwrap();
        assert_eq!(ideal, found.clearance_px.unwrap() / 2.0);
        assert!(found.margin_boom_px.unwrap() >= 0.95 * ideal);
        assert!(found.margin_actors_px.unwrap() >= 0.95 * ideal);
        assert!(found.region.contains([100.0, 10.0]) && !found.region.contains([100.0, 90.0]));
        assert!(found.region.sides().count() < 40, "{}", found.region.sides().count());
    }

    #[test]
    fn without_actors_it_ends_a_feather_from_the_boom() {
        let (boom, _, none) = scene(0);
        let found = divide(&boom, &boom, &none, &none, 1.0, &DividerLimits::default()).unwrap();
        assert_eq!((found.standing, found.clearance_px), (Standing::Free, None));
        assert!((23.0..=24.0).contains(&found.margin_boom_px.unwrap()));
        assert!(!found.region.contains([130.0, 10.0]) && found.region.contains([60.0, 0.1]));
    }

    #[test]
    fn only_the_shadow_near_an_actor_is_left_out() {
        let (boom, actors, none) = scene(18);
        let mut core = boom.clone();
        core.keep(&Mask::from_fn(160, 90, |_, y| y < 10));
        let found = divide(&boom, &core, &actors, &none, 1.0, &DividerLimits::default()).unwrap();
        assert_eq!((found.standing, found.clearance_px), (Standing::SkirtTouched, Some(0.0)));
        assert_eq!(found.core_clearance_px, Some(10.0));
        assert!(found.left_out > 0 && !found.region.is_empty());
        let overlap = divide(&boom, &boom, &actors, &none, 1.0, &DividerLimits::default()).unwrap();
        assert!(overlap.standing == Standing::Overlap && overlap.region.is_empty());
    }

    #[test]
    fn masks_of_two_sizes_and_no_boom_are_told() {
        let (boom, actors, none) = scene(40);
        let limits = DividerLimits::default();
        assert!(divide(&boom, &boom, &Mask::new(90, 160), &none, 1.0, &limits).is_none());
        assert!(divide(&boom, &boom, &actors, &none, f64::NAN, &limits).is_none());
        let nothing = divide(&none, &none, &actors, &none, 1.0, &limits).unwrap();
        assert!(nothing.standing == Standing::NoBoom && nothing.region.is_empty());
    }
}
