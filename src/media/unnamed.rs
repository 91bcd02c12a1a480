//! Media that nothing names: found by start timecode and length alone.
//!
//! A cut and a log that state the first label and the length of a take say much, once the file
//! was renamed: few takes of a show start on one frame and are as long to the frame. Cameras
//! that ran on one timecode and were trimmed alike do, so a file that anybody names is never
//! taken for another.

use super::info::MediaInfo;
use super::locate::{Locator, Request, fold};
use std::collections::BTreeSet;

/// Names of files that mean themselves: folded, without ending.
#[derive(Debug, Default)]
pub(super) struct Spoken(BTreeSet<String>);

impl Spoken {
    /// Takes in names, folded and without ending.
    pub fn extend(&mut self, stems: impl Iterator<Item = String>) {
        self.0.extend(stems.filter(|stem| !stem.is_empty()));
    }

    /// Tells whether a stem is named: as a whole, or by its beginning up to a separator.
    fn names(&self, stem: &str) -> bool {
        let ends = stem.char_indices().filter(|(_, letter)| !letter.is_alphanumeric());
        let parts = ends.map(|(at, _)| &stem[..at]).chain([stem]);
        parts.into_iter().any(|part| self.0.contains(part))
    }
}

impl Locator {
    /// Returns the media that nobody names and that start and end where the request says the
    /// whole take does. Opens every such file once.
    pub(super) fn unnamed(&self, request: &Request) -> Vec<usize> {
        // From 0 counts what has no timecode; that says nothing.
        if request.whole.iter().all(|(range, _)| range.start.0 == 0) {
            return Vec::new();
        }
        let free = |at: &usize| {
            let entry = &self.entries[*at];
            entry.media && !self.spoken.names(&fold(&entry.stem))
        };
        let alike = |at: &usize| match self.media(&self.entries[*at].path) {
            Ok(media) => is_whole(media.info(), request),
            Err(_) => false,
        };
        (0..self.entries.len()).filter(free).filter(alike).collect()
    }
}

/// Tells whether a file is all of the take that is looked for, frame for frame.
fn is_whole(info: &MediaInfo, request: &Request) -> bool {
    let Some(start) = info.start else { return false };
    request.whole.iter().any(|(range, rate)| {
        range.start.0 != 0
            && *rate == info.rate
            && start.frame == range.start
            && info.frames == range.count().0
    })
}
