//! Our marks and plate tracks, onto the timeline and off again.
//!
//! What was read stays as read, byte for byte; only ours is added, on schema types the
//! file's own readers know, each thing marked by the one metadata key [`KEY`]:
//!
//! ```text
//!   tracks      markers: the twin of every clip marker, 0-based, cut rate
//!     V1        clips: one marker each, in clip time, inside the clip's trimmed range
//!     V2
//!     plates    [gap][SHOT_CP01_v001][ gap ][SHOT_CP01_v001]     disabled clips
//!     plates 2        [SHOT_CP01_v001]                           where uses overlap
//!     A1
//! ```
//!
//! [`strip`] takes all of it out again, also after a host has written the file anew.
//! `docs/marks.md` says what stands under the key.

mod dialect;
mod markers;
mod notes;
mod pointers;
mod rebase;
mod strip;
mod swap;
mod tracks;
mod urls;
mod walk;
mod zero;

use crate::error::{BadInput, Faults};
use crate::findings::UseFinding;
use crate::time::{FrameRange, Rate};
use crate::timeline::Use;
use crate::timeline::json::{Document, NodeId};
use pointers::Resolver;
use std::path::PathBuf;

pub use notes::KEY;
pub use rebase::rebase_media;
pub use strip::strip;
pub use swap::{Swap, swap_media};
pub use zero::zero_based;

/// Where markers go: some hosts ignore those on clips, some those on the cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum MarkerPlaces {
    /// On the clip and on the cut.
    #[default]
    Both,
    /// On the clip alone.
    Clip,
    /// On the cut alone.
    Cut,
}

/// How plate clips lie in the cut. An opaque plate on top hides the shot.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum PlateClips {
    /// Above the picture, switched off.
    #[default]
    Disabled,
    /// Above the picture, switched on.
    Enabled,
    /// Below the picture, switched on.
    Below,
    /// Not at all.
    None,
}

/// What to write, and where the timeline will lie.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Options {
    /// Where markers go.
    pub markers: MarkerPlaces,
    /// How plate clips lie.
    pub plates: PlateClips,
    /// The timeline's file name, for faults.
    pub file: String,
    /// The absolute folder the written timeline will lie in: where relative URLs start, if
    /// the input has such. `None` for a bundle, whose relative URLs mean what is inside: URLs
    /// are then absolute, but for plates that were put into it.
    pub folder: Option<PathBuf>,
}

/// The files of a plate.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PlateMedia {
    /// One file. An absolute path; a relative one is written as it is, for media inside a
    /// bundle.
    File(PathBuf),
    /// Numbered image files, one for each frame.
    Sequence {
        /// Their folder; absolute, or relative inside a bundle.
        folder: PathBuf,
        /// What stands before the number.
        prefix: String,
        /// What stands after the number, with the dot.
        suffix: String,
        /// The number of the first image.
        first: i64,
        /// How many digits the number has at least.
        padding: u32,
    },
}

/// A plate as it is laid into the cut: the plate file, or its record-time twin where the
/// use is retimed or the rates differ. One of its frames stands for one cut frame.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LaidPlate {
    /// The clip's name: `SHOT_CP01_v001`.
    pub name: String,
    /// Its files.
    pub media: PlateMedia,
    /// Its frame rate.
    pub rate: Rate,
    /// All its frames, on its own clock: from its embedded timecode as a frame count.
    pub available: FrameRange,
    /// The frame shown at the first frame of the use's `range_in_cut`, on the same clock.
    pub first_shown: i64,
}

/// One use with what is to be written about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Marked<'a> {
    /// What was found.
    pub finding: &'a UseFinding,
    /// The use it was found about.
    pub used: &'a Use,
    /// The plate to lay over it, if there is a file.
    pub plate: Option<LaidPlate>,
}

/// Returns the take frame shown at the first frame of `range_in_cut`: where a plate with
/// one frame for each take frame of need begins to be seen, if its timecode is the take's.
/// `None` without a take clock or with an unknown speed.
pub fn first_take_frame_shown(finding: &UseFinding, used: &Use, cut_rate: Rate) -> Option<i64> {
    let shown = used.media_frame_of_cut_frame(used.range_in_cut.start.0, cut_rate)?;
    let from_used = shown.checked_sub(used.used_in_clip?.start.0)?;
    finding.used_in_take?.start.0.checked_add(from_used)
}

/// Writes markers and plate tracks onto a timeline, in place of any that are there.
///
/// `timeline` is the JSON pointer of the `Timeline` (empty if it is the root) and
/// `cut_rate` the rate of the cut clock. Pointers of the uses are those of `document` as
/// read. A use without a marker colour (`clear`, `covered`, `unlisted`) gets no marker, one
/// without a plate no clip.
///
/// # Errors
///
/// A fault for each use that could not be marked: no clip at its pointer, a `markers`
/// member that is no list, a plate shorter than its use. All others are marked also then.
pub fn annotate(
    document: &mut Document,
    timeline: &str,
    cut_rate: Rate,
    marked: &[Marked<'_>],
    options: &Options,
) -> Result<(), Faults> {
    let mut faults = Vec::new();
    let (tracks, clips) = places(document, timeline, marked, options)?;
    let dialect = dialect::Dialect::of(document, tracks, cut_rate);
    let mut seen = Vec::with_capacity(marked.len());
    for (marked, clip) in marked.iter().zip(clips) {
        match clip {
            Place::At(clip) => seen.push((marked, clip)),
            Place::Ours => {}
            Place::Nowhere => faults.push(BadInput::new(
                &options.file,
                &marked.used.pointer,
                format!("no clip is here to mark for shot \"{}\"", marked.finding.shot),
                "review this timeline again",
            )),
        }
    }
    markers::write(document, tracks, &seen, options, &dialect, &mut faults);
    let seen: Vec<&Marked<'_>> = seen.into_iter().map(|(marked, _)| marked).collect();
    tracks::write(document, tracks, &seen, options, &dialect, &mut faults);
    if faults.is_empty() { Ok(()) } else { Err(Faults(faults)) }
}

/// Where the clip of a use is.
enum Place {
    At(NodeId),
    /// On what is ours and goes.
    Ours,
    Nowhere,
}

/// Takes old marks out, reads the result anew, and finds `tracks` and all clips in it.
fn places(
    document: &mut Document,
    timeline: &str,
    marked: &[Marked<'_>],
    options: &Options,
) -> Result<(NodeId, Vec<Place>), Faults> {
    let plan = strip::Plan::of(document);
    let mut pointers: Vec<Option<Option<String>>> = Vec::new();
    let mut timeline = timeline.to_string();
    if document.is_edited() || !plan.is_empty() {
        let mut resolver = Resolver::new(document);
        let mut moved =
            |pointer: &str| resolver.resolve(pointer).map(|way| plan.moved_pointer(pointer, &way));
        timeline = moved(&timeline).flatten().unwrap_or(timeline);
        pointers = marked.iter().map(|one| moved(&one.used.pointer)).collect();
        plan.apply(document);
        *document = Document::parse(&options.file, document.write())?;
    }
    let mut resolver = Resolver::new(document);
    let mut clips = Vec::with_capacity(marked.len());
    for (at, one) in marked.iter().enumerate() {
        let pointer = match pointers.get(at) {
            Some(Some(None)) => {
                clips.push(Place::Ours);
                continue;
            }
            Some(Some(Some(moved))) => moved,
            Some(None) | None => &one.used.pointer,
        };
        let clip = resolver.resolve(pointer).and_then(|steps| steps.last().copied());
        let clip =
            clip.filter(|&clip| walk::schema(document.node(clip)).as_deref() == Some("Clip"));
        clips.push(clip.map_or(Place::Nowhere, Place::At));
    }
    let tracks = document
        .at(&format!("{timeline}/tracks"))
        .filter(|tracks| tracks.get("children").is_some_and(walk::is_list))
        .ok_or_else(|| {
            BadInput::new(
                &options.file,
                format!("{timeline}/tracks"),
                "there is no Timeline with tracks here to be marked",
                "give a file that holds a Timeline",
            )
        })?;
    Ok((tracks.id(), clips))
}
