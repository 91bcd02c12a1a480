//! Plates that come from elsewhere than the take itself.

use crate::findings::{TakeName, Verdict};
use crate::gather::Built;
use crate::media::{Footage, Media, Pictures};
use crate::plate::{FrameMap, MapFault};
use crate::reach::Clocks;
use crate::time::{FrameRange, FrameShift};
use std::rc::Rc;

/// Where the frames of a plate come from.
#[derive(Debug, Clone, Default)]
pub enum Origin {
    /// From the take the use shows.
    #[default]
    Take,
    /// From other media of the same size and samples.
    Media(Rc<PlateSource>),
    /// From the take itself, put together pixel by pixel.
    Built(Rc<BuiltPlate>),
}

/// A plate that was put together from a take.
#[derive(Debug)]
pub struct BuiltPlate {
    /// Its pictures.
    pub built: Built,
    /// The frames it was put together from, file clock.
    pub frames: FrameRange,
}

impl BuiltPlate {
    /// Lays a plate of `length` pictures out on the clock of take and built pictures.
    fn map(&self, take: &Media, length: u64) -> Result<FrameMap, MapFault> {
        let count = self.built.count().max(1);
        let seam = Footage::with_behind(take, &self.built).seam();
        FrameMap::from_frames((0..length).map(|k| seam.saturating_add_unsigned(k % count)))
    }
}

/// Media other than the take's that a plate comes from: another take of the set-up, or a
/// plate that came as a file of its own.
#[derive(Debug, Clone)]
pub struct PlateSource {
    /// The media.
    pub media: Rc<Media>,
    /// Their clocks.
    pub clocks: Clocks,
    /// The take they are; `None` for the take itself.
    pub take: Option<TakeName>,
}

impl PlateSource {
    /// Returns the take and these media on one clock.
    pub fn behind<'a>(&'a self, take: &'a Media) -> Footage<'a> {
        Footage::with_behind(take, self.media.as_ref())
    }

    /// Returns file frames of these media as they lie behind the take.
    pub fn joined(&self, take: &Media, range: FrameRange) -> FrameRange {
        range.shifted(FrameShift(self.behind(take).seam()))
    }

    /// Returns frames behind the take as file frames of these media.
    pub fn own(&self, take: &Media, joined: FrameRange) -> FrameRange {
        joined.shifted(FrameShift(-self.behind(take).seam()))
    }
}

impl Origin {
    /// Returns the verdict on a use whose plate comes from here.
    pub fn verdict(&self, own: Verdict) -> Verdict {
        let other_take = self.source().is_some_and(|source| source.take.is_some());
        match own {
            Verdict::Plate | Verdict::Loop if other_take => Verdict::Borrow,
            Verdict::Still if self.built().is_some() => Verdict::Gather,
            verdict => verdict,
        }
    }

    /// Returns the other media, if the plate comes from any.
    pub fn source(&self) -> Option<&Rc<PlateSource>> {
        match self {
            Origin::Take | Origin::Built(_) => None,
            Origin::Media(source) => Some(source),
        }
    }

    /// Returns the built plate, if it is one.
    pub fn built(&self) -> Option<&BuiltPlate> {
        match self {
            Origin::Built(plate) => Some(plate),
            Origin::Take | Origin::Media(_) => None,
        }
    }

    /// Returns a map of the plate's own file frames on the clock of take and plate.
    ///
    /// # Errors
    ///
    /// Numbers past what can be counted.
    pub fn joined(&self, take: &Media, map: &FrameMap) -> Result<FrameMap, MapFault> {
        match self {
            Origin::Take => Ok(map.clone()),
            Origin::Media(source) => map.shifted(source.behind(take).seam()),
            Origin::Built(plate) => plate.map(take, map.len()),
        }
    }

    /// Returns what a plate's corrections are measured on.
    pub fn footage<'a>(&'a self, take: &'a Media) -> Footage<'a> {
        match self {
            Origin::Take => take.into(),
            Origin::Media(source) => source.behind(take),
            Origin::Built(plate) => Footage::with_behind(take, &plate.built),
        }
    }
}
