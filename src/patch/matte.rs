//! The static matte of a patch: where the plate shows, in source pixels.

use crate::measure::divider::{Division, Point, alpha};

/// Code of white, where the plate shows in full.
const WHITE: f32 = 65_535.0;

/// A matte of the full frame in source pixels: linear, one channel, white where the plate
/// shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Matte {
    width: usize,
    height: usize,
    codes: Vec<u16>,
    /// Outlines of the region in source pixels; one inside another is a hole.
    pub polygons: Vec<Vec<Point>>,
    /// Widest feather across the divider, in source pixels.
    pub feather_px: f64,
    /// Least distance from boom or shadow to anything that moves, in source pixels.
    pub clearance_px: Option<f64>,
}

impl Matte {
    /// Draws the matte of a divider over a frame of this size; `None` if there is no region.
    ///
    /// The feather is the one the divider was laid for.
    pub fn of(division: &Division, width: usize, height: usize) -> Option<Matte> {
        if division.region.is_empty() {
            return None;
        }
        let drawn = alpha(division, width, height, division.feather_px());
        let codes = drawn.data.iter().map(|share| (share * WHITE).round() as u16).collect();
        Some(Matte {
            width,
            height,
            codes,
            polygons: division.region_on(width as f64, height as f64).outlines,
            feather_px: division.feather_px(),
            clearance_px: division.clearance_px,
        })
    }

    /// Makes a matte of codes that were drawn elsewhere, row by row, 65535 for white; `None`
    /// if there are not `width` times `height` of them.
    pub fn from_codes(width: usize, height: usize, codes: Vec<u16>) -> Option<Matte> {
        let whole = width.checked_mul(height) == Some(codes.len());
        whole.then_some(Matte {
            width,
            height,
            codes,
            polygons: Vec::new(),
            feather_px: 0.0,
            clearance_px: None,
        })
    }

    /// Returns width and height in pixels.
    pub fn size(&self) -> (usize, usize) {
        (self.width, self.height)
    }

    /// Returns the codes row by row, 65535 for white.
    pub fn codes(&self) -> &[u16] {
        &self.codes
    }

    /// Returns how much of the plate shows at a pixel, 0 to 1; past an edge as on it.
    pub fn share(&self, x: usize, y: usize) -> f32 {
        let (x, y) = (x.min(self.width.saturating_sub(1)), y.min(self.height.saturating_sub(1)));
        self.codes.get(y * self.width + x).map_or(0.0, |code| f32::from(*code) / WHITE)
    }
}
