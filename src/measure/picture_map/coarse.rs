//! Every scale of a grid on small pictures, place by cross correlation.

use super::PictureMap;
use super::even::even;
use crate::measure::{Excluded, Plane};
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};
use std::sync::Arc;

/// Longer side of the small proxy, in pixels.
const SMALL: usize = 64;

/// Side of the square both are laid into: twice the largest of either.
const FIELD: usize = 256;

/// Steps of the grid, as natural logarithms of scale. A step more or less puts the edge of the
/// small picture off by less than a pixel.
const STEP: f64 = 0.05;

/// How far the grid reaches either way: to a third and to three times. Ours.
const REACH: f64 = 1.1;

/// Returns places that may fit, at most [`super::FOLLOWED_UP`].
pub(super) fn places(
    proxy: &Plane,
    left_out: Option<&Excluded>,
    original: &Plane,
) -> Vec<PictureMap> {
    let side = proxy.width.max(proxy.height) as f64;
    let small = |length: usize| ((length as f64 * SMALL as f64 / side).round() as usize).max(8);
    let raster = (small(proxy.width), small(proxy.height));
    let mut seen = seen(proxy, left_out, raster);
    let little = sampled(proxy, raster);
    if seen.iter().all(|seen| !seen) {
        seen.fill(true);
    }
    let correlator = Correlator::new(&even(&little, &seen), raster);
    let steps = (REACH / STEP).round() as i32;
    let mut found: Vec<(f32, PictureMap)> = Vec::new();
    let factor = |step: i32| (f64::from(step) * STEP).exp();
    for down in -steps..=steps {
        for across in -steps..=steps {
            // How many pixels the whole original takes at this scale.
            let size = |length: usize, step: i32| (length as f64 / factor(step)).round() as usize;
            let size = (size(raster.0, across), size(raster.1, down));
            let fits = |length: usize| (8..=FIELD / 2).contains(&length);
            if !fits(size.0) || !fits(size.1) {
                continue;
            }
            let laid = sampled(original, size);
            let all = vec![true; laid.data.len()];
            let (height, (x, y)) = correlator.best(&even(&laid, &all), size);
            let scale = [
                original.width as f64 / size.0 as f64 * raster.0 as f64 / proxy.width as f64,
                original.height as f64 / size.1 as f64 * raster.1 as f64 / proxy.height as f64,
            ];
            // The small proxy's corner lies at (x, y) of the small original.
            let offset = [
                f64::from(x) * original.width as f64 / size.0 as f64,
                f64::from(y) * original.height as f64 / size.1 as f64,
            ];
            found.push((height, PictureMap { scale, offset }));
        }
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0));
    let whole = PictureMap::full((proxy.width, proxy.height), (original.width, original.height));
    // Neighbours on the grid lead to the same fit.
    let mut kept: Vec<PictureMap> = vec![whole];
    let limit = 0.04 * original.width.max(original.height) as f64;
    for (_, map) in found.iter().take(400) {
        if kept.len() >= super::FOLLOWED_UP {
            break;
        }
        if kept.iter().all(|known| known.apart(map, (proxy.width, proxy.height)) > limit) {
            kept.push(*map);
        }
    }
    kept
}

/// Averages a picture into a raster of another size.
pub(super) fn sampled(plane: &Plane, (width, height): (usize, usize)) -> Plane {
    let rows = pieces(plane.height, height);
    let columns = pieces(plane.width, width);
    let mut data = Vec::with_capacity(width * height);
    let mut line = vec![0.0_f64; plane.width];
    for row in &rows {
        line.fill(0.0);
        for (y, share) in row {
            let from = &plane.data[y * plane.width..(y + 1) * plane.width];
            line.iter_mut().zip(from).for_each(|(sum, value)| *sum += share * f64::from(*value));
        }
        data.extend(
            columns
                .iter()
                .map(|column| column.iter().map(|(x, share)| share * line[*x]).sum::<f64>() as f32),
        );
    }
    Plane { width, height, data }
}

/// For each of `count` equal parts of `length` pixels, which pixels it covers and how much of
/// the part each makes.
fn pieces(length: usize, count: usize) -> Vec<Vec<(usize, f64)>> {
    let step = length as f64 / count as f64;
    let piece = |at: usize| {
        let (from, to) = (at as f64 * step, (at + 1) as f64 * step);
        let last = (to.ceil() as usize).min(length);
        let share = |x: usize| (to.min((x + 1) as f64) - from.max(x as f64)).max(0.0) / step;
        (from.floor() as usize..last).map(|x| (x, share(x))).collect()
    };
    (0..count).map(piece).collect()
}

/// Which pixels of a raster hold nothing that is left out.
fn seen(plane: &Plane, left_out: Option<&Excluded>, (width, height): (usize, usize)) -> Vec<bool> {
    let Some(left_out) = left_out else { return vec![true; width * height] };
    let span = |at: usize, length: usize, count: usize| {
        at * length / count..((at + 1) * length).div_ceil(count)
    };
    let free = |at: usize| {
        let (x, y) = (at % width, at / width);
        left_out.is_free(span(x, plane.width, width), span(y, plane.height, height))
    };
    (0..width * height).map(free).collect()
}

/// Correlates small originals with one small proxy.
struct Correlator {
    way: [Arc<dyn Fft<f32>>; 2],
    raster: (usize, usize),
    /// Spectrum of the proxy, conjugated.
    proxy: Vec<Complex<f32>>,
    energy: f32,
}

impl Correlator {
    fn new(proxy: &[f32], raster: (usize, usize)) -> Correlator {
        let mut planner = FftPlanner::new();
        let way = [planner.plan_fft_forward(FIELD), planner.plan_fft_inverse(FIELD)];
        let energy = proxy.iter().map(|value| value * value).sum();
        let mut correlator = Correlator { way, raster, proxy: Vec::new(), energy };
        let mut spectrum = correlator.spectrum(proxy, raster);
        spectrum.iter_mut().for_each(|value| *value = value.conj());
        correlator.proxy = spectrum;
        correlator
    }

    fn spectrum(&self, data: &[f32], (width, _): (usize, usize)) -> Vec<Complex<f32>> {
        let mut field = vec![Complex::default(); FIELD * FIELD];
        for (row, from) in field.chunks_exact_mut(FIELD).zip(data.chunks_exact(width)) {
            row.iter_mut().zip(from).for_each(|(to, from)| to.re = *from);
        }
        self.transform(field, 0)
    }

    fn transform(&self, mut data: Vec<Complex<f32>>, way: usize) -> Vec<Complex<f32>> {
        for _ in 0..2 {
            self.way[way].process(&mut data);
            for y in 0..FIELD {
                for x in 0..y {
                    data.swap(y * FIELD + x, x * FIELD + y);
                }
            }
        }
        data
    }

    /// Returns the best correlation with an original of `size`, and where the proxy's corner
    /// lies in it.
    fn best(&self, original: &[f32], size: (usize, usize)) -> (f32, (i32, i32)) {
        let mut field = self.spectrum(original, size);
        field.iter_mut().zip(&self.proxy).for_each(|(value, proxy)| *value *= proxy);
        let heights = self.transform(field, 1);
        let energy: f32 = original.iter().map(|value| value * value).sum();
        let scale = (FIELD * FIELD) as f32 * (self.energy * energy).sqrt().max(f32::MIN_POSITIVE);
        let range = |original: usize, proxy: usize| {
            let least = (super::LEAST_OVERLAP * original.min(proxy) as f64) as i32;
            least - proxy as i32..=original as i32 - least
        };
        let mut best = (f32::NEG_INFINITY, (0, 0));
        for y in range(size.1, self.raster.1) {
            for x in range(size.0, self.raster.0) {
                let wrapped = |at: i32| at.rem_euclid(FIELD as i32) as usize;
                let height = heights[wrapped(y) * FIELD + wrapped(x)].re / scale;
                if height > best.0 {
                    best = (height, (x, y));
                }
            }
        }
        best
    }
}
