//! One use: a clip of the cut showing one piece of one take.

use crate::time::{Exact, FrameRange, Rate, ceil, floor, whole};
use num_traits::Signed;

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
    /// their JSON pointer below the clip, in file order: those with a digit or under a
    /// heading of the slate, up to 255 bytes long.
    pub texts: Vec<(String, String)>,
    /// The first marker text of the clip that reads like a shot name (`QLN_012_0010`), else
    /// its metadata under `shot`, `shot_name` or `vfx_shot`. This program's own markers do
    /// not count.
    pub shot_name: Option<String>,
    /// Host effects on the use or its nests that may move the picture.
    pub reframes: Vec<String>,
    /// Tells whether an opaque clip hides all of `visible`.
    pub covered: bool,
    /// The first frame of `record` that no transition touches, else the first of `record`,
    /// in the clip's own time at speed 1: frames of `clip_rate` from the start of its range,
    /// whatever its effects. Hosts look for a clip's markers there, so it is where a marker
    /// is seen. `None` if a nest around it has a speed that is not known.
    pub first_clear_in_clip: Option<i64>,
}

impl Use {
    /// Returns the frames to be rendered with handles, on the clip clock.
    ///
    /// Handles are given in cut frames and become clip frames times |speed|, rounded up,
    /// added around `used_in_clip`. A reverse use has its head handle at the high end. A
    /// held frame takes no handles. Nothing is clipped to the media. `None` if the speed is
    /// unknown.
    pub fn need_in_clip(&self, head: u32, tail: u32, cut_rate: Rate) -> Option<FrameRange> {
        let used = self.used_in_clip?;
        let Speed::Constant(speed) = &self.speed else { return Some(used) };
        let frames = |handle: u32| {
            let handle = self.clip_rate.rescale(&whole(handle.into()), cut_rate);
            ceil(&(handle * speed.abs())).unsigned_abs()
        };
        let (head, tail) = (frames(head), frames(tail));
        Some(if speed.is_negative() { used.grown(tail, head) } else { used.grown(head, tail) })
    }

    /// Returns the media time shown so many seconds after the first instant of `record`,
    /// in frames of `clip_rate`, by the reading that is rendered. `None` if the speed is
    /// unknown.
    ///
    /// For a reverse use it is the instant from which media time runs down: the frame seen
    /// then is the one before it.
    pub fn media_at(&self, record_offset_seconds: &Exact) -> Option<Exact> {
        match &self.speed {
            Speed::Constant(speed) => {
                let offset = record_offset_seconds * speed * self.clip_rate.exact();
                Some(&self.media_start + offset)
            }
            Speed::Freeze => Some(self.media_start.clone()),
            Speed::Unknown(_) => None,
        }
    }

    /// Returns the whole media frame shown at a record frame, on the clip clock, by the
    /// reading that is rendered; `None` outside `visible` or if the speed is unknown.
    ///
    /// A record frame shows the media frame that is on at its first instant, or at the first
    /// instant of `visible` if that comes later.
    ///
    /// ```text
    ///   speed 1/2, start 10   record  0    1    2    3
    ///                         media   10   10   11   11
    ///   speed -1, from 21     record  0    1    2    3
    ///                         media   20   19   18   17
    /// ```
    pub fn media_frame_of_cut_frame(&self, cut_frame: i64, cut_rate: Rate) -> Option<i64> {
        let start = cut_rate.seconds(&whole(cut_frame));
        let next = cut_rate.seconds(&whole(cut_frame.saturating_add(1)));
        if start >= self.visible.end || next <= self.visible.start {
            return None;
        }
        let instant = start.max(self.visible.start.clone());
        let media = self.media_at(&(instant - &self.record.start))?;
        let backward = matches!(&self.speed, Speed::Constant(speed) if speed.is_negative());
        let frame = if backward { ceil(&media) - 1 } else { floor(&media) };
        let range = self.rendered_in_clip?;
        Some(frame.clamp(range.start.0, (range.end.0 - 1).max(range.start.0)))
    }

    /// Returns the media reference in use.
    pub fn active(&self) -> Option<&MediaReference> {
        self.references.first()
    }
}
