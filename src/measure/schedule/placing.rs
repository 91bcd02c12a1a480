//! Where a frame lies against the plate, and in what light: what all else rests on.

use super::luma::LumaSource;
use crate::measure::Motion;
use crate::measure::light::blocks::Blocks;
use crate::measure::light::{FrameLight, Meter};
use crate::measure::lockoff::LockOff;
use crate::time::{Frame, FrameRange};

/// A frame in blocks, and the bits of its codes.
pub(super) type InBlocks = (Blocks, u32);

/// Finds place and light of every frame against one plate.
pub(super) struct Placing {
    pub(super) plate: FrameRange,
    /// The brightest code.
    pub(super) peak: f32,
    pub(super) lock_off: Option<LockOff>,
    pub(super) light: Meter,
    pub(super) colour: Meter,
}

/// Place and light of one frame.
pub(super) struct Placed {
    /// In source pixels.
    pub(super) motion: Option<Motion>,
    pub(super) light: Option<FrameLight>,
    pub(super) colour: Option<FrameLight>,
}

impl Placing {
    /// Places one frame, the one `source` took last.
    pub(super) fn see(
        &mut self,
        frame: Frame,
        source: &LumaSource,
        light: Option<&InBlocks>,
        colour: Option<&InBlocks>,
    ) -> Placed {
        let motion = self.lock_off.as_mut().zip(source.luma()).and_then(|(lock_off, luma)| {
            lock_off.see(frame, luma, self.plate.holds(frame));
            lock_off.last().copied()
        });
        Placed {
            motion,
            light: light.map(|(blocks, depth)| self.light.measure_blocks(blocks, *depth)),
            colour: colour.map(|(blocks, depth)| self.colour.measure_blocks(blocks, *depth)),
        }
    }
}

impl Placed {
    /// Gain and offset in 8-bit codes; none where they cannot be told.
    pub(super) fn in_codes(&self) -> (f32, f32) {
        let coded = self.light.as_ref().and_then(FrameLight::main_coded);
        coded.map_or((1.0, 0.0), |coded| (coded.gain as f32, coded.offset as f32))
    }

    /// The motion in pixels `by` times as large.
    pub(super) fn reduced(&self, by: usize) -> Option<Motion> {
        let by = by.max(1) as f64;
        self.motion.map(|motion| Motion {
            shift_x: motion.shift_x / by,
            shift_y: motion.shift_y / by,
            ..motion
        })
    }
}
