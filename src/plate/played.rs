//! Decoded frames in the order a map asks for, forward and backward, in bounded memory.

use super::loop_map::FrameMap;
use crate::error::Faults;
use crate::media::{Frames, Media, Picture};
use crate::time::FrameRange;
use std::collections::BTreeMap;

/// Most frames decoded ahead of a backward run.
const BLOCK_FRAMES: usize = 32;

/// Most bytes of frames that are held: 32 frames of 10-bit 4:2:2 HD, 8 of UHD. Only memory and
/// time hang on it.
const HELD_BYTES: usize = 256 << 20;

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
    /// One decoder for all: each has frames under way, and the memory for them.
    frames: Option<Frames>,
    /// The frame it gives next, if it was last read forward.
    next: Option<i64>,
}

impl<'a> Played<'a> {
    /// Begins; every frame asked for is one of the map's (file clock).
    pub(crate) fn new(media: &'a Media, map: &FrameMap) -> Played<'a> {
        let span = map.span();
        let revisits = map.len() > span.count().0;
        let held = BTreeMap::new();
        Played { media, span, revisits, held, most: None, frames: None, next: None }
    }

    /// Returns the picture of a file frame; `backward` tells which way the run goes.
    pub(crate) fn picture(&mut self, frame: i64, backward: bool) -> Result<&Picture, Faults> {
        if !self.held.contains_key(&frame) {
            if backward { self.block_to(frame)? } else { self.read_on(frame)? }
        }
        self.held.get(&frame).ok_or_else(|| self.lost(frame))
    }

    /// Tells whether every frame is asked for once only.
    pub(crate) fn is_once(&self) -> bool {
        !self.revisits
    }

    /// As [`Played::picture`], for a frame that is not asked for again.
    pub(crate) fn own_picture(&mut self, frame: i64, backward: bool) -> Result<Picture, Faults> {
        self.picture(frame, backward)?;
        self.held.remove(&frame).ok_or_else(|| self.lost(frame))
    }

    /// Decodes the block that ends with a frame.
    fn block_to(&mut self, frame: i64) -> Result<(), Faults> {
        self.next = None;
        let info = self.media.info();
        // Until one was seen, six bytes a pixel: three planes of 16 bits, the most of what is
        // common.
        let bytes = (info.width as usize).saturating_mul(info.height as usize).max(1) * 6;
        let most = self.most.unwrap_or((HELD_BYTES / bytes).max(4));
        let length = i64::try_from(most.min(BLOCK_FRAMES)).unwrap_or(1);
        let first = (frame - length + 1).max(self.span.start.0);
        let mut frames = self.frames_of(FrameRange::new(first, frame + 1))?;
        self.make_room(true);
        while let Some(read) = frames.next_frame() {
            let (at, picture) = read?;
            self.hold(at.0, picture);
            if at.0 < frame {
                self.make_room(true);
            }
        }
        self.frames = Some(frames);
        Ok(())
    }

    /// Takes the decoder, gone to the head of a range of the span.
    fn frames_of(&mut self, range: FrameRange) -> Result<Frames, Faults> {
        match self.frames.take() {
            Some(mut frames) => frames.go_to(range).map(|()| frames),
            None => self.media.frames(range),
        }
    }

    /// Decodes on to a frame, or from it.
    fn read_on(&mut self, frame: i64) -> Result<(), Faults> {
        let near = self.next.map(|next| next..=next.saturating_add(READ_THROUGH));
        let goes_on = near.is_some_and(|near| near.contains(&frame));
        let mut frames = match self.frames.take() {
            Some(frames) if goes_on => frames,
            other => {
                self.frames = other;
                self.frames_of(FrameRange::new(frame, self.span.end.0))?
            }
        };
        self.make_room(false);
        while let Some(read) = frames.next_frame() {
            let (at, picture) = read?;
            if at.0 == frame {
                self.hold(frame, picture);
                self.next = Some(frame + 1);
                self.frames = Some(frames);
                return Ok(());
            }
        }
        Ok(())
    }

    /// Makes room for one picture before it is decoded. The ones go that a loop comes back to
    /// last: behind a forward run the first, behind a backward run the last.
    fn make_room(&mut self, backward: bool) {
        let Some(most) = self.most else { return };
        let most = if self.revisits || backward { most } else { 1 };
        while self.held.len() >= most {
            let gone = if backward { self.held.pop_last() } else { self.held.pop_first() };
            if gone.is_none() {
                break;
            }
        }
    }

    fn hold(&mut self, frame: i64, picture: Picture) {
        let fit = (HELD_BYTES / bytes_of(&picture).max(1)).max(4);
        self.most.get_or_insert(fit);
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
