//! A first pass through a whole take nobody noted, on small pictures.

use super::frames::COLOUR_EVERY;
use super::kept::Kept;
use super::luma::LumaSource;
use super::standing::Standing;
use crate::error::Faults;
use crate::measure::boom::{Found, Hints, SmallTake, Why, find};
use crate::measure::lockoff::{LockOff, Stand, Steadiness, SteadyLimits, steadiness};
use crate::media::{FrameReader, Media, MediaInfo, Picture, Wanted};
use crate::settings::MeasureLimits;
use crate::time::{Frame, FrameRange};
use std::thread;

/// How far the camera may stray before frames are of another lock-off, in source pixels.
/// Wide: this only keeps what belongs together apart from what does not; each frame is
/// measured against its plate later. Ours.
const STRAY_PX: f64 = 0.5;

/// What a whole take shows at a first look. Ranges are file frames.
#[derive(Debug)]
pub struct Survey {
    /// Plates and booms.
    pub found: Found,
    /// Runs over which the camera stood; `None` where the picture cannot tell.
    pub lock_off: Option<Vec<FrameRange>>,
    /// What the camera did over the whole take, in pixels of the middle plane, and how many
    /// source pixels these are; `None` for frames too small to tell.
    pub camera: Option<(Steadiness, f64)>,
    /// Frames that need not be decoded again.
    pub kept: Kept,
}

/// Looks through a whole take for plates and booms. `plates` are those a log claims, `area`
/// where it says the boom is (shares of width and height: left, top, right, bottom). Both
/// narrow the search and never replace what is seen.
///
/// # Errors
///
/// Frames that cannot be decoded; no room for what is kept in files.
pub fn survey(
    media: &Media,
    plates: &[FrameRange],
    area: Option<[f32; 4]>,
    limits: &MeasureLimits,
    tell: &mut dyn FnMut(u64),
) -> Result<Survey, Faults> {
    let info = media.info();
    let whole = FrameRange::new(0, i64::try_from(info.frames).unwrap_or(i64::MAX));
    let small = SmallTake::new().map_err(|io| no_room(info, &io))?;
    let seen = thread::scope(|hands| {
        let mut reader = SurveyReader {
            whole,
            source: LumaSource::new(info),
            small,
            standing: Standing::start(hands),
            kept: Kept::default(),
            depth: 16,
            seen: 0,
            tell,
        };
        let read = media.read(&[whole], &mut [&mut reader]);
        read.map(|_| reader.finish())
    })?;
    seen.found(info, plates, area, limits)
}

pub(super) fn no_room(info: &MediaInfo, io: &std::io::Error) -> Faults {
    Faults::one(
        &info.name,
        "",
        format!("what is measured cannot be kept in a temporary file: {io}"),
        "make room in the folder for temporary files, or set TMPDIR to another",
    )
}

struct SurveyReader<'a> {
    whole: FrameRange,
    source: LumaSource,
    small: SmallTake,
    standing: Standing<'a>,
    kept: Kept,
    /// Bits of the codes; before the first frame the most there can be.
    depth: u32,
    seen: u64,
    tell: &'a mut dyn FnMut(u64),
}

impl FrameReader for SurveyReader<'_> {
    fn range(&self) -> FrameRange {
        self.whole
    }

    fn wants(&self, frame: Frame) -> Wanted {
        let of_colour = frame.0.unsigned_abs().is_multiple_of(COLOUR_EVERY)
            && Kept::reaches(frame, self.source.size(), self.depth);
        if of_colour { Wanted::Whole } else { Wanted::Luma }
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        self.source.take(frame, picture)?;
        self.depth = picture.luma_depth();
        if let Some(luma) = self.source.luma().filter(|_| self.source.lends(picture)) {
            self.kept.keep(frame, luma.data(), picture, self.wants(frame) == Wanted::Whole);
        }
        if let Err(io) = self.small.add(&self.source.planes.small) {
            let fault = format!("what is measured cannot be kept in a temporary file: {io}");
            return Err(self.source.fault(
                frame,
                fault,
                "make room in the folder for temporary files",
            ));
        }
        self.standing.take(frame, &mut self.source.planes.mid);
        self.seen += 1;
        (self.tell)(self.seen);
        Ok(())
    }
}

impl SurveyReader<'_> {
    fn finish(self) -> Seen {
        Seen {
            whole: self.whole,
            small: self.small,
            lock_off: self.standing.finish(),
            scale: self.source.scales.mid as f64,
            half: self.source.half(),
            kept: self.kept,
        }
    }
}

/// All frames of a take, read.
struct Seen {
    whole: FrameRange,
    small: SmallTake,
    lock_off: Option<LockOff>,
    /// Source pixels that are one of the middle plane.
    scale: f64,
    /// From the middle of a frame to its corner, in source pixels.
    half: (f64, f64),
    kept: Kept,
}

impl Seen {
    fn found(
        mut self,
        info: &MediaInfo,
        plates: &[FrameRange],
        area: Option<[f32; 4]>,
        limits: &MeasureLimits,
    ) -> Result<Survey, Faults> {
        let camera = self.camera(&limits.camera.into());
        let lock_off = self.lock_offs();
        let hints =
            Hints { plates: plates.to_vec(), area, usable: lock_off.clone().unwrap_or_default() };
        let found = if lock_off.as_ref().is_some_and(Vec::is_empty) {
            Found::nothing(self.small.size(), Why::CameraMoves)
        } else {
            find(&mut self.small, &hints, &limits.boom.into()).map_err(|io| no_room(info, &io))?
        };
        Ok(Survey { found, lock_off, camera, kept: self.kept })
    }

    /// What the camera did, at the limits of a delivery of the source's size.
    fn camera(&self, limits: &SteadyLimits) -> Option<(Steadiness, f64)> {
        let scale = self.scale;
        let limits = SteadyLimits {
            shift_px: limits.shift_px / scale,
            vibration_px: limits.vibration_px / scale,
            ..*limits
        };
        Some((self.steadiness(&limits)?, scale))
    }

    /// Runs over which the camera stood about where it was.
    fn lock_offs(&self) -> Option<Vec<FrameRange>> {
        let wide = STRAY_PX / self.scale;
        let limits = SteadyLimits { shift_px: wide, vibration_px: wide, ..SteadyLimits::default() };
        let found = self.steadiness(&limits)?;
        match found.stand {
            Stand::CannotTell(_) => None,
            Stand::Moved => Some(found.lock_offs),
            Stand::Locked | Stand::Unsteady => Some(vec![self.whole]),
        }
    }

    fn steadiness(&self, limits: &SteadyLimits) -> Option<Steadiness> {
        let series = self.lock_off.as_ref()?.series();
        let (x, y) = self.half;
        Some(steadiness(&series, (x / self.scale, y / self.scale), limits))
    }
}
