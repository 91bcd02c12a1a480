//! What was laid over the picture after the camera: mattes, burnt-in text, repeated frames.
//!
//! Proxies and assist recordings carry it. A matte or a burn-in is no set, so nothing may be
//! measured on it; a repeated frame tells nothing the frame before did not.
//!
//! Each is told by what a camera cannot do. A matte is one level, without grain, up to one
//! straight line across the whole picture. Burnt-in letters are one level, at or near the
//! brightest of the picture, with hard edges; in every frame each of their pixels is either
//! that level or not, and does not waver. They stand in lines, near the edge of the frame.

mod matte;
mod repeats;
mod text;

use super::{Excluded, Mask, Plane, View};
use serde::Serialize;
use std::ops::Range;

pub use text::TextLimits;

/// A rectangle of pixels of the planes that were seen, ends exclusive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Area {
    /// Left edge.
    pub left: usize,
    /// Upper edge.
    pub top: usize,
    /// Right edge, exclusive.
    pub right: usize,
    /// Lower edge, exclusive.
    pub bottom: usize,
}

impl Area {
    /// Returns the columns.
    pub fn columns(&self) -> Range<usize> {
        self.left..self.right
    }

    /// Returns the rows.
    pub fn rows(&self) -> Range<usize> {
        self.top..self.bottom
    }
}

/// What lies over the picture.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Overlays {
    /// Width and height of the planes that were seen.
    pub size: (usize, usize),
    /// The picture inside its matte; `None` if there is no matte.
    pub letterbox: Option<Area>,
    /// Lines of burnt-in text, each with a margin of one pixel.
    pub burn_ins: Vec<Area>,
    /// Numbers of frames that are equal to the one before, the first seen being 0. Empty if
    /// the picture is so still that it cannot be told.
    pub repeated: Vec<usize>,
}

impl Overlays {
    /// Returns the pixels of a plane `width` wide, of the same picture, that are laid over.
    pub fn mask(&self, width: usize, height: usize) -> Mask {
        let mut mask = Mask::new(width, height);
        self.each(width, height, &mut |columns, rows| {
            for y in rows {
                columns.clone().for_each(|x| mask.set(x, y));
            }
        });
        mask
    }

    /// Returns the same as parts that a measure leaves out.
    pub fn excluded(&self, width: usize, height: usize) -> Excluded {
        let mut out = Excluded::nothing(width, height);
        self.each(width, height, &mut |columns, rows| out.rectangle(columns, rows));
        out
    }

    fn each(&self, width: usize, height: usize, lay: &mut dyn FnMut(Range<usize>, Range<usize>)) {
        let scale = |at: usize, from: usize, to: usize| at as f64 * to as f64 / from.max(1) as f64;
        let span = |part: Range<usize>, from: usize, to: usize| {
            let start = scale(part.start, from, to).floor() as usize;
            start..(scale(part.end, from, to).ceil() as usize).min(to)
        };
        let (columns, rows) = self.size;
        for area in &self.burn_ins {
            lay(span(area.columns(), columns, width), span(area.rows(), rows, height));
        }
        if let Some(area) = self.letterbox {
            for part in [0..area.left, area.right..columns] {
                lay(span(part, columns, width), 0..height);
            }
            for part in [0..area.top, area.bottom..rows] {
                lay(0..width, span(part, rows, height));
            }
        }
    }
}

/// Gathers what tells overlays from pictures, frame by frame: a few values a pixel, whatever
/// the length, and one number a frame.
#[derive(Debug, Clone, Default)]
pub struct OverlayFinder {
    width: usize,
    height: usize,
    frames: usize,
    first: Vec<f32>,
    low: Vec<f32>,
    high: Vec<f32>,
    /// Letters: in how many frames a pixel was one, and how often it wavered.
    text: text::Counts,
    repeats: repeats::Steps,
    last: Vec<f32>,
}

impl OverlayFinder {
    /// Begins with no frame.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a frame in codes of eight bits; false, and nothing added, if it is not of the
    /// size of the first, or too small to tell anything.
    pub fn see(&mut self, frame: View<'_, f32>) -> bool {
        let size = (frame.width(), frame.height());
        if self.frames == 0 {
            if size.0 < 32 || size.1 < 32 {
                return false;
            }
            (self.width, self.height) = size;
            self.first = frame.data().to_vec();
            self.low = frame.data().to_vec();
            self.high = frame.data().to_vec();
        }
        if size != (self.width, self.height) {
            return false;
        }
        for ((low, high), value) in self.low.iter_mut().zip(&mut self.high).zip(frame.data()) {
            *low = low.min(*value);
            *high = high.max(*value);
        }
        self.text.see(&frame, (self.frames > 0).then_some(&self.last[..]));
        if self.frames > 0 {
            self.repeats.see(&frame, &self.last);
        }
        self.last.clear();
        self.last.extend_from_slice(frame.data());
        self.frames += 1;
        true
    }

    /// Returns what was found.
    pub fn finish(&self, limits: &TextLimits) -> Overlays {
        if self.frames == 0 {
            return Overlays::default();
        }
        let plane =
            |data: &[f32]| Plane { width: self.width, height: self.height, data: data.to_vec() };
        let letterbox = matte::find(&plane(&self.low), &plane(&self.high));
        Overlays {
            size: (self.width, self.height),
            letterbox,
            burn_ins: self.text.lines(self.frames, (self.width, self.height), letterbox, limits),
            repeated: self.repeats.repeated(),
        }
    }
}

/// Finds the overlays of a run of frames in codes of eight bits.
pub fn find<'a>(frames: impl IntoIterator<Item = &'a Plane>, limits: &TextLimits) -> Overlays {
    let mut finder = OverlayFinder::new();
    for view in frames.into_iter().filter_map(Plane::view) {
        finder.see(view);
    }
    finder.finish(limits)
}
