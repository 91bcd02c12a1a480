//! Frames said as people read them: timecode where there is one, `#N` where there is none.

use crate::findings::{CutSummary, UseFinding};
use crate::time::{Counting, Frame, FrameRange, Rate};

/// How the take frames of one use are labelled.
#[derive(Debug, Clone, Copy)]
pub(super) struct TakeClock {
    counting: Option<Counting>,
    file_start: Option<i64>,
}

impl TakeClock {
    /// Returns the clock of a use.
    ///
    /// The start label of the media tells whether it drops and, held against the take frame
    /// of file frame 0, whether its labels count in pairs. A file without timecode whose take
    /// frames are its file frames has no labels, and neither has a rate without timecode.
    pub(super) fn of(found: &UseFinding, cut: &CutSummary) -> TakeClock {
        let file_start = file_start(found);
        let rate = found.take_rate.or(found.media.as_ref().map(|media| media.rate));
        let counting = rate.filter(|rate| rate.is_standard()).and_then(|rate| {
            match found.media.as_ref().map(|media| media.start_timecode.as_deref()) {
                Some(Some(label)) => Some(counting_of(rate, label, file_start)),
                Some(None) if file_start == Some(0) => None,
                _ => Some(Counting::new(rate, rate == cut.rate && drops(cut))),
            }
        });
        TakeClock { counting, file_start }
    }

    /// Returns a clock whose labels are plain numbers that read 0 at take frame `zero`.
    pub(super) fn numbers(zero: i64) -> TakeClock {
        TakeClock { counting: None, file_start: Some(zero) }
    }

    /// Returns a clock with labels whose file frame 0 is take frame `start`.
    pub(super) fn counting_from(counting: Counting, start: i64) -> TakeClock {
        TakeClock { counting: Some(counting), file_start: Some(start) }
    }

    /// Returns how labels count, if there are any.
    pub(super) fn counting(self) -> Option<Counting> {
        self.counting
    }

    /// Returns the take frame whose file number is 0; 0 if the file is not known.
    pub(super) fn zero(self) -> i64 {
        self.file_start.unwrap_or(0)
    }

    /// Writes a take frame: `10:12:08:00`, or `#N` in file frames.
    pub(super) fn label(self, frame: Frame) -> String {
        match self.counting {
            Some(counting) => counting.label(frame),
            None => format!("#{}", frame.0.saturating_sub(self.zero())),
        }
    }

    /// Writes a range with its out point exclusive.
    pub(super) fn span(self, range: FrameRange) -> String {
        format!("{} to {}", self.label(range.start), self.label(range.end))
    }

    /// Returns a take range in file frames, if the file is known.
    pub(super) fn in_file(self, range: FrameRange) -> Option<FrameRange> {
        let zero = self.file_start?;
        Some(FrameRange::new(range.start.0.saturating_sub(zero), range.end.0.saturating_sub(zero)))
    }
}

/// The take frame of file frame 0, from any range that is known on both clocks.
fn file_start(found: &UseFinding) -> Option<i64> {
    let pairs =
        [(found.need_in_take, found.need_in_file), (found.used_in_take, found.used_in_file)];
    pairs.into_iter().find_map(|(take, file)| Some(take?.start.0.saturating_sub(file?.start.0)))
}

fn counting_of(rate: Rate, label: &str, file_start: Option<i64>) -> Counting {
    let plain = Counting::new(rate, label.contains(';'));
    let agrees = |counting: Counting| {
        let start = file_start.map(|frame| Frame(frame.rem_euclid(counting.frames_in_day())));
        start.is_some() && counting.frame(label).ok() == start
    };
    if !agrees(plain) && agrees(plain.in_pairs()) { plain.in_pairs() } else { plain }
}

fn drops(cut: &CutSummary) -> bool {
    cut.start_timecode.as_ref().is_some_and(|label| label.contains(';'))
}

/// Writes a cut frame: its record timecode if the cut has a start, else `#N` from 0.
pub(super) fn cut_label(cut: &CutSummary, frame: Frame) -> String {
    match cut_start(cut) {
        Some((counting, start)) => counting.label(Frame(start.0.saturating_add(frame.0))),
        None => format!("#{frame}"),
    }
}

/// How the cut's record timecode counts, and the frame of its first label.
pub(super) fn cut_start(cut: &CutSummary) -> Option<(Counting, Frame)> {
    let label = cut.start_timecode.as_ref()?;
    let counting = Some(cut.rate).filter(|rate| rate.is_standard())?;
    let counting = Counting::new(counting, drops(cut));
    Some((counting, counting.frame(label).ok()?))
}

/// Returns the clock of the cut with its first frame at record frame `start`.
pub(super) fn cut_clock(cut: &CutSummary) -> (TakeClock, i64) {
    match cut_start(cut) {
        Some((counting, start)) => {
            (TakeClock { counting: Some(counting), file_start: None }, start.0)
        }
        None => (TakeClock::numbers(0), 0),
    }
}
