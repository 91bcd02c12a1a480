//! The grain of a take: how strong it is at each level, how it hangs together from pixel to
//! pixel and between colours, and new grain of just that kind.
//!
//! ```text
//!   plate frames -> tiles at rest -> residual against their mean -> level and variance
//!                                                                -> autocovariance -> kernel
//!   white numbers of (seed, frame, component, place) -> kernel -> strength by level -> grain
//! ```
//!
//! The power spectrum of the new grain is that of the measured residual, so its texture is
//! the take's (filtered white noise, as grain has been modelled since Wold). New grain
//! knows nothing of any other frame: it is neither frozen nor mirrored where a plate turns.

mod clean;
mod curve;
mod fit;
mod kernel;
mod level;
mod tiles;
mod white;

use crate::error::Faults;
use crate::media::{Media, Picture};
use crate::time::FrameRange;
pub use clean::Cleaned;
use clean::{LEFT_REACH, boxed};
use curve::Curve;
use kernel::Kernel;
pub use level::Check;
pub use tiles::Tiles;
pub(crate) use white::Seed;

/// Most frames of a plate its grain is measured on. Ours: a standard deviation is then known
/// to a hundredth from a dozen tiles.
const MOST_FRAMES: u64 = 24;

/// A rectangle of one component, in samples of that component.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// First column.
    pub left: usize,
    /// First row.
    pub top: usize,
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
}

/// The grain of one component.
#[derive(Debug, Clone, PartialEq)]
struct Component {
    /// Variance by level, squared codes.
    curve: Curve,
    /// What makes white numbers into this texture; its energy is 1.
    kernel: Kernel,
    /// How it is mixed from the white numbers of the components up to this one.
    mix: Vec<f32>,
    /// Correlation of the take's own grain from frame to frame, one and two frames on.
    lags: [f32; 2],
    /// Whether codes are whole numbers: rounding adds noise of its own.
    rounded: bool,
    /// Bits of subsampling across and down.
    shift: (u32, u32),
}

/// The grain of a take.
#[derive(Debug, Clone, PartialEq)]
pub struct GrainModel {
    seed: Seed,
    rgb: bool,
    components: Vec<Component>,
}

impl GrainModel {
    /// Measures the grain of `plate` (file frames): at most 24 of its frames are read.
    ///
    /// `None` for fewer than two frames, samples that cannot be reached, or a picture that
    /// is nowhere at rest.
    ///
    /// # Errors
    ///
    /// Frames that cannot be decoded.
    pub fn of(media: &Media, plate: FrameRange) -> Result<Option<GrainModel>, Faults> {
        let mut tiles = Tiles::over(plate);
        media.read(&[tiles.frames()], &mut [&mut tiles])?;
        Ok(tiles.model(&media.content_id(false)?))
    }

    /// Returns the number of components that have grain: alpha has none.
    pub fn components(&self) -> usize {
        self.components.len()
    }

    /// Returns new grain for a rectangle of a component, in codes, row by row; its mean is 0.
    ///
    /// `number` is the frame: the same number, component and place give the same grain, and
    /// overlapping places agree. `levels` is the clean picture there in codes, one value a
    /// sample: of red, green and blue, and of luma, the component itself; of chroma the luma
    /// at the same place. It is empty where a component or a level for each sample is not.
    ///
    /// Of components in whole codes the noise that rounding will add is left out.
    pub fn fresh(&self, number: u64, component: usize, place: Place, levels: &[f32]) -> Vec<f32> {
        self.fresh_beside(number, component, place, levels, &[])
    }

    /// As [`GrainModel::fresh`], for a picture in which some grain is left: its variance at
    /// each sample, as [`GrainModel::cleaned`] tells it. Both together are as strong as the
    /// take's.
    pub fn fresh_beside(
        &self,
        number: u64,
        component: usize,
        place: Place,
        levels: &[f32],
        left: &[f32],
    ) -> Vec<f32> {
        let Some(of) = self.components.get(component) else { return Vec::new() };
        if Some(levels.len()) != place.width.checked_mul(place.height) {
            return Vec::new();
        }
        let mut grain = self.woven(of, number, place);
        let less = if of.rounded { ROUNDING } else { 0.0 };
        let left = left.iter().copied().chain(std::iter::repeat(0.0));
        for ((grain, level), left) in grain.iter_mut().zip(levels).zip(left) {
            *grain *= (of.curve.variance(*level) - less - left).max(0.0).sqrt();
        }
        grain
    }

    /// Grain of a component of variance 1.
    fn woven(&self, of: &Component, number: u64, place: Place) -> Vec<f32> {
        of.kernel.woven(place, |x, y| {
            of.mix.iter().zip(0..).map(|(part, at)| part * self.seed.white(number, at, x, y)).sum()
        })
    }

    /// Takes grain off a rectangle of a component, in codes, row by row; `levels` as for
    /// [`GrainModel::fresh`]. `share` is the part of the variance of the take's grain that is
    /// in it: a mean of n frames has 1 / n. Detail fainter than grain goes with it.
    ///
    /// What is left is measured: grain that is known is laid over the cleaned picture and
    /// taken off again the same way.
    pub fn cleaned(
        &self,
        component: usize,
        plane: &[f32],
        place: Place,
        levels: &[f32],
        share: f32,
    ) -> Cleaned {
        let Some(of) = self.components.get(component) else {
            return Cleaned { plane: plane.to_vec(), left: vec![0.0; plane.len()] };
        };
        let clean = of.cleaned(plane, place, levels, share);
        let mut known = self.woven(of, KNOWN, place);
        for ((known, clean), level) in known.iter_mut().zip(&clean).zip(levels) {
            *known = clean + *known * (of.curve.variance(*level).max(0.0) * share).sqrt();
        }
        let again = of.cleaned(&known, place, levels, share);
        let off = again.iter().zip(&clean).map(|(again, clean)| (again - clean).powi(2));
        let left = boxed(&off.collect::<Vec<f32>>(), place.width, place.height, LEFT_REACH);
        Cleaned { plane: clean, left }
    }

    /// Returns the component whose level tells how strong the grain of a component is.
    pub fn level_of(&self, component: usize) -> usize {
        if self.rgb { component } else { 0 }
    }

    /// Returns the standard deviation of the grain at a level, in codes.
    pub fn strength(&self, component: usize, level: f32) -> f32 {
        self.components.get(component).map_or(0.0, |of| of.curve.variance(level).max(0.0).sqrt())
    }

    /// Returns the correlation of the take's own grain in a component with that one and two
    /// frames on: coded pictures hold on to theirs.
    pub fn lags(&self, component: usize) -> [f32; 2] {
        self.components.get(component).map_or([0.0; 2], |of| of.lags)
    }

    /// Returns the correlation of the grain with that `x` samples to the right and `y` down.
    pub fn correlation(&self, component: usize, x: usize, y: usize) -> f32 {
        self.components.get(component).map_or(0.0, |of| of.kernel.correlation(x, y))
    }

    /// Returns a text that tells one model from another, for the recipe of a render.
    pub fn recipe(&self) -> String {
        let mut text = String::from("grain/1");
        for of in &self.components {
            text.push_str(&format!(" {:?} {:?} {:?}", of.curve, of.kernel, of.mix));
        }
        text
    }
}

/// The frame whose new grain tells how well grain is taken off: no plate is that long.
const KNOWN: u64 = u64::MAX;

/// The variance of rounding to whole codes.
const ROUNDING: f32 = 1.0 / 12.0;

/// Returns how many components of a picture have grain.
fn grained(picture: &Picture) -> usize {
    match picture.components() {
        count @ 0..3 => count.min(1),
        _ => 3,
    }
}
