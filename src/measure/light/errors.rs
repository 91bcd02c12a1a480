//! How far the answers of a fit may be off.

use super::fit::{Ratio, Surface, weight};
use super::normal::LIFT_PRIOR;

/// Standard error of a weighted mean from what is left, and from how much neighbours share
/// of it: grain and coding errors are wider than a block.
pub(super) fn gain_error(blocks: &[Ratio], tilt: Surface, window: f64) -> f64 {
    let (mut all, mut squares, mut own, mut shared, mut pairs) = (0.0, 0.0, 0.0, 0.0, 0_usize);
    let mut count = 0_usize;
    let mut last: Option<((u32, u32), f64)> = None;
    for block in blocks {
        let off = tilt.off(block);
        let weight = weight(off, window) / (block.slope * block.slope);
        if weight <= 0.0 {
            continue;
        }
        let left = off * block.slope * tilt.of(block);
        all += weight;
        squares += (weight * left).powi(2);
        own += off * off;
        count += 1;
        if let Some((at, before)) = last
            && at.1 == block.at.1
            && at.0 + 1 == block.at.0
        {
            shared += off * before;
            pairs += 1;
        }
        last = Some((block.at, off));
    }
    if count < 2 || all <= 0.0 {
        return f64::INFINITY;
    }
    let like = if pairs == 0 { 0.0 } else { shared / pairs as f64 / (own / count as f64) };
    // A first-order process across and down: (1 + r) / (1 - r) along each axis.
    let like = like.clamp(0.0, 0.9);
    squares.sqrt() / all * ((1.0 + like) / (1.0 - like))
}

/// Standard errors of the slopes: that of the gain over the spread of the blocks.
pub(super) fn slope_errors(blocks: &[Ratio], tilt: Surface, window: f64) -> (f64, f64) {
    let (mut all, mut x, mut y, mut xx, mut yy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for block in blocks {
        let weight = weight(tilt.off(block), window) / (block.slope * block.slope);
        all += weight;
        x += weight * block.x;
        y += weight * block.y;
        xx += weight * block.x * block.x;
        yy += weight * block.y * block.y;
    }
    let error = gain_error(blocks, tilt, window);
    let spread = |one: f64, two: f64| (two / all - (one / all).powi(2)).max(1e-12).sqrt();
    (error / spread(x, xx), error / spread(y, yy))
}

/// Standard errors of the lift and of the gain beside it: the fewer levels, the larger.
pub(super) fn lift_errors(blocks: &[Ratio], tilt: Surface, window: f64, error: f64) -> (f64, f64) {
    let (mut all, mut slopes, mut squares) = (0.0, 0.0, 0.0);
    for block in blocks {
        let weight = weight(tilt.off(block), window) / (block.slope * block.slope);
        all += weight;
        slopes += weight * block.slope;
        squares += weight * block.slope * block.slope;
    }
    let mean = slopes / all;
    let spread = (squares / all - mean * mean).max(1e-12).sqrt();
    let lift = (error / spread).min(LIFT_PRIOR);
    (lift, error.hypot(lift * mean))
}
