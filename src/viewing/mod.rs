//! Review copies: a temp comp as a small movie to look at, with name and timecode burnt in
//! and the take's sound.

mod burn_in;
mod copy;

pub use burn_in::{Label, burn_in};
pub use copy::{ReviewJob, ReviewMade, make_review};
