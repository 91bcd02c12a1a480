//! One similarity for the frame from what its tiles say, each on its own.

use super::solve::{quantile, solve};
use crate::measure::Motion;

/// How far a tile may stray before its own fit resists, one standard deviation in pixels.
pub(super) const TILE_PRIOR: f64 = 0.5;

/// Rounds of weights on whole tiles.
const TILE_ROUNDS: usize = 10;

/// How many of them only look for a place to begin: least sums of distances, which a third of
/// strangers that move as one does not pull far, as it would pull least squares.
const START_ROUNDS: usize = 4;

/// Tuning constant of Tukey's biweight (Holland and Welsch 1977).
const TUKEY: f64 = 4.685;

/// How far a camera that stands turns or zooms, one standard deviation: half a pixel at the
/// edge of 1920. The few tiles that rest tell little of it.
const STANDING_TURNS: f64 = 5e-4;

/// What one tile says on its own.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Own {
    /// Number of the tile in the template.
    pub tile: usize,
    /// Its displacement from where it was assumed, in pixels.
    pub off: [f64; 2],
    /// Covariance of that for independent grain: xx, xy, yy.
    pub covariance: [f64; 3],
    /// Whether it goes with the whole.
    pub used: bool,
}

/// What was learnt from other frames.
#[derive(Debug, Clone, Default)]
pub(super) struct Learnt {
    /// How much larger errors are than independent grain makes them.
    pub calibration: f64,
    /// Mean square of each tile's own movement, in squared pixels: leaves and fidgeting
    /// people are heard less.
    pub restless: Vec<f64>,
    /// Whether the camera is known to stand: then it hardly turns or zooms.
    pub stands: bool,
}

/// The step of the whole frame.
#[derive(Debug, Clone)]
pub(super) struct Together {
    /// Shift x, shift y, rotation, scale.
    pub step: [f64; 4],
    pub covariance: [[f64; 4]; 4],
    /// Tiles that go with the whole.
    pub used: usize,
    /// How far the tiles disagree beyond grain, one standard deviation in pixels.
    pub scatter: f64,
    /// Width times height between the outermost of them, in square pixels.
    pub area: f64,
}

impl Own {
    /// Returns the standard errors along x and y.
    pub fn errors(&self) -> [f64; 2] {
        [self.covariance[0].max(0.0).sqrt(), self.covariance[2].max(0.0).sqrt()]
    }

    /// Returns how far it strays, and the standard error of that, along the way it can tell
    /// best.
    pub fn best(&self) -> (f64, f64) {
        let [xx, xy, yy] = self.covariance;
        let (mean, half) = ((xx + yy) / 2.0, ((xx - yy) / 2.0).hypot(xy));
        let least = (mean - half).max(0.0);
        // The eigenvector of the smaller eigenvalue.
        let turn = 0.5 * (2.0 * xy).atan2(xx - yy);
        let (x, y) = (-turn.sin(), turn.cos());
        (self.off[0] * x + self.off[1] * y, least.sqrt())
    }

    /// Returns the square of a distance in standard errors of this tile; 0 if it tells nothing.
    pub fn squared(&self, distance: &[f64; 2], calibration: f64) -> f64 {
        let learnt = Learnt { calibration, restless: Vec::new(), stands: false };
        let [x, y] = *distance;
        let [xx, xy, yy] = self.precision(0.0, &learnt).unwrap_or_default();
        xx * x * x + 2.0 * xy * x * y + yy * y * y
    }

    /// Returns the share of a way that this tile went, in its own metric.
    pub fn share(&self, way: &[f64; 2], calibration: f64) -> f64 {
        let learnt = Learnt { calibration, restless: Vec::new(), stands: false };
        let [xx, xy, yy] = self.precision(0.0, &learnt).unwrap_or_default();
        let pull = [xx * way[0] + xy * way[1], xy * way[0] + yy * way[1]];
        let whole = pull[0] * way[0] + pull[1] * way[1];
        let along = pull[0] * self.off[0] + pull[1] * self.off[1];
        if whole > 0.0 { along / whole } else { 1.0 }
    }

    /// Inverse covariance with what grain, the frame as a whole and the tile's past add: xx,
    /// xy, yy.
    fn precision(&self, common: f64, learnt: &Learnt) -> Option<[f64; 3]> {
        let grain = learnt.calibration * learnt.calibration;
        let own = common.max(learnt.restless.get(self.tile).copied().unwrap_or(0.0));
        let [xx, xy, yy] = self.covariance.map(|value| value * grain);
        let (xx, yy) = (xx + own, yy + own);
        let determinant = xx * yy - xy * xy;
        (determinant > 0.0).then(|| [yy / determinant, -xy / determinant, xx / determinant])
    }
}

/// Fits one similarity to the tiles' displacements; each `off` then holds what is left, and
/// `used` whether the tile goes along. `middles` are the tiles', from the middle of the
/// frame. `None` if nothing can be solved.
///
/// Tiles are weighed twice: for what their texture can tell at best, and by Tukey's biweight
/// for how far they stray from the others, so that a man in front of a wall, who has most of
/// the texture, does not carry the frame.
pub(super) fn together(
    own: &mut [Own],
    middles: impl Fn(usize) -> (f64, f64),
    learnt: &Learnt,
) -> Option<Together> {
    let mut tiles: Vec<Tile> = own
        .iter()
        .map(|own| Tile { own: *own, middle: middles(own.tile), weight: 1.0, rest: own.off })
        .collect();
    let mut common = (TILE_PRIOR / 4.0).powi(2);
    let mut found = None;
    for round in 0..TILE_ROUNDS {
        let (step, covariance) = fit(&tiles, common, learnt)?;
        let motion = Motion::from_parameters(step);
        for tile in &mut tiles {
            let (x, y) = motion.at(tile.middle.0, tile.middle.1);
            tile.rest = [tile.own.off[0] - x, tile.own.off[1] - y];
        }
        if round < START_ROUNDS {
            tiles.iter_mut().for_each(|tile| tile.weight = tile.nearness());
        } else {
            common = scatter(&tiles, learnt);
            for tile in &mut tiles {
                tile.weight = tile.biweight(common, learnt)?;
            }
        }
        found = Some((step, covariance));
    }
    let (step, covariance) = found?;
    mark_near(&mut tiles, learnt.calibration);
    for (own, tile) in own.iter_mut().zip(&tiles) {
        (own.off, own.used) = (tile.rest, tile.own.used);
    }
    let used = tiles.iter().filter(|tile| tile.own.used);
    Some(Together {
        step,
        covariance,
        used: used.clone().count(),
        scatter: common.sqrt(),
        area: area(used.map(|tile| tile.middle)),
    })
}

/// A tile while the whole is being fitted.
struct Tile {
    own: Own,
    middle: (f64, f64),
    weight: f64,
    rest: [f64; 2],
}

impl Tile {
    /// Weight that makes least squares a least sum of distances (Weiszfeld 1937); nearer than
    /// .005 px all are alike.
    fn nearness(&self) -> f64 {
        1.0 / self.rest[0].hypot(self.rest[1]).max(0.005)
    }

    /// Tukey's biweight of the stray, in units of its expected error.
    fn biweight(&self, common: f64, learnt: &Learnt) -> Option<f64> {
        let [xx, xy, yy] = self.own.precision(common, learnt)?;
        let [x, y] = self.rest;
        let across = xx * x * x + 2.0 * xy * x * y + yy * y * y;
        let inner = (1.0 - across / TUKEY.powi(2)).max(0.0);
        Some(inner * inner)
    }
}

/// Returns the variance of the tiles about the whole that grain does not explain, in squared
/// pixels: coding, parallax, rolling shutter. Judged on the tiles that can tell best.
fn scatter(tiles: &[Tile], learnt: &Learnt) -> f64 {
    let errors = |tile: &Tile| tile.own.errors().map(|error| error as f32);
    let mut all: Vec<f32> = tiles.iter().flat_map(errors).collect();
    let middle = quantile(&mut all, 0.5);
    let (mut off, mut expected) = (Vec::new(), Vec::new());
    for tile in tiles {
        for (error, rest) in errors(tile).into_iter().zip(tile.rest) {
            if error <= middle {
                off.push(rest.abs() as f32);
                expected.push(learnt.calibration as f32 * error);
            }
        }
    }
    let found = 1.4826 * f64::from(quantile(&mut off, 0.5));
    let grain = f64::from(quantile(&mut expected, 0.5));
    (found * found - grain * grain).max(0.0)
}

/// Notes which tiles carry weight and lie within max(5 standard errors, 3 median deviations
/// + .01 px).
fn mark_near(tiles: &mut [Tile], calibration: f64) {
    let limits = [0, 1].map(|axis: usize| {
        let kept = tiles.iter().filter(|tile| tile.weight > 0.0);
        let mut all: Vec<f32> = kept.map(|tile| tile.rest[axis].abs() as f32).collect();
        3.0 * f64::from(quantile(&mut all, 0.5)) + 0.01
    });
    for tile in tiles {
        let errors = tile.own.errors();
        tile.own.used = tile.weight > 0.0
            && (0..2).all(|axis| {
                tile.rest[axis].abs() <= limits[axis].max(5.0 * calibration * errors[axis])
            });
    }
}

/// Shift x, shift y, rotation, scale, and their covariance.
type Solution = ([f64; 4], [[f64; 4]; 4]);

/// Solves for shift x, shift y, rotation, scale.
fn fit(tiles: &[Tile], common: f64, learnt: &Learnt) -> Option<Solution> {
    let mut a = [[0.0; 4]; 4];
    let mut b = [0.0; 4];
    for tile in tiles.iter().filter(|tile| tile.weight > 0.0) {
        let [xx, xy, yy] = tile.own.precision(common, learnt)?.map(|value| value * tile.weight);
        let (x, y) = tile.middle;
        let [u, v] = tile.own.off;
        let (pull_x, pull_y) = (xx * u + xy * v, xy * u + yy * v);
        // Each parameter's displacement at the tile, and what the precision makes of it.
        let ways = [(1.0, 0.0), (0.0, 1.0), (-y, x), (x, y)];
        for (row, (along, down)) in ways.into_iter().enumerate() {
            b[row] += along * pull_x + down * pull_y;
            let (wx, wy) = (xx * along + xy * down, xy * along + yy * down);
            for (column, (x, y)) in ways.into_iter().enumerate() {
                a[row][column] += wx * x + wy * y;
            }
        }
    }
    // Cameras on a tripod do not turn or zoom by a percent from one step to the next; this
    // only matters where two or three tiles are all there is.
    let turns = if learnt.stands { STANDING_TURNS } else { 0.01 };
    for (at, prior) in [(0, 10.0), (1, 10.0), (2, turns), (3, turns)] {
        a[at][at] += 1.0 / (prior * prior);
    }
    solve(&a, &b)
}

/// Returns width times height between the outermost of some places.
pub(super) fn area(middles: impl Iterator<Item = (f64, f64)>) -> f64 {
    let mut low = (f64::MAX, f64::MAX);
    let mut high = (f64::MIN, f64::MIN);
    for (x, y) in middles {
        low = (low.0.min(x), low.1.min(y));
        high = (high.0.max(x), high.1.max(y));
    }
    (high.0 - low.0).max(0.0) * (high.1 - low.1).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_best_direction_is_across_the_edge() {
        // An edge along y: x is known to .01 px, y hardly.
        let own = Own { tile: 0, off: [0.05, 3.0], covariance: [1e-4, 0.0, 4.0], used: false };
        let (off, error) = own.best();
        assert!((off.abs() - 0.05).abs() < 1e-9 && (error - 0.01).abs() < 1e-9, "{off} {error}");
        // The same edge turned by 45 degrees.
        let c = (4.0 + 1e-4) / 2.0;
        let slanted = Own { covariance: [c, c - 1e-4, c], off: [0.05, 0.05], ..own };
        let (off, error) = slanted.best();
        assert!(off.abs() < 1e-9 && (error - 0.01).abs() < 1e-6, "{off} {error}");
    }

    #[test]
    fn a_third_of_strangers_does_not_carry_the_frame() {
        let middles = |tile: usize| ((tile % 6) as f64 * 100.0 - 250.0, (tile / 6) as f64 * 50.0);
        let truth = Motion { shift_x: 0.2, shift_y: -0.1, rotation: 1e-4, scale: -2e-4 };
        let mut own: Vec<Own> = (0..30)
            .map(|tile| {
                let (x, y) = middles(tile);
                let (x, y) = truth.at(x, y);
                let off = if tile % 3 == 0 { [0.7, 0.4 * tile as f64 / 30.0] } else { [x, y] };
                Own { tile, off, covariance: [1e-5, 0.0, 1e-5], used: false }
            })
            .collect();
        let learnt = Learnt { calibration: 1.2, restless: Vec::new(), stands: false };
        let found = together(&mut own, middles, &learnt).unwrap();
        let off = Motion::from_parameters(found.step);
        assert!((off.shift_x - 0.2).abs() < 1e-4 && (off.scale + 2e-4).abs() < 1e-6, "{off:?}");
        assert!(own.iter().all(|own| own.used == (own.tile % 3 != 0)));
    }
}
