//! Patched frames against lock-off and plate reach, from the log alone.

mod claims;
mod clock;
mod judge;
mod noted;

pub use claims::Claims;
pub use clock::{Clocks, LoggedStart, read_clocks};
pub use judge::{Judgement, Outcome, between, judge, least_loop_frames};
pub use noted::{claims_of, logged_start};
