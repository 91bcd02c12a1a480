//! From a take to its clean frame: a first one from small pictures, then one by the outlines
//! that were measured against the first.

use super::{Built, Hidden, Lit, MOST_FRAMES, bare, pile, some};
use crate::error::Faults;
use crate::grain::GrainModel;
use crate::measure::Mask;
use crate::measure::divider::{Division, alpha};
use crate::measure::schedule::Gauge;
use crate::media::Media;
use crate::time::{Frame, FrameRange, union};

/// How far the boom is grown before what it leaves is free, in source pixels.
const GROWN_PX: usize = 3;

/// Movement past which a frame is of no use, in source pixels: its samples would blur. Ours.
const STILL_PX: f64 = 0.1;

/// Most frames a clean frame is put together from by measured outlines: each decides whether
/// a pixel is ever free.
const MOST_OUTLINED: u64 = 640;

/// Puts a first clean frame together from a range of a take (file clock), by what is told on
/// small pictures; `None` where no boom comes in, or the grain cannot be told.
///
/// # Errors
///
/// Frames that cannot be decoded.
pub fn first_gathered(media: &Media, range: FrameRange) -> Result<Option<Built>, Faults> {
    let Some(bare) = bare(media, range)?.filter(|bare| bare.booms > 0) else { return Ok(None) };
    let of = |frame: Frame| -> Result<Option<(Hidden, Lit)>, Faults> {
        let Ok(at) = bare.frames.binary_search(&frame.0) else { return Ok(None) };
        let lit = Lit { gain: 1.0 / bare.gains[at].max(0.05), offset: 0.0 };
        Ok(Some(((bare.hidden[at].clone(), bare.scale), lit)))
    };
    let found = pile(media, &some(range, MOST_FRAMES), &of)?;
    let Some(grain) = GrainModel::of(media, range)? else { return Ok(None) };
    if found.like.is_none() {
        return Ok(None);
    }
    Ok(Some(Built::new(found, grain, &media.content_id(false)?)))
}

/// Gathers again over `frames` (file clock), by the outlines and the light that `gauge`
/// measured against the first clean frame.
///
/// # Errors
///
/// Frames that cannot be decoded, masks that cannot be read back.
pub fn gathered_again(
    media: &Media,
    first: &Built,
    gauge: &Gauge,
    frames: &[FrameRange],
) -> Result<Built, Faults> {
    let scale = gauge.mask_scale.max(1);
    let of = |frame: Frame| -> Result<Option<(Hidden, Lit)>, Faults> {
        let row = gauge.rows.binary_search_by_key(&frame, |row| row.frame);
        let Some(row) = row.ok().and_then(|at| gauge.rows.get(at)) else { return Ok(None) };
        let moved = row.motion.as_ref().filter(|motion| motion.told);
        if moved.is_some_and(|motion| motion.motion.shift_px() > STILL_PX) {
            return Ok(None);
        }
        let Some(masks) = gauge.masks_of(frame)? else { return Ok(None) };
        // The patch comes as near to actors as their own outlines: what lies beside them has
        // to be counted free.
        let mut hidden = masks.boom.grown(GROWN_PX.div_ceil(scale));
        hidden.add(&masks.actors);
        let coded = row.light.as_ref().and_then(|light| light.main_coded());
        let lit = coded.map_or(Lit { gain: 1.0, offset: 0.0 }, |coded| Lit {
            gain: coded.gain as f32,
            offset: coded.offset as f32,
        });
        Ok(Some(((hidden, scale), lit)))
    };
    let found = pile(media, &thinned(frames), &of)?;
    Ok(first.again(found, &media.content_id(false)?))
}

/// Of very many frames every n-th.
fn thinned(frames: &[FrameRange]) -> Vec<FrameRange> {
    let all: Vec<i64> = frames.iter().flat_map(|run| run.start.0..run.end.0).collect();
    let every = (all.len() as u64).div_ceil(MOST_OUTLINED).max(1) as usize;
    let some = all.iter().step_by(every);
    union(&some.map(|frame| FrameRange::new(*frame, frame + 1)).collect::<Vec<_>>())
}

/// Returns the pixels of a patch that were free in too few frames; `None` if all were free.
pub fn never_free(made: &Built, division: &Division) -> Option<Mask> {
    let pile = made.pile();
    let (width, height) = pile.size;
    let drawn = alpha(division, width, height, division.feather_px());
    let lost = |x: usize, y: usize| {
        drawn.data.get(y * width + x).is_some_and(|share| *share > 0.0) && pile.never_free(x, y)
    };
    Some(Mask::from_fn(width, height, lost)).filter(|lost| !lost.is_empty())
}
