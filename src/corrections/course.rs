//! The light of a take over time: gaps bridged, noise averaged, steps kept.

use super::light::Light;
use super::ring::Place;
use crate::time::FrameRange;
use std::collections::BTreeMap;

/// Standard error beyond which the light of a frame is not told, in codes of eight bits at
/// the edge of the patch. Ours: half a code is half the threshold of sight in a smooth wall.
const MOST_ERROR: f64 = 0.5;

/// Most frames in a row whose light is taken from those before and after. Ours: half a
/// second, in which an actor passes and light seldom turns.
pub(super) const MOST_BRIDGED: u64 = 12;

/// How far frames are averaged to either side, as one standard deviation. Ours.
const NEAR_FRAMES: f64 = 2.0;

/// Frames looked at to either side.
const REACH_FRAMES: i64 = 6;

/// Standard errors of a difference past which two frames do not share a light: it keeps a
/// step a step. Ours.
const APART: f64 = 3.0;

/// Lights of a run of frames.
#[derive(Debug, Clone)]
pub(super) struct Course {
    told: BTreeMap<i64, Light>,
    /// The main component, and a usual signal in it.
    main: usize,
    signal: f64,
}

impl Course {
    pub(super) fn new(main: usize, signal: f64) -> Course {
        Course { told: BTreeMap::new(), main, signal }
    }

    /// Notes what was found of a frame, if it can be believed.
    pub(super) fn add(&mut self, frame: i64, light: Option<Light>) {
        let Some(light) = light else { return };
        let error = probes().map(|place| light.error(self.signal, place)).fold(0.0, f64::max);
        if error <= MOST_ERROR {
            self.told.insert(frame, light);
        }
    }

    /// Returns the first run of frames that is too long to bridge.
    pub(super) fn gap(&self, patched: &[FrameRange]) -> Option<FrameRange> {
        let untold = |run: &FrameRange| {
            let told: Vec<FrameRange> = self
                .told
                .range(run.start.0..run.end.0)
                .map(|(frame, _)| FrameRange::new(*frame, frame + 1))
                .collect();
            run.without(&told)
        };
        patched.iter().flat_map(untold).find(|gap| gap.count().0 > MOST_BRIDGED)
    }

    /// Returns the light of a frame; `None` if none near it is told.
    pub(super) fn light(&self, frame: i64) -> Option<Light> {
        let near = self.near(frame);
        let weighed = near.iter().filter_map(|(at, weight)| Some((self.told.get(at)?, *weight)));
        Light::blended(&weighed.collect::<Vec<_>>())
    }

    /// Returns the frames that tell of a frame, each with how far it counts: itself and its
    /// neighbours as far as noise parts them, or the nearest before and after it that are told.
    pub(super) fn near(&self, frame: i64) -> Vec<(i64, f64)> {
        let Some(own) = self.told.get(&frame) else { return self.beside(frame) };
        let near = frame.saturating_sub(REACH_FRAMES)..=frame.saturating_add(REACH_FRAMES);
        self.told
            .range(near)
            .map(|(at, light)| (*at, self.kinship(own, light, (at - frame) as f64)))
            .filter(|(_, weight)| *weight > 0.0)
            .collect()
    }

    fn beside(&self, frame: i64) -> Vec<(i64, f64)> {
        let before = self.told.range(..frame).next_back();
        let after = self.told.range(frame..).next();
        match (before, after) {
            (Some((first, _)), Some((last, _))) => {
                let part = (frame - first) as f64 / (last - first) as f64;
                vec![(*first, 1.0 - part), (*last, part)]
            }
            (one, other) => one.or(other).map(|(at, _)| (*at, 1.0)).into_iter().collect(),
        }
    }

    /// How far a neighbour counts.
    fn kinship(&self, own: &Light, other: &Light, apart: f64) -> f64 {
        let near = (-0.5 * (apart / NEAR_FRAMES).powi(2)).exp();
        let far = probes()
            .map(|place| {
                let code = |light: &Light| {
                    let (gain, lift) = light.gain_and_lift(self.main, place);
                    gain * self.signal + lift
                };
                let error = own.error(self.signal, place).hypot(other.error(self.signal, place));
                (code(own) - code(other)).abs() / (APART * error).max(1e-9)
            })
            .fold(0.0, f64::max);
        if far < 1.0 { near * (1.0 - far * far).powi(2) } else { 0.0 }
    }
}

/// Middle and corners of the patch.
fn probes() -> impl Iterator<Item = Place> {
    [(0.0, 0.0), (-1.0, -1.0), (1.0, -1.0), (-1.0, 1.0), (1.0, 1.0)]
        .into_iter()
        .map(|(u, v)| Place { u, v })
}
