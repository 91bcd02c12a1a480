//! From noted points to take frames: labels, file frames, midnight, out points.

use super::{Point, PointRange, Record};
use crate::settings::{OutPoint, Settings};
use crate::time::{Counting, Frame, FrameRange, FrameShift, Rate, TimecodeFault};

/// What is needed to turn a noted point into a frame of its take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TakeClock {
    /// How the take's labels count.
    pub counting: Counting,
    /// Take frame of file frame 0, if known.
    pub start: Option<Frame>,
    /// How out points are meant.
    pub out: OutPoint,
}

/// Why a point or range has no take frames.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PointFault {
    /// The label does not exist in this counting.
    #[error("\"{label}\" is not a timecode: {fault}")]
    Label {
        /// The label as noted.
        label: String,
        /// What is wrong with it.
        fault: TimecodeFault,
    },
    /// A file frame before the file.
    #[error("#{0} is before the file's first frame")]
    BeforeFile(i64),
    /// A file frame of a take whose start timecode is not known.
    #[error("#{0} cannot be placed: the take's start timecode is not known")]
    NoStart(i64),
    /// The out point comes before the in point.
    #[error("the out point {end} is before the in point {start}")]
    Backward {
        /// In point as noted.
        start: String,
        /// Out point as noted.
        end: String,
    },
    /// In and out point are the same, and out points are exclusive.
    #[error("in and out point are both {0}, which holds no frame")]
    Empty(String),
}

impl TakeClock {
    /// Makes the clock of a take; `start` is the take frame of file frame 0.
    pub fn new(counting: Counting, start: Option<Frame>, settings: &Settings) -> TakeClock {
        TakeClock { counting, start, out: settings.out }
    }

    /// Returns the clock a record itself describes, if it notes its rate.
    ///
    /// The start is the record's `start` label; a start noted as a file frame names none.
    pub fn of(record: &Record, settings: &Settings) -> Option<TakeClock> {
        let rate = record.rate?;
        Some(TakeClock::at(record, rate, settings.out))
    }

    /// Returns the clock of a record read at a given rate.
    pub fn at(record: &Record, rate: Rate, out: OutPoint) -> TakeClock {
        let counting = Counting::new(rate, record.notes_drop_frame());
        let start = match &record.start {
            Some(Point::Timecode(label)) => counting.frame(label).ok(),
            _ => None,
        };
        TakeClock { counting, start, out }
    }

    /// Returns the take frame nearest to the take's start that carries this label.
    ///
    /// Labels wrap at midnight, takes do not: of the frames a day apart that share a label
    /// it is the one from twelve hours before the start to twelve hours after it. So a
    /// label past midnight is the next day, and one noted a few seconds early is not.
    fn unwrapped(&self, frame: Frame) -> Frame {
        let Some(start) = self.start else { return frame };
        let day = self.counting.frames_in_day();
        let half = day / 2;
        let ahead = frame.0.saturating_sub(start.0).saturating_add(half).rem_euclid(day) - half;
        start + FrameShift(ahead)
    }
}

/// Returns the take frame of a noted point.
///
/// # Errors
///
/// A label that does not exist, or a file frame that cannot be placed.
pub fn take_frame(point: &Point, clock: &TakeClock) -> Result<Frame, PointFault> {
    match point {
        Point::Timecode(label) => clock
            .counting
            .frame(label)
            .map(|frame| clock.unwrapped(frame))
            .map_err(|fault| PointFault::Label { label: label.clone(), fault }),
        Point::FileFrame(number) if *number < 0 => Err(PointFault::BeforeFile(*number)),
        Point::FileFrame(number) => {
            clock.start.map(|start| start + FrameShift(*number)).ok_or(PointFault::NoStart(*number))
        }
    }
}

/// Returns the take frames of a noted range, half-open whatever its out point means.
///
/// A label past midnight is the next day's. Without a start, an out label at least twelve
/// hours below the in label is.
///
/// ```
/// # use platesmith::platelog::{Point, TakeClock, take_range};
/// # use platesmith::settings::Settings;
/// # use platesmith::time::{Counting, Frame, FrameRange, Rate};
/// let film = Counting::new(Rate::new(24, 1).unwrap(), false);
/// let clock = TakeClock::new(film, Some(Frame(2_073_000)), &Settings::default());
/// let label = |text: &str| Point::Timecode(text.into());
/// let noted = (label("23:59:59:00"), label("00:00:01:00")).into();
/// assert_eq!(take_range(&noted, &clock), Ok(FrameRange::new(2_073_576, 2_073_624)));
/// ```
///
/// # Errors
///
/// [`PointFault`] for points that cannot be placed, and for ranges without a frame.
pub fn take_range(range: &PointRange, clock: &TakeClock) -> Result<FrameRange, PointFault> {
    let start = take_frame(&range.start, clock)?;
    let mut end = take_frame(&range.end, clock)?;
    let day = clock.counting.frames_in_day();
    if end < start && start.0.saturating_sub(end.0) >= day / 2 {
        end = end + FrameShift(day);
    }
    if end < start {
        let [start, end] = [&range.start, &range.end].map(|point| String::from(point.clone()));
        return Err(PointFault::Backward { start, end });
    }
    if clock.out == OutPoint::Inclusive {
        end = end + FrameShift(frames_under(&range.end, clock.counting));
    }
    if end == start {
        return Err(PointFault::Empty(String::from(range.start.clone())));
    }
    Ok(FrameRange { start, end })
}

/// Returns how many frames a point names: both of a pair if the label says no more.
fn frames_under(point: &Point, counting: Counting) -> i64 {
    match point {
        Point::Timecode(label) if label.split([':', ';', '.', ',']).count() == 4 => {
            i64::from(counting.frames_per_label())
        }
        _ => 1,
    }
}

/// Says what is wrong with a label at a rate, or at any rate if none is known.
///
/// A recording of 48 frames a second and more may count its labels in pairs, so a label
/// that either counting has is a label.
pub(super) fn label_fault(label: &str, rate: Option<Rate>) -> Option<TimecodeFault> {
    let drop = has_drop_sign(label);
    let rates: Vec<Rate> = match rate {
        Some(rate) => vec![rate],
        // No label of ST 12-1 has more than three digits of frames; 29.97 and 59.94 are
        // the only rates that drop.
        None if drop => [(60000, 1001), (30000, 1001)]
            .into_iter()
            .filter_map(|(num, den)| Rate::new(num, den))
            .collect(),
        None => Rate::new(1000, 1).into_iter().collect(),
    };
    let mut first = None;
    for rate in rates {
        let counting = Counting::new(rate, drop);
        for counting in [counting, counting.in_pairs()] {
            match counting.frame(label) {
                Ok(_) => return None,
                Err(fault) => first = first.or(Some(fault)),
            }
        }
    }
    first
}

/// Tells whether a label is written as drop-frame.
pub(super) fn has_drop_sign(label: &str) -> bool {
    label.contains([';', ','])
        || label.matches(['.']).count() > usize::from(label.matches(':').count() == 3)
}

/// Returns a number that grows with the label whatever the rate, in half-milliseconds of
/// the day; `None` if the text is no label.
pub(super) fn label_order(label: &str) -> Option<i64> {
    let mut fields = label.split([':', ';', '.', ',']).map(|field| field.trim().parse::<i64>());
    let mut next = || fields.next().and_then(Result::ok).filter(|value| (0..1000).contains(value));
    let (h, m, s, f) = (next()?, next()?, next()?, next()?);
    Some((((h * 60 + m) * 60 + s) * 1000 + f) * 2 + next().unwrap_or(0).min(1))
}

/// One day in the unit of [`label_order`].
pub(super) const ORDER_OF_DAY: i64 = 24 * 3600 * 1000 * 2;

impl Record {
    /// Tells whether any label of the record is written as drop-frame; its other labels
    /// then count the same.
    pub fn notes_drop_frame(&self) -> bool {
        let drops = |point: &Point| matches!(point, Point::Timecode(label) if has_drop_sign(label));
        self.start.iter().chain(&self.end).any(drops)
            || self.ranges().any(|range| drops(&range.start) || drops(&range.end))
    }

    /// Returns every range noted within the take: lock-offs, plates but those of a take of
    /// their own, booms, unusable frames.
    pub fn ranges(&self) -> impl Iterator<Item = &PointRange> {
        let own = |plate: &&super::PlateNote| plate.kind != Some(super::PlateKind::Take);
        self.lock_off
            .iter()
            .chain(self.plates.iter().filter(own).filter_map(|plate| plate.range.as_ref()))
            .chain(&self.boom)
            .chain(self.unusable.iter().map(|unusable| &unusable.range))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clock(num: u32, den: u32, drop: bool, start: Option<i64>, out: OutPoint) -> TakeClock {
        let rate = Rate::new(num, den).expect("positive");
        TakeClock { counting: Counting::new(rate, drop), start: start.map(Frame), out }
    }

    fn range(start: &str, end: &str) -> PointRange {
        let point = |text: &str| Point::try_from(text.to_string()).expect("a point");
        (point(start), point(end)).into()
    }

    #[test]
    fn file_frames_count_from_the_start_timecode() {
        let film = clock(24, 1, false, Some(1000), OutPoint::Exclusive);
        assert_eq!(take_range(&range("#12", "#60"), &film), Ok(FrameRange::new(1012, 1060)));
        let unknown = TakeClock { start: None, ..film };
        assert_eq!(take_range(&range("#12", "#60"), &unknown), Err(PointFault::NoStart(12)));
    }

    #[test]
    fn an_inclusive_out_point_is_a_good_frame() {
        let film = clock(24, 1, false, None, OutPoint::Inclusive);
        let one = range("00:00:00:10", "00:00:00:10");
        assert_eq!(take_range(&one, &film), Ok(FrameRange::new(10, 11)));
        let exclusive = TakeClock { out: OutPoint::Exclusive, ..film };
        assert!(matches!(take_range(&one, &exclusive), Err(PointFault::Empty(_))));
    }

    #[test]
    fn an_inclusive_label_of_a_pair_holds_both_its_frames() {
        let mut pairs = clock(50, 1, false, None, OutPoint::Inclusive);
        pairs.counting = pairs.counting.in_pairs();
        let noted = range("00:00:00:10", "00:00:00:11");
        assert_eq!(take_range(&noted, &pairs), Ok(FrameRange::new(20, 24)));
        let first_only = range("00:00:00:10", "00:00:00:11.0");
        assert_eq!(take_range(&first_only, &pairs), Ok(FrameRange::new(20, 23)));
    }

    #[test]
    fn a_label_past_midnight_is_the_next_day() {
        let day = 2_073_600;
        let film = clock(24, 1, false, Some(day - 240), OutPoint::Exclusive);
        let after = range("00:00:01:00", "00:00:02:00");
        assert_eq!(take_range(&after, &film), Ok(FrameRange::new(day + 24, day + 48)));
    }

    #[test]
    fn a_label_just_before_the_start_is_not_the_next_day() {
        let film = clock(24, 1, false, Some(24 * 3600), OutPoint::Exclusive);
        let early = range("00:59:59:00", "01:00:02:00");
        assert_eq!(take_range(&early, &film), Ok(FrameRange::new(86_376, 86_448)));
        let at_midnight = clock(24, 1, false, Some(12), OutPoint::Exclusive);
        let early = range("23:59:59:00", "00:00:02:00");
        assert_eq!(take_range(&early, &at_midnight), Ok(FrameRange::new(-24, 48)));
    }

    #[test]
    fn drop_frame_labels_count_as_published() {
        // SMPTE ST 12-1: 00:00:59;29 is frame 1799 and 00:01:00;02 the next.
        let ntsc = clock(30000, 1001, true, None, OutPoint::Exclusive);
        let noted = range("00:00:59;28", "00:01:00;02");
        assert_eq!(take_range(&noted, &ntsc), Ok(FrameRange::new(1798, 1800)));
    }

    #[test]
    fn a_backward_range_is_said_with_both_points() {
        let film = clock(24, 1, false, Some(0), OutPoint::Exclusive);
        let fault = take_range(&range("10:14:00:00", "10:12:00:00"), &film).expect_err("backward");
        assert_eq!(
            fault.to_string(),
            "the out point 10:12:00:00 is before the in point 10:14:00:00"
        );
    }

    #[test]
    fn without_a_rate_only_the_impossible_is_refused() {
        assert!(label_fault("10:22:61:04", None).is_some());
        assert!(label_fault("10:22:59:99", None).is_none());
        assert!(label_fault("00:01:00;02", None).is_none(), "a label at 29.97");
        assert!(label_fault("00:01:00;01", None).is_some(), "a label at no rate");
        assert!(label_fault("10:00:00:30", Rate::new(24, 1)).is_some());
    }

    #[test]
    fn the_order_of_labels_needs_no_rate() {
        let order = |label| label_order(label).expect("a label");
        assert!(order("09:59:59:59") < order("10:00:00:00"));
        assert!(order("10:00:00;01") < order("10:00:00:02"));
        assert!(order("10:00:00:01") < order("10:00:00:01.1"));
        assert_eq!(label_order("10:00"), None);
    }
}
