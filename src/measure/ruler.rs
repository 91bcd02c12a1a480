//! One ruler for all limits: would it show?
//!
//! A fault of the patch shows where the plate meets the take, along the divider. It is
//! predicted there from the mean of the plate and held against the grain that hides it, both
//! at the size that is delivered:
//!
//! ```text
//!   shift  px * gradient           gain   gain * level + offset
//!   blur   picture less its blur   sway   px * gradient, moving
//!
//!   visibility = error / grain, at the pixel and over a patch of sight, whichever is more
//! ```
//!
//! Over a patch of [`VisibilityLimits::sight_px`] grain averages out and a step of level does
//! not, so a step is seen long before it reaches the grain of a single pixel. A strong edge
//! hides errors as well: sight tells no displacement finer than
//! [`VisibilityLimits::vernier_px`], so what such a displacement makes adds to the grain.
//!
//! The figure is the 99.9th percentile along the band. On the textured invented scenes of the
//! tests, with grain of 13 codes of 1023 rms, a shift of .1 px comes to .92 to .96. That is set
//! by `vernier_px`: it was chosen so that .1 px comes to 1 and .2 px to 2 at most, whatever the
//! contrast. Without it the same scenes gave 2.4 to 3.7 for .1 px, mostly from the patch.

use super::Plane;
use super::divider::{Division, near_sides};
use crate::settings::VisibilityLimits;
use serde::Serialize;
use std::cell::OnceCell;

/// What a visibility comes to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Grade {
    /// Nothing shows.
    Go,
    /// Somebody should look.
    Attention,
    /// It shows.
    Stop,
}

impl Grade {
    /// Grades a visibility; one that is not a number stops.
    pub fn of(visibility: f64, limits: &VisibilityLimits) -> Grade {
        match visibility {
            v if v <= limits.go => Grade::Go,
            v if v <= limits.attention => Grade::Attention,
            _ => Grade::Stop,
        }
    }
}

/// Predicts how visible faults are along one divider, at one delivery.
#[derive(Debug, Clone)]
pub struct Ruler {
    /// The mean of the plate, at about delivery size.
    mean: Plane,
    /// Source pixels for each of its pixels.
    scale: f64,
    /// Slopes across and down, in codes for each of its pixels.
    slopes: Error,
    /// The same averaged over patches of sight.
    patch_slopes: Error,
    /// Side of the patch of sight, in its pixels.
    sight: usize,
    band: Vec<Spot>,
    limits: VisibilityLimits,
    /// Visibility of a shift of one of its pixels.
    of_shift: f64,
    /// Visibility of each blur of [`BLURS`], once it was asked for: wide ones take seconds, and
    /// hardly any picture has them.
    of_blurs: [OnceCell<f64>; BLURS.len()],
}

/// Blurs whose visibility is worked out, in pixels of the mean; between them it is straight.
const BLURS: [f64; 13] = [0.0, 0.125, 0.25, 0.375, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 5.0, 9.0, 16.0];

/// A pixel of the band along the divider.
#[derive(Debug, Clone, Copy)]
struct Spot {
    at: usize,
    /// Grain at the pixel, in codes.
    pixel_grain: f64,
    /// What hides an error at the pixel and over a patch of sight, in codes.
    grain: [f64; 2],
    /// Level at the pixel and its mean over a patch of sight, in codes.
    level: [f64; 2],
}

/// An error along the band: a number, or a number for each axis.
type Error = [Vec<f32>; 2];

impl Ruler {
    /// Makes a ruler from mean and variance over time of the plate, in codes of eight bits.
    /// `scale_to_delivery` is the number of delivery pixels for each source pixel, along a
    /// side; `division` tells where the divider is and how large the source is.
    ///
    /// `coarser` is the variance of the same frames averaged over larger blocks, if there is
    /// one: it tells how fast grain falls with size. Without it grain counts as white where
    /// the delivery is smaller, and as no more than measured where it is larger: no fault
    /// looks smaller than it is.
    ///
    /// `None` without a divider, if mean and variance differ in size, or if
    /// `scale_to_delivery` is not a positive number.
    pub fn new(
        mean: &Plane,
        variance: &Plane,
        coarser: Option<&Plane>,
        division: &Division,
        scale_to_delivery: f64,
        limits: &VisibilityLimits,
    ) -> Option<Ruler> {
        let alike = (mean.width, mean.height) == (variance.width, variance.height);
        let (view, _) = (mean.view()?, variance.view()?);
        if !alike || mean.width == 0 || !(scale_to_delivery > 0.0 && scale_to_delivery.is_finite())
        {
            return None;
        }
        let source_width = division.mask_size().0 as f64 * division.scale;
        let measured_at = source_width / mean.width as f64;
        let delivered_at = 1.0 / scale_to_delivery;
        let fall = coarser.and_then(|coarser| {
            let near = Band::along(division, variance, measured_at);
            fall(variance, coarser, &near)
        });
        let by = ((delivered_at / measured_at).round() as usize).max(1);
        let mean = view.reduced(by.min(mean.width.min(mean.height)));
        let variance = variance.view()?.reduced(by.min(variance.width.min(variance.height)));
        let scale = measured_at * by as f64;
        let near = Band::along(division, &mean, scale);
        let sight = ((limits.sight_px * delivered_at / scale).round() as usize).max(1);
        let to_delivery = delivered_at / measured_at;
        let grain = Grain {
            to_pixel: to_delivery.powf(-fall.unwrap_or(if to_delivery > 1.0 { 1.0 } else { 0.0 })),
            to_patch: limits.sight_px.max(1.0).powf(-fall.unwrap_or(1.0)),
            floor: limits.grain_floor_codes,
        };
        let band = grain.along(&variance, &near);
        if band.is_empty() {
            return None;
        }
        let slopes = slopes(&mean);
        let mut ruler = Ruler {
            mean,
            scale,
            slopes,
            patch_slopes: Error::default(),
            sight,
            band,
            limits: *limits,
            of_shift: 0.0,
            of_blurs: std::array::from_fn(|_| OnceCell::new()),
        };
        ruler.patch_slopes = ruler.slopes.each_ref().map(|axis| ruler.averaged(axis));
        ruler.hide_at_edges(limits.vernier_px * delivered_at / scale);
        let patch_levels = ruler.averaged(&ruler.mean.data);
        for spot in &mut ruler.band {
            spot.level = [ruler.mean.data[spot.at], patch_levels[spot.at]].map(f64::from);
        }
        ruler.of_shift = ruler.most(&ruler.slopes, &ruler.patch_slopes, 1.0);
        Some(ruler)
    }

    /// Returns the visibility of a shift of the plate against the take, in source pixels, in
    /// whatever direction it shows most.
    pub fn shift(&self, px: f64) -> f64 {
        self.of_shift * (px / self.scale).abs()
    }

    /// Returns the visibility of background that sways by so many source pixels.
    pub fn sway(&self, px: f64) -> f64 {
        self.shift(px) * self.limits.motion_factor
    }

    /// Returns the visibility of light that differs: the take is `gain` times the plate plus
    /// `offset`, in codes of eight bits.
    pub fn gain(&self, gain: f64, offset: f64) -> f64 {
        let most = |which: usize| {
            let off = |spot: &Spot| (gain - 1.0) * spot.level[which] + offset;
            let shown = self.band.iter().map(|spot| off(spot).abs() / spot.grain[which]);
            percentile(&mut shown.collect::<Vec<f64>>(), self.part())
        };
        most(0).max(most(1))
    }

    /// Returns the visibility of a difference in sharpness: one of plate and take is the
    /// other blurred by a Gaussian of this sigma, in source pixels (at most 16 are told).
    pub fn blur(&self, sigma_px: f64) -> f64 {
        let sigma = (sigma_px / self.scale).abs().min(16.0);
        if sigma == 0.0 {
            return 0.0;
        }
        let known = |at: usize| *self.of_blurs[at].get_or_init(|| self.of_blur(BLURS[at]));
        let above = BLURS.iter().position(|known| *known >= sigma).unwrap_or(BLURS.len() - 1);
        let below = above.saturating_sub(1);
        let step = (BLURS[above] - BLURS[below]).max(f64::MIN_POSITIVE);
        let (low, high) = (known(below), known(above));
        low + (high - low) * ((sigma - BLURS[below]) / step).min(1.0)
    }

    /// The visibility of a blur in pixels of the mean, worked out.
    fn of_blur(&self, sigma: f64) -> f64 {
        let blurred = blurred(&self.mean, sigma * sigma);
        let error = self.mean.data.iter().zip(&blurred).map(|(sharp, soft)| sharp - soft);
        self.visibility(error.collect())
    }

    /// Returns the largest shift, in source pixels, that is still of this visibility;
    /// infinite where nothing would show any.
    pub fn shift_for(&self, visibility: f64) -> f64 {
        let one = self.shift(1.0);
        if one > 0.0 { visibility / one } else { f64::INFINITY }
    }

    /// Returns the middle of the plate's levels along the divider, in codes of eight bits.
    pub fn level_codes(&self) -> f64 {
        let at = |spot: &Spot| f64::from(self.mean.data[spot.at]);
        percentile(&mut self.band.iter().map(at).collect::<Vec<f64>>(), 0.5)
    }

    /// Returns the middle of the grain along the divider at delivery size, in codes of eight
    /// bits, the floor included.
    pub fn grain_codes(&self) -> f64 {
        let mut grain: Vec<f64> = self.band.iter().map(|spot| spot.pixel_grain).collect();
        percentile(&mut grain, 0.5)
    }

    fn visibility(&self, error: Vec<f32>) -> f64 {
        let patch = self.averaged(&error);
        self.most(&[error, Vec::new()], &[patch, Vec::new()], 1.0)
    }

    fn most(&self, error: &Error, patch: &Error, times: f64) -> f64 {
        let most = |error: &Error, which: usize| {
            let shown = |spot: &Spot| length(error, spot.at) * times.abs() / spot.grain[which];
            let mut shown: Vec<f64> = self.band.iter().map(shown).collect();
            percentile(&mut shown, self.part())
        };
        most(error, 0).max(most(patch, 1))
    }

    /// The part of the band that counts.
    fn part(&self) -> f64 {
        1.0 - self.limits.spared_per_mille / 1e3
    }

    /// Adds to the grain what the finest displacement that sight tells would make of an edge.
    fn hide_at_edges(&mut self, finest: f64) {
        for spot in &mut self.band {
            for (grain, slopes) in spot.grain.iter_mut().zip([&self.slopes, &self.patch_slopes]) {
                *grain = grain.hypot(finest * length(slopes, spot.at));
            }
        }
    }

    fn averaged(&self, error: &[f32]) -> Vec<f32> {
        if error.is_empty() {
            return Vec::new();
        }
        box_mean(error, self.mean.width, self.mean.height, self.sight)
    }
}

/// Length of an error at a pixel.
fn length(error: &Error, at: usize) -> f64 {
    let axis = |n: usize| error[n].get(at).map_or(0.0, |value| f64::from(*value));
    axis(0).hypot(axis(1))
}

/// Slopes across and down, in codes for each pixel.
fn slopes(mean: &Plane) -> Error {
    let (width, height) = (mean.width, mean.height);
    let at = |x: usize, y: usize, axis: usize, step: isize| {
        let along = |value: usize, end: usize, moves: bool| {
            let moved = value as isize + if moves { step } else { 0 };
            moved.clamp(0, end as isize - 1) as usize
        };
        let (x, y) = (along(x, width, axis == 0), along(y, height, axis == 1));
        mean.data[y * width + x]
    };
    let mut slopes = [vec![0.0; width * height], vec![0.0; width * height]];
    for (axis, slope) in slopes.iter_mut().enumerate() {
        for (y, row) in slope.chunks_exact_mut(width).enumerate() {
            for (x, value) in row.iter_mut().enumerate() {
                let tap = |step| at(x, y, axis, step);
                // Four taps: the plain difference halves the slope of fine texture.
                *value = (8.0 * (tap(1) - tap(-1)) - (tap(2) - tap(-2))) / 12.0;
            }
        }
    }
    slopes
}

/// Pixels along a divider.
struct Band(Vec<usize>);

impl Band {
    fn along(division: &Division, plane: &Plane, scale: f64) -> Band {
        let region = division.region.scaled(1.0 / scale);
        let wide = (division.feather_px() / 2.0 / scale).max(2.0);
        if region.is_empty() {
            return Band(Vec::new());
        }
        let near = near_sides(&region, plane.width, plane.height, wide);
        Band((0..near.len()).filter(|at| f64::from(near[*at]) < wide).collect())
    }
}

/// How grain changes on the way from where it was measured.
struct Grain {
    to_pixel: f64,
    to_patch: f64,
    floor: f64,
}

impl Grain {
    /// Grain by place: it differs with level. What moves in the plate is no grain, so no
    /// place counts more than twice the middle one.
    fn along(&self, variance: &Plane, band: &Band) -> Vec<Spot> {
        const PATCH: usize = 16;
        let smooth = box_mean(&variance.data, variance.width, variance.height, PATCH);
        let sigma = |at: &usize| f64::from(smooth[*at].max(0.0)).sqrt();
        let mut all: Vec<f64> = band.0.iter().map(sigma).collect();
        let most = 2.0 * percentile(&mut all, 0.5);
        let spot = |at: &usize| {
            let pixel = sigma(at).min(most) * self.to_pixel;
            let patch = pixel * self.to_patch;
            let grain = [pixel.max(self.floor), patch.max(self.floor)];
            Spot { at: *at, pixel_grain: grain[0], grain, level: [0.0; 2] }
        };
        band.0.iter().map(spot).collect()
    }
}

/// How fast grain falls with the side of a pixel: 1 is white, 0 does not fall. Measured along
/// the band, between a variance and that of larger blocks.
fn fall(variance: &Plane, coarser: &Plane, band: &Band) -> Option<f64> {
    let ratio = variance.width as f64 / coarser.width.max(1) as f64;
    if ratio < 1.5 || coarser.view().is_none() || band.0.is_empty() {
        return None;
    }
    let cell = |at: usize, end: usize| ((at as f64 / ratio) as usize).min(end - 1);
    let there = |at: &usize| {
        let (x, y) = (at % variance.width, at / variance.width);
        let (x, y) = (cell(x, coarser.width), cell(y, coarser.height));
        f64::from(coarser.data[y * coarser.width + x])
    };
    let mut fine: Vec<f64> = band.0.iter().map(|at| f64::from(variance.data[*at])).collect();
    let mut coarse: Vec<f64> = band.0.iter().map(there).collect();
    let (fine, coarse) = (percentile(&mut fine, 0.5), percentile(&mut coarse, 0.5));
    let fall = (fine / coarse).ln() / (2.0 * ratio.ln());
    fall.is_finite().then(|| fall.clamp(0.0, 1.0))
}

/// Nearest-rank percentile; 0 of nothing.
fn percentile(values: &mut [f64], part: f64) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let rank = (part * values.len() as f64).ceil() as usize;
    let (_, value, _) =
        values.select_nth_unstable_by(rank.clamp(1, values.len()) - 1, f64::total_cmp);
    *value
}

/// Means over squares of `side` pixels about each pixel, cut at the edges.
fn box_mean(data: &[f32], width: usize, height: usize, side: usize) -> Vec<f32> {
    let mut sums = vec![0.0_f64; (width + 1) * (height + 1)];
    for y in 0..height {
        let mut row = 0.0;
        for x in 0..width {
            row += f64::from(data[y * width + x]);
            sums[(y + 1) * (width + 1) + x + 1] = sums[y * (width + 1) + x + 1] + row;
        }
    }
    let span = |at: usize, end: usize| {
        let from = at.saturating_sub(side / 2);
        (from, (at + side - side / 2).min(end))
    };
    let mut means = vec![0.0; width * height];
    for y in 0..height {
        let (top, bottom) = span(y, height);
        for x in 0..width {
            let (left, right) = span(x, width);
            let sum = |x: usize, y: usize| sums[y * (width + 1) + x];
            let total = sum(right, bottom) - sum(left, bottom) - sum(right, top) + sum(left, top);
            means[y * width + x] = (total / ((right - left) * (bottom - top)) as f64) as f32;
        }
    }
    means
}

/// Blurs a plane by a kernel of this variance: three taps, again and again, whose variances
/// add up exactly and whose shape comes to a Gaussian.
fn blurred(plane: &Plane, variance: f64) -> Vec<f32> {
    let rounds = (variance / 0.4).ceil().max(1.0) as usize;
    let side = (variance / rounds as f64 / 2.0) as f32;
    let (width, height) = (plane.width, plane.height);
    let mut data = plane.data.clone();
    let mut line = Vec::new();
    let smooth = |line: &mut Vec<f32>| {
        for _ in 0..rounds {
            let mut last = line[0];
            for at in 0..line.len() {
                let here = line[at];
                let next = line.get(at + 1).copied().unwrap_or(here);
                line[at] = here + side * (last - 2.0 * here + next);
                last = here;
            }
        }
    };
    for row in data.chunks_exact_mut(width.max(1)) {
        line.clear();
        line.extend_from_slice(row);
        smooth(&mut line);
        row.copy_from_slice(&line);
    }
    for x in 0..width {
        line.clear();
        line.extend((0..height).map(|y| data[y * width + x]));
        smooth(&mut line);
        line.iter().enumerate().for_each(|(y, value)| data[y * width + x] = *value);
    }
    data
}

#[cfg(test)]
mod tests {
    use super::super::Mask;
    use super::super::divider::{DividerLimits, divide};
    use super::*;

    const WIDTH: usize = 320;
    const HEIGHT: usize = 180;

    fn division() -> Division {
        let boom = Mask::from_fn(WIDTH, HEIGHT, |x, y| y < 60 && (100..200).contains(&x));
        let none = Mask::new(WIDTH, HEIGHT);
        divide(&boom, &boom, &none, &none, 1.0, &DividerLimits::default()).expect("one size")
    }

    fn plane(level: impl Fn(usize, usize) -> f64) -> Plane {
        let at = (0..HEIGHT).flat_map(|y| (0..WIDTH).map(move |x| (x, y)));
        Plane { width: WIDTH, height: HEIGHT, data: at.map(|(x, y)| level(x, y) as f32).collect() }
    }

    fn ruler(mean: &Plane, sigma: f64, to_delivery: f64) -> Ruler {
        let variance = plane(|_, _| sigma * sigma);
        let limits = VisibilityLimits::default();
        Ruler::new(mean, &variance, None, &division(), to_delivery, &limits).expect("a divider")
    }

    #[test]
    fn a_bare_wall_hides_a_shift_that_an_edge_shows() {
        let limits = VisibilityLimits::default();
        let wall = ruler(&plane(|x, _| 120.0 + x as f64 * 0.05), 1.0, 1.0);
        assert_eq!(Grade::of(wall.shift(2.0), &limits), Grade::Go);
        assert!(wall.shift_for(1.0) > 5.0, "{}", wall.shift_for(1.0));
        let edge =
            ruler(&plane(|x, _| 40.0 + 120.0 / (1.0 + (-(x as f64 - 150.0)).exp())), 1.0, 1.0);
        assert_eq!(Grade::of(edge.shift(0.15), &limits), Grade::Attention);
        assert_eq!(Grade::of(edge.shift(0.25), &limits), Grade::Stop);
        assert!((0.1..0.11).contains(&edge.shift_for(1.0)), "{}", edge.shift_for(1.0));
        assert_eq!(Grade::of(f64::NAN, &limits), Grade::Stop);
    }

    #[test]
    fn what_is_worked_out_once_is_what_the_plain_way_gives() {
        let ruler = ruler(&plane(|x, y| 90.0 + 40.0 * ((x * y) as f64 / 700.0).sin()), 1.3, 0.5);
        let plain = |gain: f64, offset: f64| {
            let off = |level: &f32| ((gain - 1.0) * f64::from(*level) + offset) as f32;
            ruler.visibility(ruler.mean.data.iter().map(off).collect())
        };
        for (gain, offset) in [(1.02, 0.0), (0.97, 4.0), (1.0, -2.0)] {
            let (fast, plain) = (ruler.gain(gain, offset), plain(gain, offset));
            assert!((fast - plain).abs() < 1e-3 * plain, "{fast} {plain}");
        }
        for px in [0.05, 1.0, 3.0] {
            let plain = ruler.most(&ruler.slopes, &ruler.patch_slopes, px / ruler.scale);
            assert!((ruler.shift(px) - plain).abs() < 1e-9 * plain.max(1.0));
        }
        for (sigma, within) in [(0.5, 1e-9), (0.6, 0.06), (1.2, 0.06), (2.5, 0.06)] {
            let plain = ruler.of_blur(sigma);
            let fast = ruler.blur(sigma * ruler.scale);
            assert!((fast - plain).abs() <= within * plain, "{sigma}: {fast} {plain}");
        }
    }

    #[test]
    fn a_ramp_is_shifted_by_its_slope_and_sway_shows_twice() {
        // By hand: 2 codes a pixel, .3 px, grain 1.5 codes.
        let ramp =
            ruler(&plane(|x, y| 20.0 + 1.2 * x as f64 * 0.5 + 1.6 * y as f64 * 0.5), 1.5, 1.0);
        let slope: f64 = (0.6_f64 * 0.6 + 0.8 * 0.8).sqrt();
        // The slope is the same over a patch of sight, where grain is at its floor.
        let hidden = 0.5_f64.hypot(0.1 * slope);
        assert!((ramp.shift(0.3) - 0.3 * slope / hidden).abs() < 0.01, "{}", ramp.shift(0.3));
        assert!((ramp.sway(0.3) - 2.0 * ramp.shift(0.3)).abs() < 1e-9);
    }

    #[test]
    fn a_step_of_one_code_of_eight_bits_asks_for_attention() {
        // A patch off by one such code is at or above the threshold of sight: under BT.1886
        // it is 1.1 to 5 % of the level, and sight tells .5 to 2 % (Poynton, from memory).
        let limits = VisibilityLimits::default();
        for sigma in [0.0, 1.0, 3.25] {
            // Just below the limit: one per cent of 99.
            let wall = ruler(&plane(|_, _| 99.0), sigma, 1.0);
            assert_eq!(Grade::of(wall.gain(1.01, 0.0), &limits), Grade::Attention, "{sigma}");
            assert_eq!(Grade::of(wall.gain(1.0, 0.4), &limits), Grade::Go);
            assert_eq!(Grade::of(wall.gain(0.97, 0.0), &limits), Grade::Stop);
        }
    }

    #[test]
    fn blur_takes_from_a_wave_what_the_gaussian_says() {
        // A wave of wave number k keeps exp(-k^2 sigma^2 / 2) of its height.
        let k = 0.8_f64;
        let wave = ruler(&plane(|x, _| 100.0 + 40.0 * (k * x as f64).sin()), 2.0, 1.0);
        for sigma in [0.2, 0.5, 1.0] {
            let expected = 40.0 * (1.0 - (-k * k * sigma * sigma / 2.0_f64).exp()) / 2.0;
            let found = wave.blur(sigma);
            assert!((found / expected - 1.0).abs() < 0.05, "{sigma}: {found} {expected}");
        }
    }

    #[test]
    fn grain_falls_on_the_way_to_a_smaller_delivery_and_errors_do_not() {
        let wall = plane(|x, _| 100.0 + x as f64 * 4.0 / 10.0);
        let (full, half) = (ruler(&wall, 4.0, 1.0), ruler(&wall, 4.0, 0.5));
        assert!((full.grain_codes() - 4.0).abs() < 1e-3);
        assert!((half.grain_codes() - 2.0).abs() < 1e-3, "{}", half.grain_codes());
        assert!(half.shift(0.5) > 0.98 * full.shift(0.5));
        // Grain that does not fall over blocks of two is not assumed to.
        let variance = plane(|_, _| 16.0);
        let coarser = variance.view().expect("whole").reduced(2);
        let limits = VisibilityLimits::default();
        let found = Ruler::new(&wall, &variance, Some(&coarser), &division(), 0.5, &limits);
        assert!((found.expect("a divider").grain_codes() - 4.0).abs() < 1e-3);
    }

    #[test]
    fn without_a_divider_there_is_no_ruler() {
        let none = Mask::new(WIDTH, HEIGHT);
        let nothing = divide(&none, &none, &none, &none, 1.0, &DividerLimits::default());
        let (mean, limits) = (plane(|_, _| 1.0), VisibilityLimits::default());
        let nothing = nothing.expect("one size");
        assert!(Ruler::new(&mean, &mean, None, &nothing, 1.0, &limits).is_none());
        assert!(Ruler::new(&mean, &mean, None, &division(), f64::NAN, &limits).is_none());
    }
}
