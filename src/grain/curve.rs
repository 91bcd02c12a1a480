//! Variance by level.

/// Variance of grain by level: straight between knots, level beyond the ends.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Curve {
    /// Level and variance, in order of level; at least one.
    knots: Vec<(f32, f32)>,
}

/// Most knots. Ours: enough for a curve's toe and knee.
const MOST_KNOTS: usize = 24;

/// Fewest tiles behind a knot.
const LEAST_TILES: usize = 6;

/// How much more than the calm quarter a tile may vary before it is taken to move. Ours:
/// the variance of one tile is known to some hundredths.
const CALM: f32 = 1.3;

/// One tile: its level and its variance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    pub level: f32,
    pub variance: f32,
    /// Which tile it is.
    pub tile: usize,
}

impl Curve {
    /// Fits a curve to tiles, and returns the tiles that are at rest; `None` without any.
    ///
    /// Within a narrow range of levels tiles at rest vary alike and those in which
    /// something moves vary more: the calm quarter tells which are which.
    pub fn fitted(mut points: Vec<Point>) -> Option<(Curve, Vec<usize>)> {
        points.retain(|point| point.level.is_finite() && point.variance.is_finite());
        points.sort_by(|a, b| a.level.total_cmp(&b.level).then(a.tile.cmp(&b.tile)));
        let size = points.len().div_ceil(MOST_KNOTS).max(LEAST_TILES).min(points.len().max(1));
        let (mut knots, mut calm) = (Vec::new(), Vec::new());
        for bin in points.chunks(size) {
            // A short last bin leans on its neighbour.
            let whole = if bin.len() < size && !knots.is_empty() {
                &points[points.len() - size..]
            } else {
                bin
            };
            let mut variances: Vec<f32> = whole.iter().map(|point| point.variance).collect();
            variances.sort_by(f32::total_cmp);
            let quarter = variances[variances.len() / 4];
            let resting = |point: &&Point| point.variance <= quarter * CALM;
            let kept: Vec<&Point> = whole.iter().filter(resting).collect();
            calm.extend(bin.iter().filter(resting).map(|point| point.tile));
            let mean = |of: fn(&Point) -> f32| {
                kept.iter().map(|point| f64::from(of(point))).sum::<f64>() / kept.len() as f64
            };
            knots.push((mean(|point| point.level) as f32, mean(|point| point.variance) as f32));
        }
        (!knots.is_empty()).then(|| {
            knots.sort_by(|a, b| a.0.total_cmp(&b.0));
            (Curve { knots }, calm)
        })
    }

    /// Returns the variance at a level.
    pub fn variance(&self, level: f32) -> f32 {
        let after = self.knots.partition_point(|knot| knot.0 <= level);
        let above = self.knots.get(after).or(self.knots.last());
        let below = after.checked_sub(1).and_then(|at| self.knots.get(at)).or(self.knots.first());
        match (below, above) {
            (Some(low), Some(high)) if high.0 > low.0 => {
                let share = ((level - low.0) / (high.0 - low.0)).clamp(0.0, 1.0);
                low.1 + share * (high.1 - low.1)
            }
            (Some(knot), _) | (_, Some(knot)) => knot.1,
            _ => 0.0,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tiles_in_which_something_moves_do_not_count() {
        let tile = |at: usize| {
            let level = at as f32;
            let grain = 4.0 + level / 100.0;
            let variance = if at.is_multiple_of(3) { 5.0 * grain } else { grain };
            Point { level, variance, tile: at }
        };
        let (curve, calm) = Curve::fitted((0..900).map(tile).collect()).unwrap();
        for level in [50.0, 300.0, 555.0, 850.0] {
            let wanted = 4.0 + level / 100.0;
            assert!((curve.variance(level) / wanted - 1.0).abs() < 0.01, "{level}");
        }
        assert!(calm.iter().all(|tile| !tile.is_multiple_of(3)) && calm.len() > 550);
        assert!(curve.variance(-1e9) < curve.variance(1e9));
        assert!(Curve::fitted(Vec::new()).is_none());
    }
}
