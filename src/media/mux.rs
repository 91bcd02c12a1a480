//! Coded packets out: one picture track in a container, the same bytes on every run.

use super::ffi_packets as raw;
use crate::time::Rate;
use ffmpeg_next as ff;
use std::path::Path;

/// Zero bytes that must follow a coded frame handed to [`Muxer::write`].
pub const PADDING: usize = raw::PADDING;

/// Containers that plates are written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Container {
    /// QuickTime.
    Mov,
    /// MXF operational pattern 1a (SMPTE ST 378).
    Mxf,
    /// Matroska.
    Mkv,
}

impl Container {
    /// Returns the file extension, without a dot.
    pub fn extension(self) -> &'static str {
        match self {
            Container::Mov => "mov",
            Container::Mxf => "mxf",
            Container::Mkv => "mkv",
        }
    }

    fn muxer(self) -> &'static str {
        match self {
            Container::Mov => "mov",
            Container::Mxf => "mxf",
            Container::Mkv => "matroska",
        }
    }
}

/// What the only track of a file is: how it is coded, timed and named.
pub struct Track {
    /// Codec, size, colour, field order and extradata.
    pub parameters: ff::codec::Parameters,
    /// Pixel aspect; `(0, 1)` if not told.
    pub pixel_aspect: (u32, u32),
    /// Frames a second; one packet a frame.
    pub rate: Rate,
    /// Label of the first frame: `00:59:58;20`.
    pub timecode: Option<String>,
    /// Reel name.
    pub reel: Option<String>,
}

/// Why a file could not be written.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MuxFault {
    /// The container does not take this track.
    #[error("{0}")]
    Refused(String),
    /// The file could not be written.
    #[error("{0}")]
    Write(String),
}

/// A file being written. It is whole only after [`Muxer::finish`].
pub struct Muxer {
    output: ff::format::context::Output,
    /// Ticks of the track's time base in a frame, as a fraction.
    ticks: (i64, i64),
}

impl Muxer {
    /// Begins a file at `path`, which is overwritten.
    ///
    /// The track has no edit list and no audio; its time base is one over the rate; the
    /// timecode stands on the track and on the file. No date, version or random
    /// identifier is written.
    ///
    /// # Errors
    ///
    /// [`MuxFault::Refused`] if the container does not take the track.
    pub fn create(path: &Path, container: Container, track: &Track) -> Result<Muxer, MuxFault> {
        let mut output = ff::format::output_as(path, container.muxer())
            .map_err(|fault| MuxFault::Write(fault.to_string()))?;
        raw::plain_output(&mut output);
        let refused = |fault: ff::Error| MuxFault::Refused(fault.to_string());
        let rate = rational(track.rate).ok_or_else(|| refused(ff::Error::InvalidData))?;
        {
            let mut stream = output.add_stream(None::<ff::Codec>).map_err(refused)?;
            stream.set_time_base(rate.invert());
            stream.set_rate(rate);
            stream.set_avg_frame_rate(rate);
            stream.set_metadata(tags(track, true));
        }
        raw::describe_stream(&mut output, &track.parameters, track.pixel_aspect)
            .map_err(refused)?;
        output.set_metadata(tags(track, container != Container::Mov));
        let mut options = ff::Dictionary::new();
        if container == Container::Mov {
            options.set("video_track_timescale", &track.rate.num().to_string());
            options.set("use_editlist", "0");
        }
        output.write_header_with(options).map_err(refused)?;
        let base = output.stream(0).map_or(rate.invert(), |stream| stream.time_base());
        let ticks = (
            i64::from(track.rate.den()) * i64::from(base.denominator()),
            i64::from(track.rate.num()) * i64::from(base.numerator().max(1)),
        );
        Ok(Muxer { output, ticks })
    }

    /// Writes frame `k`; frames come in order. `padded` ends with 64
    /// bytes that are not part of the frame.
    ///
    /// # Errors
    ///
    /// [`MuxFault::Write`]: a full disk, or coded data the container cannot describe.
    pub fn write(&mut self, k: u64, padded: &[u8]) -> Result<(), MuxFault> {
        let (at, next) = (self.pts(k), self.pts(k + 1));
        raw::write_frame(&mut self.output, padded, at, next - at)
            .map_err(|fault| MuxFault::Write(fault.to_string()))
    }

    /// Ends the file; nothing may be written after.
    ///
    /// # Errors
    ///
    /// [`MuxFault::Write`].
    pub fn finish(&mut self) -> Result<(), MuxFault> {
        self.output
            .write_trailer()
            .and_then(|()| raw::write_error(&mut self.output))
            .map_err(|fault| MuxFault::Write(fault.to_string()))
    }

    /// Returns the time of frame `k` in the track's time base, rounded to the nearest.
    fn pts(&self, k: u64) -> i64 {
        let (num, den) = (i128::from(self.ticks.0), i128::from(self.ticks.1));
        let exact = 2 * i128::from(k) * num + den;
        i64::try_from(exact / (2 * den)).unwrap_or(i64::MAX)
    }
}

/// Returns a rate as FFmpeg holds it, if it fits.
fn rational(rate: Rate) -> Option<ff::Rational> {
    Some(ff::Rational(i32::try_from(rate.num()).ok()?, i32::try_from(rate.den()).ok()?))
}

fn tags(track: &Track, timecode: bool) -> ff::Dictionary<'static> {
    let mut tags = ff::Dictionary::new();
    if let (Some(label), true) = (&track.timecode, timecode) {
        tags.set("timecode", label);
    }
    if let Some(reel) = &track.reel {
        tags.set("reel_name", reel);
    }
    tags
}
