//! First pass: the plates, each gathered into what frames are held against.

use super::luma::LumaSource;
use crate::error::Faults;
use crate::measure::PlateSum;
use crate::measure::boom::PlateRange;
use crate::measure::light::Meter;
use crate::measure::light::blocks::Codes;
use crate::measure::overlay::OverlayFinder;
use crate::measure::transfer::Encoding;
use crate::media::{FrameReader, MediaInfo, Picture};
use crate::time::{Frame, FrameRange};

/// Gathers one plate.
pub(super) struct PlateReader {
    pub(super) plate: FrameRange,
    pub(super) source: LumaSource,
    codes: Codes,
    colours: Codes,
    /// At full size, in codes.
    pub(super) full: PlateSum,
    /// At working size, in 8-bit codes.
    pub(super) work: PlateSum,
    /// The clean range at middle size, in 8-bit codes.
    pub(super) clean: PlateRange,
    /// The same of its first and of its last third alone.
    pub(super) thirds: [PlateRange; 2],
    /// In blocks, for light.
    pub(super) light: Meter,
    /// The same for each colour.
    pub(super) colour: Meter,
    /// What lies over the picture.
    pub(super) overlays: OverlayFinder,
}

impl PlateReader {
    pub(super) fn new(info: &MediaInfo, plate: FrameRange, encoding: Encoding) -> PlateReader {
        PlateReader {
            plate,
            source: LumaSource::new(info),
            codes: Codes::default(),
            colours: Codes::default(),
            full: PlateSum::new(),
            work: PlateSum::new(),
            clean: PlateRange::new(),
            thirds: [PlateRange::new(), PlateRange::new()],
            light: Meter::new(Encoding { matrix: None, ..encoding }),
            colour: Meter::new(encoding),
            overlays: OverlayFinder::new(),
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
        if let Some(view) = self.source.planes.work.view() {
            self.work.add(view);
        }
        let mid = &self.source.planes.mid;
        self.clean.add(mid);
        let (into, count) = ((frame - self.plate.start).0, self.plate.count().0 as i64);
        if into * 3 < count {
            self.thirds[0].add(mid);
        } else if into * 3 >= 2 * count {
            self.thirds[1].add(mid);
        }
        if let Some(view) = mid.view() {
            self.overlays.see(view);
        }
        self.light.add_plate_picture(picture, &mut self.codes);
        self.colour.add_plate_picture(picture, &mut self.colours);
        Ok(())
    }
}
