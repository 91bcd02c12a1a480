//! From tiles to a model.

use super::curve::{Curve, Point};
use super::kernel::{Correlations, Kernel, REACH};
use super::tiles::{TILE, Tiled, mean};
use super::white::Seed;
use super::{Component, GrainModel};

/// Samples of a tile.
const AREA: usize = TILE * TILE;

/// About most tiles of single frames the texture is measured on. Ours: a correlation is then
/// known to a thousandth.
const MOST_TEXTURE: usize = 3000;

/// How far a tile's light may be off before it no longer counts for the light of the whole
/// frame, in median distances. Common practice.
const OFF: f32 = 4.0;

/// Fits the model; `None` without two frames or without tiles at rest.
pub(super) fn model(tiled: &[Tiled], rgb: bool, seed: &str) -> Option<GrainModel> {
    let rests: Option<Vec<Rest>> = tiled.iter().map(Rest::of).collect();
    let rests = rests.filter(|rests| !rests.is_empty())?;
    let kernels: Vec<Kernel> = rests.iter().map(|rest| Kernel::of(&rest.texture())).collect();
    let mixes = mixes(&rests, &kernels);
    let components = rests
        .iter()
        .zip(kernels)
        .zip(mixes)
        .zip(tiled)
        .map(|(((rest, kernel), mix), tiled)| Component {
            curve: rest.curve.clone(),
            kernel,
            mix,
            lags: [rest.lag(1), rest.lag(2)],
            rounded: tiled.rounded,
            shift: tiled.shift,
        })
        .collect();
    Some(GrainModel { seed: Seed::of(seed), rgb, components })
}

/// What is left of the tiles of a component when their mean and the light of each frame are
/// taken away.
struct Rest {
    frames: Vec<Vec<f32>>,
    curve: Curve,
    levels: Vec<f32>,
    /// Tiles at rest, in order.
    calm: Vec<usize>,
    shift: (u32, u32),
}

impl Rest {
    fn of(tiled: &Tiled) -> Option<Rest> {
        let count = tiled.frames.len();
        let samples = tiled.frames.first()?.len();
        if count < 2 || samples < AREA {
            return None;
        }
        let mut middle = vec![0.0_f32; samples];
        for frame in &tiled.frames {
            middle.iter_mut().zip(frame).for_each(|(sum, value)| *sum += value);
        }
        middle.iter_mut().for_each(|sum| *sum /= count as f32);
        let frames: Vec<Vec<f32>> =
            tiled.frames.iter().map(|frame| without_light(frame, &middle)).collect();
        let variance = |tile: usize| {
            let squares = frames.iter().flat_map(|frame| &frame[tile * AREA..][..AREA]);
            let sum: f64 = squares.map(|value| f64::from(value * value)).sum();
            (sum / (AREA * (count - 1)) as f64) as f32
        };
        // At the ends of the codes grain is cut off.
        let point = |(tile, level): (usize, &f32)| {
            let inside = *level > 0.004 * tiled.peak && *level < 0.996 * tiled.peak;
            inside.then(|| Point { level: *level, variance: variance(tile), tile })
        };
        let points: Vec<Point> = tiled.levels.iter().enumerate().filter_map(point).collect();
        let (curve, mut calm) = Curve::fitted(points)?;
        calm.sort_unstable();
        calm.dedup();
        let (levels, shift) = (tiled.levels.clone(), tiled.shift);
        Some(Rest { frames, curve, levels, calm, shift })
    }

    /// One over the strength of the grain in a tile; 0 where there is none.
    fn over_strength(&self, tile: usize) -> f32 {
        let variance = self.curve.variance(self.levels[tile]);
        if variance > 1e-12 { 1.0 / variance.sqrt() } else { 0.0 }
    }

    /// The correlations from sample to sample within a frame.
    fn texture(&self) -> Correlations {
        let mut all = [[0.0_f32; 2 * REACH + 1]; 2 * REACH + 1];
        let every = (self.calm.len() * self.frames.len()).div_ceil(MOST_TEXTURE).max(1);
        let picked =
            self.frames.iter().flat_map(|frame| self.calm.iter().map(move |t| (frame, *t)));
        let mut sums = vec![[0.0_f64; 2 * REACH + 1]; REACH + 1];
        for (frame, tile) in picked.step_by(every) {
            let over = f64::from(self.over_strength(tile)).powi(2);
            add_products(&frame[tile * AREA..][..AREA], over, &mut sums);
        }
        let pairs = |x: usize, y: usize| ((TILE - y) * (TILE - x.abs_diff(REACH))) as f64;
        let middle = (sums[0][REACH] / pairs(REACH, 0)).max(f64::MIN_POSITIVE);
        for (y, row) in sums.iter().enumerate() {
            for (x, sum) in row.iter().enumerate() {
                let value = (sum / pairs(x, y) / middle) as f32;
                all[REACH + y][x] = value;
                all[REACH - y][2 * REACH - x] = value;
            }
        }
        all
    }

    /// The correlation with the frame `by` on. That all frames together are 0 makes single
    /// ones seem unlike; this is taken back.
    fn lag(&self, by: usize) -> f32 {
        let count = self.frames.len();
        if count < by + 2 {
            return 0.0;
        }
        let (mut own, mut other) = (0.0_f64, 0.0_f64);
        for tile in &self.calm {
            let of = |frame: usize| &self.frames[frame][tile * AREA..][..AREA];
            own += (0..count).map(|at| product(of(at), of(at))).sum::<f64>() / count as f64;
            let pairs = (0..count - by).map(|at| product(of(at), of(at + by))).sum::<f64>();
            other += pairs / (count - by) as f64;
        }
        let less = 1.0 / count as f64;
        let biased = if own > 0.0 { other / own } else { 0.0 };
        (biased * (1.0 - less) + less) as f32
    }
}

fn product(one: &[f32], two: &[f32]) -> f64 {
    f64::from(one.iter().zip(two).map(|(a, b)| a * b).sum::<f32>())
}

/// Adds the products of a tile's samples with those at every distance.
fn add_products(tile: &[f32], over: f64, sums: &mut [[f64; 2 * REACH + 1]]) {
    for (down, sums) in sums.iter_mut().enumerate() {
        for (at, sum) in sums.iter_mut().enumerate() {
            let (right, left) = (at.saturating_sub(REACH), REACH.saturating_sub(at));
            let width = TILE - right - left;
            let mut all = 0.0_f32;
            for y in 0..TILE - down {
                let one = &tile[y * TILE + left..][..width];
                let two = &tile[(y + down) * TILE + right..][..width];
                all += one.iter().zip(two).map(|(a, b)| a * b).sum::<f32>();
            }
            *sum += f64::from(all) * over;
        }
    }
}

/// Takes mean and light away: the light of a frame is a gain and an offset common to most
/// tiles.
fn without_light(frame: &[f32], middle: &[f32]) -> Vec<f32> {
    let mut rest: Vec<f32> = frame.iter().zip(middle).map(|(value, mean)| value - mean).collect();
    let means: Vec<f32> = rest.chunks_exact(AREA).map(mean).collect();
    let own: Vec<f32> = middle.chunks_exact(AREA).map(mean).collect();
    let (offset, gain) = light(&own, &means);
    for (value, mean) in rest.iter_mut().zip(middle) {
        *value -= offset + gain * mean;
    }
    rest
}

/// Fits offset and gain to what tiles are off, without those far off.
fn light(levels: &[f32], off: &[f32]) -> (f32, f32) {
    let mut fit = (0.0_f64, 0.0_f64);
    let mut limit = f32::INFINITY;
    for _ in 0..4 {
        let left = |at: usize| off[at] - (fit.0 + fit.1 * f64::from(levels[at])) as f32;
        let mut distances: Vec<f32> = (0..off.len()).map(|at| left(at).abs()).collect();
        let kept: Vec<usize> = (0..off.len()).filter(|at| distances[*at] <= limit).collect();
        let count = kept.len().max(1) as f64;
        let sum = |of: &dyn Fn(usize) -> f64| kept.iter().map(|at| of(*at)).sum::<f64>() / count;
        let (x, y) = (|at: usize| f64::from(levels[at]), |at: usize| f64::from(off[at]));
        let (mean_x, mean_y) = (sum(&x), sum(&y));
        let spread = sum(&|at| (x(at) - mean_x).powi(2));
        let slope = sum(&|at| (x(at) - mean_x) * (y(at) - mean_y));
        let gain = if spread > 1e-9 { slope / spread } else { 0.0 };
        fit = (mean_y - gain * mean_x, gain);
        distances.sort_by(f32::total_cmp);
        limit = OFF * distances.get(distances.len() / 2).copied().unwrap_or(0.0);
    }
    (fit.0 as f32, fit.1 as f32)
}

/// How each component is mixed from white numbers, so that those of one size hang together
/// as in the take (Cholesky). Components of different size are mixed each for itself.
fn mixes(rests: &[Rest], kernels: &[Kernel]) -> Vec<Vec<f32>> {
    let count = rests.len();
    let mut mixes: Vec<Vec<f32>> = Vec::new();
    for one in 0..count {
        let mut mix = vec![0.0_f32; one + 1];
        let mut left = 1.0_f32;
        for two in 0..one {
            if rests[one].shift != rests[two].shift {
                continue;
            }
            let alike = kernels[one].overlap(&kernels[two]).max(0.1);
            let wanted = (together(&rests[one], &rests[two]) / alike).clamp(-0.98, 0.98);
            let known: f32 = (0..two).map(|at| mix[at] * mixes[two][at]).sum();
            let own = mixes[two][two];
            let part = if own > 1e-3 { (wanted - known) / own } else { 0.0 };
            let most = left.max(0.0).sqrt() * 0.999;
            mix[two] = part.clamp(-most, most);
            left -= mix[two] * mix[two];
        }
        mix[one] = left.max(0.0).sqrt();
        mixes.push(mix);
    }
    mixes
}

/// The correlation of two components at the same place.
fn together(one: &Rest, two: &Rest) -> f32 {
    let (mut sum, mut count) = (0.0_f64, 0_usize);
    for tile in one.calm.iter().filter(|tile| two.calm.binary_search(tile).is_ok()) {
        let over = f64::from(one.over_strength(*tile) * two.over_strength(*tile));
        for (a, b) in one.frames.iter().zip(&two.frames) {
            sum += over * product(&a[tile * AREA..][..AREA], &b[tile * AREA..][..AREA]);
        }
        count += AREA * (one.frames.len() - 1);
    }
    (sum / count.max(1) as f64) as f32
}

#[cfg(test)]
mod tests {
    use super::super::Place;
    use super::*;
    use std::f64::consts::TAU;

    /// Normal numbers (Box and Muller 1958) from a congruential generator.
    struct Normal(u64);

    impl Normal {
        fn even(&mut self) -> f64 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            ((self.0 >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
        }

        fn next(&mut self) -> f32 {
            ((-2.0 * self.even().ln()).sqrt() * (TAU * self.even()).cos()) as f32
        }

        /// A tile of grain of variance 1 in which neighbours hang together as a blur by
        /// 1-2-1 makes them: two thirds and a sixth.
        fn tile(&mut self) -> Vec<f32> {
            let white: Vec<f32> = (0..18 * 18).map(|_| self.next()).collect();
            let mix = |x: usize, y: usize| -> f32 {
                let weight = |at: usize| [0.25, 0.5, 0.25][at];
                let all = (0..3).flat_map(|v| (0..3).map(move |u| (u, v)));
                all.map(|(u, v)| weight(u) * weight(v) * white[(y + v) * 18 + x + u]).sum::<f32>()
                    / 0.375
            };
            (0..AREA).map(|at| mix(at % TILE, at / TILE)).collect()
        }
    }

    fn strength(level: f32) -> f32 {
        (2.0 + level / 100.0).sqrt()
    }

    /// Three components of 10 bits; the second hangs together with the first by a half.
    /// In a fifth of the tiles something moves, and the light flickers.
    fn painted(frames: usize, tiles: usize) -> Vec<Tiled> {
        let mut normal = Normal(5);
        let levels: Vec<f32> =
            (0..tiles).map(|at| 60.0 + 800.0 * at as f32 / tiles as f32).collect();
        let blank = || Tiled {
            frames: Vec::new(),
            levels: levels.clone(),
            shift: (0, 0),
            rounded: true,
            peak: 1023.0,
        };
        let mut all = [blank(), blank(), blank()];
        for number in 0..frames {
            let light = 1.0 + 0.01 * (number as f32).sin();
            let mut kept = [const { Vec::new() }; 3];
            for (tile, level) in levels.iter().enumerate() {
                let own = [normal.tile(), normal.tile(), normal.tile()];
                for (component, kept) in kept.iter_mut().enumerate() {
                    for (at, (one, two)) in own[0].iter().zip(&own[1]).enumerate() {
                        let grain = match component {
                            0 => *one,
                            1 => 0.5 * one + 0.75_f32.sqrt() * two,
                            _ => own[2][at],
                        };
                        let moves = tile.is_multiple_of(5);
                        let sway =
                            if moves { 25.0 * ((at + 3 * number) as f32).sin() } else { 0.0 };
                        let code = (level + sway) * light + strength(*level) * grain;
                        kept.push(code.round());
                    }
                }
            }
            all.iter_mut().zip(kept).for_each(|(tiled, kept)| tiled.frames.push(kept));
        }
        all.into()
    }

    #[test]
    fn the_model_is_that_of_the_painted_grain() {
        let model = model(&painted(12, 300), true, "a take").unwrap();
        for component in 0..3 {
            for level in [100.0, 300.0, 500.0, 700.0] {
                // Rounding adds its own variance of a twelfth.
                let wanted = (strength(level).powi(2) + 1.0 / 12.0).sqrt();
                let off = model.strength(component, level) / wanted;
                assert!((off - 1.0).abs() < 0.02, "{component} at {level}: {off}");
            }
            // Correlations of a 1-2-1 blur: 2/3 and 1/6 along a row, products across.
            for ((x, y), wanted) in
                [((1, 0), 0.667), ((2, 0), 0.167), ((1, 1), 0.444), ((3, 0), 0.0)]
            {
                let got = model.correlation(component, x, y);
                assert!((got - wanted).abs() < 0.04, "{component} {x},{y}: {got}");
            }
            let lags = model.lags(component);
            assert!(lags.iter().all(|lag| lag.abs() < 0.03), "{lags:?}");
        }
    }

    #[test]
    fn new_grain_is_as_strong_and_nothing_of_it_stays() {
        let model = model(&painted(12, 300), true, "a take").unwrap();
        let place = Place { left: 40, top: 12, width: 160, height: 120 };
        let level = 400.0_f32;
        let levels = vec![level; 160 * 120];
        let frame = |number: u64, component: usize| -> Vec<f32> {
            let grain = model.fresh(number, component, place, &levels);
            grain.iter().map(|grain| (level + grain).round() - level).collect()
        };
        let power = |one: &[f32], two: &[f32]| product(one, two) / one.len() as f64;
        let wanted = f64::from(strength(level).powi(2)) + 1.0 / 12.0;
        let (mut own, mut lags, mut colours) = (0.0, [0.0; 2], 0.0);
        for number in 0..6 {
            let here = frame(number, 0);
            own += power(&here, &here) / wanted / 6.0;
            lags[0] += power(&here, &frame(number + 1, 0)) / wanted / 6.0;
            lags[1] += power(&here, &frame(number + 2, 0)) / wanted / 6.0;
            colours += power(&here, &frame(number, 1)) / wanted / 6.0;
        }
        assert!((0.97..=1.03).contains(&own.sqrt()), "{own}");
        assert!(lags.iter().all(|lag| lag.abs() < 0.02), "{lags:?}");
        assert!((colours - 0.5).abs() < 0.04, "{colours}");
    }

    #[test]
    fn grain_is_taken_off_and_what_is_left_is_known() {
        let model = model(&painted(12, 300), true, "a take").unwrap();
        let place = Place { left: 0, top: 0, width: 160, height: 96 };
        let clean: Vec<f32> = (0..160 * 96)
            .map(|at| {
                let (x, y) = ((at % 160) as f32, (at / 160) as f32);
                300.0 + 60.0 * (x / 30.0).sin() + if x + y > 120.0 { 80.0 } else { 0.0 }
            })
            .collect();
        let fresh = model.fresh(3, 0, place, &clean);
        let grainy: Vec<f32> = clean.iter().zip(&fresh).map(|(a, b)| a + b).collect();
        let done = model.cleaned(0, &grainy, place, &clean, 1.0);
        let off: Vec<f32> = done.plane.iter().zip(&clean).map(|(a, b)| a - b).collect();
        let (before, after) = (product(&fresh, &fresh), product(&off, &off));
        assert!(after < 0.35 * before, "{}", after / before);
        let told: f64 = done.left.iter().map(|left| f64::from(*left)).sum();
        assert!(told > 0.25 * after && told < 2.0 * after, "{}", told / after);
        let beside = model.fresh_beside(4, 0, place, &clean, &done.left);
        let both: Vec<f32> = beside.iter().zip(&off).map(|(a, b)| a + b).collect();
        let level = (product(&both, &both) / before).sqrt();
        assert!((0.95..=1.05).contains(&level), "{level}");
    }

    #[test]
    fn nothing_is_made_of_nothing() {
        assert!(model(&[], true, "").is_none());
        assert!(model(&painted(1, 20), true, "").is_none());
        let still = model(&painted(12, 300), true, "").unwrap();
        assert!(
            still.fresh(0, 7, Place { left: 0, top: 0, width: 1, height: 1 }, &[0.0]).is_empty()
        );
        assert!(
            still.fresh(0, 0, Place { left: 0, top: 0, width: 2, height: 1 }, &[0.0]).is_empty()
        );
    }
}
