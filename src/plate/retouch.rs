//! What is done to plate frames that are not laid into the plate as they are.

use crate::error::Faults;
use crate::media::Picture;

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
}
