//! Frames that were decoded once already, kept in a file without a name as far as it may
//! grow: reading one back takes a fifth of the time of decoding it.

use crate::measure::Spool;
use crate::measure::light::blocks::Samples;
use crate::media::Picture;
use crate::time::{Frame, FrameRange};
use std::collections::BTreeMap;

/// Most bytes of the file. Ours: 130 frames of UHD or 520 of HD.
const ROOM: u64 = 2 << 30;

/// Bytes of a code.
const CODE: usize = 2;

/// Luma of decoded frames, of some with their colour.
#[derive(Debug, Default)]
pub struct Kept {
    spool: Option<Spool>,
    frames: BTreeMap<Frame, Record>,
    used: u64,
    full: bool,
    bytes: Vec<u8>,
}

#[derive(Debug, Clone, Copy)]
struct Record {
    number: usize,
    depth: u32,
    /// Width and height of luma, and of each colour if they are kept.
    luma: (usize, usize),
    colour: Option<(usize, usize)>,
    /// Colour was asked for.
    asked: bool,
}

impl Kept {
    /// Keeps no frame: all are decoded again.
    pub fn nothing() -> Kept {
        Kept { full: true, ..Kept::default() }
    }

    /// Tells whether a frame would be kept, were all from the first on.
    pub(super) fn reaches(frame: Frame, (width, height): (usize, usize)) -> bool {
        let bytes = (width * height * CODE) as u64;
        u64::try_from(frame.0).is_ok_and(|frame| frame.saturating_mul(bytes) < ROOM)
    }

    /// Returns the parts of a run that are kept and those that are not, in order.
    pub(super) fn parts(&self, run: FrameRange) -> Vec<(bool, FrameRange)> {
        let mut parts: Vec<(bool, FrameRange)> = Vec::new();
        for frame in run.start.0..run.end.0 {
            let kept = self.frames.contains_key(&Frame(frame));
            match parts.last_mut() {
                Some((last, part)) if *last == kept => part.end = Frame(frame + 1),
                _ => parts.push((kept, FrameRange::new(frame, frame + 1))),
            }
        }
        parts
    }

    /// Keeps a frame: its luma as it was read, and its colour if asked for. Once there is no
    /// room, no more are kept; they are decoded again.
    pub(super) fn keep(
        &mut self,
        frame: Frame,
        luma: &[u16],
        picture: &Picture,
        with_colour: bool,
    ) {
        if self.full || self.frames.contains_key(&frame) {
            return;
        }
        self.bytes.clear();
        append(&mut self.bytes, luma);
        let colour = if with_colour { append_colour(&mut self.bytes, picture) } else { None };
        let after = self.used + self.bytes.len() as u64;
        if after > ROOM {
            self.full = true;
            return;
        }
        if self.spool.is_none() {
            self.spool = Spool::new().ok();
        }
        let Some(Ok(number)) = self.spool.as_mut().map(|spool| spool.add(&self.bytes)) else {
            self.full = true;
            return;
        };
        self.used = after;
        let luma = (picture.width() as usize, picture.height() as usize);
        self.frames.insert(
            frame,
            Record { number, depth: picture.luma_depth(), luma, colour, asked: with_colour },
        );
    }

    /// Reads the luma of a frame, and all planes into `colours` if they were kept; `None` if
    /// the frame was not. Returns the bits of its codes, and where colour was asked for
    /// whether there is any.
    ///
    /// # Errors
    ///
    /// As the system says.
    pub(super) fn read(
        &mut self,
        frame: Frame,
        luma: &mut Vec<u16>,
        colours: &mut [Samples; 3],
    ) -> std::io::Result<Option<(u32, Option<bool>)>> {
        let (Some(record), Some(spool)) = (self.frames.get(&frame), &mut self.spool) else {
            return Ok(None);
        };
        if !spool.read(record.number, &mut self.bytes)? {
            return Ok(None);
        }
        let count = |(width, height): (usize, usize)| width * height * CODE;
        let (first, rest) = self.bytes.split_at(count(record.luma).min(self.bytes.len()));
        copy(first, luma);
        let Some(size) = record.colour else {
            return Ok(Some((record.depth, record.asked.then_some(false))));
        };
        let (blue, red) = rest.split_at(count(size).min(rest.len()));
        for (plane, (bytes, size)) in
            colours.iter_mut().zip([(first, record.luma), (blue, size), (red, size)])
        {
            copy(bytes, &mut plane.codes);
            (plane.width, plane.height) = size;
        }
        Ok(Some((record.depth, Some(true))))
    }
}

fn append(bytes: &mut Vec<u8>, codes: &[u16]) {
    let from = bytes.len();
    bytes.resize(from + codes.len() * CODE, 0);
    for (bytes, code) in bytes[from..].chunks_exact_mut(CODE).zip(codes) {
        bytes.copy_from_slice(&code.to_le_bytes());
    }
}

/// Appends both colours; `None`, and nothing appended, where there are none of one size.
fn append_colour(bytes: &mut Vec<u8>, picture: &Picture) -> Option<(usize, usize)> {
    let (mut blue, mut red) = (Vec::new(), Vec::new());
    let size = picture.component_u16(1, &mut blue)?;
    if picture.component_u16(2, &mut red)? != size {
        return None;
    }
    append(bytes, &blue);
    append(bytes, &red);
    Some(size)
}

fn copy(bytes: &[u8], codes: &mut Vec<u16>) {
    codes.clear();
    codes.extend(bytes.chunks_exact(CODE).map(|code| u16::from_le_bytes([code[0], code[1]])));
}
