//! One entry of one log while it is read: each value is held against the entry's own rate
//! and take before it is kept, and a value with a fault is left out with its place said.

use super::points::{ORDER_OF_DAY, label_fault, label_order};
use super::{Origins, PlateKind, PlateNote, Point, PointRange, Record, Unusable, Wrong};
use super::{cells, cells::QUOTED};
use crate::error::{BadInput, shown};
use crate::settings::{OutPoint, Settings};
use crate::time::{Rate, TimecodeFault};

/// A log that is being read.
pub(super) struct Source<'a> {
    /// The file as the user named it, for faults.
    pub name: &'a str,
    /// The file as origins name it.
    pub label: &'a str,
    /// What out points mean.
    pub settings: &'a Settings,
}

/// One record as one log has it.
#[derive(Debug, Clone)]
pub(super) struct Entry {
    /// The file as the user named it.
    pub file: String,
    /// Its place in the file: `row 14`, `/records/3`.
    pub place: String,
    /// What was read; boxed, since entries are moved from list to list and records are
    /// large.
    pub record: Box<Record>,
}

/// Fills a record and gathers the faults of its values.
pub(super) struct Filling<'a, 'f> {
    source: &'a Source<'a>,
    faults: &'f mut Vec<BadInput>,
    /// The record so far. Rate, start and end come first: the rest is held against them.
    pub record: Record,
    place: String,
}

impl<'a, 'f> Filling<'a, 'f> {
    /// Begins a record of so many keys at a place of its log.
    pub fn new(
        source: &'a Source<'a>,
        place: &str,
        keys: usize,
        faults: &'f mut Vec<BadInput>,
    ) -> Self {
        let origin = Origins::with_room(keys + 1);
        let mut record = Record { origin, ..Record::default() };
        record.origin.insert("record", format!("{}, {place}", source.label).into());
        Filling { source, faults, record, place: place.to_string() }
    }

    /// Ends the record.
    pub fn done(self) -> Entry {
        let record = Box::new(self.record);
        Entry { file: self.source.name.to_string(), place: self.place, record }
    }

    /// Notes a fault.
    pub fn wrong(&mut self, place: &str, wrong: Wrong) {
        self.faults.push(BadInput::new(self.source.name, place, wrong.fault, wrong.remedy));
    }

    /// Notes where a key's value was read.
    pub fn came_from(&mut self, key: &str, place: &str) {
        let here = self.record.origin.get("record").filter(|_| place == self.place).cloned();
        let place = here.unwrap_or_else(|| format!("{}, {place}", self.source.label).into());
        self.record.origin.insert(key, place);
    }

    /// Sets a key; if nothing of a value with a fault was kept, it came from nowhere.
    pub fn settled(&mut self, key: &str, set: impl FnOnce(&mut Self)) {
        let before = self.faults.len();
        set(self);
        if self.faults.len() > before && super::write::value_of(&self.record, key).is_none() {
            self.record.origin.remove(key);
        }
    }

    /// Keeps a value, or notes its fault.
    pub fn kept<T>(&mut self, place: &str, said: Result<T, Wrong>) -> Option<T> {
        said.map_err(|wrong| self.wrong(place, wrong)).ok()
    }

    /// Sets a key that holds plain text.
    pub fn text(&mut self, key: &str, text: &str) {
        let value = Some(text.trim().to_string()).filter(|text| !text.is_empty());
        let record = &mut self.record;
        match key {
            "id" => record.id = value,
            "scene" => record.scene = value,
            "slate" => record.slate = value,
            "take" => record.take = value,
            "camera" => record.camera = value,
            "roll" => record.roll = value,
            "clip" => record.clip = value,
            "media" => record.media = value,
            "date" => record.date = value,
            "remarks" => record.remarks = value,
            "agreed_by" => record.agreed_by = value,
            _ => {}
        }
    }

    /// Sets start or end of the take, once its rate is known.
    pub fn bound(&mut self, key: &str, place: &str, text: &str) {
        let rate = self.record.rate;
        let said = cells::point(text).and_then(|point| checked_point(point, rate, ""));
        let Some(point) = self.kept(place, said) else { return };
        if key == "start" {
            self.record.start = Some(point);
            return;
        }
        let backward = self
            .record
            .start
            .as_ref()
            .and_then(|start| out_of_order(start, &point, self.source.settings.out));
        match backward {
            Some(how) => self.wrong(place, how.said("end", "start")),
            None => self.record.end = Some(point),
        }
    }

    /// Sets the lock-offs or the boom spans.
    pub fn ranges(&mut self, key: &str, said: Vec<(String, Result<PointRange, Wrong>)>) {
        // Most cells hold one range; a list that grows by itself begins with room for four.
        match key {
            "lock_off" => self.record.lock_off.reserve_exact(said.len()),
            _ => self.record.boom.reserve_exact(said.len()),
        }
        for (place, said) in said {
            let said = said.and_then(|range| self.checked(range, ""));
            if let Some(range) = self.kept(&place, said) {
                match key {
                    "lock_off" => self.record.lock_off.push(range),
                    _ => self.record.boom.push(range),
                }
            }
        }
    }

    /// Sets the plates.
    pub fn plates(&mut self, said: Vec<(String, Result<PlateNote, Wrong>)>) {
        self.record.plates.reserve_exact(said.len());
        for (place, said) in said {
            let said = said.and_then(|plate| self.checked_plate(plate));
            if let Some(plate) = self.kept(&place, said) {
                self.record.plates.push(plate);
            }
        }
    }

    /// Sets the frames not to be used.
    pub fn unusable(&mut self, said: Vec<(String, Result<Unusable, Wrong>)>) {
        for (place, said) in said {
            let said = said.and_then(|unusable| {
                let range = self.checked(unusable.range, "")?;
                Ok(Unusable { range, ..unusable })
            });
            if let Some(unusable) = self.kept(&place, said) {
                self.record.unusable.push(unusable);
            }
        }
    }

    fn checked_plate(&self, plate: PlateNote) -> Result<PlateNote, Wrong> {
        let Some(range) = plate.range else { return Ok(plate) };
        let or = ", or delete the row if no plate was rolled";
        let range = if plate.kind == Some(PlateKind::Take) {
            // A take of its own has its own times.
            self.checked_order(range, or)?
        } else {
            self.checked(range, or)?
        };
        Ok(PlateNote { range: Some(range), ..plate })
    }

    fn checked_order(&self, range: PointRange, or: &str) -> Result<PointRange, Wrong> {
        let start = checked_point(range.start, self.record.rate, or)?;
        let end = checked_point(range.end, self.record.rate, or)?;
        match out_of_order(&start, &end, self.source.settings.out) {
            Some(how) => Err(how.said("out point", "in point")),
            None => Ok(PointRange { start, end }),
        }
    }

    /// Holds a range against labels, order and the take it should lie in.
    fn checked(&self, range: PointRange, or: &str) -> Result<PointRange, Wrong> {
        let range = self.checked_order(range, or)?;
        let take = self.record.start.as_ref().zip(self.record.end.as_ref());
        let Some((start, end)) = take else { return Ok(range) };
        if !outside(&range, start, end) {
            return Ok(range);
        }
        let [start, end] = [start, end].map(|point| String::from(point.clone()));
        Err(Wrong::new(
            format!("\"{}\" lies outside the take, {start}-{end}", cells::range_text(&range)),
            "correct the hour or minute, or the take's start and end",
        ))
    }
}

/// Refuses labels that do not exist at the rate, or at any rate if none is noted.
fn checked_point(point: Point, rate: Option<Rate>, or: &str) -> Result<Point, Wrong> {
    match &point {
        Point::FileFrame(number) if *number < 0 => Err(Wrong::new(
            format!("\"#{number}\" is before the file's first frame"),
            "count file frames from #0",
        )),
        Point::FileFrame(_) => Ok(point),
        Point::Timecode(label) => match label_fault(label, rate) {
            None => Ok(point),
            Some(fault) => Err(Wrong::new(
                format!("\"{}\" is not a timecode: {fault}", shown(label, QUOTED)),
                format!("{}{or}", timecode_remedy(&fault, label)),
            )),
        },
    }
}

fn timecode_remedy(fault: &TimecodeFault, label: &str) -> String {
    match fault {
        TimecodeFault::Form => "write HH:MM:SS:FF, or # and a file frame".into(),
        TimecodeFault::Field { field: "frames", .. } => "correct the frames, or the rate".into(),
        TimecodeFault::Field { field, .. } => format!("correct the {field}"),
        TimecodeFault::Dropped { dropped } => {
            let next = label.char_indices().rev().find(|(_, letter)| !letter.is_ascii_digit());
            let next = next.map_or("", |(at, sign)| &label[..at + sign.len_utf8()]);
            format!("use the next label there is, {next}{dropped:02}")
        }
        TimecodeFault::NoDropHere { .. } => {
            "write a colon before the frames, or correct the rate".into()
        }
    }
}

/// How two points are out of order.
enum OutOfOrder {
    Backward(String, String),
    Empty(String),
}

impl OutOfOrder {
    fn said(self, later: &str, earlier: &str) -> Wrong {
        match self {
            OutOfOrder::Backward(end, start) => Wrong::new(
                format!("{later} {end} is before {earlier} {start}"),
                format!("exchange the two, or correct the {later}"),
            ),
            OutOfOrder::Empty(at) => Wrong::new(
                format!("{earlier} and {later} are both {at}, which holds no frame"),
                format!(
                    "write the frame after the last as {later}, or set out = \"inclusive\" \
                     if the log notes the last good frame"
                ),
            ),
        }
    }
}

/// Tells how two points are out of order, if they are. A later point that reads at least
/// twelve hours less is past midnight: no take is that long.
fn out_of_order(start: &Point, end: &Point, out: OutPoint) -> Option<OutOfOrder> {
    let (from, to, day) = match (start, end) {
        (Point::FileFrame(from), Point::FileFrame(to)) => (*from, *to, None),
        (Point::Timecode(from), Point::Timecode(to)) => {
            (label_order(from)?, label_order(to)?, Some(ORDER_OF_DAY))
        }
        // One kind against the other needs the file.
        _ => return None,
    };
    let text = |point: &Point| String::from(point.clone());
    if to < from && day.is_none_or(|day| from - to < day / 2) {
        return Some(OutOfOrder::Backward(text(end), text(start)));
    }
    (to == from && out == OutPoint::Exclusive).then(|| OutOfOrder::Empty(text(start)))
}

/// Tells whether a range of labels has no label in common with its take's.
fn outside(range: &PointRange, start: &Point, end: &Point) -> bool {
    let order = |point: &Point| match point {
        Point::Timecode(label) => label_order(label),
        Point::FileFrame(_) => None,
    };
    let found = (order(&range.start), order(&range.end), order(start), order(end));
    let (Some(a), Some(b), Some(start), Some(end)) = found else { return false };
    let after = |from: i64, to: i64| (to - from).rem_euclid(ORDER_OF_DAY);
    let (take, length) = (after(start, end), after(a, b));
    // Round the clock: it begins within the take, or the take begins within it.
    after(start, a) > take && after(a, start) > length
}

#[cfg(test)]
mod tests {
    use super::*;

    fn range(start: &str, end: &str) -> PointRange {
        let label = |text: &str| Point::Timecode(text.into());
        (label(start), label(end)).into()
    }

    #[test]
    fn a_range_before_or_after_its_take_is_outside_round_the_clock() {
        let start = Point::Timecode("23:58:00:00".into());
        let end = Point::Timecode("00:04:00:00".into());
        for (a, b, wanted) in [
            ("23:59:00:00", "23:59:30:00", false),
            ("23:59:00:00", "00:01:00:00", false),
            ("00:03:00:00", "00:05:00:00", false),
            ("23:57:00:00", "23:58:10:00", false),
            ("00:05:00:00", "00:06:00:00", true),
            ("23:56:00:00", "23:57:00:00", true),
        ] {
            assert_eq!(outside(&range(a, b), &start, &end), wanted, "{a}-{b}");
        }
    }

    #[test]
    fn only_a_long_way_back_is_past_midnight() {
        let order = |a: &str, b: &str| {
            let range = range(a, b);
            out_of_order(&range.start, &range.end, OutPoint::Exclusive).is_some()
        };
        assert!(!order("23:58:00:00", "00:04:00:00"));
        assert!(order("10:14:00:00", "10:12:00:00"));
        assert!(order("23:58:00:00", "23:57:00:00"));
        assert!(order("10:14:00:00", "10:14:00:00"), "no frame");
    }
}
