//! Boom and actors of every frame, parted from the background of one plate.

use super::Row;
use super::masks::{FrameMasks, MaskStore};
use super::placing::Placed;
use crate::measure::boom::{FinePlate, Foreground, Outlined, Split};
use crate::measure::{Mask, Planes, Scales, moved_back};
use crate::time::{Frame, FrameRange};

/// How far round boom and actors the background is not looked at, in pixels of the middle
/// plane: their soft edge.
const AROUND: usize = 2;

/// Shift below which a frame is held against the plate as it lies, in pixels of the middle
/// plane: moving it would cost sharpness for nothing. Ours.
pub(super) const STAYS_PX: f64 = 0.1;

/// Frames of a plate that have to show a boom against a part of it before the plate itself
/// is doubted. Ours: light and leaves do for a frame or two.
const SUSPECTS: usize = 3;

/// Parts every frame, and keeps what was found of it.
pub(super) struct Parting {
    pub(super) plate: FrameRange,
    pub(super) scales: Scales,
    pub(super) foreground: Option<Foreground>,
    /// Against the first and the last third of the plate: a plate in which the boom comes or
    /// goes holds half a boom in its mean, and shows none in its frames.
    pub(super) thirds: Vec<Foreground>,
    /// Frames of the plate in which these see one.
    pub(super) suspects: usize,
    pub(super) masks: MaskStore,
    /// Where masks are drawn on the working plane, twice the middle one.
    pub(super) outlines: Option<Outlines>,
    /// Pixels that are not picture, at the size of the masks.
    pub(super) excluded: Mask,
    pub(super) rows: Vec<Row>,
}

/// What draws outlines at working size.
pub(super) struct Outlines {
    pub(super) plate: FinePlate,
    /// Where the boom was seen or is known to be, at middle size.
    pub(super) around: Mask,
}

impl Parting {
    /// Parts one frame; returns where its background is hidden, at middle size.
    pub(super) fn see(
        &mut self,
        frame: Frame,
        planes: &Planes,
        placed: Placed,
    ) -> std::io::Result<Option<Mask>> {
        // A camera that moved makes edges of its own: the frame is laid back onto the plate.
        let back = placed.reduced(self.scales.mid).filter(|motion| motion.shift_px() > STAYS_PX);
        let back = back.map(|motion| moved_back(&planes.mid, &motion));
        let mid = back.as_ref().unwrap_or(&planes.mid);
        let split = self.foreground.as_mut().map(|meter| meter.see(frame, mid));
        let boom = split.as_ref().is_some_and(|split| split.present);
        if self.plate.holds(frame) && self.thirds.iter_mut().any(|t| t.see(frame, mid).present) {
            self.suspects += 1;
        }
        let hidden = split.as_ref().map(hidden);
        if let Some(split) = split {
            let mut masks = self.drawn(frame, split, planes, back.is_some());
            let FrameMasks { boom, core, actors } = &mut masks;
            [boom, core, actors].into_iter().for_each(|mask| mask.take(&self.excluded));
            self.masks.add(frame, &masks)?;
        }
        let Placed { light, colour, .. } = placed;
        self.rows.push(Row { frame, motion: None, light, colour, boom });
        Ok(hidden)
    }

    /// Tells whether the boom seems to come or go within the plate itself.
    pub(super) fn suspect(&self) -> bool {
        self.suspects >= SUSPECTS
    }

    /// Draws the masks of a frame at the size they are kept at.
    fn drawn(
        &mut self,
        frame: Frame,
        split: Split,
        planes: &Planes,
        laid_back: bool,
    ) -> FrameMasks {
        let (Some(outlines), Some(meter)) = (&mut self.outlines, &self.foreground) else {
            return FrameMasks { boom: split.boom, core: split.core, actors: split.actors };
        };
        outlines.around.add(&split.boom);
        // A plate is only asked whether somebody is in it; a frame that was laid back is
        // there at middle size only.
        let closely = !laid_back && !self.plate.holds(frame);
        let work = &planes.work;
        let found = closely
            .then(|| meter.outlined(&split, &outlines.around, work, &outlines.plate))
            .flatten();
        let Outlined { boom, core, actors } = found.unwrap_or_else(|| Outlined::coarsely(&split));
        FrameMasks { boom, core, actors }
    }
}

fn hidden(split: &Split) -> Mask {
    let mut hidden = split.boom.clone();
    hidden.add(&split.actors);
    hidden.grown(AROUND)
}
