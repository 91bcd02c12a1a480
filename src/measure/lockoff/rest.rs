//! Whether the camera stands although most of the picture drifts.
//!
//! A camera's movement is one similarity that every tile with texture shares, near or far; no
//! tile stays where it was. Clouds, leaves and water are a part of the frame that goes its own
//! way while the rest stays. So a set of tiles that stays at rest over the take, spread over
//! the frame and with texture of its own, shows that the camera stood, however many others
//! agree on something else.

use super::align::{AtRest, Fit};
use super::gauss::RUN;
use super::template::{TILE_COLUMNS, TILE_ROWS, Template, Tile};
use super::tiles::FULL_TRUST;
use super::together::Own;

/// Squared distance, in standard errors, from which a tile can tell rest from the movement
/// found: five of them.
const TELLS: f64 = 25.0;

/// Share of the movement found within which a tile counts as at rest, squared.
const NEAR_REST: f64 = 0.25;

/// Displacement below which a tile counts as neither, in pixels: what coding does to it.
const LEAST: f64 = 0.1;

/// Share of the frames in which a tile that rests must be seen to rest, of those in which it
/// can tell.
const STEADFAST: f64 = 0.6;

/// How many times less a tile tells along an edge than across it, in variance, from which it
/// counts as an edge alone.
const ALONG: f64 = 4.0;

/// Most share of the movement found that a tile at rest goes, in the mean over the frames:
/// coders let fine texture lag behind a camera by a good part of its way, but not all of it.
const MOST_SHARE: f64 = 0.45;

/// Frames in which a tile must have been able to tell.
const LEAST_FRAMES: u32 = 6;

/// Tiles that must rest. Ours, as for a movement.
const LEAST_TILES: usize = 6;

/// Share of the tiles that can tell which must rest: burnt-in letters that nobody left out are
/// fewer.
const LEAST_SHARE: f64 = 0.12;

/// Area between the resting tiles, as a share of the frame: less is one object.
const LEAST_SPREAD: f64 = 0.1;

/// Frames over which what was learnt of a sample fades.
const MEMORY: f32 = 12.0;

/// Most a squared residual counts, in those of the grain.
const WILD: f32 = 100.0;

/// What every tile did while a movement was found.
#[derive(Debug, Clone, Default)]
pub(super) struct Rest {
    tiles: Vec<Tally>,
}

/// Frames in which one tile could tell rest from the movement found.
#[derive(Debug, Clone, Copy, Default)]
struct Tally {
    rests: u32,
    goes: u32,
    neither: u32,
    /// Sum over frames of the share of the movement found that the tile went, and their number.
    share: f64,
    shares: u32,
    /// Frames in which it may be the edge of a matte.
    mattes: u32,
}

impl Tally {
    fn told(self) -> u32 {
        self.rests + self.goes + self.neither
    }

    fn counts(self) -> bool {
        self.told() >= LEAST_FRAMES
    }

    fn votes(self) -> bool {
        self.counts() && 2 * self.mattes < self.told()
    }

    fn is_steadfast(self) -> bool {
        let share = self.share / f64::from(self.shares.max(1));
        self.counts()
            && share.abs() <= MOST_SHARE
            && f64::from(self.rests) >= STEADFAST * f64::from(self.told())
    }
}

/// How far samples stay as the plate has them while the frame is taken to be at rest.
///
/// A mast before drifting clouds keeps its edges; the clouds in the same tile change, and would
/// drag it along.
#[derive(Debug, Clone, Default)]
pub(super) struct Trust {
    /// Mean square of the residuals, in those of the grain.
    squares: Vec<[f32; RUN]>,
    samples: Vec<[f32; RUN]>,
}

impl Trust {
    /// Returns a weight for each sample of each run; runs beyond the end have full trust.
    pub fn samples(&self) -> &[[f32; RUN]] {
        &self.samples
    }

    /// Takes in the residuals of a run in one more frame.
    pub fn learn(&mut self, run: usize, residuals: &[f32; RUN], sigma: f32) {
        if self.squares.len() <= run {
            self.squares.resize(run + 1, FULL_TRUST);
            self.samples.resize(run + 1, FULL_TRUST);
        }
        let scale = 1.0 / (sigma * sigma);
        let known = self.squares[run].iter_mut().zip(&mut self.samples[run]);
        for ((square, trust), residual) in known.zip(residuals) {
            // One wild frame is no more than grain far off.
            let now = (residual * residual * scale).min(WILD);
            *square += (now - *square) / MEMORY;
            *trust = 1.0 / square.max(1.0);
        }
    }
}

/// Tells whether a fit is far enough from rest for the tiles to be asked.
pub(super) fn is_displaced(fit: &Fit, half: (f64, f64)) -> bool {
    let far = |x: f64, y: f64| {
        let (u, v) = fit.motion.at(x, y);
        u.hypot(v)
    };
    let (x, y) = half;
    let most = [(0.0, 0.0), (x, y), (-x, y), (x, -y), (-x, -y)]
        .into_iter()
        .map(|(x, y)| far(x, y))
        .fold(0.0, f64::max);
    let error = (fit.covariance[0][0] + fit.covariance[1][1]).max(0.0).sqrt();
    most > LEAST.max(3.0 * error)
}

/// Tells whether what a tile shows may be the edge of a matte, which rests whatever the camera
/// does: an edge along the border of the frame, in its outer fifth.
fn may_be_matte(tile: &Tile, own: &Own) -> bool {
    let outer = |at: usize, count: usize| (5 * at.min(count - 1 - at)) < count;
    let (column, row) = tile.cell;
    let [xx, _, yy] = own.covariance;
    (outer(column, TILE_COLUMNS) && ALONG * xx < yy) || (outer(row, TILE_ROWS) && ALONG * yy < xx)
}

impl Rest {
    /// Notes what the tiles do in a frame for which `fit` was found; `at_rest` are those whose
    /// texture is found where the plate has it.
    pub fn add(&mut self, template: &Template, fit: &Fit, at_rest: &AtRest, calibration: f64) {
        self.tiles.resize(template.tiles.len(), Tally::default());
        let find = |list: &[Own], number: usize| list.iter().find(|o| o.tile == number).copied();
        for (number, tile) in template.tiles.iter().enumerate().filter(|(_, t)| t.textured) {
            let rest = find(&at_rest.plain, number);
            let gone = find(&fit.strays, number);
            let Some(own) = rest.or(gone) else { continue };
            let (x, y) = fit.motion.at(tile.middle.0, tile.middle.1);
            let moved = own.squared(&[x, y], calibration);
            if moved < TELLS || x.hypot(y) < LEAST {
                continue;
            }
            let rests = rest.is_some_and(|own| {
                let off = own.squared(&own.off, calibration);
                let apart = own.squared(&[own.off[0] - x, own.off[1] - y], calibration);
                off <= NEAR_REST * moved && off < apart
            });
            let tally = &mut self.tiles[number];
            tally.mattes += u32::from(may_be_matte(tile, &own));
            if let Some(own) = rest.and_then(|_| find(&at_rest.trusted, number)) {
                tally.share += own.share(&[x, y], calibration).clamp(-1.0, 2.0);
                tally.shares += 1;
            }
            match (rests, gone) {
                (true, _) => tally.rests += 1,
                (false, Some(own)) if own.used => tally.goes += 1,
                (false, _) => tally.neither += 1,
            }
        }
    }

    /// Returns the tiles that rest if they show that the camera stands. What may be a matte is
    /// no proof, but is heard once others have proved it.
    pub fn standing(&self, template: &Template) -> Option<Vec<bool>> {
        let voters = self.tiles.iter().zip(&template.tiles).filter(|(tally, _)| tally.votes());
        let middles: Vec<(f64, f64)> = voters
            .clone()
            .filter(|(tally, _)| tally.is_steadfast())
            .map(|(_, tile)| tile.middle)
            .collect();
        let enough = middles.len() >= LEAST_TILES
            && middles.len() as f64 >= LEAST_SHARE * voters.count() as f64;
        let area = super::together::area(middles.into_iter());
        let spread = area / (template.width * template.height).max(1) as f64;
        (enough && spread >= LEAST_SPREAD)
            .then(|| self.tiles.iter().map(|tally| tally.is_steadfast()).collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_that_change_are_heard_less_and_those_that_stay_in_full() {
        let mut trust = Trust::default();
        let residuals = std::array::from_fn(|at| if at < 4 { 8.0 } else { 0.5 });
        for _ in 0..30 {
            trust.learn(1, &residuals, 1.0);
        }
        let [untouched, learnt] = trust.samples() else { panic!("two runs") };
        assert_eq!(untouched, &FULL_TRUST);
        assert!(learnt[..4].iter().all(|trust| *trust < 0.05), "{learnt:?}");
        assert!(learnt[4..].iter().all(|trust| *trust == 1.0), "{learnt:?}");
    }

    #[test]
    fn a_tile_that_lags_or_is_seldom_seen_does_not_rest() {
        let rests = Tally { rests: 20, share: 2.0, shares: 20, ..Tally::default() };
        assert!(rests.is_steadfast() && rests.votes());
        assert!(!Tally { share: 12.0, ..rests }.is_steadfast());
        assert!(!Tally { goes: 20, ..rests }.is_steadfast());
        assert!(!Tally { rests: 5, shares: 5, ..rests }.is_steadfast());
        assert!(!Tally { mattes: 15, ..rests }.votes());
    }
}
