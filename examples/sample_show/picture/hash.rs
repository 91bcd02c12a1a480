//! Numbers that look random and are the same on every run and machine: integers only.

/// Mixes the bits of a number (the finaliser of SplitMix64; Steele, Lea & Flood 2014).
pub fn mix(value: u64) -> u64 {
    let mut z = value.wrapping_add(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// A stream of numbers: xorshift64 (Marsaglia 2003).
pub struct Stream(u64);

impl Stream {
    pub fn new(seed: u64) -> Stream {
        Stream(mix(seed) | 1)
    }

    pub fn bits(&mut self) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0
    }

    /// A share in [0, 1).
    pub fn share(&mut self) -> f32 {
        (self.bits() >> 40) as f32 / (1u64 << 24) as f32
    }

    /// A value in [low, high).
    pub fn between(&mut self, low: f32, high: f32) -> f32 {
        low + (high - low) * self.share()
    }

    /// A normal deviate as the sum of four 16-bit numbers: mean 0, variance 1.
    pub fn normal(&mut self) -> f32 {
        let bits = self.bits();
        let sum = (bits & 0xFFFF) + (bits >> 16 & 0xFFFF) + (bits >> 32 & 0xFFFF) + (bits >> 48);
        // Four uniform numbers of width 65536 have variance 65536^2 / 3.
        (sum as f32 - 131_070.0) * (1.732_050_8 / 65_536.0)
    }
}

/// A share in [0, 1) for a lattice point.
pub fn lattice(x: i32, y: i32, seed: u32) -> f32 {
    let key = (x as u32 as u64) << 32 | y as u32 as u64;
    (mix(key ^ (u64::from(seed) << 17)) >> 40) as f32 / (1u64 << 24) as f32
}

/// Value noise in [0, 1), smooth, with features one unit wide.
pub fn noise(x: f32, y: f32, seed: u32) -> f32 {
    let (ix, iy) = (x.floor(), y.floor());
    let (u, v) = (smooth(x - ix), smooth(y - iy));
    let (ix, iy) = (ix as i32, iy as i32);
    let at = |dx, dy| lattice(ix.wrapping_add(dx), iy.wrapping_add(dy), seed);
    let top = at(0, 0) + (at(1, 0) - at(0, 0)) * u;
    let low = at(0, 1) + (at(1, 1) - at(0, 1)) * u;
    top + (low - top) * v
}

/// Noise of several octaves around 0, in about [-1, 1].
pub fn rough(x: f32, y: f32, seed: u32, octaves: u32) -> f32 {
    let (mut sum, mut weight, mut scale) = (0.0, 0.5, 1.0);
    for octave in 0..octaves {
        sum += weight * (noise(x * scale, y * scale, seed.wrapping_add(octave * 101)) - 0.5) * 2.0;
        weight *= 0.55;
        scale *= 2.03;
    }
    sum
}

/// The cubic step from 0 to 1.
pub fn smooth(t: f32) -> f32 {
    let t = t.clamp(0.0, 1.0);
    t * t * (3.0 - 2.0 * t)
}

/// The cubic step of `value` from `low` to `high`.
pub fn step(low: f32, high: f32, value: f32) -> f32 {
    smooth((value - low) / (high - low))
}
