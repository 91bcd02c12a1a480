//! Frame rates as exact fractions.

use super::{Exact, exact_from_f64, exact_text, whole};
use num_traits::{Signed, ToPrimitive, Zero};
use serde::{Deserialize, Serialize};

/// The rates that carry SMPTE timecode (ST 12-1 and ST 12-3), as fractions.
const STANDARD: [(u32, u32); 10] = [
    (24000, 1001),
    (24, 1),
    (25, 1),
    (30000, 1001),
    (30, 1),
    (48000, 1001),
    (48, 1),
    (50, 1),
    (60000, 1001),
    (60, 1),
];

/// A decimal within this share of a standard 1001 rate is that rate. `23.98` is 1.7e-4
/// away from 24000/1001; the nearest other rate, 24, is 1e-3 away.
const SNAP: f64 = 2.0e-4;

/// A positive frame rate as an exact fraction in lowest terms.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Rate {
    num: u32,
    den: u32,
}

impl Rate {
    /// 24 frames a second.
    pub const FILM: Rate = Rate { num: 24, den: 1 };

    /// Makes the rate `num / den` frames a second, in lowest terms; `None` if either is zero.
    pub fn new(num: u32, den: u32) -> Option<Rate> {
        if num == 0 || den == 0 {
            return None;
        }
        let (mut a, mut b) = (num, den);
        while b != 0 {
            (a, b) = (b, a % b);
        }
        Some(Rate { num: num / a, den: den / a })
    }

    /// Reads a rate from a decimal in a file and snaps it to the standard rate it means.
    ///
    /// `23.976`, `23.98` and `23.976024627685547` are all 24000/1001. Rates that are no
    /// standard rate stay what they are (`12.5` is 25/2), except that `n * 1000 / 1001` is
    /// recognised to about six digits for any whole n. `None` if not positive and finite, or if
    /// no fraction of 32-bit numbers is it.
    ///
    /// ```
    /// # use platesmith::time::Rate;
    /// assert_eq!(Rate::from_f64(23.98).map(|r| r.to_string()), Some("24000/1001".into()));
    /// assert_eq!(Rate::from_f64(12.5).map(|r| r.to_string()), Some("25/2".into()));
    /// assert_eq!(Rate::from_f64(0.0), None);
    /// ```
    pub fn from_f64(value: f64) -> Option<Rate> {
        if !(value.is_finite() && value > 0.0) {
            return None;
        }
        if value.fract() == 0.0 {
            return value.to_u32().and_then(|whole| Rate::new(whole, 1));
        }
        let near = |rate: f64, share: f64| (value - rate).abs() <= rate * share;
        for (num, den) in STANDARD {
            if near(f64::from(num) / f64::from(den), if den == 1 { 1e-6 } else { SNAP }) {
                return Rate::new(num, den);
            }
        }
        let nominal = value.ceil();
        if nominal < 4.0e6 && near(nominal * 1000.0 / 1001.0, 2e-6) {
            return Rate::new((nominal * 1000.0) as u32, 1001);
        }
        let exact = exact_from_f64(value)?;
        Rate::new(exact.numer().to_u32()?, exact.denom().to_u32()?)
    }

    /// Reads `24`, `23.976` or `24000/1001`.
    pub fn parse(text: &str) -> Option<Rate> {
        let text = text.trim();
        if let Some((num, den)) = text.split_once('/') {
            return Rate::new(num.trim().parse().ok()?, den.trim().parse().ok()?);
        }
        Rate::from_f64(text.parse().ok()?)
    }

    /// Returns the numerator.
    pub fn num(self) -> u32 {
        self.num
    }

    /// Returns the denominator.
    pub fn den(self) -> u32 {
        self.den
    }

    /// Returns the rate as an exact fraction.
    pub fn exact(self) -> Exact {
        Exact::new(self.num.into(), self.den.into())
    }

    /// Returns the nearest double; for display and plots only.
    pub fn as_f64(self) -> f64 {
        f64::from(self.num) / f64::from(self.den)
    }

    /// Returns the whole number of labels a timecode counts in each second (ST 12-1): the
    /// rate rounded.
    pub fn nominal(self) -> u32 {
        ((u64::from(self.num) + u64::from(self.den) / 2) / u64::from(self.den)).max(1) as u32
    }

    /// Tells whether drop-frame labels exist at this rate: 29.97 and 59.94 only (ST 12-1).
    pub fn can_drop(self) -> bool {
        self.den == 1001 && (self.num == 30000 || self.num == 60000)
    }

    /// Tells whether ST 12-1 or ST 12-3 define timecode at this rate.
    pub fn is_standard(self) -> bool {
        STANDARD.contains(&(self.num, self.den))
    }

    /// Converts a time in frames at rate `from` into frames at this rate, exactly.
    pub fn rescale(self, frames: &Exact, from: Rate) -> Exact {
        if self == from {
            return frames.clone();
        }
        frames * self.exact() / from.exact()
    }

    /// Reads a fraction as a rate; `None` if it is not positive or its terms pass 32 bits.
    pub fn from_exact(value: &Exact) -> Option<Rate> {
        if !value.is_positive() || value.is_zero() {
            return None;
        }
        Rate::new(value.numer().to_u32()?, value.denom().to_u32()?)
    }

    /// Returns one second as a number of frames.
    pub fn frames_in(self, seconds: &Exact) -> Exact {
        seconds * self.exact()
    }

    /// Returns a number of frames in seconds.
    pub fn seconds(self, frames: &Exact) -> Exact {
        frames / self.exact()
    }

    /// Returns one frame count in seconds as a double; for display only.
    pub fn seconds_f64(self, frames: i64) -> f64 {
        (whole(frames) / self.exact()).to_f64().unwrap_or(0.0)
    }
}

impl std::fmt::Display for Rate {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&exact_text(&self.exact()))
    }
}

impl From<Rate> for String {
    fn from(rate: Rate) -> String {
        rate.to_string()
    }
}

impl TryFrom<String> for Rate {
    type Error = String;
    fn try_from(text: String) -> Result<Rate, String> {
        Rate::parse(&text).ok_or_else(|| format!("\"{text}\" is not a frame rate"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_spelling_of_a_standard_rate_is_that_rate() {
        for (spelling, text) in [
            ("23.976", "24000/1001"),
            ("23.98", "24000/1001"),
            ("23.97602397602397", "24000/1001"),
            ("23.976024627685547", "24000/1001"),
            ("24.0", "24"),
            ("29.97", "30000/1001"),
            ("47.95", "48000/1001"),
            ("47.952", "48000/1001"),
            ("59.94", "60000/1001"),
            ("119.88", "120000/1001"),
            ("14.985014985", "15000/1001"),
            ("48/2", "24"),
            ("15", "15"),
            ("0.5", "1/2"),
        ] {
            assert_eq!(Rate::parse(spelling).map(|rate| rate.to_string()).as_deref(), Some(text));
        }
        for wrong in ["0", "-24", "nan", "inf", "24/0", "", "abc", "1e300"] {
            assert_eq!(Rate::parse(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn the_count_base_is_the_rounded_rate() {
        // SMPTE ST 12-1 as listed by the project's timecode table (from memory).
        let bases = [24, 24, 25, 30, 30, 48, 48, 50, 60, 60];
        for ((num, den), base) in STANDARD.into_iter().zip(bases) {
            assert_eq!(Rate::new(num, den).map(Rate::nominal), Some(base));
        }
    }
}
