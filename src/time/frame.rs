//! An instant, a length and a signed distance, so that they are not mixed up.

use serde::{Deserialize, Serialize};
use std::ops::{Add, Sub};

/// One frame on some clock: a position, not a length.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, Default,
)]
#[serde(transparent)]
pub struct Frame(pub i64);

/// A number of frames.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, Default,
)]
#[serde(transparent)]
pub struct FrameCount(pub u64);

/// A signed distance in frames, from one frame to another or from one clock to another.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, Default,
)]
#[serde(transparent)]
pub struct FrameShift(pub i64);

impl Add<FrameShift> for Frame {
    type Output = Frame;
    fn add(self, shift: FrameShift) -> Frame {
        Frame(self.0.saturating_add(shift.0))
    }
}

impl Sub<FrameShift> for Frame {
    type Output = Frame;
    fn sub(self, shift: FrameShift) -> Frame {
        Frame(self.0.saturating_sub(shift.0))
    }
}

impl Sub for Frame {
    type Output = FrameShift;
    fn sub(self, other: Frame) -> FrameShift {
        FrameShift(self.0.saturating_sub(other.0))
    }
}

impl std::fmt::Display for Frame {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}

impl std::fmt::Display for FrameCount {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.fmt(f)
    }
}
