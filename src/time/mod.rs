//! Exact time: rates as fractions, frames as integers, half-open ranges, timecode.
//!
//! Five clocks run in a cut; a range always says which one it runs on:
//! the cut clock (record frames from the cut's start), the clip clock (media time as
//! the timeline writes it), the take clock (timecode as a frame count) and the file
//! clock (0-based index in the media). No float decides a frame.

mod exact;
mod frame;
mod range;
mod rate;
mod timecode;

pub use exact::{Exact, ceil, exact_from_f64, exact_text, floor, fraction, whole};
pub use frame::{Frame, FrameCount, FrameShift};
pub use range::{FrameRange, joined, union};
pub use rate::Rate;
pub use timecode::{Counting, TimecodeFault};
