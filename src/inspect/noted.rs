//! What was seen of a take as a record of the plate log, so that the log writes itself.

use super::Inspected;
use crate::platelog::{PlateNote, Point, PointRange, Record};
use crate::report::take::headline;
use crate::time::{Frame, FrameRange};

/// Keys of a record that say what was seen; a person writes the others.
pub const SEEN: [&str; 8] =
    ["media", "rate", "start", "end", "lock_off", "plates", "boom", "remarks"];

impl Inspected {
    /// Returns the record of this take: its file, times, lock-off, plates and boom as they were
    /// seen, and the answer as remark. Points are timecode, or file frames where there is none.
    pub fn record(&self) -> Record {
        let found = &self.inspection;
        let frames = i64::try_from(found.frames).unwrap_or(i64::MAX);
        let point = |frame: i64| match self.labels.start {
            Some((start, counting)) => {
                Point::Timecode(counting.label(Frame(start.0.saturating_add(frame))))
            }
            None => Point::FileFrame(frame),
        };
        let range =
            |run: &FrameRange| PointRange { start: point(run.start.0), end: point(run.end.0) };
        let ranges = |runs: &[FrameRange]| runs.iter().map(range).collect::<Vec<_>>();
        let origin = format!("seen in {}", found.media.file);
        let mut record = Record {
            media: Some(found.media.file.clone()),
            rate: Some(found.media.rate),
            start: Some(point(0)),
            end: Some(point(frames)),
            lock_off: ranges(&found.lock_off),
            plates: ranges(&found.plates)
                .into_iter()
                .map(|range| PlateNote { range: Some(range), ..PlateNote::BARE })
                .collect(),
            boom: ranges(&found.boom),
            remarks: Some(headline(found, self.labels, self.ask_s)),
            ..Record::default()
        };
        for key in SEEN {
            record.origin.insert(key, origin.as_str().into());
        }
        record
    }
}
