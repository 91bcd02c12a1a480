//! What is known of a media file before a frame is decoded.

use crate::time::{Counting, Frame, Rate};
use std::path::PathBuf;

/// A container file, or a numbered run of image files.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum MediaKind {
    /// One file with coded packets inside.
    Container(PathBuf),
    /// Image files in order; file frame n is `files[n]`.
    Images {
        /// Every file, in order of its number.
        files: Vec<PathBuf>,
        /// Number in the name of the first file.
        first_number: i64,
    },
}

/// The start timecode of a file and how it counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct StartTimecode {
    /// Take frame of file frame 0.
    pub frame: Frame,
    /// How its labels count.
    pub counting: Counting,
}

/// Field order as tagged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[allow(missing_docs, reason = "the words of the trade")]
pub enum FieldOrder {
    #[default]
    Unknown,
    Progressive,
    TopFirst,
    BottomFirst,
}

/// Colour tags as FFmpeg names them; `None` where the file says nothing.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
#[allow(missing_docs, reason = "the words of ITU-T H.273")]
pub struct ColourTags {
    pub range: Option<String>,
    pub primaries: Option<String>,
    pub transfer: Option<String>,
    pub matrix: Option<String>,
    pub siting: Option<String>,
}

/// What is known of a media file before a frame is decoded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MediaInfo {
    /// The file or files.
    pub kind: MediaKind,
    /// Name to show: file name, or `prefix.[1001-1240].ext`.
    pub name: String,
    /// Container format as FFmpeg names it, `images` for image files.
    pub format: String,
    /// Codec as FFmpeg names it: `prores`, `dnxhd`.
    pub codec: String,
    /// Codec profile as FFmpeg names it, if known.
    pub profile: Option<String>,
    /// Pixel format as FFmpeg names it: `yuv422p10le`.
    pub pixel_format: String,
    /// Width in pixels.
    pub width: u32,
    /// Height in pixels.
    pub height: u32,
    /// Pixel aspect; `(1, 1)` if square or untagged.
    pub pixel_aspect: (u32, u32),
    /// Clockwise rotation asked of the player, in degrees.
    pub rotation: i32,
    /// Frame rate.
    pub rate: Rate,
    /// Number of frames shown.
    pub frames: u64,
    /// Start timecode, if the file has one.
    pub start: Option<StartTimecode>,
    /// Reel name in the file, if any.
    pub reel: Option<String>,
    /// Field order as tagged.
    pub field_order: FieldOrder,
    /// Colour tags.
    pub colour: ColourTags,
}
