//! First pass: the plates, each gathered into what frames are held against.

use super::frames::COLOUR_EVERY;
use super::kept::Kept;
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
use std::cell::RefCell;

/// Gathers one plate.
pub(super) struct PlateReader<'a> {
    pub(super) plate: FrameRange,
    kept: &'a RefCell<Kept>,
    pub(super) source: LumaSource,
    encoding: Encoding,
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

impl PlateReader<'_> {
    /// `kept` gets the frames, for the second pass.
    pub(super) fn new<'a>(
        info: &MediaInfo,
        plate: FrameRange,
        encoding: Encoding,
        kept: &'a RefCell<Kept>,
    ) -> PlateReader<'a> {
        PlateReader {
            plate,
            kept,
            source: LumaSource::new(info),
            encoding,
            codes: Codes::default(),
            colours: Codes::default(),
            full: PlateSum::new(),
            work: PlateSum::new(),
            clean: PlateRange::with_sway(),
            thirds: [PlateRange::new(), PlateRange::new()],
            light: Meter::new(Encoding { matrix: None, ..encoding }),
            colour: Meter::new(encoding),
            overlays: OverlayFinder::new(),
        }
    }
}

impl FrameReader for PlateReader<'_> {
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
        if let Some(luma) = self.source.luma().filter(|_| self.source.lends(picture)) {
            let of_colour = (frame - self.plate.start).0 as u64;
            let of_colour = of_colour.is_multiple_of(COLOUR_EVERY);
            self.kept.borrow_mut().keep(frame, luma.data(), picture, of_colour);
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
        let luma = Encoding { matrix: None, ..self.encoding };
        let light = &mut self.light;
        let add = |codes: &Codes| light.add_plate(codes);
        self.source.with_codes(picture, &luma, &mut self.codes, add);
        self.colour.add_plate_picture(picture, &mut self.colours);
        Ok(())
    }
}
