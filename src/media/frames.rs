//! Frame-exact reading, one picture after the other.
//!
//! In a container: n becomes a time stamp in whole numbers; seek backward to it; look at
//! the first packet, which must be a key at or before the target, else step back further,
//! doubling; drop pictures before that key's time (leading pictures of an open GOP, whose
//! references are missing); frame numbers must be consecutive, and on a shortfall the read
//! begins again from an earlier key. The decoder is drained at the end of the file.

use super::clock::Clock;
use super::container;
use super::ffi;
use super::image_frames::ImageFrames;
use super::open::{Media, Source};
use super::picture::Picture;
use super::scan::next_packet;
use crate::error::Faults;
use crate::time::{Frame, FrameRange};
use ff::format::context::Input;
use ffmpeg_next as ff;

/// Most earlier keys a read begins from again before a frame is given up. Ours: a decoder
/// that needs more than one GOP of run-up is settled after two.
const MOST_RETRIES: u32 = 4;

/// The frames of a range, in order, each exactly once.
pub struct Frames {
    name: String,
    range: FrameRange,
    next: i64,
    failed: bool,
    inner: Inner,
}

enum Inner {
    Container(Box<Decoding>),
    Images(Box<ImageFrames>),
}

impl Media {
    /// Reads the frames of a range one by one (file clock).
    ///
    /// # Errors
    ///
    /// A range that is not inside the media; a source that can no longer be opened.
    pub fn frames(&self, range: FrameRange) -> Result<Frames, Faults> {
        self.check(range)?;
        let mut frames = Frames::from_head(self)?;
        frames.go_to(range)?;
        Ok(frames)
    }

    /// Refuses a range that is not inside the media.
    pub(super) fn check(&self, range: FrameRange) -> Result<(), Faults> {
        let whole = container::whole_range(&self.info);
        if whole.contains(range) {
            return Ok(());
        }
        Err(Faults::one(
            &self.info.name,
            format!("frames {}-{}", range.start, range.end.0.saturating_sub(1)),
            format!("the media hold frames 0-{} only", whole.end.0.saturating_sub(1)),
            "shorten the range, or relink to the full take",
        ))
    }
}

impl Frames {
    /// Begins at the head of the file, whatever its first picture turns out to be.
    pub(super) fn from_head(media: &Media) -> Result<Frames, Faults> {
        let inner = match &media.source {
            Source::Container { stream, clock } => {
                Inner::Container(Box::new(Decoding::open(media, *stream, *clock)?))
            }
            Source::Images { codec } => Inner::Images(Box::new(ImageFrames::open(media, *codec)?)),
        };
        let range = container::whole_range(&media.info);
        Ok(Frames { name: media.info.name.clone(), range, next: 0, failed: false, inner })
    }

    /// Returns the first picture that comes out of the decoder at the head of the file.
    pub(super) fn first_picture(&mut self) -> Result<Picture, Faults> {
        let picture = match &mut self.inner {
            Inner::Container(decoding) => decoding.first_picture(),
            Inner::Images(images) => images.next(0),
        };
        picture.map_err(|why| self.fault(0, &why))
    }

    /// Goes to another range of the same media, which the caller knows to be inside it.
    pub(super) fn go_to(&mut self, range: FrameRange) -> Result<(), Faults> {
        self.range = range;
        self.next = range.start.0;
        self.failed = false;
        if range.is_empty() {
            return Ok(());
        }
        match &mut self.inner {
            Inner::Container(decoding) => decoding.go_to(range.start.0)?,
            Inner::Images(images) => images.go_to(range),
        }
        Ok(())
    }

    /// Returns the next frame and its picture; `None` after the last, or after a fault.
    ///
    /// A fault names the frame that cannot be decoded and the frames read before it.
    pub fn next_frame(&mut self) -> Option<Result<(Frame, Picture), Faults>> {
        if self.failed || self.next >= self.range.end.0 {
            return None;
        }
        let picture = match &mut self.inner {
            Inner::Container(decoding) => decoding.next(self.next),
            Inner::Images(images) => images.next(self.next),
        };
        match picture {
            Ok(picture) => {
                self.next += 1;
                Some(Ok((Frame(self.next - 1), picture)))
            }
            Err(why) => {
                self.failed = true;
                Some(Err(self.fault(self.next, &why)))
            }
        }
    }

    fn fault(&self, frame: i64, why: &str) -> Faults {
        let read = match frame - self.range.start.0 {
            count if count <= 0 => "nothing before it was asked for".to_string(),
            1 => format!("frame {} was read", self.range.start),
            _ => format!("frames {}-{} were read", self.range.start, frame - 1),
        };
        Faults::one(
            &self.name,
            format!("frame {frame}"),
            format!("the frame cannot be decoded: {why} ({read})"),
            "copy the media again from the camera master",
        )
    }
}

/// The decoder of a container file.
struct Decoding {
    path: std::path::PathBuf,
    name: String,
    stream: usize,
    clock: Clock,
    input: Input,
    decoder: ff::decoder::Video,
    /// A packet read ahead.
    held: Option<ff::Packet>,
    /// Time stamp of the key the read began from; `None` at the head of the file.
    key: Option<i64>,
    ended: bool,
    retries: u32,
    drain_errors: u32,
    /// The last error of the libraries since a good frame.
    blame: Option<ff::Error>,
}

impl Decoding {
    fn open(media: &Media, stream: usize, clock: Clock) -> Result<Decoding, Faults> {
        let path = media.path().to_path_buf();
        let name = media.info.name.clone();
        let input = container::reopen(&path, stream, &name)?;
        let video = input.stream(stream).ok_or_else(|| changed(&name))?;
        let codec = media.info.codec.as_str();
        let decoder = open_decoder(&video, media.options.threads)
            .map_err(|_| container::no_decoder(&name, codec))?;
        Ok(Decoding {
            path,
            name,
            stream,
            clock,
            input,
            decoder,
            held: None,
            key: None,
            ended: false,
            retries: 0,
            drain_errors: 0,
            blame: None,
        })
    }

    /// Moves so that `frame` will come out.
    fn go_to(&mut self, frame: i64) -> Result<(), Faults> {
        self.retries = 0;
        self.seek(frame, frame)
    }

    /// Seeks to a key at or before `from`, such that `frame` lies at or after it.
    fn seek(&mut self, from: i64, frame: i64) -> Result<(), Faults> {
        let target = self.clock.pts(frame);
        let (mut at, mut step) = (from, 1_i64);
        self.blame = None;
        while at > 0 {
            self.decoder.flush();
            self.ended = false;
            if ffi::seek_back(&mut self.input, self.stream, self.clock.pts(at)).is_ok()
                && let Some(packet) = next_packet(&mut self.input, self.stream)
                && packet.is_key()
                && let Some(pts) = packet.pts()
                && pts <= target
                && self.clock.frame(pts) <= from
            {
                self.held = Some(packet);
                self.key = Some(pts);
                return Ok(());
            }
            at = at.saturating_sub(step);
            step = step.saturating_mul(2);
        }
        self.rewind()
    }

    /// Goes to the head of the file, by opening it again: the one way that is exact for
    /// every container, negative time stamps and hidden samples included.
    fn rewind(&mut self) -> Result<(), Faults> {
        self.input = container::reopen(&self.path, self.stream, &self.name)?;
        self.decoder.flush();
        self.held = None;
        self.key = None;
        self.ended = false;
        Ok(())
    }

    /// Returns the picture of frame `wanted`; frames before it are dropped.
    fn next(&mut self, wanted: i64) -> Result<Picture, String> {
        loop {
            let shortfall = match self.receive() {
                Some(frame) => match self.number(&frame) {
                    Some(n) if n < wanted => continue,
                    Some(n) if n == wanted && !ffi::is_damaged(&frame) => {
                        self.retries = 0;
                        self.blame = None;
                        return Picture::new(frame)
                            .ok_or_else(|| "its samples are not in memory".to_string());
                    }
                    Some(n) if n == wanted => "the decoder found it damaged",
                    Some(_) => "the decoder left it out",
                    None => continue,
                },
                None => "the file ended before it",
            };
            self.begin_earlier(wanted, shortfall)?;
        }
    }

    /// Begins again from an earlier key, or says why the frame is given up.
    fn begin_earlier(&mut self, wanted: i64, shortfall: &str) -> Result<(), String> {
        let why = match self.blame {
            Some(blame) => format!("{shortfall} ({blame})"),
            None => shortfall.to_string(),
        };
        let Some(key) = self.key else { return Err(why) };
        self.retries += 1;
        if self.retries > MOST_RETRIES {
            return Err(why);
        }
        let before = self.clock.frame(key).min(wanted).saturating_sub(1);
        self.seek(before, wanted).map_err(|faults| faults.to_string())
    }

    fn first_picture(&mut self) -> Result<Picture, String> {
        while let Some(frame) = self.receive() {
            if frame.pts().is_some()
                && let Some(picture) = Picture::new(frame)
            {
                return Ok(picture);
            }
        }
        Err(match self.blame {
            Some(blame) => format!("no picture comes out of the decoder ({blame})"),
            None => "no picture comes out of the decoder".to_string(),
        })
    }

    /// Returns the file frame of a decoded frame by the time of its own packet, never by a
    /// guess of the decoder; `None` for a picture without one, and for a leading picture whose
    /// references lie before the key the read began from.
    fn number(&self, frame: &ff::frame::Video) -> Option<i64> {
        let pts = frame.pts()?;
        (self.key.is_none_or(|key| pts >= key)).then(|| self.clock.frame(pts))
    }

    /// Returns the next frame out of the decoder; `None` at the end of the file.
    fn receive(&mut self) -> Option<ff::frame::Video> {
        loop {
            let mut frame = ff::frame::Video::empty();
            match self.decoder.receive_frame(&mut frame) {
                Ok(()) => return Some(frame),
                Err(ff::Error::Eof) => return None,
                Err(ff::Error::Other { errno: ff::error::EAGAIN }) if self.ended => return None,
                Err(ff::Error::Other { errno: ff::error::EAGAIN }) => self.feed(),
                Err(why) => {
                    self.blame = Some(why);
                    if self.ended {
                        // Each error while draining takes one frame off the queue; an
                        // error for ever would not end, so the end is asked for instead.
                        self.bad_drains()?;
                    }
                }
            }
        }
    }

    /// Counts errors while draining; `None` once the decoder will not end by itself.
    fn bad_drains(&mut self) -> Option<()> {
        self.drain_errors += 1;
        (self.drain_errors < 256).then_some(())
    }

    /// Gives the decoder one packet, or the end of the file.
    fn feed(&mut self) {
        let packet = self.held.take().or_else(|| next_packet(&mut self.input, self.stream));
        let sent = match &packet {
            Some(packet) => self.decoder.send_packet(packet),
            None => {
                self.ended = true;
                self.drain_errors = 0;
                self.decoder.send_eof()
            }
        };
        if let Err(why) = sent {
            self.blame = Some(why);
        }
    }
}

fn changed(name: &str) -> Faults {
    Faults::one(
        name,
        "",
        "the file changed while it was read: its picture stream is gone",
        "start again once the copy is complete",
    )
}

fn open_decoder(
    video: &ff::format::stream::Stream,
    threads: u32,
) -> Result<ff::decoder::Video, ff::Error> {
    let mut context = ff::codec::Context::from_parameters(video.parameters())?;
    ffi::set_decoding(&mut context, threads, video.time_base());
    context.decoder().video()
}
