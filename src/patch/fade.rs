//! How strongly the patch is on, frame by frame.

use crate::time::{Frame, FrameRange};

/// The patch fades in before the boom comes and out after it has gone.
///
/// ```text
///   boom             =========
///   patched    ---------------------      fade of 6
///   strength   1/7 .. 6/7 1 .. 1 6/7 .. 1/7
/// ```
///
/// All ranges on one clock, whichever it is.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Fade {
    patched: Vec<FrameRange>,
    boom: Vec<FrameRange>,
    frames: u32,
}

impl Fade {
    /// Makes the fade of a patch that is on over `patched`, with the boom in over `boom`, over
    /// `frames` frames.
    pub fn new(patched: Vec<FrameRange>, boom: Vec<FrameRange>, frames: u32) -> Fade {
        Fade { patched, boom, frames }
    }

    /// Returns how much of the plate shows at a frame: 0 outside the patch, 1 where the boom
    /// is in.
    ///
    /// A run with no frame known to show the boom is patched in full.
    pub fn strength(&self, frame: Frame) -> f32 {
        let Some(run) = self.patched.iter().find(|run| run.holds(frame)) else { return 0.0 };
        let boom = self.boom.iter().filter_map(|boom| boom.overlap(*run));
        let nearest = boom.map(|boom| away(frame, boom)).min();
        let Some(away) = nearest else { return 1.0 };
        let steps = f64::from(self.frames) + 1.0;
        (1.0 - away as f64 / steps).max(0.0) as f32
    }
}

/// Frames from a range, 0 inside it.
fn away(frame: Frame, range: FrameRange) -> u64 {
    if frame < range.start {
        range.start.0.abs_diff(frame.0)
    } else if frame >= range.end {
        frame.0.abs_diff(range.end.0) + 1
    } else {
        0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_full_where_the_boom_is_and_gone_outside_the_patch() {
        let patched = vec![FrameRange::new(4, 20), FrameRange::new(30, 40)];
        let fade = Fade::new(patched, vec![FrameRange::new(10, 14), FrameRange::new(30, 36)], 6);
        let at = |frame: i64| (fade.strength(Frame(frame)) * 7.0).round() as i32;
        let all: Vec<i32> = (2..22).map(at).collect();
        assert_eq!(all, [0, 0, 1, 2, 3, 4, 5, 6, 7, 7, 7, 7, 6, 5, 4, 3, 2, 1, 0, 0]);
        // The second run is cut off at its head: the boom is in from its first frame on.
        assert_eq!((29..41).map(at).collect::<Vec<_>>(), [0, 7, 7, 7, 7, 7, 7, 6, 5, 4, 3, 0]);
    }

    #[test]
    fn without_a_fade_it_is_on_or_off() {
        let fade = Fade::new(vec![FrameRange::new(5, 8)], vec![FrameRange::new(5, 8)], 0);
        let all: Vec<f32> = (4..9).map(|frame| fade.strength(Frame(frame))).collect();
        assert_eq!(all, [0.0, 1.0, 1.0, 1.0, 0.0]);
        assert_eq!(Fade::new(vec![FrameRange::new(5, 8)], Vec::new(), 0).strength(Frame(6)), 1.0);
    }
}
