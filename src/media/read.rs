//! One decode that feeds several readers.

use super::frames::Frames;
use super::open::Media;
use super::picture::Picture;
use crate::error::Faults;
use crate::time::{Frame, FrameRange, union};

/// How much of a frame somebody looks at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Wanted {
    /// The frame is left out; where no other frame refers to it, it is not decoded.
    Nothing,
    /// Its luma: it may come without its colour.
    Luma,
    /// All of it.
    Whole,
}

/// Something that looks at frames: a measure, an encoder, a thumbnail.
pub trait FrameReader {
    /// Returns the frames it wants (file clock).
    fn range(&self) -> FrameRange;

    /// Tells how much of a frame of its range it looks at. The answer is asked for more than
    /// once, some frames ahead.
    fn wants(&self, _frame: Frame) -> Wanted {
        Wanted::Whole
    }

    /// Takes one frame. It gets every frame of its range that is read and that it wants, once,
    /// in order.
    ///
    /// # Errors
    ///
    /// Whatever keeps it from going on; the read stops with it.
    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults>;
}

/// Frames that cannot be read before a survey gives up. Ours: each costs up to five GOPs.
const MOST_UNREADABLE: u32 = 64;

/// What a read did.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ReadSummary {
    /// Frames decoded for readers.
    pub frames: u64,
    /// The runs that were read, in order.
    pub runs: Vec<FrameRange>,
}

/// Decodes a run and shows it.
fn decode(
    frames: &mut Frames,
    run: FrameRange,
    readers: &mut [&mut dyn FrameReader],
) -> Result<(), Faults> {
    frames.go_to(run)?;
    loop {
        let wanted = |frame: Frame| wanted(frame, readers);
        let Some(next) = frames.next_wanted(&wanted) else { return Ok(()) };
        let (frame, picture) = next?;
        shown(frame, &picture, readers)?;
    }
}

/// How much of a frame is wanted by the one who wants most of it.
fn wanted(frame: Frame, readers: &[&mut dyn FrameReader]) -> Wanted {
    let holds = readers.iter().filter(|one| one.range().holds(frame));
    holds.map(|one| one.wants(frame)).max().unwrap_or(Wanted::Nothing)
}

fn shown(
    frame: Frame,
    picture: &Picture,
    readers: &mut [&mut dyn FrameReader],
) -> Result<(), Faults> {
    let wants = |one: &&mut &mut dyn FrameReader| {
        one.range().holds(frame) && one.wants(frame) > Wanted::Nothing
    };
    readers.iter_mut().filter(wants).try_for_each(|reader| reader.see(frame, picture))
}

impl Media {
    /// Reads ranges of the file clock, in any order and overlapping, and shows each frame to
    /// every reader that wants it. Each frame is decoded once.
    ///
    /// # Errors
    ///
    /// A range outside the media; a frame that cannot be decoded, with the frames read
    /// before it; a reader's own fault.
    pub fn read(
        &self,
        ranges: &[FrameRange],
        readers: &mut [&mut dyn FrameReader],
    ) -> Result<ReadSummary, Faults> {
        let runs = union(ranges);
        let mut summary = ReadSummary::default();
        let mut frames = None;
        for run in runs {
            self.check(run)?;
            let parts = match &self.stored {
                Some(stored) => stored.parts(run),
                None => vec![(false, run)],
            };
            for (here, part) in parts {
                if here {
                    self.read_back(part, readers)?;
                } else {
                    let frames = match &mut frames {
                        Some(frames) => frames,
                        None => frames.insert(Frames::from_head(self)?),
                    };
                    decode(frames, part, readers)?;
                }
            }
            summary.frames += run.count().0;
            summary.runs.push(run);
        }
        Ok(summary)
    }

    /// Shows frames that were stored; one that cannot be read back is decoded.
    fn read_back(
        &self,
        part: FrameRange,
        readers: &mut [&mut dyn FrameReader],
    ) -> Result<(), Faults> {
        for frame in (part.start.0..part.end.0).map(Frame) {
            if wanted(frame, readers) == Wanted::Nothing {
                continue;
            }
            match self.stored.as_ref().and_then(|stored| stored.picture(frame)) {
                Some(picture) => shown(frame, &picture, readers)?,
                None => {
                    let one = FrameRange::new(frame.0, frame.0 + 1);
                    decode(&mut Frames::from_head(self)?, one, readers)?;
                }
            }
        }
        Ok(())
    }

    /// Decodes a range and returns the runs that can be read, in order: what is left of
    /// damaged media. It gives up after 64 frames that cannot be read; the rest is then not
    /// among the runs.
    ///
    /// # Errors
    ///
    /// A range outside the media; a source that can no longer be opened.
    pub fn readable(&self, range: FrameRange) -> Result<Vec<FrameRange>, Faults> {
        let mut frames = self.frames(range)?;
        let mut runs = Vec::new();
        let mut at = range.start.0;
        for _ in 0..MOST_UNREADABLE {
            let first = at;
            while let Some(Ok(_)) = frames.next_frame() {
                at += 1;
            }
            runs.push(FrameRange::new(first, at));
            at += 1;
            if at >= range.end.0 {
                break;
            }
            frames.go_to(FrameRange::new(at, range.end.0))?;
        }
        Ok(union(&runs))
    }
}
