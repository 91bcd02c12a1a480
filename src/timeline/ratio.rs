//! An exact fraction that stays in two machine words while it fits: a cut of thousands of
//! clips is walked with millions of these.

use crate::time::{self, Exact, Rate};
use num_bigint::BigInt;
use num_traits::ToPrimitive;
use std::cmp::Ordering;

/// An exact fraction in lowest terms. Two that are equal are stored alike.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Ratio {
    /// Numerator and positive denominator.
    Small(i64, i64),
    /// What does not fit.
    Big(Box<Exact>),
}

use Ratio::{Big, Small};

/// A cut in which every clip has another odd rate makes denominators that grow with every
/// clip, and reading it would never end. No real cut comes near this length. Ours.
const MOST_BITS: u64 = 512;

/// What is rounded then is off by 2^-257 seconds, nothing beside the millionth of a frame
/// that [`time::floor`] forgives.
const GRID_BITS: usize = 256;

impl Ratio {
    pub const ZERO: Ratio = Small(0, 1);

    pub fn whole(value: i64) -> Ratio {
        Small(value, 1)
    }

    /// Returns one frame in seconds.
    pub fn frame(rate: Rate) -> Ratio {
        Small(i64::from(rate.den()), i64::from(rate.num()))
    }

    pub fn rate(rate: Rate) -> Ratio {
        Small(i64::from(rate.num()), i64::from(rate.den()))
    }

    /// Reads a double as the decimal it prints; `None` if it is not finite.
    pub fn from_f64(value: f64) -> Option<Ratio> {
        if value.fract() == 0.0 && value.abs() < 9.0e15 {
            return Some(Small(value as i64, 1));
        }
        time::exact_from_f64(value).map(Ratio::from_exact)
    }

    /// Keeps a fraction; one whose denominator has grown past [`MOST_BITS`] is rounded to a
    /// multiple of 2^-256.
    pub fn from_exact(value: Exact) -> Ratio {
        match (value.numer().to_i64(), value.denom().to_i64()) {
            (Some(num), Some(den)) => Small(num, den),
            _ if value.denom().bits() > MOST_BITS => {
                let scale = Exact::from_integer(BigInt::from(1) << GRID_BITS);
                Ratio::from_exact((value * &scale).round() / scale)
            }
            _ => Big(Box::new(value)),
        }
    }

    pub fn exact(&self) -> Exact {
        match self {
            Small(num, den) => Exact::new_raw(BigInt::from(*num), BigInt::from(*den)),
            Big(value) => value.as_ref().clone(),
        }
    }

    /// As [`time::floor`].
    pub fn floor(&self) -> i64 {
        if let Small(num, 1) = self { *num } else { time::floor(&self.exact()) }
    }

    /// As [`time::ceil`].
    pub fn ceil(&self) -> i64 {
        if let Small(num, 1) = self { *num } else { time::ceil(&self.exact()) }
    }

    pub fn is_zero(&self) -> bool {
        *self == Ratio::ZERO
    }

    pub fn is_negative(&self) -> bool {
        match self {
            Small(num, _) => *num < 0,
            Big(value) => **value < time::whole(0),
        }
    }

    pub fn abs(&self) -> Ratio {
        if self.is_negative() { -self } else { self.clone() }
    }

    fn reduced(num: i128, den: i128) -> Option<Ratio> {
        let divisor = gcd(num.unsigned_abs(), den.unsigned_abs());
        let divisor = i128::try_from(divisor).ok().filter(|divisor| *divisor > 0)?;
        let (num, den) = (num / divisor, den / divisor);
        Some(Small(i64::try_from(num).ok()?, i64::try_from(den).ok()?))
    }
}

fn gcd(a: u128, b: u128) -> u128 {
    if let (Ok(mut a), Ok(mut b)) = (u64::try_from(a), u64::try_from(b)) {
        while b != 0 {
            (a, b) = (b, a % b);
        }
        return u128::from(a);
    }
    if b == 0 { a } else { gcd(b, a % b) }
}

impl std::ops::Add for &Ratio {
    type Output = Ratio;
    fn add(self, other: &Ratio) -> Ratio {
        if let (Small(a, b), Small(c, d)) = (self, other) {
            if b == d {
                if let Some(sum) = Ratio::reduced(i128::from(*a) + i128::from(*c), i128::from(*b)) {
                    return sum;
                }
            } else {
                let [a, b, c, d] = [a, b, c, d].map(|word| i128::from(*word));
                if let Some(sum) = Ratio::reduced(a * d + c * b, b * d) {
                    return sum;
                }
            }
        }
        Ratio::from_exact(self.exact() + other.exact())
    }
}

impl std::ops::Sub for &Ratio {
    type Output = Ratio;
    fn sub(self, other: &Ratio) -> Ratio {
        self + &-other
    }
}

impl std::ops::Mul for &Ratio {
    type Output = Ratio;
    fn mul(self, other: &Ratio) -> Ratio {
        if let (Small(a, b), Small(c, d)) = (self, other) {
            let [a, b, c, d] = [a, b, c, d].map(|word| i128::from(*word));
            if let Some(product) = Ratio::reduced(a * c, b * d) {
                return product;
            }
        }
        Ratio::from_exact(self.exact() * other.exact())
    }
}

impl std::ops::Neg for &Ratio {
    type Output = Ratio;
    fn neg(self) -> Ratio {
        match self {
            Small(num, den) if *num != i64::MIN => Small(-num, *den),
            other => Ratio::from_exact(-other.exact()),
        }
    }
}

impl Ratio {
    /// Divides; anything over zero is zero, which no caller asks for.
    pub fn over(&self, other: &Ratio) -> Ratio {
        if other.is_zero() {
            return Ratio::ZERO;
        }
        if let (Small(a, b), Small(c, d)) = (self, other) {
            let [a, b, c, d] = [a, b, c, d].map(|word| i128::from(*word));
            let (num, den) = if c < 0 { (-(a * d), -(b * c)) } else { (a * d, b * c) };
            if let Some(quotient) = Ratio::reduced(num, den) {
                return quotient;
            }
        }
        Ratio::from_exact(self.exact() / other.exact())
    }
}

impl PartialOrd for Ratio {
    fn partial_cmp(&self, other: &Ratio) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Ratio {
    fn cmp(&self, other: &Ratio) -> Ordering {
        if let (Small(a, b), Small(c, d)) = (self, other) {
            let [a, b, c, d] = [a, b, c, d].map(|word| i128::from(*word));
            return (a * d).cmp(&(c * b));
        }
        self.exact().cmp(&other.exact())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn any_ratio() -> impl Strategy<Value = Ratio> {
        let number = prop_oneof![any::<i64>(), -200_000i64..200_000, Just(i64::MIN)];
        let den = prop_oneof![1..=i64::MAX, 1i64..60_000];
        (number, den).prop_map(|(num, den)| Ratio::from_exact(time::fraction(num, den)))
    }

    proptest! {
        #[test]
        fn small_and_big_fractions_agree(a in any_ratio(), b in any_ratio()) {
            let (x, y) = (a.exact(), b.exact());
            prop_assert_eq!((&a + &b).exact(), &x + &y);
            prop_assert_eq!((&a - &b).exact(), &x - &y);
            prop_assert_eq!((&a * &b).exact(), &x * &y);
            if !b.is_zero() {
                prop_assert_eq!(a.over(&b).exact(), &x / &y);
            }
            prop_assert_eq!(a.cmp(&b), x.cmp(&y));
            prop_assert_eq!(Ratio::from_exact(x.clone()), a.clone());
            prop_assert_eq!((a.floor(), a.ceil()), (time::floor(&x), time::ceil(&x)));
        }
    }
}
