//! The patch laid over the take: its matte as a file, and the temp comp.
//!
//! ```text
//!   alpha (divider) -> Matte -> mattes/SHOT_MATTE01_v001.png + .json
//!   take + matte * fade * (plate - take), in the media's own samples -> temp comp
//! ```

mod comp;
mod matte;
mod siting;

pub use comp::{Comp, fades};
pub use matte::{Matte, MatteMade, write_matte};
