//! Reads frames of plate and need, and keeps the means of their blocks or their lights.

use super::blocks::{Means, means};
use super::choice::Errors;
use super::fit::{Model, median};
use super::light::{Light, Role};
use super::reference::{PlateFrame, Reference};
use super::ring::Ring;
use super::setting::Setting;
use crate::error::Faults;
use crate::media::{FrameReader, Picture};
use crate::time::{Frame, FrameRange};
use std::collections::BTreeMap;

/// Patched frames the models are tried on. Ours: their mean is known to a seventh then.
const TRIED: u64 = 48;

/// The model with most terms, [`Model::TiltAndOffset`]: what it leaves is no light, and
/// compares plate and take.
const AS_PLATE: usize = Model::ALL.len() - 1;

/// Keeps the blocks of plate frames.
pub(super) struct PlateBlocks<'a> {
    pub setting: &'a Setting,
    pub ring: &'a Ring,
    pub range: FrameRange,
    pub frames: Vec<PlateFrame>,
    /// What the components of its pictures are.
    pub roles: Option<Vec<Role>>,
}

impl FrameReader for PlateBlocks<'_> {
    fn range(&self) -> FrameRange {
        self.range
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        let motion = self.setting.motion(frame).unwrap_or_default();
        if let Some(means) = means(picture, self.ring, &motion) {
            let open = self.ring.open(self.setting.hidden(frame));
            self.roles.get_or_insert_with(|| Role::of(picture));
            self.frames.push(PlateFrame { frame: frame.0, means, open });
        }
        Ok(())
    }
}

/// The light of one frame in every model.
pub(super) type Lights = [Option<Light>; Model::ALL.len()];

/// The means of all components of a frame, and which blocks show background alone.
pub(super) type Seen = (Vec<Means>, Vec<bool>);

/// Finds the light of frames.
pub(super) struct Lit<'a> {
    pub setting: &'a Setting,
    pub ring: &'a Ring,
    pub reference: &'a Reference,
    pub range: FrameRange,
    pub lights: BTreeMap<i64, Lights>,
    /// What of the ring each frame leaves over, in standard deviations of the plate.
    pub left: BTreeMap<i64, f64>,
    pub errors: Errors,
    /// The blocks of each frame, and which of them are open, if that is asked.
    pub seen: Option<BTreeMap<i64, Seen>>,
    pub tell: &'a mut dyn FnMut(u64),
}

impl Lit<'_> {
    pub(super) fn note(&mut self, frame: i64, frame_means: &[Means], open: &[bool]) {
        let light = |model| Light::of(frame_means, self.reference, open, model);
        let lights = Model::ALL.map(light);
        if let Some(light) = &lights[AS_PLATE] {
            let round = (0..open.len()).filter(|at| open[*at] && !self.ring.blocks[*at].inside);
            let off = |at| self.reference.off(frame_means, light, at).abs();
            self.left.insert(frame, median(&mut round.map(off).collect::<Vec<f64>>()));
        }
        self.lights.insert(frame, lights);
        if let Some(seen) = &mut self.seen {
            seen.insert(frame, (frame_means.to_vec(), open.to_vec()));
        }
    }
}

impl FrameReader for Lit<'_> {
    fn range(&self) -> FrameRange {
        self.range
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        let motion = self.setting.motion(frame).unwrap_or_default();
        if let Some(means) = means(picture, self.ring, &motion) {
            let open = self.ring.open(self.setting.hidden(frame));
            self.note(frame.0, &means, &open);
            let patched: u64 = self.setting.patched.iter().map(|run| run.count().0).sum();
            let every = patched.div_ceil(TRIED).max(1) as i64;
            if self.setting.is_patched(frame) && frame.0 % every == 0 {
                let round: Vec<bool> = open
                    .iter()
                    .zip(&self.ring.blocks)
                    .map(|(open, block)| *open && !block.inside)
                    .collect();
                self.errors.of_ring((&means, &round), self.reference, self.ring);
            }
        }
        (self.tell)(self.lights.len() as u64);
        Ok(())
    }
}
