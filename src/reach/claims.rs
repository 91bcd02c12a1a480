//! What the log claims about one take, on its take clock.

use crate::time::FrameRange;
use serde::{Deserialize, Serialize};

/// What the log claims about a take, on the take clock.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Claims {
    /// All frames of the take that are known to exist, from the media or the log.
    pub take: Option<FrameRange>,
    /// Lock-offs; empty if nobody noted any.
    pub lock_off: Vec<FrameRange>,
    /// Plates that are good.
    pub plates: Vec<FrameRange>,
    /// Boom spans; empty if unknown or none.
    pub boom: Vec<FrameRange>,
    /// Frames marked unusable.
    pub unusable: Vec<FrameRange>,
    /// True if the log says that no boom was ever in frame.
    #[serde(skip)]
    pub no_boom: bool,
    /// Plates noted by kind and length without times, in words: hints for the pixels.
    #[serde(skip)]
    pub hints: Vec<String>,
    /// Where a hand on a button marked a plate, with room for the hand: where the pixels are
    /// to look, and nothing more.
    #[serde(skip)]
    pub near: Vec<FrameRange>,
    /// How many frames the log's times may be off.
    #[serde(skip)]
    pub tolerance: u32,
    /// Whether these are what the pictures show rather than what was noted.
    #[serde(skip)]
    pub seen: bool,
    /// Whether the plates lie in another take, behind this one on its clock.
    #[serde(skip)]
    pub elsewhere: bool,
    /// Where the boom was noted to be: corners, as shares of width and height; may be empty.
    #[serde(skip)]
    pub region: Vec<[f64; 2]>,
}

impl Claims {
    /// Says where they come from: `noted`, or `measured`.
    pub fn word(&self) -> &'static str {
        if self.seen { "measured" } else { "noted" }
    }

    /// Returns where the boom must be taken to be in frame, within `range`.
    ///
    /// Unknown boom spans count as everywhere outside the plates.
    pub fn boom_within(&self, range: FrameRange) -> Vec<FrameRange> {
        if self.no_boom {
            Vec::new()
        } else if self.boom.is_empty() {
            range.without(&self.plates)
        } else {
            self.boom.iter().filter_map(|span| span.overlap(range)).collect()
        }
    }
}
