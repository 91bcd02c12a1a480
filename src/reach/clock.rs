//! From the clip clock of the timeline to the take clock of the recording and the file
//! clock of the media.

use crate::media::MediaInfo;
use crate::reason::{Code, Reason, Severity};
use crate::settings::TimecodeTrust;
use crate::time::{Counting, Exact, Frame, FrameRange, FrameShift, Rate, ceil, floor, whole};
use crate::timeline::{ReferenceKind, Use};
use num_traits::One;

/// How clip time, take time and file time of one use belong together.
///
/// `take = clip x scale + offset`, exact. Ranges come out as the smallest whole frames.
#[derive(Debug, Clone, PartialEq)]
pub struct Clocks {
    /// Rate of the take clock.
    pub rate: Rate,
    /// How the labels of the take count.
    pub counting: Counting,
    /// Take frame of file frame 0; `None` without media (the take clock is then the clip
    /// clock).
    pub file_start: Option<Frame>,
    /// Frames in the file; `None` without media.
    pub file_frames: Option<u64>,
    /// False if nothing tells a timecode: the take clock is then the file clock.
    pub has_timecode: bool,
    scale: Exact,
    offset: Exact,
}

impl Clocks {
    /// Returns the clocks of a use without media: the take clock is the clip clock.
    pub fn without_media(clip_rate: Rate) -> Clocks {
        Clocks {
            rate: clip_rate,
            counting: Counting::new(clip_rate, false),
            file_start: None,
            file_frames: None,
            has_timecode: true,
            scale: Exact::one(),
            offset: whole(0),
        }
    }

    /// Returns the clocks of a media file on its own: the take clock counts from its start
    /// timecode, or from its first frame where it has none.
    pub fn of_media(info: &MediaInfo) -> Clocks {
        let start = info.start;
        Clocks {
            rate: info.rate,
            counting: start.map_or(Counting::new(info.rate, false), |start| start.counting),
            file_start: Some(start.map_or(Frame(0), |start| start.frame)),
            file_frames: Some(info.frames),
            has_timecode: start.is_some(),
            scale: Exact::one(),
            offset: whole(0),
        }
    }

    /// Returns a file range on the take clock.
    pub fn from_file(&self, range_in_file: FrameRange) -> FrameRange {
        range_in_file.shifted(FrameShift(self.file_start.map_or(0, |start| start.0)))
    }

    /// Returns the smallest whole take range that holds an exact span of clip time.
    pub fn take_range(&self, span_in_clip: &(Exact, Exact)) -> FrameRange {
        let at = |clip: &Exact| clip * &self.scale + &self.offset;
        let (start, end) = (at(&span_in_clip.0), at(&span_in_clip.1));
        FrameRange::new(floor(&start), ceil(&end))
    }

    /// Returns a whole-frame range of clip time on the take clock.
    pub fn take_range_of(&self, range_in_clip: FrameRange) -> FrameRange {
        self.take_range(&(whole(range_in_clip.start.0), whole(range_in_clip.end.0)))
    }

    /// Returns the take frame that is shown at a whole clip frame.
    pub fn take_frame(&self, frame_in_clip: i64) -> Frame {
        Frame(floor(&(whole(frame_in_clip) * &self.scale + &self.offset)))
    }

    /// Returns where a take frame begins on the clip clock, exact.
    pub fn clip_time(&self, frame_in_take: Frame) -> Exact {
        (whole(frame_in_take.0) - &self.offset) / &self.scale
    }

    /// Returns a take range on the file clock; `None` without media.
    pub fn file_range(&self, range_in_take: FrameRange) -> Option<FrameRange> {
        self.file_start.map(|start| range_in_take.shifted(FrameShift(-start.0)))
    }

    /// Returns all frames of the file on the take clock; `None` without media.
    pub fn file_in_take(&self) -> Option<FrameRange> {
        let start = self.file_start?;
        Some(FrameRange::new(start.0, start.0.saturating_add_unsigned(self.file_frames?)))
    }

    /// Returns the label of a take frame, or `#N` (file frame) where the rate carries no
    /// timecode or the take has none.
    pub fn label(&self, frame: Frame) -> String {
        if self.has_timecode && self.rate.is_standard() {
            self.counting.label(frame)
        } else {
            format!("#{}", frame.0 - self.file_start.map_or(0, |start| start.0))
        }
    }
}

/// What is known about the start of a recording besides its media.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct LoggedStart {
    /// Take frame of the recording's first frame as the log notes it.
    pub start: Option<Frame>,
    /// How many frames the log may be off.
    pub tolerance: u32,
}

/// Finds out how the clocks of a use belong together.
///
/// `used` is judged on [`Use::media_span`]. With media, `available_range` gives the file
/// clock where it fits the file (its start is the file's timecode or 0, or its length is
/// the file's); otherwise the used range is take time where it lies in the file's timecode
/// span, and file time where it lies in `[0, frames)`. `counting` is how the take's labels
/// count.
///
/// # Errors
///
/// A reason with which the use is undecided: both readings fit, or neither.
pub fn read_clocks(
    used: &Use,
    media: Option<&MediaInfo>,
    counting: Counting,
    logged: LoggedStart,
    trust: &[TimecodeTrust],
) -> Result<(Clocks, Vec<Reason>), Box<Reason>> {
    let Some(media) = media else {
        let clocks = Clocks { counting, ..Clocks::without_media(used.clip_rate) };
        let starts = Starts::of(used, None, logged, &clocks.scale);
        let said = starts.disagreement(counting, logged.tolerance);
        return Ok((clocks, said.into_iter().collect()));
    };
    let scale = frames_per_clip_frame(used.clip_rate, media.rate);
    let span = used
        .media_span
        .as_ref()
        .map_or((used.media_start.clone(), used.media_start.clone()), Clone::clone);
    let span = (span.0 * &scale, span.1 * &scale);
    let starts = Starts::of(used, Some(media), logged, &scale);
    let start = starts.chosen(trust);
    let reading = Reading { span, frames: media.frames, start, counting };

    let zero = match starts.available_fits(media, &reading) {
        Some(zero) => zero,
        None => reading.zero_in_clip(used, media)?,
    };
    let clocks = Clocks {
        rate: media.rate,
        counting,
        file_start: Some(start),
        file_frames: Some(media.frames),
        has_timecode: starts.told(),
        scale,
        offset: whole(start.0) - zero,
    };
    Ok((clocks, starts.disagreement(counting, logged.tolerance).into_iter().collect()))
}

/// Media frames in one clip frame. Rates with one count base count the same frames (a
/// timeline that says 24 for a 23.976 file means frame for frame), and rates that are
/// whole multiples by count base keep that multiple; others go by seconds.
fn frames_per_clip_frame(clip: Rate, media: Rate) -> Exact {
    let (clip_base, media_base) = (clip.nominal(), media.nominal());
    let multiples = media_base.is_multiple_of(clip_base) || clip_base.is_multiple_of(media_base);
    if clip.is_standard() && media.is_standard() && multiples {
        return Exact::new(media_base.into(), clip_base.into());
    }
    media.exact() / clip.exact()
}

/// Image files numbered from less than this many seconds are counted, not timed: 1, 86,
/// 1001. Ours.
const HOUR_S: i64 = 3600;

/// The start timecodes that are claimed for one recording, in take frames.
struct Starts {
    container: Option<Frame>,
    log: Option<Frame>,
    /// `available_range`: start and length in media frames.
    available: Option<(Exact, Exact)>,
    /// True if it starts with the number of the first image file: no timecode.
    is_numbered: bool,
}

impl Starts {
    fn of(used: &Use, media: Option<&MediaInfo>, logged: LoggedStart, scale: &Exact) -> Starts {
        let reference = used.references.first();
        let range = reference.and_then(|reference| reference.available.as_ref());
        let is_numbered = reference.zip(range).is_some_and(|(reference, (start, _))| {
            let ReferenceKind::Sequence { start_frame, .. } = &reference.kind else {
                return false;
            };
            let hour = i64::from(used.clip_rate.nominal()) * HOUR_S;
            *start == whole(*start_frame) && *start_frame < hour
        });
        Starts {
            container: media.and_then(|media| media.start).map(|tag| tag.frame),
            log: logged.start,
            available: range.map(|(start, end)| (start * scale, (end - start) * scale)),
            is_numbered,
        }
    }

    fn timeline(&self) -> Option<Frame> {
        let (start, _) = self.available.as_ref()?;
        let is_timecode = start.is_integer() && *start != whole(0) && !self.is_numbered;
        is_timecode.then(|| Frame(floor(start)))
    }

    /// Tells whether anything says where the take's timecode starts.
    fn told(&self) -> bool {
        self.container.or(self.log).or(self.timeline()).is_some()
    }

    fn chosen(&self, trust: &[TimecodeTrust]) -> Frame {
        trust
            .iter()
            .find_map(|source| match source {
                TimecodeTrust::Container => self.container,
                TimecodeTrust::Log => self.log,
                TimecodeTrust::Timeline => self.timeline(),
            })
            .unwrap_or_default()
    }

    /// Returns the clip frame (in media frames) of file frame 0 if `available_range` fits
    /// the file and the used frames then lie in it.
    fn available_fits(&self, media: &MediaInfo, reading: &Reading) -> Option<Exact> {
        let (start, length) = self.available.as_ref()?;
        let same_length = {
            let off = length - whole(i64::try_from(media.frames).unwrap_or(i64::MAX));
            off <= whole(1) && off >= whole(-1)
        };
        let at_timecode = self.container.is_some_and(|tag| whole(tag.0) == *start);
        if !(at_timecode || same_length || *start == whole(0)) {
            return None;
        }
        // A host may wrap its media time at midnight as labels wrap.
        let next_day = start - whole(reading.counting.frames_in_day());
        let today = reading.overlaps(start).then(|| start.clone());
        today.or_else(|| (at_timecode && reading.overlaps(&next_day)).then_some(next_day))
    }

    fn disagreement(&self, counting: Counting, tolerance: u32) -> Option<Reason> {
        let named = [
            ("the media file", self.container),
            ("the log", self.log),
            ("the timeline", self.timeline()),
        ];
        let said: Vec<(&str, Frame)> =
            named.iter().filter_map(|(who, frame)| frame.map(|frame| (*who, frame))).collect();
        let (_, first) = said.first()?;
        let day = counting.frames_in_day();
        let apart = |frame: Frame| {
            let off = (frame.0 - first.0).rem_euclid(day);
            off.min(day - off)
        };
        let farthest = said.iter().map(|(_, frame)| apart(*frame)).max()?;
        if farthest <= i64::from(tolerance) {
            return None;
        }
        let list: Vec<String> =
            said.iter().map(|(who, frame)| format!("{who} {}", counting.label(*frame))).collect();
        Some(
            Reason::new(
                Code::StartTimecodeDisagrees,
                Severity::Attention,
                format!("The start timecodes disagree by {farthest} frames: {}.", list.join(", ")),
            )
            .measured(farthest as f64, "frames", Some(f64::from(tolerance))),
        )
    }
}

/// The used span in media frames held against a file.
struct Reading {
    span: (Exact, Exact),
    frames: u64,
    start: Frame,
    counting: Counting,
}

impl Reading {
    fn file_span(&self, zero: &Exact) -> (Exact, Exact) {
        (&self.span.0 - zero, &self.span.1 - zero)
    }

    fn is_inside(&self, zero: &Exact) -> bool {
        let (start, end) = self.file_span(zero);
        start >= whole(0) && end <= whole(i64::try_from(self.frames).unwrap_or(i64::MAX))
    }

    fn overlaps(&self, zero: &Exact) -> bool {
        let (start, end) = self.file_span(zero);
        end > whole(0) && start < whole(i64::try_from(self.frames).unwrap_or(i64::MAX))
    }

    /// Decides between take time and file time.
    fn zero_in_clip(&self, used: &Use, media: &MediaInfo) -> Result<Exact, Box<Reason>> {
        let mut readings = vec![whole(self.start.0), whole(0)];
        readings.dedup();
        for fits in [Reading::is_inside, Reading::overlaps] {
            let kept: Vec<&Exact> = readings.iter().filter(|zero| fits(self, zero)).collect();
            match kept.as_slice() {
                [] => {}
                [zero] => return Ok((*zero).clone()),
                _ => {
                    return Err(Box::new(self.undecided(
                        used,
                        media,
                        "both as timecode and as file frames",
                    )));
                }
            }
        }
        Err(Box::new(self.undecided(used, media, "neither as timecode nor as file frames")))
    }

    fn undecided(&self, used: &Use, media: &MediaInfo, how: &str) -> Reason {
        let range = used.used_in_clip.unwrap_or_default();
        Reason::new(
            Code::StartTimecodeDisagrees,
            Severity::Stop,
            format!(
                "The cut uses {range}; {} holds {} frames from {}: the range fits {how}.",
                media.name,
                self.frames,
                self.counting.label(self.start),
            ),
        )
    }
}
