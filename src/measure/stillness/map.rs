//! What was found, and what of it concerns a patch.

use super::StillnessLimits;
use super::crossing::Passed;
use super::lens::Lens;
use super::window::Told;
use crate::measure::patterns::{Patterns, TILE};
use crate::measure::{Mask, Spool};
use crate::time::{Frame, FrameRange, joined};
use std::io;
use std::sync::Arc;

/// How something moves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// It sways, flows or shakes about its place: the peak of a sine that moves as much, in
    /// pixels of the work plane.
    Sway {
        /// Peak displacement in pixels.
        px: f64,
        /// What that changes, rms over the tile in codes of eight bits.
        codes: f64,
    },
    /// Something passes before it: the strongest deviation from the plate.
    Crossing {
        /// Deviation in codes of eight bits, positive where it is brighter.
        codes: f64,
    },
}

/// Something that moves in a patch.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moving {
    /// The frames in which it was seen.
    pub range: FrameRange,
    /// Smallest rectangle that holds it, `(left, top, right, bottom)` in pixels of the work
    /// plane, ends exclusive.
    pub place: (usize, usize, usize, usize),
    /// How it moves.
    pub kind: Kind,
    /// How sure it is, as a standard normal score.
    pub z: f64,
}

/// What a patch did in one stretch of frames.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    /// The frames judged together.
    pub range: FrameRange,
    /// Highest score of its tiles.
    pub z: f64,
    /// Largest sway of its tiles that is beyond doubt, peak in pixels.
    pub sway_px: f64,
    /// Largest change by a sway, rms over a tile in codes of eight bits.
    pub sway_codes: f64,
}

/// What moved in a patch over the frames asked for.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Activity {
    /// What moves, in order of time.
    pub moving: Vec<Moving>,
    /// Largest sway found, peak in pixels; 0 if none.
    pub worst_sway_px: f64,
    /// Smallest peak the worst tile of the patch could have shown; `None` if no tile of it
    /// could show any.
    pub least_sway_px: Option<f64>,
    /// Share of the patch without texture, where a sway would neither be seen nor show.
    pub blind: f64,
    /// Stretches of frames, half overlapping.
    pub series: Vec<Stretch>,
}

/// Whether most of a stretch is asked for: what moves in the rest of it is another matter.
fn mostly_in(stretch: FrameRange, frames: &[FrameRange]) -> bool {
    let asked = frames.iter().filter_map(|asked| asked.overlap(stretch));
    2 * asked.map(|run| run.count().0).sum::<u64>() > stretch.count().0
}

/// The stretches that tell of patched frames. Of one taken for a brief run, only the frames that
/// are patched are named.
fn asked_windows(
    windows: &[(FrameRange, usize)],
    frames: &[FrameRange],
) -> Vec<(FrameRange, usize)> {
    let overlap = |stretch: FrameRange, run: FrameRange| {
        stretch.overlap(run).map_or(0, |both| both.count().0)
    };
    let mostly = windows.iter().filter(|(range, _)| mostly_in(*range, frames));
    let mut asked: Vec<(FrameRange, usize)> = mostly.copied().collect();
    for run in frames {
        let half = run.count().0.div_ceil(2);
        if asked.iter().any(|(range, _)| overlap(*range, *run) >= half) {
            continue;
        }
        // The first of those that hold as much.
        let best = windows.iter().rev().max_by_key(|(range, _)| overlap(*range, *run));
        let patched = best.and_then(|(range, number)| Some((range.overlap(*run)?, *number)));
        asked.extend(patched.filter(|(both, _)| both.count().0 >= half));
    }
    asked.sort();
    asked
}

/// All that was found in a take.
#[derive(Debug, serde::Serialize, serde::Deserialize)]
pub struct StillnessMap {
    pub(super) patterns: Arc<Patterns>,
    pub(super) lenses: Vec<Lens>,
    pub(super) limits: StillnessLimits,
    pub(super) windows: Vec<(FrameRange, usize)>,
    pub(super) passed: Vec<(Frame, usize)>,
    pub(super) spool: Option<Spool>,
    pub(super) seen: u64,
}

impl StillnessMap {
    /// Returns the number of frames seen.
    pub fn frames(&self) -> u64 {
        self.seen
    }

    /// Counts over the whole take: tiles judged, those that sway, and cells passed.
    ///
    /// # Errors
    ///
    /// As the system says: the notes cannot be read back.
    pub fn counts(&mut self) -> io::Result<(u64, u64, u64)> {
        let (mut tiles, mut sways, mut crossings) = (0, 0, 0);
        let mut record = Vec::new();
        let Some(spool) = self.spool.as_mut() else { return Ok((0, 0, 0)) };
        for (_, number) in &self.windows {
            spool.read(*number, &mut record)?;
            for told in record.chunks_exact(RECORD).map(unpacked) {
                tiles += 1;
                sways += u64::from(self.limits.is_sway(&told));
            }
        }
        for (_, number) in &self.passed {
            spool.read(*number, &mut record)?;
            crossings += (record.len() / PASSED) as u64;
        }
        Ok((tiles, sways, crossings))
    }

    /// Tells what moved inside `region`, a mask of any size over the whole picture, in the
    /// frames of `frames`.
    ///
    /// # Errors
    ///
    /// As the system says: the notes cannot be read back.
    pub fn within(&mut self, region: &Mask, frames: &[FrameRange]) -> io::Result<Activity> {
        let windows = self.windows.iter().filter(|(range, _)| mostly_in(*range, frames));
        let windows = windows.copied().collect::<Vec<_>>();
        self.moving_in(region, frames, &windows)
    }

    /// The same for frames that are patched: of a run too short to fill most of a stretch, the
    /// stretch that holds most of it tells. Leaves that sway round a brief boom sway under it.
    ///
    /// # Errors
    ///
    /// As the system says: the notes cannot be read back.
    pub fn under_patch(&mut self, region: &Mask, frames: &[FrameRange]) -> io::Result<Activity> {
        let windows = asked_windows(&self.windows, frames);
        self.moving_in(region, frames, &windows)
    }

    fn moving_in(
        &mut self,
        region: &Mask,
        frames: &[FrameRange],
        windows: &[(FrameRange, usize)],
    ) -> io::Result<Activity> {
        let inside = self.patterns.touched(region);
        let mut activity = Activity::default();
        self.add_sways(&inside, windows, &mut activity)?;
        self.add_crossings(&inside, frames, &mut activity)?;
        activity.moving.sort_by_key(|moving| (moving.range, moving.place));
        Ok(activity)
    }

    fn add_sways(
        &mut self,
        inside: &[bool],
        windows: &[(FrameRange, usize)],
        out: &mut Activity,
    ) -> io::Result<()> {
        let touches: Vec<bool> = self.lenses.iter().map(|lens| lens.touches(inside)).collect();
        let mut record = Vec::new();
        let mut least: Option<f64> = None;
        let mut runs: Vec<Moving> = Vec::new();
        for (range, number) in windows {
            let Some(spool) = self.spool.as_mut() else { break };
            spool.read(*number, &mut record)?;
            let told: Vec<Told> = record.chunks_exact(RECORD).map(unpacked).collect();
            let beside = self.beside(&told, &touches);
            let mut stretch = Stretch { range: *range, z: 0.0, sway_px: 0.0, sway_codes: 0.0 };
            let mut place = None;
            for (at, (lens, told)) in
                self.lenses.iter().zip(&told).enumerate().filter(|(at, _)| touches[*at])
            {
                if told.least_px.is_finite() && lens.side == LARGEST {
                    let own = f64::from(told.least_px);
                    least = Some(least.map_or(own, |worst| worst.max(own)));
                }
                if beside[at] {
                    continue;
                }
                stretch.z = stretch.z.max(f64::from(told.z));
                if self.limits.is_sway(told) {
                    stretch.sway_px = stretch.sway_px.max(f64::from(told.px));
                    stretch.sway_codes = stretch.sway_codes.max(f64::from(told.codes));
                    place = Some(around(place, lens.place()));
                }
            }
            out.series.push(stretch);
            out.worst_sway_px = out.worst_sway_px.max(stretch.sway_px);
            if let Some(place) = place {
                let kind = Kind::Sway { px: stretch.sway_px, codes: stretch.sway_codes };
                add_run(&mut runs, Moving { range: *range, place, kind, z: stretch.z });
            }
        }
        out.least_sway_px = least;
        out.blind = self.blind(inside);
        out.moving.extend(runs);
        Ok(())
    }

    /// Marks the larger tiles whose sway lies beside the patch: of their parts that sway too
    /// none touches it.
    fn beside(&self, told: &[Told], touches: &[bool]) -> Vec<bool> {
        let (across, down) = self.patterns.tiles();
        let mut sways = vec![(false, false); across * down];
        let mut out = vec![false; told.len()];
        // Small tiles come first, so what is marked holds for those made of them.
        for (at, (lens, told)) in self.lenses.iter().zip(told).enumerate() {
            let tiles = || self.patterns.within(lens.x, lens.y, lens.side);
            let (inner, outer) = tiles().fold((false, false), |(inner, outer), tile| {
                (inner || sways[tile].0, outer || sways[tile].1)
            });
            out[at] = touches[at] && outer && !inner;
            if self.limits.is_sway(told) {
                let inside = touches[at] && !out[at];
                tiles().for_each(|tile| {
                    sways[tile].0 |= inside;
                    sways[tile].1 |= !inside;
                });
            }
        }
        out
    }

    /// Share of the small tiles of a patch that lie in no tile that could show a sway.
    fn blind(&self, inside: &[bool]) -> f64 {
        let mut sees = vec![false; inside.len()];
        for lens in &self.lenses {
            self.patterns.within(lens.x, lens.y, lens.side).for_each(|tile| sees[tile] = true);
        }
        let asked = inside.iter().filter(|inside| **inside).count();
        let dark = inside.iter().zip(&sees).filter(|(inside, sees)| **inside && !**sees).count();
        dark as f64 / asked.max(1) as f64
    }

    fn add_crossings(
        &mut self,
        inside: &[bool],
        frames: &[FrameRange],
        out: &mut Activity,
    ) -> io::Result<()> {
        let across = self.patterns.tiles().0;
        let mut record = Vec::new();
        let mut runs: Vec<Moving> = Vec::new();
        for (frame, number) in &self.passed {
            let Some(spool) = self.spool.as_mut() else { break };
            spool.read(*number, &mut record)?;
            for passed in record.chunks_exact(PASSED).map(unpacked_passed) {
                let tile = passed.tile as usize;
                let first = frame.0.saturating_sub(i64::from(passed.since));
                let range = FrameRange::new(first, frame.0.saturating_add(1));
                let asked = frames.iter().any(|asked| asked.overlap(range).is_some());
                if !asked || inside.get(tile) != Some(&true) {
                    continue;
                }
                let (x, y) = (tile % across * TILE, tile / across * TILE);
                let kind = Kind::Crossing { codes: f64::from(passed.codes) };
                let place = (x, y, x + TILE, y + TILE);
                add_run(&mut runs, Moving { range, place, kind, z: f64::from(passed.z) });
            }
        }
        out.moving.extend(runs);
        Ok(())
    }
}

/// Joins what touches the run before it in time (and, if it passes, comes near it in place).
fn add_run(runs: &mut Vec<Moving>, next: Moving) {
    let near = |run: &&mut Moving| {
        run.range.grown(1, 1).overlap(next.range).is_some()
            && (matches!(next.kind, Kind::Sway { .. }) || is_near(run.place, next.place))
    };
    let Some(run) = runs.iter_mut().rev().take(64).find(near) else {
        runs.push(next);
        return;
    };
    run.range = joined(run.range, next.range);
    run.place = around(Some(run.place), next.place);
    run.z = run.z.max(next.z);
    run.kind = match (run.kind, next.kind) {
        (Kind::Sway { px: a, codes: c }, Kind::Sway { px: b, codes: d }) => {
            Kind::Sway { px: a.max(b), codes: c.max(d) }
        }
        (Kind::Crossing { codes: a }, Kind::Crossing { codes: b }) => {
            Kind::Crossing { codes: if b.abs() > a.abs() { b } else { a } }
        }
        (kind, _) => kind,
    };
}

type Place = (usize, usize, usize, usize);

fn is_near(a: Place, b: Place) -> bool {
    let by = 2 * TILE;
    a.0 <= b.2 + by && b.0 <= a.2 + by && a.1 <= b.3 + by && b.1 <= a.3 + by
}

fn around(a: Option<Place>, b: Place) -> Place {
    a.map_or(b, |a| (a.0.min(b.0), a.1.min(b.1), a.2.max(b.2), a.3.max(b.3)))
}

/// Side of the largest tiles, in small ones.
const LARGEST: usize = 4;

/// Bytes of a tile in a window: score in eighths, the rest on a logarithmic scale.
const RECORD: usize = 7;

pub(super) fn packed(told: &[Told]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(told.len() * RECORD);
    for told in told {
        bytes.push((told.z * 8.0).clamp(0.0, 255.0) as u8);
        bytes.extend(packed_length(told.px).to_le_bytes());
        bytes.extend(packed_length(told.codes).to_le_bytes());
        bytes.extend(packed_length(told.least_px).to_le_bytes());
    }
    bytes
}

/// 1/2048 of a doubling from 2^-15 px on: exact to .02 %.
fn packed_length(px: f32) -> u16 {
    if px <= 0.0 {
        return 0;
    }
    if !px.is_finite() {
        return u16::MAX;
    }
    ((px.log2() + 15.0) * 2048.0).clamp(1.0, 65_534.0) as u16
}

fn unpacked_length(bytes: [u8; 2]) -> f32 {
    match u16::from_le_bytes(bytes) {
        0 => 0.0,
        u16::MAX => f32::INFINITY,
        code => (f32::from(code) / 2048.0 - 15.0).exp2(),
    }
}

fn unpacked(bytes: &[u8]) -> Told {
    let byte = |at: usize| bytes.get(at).copied().unwrap_or(0);
    Told {
        z: f32::from(byte(0)) / 8.0,
        px: unpacked_length([byte(1), byte(2)]),
        codes: unpacked_length([byte(3), byte(4)]),
        least_px: unpacked_length([byte(5), byte(6)]),
    }
}

const PASSED: usize = 13;

pub(super) fn packed_passed(passed: &[Passed]) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(passed.len() * PASSED);
    for one in passed {
        bytes.extend(one.tile.to_le_bytes());
        bytes.push(one.since);
        bytes.extend(one.z.to_le_bytes());
        bytes.extend(one.codes.to_le_bytes());
    }
    bytes
}

fn unpacked_passed(bytes: &[u8]) -> Passed {
    let four = |at: usize| std::array::from_fn(|n| bytes.get(at + n).copied().unwrap_or(0));
    Passed {
        tile: u32::from_le_bytes(four(0)),
        since: bytes.get(4).copied().unwrap_or(0),
        z: f32::from_le_bytes(four(5)),
        codes: f32::from_le_bytes(four(9)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_brief_run_is_told_by_the_stretch_that_holds_most_of_it() {
        let run = FrameRange::new;
        let windows = [(run(0, 48), 0), (run(24, 72), 1), (run(48, 96), 2)];
        let asked = |frames: &[FrameRange]| asked_windows(&windows, frames);
        // Long enough for two stretches of its own.
        assert_eq!(asked(&[run(0, 60)]), [(run(0, 48), 0), (run(24, 72), 1)]);
        assert_eq!(asked(&[run(30, 46)]), [(run(30, 46), 0)]);
        assert_eq!(asked(&[run(40, 60)]), [(run(40, 60), 1)]);
        // Beyond what was looked at nothing tells.
        assert_eq!(asked(&[run(90, 130)]), []);
        assert_eq!(asked(&[run(200, 210)]), []);
    }
}
