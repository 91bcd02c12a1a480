//! Timecode labels after SMPTE ST 12-1: label to frame count and back.

use super::{Frame, Rate};

/// How the labels of one recording count: rate, labels a second, drop-frame or not.
///
/// A 59.94 recording may count in 60 labels a second or in 30 with two frames to a label;
/// the rate alone does not tell which (ST 12-1:2014, from memory).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Counting {
    rate: Rate,
    base: u32,
    drop: bool,
}

/// Why a text is no timecode of a counting.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TimecodeFault {
    /// The text has another form than `HH:MM:SS:FF`.
    #[error("write it as HH:MM:SS:FF")]
    Form,
    /// One of the fields is past its end.
    #[error("{field} run 00-{last:02}")]
    Field {
        /// Which field: hours, minutes, seconds or frames.
        field: &'static str,
        /// The largest value it may have.
        last: u32,
    },
    /// Drop-frame counting leaves this label out.
    #[error(
        "drop-frame counting has no such label: the first {dropped} of each minute not divisible by ten are left out"
    )]
    Dropped {
        /// Labels dropped at each such minute.
        dropped: u32,
    },
    /// The text is drop-frame at a rate that has none.
    #[error("drop-frame timecode exists at 29.97 and 59.94 only, not at {rate}")]
    NoDropHere {
        /// The rate of the recording.
        rate: Rate,
    },
}

impl Counting {
    /// Returns the usual counting of a rate: as many labels a second as the rounded rate.
    pub fn new(rate: Rate, drop: bool) -> Counting {
        Counting { rate, base: rate.nominal(), drop: drop && rate.can_drop() }
    }

    /// Returns the counting with half as many labels a second, two frames to a label.
    ///
    /// Only 48, 50 and 60 (and their 1001 twins) have it; other rates come back unchanged.
    pub fn in_pairs(self) -> Counting {
        let base = self.rate.nominal();
        if base > 30 && base.is_multiple_of(2) { Counting { base: base / 2, ..self } } else { self }
    }

    /// Returns the rate of the frames that are counted.
    pub fn rate(self) -> Rate {
        self.rate
    }

    /// Returns the number of labels in a second.
    pub fn base(self) -> u32 {
        self.base
    }

    /// Tells whether labels are dropped.
    pub fn is_drop(self) -> bool {
        self.drop
    }

    /// Returns how many frames share one label: 1, or 2 when counted in pairs.
    pub fn frames_per_label(self) -> u32 {
        (self.rate.nominal() / self.base).max(1)
    }

    /// Returns how many frames the labels of one day count.
    ///
    /// ```
    /// # use platesmith::time::{Counting, Rate};
    /// let ntsc = Rate::new(30000, 1001).unwrap();
    /// assert_eq!(Counting::new(ntsc, true).frames_in_day(), 2_589_408);
    /// ```
    pub fn frames_in_day(self) -> i64 {
        let labels = 24 * 3600 * i64::from(self.base) - self.dropped() * 24 * 54;
        labels * i64::from(self.frames_per_label())
    }

    /// Labels left out at each minute that is not divisible by ten: 2 at 30, 4 at 60.
    fn dropped(self) -> i64 {
        if self.drop { 2 * i64::from(self.base) / 30 } else { 0 }
    }

    /// Reads a label as a frame count since midnight.
    ///
    /// `:`, `;`, `.` and `,` separate the fields; `;`, `.` or `,` before the frames say
    /// drop-frame, which is refused where the rate has none. A label without that sign is
    /// read as this counting counts. `HH:MM:SS:FF.1` is the second frame of a pair.
    ///
    /// # Errors
    ///
    /// [`TimecodeFault`] for any label that does not exist.
    pub fn frame(self, label: &str) -> Result<Frame, TimecodeFault> {
        let (fields, drop_sign, pair) = split(label.trim())?;
        if drop_sign && !self.rate.can_drop() {
            return Err(TimecodeFault::NoDropHere { rate: self.rate });
        }
        let counting = if drop_sign { Counting { drop: true, ..self } } else { self };
        let limits =
            [("hours", 23), ("minutes", 59), ("seconds", 59), ("frames", counting.base - 1)];
        for (value, (field, last)) in fields.iter().zip(limits) {
            if *value > last {
                return Err(TimecodeFault::Field { field, last });
            }
        }
        if u64::from(pair) >= u64::from(counting.frames_per_label()) {
            return Err(TimecodeFault::Form);
        }
        let [h, m, s, f] = fields.map(i64::from);
        let dropped = counting.dropped();
        let minutes = 60 * h + m;
        if f < dropped && s == 0 && m % 10 != 0 {
            return Err(TimecodeFault::Dropped { dropped: dropped as u32 });
        }
        let labels =
            (minutes * 60 + s) * i64::from(counting.base) + f - dropped * (minutes - minutes / 10);
        Ok(Frame(labels * i64::from(counting.frames_per_label()) + i64::from(pair)))
    }

    /// Writes the label of a frame. Only the label wraps at midnight; frames run on.
    ///
    /// ```
    /// # use platesmith::time::{Counting, Frame, Rate};
    /// let ntsc = Counting::new(Rate::new(30000, 1001).unwrap(), true);
    /// assert_eq!(ntsc.label(Frame(1800)), "00:01:00;02");
    /// assert_eq!(ntsc.label(Frame(2_589_408)), "00:00:00;00");
    /// ```
    pub fn label(self, frame: Frame) -> String {
        let per_label = i64::from(self.frames_per_label());
        let frame = frame.0.rem_euclid(self.frames_in_day());
        let (mut label, pair) = (frame / per_label, frame % per_label);
        let base = i64::from(self.base);
        let dropped = self.dropped();
        if dropped > 0 {
            let in_ten_minutes = 600 * base - 9 * dropped;
            let in_minute = 60 * base - dropped;
            let (tens, rest) = (label / in_ten_minutes, label % in_ten_minutes);
            label += dropped * 9 * tens;
            if rest >= dropped {
                label += dropped * ((rest - dropped) / in_minute);
            }
        }
        let sign = if self.drop { ';' } else { ':' };
        let (seconds, f) = (label / base, label % base);
        let (h, m, s) = (seconds / 3600, seconds / 60 % 60, seconds % 60);
        let pair = if pair > 0 { format!(".{pair}") } else { String::new() };
        format!("{h:02}:{m:02}:{s:02}{sign}{f:02}{pair}")
    }
}

/// Splits a label into its four fields, the drop sign, and the frame of the pair.
fn split(text: &str) -> Result<([u32; 4], bool, u32), TimecodeFault> {
    let mut fields: Vec<u32> = Vec::with_capacity(5);
    let mut signs = Vec::with_capacity(4);
    let mut digits = String::new();
    for letter in text.chars().chain(std::iter::once('\0')) {
        match letter {
            '0'..='9' if digits.len() < 3 => digits.push(letter),
            ':' | ';' | '.' | ',' | '\0' if !digits.is_empty() => {
                fields.push(digits.parse().map_err(|_| TimecodeFault::Form)?);
                digits.clear();
                signs.push(letter);
            }
            _ => return Err(TimecodeFault::Form),
        }
    }
    let pair = match fields.len() {
        4 => 0,
        5 if signs[3] == '.' => fields[4],
        _ => return Err(TimecodeFault::Form),
    };
    if signs[..2].iter().any(|sign| *sign != ':' && *sign != signs[2]) {
        return Err(TimecodeFault::Form);
    }
    Ok(([fields[0], fields[1], fields[2], fields[3]], signs[2] != ':', pair))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn counting(num: u32, den: u32, drop: bool) -> Counting {
        Counting::new(Rate::new(num, den).expect("positive"), drop)
    }

    #[test]
    fn drop_frame_meets_the_published_values() {
        // SMPTE ST 12-1 drop-frame arithmetic, as tabulated from the timeline library.
        let ntsc = counting(30000, 1001, true);
        for (label, frame) in [
            ("00:00:59;29", 1799),
            ("00:01:00;02", 1800),
            ("00:10:00;00", 17_982),
            ("01:00:00;00", 107_892),
            ("23:59:59;29", 2_589_407),
        ] {
            assert_eq!(ntsc.frame(label), Ok(Frame(frame)));
            assert_eq!(ntsc.label(Frame(frame)), label);
        }
        let fast = counting(60000, 1001, true);
        for (label, frame) in [
            ("00:00:59;59", 3599),
            ("00:01:00;04", 3600),
            ("00:10:00;00", 35_964),
            ("01:00:00;00", 215_784),
        ] {
            assert_eq!(fast.frame(label), Ok(Frame(frame)));
            assert_eq!(fast.label(Frame(frame)), label);
        }
        assert_eq!(fast.frames_in_day(), 5_178_816);
    }

    #[test]
    fn labels_that_do_not_exist_are_refused() {
        let ntsc = counting(30000, 1001, true);
        assert_eq!(ntsc.frame("00:01:00;00"), Err(TimecodeFault::Dropped { dropped: 2 }));
        let film = counting(24, 1, false);
        for (label, field, last) in [
            ("24:00:00:00", "hours", 23),
            ("00:60:00:00", "minutes", 59),
            ("10:22:61:04", "seconds", 59),
            ("00:00:00:24", "frames", 23),
        ] {
            assert_eq!(film.frame(label), Err(TimecodeFault::Field { field, last }), "{label}");
        }
        assert!(matches!(film.frame("00:00:00;01"), Err(TimecodeFault::NoDropHere { .. })));
        for wrong in
            ["", "1", "00:00:00", "aa:00:00:00", "00:00:00:00:00", "0000:00:00:00", "-1:00:00:00"]
        {
            assert_eq!(film.frame(wrong), Err(TimecodeFault::Form), "{wrong}");
        }
    }

    #[test]
    fn every_label_of_a_day_round_trips_at_every_rate() {
        for (num, den, drop) in [
            (24000, 1001, false),
            (25, 1, false),
            (30000, 1001, false),
            (30000, 1001, true),
            (48, 1, false),
            (60000, 1001, true),
        ] {
            let counting = counting(num, den, drop);
            for frame in
                (0..counting.frames_in_day()).step_by(7).chain([counting.frames_in_day() - 1])
            {
                assert_eq!(counting.frame(&counting.label(Frame(frame))), Ok(Frame(frame)));
            }
        }
    }

    #[test]
    fn a_count_in_pairs_shows_each_label_twice() {
        let pairs = counting(60000, 1001, true).in_pairs();
        assert_eq!(pairs.frame("00:01:00;02"), Ok(Frame(3600)));
        assert_eq!(pairs.frame("00:01:00;02.1"), Ok(Frame(3601)));
        assert_eq!(pairs.label(Frame(3601)), "00:01:00;02.1");
        assert_eq!(pairs.frames_in_day(), counting(60000, 1001, true).frames_in_day());
        assert_eq!(counting(25, 1, false).in_pairs(), counting(25, 1, false));
    }

    #[test]
    fn only_the_label_wraps_at_midnight() {
        let film = counting(24, 1, false);
        assert_eq!(film.label(Frame(2_073_600 + 5)), "00:00:00:05");
        assert_eq!(film.label(Frame(-1)), "23:59:59:23");
    }
}
