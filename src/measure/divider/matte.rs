//! The static matte of the patch, full size.

use super::Division;
use super::crossing::near_sides;
use crate::measure::Plane;

/// Renders the patch region as a matte of source pixels: 1 where the plate shows, 0 where the
/// take does, with a feather of `feather_px` across the divider.
///
/// The feather is centred on the divider and as much narrower as boom and actors ask: every
/// pixel of the boom's mask that the region holds is 1, every actor's 0. Along the frame's
/// edge there is none. All 0 if there is no region.
pub fn alpha(division: &Division, width: usize, height: usize, feather_px: f64) -> Plane {
    let mut data = vec![0.0_f32; width.saturating_mul(height)];
    let region = division.region_on(width as f64, height as f64);
    if region.is_empty() || data.is_empty() {
        return Plane { width, height, data };
    }
    let half = feather_px.max(0.0) / 2.0;
    let near = near_sides(&region, width, height, half + 1.0);
    let (held, actors) = (Near::of(division, true), Near::of(division, false));
    let mut spans = Vec::new();
    for (y, row) in data.chunks_exact_mut(width).enumerate() {
        region.spans(y as f64 + 0.5, &mut spans);
        let (mut at, mut inside) = (0, false);
        for (x, value) in row.iter_mut().enumerate() {
            while spans.get(at).is_some_and(|start| *start <= x as f64 + 0.5) {
                at += 1;
                inside = !inside;
            }
            let from_divider = f64::from(near[y * width + x]);
            let stop = if inside { &held } else { &actors };
            let share = if from_divider >= half {
                1.0
            } else {
                let room = half.min(from_divider + stop.least(x, y));
                if room > 0.0 { (from_divider / room).min(1.0) } else { 1.0 }
            };
            // A straight ramp would show its two ends as lines.
            let soft = 0.5 * share * (1.5 - 0.5 * share * share);
            *value = (if inside { 0.5 + soft } else { 0.5 - soft }) as f32;
        }
    }
    Plane { width, height, data }
}

/// How near a source pixel may be to a set of the masks.
struct Near {
    near: Plane,
    scale: f64,
}

impl Near {
    fn of(division: &Division, held: bool) -> Near {
        let sets = &division.sets;
        let near = super::distances(if held { &sets.held } else { &sets.actors });
        Near { near, scale: division.scale }
    }

    /// Never more than the distance between pixel centres, in source pixels.
    fn least(&self, x: usize, y: usize) -> f64 {
        let cell = |at: usize, end: usize| ((at as f64 / self.scale) as usize).min(end - 1);
        let (column, row) = (cell(x, self.near.width), cell(y, self.near.height));
        let near = f64::from(self.near.data[row * self.near.width + column]);
        (near * self.scale - 2.0_f64.sqrt() * (self.scale - 1.0).max(0.0)).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::super::{DividerLimits, divide};
    use super::*;
    use crate::measure::Mask;

    #[test]
    fn boom_is_white_actors_are_black_and_between_it_falls_without_a_step() {
        for scale in [1_usize, 3] {
            let boom = Mask::from_fn(120, 80, |x, y| y < 20 && (30..60).contains(&x));
            let actors = Mask::from_fn(120, 80, |x, y| y > 26 + x / 10 || x > 100);
            let none = Mask::new(120, 80);
            let limits = DividerLimits::default();
            let found =
                divide(&boom, &boom, &actors, &none, scale as f64, &limits).expect("one size");
            let (width, height) = (120 * scale + scale / 2, 80 * scale);
            let matte = alpha(&found, width, height, 40.0);
            let at = |x: usize, y: usize| matte.data[y * width + x];
            for y in 0..height {
                for x in 0..120 * scale {
                    let (column, row) = (x / scale, y / scale);
                    assert!(!boom.has(column, row) || at(x, y) == 1.0, "boom at {x} {y}");
                    assert!(!actors.has(column, row) || at(x, y) == 0.0, "actor at {x} {y}");
                }
            }
            let down: Vec<f32> = (20 * scale..31 * scale).map(|y| at(45 * scale, y)).collect();
            assert!(down.windows(2).all(|pair| pair[0] >= pair[1]), "{down:?}");
            assert!(down.iter().filter(|v| **v > 0.0 && **v < 1.0).count() >= 4 * scale);
        }
    }
}
