//! What single tiles can show where the frame as a whole cannot tell.

use super::align::Shown;
use super::template::Template;
use std::ops::Range;

/// What one tile showed over the frames whose motion could not be told.
///
/// A bare wall cannot show how far the camera moved, but it can show that no movement changes
/// what is seen there by more than so much.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct TileBound {
    /// Columns of the tile, in pixels of the frames measured.
    pub x: Range<usize>,
    /// Rows of the tile.
    pub y: Range<usize>,
    /// Displacement beyond which the tile is shown not to have moved, in pixels at three
    /// standard errors, along the way it can tell best. Large on a bare wall.
    pub shift_px: f64,
    /// Most that any displacement changed the smoothed picture there, rms, in codes at three
    /// standard errors: shift times slope.
    pub error_codes: f64,
    /// Frames that were looked at.
    pub frames: u32,
    /// Frames in which something else covered the tile; they bound nothing.
    pub covered: u32,
}

/// The bounds of all tiles so far.
#[derive(Debug, Clone, Default)]
pub(super) struct Bounds {
    tiles: Vec<Bound>,
}

#[derive(Debug, Clone, Copy, Default)]
struct Bound {
    shift_px: f64,
    error: f64,
    frames: u32,
    covered: u32,
}

impl Bounds {
    /// Takes in what the tiles of one frame show.
    pub fn add(&mut self, shown: &[Option<Shown>]) {
        self.tiles.resize(shown.len(), Bound::default());
        for (bound, shown) in self.tiles.iter_mut().zip(shown) {
            bound.frames += 1;
            match shown {
                Some(shown) => {
                    bound.shift_px = bound.shift_px.max(shown.shift_px);
                    bound.error = bound.error.max(shown.error);
                }
                None => bound.covered += 1,
            }
        }
    }

    /// Returns what each tile showed; tiles that were covered throughout are left out.
    pub fn list(&self, template: &Template) -> Vec<TileBound> {
        let tiles = template.tiles.iter().zip(&self.tiles);
        tiles
            .filter(|(_, bound)| bound.covered < bound.frames)
            .map(|(tile, bound)| {
                let (x, y) = template.rectangle(tile);
                TileBound {
                    x,
                    y,
                    shift_px: bound.shift_px,
                    error_codes: bound.error,
                    frames: bound.frames,
                    covered: bound.covered,
                }
            })
            .collect()
    }
}
