//! Pictures that were decoded once, whole in a file without a name: they are read back in a
//! fraction of the time.

use super::ffi;
use super::open::Media;
use super::picture::Picture;
use super::read::FrameReader;
use crate::error::Faults;
use crate::time::{Frame, FrameRange, joined, union};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::sync::{Arc, Mutex, PoisonError};

/// Most bytes of the file. Ours: 250 frames of HD in ten bits.
const ROOM: u64 = 2 << 30;

/// Decoded pictures of one layout, in a file that goes with whoever holds it.
#[derive(Debug)]
pub(super) struct Stored {
    file: Mutex<File>,
    like: Picture,
    /// Of each frame its place in the file and its time stamp.
    places: BTreeMap<Frame, (u64, Option<i64>)>,
    bytes: usize,
}

impl Media {
    /// Decodes ranges of the file clock once and returns the same media, which from then on
    /// read these frames back. What there is no room for, and pictures unlike the first, are
    /// decoded whenever they are read.
    ///
    /// # Errors
    ///
    /// As [`Media::read`].
    pub fn stored(&self, ranges: &[FrameRange]) -> Result<Media, Faults> {
        let range = union(ranges).into_iter().reduce(joined).unwrap_or_default();
        let mut storing = Storing { range, file: tempfile::tempfile().ok(), stored: None };
        if storing.file.is_some() {
            self.read(ranges, &mut [&mut storing])?;
        }
        Ok(Media { stored: storing.stored.map(Arc::new), ..self.clone() })
    }
}

/// Writes every picture it is shown, as long as there is room.
struct Storing {
    range: FrameRange,
    /// The file before the first picture.
    file: Option<File>,
    stored: Option<Stored>,
}

impl FrameReader for Storing {
    fn range(&self) -> FrameRange {
        self.range
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        if let Some(stored) = &mut self.stored {
            stored.add(frame, picture);
        } else if let Some(file) = self.file.take()
            && picture.components() > 0
            && let Some(like) = ffi::copied(picture.frame()).and_then(Picture::new)
        {
            let file = Mutex::new(file);
            let bytes = bytes_of(picture).len();
            let stored = Stored { file, like, places: BTreeMap::new(), bytes };
            self.stored.insert(stored).add(frame, picture);
        }
        Ok(())
    }
}

impl Stored {
    fn add(&mut self, frame: Frame, picture: &Picture) {
        let place = (self.places.len() as u64).saturating_mul(self.bytes as u64);
        let alike = picture.format() == self.like.format()
            && (picture.width(), picture.height()) == (self.like.width(), self.like.height());
        let bytes = bytes_of(picture);
        if !alike || bytes.len() != self.bytes || place + bytes.len() as u64 > ROOM {
            return;
        }
        let file = self.file.get_mut().unwrap_or_else(PoisonError::into_inner);
        // Where nothing more can be written the frame is decoded again.
        if file.seek(SeekFrom::Start(place)).is_ok() && file.write_all(&bytes).is_ok() {
            self.places.insert(frame, (place, picture.timestamp()));
        }
    }

    /// Returns the parts of a run that are here and those that are not, in order.
    pub(super) fn parts(&self, run: FrameRange) -> Vec<(bool, FrameRange)> {
        let mut parts: Vec<(bool, FrameRange)> = Vec::new();
        for frame in run.start.0..run.end.0 {
            let here = self.places.contains_key(&Frame(frame));
            match parts.last_mut() {
                Some((last, part)) if *last == here => part.end = Frame(frame + 1),
                _ => parts.push((here, FrameRange::new(frame, frame + 1))),
            }
        }
        parts
    }

    /// Reads a picture back; `None` if it is not here, or cannot be read.
    pub(super) fn picture(&self, frame: Frame) -> Option<Picture> {
        let (place, timestamp) = *self.places.get(&frame)?;
        let mut bytes = vec![0; self.bytes];
        {
            let mut file = self.file.lock().unwrap_or_else(PoisonError::into_inner);
            file.seek(SeekFrom::Start(place)).ok()?;
            file.read_exact(&mut bytes).ok()?;
        }
        let mut copy = ffi::copied(self.like.frame())?;
        copy.set_pts(timestamp);
        let mut picture = Picture::new(copy)?;
        let mut rest = bytes.as_slice();
        for (plane, y) in rows(&self.like) {
            let row = picture.row_mut(plane, y)?;
            let (bytes, next) = rest.split_at_checked(row.len())?;
            row.copy_from_slice(bytes);
            rest = next;
        }
        Some(picture)
    }
}

/// Every row of every plane.
fn rows(picture: &Picture) -> impl Iterator<Item = (usize, usize)> {
    let heights: Vec<usize> =
        (0..picture.planes()).map(|plane| picture.plane_height(plane)).collect();
    heights.into_iter().enumerate().flat_map(|(plane, rows)| (0..rows).map(move |y| (plane, y)))
}

fn bytes_of(picture: &Picture) -> Vec<u8> {
    let mut bytes = Vec::new();
    let rows = rows(picture).filter_map(|(plane, y)| picture.row(plane, y));
    rows.for_each(|row| bytes.extend_from_slice(row));
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;
    use ffmpeg_next as ff;

    /// A picture whose bytes count on from `first`.
    fn picture(format: ff::format::Pixel, first: u32) -> Picture {
        let mut frame = ff::frame::Video::new(format, 22, 10);
        frame.set_pts(Some(i64::from(first) * 7));
        let mut picture = Picture::new(frame).unwrap();
        let mut next = first;
        for (plane, y) in rows(&picture).collect::<Vec<_>>() {
            for byte in picture.row_mut(plane, y).unwrap() {
                *byte = next as u8;
                next = next.wrapping_mul(7919).wrapping_add(13);
            }
        }
        picture
    }

    #[test]
    fn pictures_come_back_byte_for_byte_and_others_stay_out() {
        use ff::format::Pixel;
        for format in [Pixel::YUV422P10LE, Pixel::YUV420P, Pixel::UYVY422, Pixel::GBRPF32LE] {
            let range = FrameRange::new(3, 40);
            let mut storing = Storing { range, file: tempfile::tempfile().ok(), stored: None };
            for frame in [3, 5, 6, 20] {
                storing.see(Frame(frame), &picture(format, frame as u32)).unwrap();
            }
            storing.see(Frame(21), &picture(Pixel::GRAY8, 21)).unwrap();
            let stored = storing.stored.unwrap();
            for frame in [20, 3, 6, 5] {
                let (back, was) =
                    (stored.picture(Frame(frame)).unwrap(), picture(format, frame as u32));
                assert_eq!(bytes_of(&back), bytes_of(&was), "{format:?} {frame}");
                assert_eq!(back.timestamp(), was.timestamp());
                assert!(bytes_of(&was).len() > 22 * 10);
            }
            assert!(stored.picture(Frame(21)).is_none() && stored.picture(Frame(4)).is_none());
            let parts: Vec<(bool, i64, i64)> = stored
                .parts(FrameRange::new(3, 9))
                .into_iter()
                .map(|(here, part)| (here, part.start.0, part.end.0))
                .collect();
            assert_eq!(parts, [(true, 3, 4), (false, 4, 5), (true, 5, 7), (false, 7, 9)]);
        }
    }
}
