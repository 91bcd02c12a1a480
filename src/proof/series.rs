//! The measures of one take frame by frame, for plots.

use super::{Looked, Weighed};
use crate::inspection::Series;
use crate::time::{Frame, FrameRange};

impl Weighed {
    /// Returns what was measured over `frames`, file clock; one entry a frame.
    pub fn series(&self, looked: &Looked, frames: FrameRange) -> Series {
        let count = usize::try_from(frames.count().0).unwrap_or(0);
        let mut series = Series {
            shift_px: vec![None; count],
            gain: vec![None; count],
            activity: vec![None; count],
            sharpness: vec![None; count],
            visibility: vec![None; count],
        };
        let at = |frame: Frame| {
            let at = frame.0.checked_sub(frames.start.0)?;
            usize::try_from(at).ok().filter(|at| *at < count)
        };
        let gauge = self.gauge.and_then(|at| looked.gauges.get(at));
        for row in gauge.into_iter().flat_map(|gauge| &gauge.rows) {
            let Some(at) = at(row.frame) else { continue };
            let told = row.motion.as_ref().filter(|motion| motion.told);
            series.shift_px[at] = told.map(|motion| [motion.motion.shift_x, motion.motion.shift_y]);
            series.gain[at] =
                row.light.as_ref().and_then(|light| light.main().map(|gain| gain.gain));
        }
        for (values, out) in [
            (&self.proof.activity, &mut series.activity),
            (&self.proof.sharpness, &mut series.sharpness),
            (&self.proof.shown, &mut series.visibility),
        ] {
            for (frame, value) in values {
                if let Some(at) = at(*frame) {
                    out[at] = Some(*value);
                }
            }
        }
        series
    }
}
