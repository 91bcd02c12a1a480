//! Decoded frames in the order a map asks for, forward and backward, in bounded memory.

use crate::error::Faults;
use crate::media::{Frames, Media, Picture};
use crate::time::FrameRange;
use std::collections::BTreeMap;

/// Most frames decoded ahead of a backward run.
const BLOCK_FRAMES: i64 = 32;

/// About most bytes of them: 32 frames of 4:2:2 HD, 9 of UHD. Only memory hangs on it.
const BLOCK_BYTES: i64 = 288 << 20;

/// A gap in a forward run that is decoded through rather than sought across.
const READ_THROUGH: i64 = 16;

/// Reads the frames of a map one after the other.
pub(crate) struct Played<'a> {
    media: &'a Media,
    span: FrameRange,
    /// Frames of a block that a backward run will ask for, from the last to the first.
    block: BTreeMap<i64, Picture>,
    forward: Option<Frames>,
    /// The frame that `forward` gives next.
    next: i64,
    current: Option<(i64, Picture)>,
}

impl<'a> Played<'a> {
    /// Begins; every frame asked for lies in `span` (file clock).
    pub(crate) fn new(media: &'a Media, span: FrameRange) -> Played<'a> {
        Played { media, span, block: BTreeMap::new(), forward: None, next: 0, current: None }
    }

    /// Returns the picture of a file frame; `backward` tells which way the run goes.
    pub(crate) fn picture(&mut self, frame: i64, backward: bool) -> Result<&Picture, Faults> {
        let here = match self.current.take() {
            Some((at, picture)) if at == frame => picture,
            _ => match self.block.remove(&frame) {
                Some(picture) => picture,
                None if backward => self.block_to(frame)?,
                None => self.read_on(frame)?,
            },
        };
        Ok(&self.current.insert((frame, here)).1)
    }

    /// Decodes the block that ends with a frame.
    fn block_to(&mut self, frame: i64) -> Result<Picture, Faults> {
        self.forward = None;
        self.block.clear();
        let info = self.media.info();
        // Six bytes a pixel: three planes of 16 bits, the most of what is common.
        let bytes = i64::from(info.width).saturating_mul(i64::from(info.height)).max(1) * 6;
        let length = (BLOCK_BYTES / bytes).clamp(4, BLOCK_FRAMES);
        let first = (frame - length + 1).max(self.span.start.0);
        let mut frames = self.media.frames(FrameRange::new(first, frame + 1))?;
        while let Some(read) = frames.next_frame() {
            let (at, picture) = read?;
            self.block.insert(at.0, picture);
        }
        self.block.remove(&frame).ok_or_else(|| self.lost(frame))
    }

    /// Decodes on to a frame, or from it.
    fn read_on(&mut self, frame: i64) -> Result<Picture, Faults> {
        self.block.clear();
        let near = self.next..=self.next.saturating_add(READ_THROUGH);
        let mut frames = match self.forward.take() {
            Some(frames) if near.contains(&frame) => frames,
            _ => self.media.frames(FrameRange::new(frame, self.span.end.0))?,
        };
        while let Some(read) = frames.next_frame() {
            let (at, picture) = read?;
            if at.0 == frame {
                self.next = frame + 1;
                self.forward = Some(frames);
                return Ok(picture);
            }
        }
        Err(self.lost(frame))
    }

    fn lost(&self, frame: i64) -> Faults {
        Faults::one(
            &self.media.info().name,
            format!("frame {frame}"),
            "it does not come out of the decoder",
            "copy the media again from the camera master",
        )
    }
}
