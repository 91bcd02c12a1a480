//! The patch region of a use: between boom and actors over the patched frames.

use super::Question;
use super::drawn::{Drawn, drawn};
use super::outline::one_outline;
use crate::error::Faults;
use crate::findings::DividerSummary;
use crate::measure::divider::{Crossing, Division, Entered, crossings};
use crate::measure::ruler::Ruler;
use crate::measure::schedule::Gauge;
use crate::measure::{Mask, Motion, Plane};
use crate::settings::Settings;
use crate::time::{Frame, FrameRange};

/// The patch region, and who comes near it.
#[derive(Debug, Clone)]
pub struct PatchRegion {
    /// The divider.
    pub division: Division,
    /// The region faults are looked for along: that of the divider, or where there is none,
    /// that of the boom alone.
    along: Division,
    /// Patched frames in which an actor comes into the patch or its feather, file frames.
    pub crossings: Vec<Crossing>,
    /// Handle frames in which some of the boom lies outside the region, file frames.
    pub boom_left: Vec<FrameRange>,
    /// Whether the boom was seen in what the cut shows, and not in the handles alone.
    pub boom_in_used: bool,
    /// Frames of the plate in which nothing but background is in the patch, file frames.
    pub plate: Vec<FrameRange>,
    /// Of the masks.
    size: (usize, usize),
    scale: usize,
    mid: usize,
    work: usize,
}

/// Lays the divider for one plate over the patched frames, file frames; `None` if no boom was
/// seen in them. What the patched frames outside `used` rule out is not ruled out: the divider
/// is then laid over `used` alone.
///
/// # Errors
///
/// Masks that cannot be read back.
pub fn patch_region(
    gauge: &Gauge,
    patched: &[FrameRange],
    used: FrameRange,
    settings: &Settings,
) -> Result<Option<PatchRegion>, Faults> {
    let Some(drawn) = drawn(gauge, patched, used, &settings.divider)? else { return Ok(None) };
    let Drawn { division, boom_left, boom_in_used } = drawn;
    let mut failed = None;
    let frames = patched.iter().flat_map(|run| run.start.0..run.end.0);
    let kept = frames.filter_map(|frame| match gauge.masks_of(Frame(frame)) {
        Ok(masks) => masks.map(|masks| (frame, masks.actors)),
        Err(why) => {
            failed = Some(why);
            None
        }
    });
    let crossings =
        crossings(&division, settings.divider.feather_px, &[used.start, used.end], kept);
    if let Some(why) = failed {
        return Err(why);
    }
    let along = match division.region.is_empty() {
        true => division.without_actors().unwrap_or_else(|| division.clone()),
        false => division.clone(),
    };
    let mut region = PatchRegion {
        division,
        along,
        crossings,
        boom_left,
        boom_in_used,
        plate: Vec::new(),
        size: gauge.masks.size(),
        scale: gauge.mask_scale,
        mid: gauge.scales.mid,
        work: gauge.scales.work,
    };
    region.plate = region.at_rest(gauge)?;
    Ok(Some(region))
}

impl PatchRegion {
    /// The plate frames without anybody in the patch.
    fn at_rest(&self, gauge: &Gauge) -> Result<Vec<FrameRange>, Faults> {
        let patch = self.mask(self.scale, self.size);
        let mut runs: Vec<FrameRange> = Vec::new();
        for frame in gauge.plate.start.0..gauge.plate.end.0 {
            let Some(masks) = gauge.masks_of(Frame(frame))? else { continue };
            if masks.actors.meets(&patch) || masks.boom.meets(&patch) {
                continue;
            }
            match runs.last_mut() {
                Some(run) if run.end.0 == frame => run.end.0 += 1,
                _ => runs.push(FrameRange::new(frame, frame + 1)),
            }
        }
        Ok(runs)
    }

    /// Returns the part of the region in which something moves in the plate itself.
    pub(super) fn restless_part(&self, gauge: &Gauge) -> f64 {
        let Some(mut moving) = gauge.restless.clone() else { return 0.0 };
        let patch = self.mask(self.mid, (moving.width(), moving.height()));
        moving.keep(&patch);
        moving.count() as f64 / patch.count().max(1) as f64
    }

    /// Returns the region as pixels of a plane reduced by `scale`.
    pub(super) fn mask(&self, scale: usize, (width, height): (usize, usize)) -> Mask {
        self.along.region.scaled(1.0 / scale as f64).mask(width, height)
    }

    /// Returns the region and what lies within a feather of it, at the size of the masks.
    pub(super) fn near_mask(&self) -> Mask {
        let around = (self.along.feather_px() / self.scale as f64).ceil() as usize;
        self.mask(self.scale, self.size).grown(around)
    }

    /// Tells whether the patch or its feather meets a tile of a grid over the frame.
    pub fn meets_tile(
        &self,
        (column, row): (usize, usize),
        (columns, rows): (usize, usize),
        (width, height): (u32, u32),
    ) -> bool {
        let part = |n: usize, count: usize, size: u32| {
            let end = |n: usize| n * size as usize / count.max(1) / self.scale.max(1);
            end(n)..end(n + 1).max(end(n) + 1)
        };
        let (x, y) = (part(column, columns, width), part(row, rows, height));
        self.near_mask().meets_rectangle(x, y)
    }

    /// Returns the region as pixels of the working plane.
    pub(super) fn work_mask(&self) -> Mask {
        let by = self.scale / self.work;
        self.mask(self.work, (self.size.0 * by, self.size.1 * by))
    }

    /// Returns the ruler along this divider.
    pub(super) fn ruler(&self, gauge: &Gauge, question: &Question<'_>) -> Option<Ruler> {
        // Of a single frame no grain is known: nothing hides behind it but the floor.
        let none = || Plane { data: vec![0.0; gauge.mean.data.len()], ..gauge.mean.clone() };
        let variance = gauge.variance.clone().unwrap_or_else(none);
        Ruler::new(
            &gauge.mean,
            &variance,
            None,
            &self.along,
            1.0 / question.per_delivered,
            &question.settings.visibility,
        )
    }

    /// Returns the largest displacement of a corner of the region, in source pixels.
    pub(super) fn largest_shift_px(&self, motion: &Motion) -> f64 {
        let half = (self.size.0 * self.scale / 2, self.size.1 * self.scale / 2);
        let corners = self.along.region.outlines.iter().flatten();
        let far = corners.map(|[x, y]| {
            let (dx, dy) = motion.at(x - half.0 as f64, y - half.1 as f64);
            dx.hypot(dy)
        });
        far.fold(motion.shift_px() * f64::from(u8::from(self.is_empty())), f64::max)
    }

    /// Returns the divider as it is told.
    pub fn summary(&self) -> DividerSummary {
        let outlines = self.division.region.outlines.clone();
        let largest = outlines.iter().max_by(|a, b| area(a).total_cmp(&area(b)));
        DividerSummary {
            polygon: largest.cloned().unwrap_or_default(),
            clearance_px: self.division.clearance_px,
            outlines,
        }
    }

    /// Returns the outline of boom and shadow over all patched frames, in source pixels.
    pub fn boom_outline(&self) -> Vec<[f64; 2]> {
        let outline = one_outline(self.division.boom());
        outline.iter().map(|corner| corner.map(|value| value * self.scale as f64)).collect()
    }

    /// Returns the frames in which an actor is in the patch itself, file frames.
    pub fn inside_frames(&self) -> Vec<FrameRange> {
        let inside = |crossing: &&Crossing| crossing.entered == Entered::Inside;
        self.crossings.iter().filter(inside).map(|crossing| crossing.frames).collect()
    }

    fn is_empty(&self) -> bool {
        self.along.region.outlines.is_empty()
    }

    /// Returns the middle of the region, each coordinate from -.5 to .5 of the frame.
    pub(super) fn middle(&self) -> (f64, f64) {
        let corners: Vec<&[f64; 2]> = self.along.region.outlines.iter().flatten().collect();
        let count = corners.len().max(1) as f64;
        let mean = |axis: usize| corners.iter().map(|corner| corner[axis]).sum::<f64>() / count;
        let size = [self.size.0 * self.scale, self.size.1 * self.scale];
        let part = |axis: usize| mean(axis) / size[axis].max(1) as f64 - 0.5;
        if corners.is_empty() { (0.0, 0.0) } else { (part(0), part(1)) }
    }

    /// Says where a rectangle of a plane reduced by `scale` lies: `upper left`.
    pub(super) fn place_in_words(
        &self,
        (x0, y0, x1, y1): (usize, usize, usize, usize),
        scale: usize,
    ) -> &'static str {
        let size = (self.size.0 * self.scale, self.size.1 * self.scale);
        let x = ((x0 + x1) * scale) as f64 / (2 * size.0.max(1)) as f64;
        let y = ((y0 + y1) * scale) as f64 / (2 * size.1.max(1)) as f64;
        in_words(x, y)
    }

    /// Says where the region lies: `upper left`.
    pub fn in_words(&self) -> &'static str {
        let (x, y) = self.middle();
        in_words(x + 0.5, y + 0.5)
    }
}

fn area(outline: &[[f64; 2]]) -> f64 {
    let next = outline.iter().cycle().skip(1);
    outline.iter().zip(next).map(|(a, b)| a[0] * b[1] - b[0] * a[1]).sum::<f64>().abs()
}

/// Says in which ninth of the frame a point lies; coordinates from 0 to 1.
fn in_words(x: f64, y: f64) -> &'static str {
    let third = |part: f64| if part < 1.0 / 3.0 { 0 } else { usize::from(part > 2.0 / 3.0) + 1 };
    const WORDS: [[&str; 3]; 3] = [
        ["upper left", "upper middle", "upper right"],
        ["left", "middle", "right"],
        ["lower left", "lower middle", "lower right"],
    ];
    WORDS[third(y)][third(x)]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_said_in_ninths() {
        assert_eq!(in_words(0.1, 0.1), "upper left");
        assert_eq!(in_words(0.5, 0.5), "middle");
        assert_eq!(in_words(0.9, 0.5), "right");
        assert_eq!(in_words(0.4, 1.0), "lower middle");
    }
}
