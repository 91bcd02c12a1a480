//! Plates that come from elsewhere than the take itself.

use crate::findings::{TakeName, Verdict};
use crate::media::{Footage, Media};
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
            verdict => verdict,
        }
    }

    /// Returns the other media, if the plate comes from any.
    pub fn source(&self) -> Option<&Rc<PlateSource>> {
        match self {
            Origin::Take => None,
            Origin::Media(source) => Some(source),
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
        }
    }

    /// Returns what a plate's corrections are measured on.
    pub fn footage<'a>(&'a self, take: &'a Media) -> Footage<'a> {
        match self {
            Origin::Take => take.into(),
            Origin::Media(source) => source.behind(take),
        }
    }
}
