//! Light of every frame against the mean of its plate: gain, and a plane of gain.
//!
//! Light scales scene-linear values, so the encoding is undone first; where nobody says what
//! it is, the figures are ratios of the coded signal, black taken off, and are called coded.
//! Red, green and blue each have a gain where the matrix is known, else luma alone.
//!
//! ```text
//!   plate frames -> Blocks -> PlateMean -> Plate --+
//!   frame        -> Blocks ------------------------+-> LightMeter -> FrameLight
//! ```
//!
//! Only means and variances of blocks are kept, so memory does not grow with length. The
//! mean light of a block follows from both to second order: grain, which the mean of a plate
//! has lost, would otherwise shift the ratio by a few tenths of a per cent.

pub mod blocks;
pub mod encoding;
pub mod fit;
pub mod plate;
pub mod range;

use crate::measure::transfer::{Curve, Encoding, LightTable};
use blocks::Blocks;
use fit::{Fit, NoFit, Noise, Ratio};
use plate::Plate;

/// Below this part of the picture used, only blocks at rest are asked again. Half: past it
/// the background is no longer the largest thing in the picture.
const HALF: f64 = 0.5;

/// What a gain is a ratio of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Domain {
    /// Scene light, the encoding undone.
    Linear(Curve),
    /// The coded signal, black taken off.
    Coded,
}

/// Light of one frame against the plate.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameLight {
    /// What the gains are ratios of.
    pub domain: Domain,
    /// Red, green and blue in this order, or luma alone.
    pub channels: Vec<Told>,
}

impl FrameLight {
    /// Returns the gain of green, or of luma; `None` if it cannot be told.
    pub fn main(&self) -> Option<&Gain> {
        self.channels.get(main_channel(self.channels.len())).and_then(Told::gain)
    }
}

/// A measure, or why there is none.
#[derive(Debug, Clone, PartialEq)]
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
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
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
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gain {
    /// Frame over plate, as one number for the picture.
    pub gain: f64,
    /// Standard error of `gain`, from the picture itself.
    pub standard_error: f64,
    /// Gain over the picture.
    pub plane: Plane,
    /// Spread of block means about the plane, as a part of full signal.
    pub residual: f64,
    /// Blocks used, as a part of those inside the mask and neither dark nor clipped.
    pub share: f64,
    /// Whether only blocks at rest since the frame before were asked.
    pub only_quiet: bool,
}

/// Gain over the picture: `gain * (1 + ax * x + ay * y)`, x to the right and y down, both
/// from -.5 to .5 of the measured picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plane {
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

impl Plane {
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
    mask: Option<Vec<bool>>,
    before: Option<Vec<f32>>,
}

impl LightMeter {
    /// Makes a meter for frames of the plate's encoding.
    pub fn new(plate: Plate, encoding: &Encoding) -> LightMeter {
        let domain = encoding.curve.map_or(Domain::Coded, Domain::Linear);
        let table = LightTable::new(encoding.curve);
        LightMeter { plate, domain, table, mask: None, before: None }
    }

    /// Uses only the blocks a mask holds: one flag a block, row-major. A mask of another
    /// length is as if it held none.
    pub fn with_mask(mut self, mask: Vec<bool>) -> LightMeter {
        self.mask = Some(mask);
        self
    }

    /// Measures one frame.
    pub fn measure(&mut self, frame: &Blocks) -> FrameLight {
        let channels = if self.plate.is_like(frame) {
            self.all_channels(frame)
        } else {
            vec![Told::CannotTell { why: Why::UnlikePictures, bound: None }]
        };
        let main = frame.channels.get(main_channel(frame.channels.len()));
        self.before = main.map(|channel| channel.mean.clone());
        FrameLight { domain: self.domain, channels }
    }

    fn all_channels(&self, frame: &Blocks) -> Vec<Told> {
        let main = main_channel(frame.channels.len());
        let blocks = self.plate.ratios(frame, main, &self.table, self.mask.as_deref());
        let noise = self.plate.noise_range();
        let (fitted, only_quiet) = self.fit_main(frame, &blocks, noise);
        let fitted = match fitted {
            Ok(fitted) => fitted,
            Err(why) => return vec![cannot_tell(&why); frame.channels.len()],
        };
        let used: Vec<(u32, u32)> = fitted.1.iter().map(|block| block.at).collect();
        let of = blocks.len();
        let told: Vec<Told> = (0..frame.channels.len())
            .map(|channel| {
                let fit = if channel == main {
                    Ok(fitted.0.clone())
                } else {
                    self.fit_other(frame, channel, &used, noise)
                };
                fit.map_or_else(
                    |why| cannot_tell(&why),
                    |fit| Told::Gain(gain_of(&fit, of, only_quiet)),
                )
            })
            .collect();
        agreed(told)
    }

    /// Fits another channel where the main one shows the background.
    fn fit_other(
        &self,
        frame: &Blocks,
        channel: usize,
        used: &[(u32, u32)],
        noise: Noise,
    ) -> Result<Fit, NoFit> {
        let mut own = self.plate.ratios(frame, channel, &self.table, self.mask.as_deref());
        own.retain(|block| used.binary_search_by_key(&key(block.at), |at| key(*at)).is_ok());
        fit::fit(&own, noise)
    }

    /// Fits the main channel, on blocks at rest if all of them do not give half.
    #[allow(clippy::type_complexity, reason = "a fit and the blocks it used")]
    fn fit_main(
        &self,
        frame: &Blocks,
        blocks: &[Ratio],
        noise: Noise,
    ) -> (Result<(Fit, Vec<Ratio>), NoFit>, bool) {
        let with_used = |fit: Fit, blocks: &[Ratio]| {
            let used = fit.used.iter().map(|at| blocks[*at]).collect();
            (fit, used)
        };
        let all = fit::fit(blocks, noise);
        let enough = |fit: &Fit| fit.used.len() as f64 >= HALF * blocks.len() as f64;
        if all.as_ref().is_ok_and(enough) {
            return (all.map(|fit| with_used(fit, blocks)), false);
        }
        let quiet = self.quiet(frame, blocks, noise);
        if let Some(quiet) = quiet
            && let Ok(fit) = fit::fit(&quiet, noise)
        {
            return (Ok(with_used(fit, &quiet)), true);
        }
        (all.map(|fit| with_used(fit, blocks)), false)
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

fn gain_of(fit: &Fit, of: usize, only_quiet: bool) -> Gain {
    let centre = fit.tilt.gain;
    Gain {
        gain: fit.gain,
        standard_error: fit.error,
        plane: Plane {
            gain: centre,
            ax: fit.tilt.across / centre,
            ay: fit.tilt.down / centre,
            ax_error: fit.slope_errors.0 / centre,
            ay_error: fit.slope_errors.1 / centre,
        },
        residual: fit.residual,
        share: fit.used.len() as f64 / of.max(1) as f64,
        only_quiet,
    }
}
