//! Frames and coded packets in and out: the only place that touches the FFmpeg libraries.
//! Source media are opened read-only and never written.
//!
//! File frame n is the n-th picture a player shows: samples hidden by an edit list and
//! leading pictures without references do not count.

mod info;
mod ffi;
mod clock;
mod promised;
mod picture;
mod luma;
mod samples;
mod thumbnail;
mod scan;
mod timecode;
mod open;
mod container;
mod images;
mod image_frames;
mod header;
mod ffv1;
mod frames;
mod read;
mod stored;
mod footage;
mod identity;
mod ffi_packets;
mod mux;
mod packets;
mod image_files;
mod ffi_encode;
mod encode;
mod ffi_sound;
mod sound;
mod viewing;
mod url;
mod folders;
mod locate;
mod unnamed;

pub use encode::{Coding, EncodeTarget, Encoder, INTERLACED};
pub use ffi::libraries;
pub use footage::{Footage, Pictures};
pub use frames::Frames;
pub use identity::{file_id, program_id};
pub use image_files::{Label, Splice, differs_only_by, spliced, timecode_splices, told_splices};
pub use images::image_run;
pub use info::{ColourTags, FieldOrder, MediaInfo, MediaKind, StartTimecode};
pub use locate::{Found, How, Locator, Request, SequenceUrl};
pub use mux::{Container, MuxFault, Muxer, PADDING, Track};
pub use open::{Media, OpenOptions, open, open_with};
pub use packets::{CodedFrame, CodedVideo, NoCopy};
pub use picture::Picture;
pub use read::{FrameReader, ReadSummary, Wanted};
pub use samples::Retouched;
pub use sound::Sound;
pub use thumbnail::Thumbnail;
pub use viewing::{
    LONGEST_SIDE, ViewingCopy, ViewingTarget, can_encode_viewing_copies, viewing_size,
};
