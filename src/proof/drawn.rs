//! Over which frames the divider is drawn: with the handles where that works, and where it does
//! not over the frames the cut shows alone.
//!
//! ```text
//!   boom, actors of all patched frames           nobody is cut, no boom is left
//!   boom of all, actors of what the cut shows    in the handles an actor may be cut
//!   both of what the cut shows                   in the handles the boom may stay, too
//! ```
//!
//! The first that parts them wholly is taken; if none does, the first of those that do it best.

use crate::error::Faults;
use crate::measure::Mask;
use crate::measure::divider::{ActorTally, Division, Standing, divide_seen};
use crate::measure::schedule::Gauge;
use crate::settings::DividerLimits;
use crate::time::{Frame, FrameRange};

/// How far round the boom it is counted in how many frames a pixel was an actor's, in source
/// pixels: specks farther away bend no divider.
const COUNTED_PX: f64 = 256.0;

/// A divider, and what it leaves in the handles.
pub(super) struct Drawn {
    pub division: Division,
    /// Handle frames in which some of the boom lies outside the region.
    pub boom_left: Vec<FrameRange>,
    /// Whether the cut shows the boom at all.
    pub boom_in_used: bool,
}

/// Draws the divider over the patched frames; `None` if no boom was seen in them.
///
/// # Errors
///
/// Masks that cannot be read back.
pub(super) fn drawn(
    gauge: &Gauge,
    patched: &[FrameRange],
    used: FrameRange,
    limits: &DividerLimits,
) -> Result<Option<Drawn>, Faults> {
    let whole = Parts::of(gauge, patched)?;
    let shown: Vec<FrameRange> = patched.iter().filter_map(|run| run.overlap(used)).collect();
    let handles: Vec<FrameRange> = patched.iter().flat_map(|run| run.without(&[used])).collect();
    let everybody = actors(gauge, patched, &whole)?;
    let mut best = divided(gauge, &whole, &everybody, limits);
    let mut boom_in_used = true;
    let free = |drawn: &Option<Division>| drawn.as_ref().is_none_or(|one| order(one) == 0);
    if !free(&best) && !handles.is_empty() {
        let in_used = Parts::of(gauge, &shown)?;
        boom_in_used = !in_used.boom.is_empty();
        let on_screen = actors(gauge, &shown, &whole)?;
        for parts in [&whole, &in_used] {
            let other = divided(gauge, parts, &on_screen, limits);
            if !free(&best) && other.as_ref().map(order) < best.as_ref().map(order) {
                best = other.or(best);
            }
        }
    }
    let Some(division) = best else { return Ok(None) };
    let boom_left = boom_left(gauge, &division, &handles)?;
    Ok(Some(Drawn { division, boom_left, boom_in_used }))
}

/// Boom and its core over some frames.
struct Parts {
    boom: Mask,
    core: Mask,
}

impl Parts {
    fn of(gauge: &Gauge, frames: &[FrameRange]) -> Result<Parts, Faults> {
        let (width, height) = gauge.masks.size();
        let mut parts = Parts { boom: Mask::new(width, height), core: Mask::new(width, height) };
        for frame in each(frames) {
            let Some(masks) = gauge.masks_of(frame)? else { continue };
            parts.boom.add(&masks.boom);
            parts.core.add(&masks.core);
        }
        Ok(parts)
    }
}

fn each(frames: &[FrameRange]) -> impl Iterator<Item = Frame> + '_ {
    frames.iter().flat_map(|run| run.start.0..run.end.0).map(Frame)
}

/// The actors over some frames, and who walks through the plate, counted round the boom.
fn actors(gauge: &Gauge, frames: &[FrameRange], round: &Parts) -> Result<ActorTally, Faults> {
    let by = (COUNTED_PX / gauge.mask_scale as f64) as usize;
    let mut actors = ActorTally::near(&round.boom, by);
    for frame in each(frames) {
        let Some(masks) = gauge.masks_of(frame)? else { continue };
        actors.add(&masks.actors);
    }
    if let Some(walked) = &gauge.walked {
        actors.add(walked);
    }
    Ok(actors)
}

/// Divides them; `None` without a boom.
fn divided(
    gauge: &Gauge,
    parts: &Parts,
    actors: &ActorTally,
    limits: &DividerLimits,
) -> Option<Division> {
    let scale = gauge.mask_scale as f64;
    let division = divide_seen(&parts.boom, &parts.core, actors, &gauge.excluded, scale, limits)?;
    (division.standing != Standing::NoBoom).then_some(division)
}

/// How far from free a divider is.
fn order(division: &Division) -> u8 {
    match division.standing {
        Standing::Free | Standing::NoBoom => 0,
        Standing::SkirtTouched => 1,
        Standing::Overlap => 2,
    }
}

/// The handle frames in which the boom was not drawn round.
fn boom_left(
    gauge: &Gauge,
    division: &Division,
    handles: &[FrameRange],
) -> Result<Vec<FrameRange>, Faults> {
    let mut runs: Vec<FrameRange> = Vec::new();
    for frame in each(handles) {
        let Some(masks) = gauge.masks_of(frame)? else { continue };
        let mut left = masks.boom.clone();
        left.take(division.boom());
        left.take(&gauge.excluded);
        if !left.is_empty() {
            runs.push(FrameRange::new(frame.0, frame.0 + 1));
        }
    }
    Ok(crate::time::union(&runs))
}
