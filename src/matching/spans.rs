//! When a record's take ran, and whether a use's time fits it.

use super::TimeClue;
use crate::platelog::{Record, Report, TakeClock, take_frame, take_range};
use crate::settings::{OutPoint, Settings};
use crate::time::{Counting, Frame, FrameRange, FrameShift, Rate, joined};

/// A use this far from all that was noted of a take shows another one, in seconds; ours:
/// camera cards cut recordings long before an hour.
const FAR_S: i64 = 3600;

/// How long before and behind the sound of a take its cameras may have rolled, in seconds;
/// ours.
const AROUND_S: i64 = 60;

/// How much of a take a record's times bound.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Bounds {
    /// Start and end.
    Take,
    /// The start only.
    Start,
    /// Only ranges somewhere within it.
    Within,
    /// When its sound ran.
    Sound,
}

/// When a record's take ran, on the take clock at `rate`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Span {
    pub range: FrameRange,
    pub bounds: Bounds,
    pub counting: Counting,
    pub tolerance: i64,
}

/// What a use's time says about a record.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum TimeSays {
    Nothing,
    Overlaps,
    Contradicts(String),
}

/// Returns when a record's take ran, read at its own rate or else at `rate`.
pub(super) fn span_at(record: &Record, rate: Rate, settings: &Settings) -> Option<Span> {
    let rate = record.rate.unwrap_or(rate);
    let clock = TakeClock::at(record, rate, settings.out);
    let noted = record.ranges().filter_map(|range| take_range(range, &clock).ok()).reduce(joined);
    let (range, bounds) = match (clock.start, record.end.as_ref()) {
        (Some(start), Some(end)) => {
            let bounds =
                if record.report == Some(Report::Sound) { Bounds::Sound } else { Bounds::Take };
            let inclusive = i64::from(settings.out == OutPoint::Inclusive);
            let end = take_frame(end, &clock).ok()? + FrameShift(inclusive);
            (FrameRange { start, end: end.max(start) }, bounds)
        }
        (Some(start), None) => {
            let one = FrameRange { start, end: start + FrameShift(1) };
            let all = noted.map_or(one, |noted| joined(one, noted));
            (FrameRange { start, end: all.end }, Bounds::Start)
        }
        _ => (noted?, Bounds::Within),
    };
    let tolerance = i64::from(record.tolerance.unwrap_or(settings.claim_tolerance_frames));
    Some(Span { range, bounds, counting: clock.counting, tolerance })
}

impl Span {
    /// Returns the span in whole seconds of its labels' day, both ends included.
    pub fn seconds(&self) -> (i64, i64) {
        let rate = self.counting.rate();
        let second = |frame: Frame| seconds(frame.0, rate);
        (second(self.range.start), second(self.range.end))
    }

    /// Tells whether a use's frames meet the span's, on whichever day.
    pub fn overlaps(&self, time: &TimeClue, shift: i64) -> bool {
        let (span, used) = self.beside(time, shift);
        self.nearest(span, used) == 0
    }

    /// Returns the span's frames and the use's on one clock.
    fn beside(&self, time: &TimeClue, shift: i64) -> (FrameRange, FrameRange) {
        let used = to_rate(time.range, time.rate, self.counting.rate());
        (self.range.shifted(FrameShift(shift)), used)
    }

    /// Returns the gap between them on the day on which it is least.
    fn nearest(&self, span: FrameRange, used: FrameRange) -> i64 {
        let day = self.counting.frames_in_day();
        let gaps = [-day, 0, day].map(|days| gap(span, used.shifted(FrameShift(days))));
        gaps.into_iter().min_by_key(|gap| gap.unsigned_abs()).unwrap_or(0)
    }

    /// Tells what a use's time says. `shift` is the roll's constant offset in frames.
    pub fn against(&self, time: &TimeClue, shift: i64) -> TimeSays {
        let (span, used) = self.beside(time, shift);
        let second = i64::from(self.counting.rate().nominal());
        let nearest = self.nearest(span, used);
        if nearest == 0 {
            return TimeSays::Overlaps;
        }
        if nearest.unsigned_abs() <= self.tolerance.unsigned_abs() {
            return TimeSays::Nothing;
        }
        // Counted from the file's first frame, the same numbers mean another time.
        let length = match self.bounds {
            Bounds::Take => self.tolerance.saturating_add_unsigned(span.count().0),
            Bounds::Start | Bounds::Within | Bounds::Sound => FAR_S * second,
        };
        let in_file = used.start.0 >= 0 && used.end.0 <= length;
        if !time.is_take_time && in_file {
            return TimeSays::Nothing;
        }
        let far = nearest.unsigned_abs() > (FAR_S * second).unsigned_abs();
        let contradicts = match self.bounds {
            Bounds::Take => true,
            Bounds::Start => nearest < 0 || far,
            Bounds::Within => far,
            Bounds::Sound => nearest.unsigned_abs() > (AROUND_S * second).unsigned_abs(),
        };
        if !contradicts {
            return TimeSays::Nothing;
        }
        let label = |frame: Frame| self.counting.label(frame);
        TimeSays::Contradicts(format!(
            "its timecode {}-{} is not in the record's {}-{}",
            label(used.start),
            label(used.end),
            label(span.start),
            label(span.end)
        ))
    }
}

/// Frames between a use and a span: 0 if they overlap, negative if the use is earlier.
fn gap(span: FrameRange, used: FrameRange) -> i64 {
    if used.overlap(span).is_some() {
        0
    } else if used.start >= span.end {
        used.start.0.saturating_sub(span.end.0).saturating_add(1)
    } else {
        used.end.0.saturating_sub(span.start.0).saturating_sub(1)
    }
}

/// Brings frames to another rate by their labels: second for second, as timecode counts.
fn to_rate(range: FrameRange, from: Rate, to: Rate) -> FrameRange {
    let (from, to) = (i128::from(from.nominal()), i128::from(to.nominal()));
    if from == to {
        return range;
    }
    let scaled = |frame: i64, up: i128| {
        i64::try_from((i128::from(frame) * to + up).div_euclid(from)).unwrap_or(if frame < 0 {
            i64::MIN / 4
        } else {
            i64::MAX / 4
        })
    };
    FrameRange::new(scaled(range.start.0, 0), scaled(range.end.0, from - 1))
}

/// Returns the second of a frame as its rate counts.
pub(super) fn seconds(frame: i64, rate: Rate) -> i64 {
    frame.div_euclid(i64::from(rate.nominal()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::platelog::Point;

    fn span(start: &str, end: &str, tolerance: u32) -> Span {
        let label = |text: &str| Some(Point::Timecode(text.into()));
        let record = Record {
            rate: Rate::new(24, 1),
            start: label(start),
            end: label(end),
            tolerance: Some(tolerance),
            ..Record::default()
        };
        let rate = Rate::new(24, 1).expect("positive");
        span_at(&record, rate, &Settings::default()).expect("times")
    }

    fn time(start: i64, end: i64, is_take_time: bool) -> TimeClue {
        let rate = Rate::new(24, 1).expect("positive");
        TimeClue { range: FrameRange::new(start, end), rate, is_take_time }
    }

    #[test]
    fn a_use_in_the_take_overlaps_and_one_outside_contradicts() {
        let take = span("01:00:00:00", "01:02:00:00", 0);
        assert_eq!(take.against(&time(86_500, 86_600, true), 0), TimeSays::Overlaps);
        assert_eq!(
            take.against(&time(100_000, 100_024, true), 0),
            TimeSays::Contradicts(
                "its timecode 01:09:26:16-01:09:27:16 is not in the record's \
                 01:00:00:00-01:02:00:00"
                    .into()
            )
        );
        assert_eq!(take.against(&time(100_000, 100_024, true), 13_000), TimeSays::Overlaps);
    }

    #[test]
    fn media_time_from_zero_contradicts_nothing() {
        let take = span("01:00:00:00", "01:02:00:00", 0);
        assert_eq!(take.against(&time(100, 200, false), 0), TimeSays::Nothing);
        assert!(matches!(take.against(&time(100, 200, true), 0), TimeSays::Contradicts(_)));
        assert!(matches!(take.against(&time(9000, 9100, false), 0), TimeSays::Contradicts(_)));
    }

    #[test]
    fn past_midnight_the_labels_of_the_next_day_fit() {
        let take = span("23:59:00:00", "00:01:00:00", 0);
        assert_eq!(take.range.count().0, 120 * 24);
        assert_eq!(take.against(&time(24, 48, true), 0), TimeSays::Overlaps);
        assert_eq!(take.against(&time(2_073_600 + 24, 2_073_648, true), 0), TimeSays::Overlaps);
    }

    #[test]
    fn a_use_within_tolerance_is_not_held_against_the_take() {
        let take = span("01:00:00:00", "01:02:00:00", 48);
        assert_eq!(take.against(&time(86_360, 86_370, true), 0), TimeSays::Nothing);
    }

    #[test]
    fn rates_of_one_label_second_compare_by_label() {
        let range = FrameRange::new(25, 51);
        let (pal, fast) = (Rate::new(25, 1), Rate::new(50, 1));
        let (pal, fast) = pal.zip(fast).expect("positive");
        assert_eq!(to_rate(range, pal, fast), FrameRange::new(50, 102));
        assert_eq!(to_rate(FrameRange::new(50, 101), fast, pal), FrameRange::new(25, 51));
    }
}
