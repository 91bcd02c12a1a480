//! Tiles of some frames, kept to measure grain on.

use super::{GrainModel, MOST_FRAMES, grained};
use crate::error::Faults;
use crate::media::{FrameReader, Picture};
use crate::time::{Frame, FrameRange};

/// Side of a tile in samples of its component.
pub(super) const TILE: usize = 16;

/// Most tiles across and down: their samples stay below 80 MB.
const MOST: (usize, usize) = (40, 24);

/// One component's tiles.
#[derive(Debug, Default)]
pub(super) struct Tiled {
    /// The samples of each frame: tile after tile, row by row.
    pub frames: Vec<Vec<f32>>,
    /// Mean of the component that tells the level, in the first frame, of each tile.
    pub levels: Vec<f32>,
    /// Bits of subsampling.
    pub shift: (u32, u32),
    /// Whether the codes are whole numbers.
    pub rounded: bool,
    /// The brightest code.
    pub peak: f32,
}

/// Reads evenly spread tiles of a run of frames, to measure their grain.
///
/// The tiles need not be at rest: those in which something moves are found and left out.
#[derive(Debug)]
pub struct Tiles {
    frames: FrameRange,
    rgb: bool,
    components: Vec<Tiled>,
}

impl Tiles {
    /// Begins with no frame seen; of `frames` (file clock) the first two dozen are wanted.
    pub fn over(frames: FrameRange) -> Tiles {
        let most = frames.start.0.saturating_add_unsigned(MOST_FRAMES);
        let frames = FrameRange::new(frames.start.0, frames.end.0.min(most));
        Tiles { frames, rgb: false, components: Vec::new() }
    }

    /// Returns the frames that are wanted.
    pub fn frames(&self) -> FrameRange {
        self.frames
    }

    /// Adds a frame; false, with nothing added, where its samples cannot be reached, it is
    /// smaller than a tile, or of another kind than those before.
    pub fn add(&mut self, picture: &Picture) -> bool {
        let count = grained(picture);
        let first = self.components.is_empty();
        if count == 0 || !(first || count == self.components.len()) {
            return false;
        }
        let (mut read, mut levels) = (Vec::new(), Vec::new());
        for component in 0..count {
            let Some(places) = places(picture, component) else { return false };
            let Some(samples) = samples(picture, component, &places) else { return false };
            let kept = self.components.get(component).and_then(|kept| kept.frames.first());
            if kept.is_some_and(|kept| kept.len() != samples.len()) {
                return false;
            }
            if first {
                levels.push(levels_of(picture, component, &places, &samples));
            }
            read.push(samples);
        }
        if first {
            self.rgb = picture.is_rgb();
            self.components = (levels.into_iter().zip(0..))
                .map(|(levels, component)| Tiled {
                    frames: Vec::new(),
                    levels,
                    shift: picture.component_size(component).2,
                    rounded: !picture.is_float(),
                    peak: picture.component_peak(component),
                })
                .collect();
        }
        for (kept, samples) in self.components.iter_mut().zip(read) {
            kept.frames.push(samples);
        }
        true
    }

    /// Returns the grain of the frames seen; what it makes is seeded by `seed`, the content
    /// id of the take. `None` for fewer than two frames or a picture nowhere at rest.
    pub fn model(&self, seed: &str) -> Option<GrainModel> {
        super::fit::model(&self.components, self.rgb, seed)
    }
}

impl FrameReader for Tiles {
    fn range(&self) -> FrameRange {
        self.frames
    }

    fn see(&mut self, _: Frame, picture: &Picture) -> Result<(), Faults> {
        self.add(picture);
        Ok(())
    }
}

/// The upper left corners of the tiles of a component, evenly spread.
fn places(picture: &Picture, component: usize) -> Option<Vec<(usize, usize)>> {
    let (width, height, _) = picture.component_size(component);
    let (across, down, _) = picture.component_size(0);
    let counts = ((across / TILE).min(MOST.0), (down / TILE).min(MOST.1));
    let (free_x, free_y) = (width.checked_sub(TILE)?, height.checked_sub(TILE)?);
    let at = |number: usize, count: usize, free: usize| number * free / (count - 1).max(1);
    let rows = (0..counts.1).flat_map(|y| (0..counts.0).map(move |x| (x, y)));
    Some(rows.map(|(x, y)| (at(x, counts.0, free_x), at(y, counts.1, free_y))).collect())
}

fn samples(picture: &Picture, component: usize, places: &[(usize, usize)]) -> Option<Vec<f32>> {
    let mut all = Vec::with_capacity(places.len() * TILE * TILE);
    let mut row = Vec::with_capacity(TILE);
    for (x, y) in places {
        for y in *y..y + TILE {
            if !picture.samples(component, y, *x..x + TILE, &mut row) {
                return None;
            }
            all.extend_from_slice(&row);
        }
    }
    Some(all)
}

/// The level of each tile: its own mean, or the mean luma where a tile of chroma lies.
fn levels_of(
    picture: &Picture,
    component: usize,
    places: &[(usize, usize)],
    samples: &[f32],
) -> Vec<f32> {
    if component == 0 || picture.is_rgb() {
        return samples.chunks_exact(TILE * TILE).map(mean).collect();
    }
    let (_, _, (across, down)) = picture.component_size(component);
    let (width, height, _) = picture.component_size(0);
    let (mut row, mut all) = (Vec::new(), Vec::new());
    let level = |(x, y): &(usize, usize)| {
        let columns = x << across..((x + TILE) << across).min(width);
        all.clear();
        for y in y << down..((y + TILE) << down).min(height) {
            picture.samples(0, y, columns.clone(), &mut row);
            all.extend_from_slice(&row);
        }
        mean(&all)
    };
    places.iter().map(level).collect()
}

pub(super) fn mean(values: &[f32]) -> f32 {
    let sum: f64 = values.iter().map(|value| f64::from(*value)).sum();
    (sum / values.len().max(1) as f64) as f32
}
