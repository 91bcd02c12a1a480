//! A frame against the template: inverse-compositional Lucas-Kanade (Baker and Matthews,
//! IJCV 56(3), 2004) by tiles, with Tukey weights on samples and rejection of whole tiles.

use super::gauss::{self, RUN};
use super::solve::{quantile, solve};
use super::template::Template;
use super::tiles::{self, Samples, State, Step, Sums};
use crate::measure::Motion;
use crate::measure::plane::{Sample, View};

/// Displacement from where samples were taken beyond which they are taken again, in pixels.
/// To this distance the slope tells the change to about a tenth of a percent.
const NEAR: f64 = 0.1;

/// Most times the samples are taken.
const MOST_SAMPLINGS: usize = 8;

/// Rounds of weights for each sampling.
const ROUNDS: usize = 3;

/// Residual below which sigma is not taken to fall, in 1/255 of the brightest code: coded
/// frames may be equal, and rounding to 8 bits alone leaves .07 after smoothing.
const FLOOR: f32 = 0.1;

/// How far a tile may stray before its own fit resists, one standard deviation in pixels.
const TILE_PRIOR: f64 = 0.5;

/// The least share of its samples a tile must keep to be believed.
const LEAST_WEIGHT: f64 = 0.25;

/// How a frame lies on the template.
#[derive(Debug, Clone)]
pub(super) struct Fit {
    pub motion: Motion,
    /// Covariance of shift x, shift y, rotation, scale, as calibrated so far.
    pub covariance: [[f64; 4]; 4],
    /// Residual of the quieter tiles, in codes.
    pub sigma: f32,
    /// Light against the plate over the frame as a whole.
    pub gain: f32,
    pub offset: f32,
    /// Tiles used, and tiles with texture.
    pub used: usize,
    pub textured: usize,
    /// Area of the used tiles' spread, as a share of the frame.
    pub spread: f64,
    /// How the tiles that could be compared go their own way.
    pub strays: Vec<Stray>,
}

/// How one tile goes its own way.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stray {
    /// Number of the tile in the template.
    pub tile: usize,
    /// Its displacement less what the whole does there, in pixels.
    pub off: [f64; 2],
    /// Predicted errors of that, for independent grain.
    pub error: [f64; 2],
    pub used: bool,
}

/// What was learnt from earlier frames.
#[derive(Debug, Clone, Default)]
pub(super) struct Learnt {
    /// How much larger errors are than independent grain makes them.
    pub calibration: f64,
    /// Mean square of each tile's own movement so far, in squared pixels: leaves and
    /// fidgeting people are heard less.
    pub restless: Vec<f64>,
}

/// Room that is used again for each frame.
#[derive(Debug, Clone, Default)]
pub(super) struct Room {
    samples: Samples,
    states: Vec<State>,
    sums: Vec<Option<(Sums, Step)>>,
    some: Vec<f32>,
}

/// Finds the motion of a frame near `start`. `None` if no tile can be compared.
pub(super) fn align<S: Sample>(
    template: &Template,
    view: View<'_, S>,
    start: Motion,
    learnt: &Learnt,
    room: &mut Room,
) -> Option<Fit> {
    let mut motion = start;
    let mut fit = None;
    for _ in 0..MOST_SAMPLINGS {
        take_samples(template, view, &motion, room);
        let light = first_light(template, room)?;
        for _ in 0..ROUNDS {
            let next = round(template, &motion, light, learnt, room)?;
            motion = next.motion;
            fit = Some(next);
        }
        let far = template.tiles.iter().zip(&room.states).map(|(tile, state)| {
            let (x, y) = motion.at(tile.middle.0, tile.middle.1);
            (x - state.sampled.0).abs().max((y - state.sampled.1).abs())
        });
        // NaN counts as near: nothing more can be done.
        if far.fold(0.0, f64::max) <= NEAR {
            break;
        }
    }
    fit
}

/// Smooths the frame at the runs, each tile at its own displacement.
fn take_samples<S: Sample>(
    template: &Template,
    view: View<'_, S>,
    motion: &Motion,
    room: &mut Room,
) {
    let samples = &mut room.samples;
    samples.values.resize(template.runs.len(), [0.0; RUN]);
    samples.inside.resize(template.runs.len(), false);
    room.states.clear();
    for tile in &template.tiles {
        let sampled = motion.at(tile.middle.0, tile.middle.1);
        room.states.push(State { sampled, ..State::default() });
        let whole = (sampled.0.round(), sampled.1.round());
        let across = gauss::smooth(sampled.0 - whole.0);
        let down = gauss::smooth(sampled.1 - whole.1);
        for run in tile.runs.clone() {
            let place = template.runs[run];
            // A cast of a float saturates; far outside is outside.
            let x = i64::from(place.x) + (whole.0 as i64).clamp(-1 << 32, 1 << 32);
            let y = i64::from(place.y) + (whole.1 as i64).clamp(-1 << 32, 1 << 32);
            let out = &mut samples.values[run];
            samples.inside[run] = gauss::run(view, (x, y), (&across, &down), out);
        }
    }
}

/// Sets the light each tile begins with and returns that of the whole frame: the mode of
/// the ratios of run means, then a robust line through them. What moves has another ratio,
/// so it does not pull as it would pull a mean.
fn first_light(template: &Template, room: &mut Room) -> Option<(f32, f32)> {
    let mut points = Vec::with_capacity(template.runs.len());
    let mut owners = Vec::with_capacity(template.runs.len());
    for (number, tile) in template.tiles.iter().enumerate() {
        for run in tile.runs.clone().filter(|run| room.samples.inside[*run]) {
            let mean = |values: &[f32; RUN]| values.iter().sum::<f32>() / RUN as f32;
            let plate = tile.level + mean(&template.level[run]);
            points.push((plate, mean(&room.samples.values[run])));
            owners.push(number);
        }
    }
    let (gain, offset) = line(&points, template.peak)?;
    let mut rests: Vec<Vec<f32>> = vec![Vec::new(); template.tiles.len()];
    for ((plate, frame), owner) in points.iter().zip(&owners) {
        rests[*owner].push(frame - gain * plate - offset);
    }
    for ((tile, state), rests) in template.tiles.iter().zip(&mut room.states).zip(&mut rests) {
        state.gain = gain;
        state.offset = offset + gain * tile.level + quantile(rests, 0.5);
    }
    Some((gain, offset))
}

/// Returns gain and offset of `(plate, frame)` pairs of which up to half may be strange.
fn line(points: &[(f32, f32)], peak: f32) -> Option<(f32, f32)> {
    const BINS: usize = 300;
    const STEP: f32 = 0.01;
    let mut bins = [0_u32; BINS + 2];
    for (plate, frame) in points.iter().filter(|(a, b)| *a > 0.02 * peak && *b > 0.005 * peak) {
        let bin = ((frame / plate).ln() / STEP + BINS as f32 / 2.0) as usize;
        bins[bin.min(BINS) + 1] += 1;
    }
    let near = |at: usize| bins[at - 1] + bins[at] + bins[at + 1];
    // The first of equal heights; 1 where all is too dark for a ratio.
    let top = (1..=BINS).rev().max_by_key(|at| near(*at))?;
    let mut gain = if near(top) == 0 {
        1.0
    } else {
        (((top - 1) as f32 + 0.5 - BINS as f32 / 2.0) * STEP).exp()
    };
    let mut offset = 0.0;
    let mut rests: Vec<f32> = Vec::with_capacity(points.len());
    for _ in 0..6 {
        rests.clear();
        rests.extend(points.iter().map(|(a, b)| (b - gain * a - offset).abs()));
        let sigma = (1.5 * quantile(&mut rests, 0.4)).max(peak / 255.0 * FLOOR);
        (gain, offset) = weighed_line(points, gain, offset, sigma, peak)?;
    }
    Some((gain, offset))
}

fn weighed_line(
    points: &[(f32, f32)],
    gain: f32,
    offset: f32,
    sigma: f32,
    peak: f32,
) -> Option<(f32, f32)> {
    let mut a = [[0.0_f64; 2]; 2];
    let mut b = [0.0_f64; 2];
    for (plate, frame) in points {
        let rest = frame - gain * plate - offset;
        let inner = (1.0 - (rest / (4.685 * sigma)).powi(2)).max(0.0);
        let (w, t, r) = (f64::from(inner * inner), f64::from(*plate), f64::from(rest));
        a[0][0] += w * t * t;
        a[0][1] += w * t;
        a[1][1] += w;
        b[0] += w * t * r;
        b[1] += w * r;
    }
    a[1][0] = a[0][1];
    // On a picture of one level gain and offset are the same; then it is called gain.
    a[1][1] += (f64::from(sigma) / (0.02 * f64::from(peak))).powi(2) + 1e-9;
    b[1] -= f64::from(offset) * (f64::from(sigma) / (0.02 * f64::from(peak))).powi(2);
    a[0][0] += 1e-9;
    let (step, _) = solve(&a, &b)?;
    Some((gain + step[0] as f32, offset + step[1] as f32))
}

/// One round: residuals, weights, each tile's step, the step of the whole.
fn round(
    template: &Template,
    motion: &Motion,
    (gain, offset): (f32, f32),
    learnt: &Learnt,
    room: &mut Room,
) -> Option<Fit> {
    for state in &mut room.states {
        state.shift = (motion.shift_x, motion.shift_y);
        (state.rotation, state.scale) = (motion.rotation, motion.scale);
    }
    let (sigma, quiet) = sigma(template, room)?;
    room.sums.clear();
    for (number, tile) in template.tiles.iter().enumerate() {
        let state = &room.states[number];
        let found = (tile.textured && quiet[number])
            .then(|| tiles::sums(template, &room.samples, tile, state, sigma))
            .and_then(|sums| Some((sums, sums.step(state.gain, sigma)?)))
            .filter(|(_, step)| step.weight > LEAST_WEIGHT);
        room.sums.push(found);
    }
    let together = together(template, &room.sums, sigma, learnt)?;
    for ((tile, state), found) in template.tiles.iter().zip(&mut room.states).zip(&room.sums) {
        let Some((sums, _)) = found else { continue };
        let moved = Motion::from_parameters(together.step).at(tile.middle.0, tile.middle.1);
        if let Some((more, higher)) = sums.light(state.gain, sigma, moved) {
            state.gain += more as f32;
            state.offset += higher as f32;
        }
    }
    Some(Fit {
        motion: motion.plus(together.step),
        covariance: together.covariance,
        sigma,
        gain,
        offset,
        used: together.used,
        textured: template.tiles.iter().filter(|tile| tile.textured).count(),
        spread: together.spread,
        strays: together.strays,
    })
}

/// Returns the residual of the frame, and which tiles are not mostly something else.
///
/// What moves sits in some tiles, so the tiles' own medians are taken and of these a low
/// quantile: a median over all samples would be nearly doubled by a third of strangers.
fn sigma(template: &Template, room: &mut Room) -> Option<(f32, Vec<bool>)> {
    let floor = template.peak / 255.0 * FLOOR;
    let mut medians = Vec::with_capacity(template.tiles.len());
    for (tile, state) in template.tiles.iter().zip(&room.states) {
        room.some.clear();
        // Every fourth run: a median needs no more.
        for run in tile.runs.clone().step_by(4).filter(|run| room.samples.inside[*run]) {
            let residuals = tiles::residuals(template, &room.samples, run, state);
            room.some.extend(residuals.map(f32::abs));
        }
        let none = room.some.is_empty();
        medians.push(if none { f32::NAN } else { 1.4826 * quantile(&mut room.some, 0.5) });
    }
    let mut known: Vec<f32> = medians.iter().copied().filter(|median| median.is_finite()).collect();
    if known.is_empty() {
        return None;
    }
    let sigma = quantile(&mut known, 0.4).max(floor);
    Some((sigma, medians.iter().map(|median| *median < 3.0 * sigma).collect()))
}

/// A tile's displacement on its own, with its covariance for independent grain.
#[derive(Debug, Clone, Copy)]
struct Own {
    tile: usize,
    middle: (f64, f64),
    moved: [f64; 2],
    covariance: [[f64; 2]; 2],
}

/// The step of the whole frame.
struct Together {
    step: [f64; 4],
    covariance: [[f64; 4]; 4],
    used: usize,
    spread: f64,
    strays: Vec<Stray>,
}

/// Rounds of weights on whole tiles.
const TILE_ROUNDS: usize = 8;

/// Fits one similarity to the tiles' steps. Tiles are weighed twice: for what their texture
/// can tell at best, and by Tukey's biweight for how far they stray from the others, so that
/// a man in front of a wall, who has most of the texture, does not carry the frame.
fn together(
    template: &Template,
    sums: &[Option<(Sums, Step)>],
    sigma: f32,
    learnt: &Learnt,
) -> Option<Together> {
    let variance = f64::from(sigma).powi(2);
    let own: Vec<Own> = sums
        .iter()
        .enumerate()
        .filter_map(|(tile, found)| own_step(template, tile, &found.as_ref()?.1, variance))
        .collect();
    let mut weights = vec![1.0; own.len()];
    let mut common = (TILE_PRIOR / 4.0).powi(2);
    let mut step = [0.0; 4];
    let mut covariance = None;
    for _ in 0..TILE_ROUNDS {
        let solved = fit(&own, &weights, common, learnt)?;
        (step, covariance) = (solved.0, Some(solved.1));
        let strays = strays(&own, &step);
        common = scatter(&own, &strays, &weights, learnt);
        for ((weight, own), off) in weights.iter_mut().zip(&own).zip(&strays) {
            *weight = biweight(own, off, common, learnt)?;
        }
    }
    let strays = strays(&own, &step);
    let near = near_tiles(&own, &strays, &weights, learnt.calibration);
    let used: Vec<&Own> =
        own.iter().zip(&near).filter(|(_, near)| **near).map(|(own, _)| own).collect();
    Some(Together {
        step,
        covariance: covariance?,
        used: used.len(),
        spread: spread(template, &used),
        strays: own
            .iter()
            .zip(&strays)
            .zip(&near)
            .map(|((own, off), used)| Stray {
                tile: own.tile,
                off: *off,
                error: own.errors(),
                used: *used,
            })
            .collect(),
    })
}

impl Own {
    fn errors(&self) -> [f64; 2] {
        [self.covariance[0][0].sqrt(), self.covariance[1][1].sqrt()]
    }

    /// Inverse covariance with what grain, the frame as a whole and the tile's past add.
    fn precision(&self, common: f64, learnt: &Learnt) -> Option<[[f64; 2]; 2]> {
        let grain = learnt.calibration * learnt.calibration;
        let own = common.max(learnt.restless.get(self.tile).copied().unwrap_or(0.0));
        let [[xx, xy], [_, yy]] = self.covariance.map(|row| row.map(|value| value * grain));
        solve(&[[xx + own, xy], [xy, yy + own]], &[0.0; 2]).map(|(_, inverse)| inverse)
    }
}

/// Returns a tile's own displacement and its covariance.
fn own_step(template: &Template, tile: usize, step: &Step, variance: f64) -> Option<Own> {
    let resist = variance / TILE_PRIOR.powi(2);
    let [[xx, xy], [_, yy]] = step.information;
    let (moved, inverse) = solve(&[[xx + resist, xy], [xy, yy + resist]], &step.vector)?;
    let covariance = inverse.map(|row| row.map(|value| value * variance));
    Some(Own { tile, middle: template.tiles.get(tile)?.middle, moved, covariance })
}

/// Returns the displacements of the tiles less what the whole does there.
fn strays(own: &[Own], step: &[f64; 4]) -> Vec<[f64; 2]> {
    let motion = Motion::from_parameters(*step);
    let stray = |own: &Own| {
        let (x, y) = motion.at(own.middle.0, own.middle.1);
        [own.moved[0] - x, own.moved[1] - y]
    };
    own.iter().map(stray).collect()
}

/// Returns the variance of the tiles about the whole that grain does not explain, in squared
/// pixels: coding, parallax, rolling shutter. Judged on the tiles that can tell best.
fn scatter(own: &[Own], strays: &[[f64; 2]], weights: &[f64], learnt: &Learnt) -> f64 {
    let mut errors: Vec<f32> = own.iter().flat_map(Own::errors).map(|error| error as f32).collect();
    let middle = f64::from(quantile(&mut errors, 0.5));
    let (mut off, mut expected) = (Vec::new(), Vec::new());
    for ((own, stray), _) in own.iter().zip(strays).zip(weights) {
        for (error, stray) in own.errors().into_iter().zip(stray) {
            if error <= middle {
                off.push(stray.abs() as f32);
                expected.push((learnt.calibration * error) as f32);
            }
        }
    }
    let found = 1.4826 * f64::from(quantile(&mut off, 0.5));
    let grain = f64::from(quantile(&mut expected, 0.5));
    (found * found - grain * grain).max(0.0)
}

/// Tukey's biweight of a tile's stray, in units of its expected error.
fn biweight(own: &Own, off: &[f64; 2], common: f64, learnt: &Learnt) -> Option<f64> {
    let precision = own.precision(common, learnt)?;
    let across: f64 = (0..2)
        .map(|row| off[row] * (precision[row][0] * off[0] + precision[row][1] * off[1]))
        .sum();
    let inner = (1.0 - across / 4.685_f64.powi(2)).max(0.0);
    Some(inner * inner)
}

/// Tells which tiles carry weight and lie within max(5 standard errors, 3 median deviations
/// + .01 px).
fn near_tiles(own: &[Own], strays: &[[f64; 2]], weights: &[f64], calibration: f64) -> Vec<bool> {
    let limit = |axis: usize| {
        let kept = strays.iter().zip(weights).filter(|(_, weight)| **weight > 0.0);
        let mut all: Vec<f32> = kept.map(|(off, _)| off[axis].abs() as f32).collect();
        3.0 * f64::from(quantile(&mut all, 0.5)) + 0.01
    };
    let limits = [limit(0), limit(1)];
    let near = |((off, own), weight): ((&[f64; 2], &Own), &f64)| {
        let errors = own.errors();
        let within =
            |axis: usize| off[axis].abs() <= limits[axis].max(5.0 * calibration * errors[axis]);
        *weight > 0.0 && within(0) && within(1)
    };
    strays.iter().zip(own).zip(weights).map(near).collect()
}

/// Shift x, shift y, rotation, scale, and their covariance.
type Solution = ([f64; 4], [[f64; 4]; 4]);

/// Solves for shift x, shift y, rotation, scale.
fn fit(own: &[Own], weights: &[f64], common: f64, learnt: &Learnt) -> Option<Solution> {
    let mut a = [[0.0; 4]; 4];
    let mut b = [0.0; 4];
    for (own, weight) in own.iter().zip(weights).filter(|(_, weight)| **weight > 0.0) {
        let precision = own.precision(common, learnt)?;
        let (x, y) = own.middle;
        let turned = [[1.0, 0.0, -y, x], [0.0, 1.0, x, y]];
        for axis in 0..2 {
            for other in 0..2 {
                let shared = weight * precision[axis][other];
                for row in 0..4 {
                    b[row] += turned[axis][row] * shared * own.moved[other];
                    for column in 0..4 {
                        a[row][column] += turned[axis][row] * shared * turned[other][column];
                    }
                }
            }
        }
    }
    // Cameras on a tripod do not turn or zoom by a percent from one step to the next; this
    // only matters where two or three tiles are all there is.
    for (at, prior) in [(0, 10.0), (1, 10.0), (2, 0.01), (3, 0.01_f64)] {
        a[at][at] += 1.0 / (prior * prior);
    }
    solve(&a, &b)
}

/// Returns the area between the outermost used tiles, as a share of the frame.
fn spread(template: &Template, used: &[&Own]) -> f64 {
    let mut low = (f64::MAX, f64::MAX);
    let mut high = (f64::MIN, f64::MIN);
    for own in used {
        low = (low.0.min(own.middle.0), low.1.min(own.middle.1));
        high = (high.0.max(own.middle.0), high.1.max(own.middle.1));
    }
    let area = (high.0 - low.0).max(0.0) * (high.1 - low.1).max(0.0);
    area / (template.width * template.height).max(1) as f64
}
