//! Shift, rotation and scale of every frame against the mean of the plate.
//!
//! [`LockOff`] finds them frame by frame, actors ignored, and [`steadiness`] tells creep,
//! weave, vibration and knocks apart over the whole take.

mod align;
mod bounds;
mod calm;
mod coarse;
mod gauss;
mod history;
mod reader;
mod rest;
mod series;
mod solve;
mod template;
mod tiles;
mod together;

pub use bounds::TileBound;
pub use reader::{LockOffReader, MeanReader};
pub use series::{Knock, Stand, Steadiness, SteadyLimits, steadiness};
pub use template::{TILE_COLUMNS, TILE_ROWS};

use crate::measure::Motion;
use crate::measure::PlateSum;
use crate::measure::plane::{Excluded, Plane, Sample, View};
use crate::time::Frame;
use align::{Fit, Room, align, at_rest, shown};
use bounds::Bounds;
use coarse::PhaseCorrelator;
use history::{Again, History};
use rest::{Rest, Trust};
use std::sync::{Mutex, PoisonError};
use template::Template;
use together::{Learnt, Own};

/// Width the coarse search works at.
const COARSE_WIDTH: usize = 480;

/// Tiles that must agree before a motion is believed. Ours: fewer are one object.
const LEAST_TILES: usize = 6;

/// Share of the tiles with texture that must agree: the background is most of a locked-off
/// frame even with actors over a third of it.
const LEAST_SHARE: f64 = 0.35;

/// Area between the agreeing tiles, as a share of the frame, below which rotation and scale
/// are guesses.
const LEAST_SPREAD: f64 = 0.1;

/// Standard error of the shift beyond which a frame is not told, in pixels: three of them
/// must stay below the limit of sight, .1 px at delivery.
const MOST_ERROR: f64 = 0.033;

/// The same for tiles that were seen to rest over the take: two standard errors. That they
/// rest was shown by all frames together.
const MOST_ERROR_AT_REST: f64 = 0.05;

/// How much larger errors are taken to be than predicted before the plate has told: grain
/// that went through a lens, a mosaic and the Gaussian is correlated.
const LEAST_CALIBRATION: f64 = 1.2;

/// Frames from which the variance of a plate tells what moves in it.
const LEAST_FRAMES: u32 = 6;

/// Rise of the residual that sends the search back to the coarse plane.
const LOST: f32 = 1.5;

/// Why there is nothing to compare with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoTemplate {
    /// No plate frame was added.
    NoFrames,
    /// The frames are smaller than the tiles need: 64 by 32 pixels.
    TooSmall,
}

/// Where one frame lies against the plate.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct FrameMotion {
    /// The frame, file clock.
    pub frame: Frame,
    /// The motion; not to be used unless `told`.
    pub motion: Motion,
    /// One standard error of each part of the motion, calibrated on the plate.
    pub error: Motion,
    /// Standard error of the displacement at the corner of the frame, in pixels.
    pub corner_error_px: f64,
    /// Light against the plate: frame = gain * plate + offset, in codes as they are.
    pub gain: f32,
    /// See `gain`.
    pub offset: f32,
    /// Residual of the smoothed picture, in codes.
    pub residual: f32,
    /// How far the tiles disagree beyond what grain explains, one standard deviation in pixels:
    /// leaves, clouds, water, parallax.
    pub scatter_px: f64,
    /// Tiles that agree.
    pub tiles_used: usize,
    /// Tiles with texture.
    pub tiles_textured: usize,
    /// Whether the picture has enough texture in the background to tell.
    pub told: bool,
}

impl FrameMotion {
    /// Returns the shift beyond which the camera is shown not to have moved, in pixels at
    /// three standard errors; `None` unless most tiles with texture agree on one way.
    pub fn bound_px(&self) -> Option<f64> {
        let error = self.error.shift_px();
        let agreed = self.tiles_used >= LEAST_TILES && self.tiles_used * 2 > self.tiles_textured;
        (agreed && error.is_finite()).then(|| self.motion.shift_px() + 3.0 * error)
    }
}

/// Finds where frames lie against the mean of a plate, one after the other.
///
/// Give every frame of the take in order to [`LockOff::see`], then ask for the series. Each
/// search begins where the frame before was found. A few hundred bytes a frame are
/// kept, and what the tiles say goes to a file without a name.
pub struct LockOff {
    template: Template,
    coarse: Option<Coarse>,
    room: Room,
    last: Option<Motion>,
    seen: Option<Motion>,
    bounds: Bounds,
    usual: Option<f32>,
    strays: StrayCount,
    restless: Restless,
    rest: Rest,
    trust: Trust,
    fits: Vec<(Frame, Option<Kept>)>,
    history: Mutex<History>,
}

/// A fit with the calibration its covariance holds.
#[derive(Debug, Clone)]
struct Kept {
    fit: Fit,
    calibration: f64,
}

/// The same plate, reduced.
struct Coarse {
    by: usize,
    template: Template,
    correlator: PhaseCorrelator,
    room: Room,
}

impl LockOff {
    /// Makes ready to look for the mean of a plate; `peak` is the brightest code of the
    /// samples (1023 for ten bits).
    ///
    /// # Errors
    ///
    /// No frames, or frames too small.
    pub fn new(
        plate: &PlateSum,
        excluded: Option<&Excluded>,
        peak: f32,
    ) -> Result<Self, NoTemplate> {
        let mean = plate.mean().ok_or(NoTemplate::NoFrames)?;
        Self::made(&mean, Self::variance(plate).as_ref(), excluded, peak)
    }

    /// Variance of a plate that is long enough to have one.
    fn variance(plate: &PlateSum) -> Option<Plane> {
        plate.variance().filter(|_| plate.frames() >= LEAST_FRAMES)
    }

    /// Makes ready to look for a picture that is given as a whole.
    ///
    /// # Errors
    ///
    /// A picture too small, or of another size than it says.
    pub fn against(
        mean: &Plane,
        excluded: Option<&Excluded>,
        peak: f32,
    ) -> Result<Self, NoTemplate> {
        Self::made(mean, None, excluded, peak)
    }

    fn made(
        mean: &Plane,
        variance: Option<&Plane>,
        excluded: Option<&Excluded>,
        peak: f32,
    ) -> Result<Self, NoTemplate> {
        if mean.width < 64 || mean.height < 32 {
            return Err(NoTemplate::TooSmall);
        }
        let template = Template::new(mean, variance, excluded, peak).ok_or(NoTemplate::TooSmall)?;
        Ok(Self {
            template,
            coarse: Coarse::new(mean, variance, excluded, peak),
            room: Room::default(),
            last: None,
            seen: None,
            bounds: Bounds::default(),
            usual: None,
            strays: StrayCount::default(),
            restless: Restless::default(),
            rest: Rest::default(),
            trust: Trust::default(),
            fits: Vec::new(),
            history: Mutex::default(),
        })
    }

    /// Looks at one frame; `in_plate` frames also calibrate the standard errors. False, and
    /// nothing kept, if the frame is not of the size of the plate.
    pub fn see<S: Sample>(&mut self, frame: Frame, view: View<'_, S>, in_plate: bool) -> bool {
        if (view.width(), view.height()) != (self.template.width, self.template.height) {
            return false;
        }
        let calibration = self.strays.calibration().max(LEAST_CALIBRATION);
        let learnt = Learnt { calibration, restless: self.restless.mean_squares(), stands: false };
        let fit = self.find(view, &learnt);
        if !fit.as_ref().is_some_and(is_told) {
            let at = self.last.unwrap_or_default();
            let shown = shown(&self.template, view, &at, &learnt, &mut self.room);
            self.bounds.add(&shown);
        }
        let at_rest = self.at_rest(view, fit.as_ref(), calibration);
        self.keep(frame, fit, (in_plate, &at_rest), calibration);
        true
    }

    /// Looks at the mean of another plate, what moved in it left out; else like
    /// [`LockOff::see`].
    pub fn see_plate(&mut self, frame: Frame, plate: &PlateSum) -> bool {
        let Some(mean) = plate.mean() else { return false };
        let variance = Self::variance(plate);
        let busy = variance.as_ref().and_then(Plane::view).map(|view| self.template.busy(view));
        self.room.leave_out(busy.unwrap_or_default());
        let seen = mean.view().is_some_and(|view| self.see(frame, view, false));
        self.room.leave_out(Vec::new());
        seen
    }

    /// Looks at a frame that was found elsewhere, or nowhere, as if the camera stood.
    fn at_rest<S: Sample>(
        &mut self,
        view: View<'_, S>,
        fit: Option<&Fit>,
        calibration: f64,
    ) -> Vec<Own> {
        let template = &self.template;
        let asked = |fit: &&Fit| !agrees(fit) || rest::is_displaced(fit, template.half());
        let Some(fit) = fit.filter(asked) else { return Vec::new() };
        let found = at_rest(template, view, fit.sigma, &mut self.trust, &mut self.room);
        if agrees(fit) {
            self.rest.add(template, fit, &found, calibration);
        }
        found.trusted
    }

    fn keep(
        &mut self,
        frame: Frame,
        fit: Option<Fit>,
        (in_plate, at_rest): (bool, &[Own]),
        calibration: f64,
    ) {
        if let Some(fit) = &fit {
            if in_plate {
                self.strays.add(&fit.strays);
            }
            if agrees(fit) {
                self.restless.add(&fit.strays, calibration);
                self.last = Some(fit.motion);
                let usual = self.usual.unwrap_or(fit.sigma);
                self.usual = Some(0.9 * usual + 0.1 * fit.sigma);
            }
        }
        self.seen = fit.as_ref().and_then(|fit| self.known(fit, at_rest, calibration));
        let history = self.history.get_mut().unwrap_or_else(PoisonError::into_inner);
        history.add(fit.as_ref().map_or(&[], |fit| &fit.strays), at_rest);
        let kept = fit.map(|fit| Kept { fit: Fit { strays: Vec::new(), ..fit }, calibration });
        self.fits.push((frame, kept));
    }

    /// Returns the motion of a frame by what is known so far.
    fn known(&self, fit: &Fit, at_rest: &[Own], calibration: f64) -> Option<Motion> {
        let standing = if at_rest.is_empty() { None } else { self.rest.standing(&self.template) };
        let Some(resting) = standing else { return is_told(fit).then_some(fit.motion) };
        let rests = |own: &&Own| resting.get(own.tile).copied().unwrap_or(false);
        let mut tiles: Vec<Own> = at_rest.iter().filter(rests).copied().collect();
        let middle =
            |tile: usize| self.template.tiles.get(tile).map(|t| t.middle).unwrap_or_default();
        let learnt = Learnt { calibration, restless: self.restless.mean_squares(), stands: true };
        let whole = together::together(&mut tiles, middle, &learnt)?;
        let [xx, yy] = [0, 1].map(|at: usize| whole.covariance[at][at]);
        let told = whole.used >= LEAST_TILES && xx + yy <= MOST_ERROR_AT_REST * MOST_ERROR_AT_REST;
        told.then(|| Motion::default().plus(whole.step))
    }

    fn find<S: Sample>(&mut self, view: View<'_, S>, learnt: &Learnt) -> Option<Fit> {
        let start = self.last.unwrap_or_default();
        let near = align(&self.template, view, start, learnt, &mut self.room);
        let usual = self.usual;
        let well = |fit: &Fit| agrees(fit) && usual.is_some_and(|sigma| fit.sigma < LOST * sigma);
        if near.as_ref().is_some_and(well) {
            return near;
        }
        let far = self
            .coarse
            .as_mut()
            .and_then(|coarse| coarse.find(view, learnt.calibration))
            .and_then(|start| align(&self.template, view, start, learnt, &mut self.room));
        better(near, far)
    }

    /// Returns the motion of the last frame seen, as far as is known by then; `None` if it
    /// cannot be told.
    pub fn last(&self) -> Option<&Motion> {
        self.seen.as_ref()
    }

    /// Returns what single tiles show over the frames whose motion cannot be told; nothing
    /// if all can. For a patch on a bare wall these are the figures to judge by.
    pub fn tile_bounds(&self) -> Vec<TileBound> {
        self.bounds.list(&self.template)
    }

    /// Returns how many times larger errors are than independent grain would make them,
    /// from the tiles of the plate frames; at least 1.
    pub fn calibration(&self) -> f64 {
        self.strays.calibration()
    }

    /// Returns all frames seen, in order, with calibrated errors, solved again with what the
    /// whole take tells of its tiles.
    pub fn series(&self) -> Vec<FrameMotion> {
        let calibration = self.calibration().max(LEAST_CALIBRATION);
        let middles: Vec<(f64, f64)> = self.template.tiles.iter().map(|tile| tile.middle).collect();
        let motion = |(_, kept): &(Frame, Option<Kept>)| {
            kept.as_ref().map(|kept| kept.fit.motion).unwrap_or_default()
        };
        let found: Vec<Motion> = self.fits.iter().map(motion).collect();
        let mut history = self.history.lock().unwrap_or_else(PoisonError::into_inner);
        let resting = self.rest.standing(&self.template);
        let resting = resting.as_deref();
        let heard = resting.map(|resting| resting.iter().filter(|rests| **rests).count());
        let again = history.again(&middles, &found, resting, calibration).unwrap_or_default();
        let told = |(at, (frame, kept)): (usize, &(Frame, Option<Kept>))| {
            let Some(kept) = kept else { return untold(*frame) };
            let textured = kept.fit.textured;
            match (again.get(at), heard) {
                (Some(Some(better)), heard) => {
                    let fit = self.corrected(&kept.fit, better, heard.unwrap_or(textured));
                    let most = heard.map_or(MOST_ERROR, |_| MOST_ERROR_AT_REST);
                    let found = self.told(*frame, &fit, (1.0, most));
                    FrameMotion { tiles_textured: textured, ..found }
                }
                (_, Some(_)) => untold(*frame),
                _ => self.told(*frame, &kept.fit, (calibration / kept.calibration, MOST_ERROR)),
            }
        };
        self.fits.iter().enumerate().map(told).collect()
    }

    fn corrected(&self, fit: &Fit, again: &Again, textured: usize) -> Fit {
        Fit {
            textured,
            motion: again.motion,
            covariance: again.whole.covariance,
            used: again.whole.used,
            scatter: again.whole.scatter,
            spread: again.whole.area / (self.template.width * self.template.height).max(1) as f64,
            ..fit.clone()
        }
    }

    fn told(&self, frame: Frame, fit: &Fit, (calibration, most): (f64, f64)) -> FrameMotion {
        let se = |at: usize| calibration.max(1.0) * fit.covariance[at][at].max(0.0).sqrt();
        let error = Motion { shift_x: se(0), shift_y: se(1), rotation: se(2), scale: se(3) };
        let (x, y) = self.template.half();
        let turned = (error.rotation.hypot(error.scale)) * x.hypot(y);
        FrameMotion {
            frame,
            motion: fit.motion,
            error,
            corner_error_px: error.shift_px().hypot(turned),
            gain: fit.gain,
            offset: fit.offset,
            residual: fit.sigma,
            scatter_px: fit.scatter,
            tiles_used: fit.used,
            tiles_textured: fit.textured,
            told: agrees(fit) && error.shift_px() <= most,
        }
    }
}

impl Coarse {
    fn new(
        mean: &Plane,
        variance: Option<&Plane>,
        excluded: Option<&Excluded>,
        peak: f32,
    ) -> Option<Self> {
        let by = mean.width.div_ceil(COARSE_WIDTH).max(2);
        let small = mean.view()?.reduced(by);
        let excluded = excluded.map(|out| out.reduced(by));
        let variance = variance.and_then(Plane::view).map(|view| view.reduced(by));
        Some(Self {
            by,
            template: Template::new(&small, variance.as_ref(), excluded.as_ref(), peak)?,
            correlator: PhaseCorrelator::new(&small)?,
            room: Room::default(),
        })
    }

    /// Returns a motion to begin from, in pixels of the full plane.
    fn find<S: Sample>(&mut self, view: View<'_, S>, calibration: f64) -> Option<Motion> {
        let small = view.reduced(self.by);
        let by = self.by as f64;
        let (x, y) = self.correlator.shift(&small)?;
        let start = Motion { shift_x: x, shift_y: y, ..Motion::default() };
        let learnt = Learnt { calibration, restless: Vec::new(), stands: false };
        let fit = align(&self.template, small.view()?, start, &learnt, &mut self.room);
        let motion = fit.filter(|fit| fit.used >= 3).map_or(start, |fit| fit.motion);
        Some(motion.reduced(1.0 / by))
    }
}

/// Tells whether enough tiles in enough places go one way.
fn agrees(fit: &Fit) -> bool {
    fit.used >= LEAST_TILES
        && fit.used as f64 >= LEAST_SHARE * fit.textured as f64
        && fit.spread >= LEAST_SPREAD
}

/// Tells whether a frame is known well enough, by what is known when it is seen.
fn is_told(fit: &Fit) -> bool {
    let variance = fit.covariance[0][0] + fit.covariance[1][1];
    agrees(fit) && variance <= MOST_ERROR * MOST_ERROR
}

/// Returns the fit with more agreeing tiles for its residual.
fn better(a: Option<Fit>, b: Option<Fit>) -> Option<Fit> {
    let worth = |fit: &Fit| fit.used as f32 / fit.sigma;
    match (a, b) {
        (Some(a), Some(b)) => Some(if worth(&b) > 1.02 * worth(&a) { b } else { a }),
        (a, b) => a.or(b),
    }
}

fn untold(frame: Frame) -> FrameMotion {
    let error = Motion::from_parameters([f64::INFINITY; 4]);
    FrameMotion {
        frame,
        motion: Motion::default(),
        error,
        corner_error_px: f64::INFINITY,
        gain: 1.0,
        offset: 0.0,
        residual: 0.0,
        scatter_px: f64::INFINITY,
        tiles_used: 0,
        tiles_textured: 0,
        told: false,
    }
}

/// Counts of the tiles' strays over their predicted errors, in steps of .05: the median
/// needs no list, whatever the length of the plate.
#[derive(Debug, Clone, Default)]
struct StrayCount {
    bins: Vec<u32>,
}

impl StrayCount {
    const BINS: usize = 400;
    const STEP: f32 = 0.05;

    fn add(&mut self, strays: &[Own]) {
        self.bins.resize(Self::BINS, 0);
        for stray in strays.iter().filter(|stray| stray.used) {
            for (off, error) in stray.off.iter().zip(stray.errors()) {
                // A cast of a float saturates, and NaN becomes 0.
                let bin = (off.abs() / error / f64::from(Self::STEP)) as usize;
                self.bins[bin.min(Self::BINS - 1)] += 1;
            }
        }
    }

    /// Half of Gaussian values lie within .6745 standard deviations.
    fn calibration(&self) -> f64 {
        let half = self.bins.iter().sum::<u32>() / 2;
        let mut below = 0;
        for (bin, count) in self.bins.iter().enumerate() {
            if below + count > half {
                let within = f64::from(half - below) / f64::from(*count);
                return ((bin as f64 + within) * f64::from(Self::STEP) / 0.6745).max(1.0);
            }
            below += count;
        }
        1.0
    }
}

/// Each tile's own movement beyond grain, frame after frame.
#[derive(Debug, Clone, Default)]
struct Restless {
    tiles: Vec<(f64, u32)>,
}

impl Restless {
    /// Frames over which what was learnt fades.
    const MEMORY: u32 = 100;

    /// One wild frame counts no more than this, in pixels.
    const MOST: f64 = 0.5;

    fn add(&mut self, strays: &[Own], calibration: f64) {
        for stray in strays {
            if self.tiles.len() <= stray.tile {
                self.tiles.resize(stray.tile + 1, (0.0, 0));
            }
            let (mean, seen) = &mut self.tiles[stray.tile];
            let grain: f64 = stray.errors().iter().map(|error| (calibration * error).powi(2)).sum();
            let square: f64 = stray.off.iter().map(|off| off * off).sum();
            *seen = (*seen + 1).min(Self::MEMORY);
            *mean +=
                ((square - grain).min(Self::MOST * Self::MOST) / 2.0 - *mean) / f64::from(*seen);
        }
    }

    fn mean_squares(&self) -> Vec<f64> {
        // The first few frames say too little about a tile.
        let known = |(mean, seen): &(f64, u32)| if *seen >= 8 { mean.max(0.0) } else { 0.0 };
        self.tiles.iter().map(known).collect()
    }
}
