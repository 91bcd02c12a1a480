//! The light of one frame against the plate's mean, in every component.

use super::blocks::{Means, components};
use super::fit::{Model, Point, TERMS, median, robust};
use super::reference::Reference;
use super::ring::Place;
use crate::media::Picture;

/// Standard deviation a gain's slope has before anything is known, over half the patch. Ours:
/// it keeps a slope that nothing tells from running off.
const SLOPE: f64 = 0.2;

/// The same of an offset, in codes of eight bits. Ours.
const OFFSET: f64 = 10.0;

/// The same of how much more or less a colour difference gains than luma. Ours.
const COLOUR_GAIN: f64 = 0.05;

/// The same of the part of luma that goes into a colour difference when light changes its
/// colour. Ours.
const COLOUR_LEAN: f64 = 0.05;

/// Fewest blocks a light is told from. Ours: two or three times as many as terms at their
/// worst spread.
const LEAST_BLOCKS: usize = 16;

/// How much larger errors are than blocks that know nothing of each other would have them:
/// grain and coding reach over several blocks. Ours, measured on coded footage.
const NEIGHBOURS: f64 = 2.0;

/// What a component is, and the code that stands for nothing of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Role {
    /// Light: luma, red, green, blue. Its black.
    Light(f64),
    /// A colour difference, which goes with the luma beside it. Its neutral code.
    Difference(f64),
}

impl Role {
    /// Returns the roles of a picture's components: as the format says, and for the range as
    /// it is tagged.
    pub(super) fn of(picture: &Picture) -> Vec<Role> {
        let count = components(picture);
        let depth = picture.bit_depth().clamp(8, 16);
        // A code of eight bits in a deeper one, in 255ths of its brightest.
        let eight = |code: f64| {
            let brightest = f64::from((1_u32 << depth) - 1);
            code * f64::from(1_u32 << (depth - 8)) * 255.0 / brightest
        };
        let format = picture.format();
        let differences = count == 3 && (format.contains("yuv") || is_packed_yuv(format));
        let full = picture.is_rgb()
            || picture.is_float()
            || format.starts_with("yuvj")
            || picture.colour().range.as_deref() == Some("pc");
        let black = if full || !(differences || count == 1) { 0.0 } else { eight(16.0) };
        let role = |at: usize| match (differences, at) {
            (true, 1 | 2) => Role::Difference(eight(128.0)),
            _ => Role::Light(black),
        };
        (0..count).map(role).collect()
    }

    /// Returns the code that stands for nothing.
    pub(super) fn zero(&self) -> f64 {
        match self {
            Role::Light(zero) | Role::Difference(zero) => *zero,
        }
    }
}

/// Names of layouts of luma and two colour differences that do not say so.
fn is_packed_yuv(format: &str) -> bool {
    ["nv", "uyvy", "yvyu", "p0", "p2", "p4", "y2", "v30", "xv", "vuy", "ayuv"]
        .iter()
        .any(|head| format.starts_with(head))
}

/// How codes of one component follow from those of the plate's mean, in codes of eight bits.
///
/// Light: `black + (gain + u * across + v * down) * (mean - black) + lift`. A colour
/// difference: the slopes and gain of luma, its own `gain` added, and `lean` times luma.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Part {
    pub gain: f64,
    pub across: f64,
    pub down: f64,
    pub lift: f64,
    pub lean: f64,
}

/// The light of one frame.
#[derive(Debug, Clone, PartialEq)]
pub struct Light {
    /// One for each component.
    pub(super) parts: Vec<Part>,
    /// Covariance of the terms of the first (or, of red, green and blue, of green).
    pub(super) covariance: [[f64; TERMS]; TERMS],
}

impl Part {
    fn gain_at(&self, Place { u, v }: Place) -> f64 {
        self.gain + u * self.across + v * self.down
    }
}

impl Light {
    /// Returns the light of the plate's mean itself.
    pub(super) fn same(roles: &[Role]) -> Light {
        let part = |role: &Role| match role {
            Role::Light(_) => Part { gain: 1.0, ..Part::default() },
            Role::Difference(_) => Part::default(),
        };
        Light { parts: roles.iter().map(part).collect(), covariance: [[0.0; TERMS]; TERMS] }
    }

    /// Finds the light of a frame from the blocks for which `used` is true.
    pub(super) fn of(
        frame: &[Means],
        reference: &Reference,
        used: &[bool],
        model: Model,
    ) -> Option<Light> {
        let main = reference.main();
        let blocks: Vec<usize> = (0..used.len()).filter(|at| used[*at]).collect();
        if blocks.len() < LEAST_BLOCKS {
            return None;
        }
        let mut light = Light::same(&reference.roles);
        let (part, covariance, trust) = of_light(frame, reference, (main, &blocks), model, None)?;
        light.parts[main] = part;
        light.covariance = covariance;
        let others: Vec<usize> = (0..reference.roles.len()).filter(|at| *at != main).collect();
        for at in others {
            let seen = (at, blocks.as_slice());
            light.parts[at] = match reference.roles[at] {
                // What is no background in one component is none in the others.
                Role::Light(_) => of_light(frame, reference, seen, model, Some(&trust))?.0,
                Role::Difference(_) if model == Model::None => Part::default(),
                Role::Difference(_) => {
                    of_difference(frame, reference, seen, &light.parts[main], &trust)?
                }
            };
        }
        Some(light)
    }

    /// Returns the code of a component, of eight bits, that the mean has there.
    pub(super) fn code(&self, at: usize, roles: &[Role], means: &[f64], place: Place) -> f64 {
        let zero = roles[at].zero();
        let [gain, lift, lean] = self.line(at, roles, place);
        zero + gain * (means[at] - zero) + lift + lean * (means[0] - black_of(roles))
    }

    /// Returns gain, lift and lean of a component at a place.
    pub(super) fn line(&self, at: usize, roles: &[Role], place: Place) -> [f64; 3] {
        let (Some(part), Some(role)) = (self.parts.get(at), roles.get(at)) else {
            return [1.0, 0.0, 0.0];
        };
        match role {
            Role::Light(_) => [part.gain_at(place), part.lift, 0.0],
            Role::Difference(_) => [self.parts[0].gain_at(place) + part.gain, part.lift, part.lean],
        }
    }

    /// Returns gain and lift of the main component at a place.
    pub(super) fn gain_and_lift(&self, main: usize, place: Place) -> (f64, f64) {
        self.parts.get(main).map_or((1.0, 0.0), |part| (part.gain_at(place), part.lift))
    }

    /// Returns the standard error of a code of the main component, for a signal of so many
    /// codes above black.
    pub(super) fn error(&self, signal: f64, Place { u, v }: Place) -> f64 {
        let terms = [signal, signal * u, signal * v, 1.0];
        let mut sum = 0.0;
        for (row, one) in self.covariance.iter().zip(terms) {
            sum += one * row.iter().zip(terms).map(|(value, term)| value * term).sum::<f64>();
        }
        NEIGHBOURS * sum.max(0.0).sqrt()
    }

    /// Returns the mean of lights, each with its weight; covariances follow.
    pub(super) fn blended(lights: &[(&Light, f64)]) -> Option<Light> {
        let (first, _) = lights.first()?;
        let all: f64 = lights.iter().map(|(_, weight)| weight).sum();
        let mean = |of: &dyn Fn(&Light) -> f64| {
            lights.iter().map(|(light, weight)| of(light) * weight / all).sum::<f64>()
        };
        let parts = (0..first.parts.len()).map(|at| Part {
            gain: mean(&|light| light.parts[at].gain),
            across: mean(&|light| light.parts[at].across),
            down: mean(&|light| light.parts[at].down),
            lift: mean(&|light| light.parts[at].lift),
            lean: mean(&|light| light.parts[at].lean),
        });
        let share: f64 = lights.iter().map(|(_, weight)| (weight / all).powi(2)).sum();
        let covariance = std::array::from_fn(|row| {
            std::array::from_fn(|at| share * mean(&|light| light.covariance[row][at]))
        });
        Some(Light { parts: parts.collect(), covariance })
    }
}

/// Black of the luma that colour differences go with.
pub(super) fn black_of(roles: &[Role]) -> f64 {
    match roles.first() {
        Some(Role::Light(black)) => *black,
        _ => 0.0,
    }
}

type Told = (Part, [[f64; TERMS]; TERMS], Vec<f64>);

fn of_light(
    frame: &[Means],
    reference: &Reference,
    (at, blocks): (usize, &[usize]),
    model: Model,
    trust: Option<&[f64]>,
) -> Option<Told> {
    let Role::Light(black) = reference.roles[at] else { return None };
    let point = |(number, block): (usize, &usize)| {
        let signal = f64::from(reference.means[at][*block]) - black;
        let Place { u, v } = reference.places[*block];
        let trust = trust.map_or(1.0, |trust| trust[number]);
        // About a gain of one, so that what is not asked leaves the plate's own light.
        Point {
            terms: [signal, signal * u, signal * v, 1.0],
            value: f64::from(frame[at][*block]) - black - signal,
            weight: trust * reference.weight(at, *block),
        }
    };
    let points: Vec<Point> = blocks.iter().enumerate().map(point).collect();
    let mut ratios: Vec<f64> = points
        .iter()
        .filter(|point| point.terms[0] > 4.0 && point.weight > 0.0)
        .map(|point| point.value / point.terms[0])
        .collect();
    let start = if model == Model::None { 0.0 } else { median(&mut ratios) };
    let slope = SLOPE.powi(-2);
    let prior = [0.0, slope, slope, OFFSET.powi(-2)];
    let fit = robust(&points, model.terms(), prior, [start, 0.0, 0.0, 0.0])?;
    let [gain, across, down, lift] = fit.unknowns;
    Some((Part { gain: 1.0 + gain, across, down, lift, lean: 0.0 }, fit.covariance, fit.trust))
}

fn of_difference(
    frame: &[Means],
    reference: &Reference,
    (at, blocks): (usize, &[usize]),
    luma: &Part,
    trust: &[f64],
) -> Option<Part> {
    let Role::Difference(neutral) = reference.roles[at] else { return None };
    let black = black_of(&reference.roles);
    let point = |(number, block): (usize, &usize)| {
        let own = f64::from(reference.means[at][*block]) - neutral;
        let beside = f64::from(reference.means[0][*block]) - black;
        let made = luma.gain_at(reference.places[*block]) * own;
        Point {
            terms: [own, beside, 1.0, 0.0],
            value: f64::from(frame[at][*block]) - neutral - made,
            weight: trust[number] * reference.weight(at, *block),
        }
    };
    let points: Vec<Point> = blocks.iter().enumerate().map(point).collect();
    let prior = [COLOUR_GAIN.powi(-2), COLOUR_LEAN.powi(-2), OFFSET.powi(-2), 0.0];
    let fit = robust(&points, [true, true, true, false], prior, [0.0; TERMS])?;
    let [gain, lean, lift, _] = fit.unknowns;
    Some(Part { gain, lean, lift, ..Part::default() })
}
