//! Real clips through lock-off and stillness.

use platesmith::measure::lockoff::LockOff;
use platesmith::measure::sharpness::{Sharpness, SharpnessLimits};
use platesmith::measure::stillness::{Activity, Stillness, StillnessLimits, StillnessMap};
use platesmith::measure::{Mask, Motion, Plane, PlateSum, View};
use platesmith::time::FrameRange;
use std::path::Path;

/// A clip seen whole against a plate of it.
pub struct Seen {
    pub map: StillnessMap,
    pub sharpness: Sharpness,
    pub size: (usize, usize),
    pub frames: i64,
}

/// Reads luma of eight-bit codes; `each` gets number, codes as they are and the work plane.
fn each_frame(
    path: &Path,
    range: Option<FrameRange>,
    mut each: impl FnMut(platesmith::time::Frame, View<'_, u16>, &Plane),
) -> Result<i64, Box<dyn std::error::Error>> {
    let media = platesmith::media::open(path)?;
    let count = media.info().frames as i64;
    let mut frames = media.frames(range.unwrap_or(FrameRange::new(0, count)))?;
    let mut luma = Vec::new();
    while let Some(next) = frames.next_frame() {
        let (frame, picture) = next?;
        if !picture.luma_u16(&mut luma) {
            return Err("no luma".into());
        }
        let size = (picture.width() as usize, picture.height() as usize);
        let view = View::new(size.0, size.1, &luma).ok_or("size")?;
        let mut work = view.reduced(1);
        let peak = ((1_u32 << picture.luma_depth()) - 1) as f32;
        work.data.iter_mut().for_each(|code| *code *= 255.0 / peak);
        each(frame, view, &work);
    }
    Ok(count)
}

/// Measures a clip against frames of it. Motion and light are those of the lock-off.
pub fn see(
    path: &Path,
    plate: FrameRange,
    hidden: Option<&Mask>,
) -> Result<Seen, Box<dyn std::error::Error>> {
    let (mut sum, mut work_sum) = (PlateSum::new(), PlateSum::new());
    each_frame(path, Some(plate), |_, view, work| {
        sum.add(view);
        work_sum.add(work.view().expect("a plane"));
    })?;
    let mut lock = LockOff::new(&sum, None, 255.0).map_err(|why| format!("{why:?}"))?;
    each_frame(path, None, |frame, view, _| {
        lock.see(frame, view, plate.holds(frame));
    })?;
    let series = lock.series();
    let mut still = Stillness::new(&work_sum, None, StillnessLimits::default()).ok_or("plate")?;
    let patterns = still.patterns().clone();
    let mut sharpness = Sharpness::against(patterns.clone(), SharpnessLimits::default());
    let frames = each_frame(path, None, |frame, _, work| {
        let at = &series[frame.0 as usize];
        let motion = if at.told { at.motion } else { Motion::default() };
        let light = if at.told { (at.gain, at.offset) } else { (1.0, 0.0) };
        let sums = patterns.project(work).expect("one size");
        still.see_sums(frame, &sums, light, motion, hidden).expect("room");
        sharpness.see_sums(frame, &sums, light, motion, hidden).expect("room");
    })?;
    Ok(Seen { map: still.finish()?, sharpness, size: patterns.size(), frames })
}

impl Seen {
    /// What moves in a rectangle over all frames.
    pub fn activity(&mut self, area: (usize, usize, usize, usize)) -> Activity {
        let (left, top, right, bottom) = area;
        let (width, height) = self.size;
        let region = Mask::from_fn(width, height, |x, y| {
            (left..right).contains(&x) && (top..bottom).contains(&y)
        });
        self.map.within(&region, &[FrameRange::new(0, self.frames)]).expect("notes")
    }
}

impl Seen {
    /// How sharp a rectangle is in every frame.
    pub fn focus(
        &mut self,
        area: (usize, usize, usize, usize),
    ) -> Vec<platesmith::measure::sharpness::Focus> {
        let (left, top, right, bottom) = area;
        let (width, height) = self.size;
        let region = Mask::from_fn(width, height, |x, y| {
            (left..right).contains(&x) && (top..bottom).contains(&y)
        });
        self.sharpness.within(&region, &[FrameRange::new(0, self.frames)]).expect("notes")
    }
}
