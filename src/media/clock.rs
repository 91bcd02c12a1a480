//! From file frames to a container's time stamps and back, in whole numbers.

use crate::time::Rate;

/// Ties file frame n to a time stamp: `first + round(n / (rate * time base))`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Clock {
    /// Time stamp of file frame 0.
    pub first: i64,
    /// Length of a tick in seconds, as a fraction of positive numbers.
    pub tick: (u32, u32),
    /// Frame rate.
    pub rate: Rate,
}

impl Clock {
    /// Returns the length of a frame and of a tick on one common scale.
    pub fn scales(&self) -> (i128, i128) {
        let frame = i128::from(self.tick.1) * i128::from(self.rate.den());
        let tick = i128::from(self.tick.0) * i128::from(self.rate.num());
        (frame, tick)
    }

    /// Returns the time stamp of a frame, to the nearest tick.
    pub fn pts(&self, frame: i64) -> i64 {
        let (frame_len, tick_len) = self.scales();
        let offset = nearest(i128::from(frame).saturating_mul(frame_len), tick_len);
        clamp(offset.saturating_add(i128::from(self.first)))
    }

    /// Returns the frame nearest to a time stamp.
    pub fn frame(&self, pts: i64) -> i64 {
        let (frame_len, tick_len) = self.scales();
        clamp(nearest(self.since_first(pts).saturating_mul(tick_len), frame_len))
    }

    /// Returns how far a time stamp is from the start of frame `n`, as a fraction of a frame:
    /// numerator and positive denominator.
    pub fn off(&self, pts: i64, n: i64) -> (i128, i128) {
        let (frame_len, tick_len) = self.scales();
        let at = self.since_first(pts).saturating_mul(tick_len);
        (at.saturating_sub(i128::from(n).saturating_mul(frame_len)), frame_len)
    }

    fn since_first(&self, pts: i64) -> i128 {
        i128::from(pts) - i128::from(self.first)
    }
}

/// Divides and rounds to the nearest whole number, halves up; `den` is positive.
fn nearest(num: i128, den: i128) -> i128 {
    num.saturating_mul(2).saturating_add(den).div_euclid(den.saturating_mul(2))
}

fn clamp(value: i128) -> i64 {
    i64::try_from(value).unwrap_or(if value < 0 { i64::MIN } else { i64::MAX })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_frame_comes_back_from_its_time_stamp() {
        // 1 ms ticks at 59.94: the coarsest common case, a tick is six hundredths of a frame.
        for (tick, rate) in
            [((1, 1000), (60000, 1001)), ((1, 12288), (24, 1)), ((1, 90000), (24000, 1001))]
        {
            let rate = Rate::new(rate.0, rate.1).expect("positive");
            let clock = Clock { first: -3003, tick, rate };
            for n in (0..2_000_000).step_by(997) {
                assert_eq!(clock.frame(clock.pts(n)), n);
            }
        }
    }

    #[test]
    fn extreme_time_stamps_stop_at_the_edge() {
        let rate = Rate::new(u32::MAX, 1).expect("positive");
        let clock = Clock { first: i64::MIN, tick: (u32::MAX, 1), rate };
        assert_eq!(clock.frame(i64::MAX), i64::MAX);
        assert!(clock.pts(i64::MAX) > i64::MIN);
    }
}
