//! The start timecode of a container: from its timecode track, else from a tag.

use super::ffi::StreamTags;
use super::info::StartTimecode;
use crate::error::{BadInput, shown};
use crate::time::{Counting, Frame, Rate};

/// What a timecode track says (QuickTime File Format, "Timecode sample description", from
/// memory): flags, time scale, frame duration, frames a second, and the counter of its
/// first sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct TimecodeTrack {
    /// Bit 0: drop-frame. Bit 3: a counter, not a timecode.
    pub flags: u32,
    /// Units a second.
    pub scale: u32,
    /// Units in a frame.
    pub duration: u32,
    /// Frames a second as the entry says, which is not always true.
    pub frames: u8,
    /// Frames since midnight.
    pub counter: u32,
}

impl TimecodeTrack {
    /// Reads a track from its sample description (after format and data reference) and its
    /// first sample; `None` if either is too short.
    pub fn read(tags: &StreamTags, sample: &[u8]) -> Option<TimecodeTrack> {
        let number = |bytes: &[u8], at: usize| -> Option<u32> {
            Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?))
        };
        let entry = &tags.extradata;
        Some(TimecodeTrack {
            flags: number(entry, 4)?,
            scale: number(entry, 8)?,
            duration: number(entry, 12)?,
            frames: *entry.get(16)?,
            counter: number(sample, 0)?,
        })
    }

    /// Reads the start on media of this rate.
    ///
    /// The count base is the time scale over the frame duration, rounded; the entry's own
    /// number is believed only where it says that a high rate is counted in pairs.
    ///
    /// # Errors
    ///
    /// A sentence on what cannot be.
    pub fn start(self, rate: Rate) -> Result<StartTimecode, String> {
        let base = Rate::new(self.scale, self.duration).map(Rate::nominal).ok_or_else(|| {
            format!("timecode track: {}/{} is no rate", self.scale, self.duration)
        })?;
        let full = Counting::new(rate, self.flags & 1 != 0);
        let counting = if full.in_pairs() != full
            && (base == full.in_pairs().base() || u32::from(self.frames) * 2 == full.base())
        {
            full.in_pairs()
        } else {
            full
        };
        if base != full.base() && base != counting.base() {
            return Err(format!(
                "timecode track: it counts {base} frames a second, the picture runs at {rate}"
            ));
        }
        let frame = i64::from(self.counter) * i64::from(counting.frames_per_label());
        if frame >= counting.frames_in_day() {
            return Err(format!("timecode track: frame {} is past 24 hours", self.counter));
        }
        Ok(StartTimecode { frame: Frame(frame), counting })
    }
}

/// Reads a start timecode from a text such as `00:59:58;20`.
///
/// # Errors
///
/// A sentence that names the label and what is wrong with it.
pub(super) fn from_label(label: &str, rate: Rate) -> Result<StartTimecode, String> {
    let label = label.trim();
    let drop = label.contains([';', ',']) || label.rsplit_once('.').is_some();
    let counting = Counting::new(rate, drop);
    match counting.frame(label) {
        Ok(frame) => Ok(StartTimecode { frame, counting }),
        Err(fault) => Err(format!(
            "start timecode \"{}\" at {rate} frames a second is not one: {fault}",
            shown(label, 40)
        )),
    }
}

/// Makes the warning for a start timecode that is not one.
pub(super) fn refused(file: &str, why: String) -> BadInput {
    BadInput::new(
        file,
        "start timecode",
        why,
        "the file is read as if it had none; give the start in the log, or repair the tag",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rate(num: u32, den: u32) -> Rate {
        Rate::new(num, den).expect("positive")
    }

    fn track(flags: u32, scale: u32, duration: u32, frames: u8, counter: u32) -> TimecodeTrack {
        TimecodeTrack { flags, scale, duration, frames, counter }
    }

    #[test]
    fn an_entry_that_says_29_frames_counts_30() {
        // Met in a real camera file; drop-frame arithmetic after SMPTE ST 12-1.
        let start = track(1, 30000, 1001, 29, 107_850).start(rate(30000, 1001)).expect("legal");
        assert_eq!(start.counting.label(start.frame), "00:59:58;18");
    }

    #[test]
    fn a_fast_file_counts_in_pairs_only_if_its_track_says_so() {
        let pairs = track(0, 50, 1, 25, 90_000).start(rate(50, 1)).expect("legal");
        assert_eq!(pairs.counting.label(pairs.frame), "01:00:00:00");
        assert_eq!(pairs.frame, Frame(180_000));
        let full = track(0, 50, 1, 50, 180_000).start(rate(50, 1)).expect("legal");
        assert_eq!(full.counting.label(full.frame), "01:00:00:00");
        let slow = track(0, 25, 1, 25, 90_000).start(rate(50, 1)).expect("legal");
        assert_eq!(slow.frame, Frame(180_000));
    }

    #[test]
    fn what_cannot_be_is_said() {
        assert!(track(0, 24, 1, 24, 90_000).start(rate(25, 1)).is_err());
        assert!(track(0, 24, 0, 24, 90_000).start(rate(24, 1)).is_err());
        assert!(track(0, 24, 1, 24, 2_073_600).start(rate(24, 1)).is_err());
        let why = from_label("01:00:00:24", rate(24, 1)).expect_err("24 is past the base");
        assert_eq!(
            why,
            "start timecode \"01:00:00:24\" at 24 frames a second is not one: frames run 00-23"
        );
        assert!(from_label("01:00:00;10", rate(25, 1)).is_err());
        assert!(from_label("00:01:00;00", rate(30000, 1001)).is_err());
    }
}
