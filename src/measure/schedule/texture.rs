//! What looks at the texture of the background.

use crate::measure::sharpness::Sharpness;
use crate::measure::stillness::Stillness;
use crate::measure::{Mask, Motion, Patterns, Plane};
use crate::time::Frame;
use std::sync::Arc;

/// Stillness and sharpness of every frame against one plate.
pub(super) struct Texture {
    pub(super) patterns: Arc<Patterns>,
    pub(super) stillness: Stillness,
    pub(super) sharpness: Sharpness,
}

/// What is known of a frame when its texture is looked at.
pub(super) struct Background {
    /// Gain and offset in 8-bit codes.
    pub(super) light: (f32, f32),
    /// In pixels of the working plane.
    pub(super) motion: Motion,
    /// What stands before it, at middle size.
    pub(super) hidden: Option<Mask>,
}

impl Texture {
    /// Looks at one frame at working size.
    pub(super) fn see(
        &mut self,
        frame: Frame,
        work: &Plane,
        of: &Background,
    ) -> std::io::Result<()> {
        let Some(sums) = self.patterns.project(work) else { return Ok(()) };
        let hidden = of.hidden.as_ref();
        self.stillness.see_sums(frame, &sums, of.light, of.motion, hidden)?;
        self.sharpness.see_sums(frame, &sums, of.light, of.motion, hidden)
    }
}
