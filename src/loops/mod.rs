//! Loops that do not show their turns, and held frames that do not look held.
//!
//! ```text
//!   plate frames in the patch -> block differences -> what a turn at each frame would show,
//!   against what nature does there -> turning points -> copied, or eased and rendered
//! ```
//!
//! Order of choice: a patch at rest is copied, the whole plate, turning frames twice. Else
//! the turning points at which the patch moves least, turning frames twice and the coded
//! frames copied, if the worst turn shows no more than [`COPIED`] times what nature does
//! there. Else the turns are eased: rendered slow, with new grain.

mod area;
mod choice;
mod eased;
mod fits;
mod flow;
mod held;
mod interpolated;
mod visible;
mod watch;

pub use area::Area;
pub use choice::{Choice, choose};
pub use eased::{Course, Eased, WINDOWS};
pub use flow::{Flow, between};
pub use held::Held;
pub use interpolated::interpolated;
pub use visible::{Turning, Visible};
pub use watch::Watch;

/// What a turn of copied frames may show, against what nature does. Ours, from trials with
/// painted and real leaves: a tenth more is not found by eye.
pub const COPIED: f64 = 1.1;

/// What an eased turn may show.
pub const EASED: f64 = 1.0;
