//! First pass: the plates, each gathered into what frames are held against.

use super::luma::LumaSource;
use crate::error::Faults;
use crate::measure::PlateSum;
use crate::measure::light::blocks::{Blocks, Codes};
use crate::measure::light::plate::PlateMean;
use crate::measure::transfer::Encoding;
use crate::media::{FrameReader, MediaInfo, Picture};
use crate::time::{Frame, FrameRange};

/// Gathers one plate.
pub(super) struct PlateReader {
    pub(super) plate: FrameRange,
    pub(super) source: LumaSource,
    encoding: Encoding,
    codes: Codes,
    /// At full size, in codes.
    pub(super) full: PlateSum,
    /// At working size, in 8-bit codes.
    pub(super) work: PlateSum,
    /// At middle size, in 8-bit codes.
    pub(super) mid: PlateSum,
    /// In blocks, for light.
    pub(super) light: PlateMean,
}

impl PlateReader {
    pub(super) fn new(info: &MediaInfo, plate: FrameRange, encoding: Encoding) -> PlateReader {
        PlateReader {
            plate,
            source: LumaSource::new(info),
            encoding,
            codes: Codes::default(),
            full: PlateSum::new(),
            work: PlateSum::new(),
            mid: PlateSum::new(),
            light: PlateMean::new(),
        }
    }
}

impl FrameReader for PlateReader {
    fn range(&self) -> FrameRange {
        self.plate
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        self.source.take(frame, picture)?;
        if let Some(luma) = self.source.luma() {
            self.full.add(luma);
        }
        let planes = &self.source.planes;
        for (sum, plane) in [(&mut self.work, &planes.work), (&mut self.mid, &planes.mid)] {
            if let Some(view) = plane.view() {
                sum.add(view);
            }
        }
        if self.codes.read(picture, &self.encoding) {
            self.light.add(&Blocks::of(&self.codes, self.encoding.range));
        }
        Ok(())
    }
}
