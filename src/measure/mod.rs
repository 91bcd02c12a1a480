//! What the pixels say, on planes that may come from anywhere.
//!
//! Each measure is its own module and knows nothing of the others; they meet in the types
//! of this file: [`Plane`] and [`View`] are luma in codes, [`Mask`] and [`Excluded`] parts
//! of the frame, [`Spool`] keeps what is noted for every frame off the heap.
//!
//! ```text
//!   plate frames -> PlateSum, light::PlateMean --+
//!   every frame  --------------------------------+-> lockoff light stillness sharpness boom
//! ```

mod mask;
mod plane;
mod motion;
mod mean;
mod spool;
mod planes;
mod codes;
mod patterns;
mod small;
mod warp;
pub mod boom;
pub mod delivery;
pub mod divider;
pub mod light;
pub mod lockoff;
pub mod picture_map;
pub mod overlay;
pub mod ruler;
pub mod sharpness;
pub mod stillness;
pub mod transfer;
pub mod schedule;

pub use mask::Mask;
pub use mean::PlateSum;
pub use motion::Motion;
pub use patterns::{CELL, Patterns, Sums, TILE};
pub use plane::{Excluded, Plane, Sample, View};
pub use planes::{Planes, Scales};
pub use spool::Spool;
pub use warp::moved_back;
