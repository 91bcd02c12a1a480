//! Boom: plates and boom spans that nobody logged, the boom's region with its shadow, and
//! what of a frame is boom and what is actor.
//!
//! [`find`] looks at a whole lock-off, small, and needs no plate:
//!
//! 1. windows of a few frames are tried as references: evenly spaced, claimed by a log, and
//!    those whose edge of the picture is least like the others;
//! 2. each frame is compared in the tone of the frame (gain, offset, curve);
//! 3. what hangs from the top or the upper part of a side is followed; the contrast of its
//!    outline tells a thing in the frames from the ghost of one in the reference;
//! 4. a boom is what slides in or out through the edge;
//! 5. references that tell alike support each other; each run of frames left over, alone as
//!    the reference, must find the same booms, or it is no plate.
//!
//! [`Foreground`] knows the plate and parts each frame into boom, shadow and actors.
//!
//! What cannot be told from pixels: a boom that hangs still in every frame; a hand or a prop
//! that slides in through the upper edge; a door cut off by the edge of the frame.

mod blobs;
mod tone;
mod hypothesis;
mod limits;
mod small_take;
mod reference;
mod track;
mod restless;
mod sway;
mod confirming;
mod find;
mod foreground;
mod outlines;

pub use find::{Found, Hints, Say, Why, find};
pub use foreground::{Foreground, PlateRange, Split};
pub use limits::{FinderLimits, ForegroundLimits};
pub use outlines::{FinePlate, Outlined};
pub use reference::Steps;
pub use small_take::SmallTake;
pub use tone::Tone;
