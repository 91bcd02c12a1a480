//! What is done to plate frames that are not laid into the plate as they are.

use super::loop_map::FrameMap;
use super::played::Played;
use crate::error::Faults;
use crate::media::{Media, Picture};

/// Changes the frames of a plate on their way into it: light matched, movement followed, new
/// grain. A plate that is retouched is never copied.
pub trait Retouch: std::fmt::Debug {
    /// Says in a few words what is done: `light matched`.
    fn why(&self) -> String;

    /// Returns what plate frame `k`, counted from 0, becomes; `None` if it stays as it is.
    ///
    /// # Errors
    ///
    /// A picture that cannot be worked on, or other frames it needs that cannot be read.
    fn retouch(&self, k: u64, picture: &Picture) -> Result<Option<Picture>, Faults>;

    /// The same of a picture nobody needs afterwards, which need not be copied to be changed.
    ///
    /// # Errors
    ///
    /// As [`Retouch::retouch`].
    fn retouch_own(&self, k: u64, picture: Picture) -> Result<Picture, Faults> {
        Ok(self.retouch(k, &picture)?.unwrap_or(picture))
    }
}

/// The frames of a plate as they are laid into it, decoded one after the other.
pub struct PlateFrames<'a> {
    played: Played<'a>,
    map: &'a FrameMap,
    retouch: Option<&'a dyn Retouch>,
    retouched: Option<Picture>,
}

impl std::fmt::Debug for PlateFrames<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "PlateFrames of {:?}", self.map)
    }
}

impl<'a> PlateFrames<'a> {
    /// Begins the plate that `map` makes of the frames of `media`.
    pub fn new(
        media: &'a Media,
        map: &'a FrameMap,
        retouch: Option<&'a dyn Retouch>,
    ) -> PlateFrames<'a> {
        PlateFrames { played: Played::new(media, map), map, retouch, retouched: None }
    }

    /// Returns plate frame `k`, counted from 0. Frames asked for in order are decoded once.
    ///
    /// # Errors
    ///
    /// A frame the plate does not have, or that cannot be decoded.
    pub fn picture(&mut self, k: u64) -> Result<&Picture, Faults> {
        let Some((frame, backward)) = self.map.played_at(k) else {
            let fault = format!("plate frame {k} of {} is asked for", self.map.len());
            return Err(Faults::one("plate", "frame map", fault, "make the plate again"));
        };
        let picture = self.played.picture(frame, backward)?;
        let retouch = self.retouch.map(|retouch| retouch.retouch(k, picture)).transpose()?;
        self.retouched = retouch.flatten();
        Ok(self.retouched.as_ref().unwrap_or(picture))
    }
}
