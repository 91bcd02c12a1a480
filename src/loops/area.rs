//! The part of a picture that is watched and rendered: the patch with its feather.

use crate::grain::Place;
use crate::measure::Mask;
use crate::measure::divider::Division;
use crate::media::Picture;

/// Room round the patch, in source pixels: movement comes from beyond its edge. Ours.
const ROOM: f64 = 16.0;

/// The patch of a take and the rectangle round it, in source pixels.
#[derive(Debug, Clone, PartialEq)]
pub struct Area {
    division: Option<Division>,
    /// Left, top, right, bottom; even.
    bounds: [usize; 4],
    size: (usize, usize),
}

impl Area {
    /// Makes the area of a patch in pictures of a size; all of the picture without a patch.
    pub fn of(division: Option<&Division>, width: u32, height: u32) -> Area {
        let size = (width as usize, height as usize);
        let division = division.filter(|division| !division.region.is_empty()).cloned();
        let bounds = match &division {
            None => [0, 0, size.0, size.1],
            Some(division) => bounds(division, size),
        };
        Area { division, bounds, size }
    }

    /// Returns left, top, right and bottom of the rectangle, in source pixels.
    pub fn bounds(&self) -> [usize; 4] {
        self.bounds
    }

    /// Returns the rectangle in the samples of a component of a picture.
    pub fn place(&self, picture: &Picture, component: usize) -> Place {
        let (width, height, (across, down)) = picture.component_size(component);
        let [left, top, right, bottom] = self.bounds;
        let (left, top) = (left >> across, top >> down);
        let right = right.div_ceil(1 << across).min(width);
        let bottom = bottom.div_ceil(1 << down).min(height);
        let (wide, high) = (right.saturating_sub(left), bottom.saturating_sub(top));
        Place { left, top, width: wide, height: high }
    }

    /// Returns the patch grown by half its feather as pixels of a plane reduced by `by`.
    pub(super) fn mask(&self, by: usize) -> Mask {
        let (width, height) = (self.size.0 / by, self.size.1 / by);
        match &self.division {
            None => Mask::from_fn(width, height, |_, _| true),
            Some(division) => {
                let region = division.region_on(self.size.0 as f64, self.size.1 as f64);
                let grown = (division.feather_px() / 2.0 / by as f64).ceil() as usize;
                region.scaled(1.0 / by as f64).mask(width, height).grown(grown)
            }
        }
    }
}

fn bounds(division: &Division, (width, height): (usize, usize)) -> [usize; 4] {
    let room = division.feather_px() + ROOM;
    let region = division.region_on(width as f64, height as f64);
    let points = || region.outlines.iter().flatten();
    let ends = |axis: usize, size: usize| {
        let values = || points().map(|point| point[axis]);
        let low = (values().fold(f64::INFINITY, f64::min) - room).max(0.0) as usize;
        let high = (values().fold(0.0, f64::max) + room).ceil().max(0.0) as usize;
        // Even, so that the samples of halved components end with it.
        (low & !1, (high.div_ceil(2) * 2).min(size))
    };
    let ((left, right), (top, bottom)) = (ends(0, width), ends(1, height));
    [left, top, right, bottom]
}
