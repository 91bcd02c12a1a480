//! What every tile said in every frame, looked at once more when the whole take is known.
//!
//! While frames arrive, a tile's manners are known from the frames before only, and in the
//! first frames not at all. Once all were seen, a tile that goes its own way in most frames
//! (an actor who stays in place, leaves, a screen) is told from one that goes with the
//! camera, and each frame is solved again with that.

use super::together::{Learnt, Own, Together, together};
use crate::measure::{Motion, Spool};

/// Times all frames are solved again; each time the tiles' manners are known better.
const PASSES: usize = 3;

/// Bytes of one tile in a record: number, used, displacement, covariance.
const TILE_BYTES: usize = 4 + 5 * 4;

/// The tiles of all frames, in a file without a name.
#[derive(Debug, Default)]
pub(super) struct History {
    spool: Option<Spool>,
    /// The same tiles as seen from rest, for frames that were found elsewhere; else empty.
    rest: Option<Spool>,
    /// Whether the disk failed; then frames stay as they were found.
    lost: bool,
    record: Vec<u8>,
}

impl History {
    /// Adds the tiles of the next frame, as they lie about where it was found and from rest;
    /// none for a frame that could not be compared.
    pub fn add(&mut self, tiles: &[Own], at_rest: &[Own]) {
        self.write(tiles);
        Self::put(&mut self.spool, &self.record, &mut self.lost);
        self.write(at_rest);
        Self::put(&mut self.rest, &self.record, &mut self.lost);
    }

    fn write(&mut self, tiles: &[Own]) {
        self.record.clear();
        for own in tiles {
            let number = (own.tile as u32) << 1 | u32::from(own.used);
            self.record.extend(number.to_le_bytes());
            for value in own.off.iter().chain(&own.covariance) {
                self.record.extend((*value as f32).to_le_bytes());
            }
        }
    }

    fn put(spool: &mut Option<Spool>, record: &[u8], lost: &mut bool) {
        if spool.is_none() && !*lost {
            *spool = Spool::new().ok();
        }
        *lost |= spool.as_mut().is_none_or(|spool| spool.add(record).is_err());
    }

    /// Reads the tiles of a frame. If `resting` says which of them rest, these only, from rest
    /// if they were seen from there; then tells so.
    fn read(
        &mut self,
        frame: usize,
        resting: Option<&[bool]>,
        tiles: &mut Vec<Own>,
    ) -> Option<bool> {
        let mut from_rest = false;
        if resting.is_some() {
            self.rest.as_mut()?.read(frame, &mut self.record).ok()?;
            from_rest = !self.record.is_empty();
        }
        if !from_rest && !self.spool.as_mut()?.read(frame, &mut self.record).ok()? {
            return None;
        }
        tiles.clear();
        for bytes in self.record.chunks_exact(TILE_BYTES) {
            let word = |at: usize| bytes.get(at..at + 4).and_then(|four| four.try_into().ok());
            let number = u32::from_le_bytes(word(0)?);
            let value = |at: usize| Some(f64::from(f32::from_le_bytes(word(4 + 4 * at)?)));
            tiles.push(Own {
                tile: (number >> 1) as usize,
                off: [value(0)?, value(1)?],
                covariance: [value(2)?, value(3)?, value(4)?],
                used: number & 1 == 1,
            });
        }
        if let Some(resting) = resting {
            tiles.retain(|own| resting.get(own.tile).copied().unwrap_or(false));
        }
        Some(from_rest)
    }

    /// Returns where every frame lies by all that is known, given where it was `found`, and by
    /// the tiles that are `resting` alone if the camera stands; `None` if the records are lost.
    pub fn again(
        &mut self,
        middles: &[(f64, f64)],
        found: &[Motion],
        resting: Option<&[bool]>,
        calibration: f64,
    ) -> Option<Vec<Option<Again>>> {
        if self.lost {
            return None;
        }
        let frames = self.spool.as_ref().map_or(0, Spool::len);
        let middle = |tile: usize| middles.get(tile).copied().unwrap_or_default();
        let mut tiles = Vec::new();
        let mut manners = Manners::new(middles.len());
        for frame in 0..frames {
            self.read(frame, resting, &mut tiles)?;
            manners.add(&tiles);
        }
        let mut better = Vec::new();
        for _ in 0..PASSES {
            let learnt = Learnt {
                calibration,
                restless: manners.restless(calibration),
                stands: resting.is_some(),
            };
            manners = Manners::new(middles.len());
            better.clear();
            for frame in 0..frames {
                let from_rest = self.read(frame, resting, &mut tiles)?;
                let whole = together(&mut tiles, middle, &learnt);
                manners.add(&tiles);
                let from = found.get(frame).copied().filter(|_| !from_rest).unwrap_or_default();
                better.push(whole.map(|whole| Again { motion: from.plus(whole.step), whole }));
            }
        }
        Some(better)
    }
}

/// A frame that was solved again.
#[derive(Debug, Clone)]
pub(super) struct Again {
    pub motion: Motion,
    pub whole: Together,
}

/// How far each tile goes its own way, as counts, whatever the length of the take.
struct Manners {
    tiles: Vec<Count>,
}

/// Counts of one tile's strays along its best direction, in steps of a fifth from 1e-4 px.
#[derive(Clone)]
struct Count {
    bins: [u32; Count::BINS],
    /// Sum of squared standard errors for independent grain.
    grain: f64,
    seen: u32,
}

impl Count {
    const BINS: usize = 64;
    const LEAST: f64 = 1e-4;
    const STEP: f64 = 0.182_321_556_793_954_6; // ln 1.2

    /// Median of the strays, in pixels.
    fn median(&self) -> f64 {
        let half = f64::from(self.seen) / 2.0;
        let mut below = 0.0;
        for (bin, count) in self.bins.iter().enumerate() {
            let count = f64::from(*count);
            if below + count >= half && count > 0.0 {
                let within = (half - below) / count;
                return Self::LEAST * ((bin as f64 + within) * Self::STEP).exp();
            }
            below += count;
        }
        0.0
    }
}

impl Manners {
    fn new(tiles: usize) -> Self {
        Self { tiles: vec![Count { bins: [0; Count::BINS], grain: 0.0, seen: 0 }; tiles] }
    }

    fn add(&mut self, tiles: &[Own]) {
        for own in tiles {
            let Some(count) = self.tiles.get_mut(own.tile) else { continue };
            let (off, error) = own.best();
            // A cast of a float saturates, and NaN becomes 0.
            let bin = ((off.abs() / Count::LEAST).ln() / Count::STEP).max(0.0) as usize;
            count.bins[bin.min(Count::BINS - 1)] += 1;
            count.grain += error * error;
            count.seen += 1;
        }
    }

    /// Returns each tile's mean square beyond grain. Few frames say too little: then it is
    /// shrunk towards none.
    fn restless(&self, calibration: f64) -> Vec<f64> {
        let square = |count: &Count| {
            if count.seen == 0 {
                return 0.0;
            }
            let seen = f64::from(count.seen);
            let grain = calibration * calibration * count.grain / seen;
            // Half of Gaussian values lie within .6745 standard deviations.
            let found = (count.median() / 0.6745).powi(2);
            (found - grain).max(0.0) * seen / (seen + 8.0)
        };
        self.tiles.iter().map(square).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tiles_that_fidget_all_through_are_heard_less() {
        let middles: Vec<(f64, f64)> = (0..40)
            .map(|at| ((at % 8) as f64 * 200.0 - 700.0, (at / 8) as f64 * 200.0 - 400.0))
            .collect();
        let mut history = History::default();
        let wild = |tile: usize, frame: usize| {
            (((tile + 3) * 7919 + frame * 104_729) % 997) as f64 / 997.0 - 0.5
        };
        for frame in 0..60 {
            // Two in five have sharp texture and go their own way by up to .05 px, just what
            // one frame cannot tell from parallax.
            let own = |tile: usize| {
                let fidgets = tile % 5 < 2;
                let off = if fidgets { [0.1 * wild(tile, frame) + 0.04, 0.0] } else { [0.0, 0.0] };
                let error: f64 = if fidgets { 1e-6 } else { 1e-5 };
                Own { tile, off, covariance: [error, 0.0, error], used: true }
            };
            history.add(&(0..40).map(own).collect::<Vec<_>>(), &[]);
        }
        let found = vec![Motion { shift_x: 0.5, ..Motion::default() }; 60];
        let again = history.again(&middles, &found, None, 1.2).unwrap();
        assert_eq!(again.len(), 60);
        for again in again.iter().flatten() {
            assert!((again.motion.shift_x - 0.5).abs() < 0.003, "{again:?}");
            assert!(again.whole.covariance[0][0] > 0.0);
        }
    }

    #[test]
    fn a_frame_without_tiles_stays_without_a_place() {
        let mut history = History::default();
        history.add(&[], &[]);
        let again = history.again(&[(0.0, 0.0)], &[Motion::default()], None, 1.2).unwrap();
        assert!(again.len() == 1 && again[0].as_ref().is_none_or(|again| again.whole.used == 0));
        assert!(History::default().again(&[], &[], None, 1.2).unwrap().is_empty());
    }
}
