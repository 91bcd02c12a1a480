//! How a plate turns, found from the pictures, and what is rendered of it.

use super::{Job, Subject};
use crate::corrections::Refused;
use crate::error::Faults;
use crate::findings::{GrainSummary, UseFinding, Verdict};
use crate::grain::GrainModel;
use crate::loops::{Area, Choice, Eased, Held, Watch, choose};
use crate::measure::divider::Division;
use crate::media::{Media, Picture};
use crate::plate::{FrameMap, Retouch};
use crate::reach::{Clocks, Outcome, least_loop_frames};
use crate::reason::Code;
use crate::time::FrameRange;

/// Fewest plate frames the grain of a take is measured on; with fewer, frames of need are:
/// tiles in which something moves are left out.
const GRAIN_FRAMES: u64 = 8;

/// Watches a loop's plate frames in the patch and chooses how they turn. `None` for other
/// plates, without a patch region, and where there is too little to watch.
///
/// # Errors
///
/// Frames that cannot be decoded.
pub(super) fn chosen(
    job: &Job,
    media: &Media,
    outcome: Outcome,
    clocks: &Clocks,
    need: FrameRange,
    division: Option<&Division>,
) -> Result<Option<Choice>, Faults> {
    let (Outcome::Loop(plate), Some(_)) = (outcome, division) else { return Ok(None) };
    let Some(plate) = clocks.file_range(plate) else { return Ok(None) };
    let info = media.info();
    // A plate from elsewhere lies behind the take.
    let held = FrameRange::new(0, i64::try_from(info.frames).unwrap_or(i64::MAX));
    if !held.contains(plate) {
        return Ok(None);
    }
    let area = Area::of(division, info.width, info.height);
    let mut watch = Watch::over(plate, &area, info.width, info.height);
    media.read(&[plate], &mut [&mut watch])?;
    let Some(visible) = watch.visible() else { return Ok(None) };
    let least = least_loop_frames(clocks.rate);
    Ok(choose(plate, need.count().0, least, job.settings.turns, &visible).ok())
}

/// What is rendered of a plate that is not laid in as it was shot.
#[derive(Debug)]
pub(super) enum Renewed<'a> {
    Held(Box<Held>),
    Eased(Box<Eased<'a>>),
}

impl<'a> Renewed<'a> {
    /// Prepares what a finding asks for; `None` where its frames are laid in as they are.
    ///
    /// # Errors
    ///
    /// Frames that cannot be decoded.
    pub fn of(
        subject: &Subject,
        media: &'a Media,
        map: &FrameMap,
        finding: &mut UseFinding,
    ) -> Result<Result<Option<Renewed<'a>>, Refused>, Faults> {
        let held = finding.verdict == Verdict::Still;
        let turning = finding.plate.as_ref().and_then(|plate| plate.turning.as_ref());
        let window = turning.and_then(|turning| turning.window);
        let averaged = finding.plate.as_ref().map(|plate| plate.range_in_take);
        let averaged = averaged.zip(subject.clocks.as_ref());
        let averaged = averaged.and_then(|(range, clocks)| clocks.file_range(range));
        let (Some(averaged), true) = (averaged, held || window.is_some()) else {
            return Ok(Ok(None));
        };
        let info = media.info();
        let area = Area::of(subject.division.as_deref(), info.width, info.height);
        let whole = FrameRange::new(0, i64::try_from(info.frames).unwrap_or(i64::MAX));
        let need = finding.need_in_file.and_then(|need| need.overlap(whole));
        let measured = need.filter(|_| averaged.count().0 < GRAIN_FRAMES).unwrap_or(averaged);
        let grain = GrainModel::of(media, measured)?;
        let refused =
            |(code, why): (Code, &str)| Refused { why: why.into(), code, frames: averaged };
        let summary = |check: Option<crate::grain::Check>, averaged: Option<[i64; 2]>| {
            check.map(|check| GrainSummary {
                averaged,
                level: rounded(check.level),
                lag_1: rounded(check.lags[0]),
                lag_2: rounded(check.lags[1]),
            })
        };
        let (renewed, summary) = if held {
            let Some(grain) = grain else {
                return Ok(Err(refused(why_no_grain(media, measured)?)));
            };
            let Some(held) = Held::of(media, averaged, area, grain)? else {
                return Ok(Err(refused(UNREADABLE)));
            };
            let summary = summary(held.check(), Some([averaged.start.0, averaged.end.0]));
            (Renewed::Held(Box::new(held)), summary)
        } else {
            let window = window.and_then(|window| usize::try_from(window).ok()).unwrap_or(1);
            let Ok(mut eased) = Eased::new(media, map, window, area, grain) else {
                return Ok(Ok(None));
            };
            let summary = summary(eased.check()?, None);
            (Renewed::Eased(Box::new(eased)), summary)
        };
        if let Some(plate) = &mut finding.plate {
            plate.grain = summary;
        }
        Ok(Ok(Some(renewed)))
    }

    fn retouches(&self) -> &dyn Retouch {
        match self {
            Renewed::Held(held) => held.as_ref(),
            Renewed::Eased(eased) => eased.as_ref(),
        }
    }

    /// Returns what it rests on besides the media and the map.
    pub fn recipe(&self, finding: &UseFinding, division: Option<&Division>) -> String {
        let kind = match self {
            Renewed::Held(_) => "held/1",
            Renewed::Eased(_) => "eased/2",
        };
        let plate = finding.plate.as_ref().map(|plate| plate.range_in_take);
        let region = division.map(|division| &division.region);
        let turning = finding.plate.as_ref().and_then(|plate| plate.turning.as_ref());
        let window = turning.and_then(|turning| turning.window);
        format!(
            "{kind}, window {window:?}, plate {plate:?}, need {:?}, region {region:?}",
            finding.need_in_file
        )
    }
}

/// Why clean frames are not averaged.
const UNREADABLE: (Code, &str) =
    (Code::MediaUnreadable, "The samples of this picture cannot be reached");

/// Why the grain of a take cannot be measured over frames of it.
fn why_no_grain(media: &Media, frames: FrameRange) -> Result<(Code, &'static str), Faults> {
    if frames.count().0 < 2 {
        return Ok((Code::PlateShort, "A single frame does not tell grain from picture"));
    }
    let mut row = Vec::new();
    let first = FrameRange::new(frames.start.0, frames.start.0 + 1);
    let read = media.frames(first)?.next_frame().transpose()?;
    let reached = read.is_some_and(|(_, picture)| picture.samples(0, 0, 0..1, &mut row));
    let moving = "The grain of the take cannot be measured: nothing in the picture is at rest";
    Ok(if reached { (Code::BackgroundMoving, moving) } else { UNREADABLE })
}

/// Figures that are told need no more digits than mean something.
fn rounded(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}

impl Retouch for Renewed<'_> {
    fn why(&self) -> String {
        self.retouches().why()
    }

    fn retouch(&self, k: u64, picture: &Picture) -> Result<Option<Picture>, Faults> {
        self.retouches().retouch(k, picture)
    }
}

/// One change after the other.
#[derive(Debug)]
pub(super) struct Then<'a> {
    pub first: &'a dyn Retouch,
    pub second: &'a dyn Retouch,
}

impl Retouch for Then<'_> {
    fn why(&self) -> String {
        format!("{}; {}", self.first.why(), self.second.why())
    }

    fn retouch(&self, k: u64, picture: &Picture) -> Result<Option<Picture>, Faults> {
        let first = self.first.retouch(k, picture)?;
        let second = self.second.retouch(k, first.as_ref().unwrap_or(picture))?;
        Ok(second.or(first))
    }
}
