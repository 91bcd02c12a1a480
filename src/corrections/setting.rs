//! What is known of a take round its patch, as little as a rendering needs of it.

use crate::error::Faults;
use crate::measure::divider::Division;
use crate::measure::lockoff::FrameMotion;
use crate::measure::schedule::Gauge;
use crate::measure::{Mask, Motion};
use crate::time::{Frame, FrameRange};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fmt::Write;

/// How far round a boom nothing is taken for background, in cells of the masks: below the
/// threshold of the mask its shadow goes on. Ours.
const ROUND_BOOM: usize = 6;

/// The same round actors: their soft edge. Ours.
const ROUND_ACTORS: usize = 2;

/// How far the ring round the patch reaches, as a part of the frame's width. Ours: wide enough
/// for a few hundred blocks, near enough for light that is no plane.
const REACH: f64 = 1.0 / 20.0;

/// Least reach of the ring, in source pixels. Ours.
const LEAST_REACH_PX: f64 = 32.0;

/// A rectangle of pixels or cells, ends exclusive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Area {
    pub left: usize,
    pub top: usize,
    pub right: usize,
    pub bottom: usize,
}

/// A patch, who comes near it, and where the picture lies in every frame.
#[derive(Debug, Clone)]
pub struct Setting {
    pub(super) division: Division,
    /// Frames the patch is on, file clock.
    pub(super) patched: Vec<FrameRange>,
    /// Those of them the cut shows: they alone decide whether a correction is refused.
    pub(super) shown: Vec<FrameRange>,
    /// Cells round the patch that are kept of the masks.
    pub(super) cells: Area,
    /// Cells that are not picture, of the part that is kept.
    pub(super) excluded: Mask,
    hidden: BTreeMap<i64, Mask>,
    motions: BTreeMap<i64, FrameMotion>,
}

impl Setting {
    /// Gathers what a rendering needs; `frames` are those of plate and need, `patched` those
    /// the patch is on, `used` those the cut shows, all file frames. `None` without a patch
    /// region.
    ///
    /// # Errors
    ///
    /// Masks that cannot be read back.
    pub fn of(
        gauge: &Gauge,
        division: &Division,
        (patched, used): (&[FrameRange], FrameRange),
        frames: &[FrameRange],
    ) -> Result<Option<Setting>, Faults> {
        let (columns, rows) = division.mask_size();
        let width = columns as f64 * division.scale;
        let reach_px = division.feather_px() + (width * REACH).max(LEAST_REACH_PX);
        let Some(cells) = area_round(division, reach_px, (columns, rows)) else { return Ok(None) };
        let mut hidden = BTreeMap::new();
        for frame in frames.iter().flat_map(|run| run.start.0..run.end.0) {
            let Some(masks) = gauge.masks_of(Frame(frame))? else { continue };
            let mut kept = cut(&masks.boom, cells).grown(ROUND_BOOM);
            kept.add(&cut(&masks.actors, cells).grown(ROUND_ACTORS));
            hidden.insert(frame, kept);
        }
        let wanted = |motion: &&FrameMotion| frames.iter().any(|run| run.holds(motion.frame));
        let motions = gauge.rows.iter().filter_map(|row| row.motion.as_ref()).filter(wanted);
        Ok(Some(Setting {
            division: division.clone(),
            patched: patched.to_vec(),
            shown: patched.iter().filter_map(|run| run.overlap(used)).collect(),
            cells,
            excluded: cut(&gauge.excluded, cells),
            hidden,
            motions: motions.map(|motion| (motion.frame.0, motion.clone())).collect(),
        }))
    }

    /// Returns a hash of all that is known here, as 64 hexadecimal digits.
    pub fn recipe(&self) -> String {
        let mut hashing = Hashing(Sha256::new());
        // Writing into a hash cannot fail.
        let _ = write!(hashing, "{self:?}");
        hashing.0.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
    }

    /// Tells whether a cell of the kept part shows something other than background.
    pub(super) fn hidden(&self, frame: Frame) -> Option<&Mask> {
        self.hidden.get(&frame.0)
    }

    /// Returns where the picture of a frame lies, if that can be told.
    pub(super) fn motion(&self, frame: Frame) -> Option<Motion> {
        self.motions.get(&frame.0).filter(|motion| motion.told).map(|motion| motion.motion)
    }

    /// Returns where the picture lies in every frame of which that can be told.
    pub(super) fn told_motions(&self) -> Vec<FrameMotion> {
        self.motions.values().filter(|motion| motion.told).cloned().collect()
    }

    /// Returns the largest displacement of a corner of the patch, in source pixels.
    pub(super) fn largest_px(&self, motion: &Motion, (width, height): (f64, f64)) -> f64 {
        let corners = self.division.region.outlines.iter().flatten();
        let far = corners.map(|[x, y]| {
            let (dx, dy) = motion.at(x - width / 2.0, y - height / 2.0);
            dx.hypot(dy)
        });
        far.fold(0.0, f64::max)
    }

    /// Tells whether the patch is on in a frame.
    pub(super) fn is_patched(&self, frame: Frame) -> bool {
        self.patched.iter().any(|run| run.holds(frame))
    }

    /// Tells whether the patch is on in a frame, and the cut shows it.
    pub(super) fn is_shown(&self, frame: Frame) -> bool {
        self.shown.iter().any(|run| run.holds(frame))
    }
}

/// Hashes what is written into it.
struct Hashing(Sha256);

impl std::fmt::Write for Hashing {
    fn write_str(&mut self, text: &str) -> std::fmt::Result {
        self.0.update(text.as_bytes());
        Ok(())
    }
}

/// The cells that hold the region and what lies within a reach of it.
fn area_round(division: &Division, reach_px: f64, size: (usize, usize)) -> Option<Area> {
    let points = || division.region.outlines.iter().flatten();
    points().next()?;
    let ends = |axis: usize, size: usize| {
        let low = points().map(|point| point[axis]).fold(f64::INFINITY, f64::min) - reach_px;
        let high = points().map(|point| point[axis]).fold(0.0, f64::max) + reach_px;
        let low = (low / division.scale).floor().max(0.0) as usize;
        (low, ((high / division.scale).ceil().max(0.0) as usize).min(size))
    };
    let ((left, right), (top, bottom)) = (ends(0, size.0), ends(1, size.1));
    (left < right && top < bottom).then_some(Area { left, top, right, bottom })
}

fn cut(mask: &Mask, area: Area) -> Mask {
    let (width, height) = (area.right - area.left, area.bottom - area.top);
    Mask::from_fn(width, height, |x, y| mask.has(x + area.left, y + area.top))
}
