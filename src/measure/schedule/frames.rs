//! Second pass: every frame that matters, shown to all measures of all plates.

use super::Wish;
use super::belt::Belt;
use super::kept::Kept;
use super::luma::LumaSource;
use super::pace::Pace;
use super::placing::{InBlocks, Placing};
use super::survey::no_room;
use crate::error::Faults;
use crate::measure::light::blocks::{Blocks, Codes, Kind};
use crate::measure::transfer::Encoding;
use crate::media::{FrameReader, MediaInfo, Picture, Wanted};
use crate::time::{Frame, FrameRange, joined};

/// Every how many frames of a run, of those looked at, each colour's light is measured: colour
/// drifts with the sun and the iris, luma is measured in every frame. Ours: it costs ten times as
/// much.
pub(super) const COLOUR_EVERY: u64 = 8;

/// Shows every frame to the measures of every plate.
pub(super) struct GaugeReader<'a> {
    range: FrameRange,
    pace: &'a Pace,
    info: &'a MediaInfo,
    source: LumaSource,
    encoding: Encoding,
    codes: Codes,
    colours: Codes,
    placing: Vec<Placing>,
    belt: Belt,
    seen: u64,
    tell: &'a mut dyn FnMut(u64),
}

impl<'a> GaugeReader<'a> {
    /// `source` is one that took no frame yet, `all` what will be read.
    pub(super) fn new(
        wish: &Wish<'a>,
        (all, pace): (&[FrameRange], &'a Pace),
        placing: Vec<Placing>,
        belt: Belt,
        tell: &'a mut dyn FnMut(u64),
    ) -> Self {
        let info = wish.media.info();
        Self {
            range: all.iter().copied().reduce(joined).unwrap_or_default(),
            pace,
            info,
            source: LumaSource::new(info),
            encoding: wish.encoding,
            codes: Codes::default(),
            colours: Codes::default(),
            placing,
            belt,
            seen: 0,
            tell,
        }
    }

    /// As [`FrameReader::see`] of a frame that was kept.
    pub(super) fn see_kept(&mut self, frame: Frame, kept: &mut Kept) -> Result<(), Faults> {
        let planes = &mut self.colours.planes;
        let read = |codes: &mut Vec<u16>| kept.read(frame, codes, planes);
        let found = self.source.take_read(read).map_err(|io| no_room(self.info, &io))?;
        let Some((depth, of_colour)) = found else {
            let remedy = "make room in the folder for temporary files and run again";
            return Err(self.source.fault(frame, "it cannot be read back".into(), remedy));
        };
        let range = self.encoding.range;
        let in_blocks = |codes: &Codes| (Blocks::of(codes, range), codes.depth);
        let light = self.source.with_lent(depth, &mut self.codes, in_blocks);
        let of_colour = of_colour.filter(|_| self.pace.wanted(frame) == Wanted::Whole);
        let colour = of_colour.map(|there| match self.encoding.matrix.filter(|_| there) {
            Some(matrix) => {
                (self.colours.kind, self.colours.depth) = (Kind::YCbCr(matrix), depth);
                in_blocks(&self.colours)
            }
            None => light.clone(),
        });
        self.show(frame, Some(&light), colour.as_ref()).map_err(|io| no_room(self.info, &io))
    }

    fn show(
        &mut self,
        frame: Frame,
        light: Option<&InBlocks>,
        colour: Option<&InBlocks>,
    ) -> std::io::Result<()> {
        let source = &self.source;
        let placing = self.placing.iter_mut();
        let placed = placing.map(|plate| plate.see(frame, source, light, colour)).collect();
        if !self.belt.take(frame, &mut self.source.planes, placed) {
            return Err(std::io::ErrorKind::BrokenPipe.into());
        }
        self.seen += 1;
        (self.tell)(self.seen);
        Ok(())
    }

    /// Gives back what placed the frames; the belt ends.
    pub(super) fn finish(self) -> Vec<Placing> {
        self.placing
    }
}

impl FrameReader for GaugeReader<'_> {
    fn range(&self) -> FrameRange {
        self.range
    }

    fn wants(&self, frame: Frame) -> Wanted {
        self.pace.wanted(frame)
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        self.source.take(frame, picture)?;
        let luma = Encoding { matrix: None, ..self.encoding };
        let range = self.encoding.range;
        let in_blocks = |codes: &Codes| (Blocks::of(codes, range), codes.depth);
        let light = self.source.with_codes(picture, &luma, &mut self.codes, in_blocks);
        let of_colour = self.wants(frame) == Wanted::Whole;
        let read = of_colour && self.colours.read(picture, &self.encoding);
        let colour = read.then(|| in_blocks(&self.colours));
        self.show(frame, light.as_ref(), colour.as_ref()).map_err(|io| no_room(self.info, &io))
    }
}
