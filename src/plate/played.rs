//! Decoded frames in the order a map asks for, forward and backward, in bounded memory.

use super::loop_map::FrameMap;
use crate::error::Faults;
use crate::media::{Frames, Media, Picture};
use crate::time::FrameRange;
use std::collections::BTreeMap;

/// Most frames decoded ahead of a backward run.
const BLOCK_FRAMES: usize = 32;

/// Most bytes of frames that are held: 36 frames of 10-bit 4:2:2 HD, 9 of UHD. Only memory and
/// time hang on it.
const HELD_BYTES: usize = 288 << 20;

/// A gap in a forward run that is decoded through rather than sought across.
const READ_THROUGH: i64 = 16;

/// Reads the frames of a map one after the other.
///
/// A loop comes back to its frames: those it turned round at, or all of a short plate, are
/// held and not decoded again.
pub(crate) struct Played<'a> {
    media: &'a Media,
    span: FrameRange,
    /// Whether a frame is asked for more than once.
    revisits: bool,
    held: BTreeMap<i64, Picture>,
    /// How many fit, by the size of the first that was read.
    most: Option<usize>,
    forward: Option<Frames>,
    /// The frame that `forward` gives next.
    next: i64,
}

impl<'a> Played<'a> {
    /// Begins; every frame asked for is one of the map's (file clock).
    pub(crate) fn new(media: &'a Media, map: &FrameMap) -> Played<'a> {
        let span = map.span();
        let revisits = map.len() > span.count().0;
        Played { media, span, revisits, held: BTreeMap::new(), most: None, forward: None, next: 0 }
    }

    /// Returns the picture of a file frame; `backward` tells which way the run goes.
    pub(crate) fn picture(&mut self, frame: i64, backward: bool) -> Result<&Picture, Faults> {
        if !self.held.contains_key(&frame) {
            if backward { self.block_to(frame)? } else { self.read_on(frame)? }
        }
        self.held.get(&frame).ok_or_else(|| self.lost(frame))
    }

    /// Decodes the block that ends with a frame.
    fn block_to(&mut self, frame: i64) -> Result<(), Faults> {
        self.forward = None;
        let info = self.media.info();
        // Until one was seen, six bytes a pixel: three planes of 16 bits, the most of what is
        // common.
        let bytes = (info.width as usize).saturating_mul(info.height as usize).max(1) * 6;
        let most = self.most.unwrap_or((HELD_BYTES / bytes).max(4));
        let length = i64::try_from(most.min(BLOCK_FRAMES)).unwrap_or(1);
        let first = (frame - length + 1).max(self.span.start.0);
        let mut frames = self.media.frames(FrameRange::new(first, frame + 1))?;
        while let Some(read) = frames.next_frame() {
            let (at, picture) = read?;
            self.hold(at.0, picture, true);
        }
        Ok(())
    }

    /// Decodes on to a frame, or from it.
    fn read_on(&mut self, frame: i64) -> Result<(), Faults> {
        let near = self.next..=self.next.saturating_add(READ_THROUGH);
        let mut frames = match self.forward.take() {
            Some(frames) if near.contains(&frame) => frames,
            _ => self.media.frames(FrameRange::new(frame, self.span.end.0))?,
        };
        while let Some(read) = frames.next_frame() {
            let (at, picture) = read?;
            if at.0 == frame {
                self.hold(frame, picture, false);
                self.next = frame + 1;
                self.forward = Some(frames);
                return Ok(());
            }
        }
        Ok(())
    }

    /// Holds a picture. Of those that no longer fit, the ones go that a loop comes back to
    /// last: behind a forward run the first, behind a backward run the last.
    fn hold(&mut self, frame: i64, picture: Picture, backward: bool) {
        let fit = (HELD_BYTES / bytes_of(&picture).max(1)).max(4);
        let most = *self.most.get_or_insert(fit);
        let most = if self.revisits || backward { most } else { 1 };
        while self.held.len() >= most {
            let gone = if backward { self.held.pop_last() } else { self.held.pop_first() };
            if gone.is_none() {
                break;
            }
        }
        self.held.insert(frame, picture);
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

/// Bytes of a picture's samples.
fn bytes_of(picture: &Picture) -> usize {
    let row = |plane| picture.row(plane, 0).map_or(0, <[u8]>::len);
    (0..picture.planes()).map(|plane| row(plane) * picture.plane_height(plane)).sum()
}
