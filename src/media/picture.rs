//! One decoded picture in its own samples.

use super::ffi::{self, Layout};
use super::info::ColourTags;
use ffmpeg_next as ff;

/// One decoded picture: planes of samples as the codec gave them, never converted.
pub struct Picture {
    frame: ff::frame::Video,
    layout: Layout,
    format: String,
}

impl std::fmt::Debug for Picture {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Picture {}x{} {}", self.width(), self.height(), self.format)
    }
}

impl Picture {
    /// Wraps a decoded frame; `None` if its samples are not in memory or it has no size.
    pub(super) fn new(frame: ff::frame::Video) -> Option<Picture> {
        let layout = ffi::layout(&frame)?;
        let (format, _) = ffi::frame_tags(&frame);
        let picture = Picture { frame, layout, format: format? };
        (picture.width() > 0 && picture.height() > 0).then_some(picture)
    }

    /// Leaves luma alone: the decoder was told not to fill the other planes.
    pub(super) fn luma_alone(mut self) -> Picture {
        self.layout.components.truncate(1);
        self.layout.planes = self.layout.planes.min(1);
        self
    }

    /// Returns the width in pixels.
    pub fn width(&self) -> u32 {
        self.frame.width()
    }

    /// Returns the height in pixels.
    pub fn height(&self) -> u32 {
        self.frame.height()
    }

    /// Returns the name of the pixel format as FFmpeg names it: `yuv422p10le`.
    pub fn format(&self) -> &str {
        &self.format
    }

    /// Returns the bits of the first component of a pixel.
    pub fn bit_depth(&self) -> u32 {
        self.layout.components.first().map_or(0, |component| component.depth)
    }

    /// Tells whether the samples are red, green and blue.
    pub fn is_rgb(&self) -> bool {
        self.layout.rgb
    }

    /// Tells whether the samples are floating point.
    pub fn is_float(&self) -> bool {
        self.layout.float
    }

    /// Returns the number of planes.
    pub fn planes(&self) -> usize {
        self.layout.planes
    }

    /// Returns the number of rows of a plane.
    pub fn plane_height(&self, plane: usize) -> usize {
        let height = self.height() as usize;
        let shift = if plane == 1 || plane == 2 { self.layout.chroma_shift.1 } else { 0 };
        height.div_ceil(1 << shift)
    }

    /// Returns the samples of one row of a plane as bytes, without padding; `None` past the
    /// last row or plane. Samples past 8 bits take two bytes, in the order of the format.
    pub fn row(&self, plane: usize, y: usize) -> Option<&[u8]> {
        if plane >= self.planes() {
            return None;
        }
        let bytes = ffi::row_bytes(&self.frame, plane);
        ffi::row(&self.frame, plane, y, self.plane_height(plane), bytes)
    }

    /// As [`Picture::row`], to be written to.
    pub(super) fn row_mut(&mut self, plane: usize, y: usize) -> Option<&mut [u8]> {
        if plane >= self.planes() {
            return None;
        }
        let (rows, bytes) = (self.plane_height(plane), ffi::row_bytes(&self.frame, plane));
        ffi::row_mut(&mut self.frame, plane, y, rows, bytes)
    }

    /// Returns the colour tags of this picture.
    pub fn colour(&self) -> ColourTags {
        super::container::colour(&ffi::frame_tags(&self.frame).1)
    }

    /// Returns the pixel aspect; `(1, 1)` if square or untagged.
    pub fn aspect(&self) -> (u32, u32) {
        let aspect = self.frame.aspect_ratio();
        super::container::aspect((aspect.0, aspect.1))
    }

    /// Tells whether the picture was coded as two fields.
    pub fn is_interlaced(&self) -> bool {
        self.frame.is_interlaced()
    }

    /// Returns the decoder's frame, for an encoder.
    pub(crate) fn frame(&self) -> &ff::frame::Video {
        &self.frame
    }

    /// Returns the time stamp in the source's time base.
    pub(super) fn timestamp(&self) -> Option<i64> {
        self.frame.pts()
    }

    pub(super) fn layout(&self) -> &Layout {
        &self.layout
    }
}
