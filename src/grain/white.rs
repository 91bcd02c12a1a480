//! White numbers that hang on nothing but seed, frame, component and place.

/// From what a stream of numbers starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Seed(u64);

impl Seed {
    /// Makes a seed of a text (FNV-1a, 64 bits).
    pub fn of(text: &str) -> Seed {
        let mixed = text.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3)
        });
        Seed(mixed)
    }

    /// Returns a number of mean 0 and variance 1, near enough normal: the sum of eight even
    /// ones. Sums of whole numbers are the same on every machine, logarithms are not.
    #[inline]
    pub fn white(self, frame: u64, component: u64, x: i64, y: i64) -> f32 {
        let one = self.word(frame, component, x, y);
        let two = mixed(one ^ 0x9e37_79b9_7f4a_7c15);
        let sum = quarters(one) + quarters(two);
        (sum as f32 - 4.0 * 65_535.0) * SCALE
    }

    /// Returns an even number between -1/2 and 1/2, neither of them reached. Added to a code
    /// before it is rounded it makes the mean of many codes right where each code must be
    /// whole: parts of a code that were added to whole ones would be rounded off.
    #[inline]
    pub fn even(self, frame: u64, component: u64, x: i64, y: i64) -> f32 {
        let word = self.word(frame, component, x, y) >> 48;
        (word as f32 - 32_767.5) * EVEN
    }

    #[inline]
    fn word(self, frame: u64, component: u64, x: i64, y: i64) -> u64 {
        let place = (y as u64) << 32 ^ (x as u64 & 0xffff_ffff);
        let stream = mixed(self.0 ^ mixed(frame.wrapping_mul(8).wrapping_add(component)));
        mixed(stream ^ place)
    }
}

/// Even numbers of 16 bits that lie within half a code about 0.
const EVEN: f32 = 1.0 / 65_536.0;

/// One over the standard deviation of the sum of eight even numbers of 16 bits.
const SCALE: f32 = 1.870_857e-5;

/// The four quarters of a word, added.
#[inline]
fn quarters(word: u64) -> u32 {
    let pairs = (word & 0x0000_ffff_0000_ffff) + (word >> 16 & 0x0000_ffff_0000_ffff);
    (pairs as u32).wrapping_add((pairs >> 32) as u32)
}

/// Stirs a word until no bit of it shows (the finisher of a split generator: Steele, Lea and
/// Flood 2014).
#[inline]
fn mixed(word: u64) -> u64 {
    let word = word.wrapping_add(0x9e37_79b9_7f4a_7c15);
    let word = (word ^ word >> 30).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let word = (word ^ word >> 27).wrapping_mul(0x94d0_49bb_1331_11eb);
    word ^ word >> 31
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_white_normal_and_unlike_from_frame_to_frame() {
        let seed = Seed::of("a take");
        let field = |frame: u64| -> Vec<f64> {
            let all = (0..128_i64).flat_map(|y| (0..128_i64).map(move |x| (x, y)));
            all.map(|(x, y)| f64::from(seed.white(frame, 0, x, y))).collect()
        };
        let (one, two) = (field(7), field(8));
        let mean = |of: &dyn Fn(usize) -> f64, count: usize| {
            (0..count).map(of).sum::<f64>() / count as f64
        };
        let count = one.len();
        // Four standard errors of 16384 numbers; a normal number has a fourth moment of 3,
        // the sum of eight even ones of 2.85.
        assert!(mean(&|at| one[at], count).abs() < 0.032);
        assert!((mean(&|at| one[at] * one[at], count) - 1.0).abs() < 0.045);
        assert!((mean(&|at| one[at].powi(4), count) - 2.85).abs() < 0.3);
        assert!(mean(&|at| one[at] * two[at], count).abs() < 0.032);
        assert!(mean(&|at| one[at] * one[at + 1], count - 1).abs() < 0.032);
        assert!(mean(&|at| one[at] * one[at + 128], count - 128).abs() < 0.032);
        assert_eq!(one, field(7));
        let even: Vec<f64> =
            (0..16_384).map(|at| f64::from(seed.even(7, 0, at % 128, at / 128))).collect();
        // Variance of an even number, and four standard errors of its mean.
        assert!(mean(&|at| even[at], count).abs() < 0.0091 && even.iter().all(|v| v.abs() < 0.5));
        assert!((mean(&|at| even[at] * even[at], count) - 1.0 / 12.0).abs() < 0.0024);
        assert_ne!(Seed::of("a take"), Seed::of("another take"));
    }
}
