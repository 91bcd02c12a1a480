//! Frames and coded packets in and out: the only place that touches the FFmpeg libraries.
//! Source media are opened read-only and never written.

mod info;

pub use info::{ColourTags, FieldOrder, MediaInfo, MediaKind, StartTimecode};
