//! Which terms the light of a take asks for: chosen once for all its frames.

use super::blocks::Means;
use super::fit::{Model, median};
use super::light::Light;
use super::reference::{PlateFrame, Reference};
use super::ring::{Place, Ring};

/// Another model must leave less than this part of what a simpler one leaves. Ours.
const CLEARLY: f64 = 0.95;

/// Least change of light between plate frames that tells models apart. Ours.
const LEAST_CHANGE: f64 = 0.01;

/// Fewest plate frames that tell.
const LEAST_FRAMES: usize = 4;

/// Sectors the ring is cut into, one foretold from the others. Ours.
const SECTORS: usize = 6;

/// Tiles along half the patch: what is left of a tile shows as a patch of its own level.
const TILES: f64 = 2.0;

/// What each model leaves, summed over frames.
#[derive(Debug, Clone, Default)]
pub(super) struct Errors {
    sums: [f64; Model::ALL.len()],
    frames: usize,
}

impl Errors {
    fn add(&mut self, errors: Option<[f64; Model::ALL.len()]>) {
        let Some(errors) = errors else { return };
        self.sums.iter_mut().zip(errors).for_each(|(sum, error)| *sum += error);
        self.frames += 1;
    }

    /// Returns what each model leaves in a frame, in codes of eight bits.
    pub(super) fn means(&self) -> Option<[f64; Model::ALL.len()]> {
        (self.frames > 0).then(|| self.sums.map(|sum| sum / self.frames as f64))
    }

    /// Returns the model with the fewest terms that no other clearly beats.
    pub(super) fn best(&self) -> Option<Model> {
        let errors = self.means()?;
        let mut best = 0;
        for at in 1..errors.len() {
            if errors[at] < CLEARLY * errors[best] {
                best = at;
            }
        }
        Some(Model::ALL[best])
    }

    /// Adds how well part of the ring of a take frame is foretold by the rest.
    pub(super) fn of_ring(
        &mut self,
        (frame, used): (&[Means], &[bool]),
        reference: &Reference,
        ring: &Ring,
    ) {
        let sector = |place: Place| {
            let turn = place.v.atan2(place.u) / std::f64::consts::TAU + 0.5;
            ((turn * SECTORS as f64) as usize).min(SECTORS - 1)
        };
        let of: Vec<usize> = ring.blocks.iter().map(|block| sector(block.place)).collect();
        let held = |at: usize, left_out: usize| used[at] && of[at] == left_out;
        let errors = Model::ALL.map(|model| {
            let mut offs = Vec::new();
            for left_out in 0..SECTORS {
                let foretold: Vec<usize> =
                    (0..used.len()).filter(|at| held(*at, left_out)).collect();
                let rest: Vec<bool> =
                    (0..used.len()).map(|at| used[at] && of[at] != left_out).collect();
                if !foretold.is_empty() {
                    let light = Light::of(frame, reference, &rest, model)?;
                    offs.extend(tiles(frame, reference, &light, &foretold));
                }
            }
            // An actor in a tile or two does not count.
            (!offs.is_empty()).then(|| median(&mut offs))
        });
        self.add(all(errors));
    }

    /// Tries the models on plate frames, where what is under the patch is known; `None` if
    /// the light of the plate changed too little.
    pub(super) fn of_plate(
        frames: &[PlateFrame],
        reference: &Reference,
        ring: &Ring,
    ) -> Option<Errors> {
        let mut errors = Errors::default();
        let (mut darkest, mut brightest) = (f64::INFINITY, 0.0_f64);
        for frame in frames {
            let round: Vec<bool> = frame
                .open
                .iter()
                .zip(&ring.blocks)
                .map(|(open, block)| *open && !block.inside)
                .collect();
            let under: Vec<usize> =
                (0..round.len()).filter(|at| frame.open[*at] && ring.blocks[*at].inside).collect();
            let errors_of = Model::ALL.map(|model| {
                let light = Light::of(&frame.means, reference, &round, model)?;
                if model == Model::Gain {
                    let (gain, _) = light.gain_and_lift(reference.main(), Place::default());
                    (darkest, brightest) = (darkest.min(gain), brightest.max(gain));
                }
                let offs = tiles(&frame.means, reference, &light, &under);
                let squares = offs.iter().map(|off| off * off).sum::<f64>();
                (!offs.is_empty()).then(|| (squares / offs.len() as f64).sqrt())
            });
            errors.add(all(errors_of));
        }
        (errors.frames >= LEAST_FRAMES && brightest - darkest >= LEAST_CHANGE).then_some(errors)
    }
}

fn all<const N: usize>(errors: [Option<f64>; N]) -> Option<[f64; N]> {
    let found: Vec<f64> = errors.into_iter().flatten().collect();
    found.try_into().ok()
}

/// What a light leaves in every tile of the blocks, in codes of eight bits.
fn tiles(frame: &[Means], reference: &Reference, light: &Light, blocks: &[usize]) -> Vec<f64> {
    let main = reference.main();
    let mut sums = std::collections::BTreeMap::<(i64, i64), (f64, f64)>::new();
    for at in blocks {
        let place = reference.places[*at];
        let means: Vec<f64> = reference.means.iter().map(|means| f64::from(means[*at])).collect();
        let off = f64::from(frame[main][*at]) - light.code(main, &reference.roles, &means, place);
        let weight = reference.weight(main, *at);
        let tile = ((place.u * TILES).floor() as i64, (place.v * TILES).floor() as i64);
        let (sum, weights) = sums.entry(tile).or_default();
        (*sum, *weights) = (*sum + weight * off, *weights + weight);
    }
    let told = sums.values().filter(|(_, weights)| *weights > 0.0);
    told.map(|(sum, weights)| (sum / weights).abs()).collect()
}
