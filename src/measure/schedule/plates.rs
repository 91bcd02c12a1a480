//! First pass: the plates, each gathered into what frames are held against.

use super::kept::Kept;
use super::luma::LumaSource;
use super::pace::Pace;
use super::survey::no_room;
use crate::error::Faults;
use crate::measure::PlateSum;
use crate::measure::boom::PlateRange;
use crate::measure::light::Meter;
use crate::measure::light::blocks::{Codes, Kind};
use crate::measure::overlay::OverlayFinder;
use crate::measure::transfer::Encoding;
use crate::media::{FrameReader, MediaInfo, Picture, Wanted};
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
    pace: &'a Pace,
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
    /// `kept` gets the frames, for the second pass; `pace` tells which frames are looked at.
    pub(super) fn new<'a>(
        info: &MediaInfo,
        (plate, pace): (FrameRange, &'a Pace),
        encoding: Encoding,
        kept: &'a RefCell<Kept>,
    ) -> PlateReader<'a> {
        PlateReader {
            plate,
            pace,
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

    fn wants(&self, frame: Frame) -> Wanted {
        self.pace.wanted_of_plate(self.plate, frame)
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        self.source.take(frame, picture)?;
        let of_colour = self.wants(frame) == Wanted::Whole;
        if let Some(luma) = self.source.luma().filter(|_| self.source.lends(picture)) {
            self.kept.borrow_mut().keep(frame, luma.data(), picture, of_colour);
        }
        self.add(frame);
        let luma = Encoding { matrix: None, ..self.encoding };
        let light = &mut self.light;
        let add = |codes: &Codes| light.add_plate(codes);
        self.source.with_codes(picture, &luma, &mut self.codes, add);
        if of_colour {
            self.colour.add_plate_picture(picture, &mut self.colours);
        }
        Ok(())
    }
}

impl PlateReader<'_> {
    /// As [`FrameReader::see`] of a frame that was kept.
    pub(super) fn see_kept(&mut self, info: &MediaInfo, frame: Frame) -> Result<(), Faults> {
        let planes = &mut self.colours.planes;
        let mut kept = self.kept.borrow_mut();
        let read = |codes: &mut Vec<u16>| kept.read(frame, codes, planes);
        let found = self.source.take_read(read).map_err(|io| no_room(info, &io))?;
        drop(kept);
        let Some((depth, has_colour)) = found else {
            let remedy = "make room in the folder for temporary files and run again";
            return Err(self.source.fault(frame, "it cannot be read back".into(), remedy));
        };
        self.add(frame);
        let light = &mut self.light;
        self.source.with_lent(depth, &mut self.codes, |codes| light.add_plate(codes));
        let Some(has_colour) = has_colour.filter(|_| self.wants(frame) == Wanted::Whole) else {
            return Ok(());
        };
        let colour = &mut self.colour;
        match self.encoding.matrix.filter(|_| has_colour) {
            Some(matrix) => {
                (self.colours.kind, self.colours.depth) = (Kind::YCbCr(matrix), depth);
                colour.add_plate(&self.colours)
            }
            None => self.source.with_lent(depth, &mut self.codes, |codes| colour.add_plate(codes)),
        };
        Ok(())
    }

    /// Adds the frame taken last, but for its light.
    fn add(&mut self, frame: Frame) {
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
    }
}
