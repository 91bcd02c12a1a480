//! Frames that were decoded once already, kept in memory or in a file without a name as far as
//! they may grow: reading one back takes a fifth of the time of decoding it.

use crate::measure::light::blocks::Samples;
use crate::measure::spool::{Spool, free_memory};
use crate::media::{Picture, Wanted};
use crate::time::{Frame, FrameRange};
use std::collections::BTreeMap;
use std::sync::OnceLock;

/// Bytes that are kept on any machine. Ours: 130 frames of UHD or 520 of HD with more than eight
/// bits, twice as many with eight.
const ROOM: u64 = 2 << 30;

/// Most bytes that are kept where memory is plenty.
const MOST_ROOM: u64 = 8 << 30;

/// Most bytes that are kept, on this machine. Nothing but speed depends on it.
fn room() -> u64 {
    static FREE: OnceLock<u64> = OnceLock::new();
    *FREE.get_or_init(|| (free_memory().unwrap_or(0) / 4).clamp(ROOM, MOST_ROOM))
}

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

    /// Tells whether a frame of codes of `depth` bits would be kept, were all from the first on.
    pub(super) fn reaches(frame: Frame, (width, height): (usize, usize), depth: u32) -> bool {
        let bytes = (width * height * code_bytes(depth)) as u64;
        u64::try_from(frame.0).is_ok_and(|frame| frame.saturating_mul(bytes) < room())
    }

    /// Returns the parts of a run that are kept and those that are not, in order. Frames that
    /// are not `wanted` go with those before them; one of which colour is wanted is kept with it.
    pub(super) fn parts(
        &self,
        run: FrameRange,
        wanted: &dyn Fn(Frame) -> Wanted,
    ) -> Vec<(bool, FrameRange)> {
        let mut parts: Vec<(bool, FrameRange)> = Vec::new();
        for frame in run.start.0..run.end.0 {
            let wanted = wanted(Frame(frame));
            let record = self.frames.get(&Frame(frame));
            let kept = record.is_some_and(|record| record.asked || wanted < Wanted::Whole);
            match parts.last_mut() {
                Some((last, part)) if *last == kept || wanted == Wanted::Nothing => {
                    part.end = Frame(frame + 1)
                }
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
        let depth = picture.luma_depth();
        append(&mut self.bytes, luma, depth);
        let colour =
            if with_colour { append_colour(&mut self.bytes, picture, depth) } else { None };
        let after = self.used + self.bytes.len() as u64;
        if after > room() {
            self.full = true;
            return;
        }
        if self.spool.is_none() {
            self.spool = Spool::quick(room()).ok();
        }
        let Some(Ok(number)) = self.spool.as_mut().map(|spool| spool.add(&self.bytes)) else {
            self.full = true;
            return;
        };
        self.used = after;
        let luma = (picture.width() as usize, picture.height() as usize);
        self.frames.insert(frame, Record { number, depth, luma, colour, asked: with_colour });
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
        let depth = record.depth;
        let count = |(width, height): (usize, usize)| width * height * code_bytes(depth);
        let (first, rest) = self.bytes.split_at(count(record.luma).min(self.bytes.len()));
        copy(first, depth, luma);
        let Some(size) = record.colour else {
            return Ok(Some((record.depth, record.asked.then_some(false))));
        };
        let (blue, red) = rest.split_at(count(size).min(rest.len()));
        for (plane, (bytes, size)) in
            colours.iter_mut().zip([(first, record.luma), (blue, size), (red, size)])
        {
            copy(bytes, depth, &mut plane.codes);
            (plane.width, plane.height) = size;
        }
        Ok(Some((record.depth, Some(true))))
    }
}

/// Bytes in which a code of so many bits is kept.
fn code_bytes(depth: u32) -> usize {
    if depth <= 8 { 1 } else { 2 }
}

fn append(bytes: &mut Vec<u8>, codes: &[u16], depth: u32) {
    let from = bytes.len();
    bytes.resize(from + codes.len() * code_bytes(depth), 0);
    if code_bytes(depth) == 1 {
        bytes[from..].iter_mut().zip(codes).for_each(|(byte, code)| *byte = *code as u8);
        return;
    }
    for (bytes, code) in bytes[from..].chunks_exact_mut(2).zip(codes) {
        bytes.copy_from_slice(&code.to_le_bytes());
    }
}

/// Appends both colours; `None`, and nothing appended, where there are none of one size.
fn append_colour(bytes: &mut Vec<u8>, picture: &Picture, depth: u32) -> Option<(usize, usize)> {
    let (mut blue, mut red) = (Vec::new(), Vec::new());
    let size = picture.component_u16(1, &mut blue)?;
    if picture.component_u16(2, &mut red)? != size {
        return None;
    }
    append(bytes, &blue, depth);
    append(bytes, &red, depth);
    Some(size)
}

fn copy(bytes: &[u8], depth: u32, codes: &mut Vec<u16>) {
    codes.resize(bytes.len() / code_bytes(depth), 0);
    if code_bytes(depth) == 1 {
        codes.iter_mut().zip(bytes).for_each(|(code, byte)| *code = u16::from(*byte));
        return;
    }
    for (code, bytes) in codes.iter_mut().zip(bytes.chunks_exact(2)) {
        *code = u16::from_le_bytes([bytes[0], bytes[1]]);
    }
}
