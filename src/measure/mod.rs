//! What the pictures say, on luma planes that may come from anywhere.
//!
//! The lock-off in two passes: [`PlateSum`] gathers the mean of the plate, [`LockOff`] then
//! finds shift, rotation and scale of every frame against it, actors ignored, and
//! [`steadiness`] tells creep, weave, vibration and knocks apart. [`MeanReader`] and
//! [`LockOffReader`] do the two passes on decoded media.

mod plane;
mod motion;
mod mean;
mod gauss;
mod template;
mod coarse;
mod solve;
mod tiles;
mod align;
mod lockoff;
mod series;
mod reader;

pub use lockoff::{FrameMotion, LockOff, NoTemplate};
pub use mean::PlateSum;
pub use motion::Motion;
pub use plane::{Excluded, Plane, Sample, View};
pub use reader::{LockOffReader, MeanReader};
pub use series::{Knock, Stand, Steadiness, SteadyLimits, steadiness};
pub use template::{TILE_COLUMNS, TILE_ROWS};
