//! From a record of the plate log to claims on the take clock of one use.

use super::{Claims, Clocks};
use crate::platelog::{
    PlateKind, PlateNote, PointRange, Record, Report, TakeClock, take_frame, take_range,
};
use crate::reason::{Code, Reason, Severity};
use crate::settings::Settings;
use crate::time::{Counting, Frame, FrameRange, union};

/// Reads what a record claims on the take clock of a use.
///
/// `logged_start` places points noted as file frames where no media tells the start.
/// Points that cannot be placed come back as reasons; faults in the log itself have been
/// reported when it was read.
pub fn claims_of(
    record: &Record,
    clocks: &Clocks,
    logged_start: Option<Frame>,
    settings: &Settings,
) -> (Claims, Vec<Reason>) {
    let clock = TakeClock::new(clocks.counting, clocks.file_start.or(logged_start), settings);
    let mut noted = Noted { clock, reasons: Vec::new() };
    // Start and end of sound are the recorder's: no camera's first frame.
    let bounds = record.report != Some(Report::Sound);
    let good: Vec<&PlateNote> = record.plates.iter().filter(|plate| plate.good).collect();
    let claims = Claims {
        take: clocks.file_in_take().or_else(|| noted.whole_take(record).filter(|_| bounds)),
        lock_off: noted.ranges("lock_off", &record.lock_off),
        plates: {
            let own = good.iter().filter(|plate| is_own(plate) && !is_mark(plate));
            let ranges: Vec<PointRange> = own.filter_map(|plate| plate.range.clone()).collect();
            union(&noted.ranges("plates", &ranges))
        },
        boom: union(&noted.ranges("boom", &record.boom)),
        unusable: {
            let ranges: Vec<PointRange> =
                record.unusable.iter().map(|no| no.range.clone()).collect();
            noted.ranges("unusable", &ranges)
        },
        no_boom: record.no_boom,
        near: {
            let marks = good.iter().filter(|plate| is_own(plate) && is_mark(plate));
            let near = |plate: &&PlateNote| {
                let room = u64::from(plate.tolerance.unwrap_or(0));
                let range = take_range(plate.range.as_ref()?, &clock).ok()?;
                Some(range.grown(room, room))
            };
            union(&marks.filter_map(near).collect::<Vec<_>>())
        },
        hints: good.iter().filter_map(|plate| hint(plate)).collect(),
        tolerance: record.tolerance.unwrap_or(settings.claim_tolerance_frames),
        region: record.region.clone(),
        seen: false,
        elsewhere: false,
    };
    (claims, noted.reasons)
}

/// A plate within the take itself, not in a take of its own.
fn is_own(plate: &PlateNote) -> bool {
    plate.kind != Some(PlateKind::Take) && plate.clip.is_none()
}

/// A plate whose times a hand on a button gave: they bound nothing.
fn is_mark(plate: &PlateNote) -> bool {
    plate.range.is_some() && plate.tolerance.is_some_and(|frames| frames > 0)
}

/// Says in words where a plate without times is to be looked for.
fn hint(plate: &PlateNote) -> Option<String> {
    if !is_own(plate) {
        let name = plate.clip.as_deref().unwrap_or("another take");
        return Some(format!("a plate in {name}"));
    }
    if plate.range.is_some() && !is_mark(plate) {
        return None;
    }
    let place = match plate.kind {
        Some(PlateKind::Head) => "a head plate",
        Some(PlateKind::Tail) => "a tail plate",
        _ => "a plate",
    };
    if let Some(range) = plate.range.as_ref().filter(|_| is_mark(plate)) {
        let [from, to] = [&range.start, &range.end].map(|point| String::from(point.clone()));
        let frames = plate.tolerance.unwrap_or(0);
        return Some(format!(
            "{place} marked by hand at {from}-{to}, {frames} frames more or less"
        ));
    }
    Some(match plate.seconds {
        Some(seconds) => format!("{place} of {seconds} s"),
        None => place.to_string(),
    })
}

struct Noted {
    clock: TakeClock,
    reasons: Vec<Reason>,
}

impl Noted {
    fn ranges(&mut self, key: &str, ranges: &[PointRange]) -> Vec<FrameRange> {
        let mut placed = Vec::new();
        for range in ranges {
            match take_range(range, &self.clock) {
                Ok(range) => placed.push(range),
                Err(fault) => self.reasons.push(Reason::new(
                    Code::StartTimecodeDisagrees,
                    Severity::Attention,
                    format!("A range noted under {key} cannot be placed in the take: {fault}."),
                )),
            }
        }
        placed
    }

    /// The take from its noted start to its noted end.
    fn whole_take(&self, record: &Record) -> Option<FrameRange> {
        let range = PointRange { start: record.start.clone()?, end: record.end.clone()? };
        take_range(&range, &self.clock).ok()
    }
}

/// Returns the take frame of a record's noted start, counted as its take counts.
pub fn logged_start(record: &Record, counting: Counting, settings: &Settings) -> Option<Frame> {
    if record.report == Some(Report::Sound) {
        return None;
    }
    let clock = TakeClock::new(counting, None, settings);
    take_frame(record.start.as_ref()?, &clock).ok()
}
