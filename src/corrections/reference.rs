//! Mean and noise of the blocks over the plate, its own light taken out.

use super::blocks::Means;
use super::fit::Model;
use super::light::{Light, Role};
use super::ring::{Place, Ring};

/// Least noise of a block in codes of eight bits: rounding, and what coding froze.
const LEAST_NOISE: f64 = 0.1;

/// The mean of the plate, in blocks.
#[derive(Debug, Clone)]
pub(super) struct Reference {
    pub roles: Vec<Role>,
    /// Means of every component.
    pub means: Vec<Means>,
    /// Standard deviation of a block over time, of every component.
    noise: Vec<Means>,
    pub places: Vec<Place>,
}

/// One plate frame in blocks, and which of them show background.
pub(super) struct PlateFrame {
    pub frame: i64,
    pub means: Vec<Means>,
    pub open: Vec<bool>,
}

impl Reference {
    /// Makes the mean of plate frames. The first comes as it is; then the light of every
    /// frame against the mean is found and taken out, twice.
    pub(super) fn of(frames: &[PlateFrame], roles: Vec<Role>, ring: &Ring) -> Option<Reference> {
        let first = frames.first()?;
        let places: Vec<Place> = ring.blocks.iter().map(|block| block.place).collect();
        let noise = first.means.iter().map(|means| vec![1.0; means.len()]).collect();
        let mut made = Reference { roles, means: first.means.clone(), noise, places };
        for _ in 0..2 {
            let lights: Vec<Option<Light>> = frames
                .iter()
                .map(|frame| Light::of(&frame.means, &made, &frame.open, Model::GainAndOffset))
                .collect();
            made.average(frames, &lights);
        }
        Some(made)
    }

    /// Takes the mean of all frames in the light of the reference.
    fn average(&mut self, frames: &[PlateFrame], lights: &[Option<Light>]) {
        let told = || frames.iter().zip(lights).filter_map(|(f, l)| Some((f, l.as_ref()?)));
        let before = self.clone();
        for block in 0..self.places.len() {
            let seen: Vec<Vec<f64>> = told()
                .filter(|(frame, _)| frame.open[block])
                .map(|(frame, light)| {
                    let codes: Vec<f64> =
                        frame.means.iter().map(|means| f64::from(means[block])).collect();
                    taken_out(light, &before.roles, &codes, before.places[block])
                })
                .collect();
            for component in 0..self.roles.len() {
                let values: Vec<f64> = seen.iter().map(|codes| codes[component]).collect();
                self.note(component, block, &values);
            }
        }
    }

    fn note(&mut self, component: usize, block: usize, values: &[f64]) {
        // A block no plate frame shows is never asked: its noise has no end.
        let (mean, noise) = match values.len() {
            0 => (f64::from(self.means[component][block]), f64::INFINITY),
            count => {
                let mean = values.iter().sum::<f64>() / count as f64;
                let squares = values.iter().map(|value| (value - mean).powi(2)).sum::<f64>();
                (mean, (squares / (count.max(2) - 1) as f64).sqrt())
            }
        };
        self.means[component][block] = mean as f32;
        self.noise[component][block] = noise as f32;
    }

    /// Returns one over the variance of a block.
    pub(super) fn weight(&self, component: usize, block: usize) -> f64 {
        let noise = f64::from(self.noise[component][block]);
        if noise.is_finite() { 1.0 / (noise * noise + LEAST_NOISE * LEAST_NOISE) } else { 0.0 }
    }

    /// Returns what a light leaves of a block in the main component, in standard deviations.
    pub(super) fn off(&self, frame: &[Means], light: &Light, block: usize) -> f64 {
        let main = self.main();
        let means: Vec<f64> = self.means.iter().map(|means| f64::from(means[block])).collect();
        let code = light.code(main, &self.roles, &means, self.places[block]);
        (f64::from(frame[main][block]) - code) * self.weight(main, block).sqrt()
    }

    /// Returns the component everything else goes with: luma, or green.
    pub(super) fn main(&self) -> usize {
        main_of(&self.roles)
    }
}

/// Luma, or green of red, green and blue.
pub(super) fn main_of(roles: &[Role]) -> usize {
    usize::from(roles.len() >= 3 && matches!(roles[1], Role::Light(_)))
}

/// Returns the codes of the mean under codes of a frame: [`Light::code`] the other way round.
pub(super) fn taken_out(light: &Light, roles: &[Role], codes: &[f64], place: Place) -> Vec<f64> {
    let mut means = codes.to_vec();
    for at in 0..roles.len() {
        let zero = means.iter().enumerate().map(|(n, mean)| if n == at { 0.0 } else { *mean });
        let zero: Vec<f64> = zero.collect();
        let one: Vec<f64> =
            zero.iter().enumerate().map(|(n, mean)| if n == at { 1.0 } else { *mean }).collect();
        // The code is a straight line of its own mean, luma done before the differences.
        let base = light.code(at, roles, &zero, place);
        let slope = light.code(at, roles, &one, place) - base;
        means[at] = (codes[at] - base) / if slope.abs() < 1e-3 { 1.0 } else { slope };
    }
    means
}

#[cfg(test)]
mod tests {
    use super::super::light::Part;
    use super::*;

    #[test]
    fn light_that_is_put_on_can_be_taken_out() {
        let roles = [Role::Light(16.0), Role::Difference(128.0), Role::Difference(128.0)];
        let mut light = Light::same(&roles);
        light.parts[0] = Part { gain: 1.1, across: 0.05, down: -0.02, lift: 2.0, lean: 0.0 };
        light.parts[1] = Part { gain: 0.01, lift: -1.0, lean: 0.02, ..Part::default() };
        let (place, means) = (Place { u: 0.4, v: -1.2 }, [120.0, 110.0, 140.0]);
        let codes: Vec<f64> = (0..3).map(|at| light.code(at, &roles, &means, place)).collect();
        // By hand: 16 + (1.1 + .02 + .024) * 104 + 2.
        assert!((codes[0] - 136.976).abs() < 1e-9);
        let back = taken_out(&light, &roles, &codes, place);
        assert!(back.iter().zip(means).all(|(a, b)| (a - b).abs() < 1e-9), "{back:?}");
    }
}
