//! A frame against the template: inverse-compositional Lucas-Kanade (Baker and Matthews,
//! IJCV 56(3), 2004) by tiles, with Tukey weights on samples and rejection of whole tiles.

use super::gauss::{self, RUN};
use super::rest::Trust;
use super::solve::{quantile, solve};
use super::template::{Template, Tile};
use super::tiles::{self, Samples, State, Step, Sums};
use super::together::{Learnt, Own, TILE_PRIOR, together};
use crate::measure::Motion;
use crate::measure::plane::{Sample, View};

/// Displacement from where samples were taken beyond which they are taken again, in pixels.
/// To this distance the slope tells the change to about a tenth of a percent.
const NEAR: f64 = 0.1;

/// Most times the samples are taken.
const MOST_SAMPLINGS: usize = 8;

/// Fewest rounds of weights for each sampling: a camera at rest needs no more.
const ROUNDS: usize = 2;

/// Most rounds of weights for each sampling: after a move the weights find the background
/// step by step.
const MOST_ROUNDS: usize = 8;

/// Step below which the weights have settled, in pixels: less than a frame can be known to.
const SMALL: f64 = 0.002;

/// Residual below which sigma is not taken to fall, in 1/255 of the brightest code: coded
/// frames may be equal, and rounding to 8 bits alone leaves .07 after smoothing.
const FLOOR: f32 = 0.1;

/// The least share of its samples a tile must keep to be believed.
const LEAST_WEIGHT: f64 = 0.25;

/// The least share of its squared slopes a tile must keep to be found where it was: edges
/// that went elsewhere are the first to be left out.
const LEAST_ENERGY: f64 = 0.5;

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
    /// How far the tiles disagree beyond grain, in pixels.
    pub scatter: f64,
    /// Area of the used tiles' spread, as a share of the frame.
    pub spread: f64,
    /// How the tiles that could be compared go their own way.
    pub strays: Vec<Own>,
}

/// Room that is used again for each frame.
#[derive(Debug, Clone, Default)]
pub(super) struct Room {
    samples: Samples,
    states: Vec<State>,
    sums: Vec<Option<(Sums, Step)>>,
    some: Vec<f32>,
    /// Runs that are not to be looked at in this frame; none if empty.
    busy: Vec<bool>,
}

impl Room {
    /// Leaves out the runs for which `busy` is true, until told otherwise.
    pub fn leave_out(&mut self, busy: Vec<bool>) {
        self.busy = busy;
    }
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
        for count in 1..=MOST_ROUNDS {
            let next = round(template, &motion, light, learnt, room)?;
            let step =
                (next.motion.shift_x - motion.shift_x).hypot(next.motion.shift_y - motion.shift_y);
            motion = next.motion;
            fit = Some(next);
            // NaN counts as settled: nothing more can be done.
            let settled = step.is_nan() || step <= SMALL;
            if count >= ROUNDS && settled {
                break;
            }
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
            let free = !room.busy.get(run).copied().unwrap_or(false);
            samples.inside[run] = free && gauss::run(view, (x, y), (&across, &down), out);
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
            .then(|| tiles::sums(template, &room.samples, tile, state, (sigma, &[])))
            .and_then(|sums| Some((sums, sums.step(state.gain, sigma)?)))
            .filter(|(_, step)| step.weight > LEAST_WEIGHT);
        room.sums.push(found);
    }
    let mut strays = own_steps(&room.sums, sigma);
    let middle = |tile: usize| template.tiles.get(tile).map_or((0.0, 0.0), |tile| tile.middle);
    let together = together(&mut strays, middle, learnt)?;
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
        scatter: together.scatter,
        spread: together.area / (template.width * template.height).max(1) as f64,
        strays,
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

/// Returns what the tiles say on their own.
fn own_steps(sums: &[Option<(Sums, Step)>], sigma: f32) -> Vec<Own> {
    let variance = f64::from(sigma).powi(2);
    let resist = variance / TILE_PRIOR.powi(2);
    let own = |(tile, found): (usize, &Option<(Sums, Step)>)| {
        let step = &found.as_ref()?.1;
        let [[xx, xy], [_, yy]] = step.information;
        let (off, inverse) = solve(&[[xx + resist, xy], [xy, yy + resist]], &step.vector)?;
        let covariance = [inverse[0][0], inverse[0][1], inverse[1][1]].map(|part| part * variance);
        Some(Own { tile, off, covariance, used: false })
    };
    sums.iter().enumerate().filter_map(own).collect()
}

/// The tiles of a frame whose texture is found where the plate has it.
#[derive(Debug, Clone, Default)]
pub(super) struct AtRest {
    /// Their displacements from rest, all samples heard alike.
    pub plain: Vec<Own>,
    /// The same, samples that change over the take heard less.
    pub trusted: Vec<Own>,
}

/// Looks at a frame whose grain is `sigma` as if the camera stood; `trust` learns which samples
/// stay as they are.
pub(super) fn at_rest<S: Sample>(
    template: &Template,
    view: View<'_, S>,
    sigma: f32,
    trust: &mut Trust,
    room: &mut Room,
) -> AtRest {
    take_samples(template, view, &Motion::default(), room);
    if first_light(template, room).is_none() {
        return AtRest::default();
    }
    let mut trusted = Vec::with_capacity(template.tiles.len());
    room.sums.clear();
    for (tile, state) in template.tiles.iter().zip(&mut room.states) {
        let sums = |trust, state: &State| {
            let sums = tiles::sums(template, &room.samples, tile, state, (sigma, trust));
            Some((sums, sums.step(state.gain, sigma)?))
        };
        let kept = |(sums, _): &(Sums, Step)| {
            sums.energy() > LEAST_ENERGY * energy(template, &room.samples, tile)
        };
        let plain = tile.textured.then(|| sums(&[], state)).flatten().filter(kept);
        trusted.push(plain.and_then(|_| sums(trust.samples(), state)));
        room.sums.push(plain);
        let Some((of, _)) = trusted.last().copied().flatten() else { continue };
        if let Some((more, higher)) = of.light(state.gain, sigma, (0.0, 0.0)) {
            state.gain += more as f32;
            state.offset += higher as f32;
        }
        for run in tile.runs.clone().filter(|run| room.samples.inside[*run]) {
            trust.learn(run, &tiles::residuals(template, &room.samples, run, state), sigma);
        }
    }
    AtRest { plain: own_steps(&room.sums, sigma), trusted: own_steps(&trusted, sigma) }
}

/// Returns the sum of squared slopes of the runs of a tile that lie in the frame.
fn energy(template: &Template, samples: &Samples, tile: &Tile) -> f64 {
    let inside = tile.runs.clone().filter(|run| samples.inside[*run]);
    let of = |run: usize| {
        let slopes = template.slope_x[run].iter().chain(&template.slope_y[run]);
        f64::from(slopes.map(|slope| slope * slope).sum::<f32>())
    };
    inside.map(of).sum()
}

/// What one tile can show when the frame as a whole cannot tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Shown {
    pub tile: usize,
    /// Displacement beyond which the tile did not move, along the way it can tell best.
    pub shift_px: f64,
    /// Most that any displacement changes the tile's samples, rms, in codes.
    pub error: f64,
}

/// Looks at every tile on its own, those without texture too, as if the camera stood at
/// `motion`. A tile covered by something else gives `None`. Bounds are at three standard
/// errors.
pub(super) fn shown<S: Sample>(
    template: &Template,
    view: View<'_, S>,
    motion: &Motion,
    learnt: &Learnt,
    room: &mut Room,
) -> Vec<Option<Shown>> {
    take_samples(template, view, motion, room);
    if first_light(template, room).is_none() {
        return vec![None; template.tiles.len()];
    }
    for state in &mut room.states {
        state.shift = (motion.shift_x, motion.shift_y);
        (state.rotation, state.scale) = (motion.rotation, motion.scale);
    }
    let Some((sigma, quiet)) = sigma(template, room) else {
        return vec![None; template.tiles.len()];
    };
    let of = |(number, tile): (usize, &Tile)| {
        let state = &room.states[number];
        let sums = tiles::sums(template, &room.samples, tile, state, (sigma, &[]));
        let step = sums.step(state.gain, sigma).filter(|step| step.weight > LEAST_WEIGHT)?;
        let noise = 3.0 * learnt.calibration * f64::from(sigma);
        let [[xx, xy], [_, yy]] = step.information;
        // What the samples say of a displacement, in codes: d' I d is the sum of the squares
        // it causes. A little is added so that a perfectly flat tile can be solved.
        let some = 1e-6 * (1.0 + xx + yy);
        let (off, inverse) = solve(&[[xx + some, xy], [xy, yy + some]], &step.vector)?;
        let square = off[0] * step.vector[0] + off[1] * step.vector[1];
        let variance = f64::from(sigma).powi(2);
        let covariance = [inverse[0][0], inverse[0][1], inverse[1][1]].map(|part| part * variance);
        let moved = motion.at(tile.middle.0, tile.middle.1);
        let own = Own {
            tile: number,
            off: [off[0] + moved.0, off[1] + moved.1],
            covariance,
            used: false,
        };
        let (far, error) = own.best();
        Some(Shown {
            tile: number,
            shift_px: far.abs() + 3.0 * learnt.calibration * error,
            error: (square.max(0.0).sqrt() + noise) / step.weights.sqrt(),
        })
    };
    let all = template.tiles.iter().enumerate();
    all.map(|(number, tile)| of((number, tile)).filter(|_| quiet[number])).collect()
}
