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
pub mod light;
pub mod lockoff;
pub mod transfer;

pub use mask::Mask;
pub use mean::PlateSum;
pub use motion::Motion;
pub use plane::{Excluded, Plane, Sample, View};
pub use spool::Spool;
