//! Frames in which an actor comes into the patch, or into its feather.

use super::distance::Cells;
use super::polygon::{Point, from_side};
use super::window::Window;
use super::{Division, Region, Standing, specks};
use crate::measure::Mask;
use crate::reason::{Code, Reason, Severity};
use crate::time::{Frame, FrameRange};
use serde::Serialize;
use std::borrow::Borrow;

/// How far in an actor came, the least first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Entered {
    /// Into the feather outside the region: attention.
    Feather,
    /// Nearer to the boom's soft shadow than a divider needs: attention.
    Skirt,
    /// Into the region, or too near to the boom itself: a stop.
    Inside,
}

/// A run of frames in which an actor is where the patch is.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Crossing {
    /// The frames, on the clock of those given.
    pub frames: FrameRange,
    /// How far in.
    pub entered: Entered,
    /// How deep at most, in source pixels, from the outer end of what was entered.
    pub px: f64,
    /// Most pixels of the mask in one frame.
    pub cells: usize,
}

/// What entering each pixel means.
struct Ground {
    /// The part of the masks where a pixel can mean anything; the rest is of its size.
    window: Window,
    entered: Vec<Option<Entered>>,
    depth_px: Vec<f32>,
    /// All pixels that mean anything.
    watched: Mask,
}

/// Finds the frames in which an actor enters the region or its feather, which reaches
/// `feather_px / 2` source pixels beyond the divider. `frames` gives the frame number and
/// the actors of each, in order; frames that are missing end a run, masks of another size
/// are passed over.
///
/// Where the divider itself leaves less room than the feather, that room is the feather:
/// an actor the region was laid around does not touch it. A speck is no actor unless it
/// stays for more than [`super::DividerLimits::speck_frames`] frames. A run is parted at the
/// frames of `parted`, so that what lies before one is told apart from what lies after it.
pub fn crossings<M: Borrow<Mask>>(
    division: &Division,
    feather_px: f64,
    parted: &[Frame],
    frames: impl IntoIterator<Item = (i64, M)>,
) -> Vec<Crossing> {
    let ground = Ground::of(division, feather_px);
    let mut found: Vec<Crossing> = Vec::new();
    let mut small_for = 0_u32;
    for (frame, actors) in frames {
        let actors = actors.borrow();
        if (actors.width(), actors.height()) != division.mask_size() {
            continue;
        }
        let actors = ground.window.of(actors);
        let mut met = actors.clone();
        met.keep(&ground.watched);
        let small =
            if met.is_empty() { Vec::new() } else { specks::find(&actors, None, &division.limits) };
        let small = small.into_iter().flat_map(|(cluster, _)| cluster);
        let small: Vec<_> = small.filter(|(x, y)| met.has(*x, *y)).collect();
        small_for = if small.is_empty() { 0 } else { small_for + 1 };
        if small_for <= division.limits.speck_frames {
            small.iter().for_each(|(x, y)| met.clear(*x, *y));
        }
        if let Some(crossing) = ground.met(&met, frame, division.scale) {
            add(&mut found, crossing, parted);
        }
    }
    found
}

fn add(found: &mut Vec<Crossing>, next: Crossing, parted: &[Frame]) {
    let goes_on = |last: &Crossing| {
        last.entered == next.entered
            && last.frames.end == next.frames.start
            && !parted.contains(&next.frames.start)
    };
    match found.last_mut() {
        Some(last) if goes_on(last) => {
            last.frames.end = next.frames.end;
            last.px = last.px.max(next.px);
            last.cells = last.cells.max(next.cells);
        }
        _ => found.push(next),
    }
}

impl Ground {
    fn of(division: &Division, feather_px: f64) -> Ground {
        let (width, height) = division.mask_size();
        let region = division.region.scaled(1.0 / division.scale);
        let mut known = region.mask(width, height);
        known.add(&division.sets.boom);
        let far = (feather_px / 2.0 + division.limits.clearance_px) / division.scale;
        // Specks are told by what is round them.
        let apart = 2 * division.limits.speck_alone_cells as usize;
        let window = Window::round(&known, far.ceil().min(1e5) as usize + 4 + apart);
        let (width, height) = window.size();
        let mut ground = Ground {
            window,
            entered: vec![None; width * height],
            depth_px: vec![0.0; width * height],
            watched: Mask::new(width, height),
        };
        ground.lay_feather(division, &region, feather_px);
        ground.lay_boom(division);
        ground
    }

    fn set(&mut self, x: usize, y: usize, entered: Entered, depth_px: f64) {
        let at = y * self.watched.width() + x;
        if self.entered[at].is_none_or(|known| known < entered) {
            self.entered[at] = Some(entered);
            self.depth_px[at] = depth_px as f32;
            self.watched.set(x, y);
        }
    }

    /// The region's inside, and the feather round it.
    fn lay_feather(&mut self, division: &Division, region: &Region, feather_px: f64) {
        let frame = division.mask_size();
        let (width, height) = self.window.size();
        let (left, top) = (self.window.left as f64, self.window.top as f64);
        let half = division.half;
        let within = feather_px / 2.0 / division.scale + 2.0;
        let sides = region.inner_sides(frame.0 as f64, frame.1 as f64).into_iter();
        let moved = |[x, y]: Point| [x - left, y - top];
        let sides = sides.map(|(a, b)| (moved(a), moved(b)));
        let near = near_those(sides, width, height, within);
        let actor_set = self.window.of(&division.sets.actors);
        let actors = Cells::new(&actor_set, half);
        let mut spans = Vec::new();
        for y in 0..height {
            region.spans(y as f64 + top + 0.5, &mut spans);
            for x in 0..width {
                let before = spans.iter().take_while(|at| **at <= x as f64 + left + 0.5).count();
                let far = f64::from(near[y * width + x]);
                // A pixel of a reduced mask counts with its nearest corner.
                let inward = if before % 2 == 1 { far } else { -far };
                let inward = (inward + half * 2.0_f64.sqrt()) * division.scale;
                let room = feather_px.min(2.0 * (far + actors.near(x, y)) * division.scale) / 2.0;
                if before % 2 == 1 {
                    self.set(x, y, Entered::Inside, inward);
                } else if inward > -room && !actor_set.has(x, y) {
                    self.set(x, y, Entered::Feather, inward + room);
                }
            }
        }
    }

    /// What is too near to the boom, and to its shadow where the region leaves some out.
    fn lay_boom(&mut self, division: &Division) {
        let least = division.limits.clearance_px;
        let rings: &[(&Mask, Entered)] = match division.standing {
            Standing::Overlap => {
                &[(&division.sets.core, Entered::Inside), (&division.sets.boom, Entered::Skirt)]
            }
            Standing::SkirtTouched => &[(&division.sets.boom, Entered::Skirt)],
            Standing::Free | Standing::NoBoom => &[],
        };
        let (width, height) = self.window.size();
        for (set, entered) in rings {
            let set = self.window.of(set);
            let cells = Cells::new(&set, division.half);
            for (x, y) in (0..height).flat_map(|y| (0..width).map(move |x| (x, y))) {
                if cells.near(x, y) * division.scale < least + 3.0 * division.scale {
                    let centre = [x as f64 + 0.5, y as f64 + 0.5];
                    let gap = cells.distance_with(centre, 2.0 * cells.half) * division.scale;
                    if gap < least {
                        self.set(x, y, *entered, least - gap);
                    }
                }
            }
        }
    }

    fn met(&self, actors: &Mask, frame: i64, scale: f64) -> Option<Crossing> {
        let width = self.watched.width();
        let mut found: Option<(Entered, f64, usize)> = None;
        for (x, y) in actors.pixels() {
            let at = y * width + x;
            let Some(entered) = self.entered[at] else { continue };
            let depth = f64::from(self.depth_px[at]).max(scale.min(1.0));
            found = match found {
                Some((known, deepest, cells)) if known == entered => {
                    Some((known, deepest.max(depth), cells + 1))
                }
                Some(known) if known.0 > entered => Some(known),
                _ => Some((entered, depth, 1)),
            };
        }
        let (entered, px, cells) = found?;
        let frames = FrameRange::new(frame, frame.saturating_add(1));
        Some(Crossing { frames, entered, px, cells })
    }
}

/// Distance of each pixel's centre from the nearest side, in mask pixels, where it is less
/// than `within`; `within` elsewhere.
pub(in crate::measure) fn near_sides(
    region: &Region,
    width: usize,
    height: usize,
    within: f64,
) -> Vec<f32> {
    near_those(region.inner_sides(width as f64, height as f64), width, height, within)
}

/// The same for any sides.
fn near_those(
    sides: impl IntoIterator<Item = (Point, Point)>,
    width: usize,
    height: usize,
    within: f64,
) -> Vec<f32> {
    let mut near = vec![within as f32; width * height];
    for side in sides {
        let (a, b) = side;
        let span = |low: f64, high: f64, end: usize| {
            let from = (low - within).floor().max(0.0) as usize;
            from.min(end)..((high + within).ceil().max(0.0) as usize).min(end)
        };
        for y in span(a[1].min(b[1]), a[1].max(b[1]), height) {
            for x in span(a[0].min(b[0]), a[0].max(b[0]), width) {
                let value = &mut near[y * width + x];
                *value = value.min(from_side([x as f64 + 0.5, y as f64 + 0.5], side) as f32);
            }
        }
    }
    near
}

/// Says in words what rules a divider out or comes near it. `crossings` are those of the
/// frames that are patched, on the take clock.
pub fn reasons(division: &Division, crossings: &[Crossing]) -> Vec<Reason> {
    let mut found = Vec::new();
    let least = division.limits.clearance_px;
    let measured = |reason: Reason, value: Option<f64>| match value {
        Some(value) => reason.measured(value, "px", Some(least)),
        None => reason,
    };
    match division.standing {
        Standing::Free | Standing::NoBoom => {}
        Standing::SkirtTouched => {
            let text = match division.core_clearance_px.filter(|clear| *clear < least) {
                Some(clear) => format!("The boom itself comes within {clear:.1} px of an actor."),
                None => {
                    "The boom's soft shadow reaches an actor; the boom itself is clear.".to_string()
                }
            };
            let reason = Reason::new(Code::DividerCrossed, Severity::Attention, text);
            found.push(measured(reason, division.clearance_px));
        }
        Standing::Overlap => {
            let text = "No line divides the boom from the actors over all patched frames.";
            let reason = Reason::new(Code::NoDivider, Severity::Stop, text);
            found.push(measured(reason, division.core_clearance_px.or(division.clearance_px)));
        }
    }
    found.extend(crossings.iter().map(|crossing| {
        let (code, severity, text) = match crossing.entered {
            Entered::Feather => (
                Code::DividerCrossed,
                Severity::Attention,
                "an actor comes into the patch's feather",
            ),
            Entered::Skirt => (
                Code::DividerCrossed,
                Severity::Attention,
                "an actor touches the boom's soft shadow",
            ),
            Entered::Inside => (Code::NoDivider, Severity::Stop, "an actor comes into the patch"),
        };
        Reason::new(code, severity, text).over(crossing.frames).measured(
            crossing.px,
            "px",
            Some(0.0),
        )
    }));
    found
}
