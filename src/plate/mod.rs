//! Plates: how their frames are laid out over need, copied or encoded, and named.

mod loop_map;

pub use loop_map::{FrameMap, LONGEST, MapFault, Run};
