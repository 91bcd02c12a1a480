//! Plates: how their frames are laid out over need, copied or encoded, and named.

mod loop_map;
mod versions;
mod place;
mod copy;
mod image_copy;
mod played;
mod retouch;
mod render;
mod receipt;
mod job;

pub(crate) use copy::written;
pub(crate) use job::whole_label;
pub use job::{
    Method, PlateCodec, PlateJob, PlateMade, kept_version, make_new_version, make_plate,
    make_unless_taken, make_version, why_not_copied,
};
pub use loop_map::{FrameMap, LONGEST, MapFault, Run};
pub(crate) use place::{Part, Placed};
pub use receipt::{hashed, render_id};
pub use retouch::{PlateFrames, Retouch};
pub use versions::{Names, latest_version, sanitised, version_name};
