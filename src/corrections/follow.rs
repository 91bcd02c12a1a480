//! A plate that moves with the camera: where it has to lie, and the picture there.
//!
//! A noisy frame that is interpolated loses grain. So a plate frame is moved by whole samples
//! only, and what parts of a sample change is taken from the mean of the plate, which has
//! next to no grain:
//!
//! ```text
//!   frame moved by whole samples + (mean where the take has it - mean where the moved frame has it)
//! ```

use super::blocks::components;
use super::fit::median;
use super::setting::Setting;
use super::spline::Spline;
use crate::error::Faults;
use crate::grain::Seed;
use crate::measure::Motion;
use crate::measure::lockoff::FrameMotion;
use crate::media::{FrameReader, Picture};
use crate::time::{Frame, FrameRange};
use std::collections::BTreeMap;

/// Farthest a plate is moved, in source pixels: past it the edge of the frame and rolling
/// shutter show. Ours, measured on real weave.
const MOST_MOVED_PX: f64 = 3.0;

/// Frames whose motion may be taken from those beside them. Ours: a camera's weave lasts
/// longer than a frame or two.
const MOST_BRIDGED: u64 = 2;

/// How many times more of the ring may be left over in the take than in the plate. Ours,
/// measured: past it something else than the camera moves, or it moves as no plate can.
const MOST_LEFT: f64 = 1.5;

/// Frames in a row whose middle is what a run of them leaves over.
const TOGETHER: usize = 9;

/// Where plate and take lie in every frame.
#[derive(Debug, Clone)]
pub(super) struct Motions {
    told: BTreeMap<i64, Motion>,
}

impl Motions {
    /// Gathers the motions of all frames; inside what is refused: frames, and why.
    pub(super) fn of(
        setting: &Setting,
        shown: impl Iterator<Item = (i64, i64)>,
        size: (f64, f64),
    ) -> Result<Motions, (FrameRange, String)> {
        let motions = Motions { told: calmed(setting.told_motions()) };
        let gap = setting.shown.iter().flat_map(|run| run.without(&motions.runs()));
        if let Some(gap) = gap.into_iter().find(|gap| gap.count().0 > MOST_BRIDGED) {
            let why = format!(
                "The plate cannot follow the camera: its movement is not told in {} frames",
                gap.count().0
            );
            return Err((gap, why));
        }
        for (plate, take) in shown.filter(|(_, take)| setting.is_shown(Frame(*take))) {
            let px = setting.largest_px(&motions.between(take, plate), size);
            if px > MOST_MOVED_PX {
                let why = format!(
                    "The plate cannot follow the camera: it would have to move by {px:.1} px, and {MOST_MOVED_PX:.0} px are the most"
                );
                return Err((FrameRange::new(take, take + 1), why));
            }
        }
        Ok(motions)
    }

    fn runs(&self) -> Vec<FrameRange> {
        self.told.keys().map(|frame| FrameRange::new(*frame, frame + 1)).collect()
    }

    /// Returns where a frame lies against the mean: as told, or between its neighbours.
    pub(super) fn at(&self, frame: i64) -> Motion {
        let before = self.told.range(..=frame).next_back();
        let after = self.told.range(frame..).next();
        match (before, after) {
            (Some((first, before)), Some((last, after))) if last > first => {
                mixed(before, after, (frame - first) as f64 / (last - first) as f64)
            }
            (one, other) => one.or(other).map_or(Motion::default(), |(_, motion)| *motion),
        }
    }

    /// Returns by how much one frame is displaced against another.
    pub(super) fn between(&self, frame: i64, other: i64) -> Motion {
        let (one, two) = (self.at(frame), self.at(other));
        Motion {
            shift_x: one.shift_x - two.shift_x,
            shift_y: one.shift_y - two.shift_y,
            rotation: one.rotation - two.rotation,
            scale: one.scale - two.scale,
        }
    }
}

/// Takes out of rotation and scale what is error alone: far from the middle it would move the
/// patch. How far they truly vary over the take is what they vary by beyond their errors
/// (Efron and Morris 1973).
fn calmed(told: Vec<FrameMotion>) -> BTreeMap<i64, Motion> {
    let shrunk = |of: fn(&Motion) -> f64| {
        let count = told.len().max(1) as f64;
        let mean = told.iter().map(|one| of(&one.motion)).sum::<f64>() / count;
        let spread = told.iter().map(|one| (of(&one.motion) - mean).powi(2)).sum::<f64>() / count;
        let noise = told.iter().map(|one| of(&one.error).powi(2)).sum::<f64>() / count;
        let true_spread = (spread - noise).max(0.0);
        move |one: &FrameMotion| {
            let part = true_spread / (true_spread + of(&one.error).powi(2)).max(f64::MIN_POSITIVE);
            mean + part * (of(&one.motion) - mean)
        }
    };
    let (rotation, scale) = (shrunk(|motion| motion.rotation), shrunk(|motion| motion.scale));
    told.iter()
        .map(|one| {
            let motion = Motion { rotation: rotation(one), scale: scale(one), ..one.motion };
            (one.frame.0, motion)
        })
        .collect()
}

/// Returns the frames, and how many times more, in which the ring under the boom leaves too
/// much over the plate: `left` is what each frame leaves.
pub(super) fn left_over(
    left: &BTreeMap<i64, f64>,
    plate: FrameRange,
    patched: &[FrameRange],
) -> Option<(FrameRange, f64)> {
    let of = |run: FrameRange| left.range(run.start.0..run.end.0);
    let mut usual: Vec<f64> = of(plate).map(|(_, left)| *left).collect();
    let usual = median(&mut usual).max(f64::MIN_POSITIVE);
    patched.iter().find_map(|run| {
        let frames: Vec<(i64, f64)> = of(*run).map(|(frame, left)| (*frame, *left)).collect();
        frames.windows(TOGETHER.min(frames.len()).max(1)).find_map(|some| {
            let mut values: Vec<f64> = some.iter().map(|(_, left)| *left).collect();
            let times = median(&mut values) / usual;
            let range = FrameRange::new(some.first()?.0, some.last()?.0 + 1);
            (times > MOST_LEFT).then_some((range, times))
        })
    })
}

fn mixed(one: &Motion, two: &Motion, part: f64) -> Motion {
    let mix = |one: f64, two: f64| one + part * (two - one);
    Motion {
        shift_x: mix(one.shift_x, two.shift_x),
        shift_y: mix(one.shift_y, two.shift_y),
        rotation: mix(one.rotation, two.rotation),
        scale: mix(one.scale, two.scale),
    }
}

/// How samples of a component lie in the picture: pixels for each of them, and the size of
/// the picture. Colour at half size counts as sited in the middle of its pixels: for a shift
/// it makes no difference, for a rotation of a thousandth half a thousandth of a pixel.
#[derive(Debug, Clone, Copy)]
struct Grid {
    by: (f64, f64),
    size: (f64, f64),
}

impl Grid {
    fn of(picture: &Picture, component: usize) -> Grid {
        let (_, _, shift) = picture.component_size(component);
        let by = |shift: u32| f64::from(1_u32 << shift);
        Grid {
            by: (by(shift.0), by(shift.1)),
            size: (f64::from(picture.width()), f64::from(picture.height())),
        }
    }

    /// Returns by how many samples a motion displaces a sample.
    fn moved(&self, motion: &Motion, x: f64, y: f64) -> (f64, f64) {
        let from_middle = |at: f64, by: f64, size: f64| (at + 0.5) * by - size / 2.0;
        let (dx, dy) = motion
            .at(from_middle(x, self.by.0, self.size.0), from_middle(y, self.by.1, self.size.1));
        (dx / self.by.0, dy / self.by.1)
    }
}

/// Makes the mean of the plate, every frame laid back to where the mean lies.
pub(super) struct Averaging<'a> {
    pub motions: &'a Motions,
    pub range: FrameRange,
    pub sums: Vec<(usize, usize, Vec<f32>)>,
    pub frames: u32,
}

impl FrameReader for Averaging<'_> {
    fn range(&self) -> FrameRange {
        self.range
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        let motion = self.motions.at(frame.0);
        for component in 0..components(picture) {
            let Some((width, height, data)) = plane(picture, component) else { return Ok(()) };
            if self.sums.len() <= component {
                self.sums.push((width, height, vec![0.0; width * height]));
            }
            let grid = Grid::of(picture, component);
            let spline = Spline::of(width, height, data);
            for (at, sum) in self.sums[component].2.iter_mut().enumerate() {
                let (x, y) = ((at % width) as f64, (at / width) as f64);
                let (dx, dy) = grid.moved(&motion, x, y);
                *sum += spline.at(x + dx, y + dy);
            }
        }
        self.frames += 1;
        Ok(())
    }
}

impl Averaging<'_> {
    /// Ends the averaging.
    pub(super) fn means(self) -> Vec<Spline> {
        let share = 1.0 / self.frames.max(1) as f32;
        let mean = |(width, height, mut data): (usize, usize, Vec<f32>)| {
            data.iter_mut().for_each(|sum| *sum *= share);
            Spline::of(width, height, data)
        };
        self.sums.into_iter().map(mean).collect()
    }
}

fn plane(picture: &Picture, component: usize) -> Option<(usize, usize, Vec<f32>)> {
    let (width, height, _) = picture.component_size(component);
    let (mut data, mut row) = (Vec::with_capacity(width * height), Vec::new());
    for y in 0..height {
        if !picture.samples(component, y, 0..width, &mut row) {
            return None;
        }
        data.extend_from_slice(&row);
    }
    Some((width, height, data))
}

/// Returns a plate frame as it would lie in the take; `own` and `wanted` are where the two lie
/// against the mean, `gain` is the light of the plate frame against the mean's at a pixel,
/// `frame` is the take's.
///
/// What changes is often less than half a code, and the frame it is added to has whole ones:
/// rounded off, the frame would stay where it was. So codes are rounded up as often as they are
/// nearer to the next.
pub(super) fn moved(
    (picture, frame): (&Picture, i64),
    means: &[Spline],
    (own, wanted): (&Motion, &Motion),
    gain: &dyn Fn(usize, f64, f64) -> f64,
) -> Option<Picture> {
    let mut edited = picture.retouched()?;
    let seed = (!picture.is_float()).then(|| Seed::of("follow-motion"));
    for (component, mean) in means.iter().enumerate().take(components(picture)) {
        let (width, height, data) = plane(picture, component)?;
        let grid = Grid::of(picture, component);
        let (right, down) = (
            ((own.shift_x - wanted.shift_x) / grid.by.0).round() as i64,
            ((own.shift_y - wanted.shift_y) / grid.by.1).round() as i64,
        );
        let held = |at: usize, by: i64, size: usize| {
            (at as i64).saturating_add(by).clamp(0, size as i64 - 1) as usize
        };
        let mut row = Vec::with_capacity(width);
        for y in 0..height {
            row.clear();
            let from_y = held(y, down, height);
            row.extend((0..width).map(|x| {
                let from_x = held(x, right, width);
                let under = |x: usize, y: usize, motion: &Motion| {
                    let (x, y) = (x as f64, y as f64);
                    let (dx, dy) = grid.moved(motion, x, y);
                    mean.at(x - dx, y - dy)
                };
                let change = under(x, y, wanted) - under(from_x, from_y, own);
                let light =
                    gain(component, (x as f64 + 0.5) * grid.by.0, (y as f64 + 0.5) * grid.by.1);
                let even = seed.map_or(0.0, |seed| {
                    seed.even(frame as u64, component as u64, x as i64, y as i64)
                });
                data[from_y * width + from_x] + light as f32 * change + even
            }));
            if !edited.put(component, y, 0, &row) {
                return None;
            }
        }
    }
    Some(edited.into_picture())
}
