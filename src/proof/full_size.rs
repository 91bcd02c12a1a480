//! Whether full-size media show what a proxy showed, and where.

use crate::error::Faults;
use crate::measure::overlay::{TextLimits, find};
use crate::measure::picture_map::{Fitted, picture_map};
use crate::measure::{Plane, View};
use crate::media::{FrameReader, Media, Picture, Wanted};
use crate::time::{Frame, FrameRange};

/// Most frames that are averaged. Ours: a third of the grain of one is left.
const AVERAGED: usize = 8;

/// Largest side of the planes that overlays are looked for on.
const OVERLAY_SIDE: usize = 960;

/// Measures where the picture of a proxy lies in full-size media. Each pair is one frame of
/// the proxy and the frame of the media that should show the same, both file frames; at most
/// eight of them, spread over all, are looked at.
///
/// `None` if the two do not show the same.
///
/// # Errors
///
/// Frames that cannot be decoded.
pub fn full_size_map(
    proxy: &Media,
    media: &Media,
    pairs: &[(Frame, Frame)],
) -> Result<Option<Fitted>, Faults> {
    let count = pairs.len().min(AVERAGED);
    let chosen: Vec<(Frame, Frame)> =
        (0..count).map(|at| pairs[at * pairs.len() / count]).collect();
    let small = mean_of(proxy, chosen.iter().map(|pair| pair.0).collect(), true)?;
    let large = mean_of(media, chosen.iter().map(|pair| pair.1).collect(), false)?;
    let (Some(small), Some(large)) = (small, large) else { return Ok(None) };
    let overlays = find(&small.reduced, &TextLimits::default());
    let left_out = overlays.excluded(small.mean.width, small.mean.height);
    Ok(picture_map(&small.mean, Some(&left_out), &large.mean))
}

/// The mean of some frames, and each of them in small.
struct Mean {
    mean: Plane,
    reduced: Vec<Plane>,
}

fn mean_of(media: &Media, frames: Vec<Frame>, reduced: bool) -> Result<Option<Mean>, Faults> {
    let mut ranges: Vec<FrameRange> =
        frames.iter().map(|frame| FrameRange::new(frame.0, frame.0.saturating_add(1))).collect();
    ranges.sort();
    ranges.dedup();
    let info = media.info();
    let size = (info.width as usize, info.height as usize);
    let whole = FrameRange::new(0, i64::try_from(info.frames).unwrap_or(i64::MAX));
    let mut sum = Sum { whole, size, sum: Vec::new(), count: 0, codes: Vec::new(), reduced: None };
    sum.reduced = reduced.then(Vec::new);
    media.read(&ranges, &mut [&mut sum])?;
    if sum.count == 0 {
        return Ok(None);
    }
    let share = 1.0 / sum.count as f32;
    let data = sum.sum.iter().map(|value| value * share).collect();
    let mean = Plane { width: size.0, height: size.1, data };
    Ok(Some(Mean { mean, reduced: sum.reduced.unwrap_or_default() }))
}

/// Adds luma up, in codes of eight bits.
struct Sum {
    whole: FrameRange,
    size: (usize, usize),
    sum: Vec<f32>,
    count: usize,
    codes: Vec<u16>,
    reduced: Option<Vec<Plane>>,
}

impl FrameReader for Sum {
    fn range(&self) -> FrameRange {
        self.whole
    }

    fn wants(&self, _frame: Frame) -> Wanted {
        Wanted::Luma
    }

    fn see(&mut self, _frame: Frame, picture: &Picture) -> Result<(), Faults> {
        let same = (picture.width() as usize, picture.height() as usize) == self.size;
        if !same || !picture.luma_u16(&mut self.codes) {
            return Ok(());
        }
        let to_eight = 255.0 / ((1_u32 << picture.luma_depth()) - 1) as f32;
        self.sum.resize(self.codes.len(), 0.0);
        let codes = self.codes.iter().map(|code| f32::from(*code) * to_eight);
        self.sum.iter_mut().zip(codes).for_each(|(sum, code)| *sum += code);
        self.count += 1;
        let by = self.size.0.max(self.size.1).div_ceil(OVERLAY_SIDE);
        let view = View::new(self.size.0, self.size.1, &self.codes);
        if let (Some(reduced), Some(view)) = (&mut self.reduced, view) {
            let mut plane = view.reduced(by);
            plane.data.iter_mut().for_each(|code| *code *= to_eight);
            reduced.push(plane);
        }
        Ok(())
    }
}
