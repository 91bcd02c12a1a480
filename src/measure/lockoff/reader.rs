//! The two passes over decoded media.

use super::LockOff;
use crate::error::Faults;
use crate::measure::PlateSum;
use crate::measure::plane::View;
use crate::media::{FrameReader, Picture};
use crate::time::{Frame, FrameRange};

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
        self.peak = ((1_u32 << picture.luma_depth()) - 1) as f32;
        let view = luma(&self.name, frame, picture, &mut self.luma)?;
        if self.sum.add(view) { Ok(()) } else { Err(other_size(&self.name, frame, picture)) }
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
        let view = luma(&self.name, frame, picture, &mut self.luma)?;
        if self.lock_off.see(frame, view, self.plate.holds(frame)) {
            Ok(())
        } else {
            Err(other_size(&self.name, frame, picture))
        }
    }
}

fn luma<'a>(
    name: &str,
    frame: Frame,
    picture: &Picture,
    luma: &'a mut Vec<u16>,
) -> Result<View<'a, u16>, Faults> {
    let (width, height) = (picture.width() as usize, picture.height() as usize);
    picture.luma_u16(luma);
    View::new(width, height, luma).ok_or_else(|| {
        Faults::one(
            name,
            format!("frame {frame}"),
            format!("the sample layout {} holds no luma", picture.format()),
            "transcode the media to a layout with luma or RGB",
        )
    })
}

fn other_size(name: &str, frame: Frame, picture: &Picture) -> Faults {
    Faults::one(
        name,
        format!("frame {frame}"),
        format!("the picture is {}x{}, unlike the first", picture.width(), picture.height()),
        "render the media at one size",
    )
}
