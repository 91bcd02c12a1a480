//! Half-open runs of frames on one clock.

use super::{Frame, FrameCount, FrameShift};
use serde::{Deserialize, Serialize};

/// A half-open run of frames on one clock. Written as `[first, end]`.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, Default,
)]
#[serde(from = "(i64, i64)", into = "(i64, i64)")]
pub struct FrameRange {
    /// The first frame.
    pub start: Frame,
    /// The frame after the last; never before `start`.
    pub end: Frame,
}

impl From<(i64, i64)> for FrameRange {
    fn from((start, end): (i64, i64)) -> Self {
        Self::new(start, end)
    }
}

impl From<FrameRange> for (i64, i64) {
    fn from(range: FrameRange) -> Self {
        (range.start.0, range.end.0)
    }
}

impl FrameRange {
    /// Makes `[start, end)`; an end before the start gives an empty range at `start`.
    pub fn new(start: i64, end: i64) -> Self {
        Self { start: Frame(start), end: Frame(end.max(start)) }
    }

    /// Returns the number of frames.
    pub fn count(self) -> FrameCount {
        FrameCount(self.end.0.saturating_sub(self.start.0).max(0) as u64)
    }

    /// Tells whether no frame is in this range.
    pub fn is_empty(self) -> bool {
        self.end <= self.start
    }

    /// Tells whether every frame of `other` is also in this range.
    ///
    /// ```text
    ///   self    [==============)
    ///   other      [=====)          true
    ///   other               [=====) false: its last frame is past the end
    /// ```
    pub fn contains(self, other: FrameRange) -> bool {
        other.is_empty() || (self.start <= other.start && other.end <= self.end)
    }

    /// Tells whether one frame is in this range.
    pub fn holds(self, frame: Frame) -> bool {
        self.start <= frame && frame < self.end
    }

    /// Returns the frames that are in both ranges, if any.
    pub fn overlap(self, other: FrameRange) -> Option<FrameRange> {
        let start = self.start.max(other.start);
        let end = self.end.min(other.end);
        (start < end).then_some(FrameRange { start, end })
    }

    /// Returns the range grown by `before` and `after` frames.
    pub fn grown(self, before: u64, after: u64) -> FrameRange {
        let before = i64::try_from(before).unwrap_or(i64::MAX);
        let after = i64::try_from(after).unwrap_or(i64::MAX);
        Self::new(self.start.0.saturating_sub(before), self.end.0.saturating_add(after))
    }

    /// Returns the range moved to another clock that reads `shift` more.
    pub fn shifted(self, shift: FrameShift) -> FrameRange {
        FrameRange { start: self.start + shift, end: self.end + shift }
    }

    /// Returns the parts of this range that are in none of `others`, in order.
    pub fn without(self, others: &[FrameRange]) -> Vec<FrameRange> {
        let mut left = Vec::new();
        let mut at = self.start;
        for other in union(others) {
            if let Some(cut) = self.overlap(other) {
                if at < cut.start {
                    left.push(FrameRange { start: at, end: cut.start });
                }
                at = at.max(cut.end);
            }
        }
        if at < self.end {
            left.push(FrameRange { start: at, end: self.end });
        }
        left
    }
}

impl std::fmt::Display for FrameRange {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}-{}", self.start, self.end)
    }
}

/// Sorts ranges and joins those that touch or overlap; empty ones are left out.
///
/// ```
/// # use platesmith::time::{FrameRange, union};
/// let r = |a, b| FrameRange::new(a, b);
/// assert_eq!(union(&[r(5, 8), r(0, 3), r(3, 4)]), [r(0, 4), r(5, 8)]);
/// ```
pub fn union(ranges: &[FrameRange]) -> Vec<FrameRange> {
    let mut sorted: Vec<FrameRange> = ranges.iter().copied().filter(|r| !r.is_empty()).collect();
    sorted.sort();
    let mut joined: Vec<FrameRange> = Vec::with_capacity(sorted.len());
    for range in sorted {
        match joined.last_mut() {
            Some(last) if range.start <= last.end => last.end = last.end.max(range.end),
            _ => joined.push(range),
        }
    }
    joined
}

/// Returns the smallest range that holds both.
pub fn joined(a: FrameRange, b: FrameRange) -> FrameRange {
    if a.is_empty() {
        b
    } else if b.is_empty() {
        a
    } else {
        FrameRange { start: a.start.min(b.start), end: a.end.max(b.end) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn r(a: i64, b: i64) -> FrameRange {
        FrameRange::new(a, b)
    }

    #[test]
    fn what_is_left_is_outside_every_cut() {
        assert_eq!(r(0, 10).without(&[r(2, 3), r(5, 20)]), [r(0, 2), r(3, 5)]);
        assert_eq!(r(0, 10).without(&[]), [r(0, 10)]);
        assert!(r(0, 10).without(&[r(-5, 10)]).is_empty());
    }

    #[test]
    fn an_empty_range_is_contained_anywhere() {
        assert!(r(0, 1).contains(r(7, 7)));
        assert!(!r(0, 10).contains(r(5, 11)));
    }
}
