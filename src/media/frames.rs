//! Frame-exact reading, one picture after the other.
//!
//! In a container: n becomes a time stamp in whole numbers; seek backward to it; look at
//! the first packet, which must be a key at or before the target, else step back further,
//! doubling; drop pictures before that key's time (leading pictures of an open GOP, whose
//! references are missing); frame numbers must be consecutive, and on a shortfall the read
//! begins again from an earlier key. The decoder is drained at the end of the file.
//!
//! Colour: where nobody looks at it, some decoders can leave it out; luma is the same.
//!
//! Damage: decoders paint over it and go on. The first pass is strict and reports every
//! error, without saying in which frame when there are threads. At the first error the read
//! begins again with one thread, where an error belongs to the packet just given; what was
//! damaged taints all that follows in order of decoding, up to the next key.

use super::clock::Clock;
use super::container;
use super::ffi;
use super::ffv1;
use super::image_frames::ImageFrames;
use super::open::{Media, Source};
use super::picture::Picture;
use super::read::Wanted;
use super::scan::next_packet;
use crate::error::Faults;
use crate::time::{Frame, FrameRange};
use ff::format::context::Input;
use ffmpeg_next as ff;
use std::collections::VecDeque;

/// Most earlier keys a read begins from again before a frame is given up. Ours: a decoder
/// that needs more than one GOP of run-up is settled after two.
const MOST_RETRIES: u32 = 4;

/// Most errors while the decoder gives out its last frames. Ours: no decoder holds more.
const MOST_DRAIN_ERRORS: u32 = 256;

/// Frames ahead up to which a read goes on rather than begins anew from a key: half a usual
/// distance between keys. Ours.
const NEAR: i64 = 12;

/// Codecs whose decoders give the same luma when told to leave colour out. Ours: measured;
/// ProRes then takes two thirds of its time, DNxHR nine tenths.
const LUMA_ALONE: [&str; 2] = ["prores", "dnxhd"];

/// Tells how much of a frame is wanted.
pub(super) type Wants<'a> = dyn Fn(Frame) -> Wanted + 'a;

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
            Inner::Images(images) => images.next(0, &|_| Wanted::Whole),
        };
        picture.map_err(|why| self.fault(0, &why))
    }

    /// Goes to another range of the same media, which the caller knows to be inside it.
    pub(crate) fn go_to(&mut self, range: FrameRange) -> Result<(), Faults> {
        let ahead = range.start.0.checked_sub(self.next).filter(|_| !self.failed);
        self.range = range;
        self.next = range.start.0;
        self.failed = false;
        if range.is_empty() {
            return Ok(());
        }
        if let Inner::Container(decoding) = &mut self.inner
            && ahead.is_some_and(|ahead| (0..=NEAR).contains(&ahead))
        {
            decoding.go_on(range.start.0);
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
        self.next_wanted(&|_| Wanted::Whole)
    }

    /// As [`Frames::next_frame`], without the frames that are not wanted; those of which luma
    /// is may come with that alone.
    pub(super) fn next_wanted(
        &mut self,
        wanted: &Wants<'_>,
    ) -> Option<Result<(Frame, Picture), Faults>> {
        while self.next < self.range.end.0 && wanted(Frame(self.next)) == Wanted::Nothing {
            self.next += 1;
        }
        if self.failed || self.next >= self.range.end.0 {
            return None;
        }
        let picture = match &mut self.inner {
            Inner::Container(decoding) => decoding.next(self.next, wanted),
            Inner::Images(images) => images.next(self.next, wanted),
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
    threads: u32,
    intra_only: bool,
    /// The decoder needs nothing but its packets.
    plain: bool,
    /// Nothing was read since the file was opened.
    at_head: bool,
    /// Colour can be left out.
    luma_alone: bool,
    clock: Clock,
    input: Input,
    decoder: ff::decoder::Video,
    /// FFV1 with checksums, which are checked here.
    checked: bool,
    /// One thread, so that an error belongs to a packet.
    careful: bool,
    /// A packet read ahead.
    held: Option<ff::Packet>,
    /// Frames before this one are not decoded.
    unwanted: i64,
    /// Time stamp of the key the read began from; `None` at the head of the file.
    key: Option<i64>,
    fed: Fed,
    ended: bool,
    retries: u32,
    drain_errors: u32,
    /// The last error of the libraries since a good frame.
    blame: Option<ff::Error>,
}

fn reopened(
    path: &std::path::Path,
    stream: usize,
    name: &str,
    plain: bool,
) -> Result<Input, Faults> {
    if plain {
        container::reopen_unprobed(path, stream, name)
    } else {
        container::reopen(path, stream, name)
    }
}

/// What came out of the decoder.
enum Out {
    Frame(ff::frame::Video),
    Error,
    End,
}

impl Decoding {
    fn open(media: &Media, stream: usize, clock: Clock) -> Result<Decoding, Faults> {
        let path = media.path().to_path_buf();
        let name = media.info.name.clone();
        let plain = LUMA_ALONE.contains(&media.info.codec.as_str());
        let input = reopened(&path, stream, &name, plain)?;
        let video = input.stream(stream).ok_or_else(|| changed(&name))?;
        let threads = media.options.threads;
        let decoder = open_decoder(&video, threads, true)
            .map_err(|_| container::no_decoder(&name, &media.info.codec))?;
        let mut decoding = Decoding {
            path,
            stream,
            checked: false,
            threads,
            intra_only: ffi::stream_tags(&video).intra_only,
            plain,
            luma_alone: plain && media.info.pixel_format.starts_with("yuv"),
            at_head: true,
            clock,
            decoder,
            name,
            input,
            careful: false,
            held: None,
            unwanted: i64::MIN,
            key: None,
            fed: Fed::default(),
            ended: false,
            retries: 0,
            drain_errors: 0,
            blame: None,
        };
        if media.info.codec == "ffv1" {
            decoding.held = next_packet(&mut decoding.input, stream);
            let first = decoding.held.as_ref().and_then(|packet| packet.data());
            decoding.checked = first.is_some_and(ffv1::is_whole);
        }
        Ok(decoding)
    }

    /// Goes on to a frame not far ahead. Those before it are dropped as they come, or not
    /// decoded where no other refers to them.
    fn go_on(&mut self, frame: i64) {
        self.retries = 0;
        self.unwanted = if self.intra_only { frame } else { i64::MIN };
    }

    /// Returns the next packet that is wanted; `None` at the end of the file.
    fn packet(&mut self, wanted: &Wants<'_>) -> Option<ff::Packet> {
        let mut packet = self.held.take();
        loop {
            packet = Some(packet.take().or_else(|| next_packet(&mut self.input, self.stream))?);
            let frame = packet.as_ref().and_then(ff::Packet::pts).map(|pts| self.clock.frame(pts));
            let of_use = |frame: i64| {
                frame >= self.unwanted
                    && !(self.intra_only && wanted(Frame(frame)) == Wanted::Nothing)
            };
            if frame.is_none_or(of_use) {
                return packet;
            }
            packet = None;
        }
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
        while at > 0 {
            self.forget();
            self.at_head = false;
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
        if self.at_head {
            return Ok(());
        }
        self.input = reopened(&self.path, self.stream, &self.name, self.plain)?;
        self.forget();
        self.key = None;
        Ok(())
    }

    /// Empties the decoder before it gets packets from another place.
    fn forget(&mut self) {
        self.decoder.flush();
        self.held = None;
        self.unwanted = i64::MIN;
        self.fed = Fed::default();
        self.ended = false;
        self.blame = None;
    }

    /// Begins again at `wanted` with one thread. Where frames refer to others, the decoder
    /// is lenient now: it marks what it painted over, and is not stopped by what only looks
    /// wrong after a seek or a trim.
    fn be_careful(&mut self, wanted: i64) -> Result<(), String> {
        self.careful = true;
        self.threads = 1;
        let Some(video) = self.input.stream(self.stream) else {
            return Err("the file changed while it was read".into());
        };
        self.decoder = open_decoder(&video, 1, self.intra_only).map_err(|why| why.to_string())?;
        self.retries = 0;
        self.seek(wanted, wanted).map_err(|faults| faults.to_string())
    }

    /// Returns the picture of frame `wanted`; frames before it are dropped.
    fn next(&mut self, target: i64, wanted: &Wants<'_>) -> Result<Picture, String> {
        loop {
            let shortfall = match self.receive(wanted) {
                Out::Error if !self.careful => {
                    self.be_careful(target)?;
                    continue;
                }
                Out::Error => continue,
                Out::Frame(frame) => {
                    let Some(pts) = frame.pts().filter(|pts| self.is_after_key(*pts)) else {
                        continue;
                    };
                    if ffi::is_damaged(&frame) {
                        self.fed.mark_bad(pts);
                        if !self.careful {
                            self.be_careful(target)?;
                            continue;
                        }
                    }
                    match self.clock.frame(pts) {
                        n if n < target => continue,
                        n if n > target => "the decoder left it out",
                        _ if self.fed.is_tainted(pts) => "it is damaged, or a frame it refers to",
                        _ => {
                            self.retries = 0;
                            self.blame = None;
                            let luma_alone = self.fed.is_without_colour(pts);
                            return Picture::new(frame)
                                .map(|whole| if luma_alone { whole.luma_alone() } else { whole })
                                .ok_or_else(|| "its samples are not in memory".to_string());
                        }
                    }
                }
                Out::End => "the file ended before it",
            };
            self.begin_earlier(target, shortfall)?;
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
        loop {
            match self.receive(&|_| Wanted::Whole) {
                Out::Frame(frame) if frame.pts().is_some() => {
                    if let Some(picture) = Picture::new(frame) {
                        return Ok(picture);
                    }
                }
                Out::Error if !self.careful => self.be_careful(0)?,
                Out::Frame(_) | Out::Error => {}
                Out::End => break,
            }
        }
        Err(match self.blame {
            Some(blame) => format!("no picture comes out of the decoder ({blame})"),
            None => "no picture comes out of the decoder".to_string(),
        })
    }

    /// Tells whether a picture has its references: those before the key the read began
    /// from are leading pictures of an open GOP.
    fn is_after_key(&self, pts: i64) -> bool {
        self.key.is_none_or(|key| pts >= key)
    }

    /// Returns what comes out of the decoder next.
    fn receive(&mut self, wanted: &Wants<'_>) -> Out {
        loop {
            let mut frame = ff::frame::Video::empty();
            let why = match self.decoder.receive_frame(&mut frame) {
                Ok(()) => return Out::Frame(frame),
                Err(ff::Error::Eof) => return Out::End,
                Err(ff::Error::Other { errno: ff::error::EAGAIN }) if self.ended => {
                    return Out::End;
                }
                Err(ff::Error::Other { errno: ff::error::EAGAIN }) => match self.feed(wanted) {
                    Ok(()) => continue,
                    Err(why) => why,
                },
                Err(why) => why,
            };
            self.blame = Some(why);
            self.fed.mark_last_bad();
            if self.ended {
                // Each error while draining takes one frame off the queue; errors for ever
                // would not end by themselves.
                self.drain_errors += 1;
                if self.drain_errors > MOST_DRAIN_ERRORS {
                    return Out::End;
                }
            }
            return Out::Error;
        }
    }

    /// Gives the decoder one packet, or the end of the file.
    fn feed(&mut self, wanted: &Wants<'_>) -> Result<(), ff::Error> {
        self.at_head = false;
        let packet = self.packet(wanted);
        match &packet {
            Some(packet) => {
                let frame = packet.pts().map(|pts| Frame(self.clock.frame(pts)));
                let without =
                    self.luma_alone && frame.is_some_and(|frame| wanted(frame) < Wanted::Whole);
                if self.luma_alone {
                    ffi::leave_out_colour(&mut self.decoder, without);
                }
                self.fed.add(packet, without);
                let sent = self.decoder.send_packet(packet);
                if self.checked && !packet.data().is_some_and(ffv1::is_whole) {
                    return Err(ff::Error::InvalidData);
                }
                sent
            }
            None => {
                self.ended = true;
                self.drain_errors = 0;
                self.decoder.send_eof()
            }
        }
    }
}

/// The last packets given to the decoder, in order of decoding.
#[derive(Default)]
struct Fed(VecDeque<FedPacket>);

struct FedPacket {
    pts: Option<i64>,
    key: bool,
    bad: bool,
    without_colour: bool,
}

impl Fed {
    /// Packets kept. Ours: more than a GOP of two seconds at the highest rate in use, since
    /// only what is still inside the decoder, and its key, must be found again.
    const KEPT: usize = 512;

    fn add(&mut self, packet: &ff::Packet, without_colour: bool) {
        // A bad packet that would be forgotten taints what follows as its oldest entry.
        if self.0.len() == Self::KEPT
            && let Some(oldest) = self.0.pop_front()
            && let Some(next) = self.0.front_mut()
        {
            next.bad |= oldest.bad && !next.key;
        }
        let (pts, key) = (packet.pts(), packet.is_key());
        self.0.push_back(FedPacket { pts, key, bad: false, without_colour });
    }

    fn is_without_colour(&self, pts: i64) -> bool {
        let packet = self.0.iter().rev().find(|packet| packet.pts == Some(pts));
        packet.is_some_and(|packet| packet.without_colour)
    }

    fn mark_last_bad(&mut self) {
        if let Some(last) = self.0.back_mut() {
            last.bad = true;
        }
    }

    fn mark_bad(&mut self, pts: i64) {
        if let Some(packet) = self.0.iter_mut().rev().find(|packet| packet.pts == Some(pts)) {
            packet.bad = true;
        }
    }

    /// Tells whether a picture, or one it may refer to, was damaged: no key lies between a
    /// bad packet and its own, of which it is not a leading picture.
    fn is_tainted(&self, pts: i64) -> bool {
        let Some(at) = self.0.iter().rposition(|packet| packet.pts == Some(pts)) else {
            return false;
        };
        for packet in self.0.iter().take(at + 1).rev() {
            if packet.bad {
                return true;
            }
            if packet.key && packet.pts.is_some_and(|key| key <= pts) {
                return false;
            }
        }
        false
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
    strict: bool,
) -> Result<ff::decoder::Video, ff::Error> {
    let mut context = ff::codec::Context::from_parameters(video.parameters())?;
    ffi::set_decoding(&mut context, threads, video.time_base(), strict);
    context.decoder().video()
}
