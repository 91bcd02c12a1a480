//! Eased turns: the course of the plate is smoothed, and what lies between its frames is
//! rendered.

use super::area::Area;
use super::interpolated::{Between, Rendered};
use crate::error::Faults;
use crate::grain::{Check, GrainModel, Place};
use crate::media::{Media, Picture};
use crate::plate::{FrameMap, MapFault, Retouch};
use crate::settings::Turns;
use crate::time::FrameRange;
use std::cell::RefCell;

/// Frames over which the course may be smoothed, by weights that add up to 1: the shortest that
/// does not show. Ours: on painted leaves 37 frames did for most turns that 25 did not do for.
pub const WINDOWS: [usize; 5] = [13, 19, 25, 31, 37];

/// Positions nearer than this to a whole frame of a straight course are that frame.
const WHOLE: f64 = 1e-9;

/// Where in the source each plate frame lies once its turns are eased.
///
/// The map goes from frame to frame; its weighted mean over a window of plate frames is
/// the course. Where the map runs straight the mean is the frame itself, so only the frames
/// about a turn lie between frames. Before its first frame the map is carried on straight,
/// after its last one as the loop would go on.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    positions: Vec<Option<f64>>,
}

impl Course {
    /// Smooths the course of `map`, which [`FrameMap::looped`] made of its own span.
    ///
    /// # Errors
    ///
    /// [`MapFault::TooLong`].
    pub fn of(map: &FrameMap, window: usize) -> Result<Course, MapFault> {
        let reach = window / 2;
        let longer = FrameMap::looped(map.span(), map.len() + reach as u64, Turns::Twice)?;
        let frames: Vec<i64> = longer.frames().collect();
        let first = frames.first().copied().unwrap_or(0);
        let frame = |k: usize, off: i64| -> i64 {
            let at = k as i64 + off;
            match usize::try_from(at) {
                Ok(at) => frames.get(at).copied().unwrap_or(first),
                // Straight on before the first.
                Err(_) => first + at,
            }
        };
        let length = frames.len() - reach;
        let position = |k: usize| {
            let here = frame(k, 0);
            let reach = reach as i64;
            let off = (-reach..=reach)
                .map(|off| weight(off, window) * (frame(k, off) - here) as f64)
                .sum::<f64>();
            (off.abs() > WHOLE).then_some(here as f64 + off)
        };
        Ok(Course { positions: (0..length).map(position).collect() })
    }

    /// Returns where plate frame `k` lies between the frames of the source; `None` where it
    /// is a frame of the map.
    pub fn between_frames(&self, k: u64) -> Option<f64> {
        *self.positions.get(usize::try_from(k).ok()?)?
    }

    /// Returns the runs of plate frames `[a, b)` that lie between frames.
    pub fn eases(&self) -> Vec<[i64; 2]> {
        let mut runs: Vec<[i64; 2]> = Vec::new();
        for (k, _) in (0..).zip(&self.positions).filter(|(_, position)| position.is_some()) {
            match runs.last_mut() {
                Some(run) if run[1] == k => run[1] += 1,
                _ => runs.push([k, k + 1]),
            }
        }
        runs
    }

    /// Returns the frames from so many before a turn to the turn: how far before the turning
    /// frame each lies, and of the second difference about it, how much is the picture's own
    /// bend and how much its slope.
    ///
    /// With steps `a` to the frame before and `b` to that after, a parabola through the
    /// picture differs by `(a * a + b * b) / 2` of its bend and `b - a` of its slope.
    pub(super) fn about_turn(window: usize, before: usize) -> Vec<[f64; 3]> {
        let reach = (window / 2) as i64;
        // Frame 0 is the turning frame shown the first time, frame 1 the second time.
        let straight = |k: i64| if k > 0 { k - 1 } else { -k } as f64;
        let place = |k: i64| -> f64 {
            (-reach..=reach).map(|off| weight(off, window) * straight(k + off)).sum()
        };
        let about = |k: i64| {
            let [before, here, after] = [place(k - 1), place(k), place(k + 1)];
            let [one, two] = [here - before, after - here];
            [here, 0.5 * (one * one + two * two), two - one]
        };
        // What follows the second showing mirrors what leads to the first.
        (-(before as i64)..=0).map(about).collect()
    }
}

/// The weight of a frame so far off the middle of a window: flat over its middle half, with a
/// quarter on either side falling off as a cosine (Tukey 1967; Harris 1978, from memory).
///
/// Where the map turns, the course slows down and gathers speed by twice the weight a frame: a
/// flat window spreads that more evenly than one with a peak.
fn weight(off: i64, window: usize) -> f64 {
    let part = off.unsigned_abs() as f64 / window.div_ceil(2) as f64;
    let shape = match part {
        ..0.5 => 1.0,
        ..1.0 => 0.5 - 0.5 * (std::f64::consts::TAU * part).cos(),
        _ => 0.0,
    };
    // The cosines of the flanks add up to nothing over their frames.
    shape * 4.0 / (3.0 * (window + 1) as f64)
}

/// Renders the eased frames of a plate.
#[derive(Debug)]
pub struct Eased<'a> {
    course: Course,
    between: RefCell<Between<'a>>,
    grain: Option<GrainModel>,
}

impl<'a> Eased<'a> {
    /// Prepares to render the turns of `map`, eased over a window, in an area, with new grain if the take's is
    /// known.
    ///
    /// # Errors
    ///
    /// As [`Course::of`].
    pub fn new(
        media: &'a Media,
        map: &FrameMap,
        window: usize,
        area: Area,
        grain: Option<GrainModel>,
    ) -> Result<Eased<'a>, MapFault> {
        let span: FrameRange = map.span();
        let course = Course::of(map, window)?;
        Ok(Eased { course, between: RefCell::new(Between::new(media, span, area)), grain })
    }
}

impl Eased<'_> {
    /// Returns how its new grain compares with the take's; `None` without any.
    ///
    /// # Errors
    ///
    /// Frames that cannot be decoded.
    pub fn check(&mut self) -> Result<Option<Check>, Faults> {
        let first = self.course.positions.iter().flatten().next();
        let (Some(position), Some(grain)) = (first, &self.grain) else { return Ok(None) };
        let between = self.between.get_mut();
        let made = between.at(*position, Some(grain))?;
        let Some(plane) = made.planes.first() else { return Ok(None) };
        let [left, top, ..] = between.area().bounds();
        let place = Place { left, top, width: plane.width, height: plane.height };
        let left = made.left.first().map_or(&[][..], Vec::as_slice);
        Ok(grain.check(place, &plane.data, left))
    }
}

impl Retouch for Eased<'_> {
    fn why(&self) -> String {
        "its turns are eased".into()
    }

    fn retouch(&self, k: u64, picture: &Picture) -> Result<Option<Picture>, Faults> {
        let Some(position) = self.course.between_frames(k) else { return Ok(None) };
        let mut between = self.between.borrow_mut();
        let planes = between.at(position, self.grain.as_ref())?;
        Rendered { made: &planes, area: between.area(), grain: self.grain.as_ref() }
            .over(picture, k)
            .map_or_else(|| Err(between.fault(position)), |picture| Ok(Some(picture)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_course_is_whole_frames_but_about_its_turns() {
        let map = FrameMap::looped(FrameRange::new(10, 50), 100, Turns::Twice).unwrap();
        let course = Course::of(&map, 13).unwrap();
        let at = |k: u64| course.between_frames(k).unwrap_or(map.frame_at(k).unwrap() as f64);
        assert_eq!(course.eases(), [[34, 46], [74, 86]]);
        assert_eq!((at(0), at(33), at(46), at(99)), (10.0, 43.0, 43.0, 29.0));
        // Frame 39 is the turning frame shown the first time.
        for (k, [place, own, slope]) in (33..=39).zip(Course::about_turn(13, 6)) {
            let steps = [at(k) - at(k - 1), at(k + 1) - at(k)];
            assert!((49.0 - at(k) - place).abs() < 1e-9, "{k}");
            assert!((steps[0] - steps[1] - slope).abs() < 1e-9 && slope < 0.28, "{k}");
            assert!((0.5 * (steps[0].powi(2) + steps[1].powi(2)) - own).abs() < 1e-9, "{k}");
        }
        // A turn is the same forward and backward.
        assert!((0..12).all(|off| (at(34 + off) - at(45 - off)).abs() < 1e-9));
    }
}
