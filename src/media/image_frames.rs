//! Decoding image files: each file is one packet.

use super::ffi;
use super::frames::Wants;
use super::images::Codec;
use super::info::MediaKind;
use super::open::{Media, shown_name};
use super::picture::Picture;
use super::read::Wanted;
use crate::error::Faults;
use crate::time::{Frame, FrameRange};
use ffmpeg_next as ff;
use std::path::PathBuf;

/// Largest image file that is read. A packet's size is a 32-bit number in the libraries.
const LARGEST: u64 = 1 << 30;

/// The decoder of a run of image files.
pub(super) struct ImageFrames {
    files: Vec<PathBuf>,
    codec: Codec,
    threads: u32,
    decoder: ff::decoder::Video,
    /// The next file to be sent, and the file after the last.
    feed_at: i64,
    feed_end: i64,
    ended: bool,
    /// Why a file could not be decoded, by its frame.
    blame: Option<(i64, String)>,
    size: Option<(u32, u32)>,
}

/// Returns the name FFmpeg gives a codec.
pub(super) fn codec_name(codec: Codec) -> String {
    id(codec).name().to_string()
}

fn id(codec: Codec) -> ff::codec::Id {
    use ff::codec::Id;
    match codec {
        Codec::Dpx => Id::DPX,
        Codec::Exr => Id::EXR,
        Codec::Png => Id::PNG,
        Codec::Tiff => Id::TIFF,
        Codec::Jpeg => Id::MJPEG,
        Codec::Jpeg2000 => Id::JPEG2000,
        Codec::Bmp => Id::BMP,
        Codec::Tga => Id::TARGA,
    }
}

fn open_decoder(codec: Codec, threads: u32) -> Result<ff::decoder::Video, ff::Error> {
    let found = ff::decoder::find(id(codec)).ok_or(ff::Error::DecoderNotFound)?;
    let mut context = ff::codec::Context::new_with_codec(found);
    // A strict TIFF decoder of FFmpeg 5.1 refuses what its own encoder writes.
    ffi::set_decoding(&mut context, threads, ff::Rational(1, 1), codec != Codec::Tiff);
    context.decoder().video()
}

impl ImageFrames {
    pub(super) fn open(media: &Media, codec: Codec) -> Result<ImageFrames, Faults> {
        let MediaKind::Images { files, .. } = &media.info.kind else {
            return Err(Faults::one(&media.info.name, "", "it is no run of image files", ""));
        };
        let threads = media.options.threads;
        let decoder = open_decoder(codec, threads)
            .map_err(|_| super::container::no_decoder(&media.info.name, &codec_name(codec)))?;
        let size = (media.info.width > 0).then_some((media.info.width, media.info.height));
        Ok(ImageFrames {
            feed_end: 1.min(files.len() as i64),
            files: files.clone(),
            codec,
            threads,
            decoder,
            feed_at: 0,
            ended: false,
            blame: None,
            size,
        })
    }

    /// Prepares for the frames of a range.
    pub(super) fn go_to(&mut self, range: FrameRange) {
        // A decoder that was drained is opened afresh: some image decoders stay ended.
        if let Ok(decoder) = open_decoder(self.codec, self.threads) {
            self.decoder = decoder;
        }
        self.feed_at = range.start.0;
        self.feed_end = range.end.0.min(self.files.len() as i64);
        self.ended = false;
        self.blame = None;
    }

    /// Returns the picture of frame `target`, or says why there is none.
    pub(super) fn next(&mut self, target: i64, wanted: &Wants<'_>) -> Result<Picture, String> {
        loop {
            let mut frame = ff::frame::Video::empty();
            match self.decoder.receive_frame(&mut frame) {
                Ok(()) => match frame.timestamp() {
                    Some(n) if n < target => continue,
                    Some(n) if n == target => return self.checked(target, frame),
                    _ => return Err(self.why(target)),
                },
                Err(ff::Error::Other { errno: ff::error::EAGAIN }) if !self.ended => {
                    self.feed(wanted)
                }
                Err(ff::Error::Eof | ff::Error::Other { errno: ff::error::EAGAIN }) => {
                    return Err(self.why(target));
                }
                Err(why) => {
                    self.note(target, &why);
                    return Err(self.why(target));
                }
            }
        }
    }

    fn checked(&mut self, wanted: i64, frame: ff::frame::Video) -> Result<Picture, String> {
        if ffi::is_damaged(&frame) {
            return Err(format!("{}: it is damaged", self.file(wanted)));
        }
        let size = (frame.width(), frame.height());
        if self.size.is_some_and(|first| first != size) {
            let (w, h) = self.size.unwrap_or(size);
            return Err(format!(
                "{}: it is {} x {}, the first image is {w} x {h}",
                self.file(wanted),
                size.0,
                size.1
            ));
        }
        Picture::new(frame).ok_or_else(|| format!("{}: it has no size", self.file(wanted)))
    }

    fn feed(&mut self, wanted: &Wants<'_>) {
        while self.feed_at < self.feed_end && wanted(Frame(self.feed_at)) == Wanted::Nothing {
            self.feed_at += 1;
        }
        let n = self.feed_at;
        let path = usize::try_from(n).ok().and_then(|n| self.files.get(n));
        let sent = match path {
            Some(path) if n < self.feed_end => {
                self.feed_at += 1;
                read_packet(path, n).map(|packet| self.decoder.send_packet(&packet))
            }
            _ => {
                self.ended = true;
                Ok(self.decoder.send_eof())
            }
        };
        match sent {
            Ok(Ok(())) => {}
            Ok(Err(why)) => self.note(n, &why),
            Err(why) => {
                self.blame.get_or_insert((n, why));
            }
        }
    }

    fn note(&mut self, frame: i64, why: &ff::Error) {
        self.blame.get_or_insert((frame, why.to_string()));
    }

    /// Says why a frame is missing, naming its file.
    fn why(&self, frame: i64) -> String {
        let why = self.blame.as_ref().map_or("no picture comes out of the decoder", |(_, why)| why);
        format!("{}: {why}", self.file(frame))
    }

    fn file(&self, frame: i64) -> String {
        usize::try_from(frame)
            .ok()
            .and_then(|n| self.files.get(n))
            .map_or_else(String::new, |path| shown_name(path))
    }
}

/// Reads an image file as a packet whose time is its frame.
fn read_packet(path: &PathBuf, n: i64) -> Result<ff::Packet, String> {
    let size = std::fs::metadata(path).map_err(|why| super::container::said(&why))?.len();
    if size == 0 {
        return Err("it is empty: 0 bytes".into());
    }
    if size > LARGEST {
        return Err(format!("{size} bytes are too many for one image"));
    }
    let bytes = std::fs::read(path).map_err(|why| super::container::said(&why))?;
    if bytes.is_empty() || bytes.len() as u64 > LARGEST {
        return Err("it changed while it was read".into());
    }
    let mut packet = ff::Packet::copy(&bytes);
    packet.set_pts(Some(n));
    packet.set_dts(Some(n));
    packet.set_flags(ff::packet::Flags::KEY);
    Ok(packet)
}
