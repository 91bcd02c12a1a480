//! Opening media: what kind it is, and everything known before a frame is decoded.

use super::clock::Clock;
use super::container;
use super::images;
use super::info::{MediaInfo, MediaKind};
use super::stored::Stored;
use crate::error::{BadInput, Faults};
use crate::time::Rate;
use std::path::Path;
use std::sync::{Arc, OnceLock};

/// Decoding threads unless the caller says otherwise: a constant, never the machine's
/// number, so that a run is the same everywhere.
const THREADS: u32 = 2;

/// How media are opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OpenOptions {
    /// Rate of image files whose headers give none; without it 24 is taken, with a warning.
    pub sequence_rate: Option<Rate>,
    /// Distance between the numbers of image files; each file is shown for that many frames.
    pub frame_step: u32,
    /// Decoding threads, at least 1.
    pub threads: u32,
    /// Whether all bytes tell the media from any other, not some of them.
    pub verify: bool,
}

impl Default for OpenOptions {
    fn default() -> Self {
        Self { sequence_rate: None, frame_step: 1, threads: THREADS, verify: false }
    }
}

/// One opened piece of media: a container file, or a numbered run of image files.
///
/// It holds no open file. Each read opens the source again, read-only, so one `Media` may
/// be read from several threads at once.
#[derive(Debug, Clone)]
pub struct Media {
    pub(super) info: MediaInfo,
    pub(super) warnings: Vec<BadInput>,
    pub(super) options: OpenOptions,
    pub(super) source: Source,
    pub(super) sizes: Vec<u64>,
    /// The id of all bytes, once it was asked for: it takes a pass over the file.
    pub(super) whole_id: OnceLock<String>,
    /// Frames that are read back, not decoded.
    pub(super) stored: Option<Arc<Stored>>,
}

/// What reading needs beside the info.
#[derive(Debug, Clone)]
pub(super) enum Source {
    Container { stream: usize, clock: Clock },
    Images { codec: images::Codec },
}

impl Media {
    /// Returns what is known of the media.
    pub fn info(&self) -> &MediaInfo {
        &self.info
    }

    /// Returns the faults that did not keep the media from being opened: a start timecode
    /// that is none, a file that ends early, a rate nobody gave.
    pub fn warnings(&self) -> &[BadInput] {
        &self.warnings
    }

    /// Tells whether all bytes tell these media from any other.
    pub fn verified(&self) -> bool {
        self.options.verify
    }

    /// Returns the path that was opened: of the container, or of the first image file.
    pub fn path(&self) -> &Path {
        match &self.info.kind {
            MediaKind::Container(path) => path,
            MediaKind::Images { files, .. } => files.first().map_or(Path::new(""), |f| f.as_path()),
        }
    }
}

/// Opens media with the usual options; see [`open_with`].
///
/// # Errors
///
/// As [`open_with`].
pub fn open(path: &Path) -> Result<Media, Faults> {
    open_with(path, OpenOptions::default())
}

/// Opens a container file, or a run of image files named by one of its files, by a folder
/// that holds exactly one run, or by a pattern: `name.%04d.ext`, `name.####.ext`,
/// `name.[1001-1240].ext`.
///
/// Every shown packet or image file is accounted for: frame n of the file clock is the n-th
/// picture shown, and all stand on the grid of one rate.
///
/// # Errors
///
/// What cannot be read, and why: not media, empty, cut short before its index, no picture,
/// no decoder, a varying rate, a transport stream, missing image files.
pub fn open_with(path: &Path, options: OpenOptions) -> Result<Media, Faults> {
    super::ffi::prepare();
    if let Some(run) = images::find(path, options.frame_step)? {
        return images::open(run, options);
    }
    container::open(path, options)
}

/// Returns the name to show for a path: its last part.
pub(super) fn shown_name(path: &Path) -> String {
    path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned()
}
