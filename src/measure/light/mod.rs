//! Light of every frame against the mean of its plate: gain, and a plane of gain.
//!
//! Light scales scene-linear values, so the encoding is undone first; where nobody says what
//! it is, the figures are ratios of the coded signal, black taken off, and are called coded.
//! Red, green and blue each have a gain where the matrix is known, else luma alone.
//!
//! [`Meter`] takes the codes of decoded pictures; behind it are
//!
//! ```text
//!   plate frames -> Blocks -> PlateMean -> Plate --+
//!   frame        -> Blocks ------------------------+-> LightMeter -> FrameLight
//! ```
//!
//! Beside the gain of light stands, for whatever wants to set codes of the frame against
//! codes of the plate, how the one follow from the other: [`Coded`], a gain with a tilt and
//! an offset. In unknown encodings the gain is taken from it.
//!
//! Only means and variances of blocks are kept, so memory does not grow with length. The
//! mean light of a block follows from both to second order: grain, which the mean of a plate
//! has lost, would otherwise shift the ratio by a few tenths of a per cent.

pub mod blocks;
pub mod coded;
pub mod encoding;
mod errors;
pub mod fit;
mod meter;
mod modes;
mod normal;
pub mod plate;
pub mod range;
pub mod visible;

pub use coded::{Choice, Coded, Model};
pub use meter::Meter;
pub use visible::Visible;

use crate::measure::transfer::{Curve, Encoding, LightTable};
use blocks::Blocks;
use coded::Levels;
use fit::{Fit, NoFit, Noise, Ratio, Terms};
use plate::Plate;

/// Below this part of the picture used, only blocks at rest are asked again. Half: past it
/// the background is no longer the largest thing in the picture.
const HALF: f64 = 0.5;

/// What a gain is a ratio of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Domain {
    /// Scene light, the encoding undone.
    Linear(Curve),
    /// The coded signal, black taken off.
    Coded,
}

/// Light of one frame against the plate.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct FrameLight {
    /// What the gains are ratios of.
    pub domain: Domain,
    /// Red, green and blue in this order, or luma alone.
    pub channels: Vec<Told>,
    /// How codes of the frame follow from those of the plate, in the same channels; `None`
    /// where it cannot be told.
    pub coded: Vec<Option<Coded>>,
    /// What a patch would be off by, in green or luma.
    pub visible: Option<Visible>,
}

impl FrameLight {
    /// Nothing can be told before the plate is known.
    fn without_plate(curve: Option<Curve>, channels: usize) -> FrameLight {
        let told = Told::CannotTell { why: Why::NoPlate, bound: None };
        FrameLight::untold(curve.map_or(Domain::Coded, Domain::Linear), channels, told)
    }

    fn untold(domain: Domain, channels: usize, told: Told) -> FrameLight {
        let (told, coded) = (vec![told; channels], vec![None; channels]);
        FrameLight { domain, channels: told, coded, visible: None }
    }

    /// Returns how codes of green, or of luma, follow from those of the plate.
    pub fn main_coded(&self) -> Option<&Coded> {
        self.coded.get(main_channel(self.coded.len())).and_then(Option::as_ref)
    }

    /// Returns the gain of green, or of luma; `None` if it cannot be told.
    pub fn main(&self) -> Option<&Gain> {
        self.channels.get(main_channel(self.channels.len())).and_then(Told::gain)
    }
}

/// A measure, or why there is none.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub enum Told {
    /// The gain.
    Gain(Gain),
    /// No gain is safe to name.
    CannotTell {
        /// Why.
        why: Why,
        /// Lowest and highest gain it may be, as far as the picture says.
        bound: Option<(f64, f64)>,
    },
}

impl Told {
    /// Returns the gain, if there is one.
    pub fn gain(&self) -> Option<&Gain> {
        match self {
            Told::Gain(gain) => Some(gain),
            Told::CannotTell { .. } => None,
        }
    }
}

/// Why no gain can be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Why {
    /// No frame of the plate was given.
    NoPlate,
    /// Frame and plate differ in size or in channels.
    UnlikePictures,
    /// Too few blocks that are neither dark, clipped nor masked.
    TooFewBlocks,
    /// Something that covers the background shows a gain of its own, over more than half as
    /// many blocks.
    TwoGains,
    /// Dark and bright parts show gains of their own: the encoding is unknown or wrong, or
    /// black was lifted. A mask around the patch narrows the levels.
    GainVariesWithLevel,
    /// No gain stands out.
    NoCommonGain,
}

/// The gain of one channel.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Gain {
    /// Frame over plate, as one number for the picture, or for the patch if one is given.
    pub gain: f64,
    /// Standard error of `gain`, from the picture itself.
    pub standard_error: f64,
    /// Gain over the picture.
    pub tilt: Tilt,
    /// Spread of block means about the tilt, as a part of full signal.
    pub residual: f64,
    /// Blocks used, as a part of those inside the mask and neither dark nor clipped.
    pub share: f64,
    /// Whether only blocks at rest since the frame before were asked.
    pub only_quiet: bool,
}

/// Gain over the picture: `gain * (1 + ax * x + ay * y)`, x to the right and y down, both
/// from -.5 to .5 of the measured picture.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Tilt {
    /// Gain at the centre.
    pub gain: f64,
    /// Relative change over one picture width.
    pub ax: f64,
    /// Relative change over one picture height.
    pub ay: f64,
    /// Standard error of `ax`.
    pub ax_error: f64,
    /// Standard error of `ay`.
    pub ay_error: f64,
}

impl Tilt {
    /// Returns the gain at a place, each coordinate from -.5 to .5.
    pub fn at(&self, x: f64, y: f64) -> f64 {
        self.gain * (1.0 + self.ax * x + self.ay * y)
    }
}

/// Measures frames against one plate.
///
/// Frames are best given in order: past half a picture of occlusion only what has not moved
/// since the frame before is asked. The first frame has none before it.
#[derive(Debug, Clone)]
pub struct LightMeter {
    plate: Plate,
    domain: Domain,
    table: LightTable,
    signal: LightTable,
    mask: Option<Vec<bool>>,
    patch: Option<Vec<bool>>,
    setup: Option<Setup>,
    before: Option<Vec<f32>>,
}

/// What is worked out once for a plate and its areas.
#[derive(Debug, Clone)]
struct Setup {
    choice: Choice,
    /// Of each channel.
    levels: Vec<Levels>,
    /// Of the main channel, for what would be seen.
    places: Vec<(f64, f64, f64)>,
}

impl LightMeter {
    /// Makes a meter for frames of the plate's encoding.
    pub fn new(plate: Plate, encoding: &Encoding) -> LightMeter {
        let domain = encoding.curve.map_or(Domain::Coded, Domain::Linear);
        let (table, signal) = (LightTable::new(encoding.curve), LightTable::new(None));
        let (mask, patch, setup, before) = (None, None, None, None);
        LightMeter { plate, domain, table, signal, mask, patch, setup, before }
    }

    /// Returns the plate.
    pub fn plate(&self) -> &Plate {
        &self.plate
    }

    /// Uses only the blocks a mask holds: one flag a block, row-major. A mask of another
    /// length is as if it held none.
    pub fn with_mask(mut self, mask: Vec<bool>) -> LightMeter {
        (self.mask, self.setup) = (Some(mask), None);
        self
    }

    /// Names the blocks of the patch: what is asked, there and around it, is turned into one
    /// gain for the patch, whether its background is in sight or not.
    pub fn with_patch(mut self, patch: Vec<bool>) -> LightMeter {
        (self.patch, self.setup) = (Some(patch), None);
        self
    }

    /// Returns the model of the codes and what each model left on frames of the plate.
    pub fn choice(&mut self) -> Choice {
        self.setup().choice.clone()
    }

    /// Works out what has not been yet.
    fn setup(&mut self) -> &Setup {
        let Self { plate, mask, patch, .. } = self;
        let (mask, patch) = (mask.as_deref(), patch.as_deref());
        let work_out = || {
            let channels = plate.blocks().channels.len();
            let (main, area) = (main_channel(channels), patch.or(mask));
            Setup {
                choice: coded::choose(plate, main, mask, patch),
                levels: (0..channels).map(|at| Levels::of(plate, at, area)).collect(),
                places: plate.levels(main, area).collect(),
            }
        };
        self.setup.get_or_insert_with(work_out)
    }

    /// Measures one frame.
    pub fn measure(&mut self, frame: &Blocks) -> FrameLight {
        let light = if self.plate.is_like(frame) {
            self.setup();
            self.all_channels(frame)
        } else {
            let told = Told::CannotTell { why: Why::UnlikePictures, bound: None };
            FrameLight::untold(self.domain, 1, told)
        };
        let main = frame.channels.get(main_channel(frame.channels.len()));
        self.before = main.map(|channel| channel.mean.clone());
        light
    }

    fn all_channels(&self, frame: &Blocks) -> FrameLight {
        let (count, main) = (frame.channels.len(), main_channel(frame.channels.len()));
        let Some(setup) = &self.setup else {
            return FrameLight::without_plate(None, count);
        };
        let terms = match self.domain {
            Domain::Linear(_) => Model::Tilt.terms(),
            Domain::Coded => setup.choice.model.terms(),
        };
        let blocks = self.plate.ratios(frame, main, &self.table, self.mask.as_deref());
        let (found, only_quiet) = self.fit_main(frame, &blocks, terms);
        let found = match found {
            Ok(found) => found,
            Err(why) => {
                let told = FrameLight::untold(self.domain, count, cannot_tell(&why));
                return self.codes_alone(told, frame, setup);
            }
        };
        let in_channel = |channel: usize| {
            if channel == main {
                return Ok(found.clone());
            }
            let own = self.seen_in(frame, channel, &self.table, &found.blocks);
            fit::fit_with(&own, self.plate.noise_range(), terms).map(|fit| Found::of(fit, &own))
        };
        let all: Vec<Result<Found, NoFit>> = (0..count).map(in_channel).collect();
        let told = |(at, found): (usize, &Result<Found, NoFit>)| match found {
            Ok(found) => {
                let (levels, of) = (&setup.levels[at], blocks.len());
                Told::Gain(self.gain_of(&found.fit, levels, of, only_quiet))
            }
            Err(why) => cannot_tell(why),
        };
        let channels = agreed(all.iter().enumerate().map(told).collect());
        let mut light =
            FrameLight { domain: self.domain, channels, coded: Vec::new(), visible: None };
        for (at, found) in all.into_iter().enumerate() {
            let found = found.ok().filter(|_| light.channels[at].gain().is_some());
            let found = found.and_then(|found| self.in_codes(frame, at, found, setup));
            if at == main {
                light.visible = found.as_ref().map(|found| self.visible(found, setup));
            }
            light.coded.push(found.map(|found| {
                let eight = self.plate.blocks().eight_bits;
                let levels = &setup.levels[at];
                Coded::of(&found.fit, setup.choice.model, levels, blocks.len(), eight)
            }));
        }
        light
    }

    /// Adds how codes follow where light under the claimed curve tells nothing: the claim may
    /// be wrong, or black was lifted. Not where something in front shows a gain of its own.
    fn codes_alone(&self, mut told: FrameLight, frame: &Blocks, setup: &Setup) -> FrameLight {
        let by_curve = |told: &Told| {
            matches!(
                told,
                Told::CannotTell { why: Why::GainVariesWithLevel | Why::NoCommonGain, .. }
            )
        };
        if self.domain == Domain::Coded || !told.channels.iter().all(by_curve) {
            return told;
        }
        let (model, noise) = (setup.choice.model, self.plate.noise_range());
        let eight = self.plate.blocks().eight_bits;
        for (at, coded) in told.coded.iter_mut().enumerate() {
            let blocks = self.plate.ratios(frame, at, &self.signal, self.mask.as_deref());
            let fit = fit::fit_with(&blocks, noise, model.terms()).ok();
            *coded = fit.map(|fit| Coded::of(&fit, model, &setup.levels[at], blocks.len(), eight));
        }
        told
    }

    /// Returns the fit of the codes where the background shows.
    fn in_codes(
        &self,
        frame: &Blocks,
        channel: usize,
        found: Found,
        setup: &Setup,
    ) -> Option<Found> {
        if self.domain == Domain::Coded {
            return Some(found);
        }
        let own = self.seen_in(frame, channel, &self.signal, &found.blocks);
        let fit = fit::settle(&own, self.plate.noise_range(), setup.choice.model.terms())?;
        Some(Found::of(fit, &own))
    }

    fn visible(&self, found: &Found, setup: &Setup) -> Visible {
        let span = self.plate.blocks().eight_bits[1];
        let Found { fit, blocks } = found;
        visible::foretell(&setup.places, blocks, fit, self.plate.noise_range(), span)
    }

    /// Compares a channel where the main one shows the background.
    fn seen_in(
        &self,
        frame: &Blocks,
        channel: usize,
        table: &LightTable,
        seen: &[Ratio],
    ) -> Vec<Ratio> {
        let number = |block: &Ratio| block.at.1 as usize * frame.columns + block.at.0 as usize;
        self.plate.ratios_of(frame, channel, table, seen.iter().map(number))
    }

    /// Fits the main channel, on blocks at rest if all of them do not give half.
    fn fit_main(
        &self,
        frame: &Blocks,
        blocks: &[Ratio],
        terms: Terms,
    ) -> (Result<Found, NoFit>, bool) {
        let noise = self.plate.noise_range();
        let all = fit::fit_with(blocks, noise, terms);
        let enough = |fit: &Fit| fit.used.len() as f64 >= HALF * blocks.len() as f64;
        if !all.as_ref().is_ok_and(enough)
            && let Some(quiet) = self.quiet(frame, blocks, noise)
            && let Ok(fit) = fit::fit_with(&quiet, noise, terms)
        {
            return (Ok(Found::of(fit, &quiet)), true);
        }
        (all.map(|fit| Found::of(fit, blocks)), false)
    }

    /// Turns a fit into a gain: with a patch, or in codes, for the levels and the place of
    /// the area it is for.
    fn gain_of(&self, fit: &Fit, levels: &Levels, of: usize, only_quiet: bool) -> Gain {
        let coded = self.domain == Domain::Coded;
        let mut tilt = tilt_of(fit);
        if coded {
            let flat = fit::Surface { across: 0.0, down: 0.0, ..fit.tilt };
            let with_lift = levels.as_gain(flat);
            let scale = tilt.gain / with_lift;
            tilt = Tilt { gain: with_lift, ax: tilt.ax * scale, ay: tilt.ay * scale, ..tilt };
        }
        let for_area = coded || self.patch.is_some();
        Gain {
            gain: if for_area { levels.as_gain(fit.tilt) } else { fit.gain },
            standard_error: fit.error,
            tilt,
            residual: fit.residual,
            share: fit.used.len() as f64 / of.max(1) as f64,
            only_quiet,
        }
    }

    /// Returns the blocks that changed since the frame before only as the light did.
    fn quiet(&self, frame: &Blocks, blocks: &[Ratio], noise: Noise) -> Option<Vec<Ratio>> {
        let before = self.before.as_ref()?;
        let now = &frame.channels.get(main_channel(frame.channels.len()))?.mean;
        let index = |block: &Ratio| block.at.1 as usize * frame.columns + block.at.0 as usize;
        let since = |block: &Ratio| {
            let (then, now) = (before.get(index(block))?, now.get(index(block))?);
            let (then, now) = (f64::from(*then), f64::from(*now));
            let ratio = self.table.at(now)[0] / self.table.at(then)[0];
            (ratio.is_finite() && ratio > 0.0).then_some(Ratio { ratio, ..*block })
        };
        let changes: Vec<Ratio> = blocks.iter().filter_map(since).collect();
        // A frozen coded picture has no noise from frame to frame; its blocks still differ
        // by a rounded code where the light moves.
        let fit = fit::fit(&changes, Noise { least: 4.0 * noise.least, ..noise }).ok()?;
        let at: Vec<(u32, u32)> = fit.used.iter().map(|used| changes[*used].at).collect();
        let still = |block: &&Ratio| at.binary_search_by_key(&key(block.at), |at| key(*at)).is_ok();
        Some(blocks.iter().filter(still).copied().collect())
    }
}

/// A fit and the blocks it used.
#[derive(Clone)]
struct Found {
    fit: Fit,
    blocks: Vec<Ratio>,
}

impl Found {
    fn of(fit: Fit, of: &[Ratio]) -> Found {
        let blocks = fit.used.iter().filter_map(|at| of.get(*at)).copied().collect();
        Found { fit, blocks }
    }
}

/// What is background in one channel is background in all: where one shows two gains, the
/// others hold a mixture that happens to look alike.
fn agreed(told: Vec<Told>) -> Vec<Told> {
    let two = |told: &Told| matches!(told, Told::CannotTell { why: Why::TwoGains, .. });
    if !told.iter().any(two) {
        return told;
    }
    let bound_of = |told: Told| match told {
        Told::Gain(gain) => Some((gain.gain, gain.gain)),
        Told::CannotTell { bound, .. } => bound,
    };
    let doubtful = |told| Told::CannotTell { why: Why::TwoGains, bound: bound_of(told) };
    told.into_iter().map(doubtful).collect()
}

/// Order of blocks in a picture: by row, then column.
fn key((column, row): (u32, u32)) -> (u32, u32) {
    (row, column)
}

/// Green, or luma.
fn main_channel(channels: usize) -> usize {
    usize::from(channels >= 3)
}

fn cannot_tell(why: &NoFit) -> Told {
    let (why, bound) = match *why {
        NoFit::TooFew(_) => (Why::TooFewBlocks, None),
        NoFit::Rivals(low, high) => (Why::TwoGains, Some((low, high))),
        NoFit::ByLevel(low, high) => (Why::GainVariesWithLevel, Some((low, high))),
        NoFit::Scattered(low, high) => (Why::NoCommonGain, Some((low, high))),
    };
    Told::CannotTell { why, bound }
}

fn tilt_of(fit: &Fit) -> Tilt {
    let centre = fit.tilt.gain;
    Tilt {
        gain: centre,
        ax: fit.tilt.across / centre,
        ay: fit.tilt.down / centre,
        ax_error: fit.slope_errors.0 / centre,
        ay_error: fit.slope_errors.1 / centre,
    }
}
