//! One use: a clip of the cut showing one piece of one take.

use crate::time::{Exact, FrameRange, Rate};

/// The speed of a use: the product of all time effects on it and on the nests around it.
#[derive(Debug, Clone, PartialEq)]
pub enum Speed {
    /// Media frames shown for each frame of the clip; negative plays backward; never zero.
    Constant(Exact),
    /// One frame, held.
    Freeze,
    /// A speed curve, or anything else without a model; the text says what was found.
    Unknown(String),
}

/// A piece of record time in seconds from the cut's start, exact.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordSpan {
    /// First instant.
    pub start: Exact,
    /// Instant after the last; at or after `start`.
    pub end: Exact,
}

/// What a media reference points at.
#[derive(Debug, Clone, PartialEq)]
pub enum ReferenceKind {
    /// A file: the URL as written.
    External {
        /// `target_url` as written.
        url: String,
    },
    /// Numbered image files.
    Sequence {
        /// `target_url_base` as written.
        base: String,
        /// `name_prefix`.
        prefix: String,
        /// `name_suffix`.
        suffix: String,
        /// Number of the first image.
        start_frame: i64,
        /// Distance between image numbers; each file then stands for that many frames.
        frame_step: i64,
        /// `frame_zero_padding`.
        padding: u32,
        /// The sequence's own rate, if usable.
        rate: Option<Rate>,
    },
    /// Nothing to point at.
    Missing,
    /// A kind this program does not know; its schema name.
    Other(String),
}

/// One media reference of a clip.
#[derive(Debug, Clone, PartialEq)]
pub struct MediaReference {
    /// Its key in `media_references`.
    pub key: String,
    /// Its `name`, if not empty.
    pub name: Option<String>,
    /// What it points at.
    pub kind: ReferenceKind,
    /// `available_range` as start and end in frames of [`Use::clip_rate`], exact.
    pub available: Option<(Exact, Exact)>,
    /// Rate of `available_range`'s start, snapped.
    pub available_rate: Option<Rate>,
}

/// One clip of an enabled video track, showing one piece of one take.
///
/// Media times are on the clip clock, in frames of `clip_rate`.
///
/// ```text
///   record     |--in_offset--[======= clip =======]--out_offset--|
///   media      start + offset x speed, over the visible record time
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Use {
    /// JSON pointer of the clip in the timeline as read: `/tracks/children/0/children/3`.
    pub pointer: String,
    /// The clip's name; may be empty.
    pub clip: String,
    /// Index of the root video track the use is on, among the children of `tracks`.
    pub track: usize,
    /// The clip's record time without transition overhang, cut by the trims of all nests.
    pub record: RecordSpan,
    /// The record time in which any of it may be seen: `record` plus transitions.
    pub visible: RecordSpan,
    /// `record` in whole cut frames: start floor, end ceiling.
    pub range_in_cut: FrameRange,
    /// Speed of media against record time, both at their own rates in seconds.
    pub speed: Speed,
    /// Rate of the clip clock: of `source_range`, else of `available_range`.
    pub clip_rate: Rate,
    /// Media time shown at the first instant of `record`, in frames of `clip_rate`. For a
    /// reverse clip it is the instant from which media time runs down (see `media_span`).
    pub media_start: Exact,
    /// Exact media interval of `visible`, in frames of `clip_rate`, lower end first; both
    /// readings of a reverse clip are inside. `None` if the speed is unknown.
    pub media_span: Option<(Exact, Exact)>,
    /// The smallest whole-frame range that holds `media_span`, clip clock.
    pub used_in_clip: Option<FrameRange>,
    /// The reading that is rendered, clip clock: as `used_in_clip` but for reverse clips.
    pub rendered_in_clip: Option<FrameRange>,
    /// All references, the active one first.
    pub references: Vec<MediaReference>,
    /// Metadata texts of clip and references that may name a clip, reel or timecode, with
    /// their JSON pointer below the clip, in file order.
    pub texts: Vec<(String, String)>,
    /// Text of the first marker of the clip, and any shot name in metadata.
    pub shot_name: Option<String>,
    /// Host effects on the use or its nests that may move the picture.
    pub reframes: Vec<String>,
    /// Tells whether an opaque clip hides all of `visible`.
    pub covered: bool,
    /// The readable clip marks of this program that were already there are not counted.
    pub first_clear_in_clip: Option<i64>,
}
