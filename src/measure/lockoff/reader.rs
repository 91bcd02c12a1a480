//! The two passes over decoded media.

use super::LockOff;
use crate::error::Faults;
use crate::measure::PlateSum;
use crate::measure::codes::{luma_codes, other_size};
use crate::measure::plane::View;
use crate::media::{FrameReader, Picture};
use crate::time::{Frame, FrameRange};

/// Which frames another is unlike in size.
const UNLIKE: &str = "unlike the first";

/// First pass: gathers the mean of the plate.
pub struct MeanReader {
    name: String,
    plate: FrameRange,
    luma: Vec<u16>,
    peak: f32,
    /// What was gathered so far.
    pub sum: PlateSum,
}

impl MeanReader {
    /// Wants the frames of a plate (file clock); `name` is the file as faults name it.
    pub fn new(name: impl Into<String>, plate: FrameRange) -> Self {
        Self { name: name.into(), plate, luma: Vec::new(), peak: 255.0, sum: PlateSum::new() }
    }

    /// Returns the brightest code of the frames seen.
    pub fn peak(&self) -> f32 {
        self.peak
    }
}

impl FrameReader for MeanReader {
    fn range(&self) -> FrameRange {
        self.plate
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        self.peak = luma_codes(&self.name, frame, picture, &mut self.luma)?;
        let size = (picture.width() as usize, picture.height() as usize);
        let view = View::new(size.0, size.1, &self.luma);
        match view.is_some_and(|view| self.sum.add(view)) {
            true => Ok(()),
            false => Err(other_size(&self.name, frame, picture, UNLIKE)),
        }
    }
}

/// Second pass: finds where each frame lies.
pub struct LockOffReader {
    name: String,
    range: FrameRange,
    plate: FrameRange,
    luma: Vec<u16>,
    /// What was found so far.
    pub lock_off: LockOff,
}

impl LockOffReader {
    /// Wants the frames of `range`; those in `plate` calibrate the errors (file clock).
    pub fn new(
        name: impl Into<String>,
        range: FrameRange,
        plate: FrameRange,
        lock_off: LockOff,
    ) -> Self {
        Self { name: name.into(), range, plate, luma: Vec::new(), lock_off }
    }
}

impl FrameReader for LockOffReader {
    fn range(&self) -> FrameRange {
        self.range
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        luma_codes(&self.name, frame, picture, &mut self.luma)?;
        let size = (picture.width() as usize, picture.height() as usize);
        let view = View::new(size.0, size.1, &self.luma);
        match view.is_some_and(|view| self.lock_off.see(frame, view, self.plate.holds(frame))) {
            true => Ok(()),
            false => Err(other_size(&self.name, frame, picture, UNLIKE)),
        }
    }
}
