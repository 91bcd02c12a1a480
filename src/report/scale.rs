//! From frames to places on the page, in whole tenths of a drawing unit: no rounding of
//! doubles decides a byte of the drawing.

use super::clock::TakeClock;
use crate::time::{Counting, Frame, FrameRange};

/// A length or place in tenths of a drawing unit, written `12.5`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Place(pub(super) i64);

impl std::fmt::Display for Place {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let sign = if self.0 < 0 { "-" } else { "" };
        let (whole, tenth) = (self.0.unsigned_abs() / 10, self.0.unsigned_abs() % 10);
        if tenth == 0 { write!(f, "{sign}{whole}") } else { write!(f, "{sign}{whole}.{tenth}") }
    }
}

/// Lays a range of frames over a stretch of the page.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scale {
    pub(super) range: FrameRange,
    /// Left end, in drawing units.
    pub(super) left: i64,
    /// Width, in drawing units.
    pub(super) width: i64,
}

/// The narrowest a run of frames is drawn, in tenths, so that one frame of a long take
/// still shows.
const NARROWEST: i64 = 20;

impl Scale {
    fn frames(&self) -> i128 {
        i128::from(self.range.count().0.max(1))
    }

    /// Returns where a frame begins; frames outside the range sit on its ends.
    pub(super) fn x(&self, frame: Frame) -> Place {
        let into = i128::from(frame.0) - i128::from(self.range.start.0);
        let into = into.clamp(0, self.frames());
        let tenths = into * i128::from(self.width) * 10 / self.frames();
        Place(self.left * 10 + tenths as i64)
    }

    /// Returns the place of the middle of a frame.
    pub(super) fn middle(&self, frame: Frame) -> Place {
        let next = Frame(frame.0.saturating_add(1));
        Place((self.x(frame).0 + self.x(next).0) / 2)
    }

    /// Returns left end and width of a run of frames, or `None` if none of it is in range.
    pub(super) fn run(&self, run: FrameRange) -> Option<(Place, Place)> {
        let seen = self.range.overlap(run)?;
        let (from, to) = (self.x(seen.start), self.x(seen.end));
        let width = (to.0 - from.0).max(NARROWEST);
        let last = (self.left + self.width) * 10;
        Some((Place(from.0.min(last - width)), Place(width)))
    }

    /// Returns the drawing units between marks `frames` apart, rounded down.
    fn units(&self, frames: i64) -> i64 {
        (i128::from(frames) * i128::from(self.width) / self.frames()).min(1 << 40) as i64
    }
}

/// One mark of a tape.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Tick {
    pub(super) frame: Frame,
    /// The label of a long mark; short marks have none.
    pub(super) label: Option<String>,
}

/// Space a labelled mark takes, in drawing units: eleven figures and air.
const LABEL_SPACE: i64 = 96;
/// The least space between two marks.
const MARK_SPACE: i64 = 8;
/// More marks than this never fit on a tape; a guard, not a choice.
const MOST_TICKS: usize = 400;

/// Distances between marks: labels within a second, then whole seconds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Step {
    Labels(u32),
    Seconds(i64),
}

/// Returns the marks of a tape in order: on round labels where there is timecode (drop-frame
/// marks sit where the label is, not where a count of frames would put them), else on round
/// frame numbers.
pub(super) fn ticks(scale: &Scale, clock: TakeClock, hash: &str) -> Vec<Tick> {
    match clock.counting() {
        Some(counting) => timecode_ticks(scale, counting),
        None => number_ticks(scale, clock.zero(), hash),
    }
}

fn number_ticks(scale: &Scale, zero: i64, hash: &str) -> Vec<Tick> {
    let steps: Vec<i64> =
        (0..12).flat_map(|power| [1, 2, 5].map(|digit| digit * 10i64.pow(power))).collect();
    let fits = |step: &&i64, space: i64| scale.units(**step) >= space;
    let Some(long) = steps.iter().find(|step| fits(step, LABEL_SPACE * 2 / 3)) else {
        return Vec::new();
    };
    let short = steps.iter().find(|step| fits(step, MARK_SPACE) && long % **step == 0);
    let short = short.unwrap_or(long);
    let first = scale.range.start.0.saturating_sub(zero).div_euclid(*short).saturating_mul(*short);
    let mut marks = Vec::new();
    let mut number = first;
    while marks.len() < MOST_TICKS {
        let frame = Frame(number.saturating_add(zero));
        if frame > scale.range.end {
            break;
        }
        if frame >= scale.range.start {
            let label = (number % long == 0).then(|| format!("{hash}{number}"));
            marks.push(Tick { frame, label });
        }
        number = number.saturating_add(*short);
    }
    marks
}

fn timecode_ticks(scale: &Scale, counting: Counting) -> Vec<Tick> {
    let steps = steps(counting);
    let frames = |step: Step| match step {
        Step::Labels(labels) => i64::from(labels) * i64::from(counting.frames_per_label()),
        Step::Seconds(seconds) => seconds * i64::from(counting.rate().nominal()),
    };
    let fits = |step: Step, space: i64| scale.units(frames(step)) >= space;
    let Some(long) = steps.iter().copied().find(|step| fits(*step, LABEL_SPACE)) else {
        return Vec::new();
    };
    let divides = |step: Step| frames(long) % frames(step) == 0;
    let short = steps.iter().copied().find(|step| fits(*step, MARK_SPACE) && divides(*step));
    let labelled = marks_at(scale, counting, long);
    let mut marks: Vec<Tick> = marks_at(scale, counting, short.unwrap_or(long))
        .into_iter()
        .map(|frame| {
            let label = labelled.contains(&frame).then(|| counting.label(frame));
            Tick { frame, label }
        })
        .collect();
    marks.sort_by_key(|tick| tick.frame);
    marks
}

fn steps(counting: Counting) -> Vec<Step> {
    let base = counting.base();
    let within = [1, 2, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30];
    let seconds = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 21_600, 86_400];
    let labels = within.into_iter().filter(|step| *step < base && base.is_multiple_of(*step));
    labels.map(Step::Labels).chain(seconds.map(Step::Seconds)).collect()
}

/// The frames in range that stand on multiples of a step.
fn marks_at(scale: &Scale, counting: Counting, step: Step) -> Vec<Frame> {
    let every = if let Step::Seconds(seconds) = step { seconds } else { 1 };
    let labels = if let Step::Labels(labels) = step { labels } else { counting.base() };
    let first = second_of(counting, scale.range.start).div_euclid(every).saturating_mul(every);
    let mut frames = Vec::new();
    for at in 0..MOST_TICKS as i64 {
        let second = first.saturating_add(at.saturating_mul(every));
        for label in (0..counting.base()).step_by(labels as usize) {
            let Some(frame) = frame_of(counting, second, label) else { continue };
            if frame > scale.range.end || frames.len() == MOST_TICKS {
                return frames;
            }
            if frame >= scale.range.start {
                frames.push(frame);
            }
        }
    }
    frames
}

/// The whole second of the label a frame has, counted on past midnight.
fn second_of(counting: Counting, frame: Frame) -> i64 {
    let label = counting.label(frame);
    let mut fields = label.split([':', ';']).map(|field| field.parse::<i64>().unwrap_or(0));
    let mut next = || fields.next().unwrap_or(0);
    let in_day = next() * 3600 + next() * 60 + next();
    frame.0.div_euclid(counting.frames_in_day()) * 86_400 + in_day
}

/// The frame of a label; the first label of a second that drop-frame leaves out is the
/// first it keeps.
fn frame_of(counting: Counting, second: i64, label: u32) -> Option<Frame> {
    let (day, rest) = (second.div_euclid(86_400), second.rem_euclid(86_400));
    let sign = if counting.is_drop() { ';' } else { ':' };
    let text = |label: u32| {
        format!("{:02}:{:02}:{:02}{sign}{label:02}", rest / 3600, rest / 60 % 60, rest % 60)
    };
    let kept = if label == 0 { [0, 2, 4].as_slice() } else { &[label] };
    let frame = kept.iter().find_map(|label| counting.frame(&text(*label)).ok())?;
    Some(Frame(frame.0.saturating_add(day.saturating_mul(counting.frames_in_day()))))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Rate;

    fn scale(from: i64, to: i64) -> Scale {
        Scale { range: FrameRange::new(from, to), left: 100, width: 900 }
    }

    #[test]
    fn places_are_exact_tenths() {
        assert_eq!(Place(125).to_string(), "12.5");
        assert_eq!(Place(-5).to_string(), "-0.5");
        assert_eq!(scale(0, 9).x(Frame(3)), Place(4000));
        assert_eq!(scale(0, 9).x(Frame(99)), Place(10_000));
        let long = scale(0, 1_000_000).run(FrameRange::new(999_999, 1_000_000));
        assert_eq!(long, Some((Place(9980), Place(20))));
    }

    #[test]
    fn drop_frame_marks_stand_on_labels() {
        let ntsc = Counting::new(Rate::new(30000, 1001).expect("positive"), true);
        let marks = timecode_ticks(&scale(1700, 2000), ntsc);
        let labels: Vec<String> = marks.into_iter().filter_map(|tick| tick.label).collect();
        // SMPTE ST 12-1: 00:01:00;00 and ;01 do not exist, ;02 is the first of its minute.
        assert!(labels.contains(&"00:01:00;02".to_string()), "{labels:?}");
        assert!(
            labels.iter().all(|label| label.ends_with(";00")
                || label.ends_with(";02")
                || label.ends_with(";15")),
            "{labels:?}"
        );
    }

    #[test]
    fn no_span_makes_labels_collide_or_hangs() {
        for (num, den) in [(24, 1), (24000, 1001), (25, 1), (60000, 1001)] {
            let counting = Counting::new(Rate::new(num, den).expect("positive"), false);
            for frames in [1, 7, 48, 1000, 90_000, 8_000_000, i64::MAX / 8] {
                let scale = scale(86_000, 86_000 + frames);
                let marks = timecode_ticks(&scale, counting);
                let long: Vec<i64> = marks
                    .iter()
                    .filter(|tick| tick.label.is_some())
                    .map(|tick| scale.x(tick.frame).0)
                    .collect();
                assert!(
                    long.windows(2).all(|two| two[1] - two[0] >= 10 * 90),
                    "{frames}: {long:?}"
                );
            }
        }
        assert!(number_ticks(&scale(i64::MIN / 2, i64::MAX / 2), 0, "#").len() <= MOST_TICKS);
    }
}
