//! A take and the pictures of its plate on one clock, where these lie in other media.

use super::info::MediaInfo;
use super::open::Media;
use super::picture::Picture;
use super::read::{FrameReader, Wanted};
use crate::error::Faults;
use crate::time::{Frame, FrameRange, FrameShift};

/// Frames between the end of a take and the first picture behind it: nothing that looks at
/// neighbours takes them for one shot.
const GAP: i64 = 1 << 16;

/// Pictures a plate may be made of: other media, or what was put together from a take.
pub trait Pictures: std::fmt::Debug {
    /// Returns how many there are, numbered from 0.
    fn count(&self) -> u64;

    /// Shows ranges of them to readers, as [`Media::read`] does.
    ///
    /// # Errors
    ///
    /// As [`Media::read`].
    fn show(
        &self,
        ranges: &[FrameRange],
        readers: &mut [&mut dyn FrameReader],
    ) -> Result<(), Faults>;

    /// Returns by what the content is told from any other.
    ///
    /// # Errors
    ///
    /// Files that can no longer be read.
    fn id(&self) -> Result<String, Faults>;
}

impl Pictures for Media {
    fn count(&self) -> u64 {
        self.info().frames
    }

    fn show(
        &self,
        ranges: &[FrameRange],
        readers: &mut [&mut dyn FrameReader],
    ) -> Result<(), Faults> {
        self.read(ranges, readers).map(|_| ())
    }

    fn id(&self) -> Result<String, Faults> {
        self.content_id(false)
    }
}

/// A take, and behind it on the same clock the pictures its plate comes from.
///
/// ```text
///   0 .. frames of the take        the take
///   seam .. seam + count           the pictures behind it
/// ```
///
/// Whatever holds frames of a take against plate frames works on one clock this way, and a
/// plate may come from anywhere.
#[derive(Debug, Clone, Copy)]
pub struct Footage<'a> {
    take: &'a Media,
    behind: Option<&'a dyn Pictures>,
}

impl<'a> From<&'a Media> for Footage<'a> {
    fn from(take: &'a Media) -> Footage<'a> {
        Footage { take, behind: None }
    }
}

impl<'a> Footage<'a> {
    /// Lays pictures of the same size and samples behind a take.
    pub fn with_behind(take: &'a Media, behind: &'a dyn Pictures) -> Footage<'a> {
        Footage { take, behind: Some(behind) }
    }

    /// Returns the take.
    pub fn take(&self) -> &'a Media {
        self.take
    }

    /// Returns the pictures behind the take, if there are any.
    pub fn behind(&self) -> Option<&'a dyn Pictures> {
        self.behind
    }

    /// Returns what is known of the take.
    pub fn info(&self) -> &'a MediaInfo {
        self.take.info()
    }

    /// Returns the frame at which the pictures behind the take begin.
    pub fn seam(&self) -> i64 {
        i64::try_from(self.take.info().frames).unwrap_or(i64::MAX / 4).saturating_add(GAP)
    }

    /// Returns all frames of both, the gap between them included.
    pub fn whole(&self) -> FrameRange {
        let frames = |count: u64| i64::try_from(count).unwrap_or(i64::MAX / 4);
        match self.behind {
            Some(behind) => FrameRange::new(0, self.seam().saturating_add(frames(behind.count()))),
            None => FrameRange::new(0, frames(self.take.info().frames)),
        }
    }

    /// Reads ranges of the common clock as [`Media::read`] does: the take first.
    ///
    /// # Errors
    ///
    /// As [`Media::read`].
    pub fn read(
        &self,
        ranges: &[FrameRange],
        readers: &mut [&mut dyn FrameReader],
    ) -> Result<(), Faults> {
        let Some(behind) = self.behind else { return self.take.read(ranges, readers).map(|_| ()) };
        let seam = self.seam();
        let (there, here): (Vec<FrameRange>, Vec<FrameRange>) =
            ranges.iter().partition(|range| range.start.0 >= seam);
        if !here.is_empty() {
            self.take.read(&here, readers)?;
        }
        if there.is_empty() {
            return Ok(());
        }
        let there: Vec<FrameRange> =
            there.iter().map(|range| range.shifted(FrameShift(-seam))).collect();
        let mut moved: Vec<Moved<'_>> =
            readers.iter_mut().map(|reader| Moved { reader: *reader, seam }).collect();
        let mut moved: Vec<&mut dyn FrameReader> =
            moved.iter_mut().map(|one| one as &mut dyn FrameReader).collect();
        behind.show(&there, &mut moved)
    }
}

/// A reader of the common clock, shown pictures on their own.
struct Moved<'a> {
    reader: &'a mut dyn FrameReader,
    seam: i64,
}

impl FrameReader for Moved<'_> {
    fn range(&self) -> FrameRange {
        self.reader.range().shifted(FrameShift(-self.seam))
    }

    fn wants(&self, frame: Frame) -> Wanted {
        self.reader.wants(Frame(frame.0 + self.seam))
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        self.reader.see(Frame(frame.0 + self.seam), picture)
    }
}
