//! A first pass through a whole take nobody noted, on small pictures.

use super::frames::COLOUR_EVERY;
use super::kept::Kept;
use super::luma::LumaSource;
use crate::error::Faults;
use crate::measure::boom::{Found, Hints, SmallTake, Why, find};
use crate::measure::lockoff::{LockOff, Stand, Steadiness, SteadyLimits, steadiness};
use crate::measure::{Plane, PlateSum};
use crate::media::{FrameReader, Media, MediaInfo, Picture, Wanted};
use crate::settings::MeasureLimits;
use crate::time::{Frame, FrameRange};

/// First frames whose mean the others are held against: enough to bring grain down to a
/// fifth, few enough that nobody moves the camera within them.
const FIRST: usize = 24;

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
    let mut reader = SurveyReader {
        whole,
        source: LumaSource::new(info),
        small,
        first: Vec::new(),
        lock_off: None,
        kept: Kept::default(),
        depth: 16,
        seen: 0,
        tell,
    };
    media.read(&[whole], &mut [&mut reader])?;
    reader.finish(info, plates, area, limits)
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
    /// The first frames, until their mean is made.
    first: Vec<(Frame, Plane)>,
    lock_off: Option<LockOff>,
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
        match &mut self.lock_off {
            Some(lock_off) => {
                if let Some(view) = self.source.planes.mid.view() {
                    lock_off.see(frame, view, false);
                }
            }
            None => {
                self.first.push((frame, self.source.planes.mid.clone()));
                if self.first.len() == FIRST {
                    self.begin();
                }
            }
        }
        self.seen += 1;
        (self.tell)(self.seen);
        Ok(())
    }
}

impl SurveyReader<'_> {
    /// Makes the mean of the first frames and holds them against it.
    fn begin(&mut self) {
        let mut sum = PlateSum::new();
        for view in self.first.iter().filter_map(|(_, plane)| plane.view()) {
            sum.add(view);
        }
        let Ok(mut lock_off) = LockOff::new(&sum, None, 255.0) else { return };
        for (frame, plane) in self.first.drain(..) {
            if let Some(view) = plane.view() {
                lock_off.see(frame, view, true);
            }
        }
        self.lock_off = Some(lock_off);
    }

    fn finish(
        mut self,
        info: &MediaInfo,
        plates: &[FrameRange],
        area: Option<[f32; 4]>,
        limits: &MeasureLimits,
    ) -> Result<Survey, Faults> {
        if self.lock_off.is_none() && !self.first.is_empty() {
            self.begin();
        }
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
        let scale = self.source.scales.mid as f64;
        let limits = SteadyLimits {
            shift_px: limits.shift_px / scale,
            vibration_px: limits.vibration_px / scale,
            ..*limits
        };
        Some((self.steadiness(&limits)?, scale))
    }

    /// Runs over which the camera stood about where it was.
    fn lock_offs(&self) -> Option<Vec<FrameRange>> {
        let scale = self.source.scales.mid as f64;
        let wide = STRAY_PX / scale;
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
        let scale = self.source.scales.mid as f64;
        let (x, y) = self.source.half();
        Some(steadiness(&series, (x / scale, y / scale), limits))
    }
}
