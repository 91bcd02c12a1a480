//! Exact fractions of any size. Time in a file is read once from its number and never
//! rounded again until a whole frame is asked for.

use num_bigint::BigInt;
use num_rational::BigRational;
use num_traits::ToPrimitive;

/// An exact fraction. It cannot overflow and cannot be infinite.
pub type Exact = BigRational;

/// Frame counts nearer to a whole number than this are that number: hosts rescale
/// times in double precision, which leaves an error of about 1e-11 frames on a day.
/// Ours; 1e-6 frames is 40 ns, far below any frame, far above that noise.
const WHOLE_FRAME_NOISE: (i64, i64) = (1, 1_000_000);

/// Returns a whole number as a fraction.
pub fn whole(value: i64) -> Exact {
    Exact::from_integer(BigInt::from(value))
}

/// Returns `num / den`.
///
/// # Panics
///
/// If `den` is zero.
pub fn fraction(num: i64, den: i64) -> Exact {
    Exact::new(BigInt::from(num), BigInt::from(den))
}

/// Reads a double as the decimal a person wrote: `0.1` is one tenth, not the nearest double.
///
/// Returns `None` for NaN and infinities.
///
/// ```
/// # use platesmith::time::{exact_from_f64, fraction};
/// assert_eq!(exact_from_f64(0.1), Some(fraction(1, 10)));
/// assert_eq!(exact_from_f64(-2.5e3), Some(fraction(-2500, 1)));
/// assert_eq!(exact_from_f64(f64::NAN), None);
/// ```
pub fn exact_from_f64(value: f64) -> Option<Exact> {
    if !value.is_finite() {
        return None;
    }
    if value.fract() == 0.0 && value.abs() < 9.0e15 {
        return Some(whole(value as i64));
    }
    // `{:e}` prints the shortest decimal that reads back as this double.
    let text = format!("{value:e}");
    let (digits, exponent) = text.split_once('e')?;
    let exponent: i64 = exponent.parse().ok()?;
    let point = digits.find('.').map_or(0, |at| digits.len() - at - 1) as i64;
    let number: BigInt = digits.replace('.', "").parse().ok()?;
    let shift = exponent - point;
    let power = BigInt::from(10).pow(u32::try_from(shift.unsigned_abs()).ok()?);
    Some(if shift >= 0 { Exact::from_integer(number * power) } else { Exact::new(number, power) })
}

/// Rounds down to a whole frame; a value within a millionth of a whole frame is that frame.
///
/// Values outside 64 bits come back as the nearest 64-bit value.
pub fn floor(value: &Exact) -> i64 {
    near_whole(value).unwrap_or_else(|| clamp(value.floor().to_integer()))
}

/// Rounds up to a whole frame; a value within a millionth of a whole frame is that frame.
///
/// Values outside 64 bits come back as the nearest 64-bit value.
pub fn ceil(value: &Exact) -> i64 {
    near_whole(value).unwrap_or_else(|| clamp(value.ceil().to_integer()))
}

fn near_whole(value: &Exact) -> Option<i64> {
    if value.is_integer() {
        return Some(clamp(value.to_integer()));
    }
    let nearest = value.round();
    let off = value - &nearest;
    let off = if off < whole(0) { -off } else { off };
    (off < fraction(WHOLE_FRAME_NOISE.0, WHOLE_FRAME_NOISE.1)).then(|| clamp(nearest.to_integer()))
}

fn clamp(value: BigInt) -> i64 {
    value.to_i64().unwrap_or(if value < BigInt::from(0) { i64::MIN / 4 } else { i64::MAX / 4 })
}

/// Writes a fraction as text: `"1"`, `"-1/2"`, `"24000/1001"`.
pub fn exact_text(value: &Exact) -> String {
    if value.is_integer() {
        value.numer().to_string()
    } else {
        format!("{}/{}", value.numer(), value.denom())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_double_reads_as_the_decimal_it_prints() {
        for (double, num, den) in
            [(23.976, 2997, 125), (1e-7, 1, 10_000_000), (86400.5, 172_801, 2)]
        {
            assert_eq!(exact_from_f64(double), Some(fraction(num, den)));
        }
        assert!(exact_from_f64(f64::MAX).is_some_and(|huge| huge.is_integer()));
        assert!(exact_from_f64(f64::MIN_POSITIVE).is_some());
    }

    #[test]
    fn double_noise_beside_a_whole_frame_is_that_frame() {
        let noisy = exact_from_f64(100.00000000001).expect("finite");
        assert_eq!((floor(&noisy), ceil(&noisy)), (100, 100));
        let half = fraction(201, 2);
        assert_eq!((floor(&half), ceil(&half)), (100, 101));
        let negative = fraction(-201, 2);
        assert_eq!((floor(&negative), ceil(&negative)), (-101, -100));
    }

    #[test]
    fn numbers_past_64_bits_stop_at_the_edge() {
        let huge = exact_from_f64(1e300).expect("finite");
        assert_eq!(floor(&huge), i64::MAX / 4);
        assert_eq!(ceil(&-huge), i64::MIN / 4);
    }
}
