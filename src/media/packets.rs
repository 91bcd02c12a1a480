//! Coded packets in: the coded frames of one picture track, found by their time.

use super::clock::Clock;
use super::container;
use super::ffi;
use super::ffi_packets as raw;
use super::mux::{Container, Track};
use super::open::{Media, Source};
use crate::error::{BadInput, Faults};
use crate::time::{FrameRange, Rate};
use ffmpeg_next as ff;
use std::collections::BTreeMap;
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::Path;

/// Codecs whose frames stand alone and may be copied. H.264 and HEVC are never among
/// them: a key packet may still lean on parameter sets or recovery points elsewhere.
const STAND_ALONE: [&str; 9] =
    ["prores", "dnxhd", "mjpeg", "jpeg2000", "cfhd", "rawvideo", "v210", "v410", "ffv1"];

/// Most frames, and about most bytes, held at once when a run goes backward in a container
/// whose packets cannot be read by position. They bound memory only.
const BLOCK_FRAMES: i64 = 32;
const BLOCK_BYTES: usize = 64 << 20;

/// Why coded frames cannot be copied.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NoCopy {
    /// They do not stand alone, or not provably; the plate can be encoded. In plain words.
    Reason(String),
    /// The file cannot be read.
    Fault(BadInput),
}

impl From<BadInput> for NoCopy {
    fn from(fault: BadInput) -> Self {
        NoCopy::Fault(fault)
    }
}

/// Where one coded frame lies in its file, and what it must read as.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Place {
    at: u64,
    size: usize,
    checksum: u32,
}

/// One coded frame: its bytes, then 64 zeros that FFmpeg's readers may run into.
#[derive(Debug, Default)]
pub struct CodedFrame {
    padded: Vec<u8>,
    checksum: u32,
}

impl CodedFrame {
    /// Returns the frame's bytes.
    pub fn bytes(&self) -> &[u8] {
        self.padded.get(..self.padded.len().saturating_sub(raw::PADDING)).unwrap_or_default()
    }

    /// Returns the frame's bytes with the padding that the muxer asks for.
    pub fn padded(&self) -> &[u8] {
        &self.padded
    }

    /// Returns the CRC-32 of the frame's bytes.
    pub fn checksum(&self) -> u32 {
        self.checksum
    }

    fn fill(&mut self, bytes: &[u8], checksum: u32) {
        self.padded.clear();
        self.padded.reserve(bytes.len() + raw::PADDING);
        self.padded.extend_from_slice(bytes);
        self.padded.extend_from_slice(&[0; raw::PADDING]);
        self.checksum = checksum;
    }
}

/// The picture track of a container file, read packet by packet.
pub struct CodedVideo {
    input: ff::format::context::Input,
    file: File,
    name: String,
    stream: usize,
    container: Container,
    clock: Clock,
    look: raw::CodedLook,
    /// File frame the next packet should be; `None` when not known.
    next: Option<i64>,
    /// Frames met so far.
    places: BTreeMap<i64, Place>,
    /// Whether packets lie in the file byte for byte; `None` before the first was tried.
    by_position: Option<bool>,
    /// Frames read ahead of a backward run.
    ahead: BTreeMap<i64, ff::Packet>,
    coded_size: Option<(u16, u16)>,
}

impl CodedVideo {
    /// Opens media for copying.
    ///
    /// # Errors
    ///
    /// [`NoCopy`] if the codec or container is none whose frames may be copied, or the
    /// file cannot be read.
    pub fn open(media: &Media) -> Result<CodedVideo, NoCopy> {
        let Source::Container { stream, clock } = &media.source else {
            return Err(NoCopy::Reason("image files are copied whole, not by packet".into()));
        };
        let name = media.info().name.as_str();
        let input = container::reopen(media.path(), *stream, name).map_err(first_fault(name))?;
        CodedVideo::begin(media.path(), name, input, *stream, *clock)
    }

    /// Opens a file that was written here, to read it back. Its first packet is frame 0.
    ///
    /// # Errors
    ///
    /// [`NoCopy`] as for [`CodedVideo::open`].
    pub fn reread(path: &Path, name: &str, rate: Rate) -> Result<CodedVideo, NoCopy> {
        let mut input = container::open_input(path, name).map_err(first_fault(name))?;
        let (stream, base) = {
            let stream = input.streams().best(ff::media::Type::Video);
            let stream = stream.ok_or_else(|| unread(name, "holds no picture track"))?;
            (stream.index(), stream.time_base())
        };
        ffi::keep_streams(&mut input, &[stream]);
        let tick = (u32::try_from(base.0).unwrap_or(1), u32::try_from(base.1).unwrap_or(1).max(1));
        let clock = Clock { first: 0, tick: (tick.0.max(1), tick.1), rate };
        let mut video = CodedVideo::begin(path, name, input, stream, clock)?;
        if let Some(packet) = video.next_packet()? {
            video.clock.first = packet.pts().ok_or_else(|| no_time(0))?;
        }
        Ok(video)
    }

    fn begin(
        path: &Path,
        name: &str,
        input: ff::format::context::Input,
        stream: usize,
        clock: Clock,
    ) -> Result<CodedVideo, NoCopy> {
        let file =
            File::open(path).map_err(|io| unread(name, &format!("cannot be opened: {io}")))?;
        let format = input.format().name().to_owned();
        let look = input
            .stream(stream)
            .map(|stream| raw::coded_look(&stream.parameters()))
            .ok_or_else(|| unread(name, "holds no picture track"))?;
        let container = container_of(&format, &look)?;
        Ok(CodedVideo {
            input,
            file,
            name: name.to_owned(),
            stream,
            container,
            clock,
            look,
            next: None,
            places: BTreeMap::new(),
            by_position: None,
            ahead: BTreeMap::new(),
            coded_size: None,
        })
    }

    /// Returns the container that copied frames go into: the same, or the nearest that
    /// carries timecode.
    pub fn container(&self) -> Container {
        self.container
    }

    /// Describes the track for a copy of it.
    pub fn track(&self, timecode: Option<String>, reel: Option<String>) -> Option<Track> {
        let stream = self.input.stream(self.stream)?;
        Some(Track {
            parameters: stream.parameters(),
            pixel_aspect: raw::pixel_aspect(&stream),
            rate: self.clock.rate,
            timecode,
            reel,
        })
    }

    /// Tells in words how the picture of `copy` differs from this one's; `None` if not.
    ///
    /// Extradata is compared where the codec cannot be read without it.
    pub fn difference(&self, copy: &CodedVideo) -> Option<String> {
        let (a, b) = (&self.look, &copy.look);
        let differs = if a.codec != b.codec {
            format!("codec {} became {}", a.codec, b.codec)
        } else if (a.width, a.height) != (b.width, b.height) {
            format!("{}x{} became {}x{}", a.width, a.height, b.width, b.height)
        } else if a.pixel_format != b.pixel_format {
            "the pixel format changed".into()
        } else if a.colour != b.colour {
            format!("colour tags {:?} became {:?}", a.colour, b.colour)
        } else if a.codec == "ffv1" && a.extradata != b.extradata {
            "the extradata changed".into()
        } else {
            return None;
        };
        Some(differs)
    }

    /// Reads the coded frame of a file frame into `frame`.
    ///
    /// `backward` says that the frame before it is likely to be asked for next. Every
    /// frame is checked when it is first met: a key packet, shown, `pts = dts`, one packet
    /// a frame, no new extradata, one picture size. Later it is read by position and must
    /// have the same checksum.
    ///
    /// # Errors
    ///
    /// [`NoCopy`].
    pub fn read(
        &mut self,
        file_frame: i64,
        backward: bool,
        frame: &mut CodedFrame,
    ) -> Result<(), NoCopy> {
        if let (Some(place), Some(true)) = (self.places.get(&file_frame), self.by_position) {
            let place = *place;
            self.read_place(place, frame)?;
            if frame.checksum != place.checksum {
                return Err(self.fault(file_frame, "changed while it was read").into());
            }
            return Ok(());
        }
        let packet = self.packet(file_frame, backward)?;
        let bytes = packet.data().unwrap_or_default();
        let checksum = match self.places.get(&file_frame) {
            Some(place) => place.checksum,
            None => self.check(file_frame, &packet)?,
        };
        frame.fill(bytes, checksum);
        Ok(())
    }

    /// Checks the coded frames of a range without keeping them (file clock).
    ///
    /// # Errors
    ///
    /// As [`CodedVideo::read`].
    pub fn look_at(&mut self, range: FrameRange) -> Result<(), NoCopy> {
        for file_frame in range.start.0..range.end.0 {
            let packet = self.packet(file_frame, false)?;
            self.check(file_frame, &packet)?;
        }
        Ok(())
    }

    /// Calls `each` with file frame number and checksum of every packet from the start.
    ///
    /// # Errors
    ///
    /// [`NoCopy`] as for [`CodedVideo::read`], or what `each` returns.
    pub fn every_checksum(
        &mut self,
        mut each: impl FnMut(i64, u32) -> Result<(), NoCopy>,
    ) -> Result<(), NoCopy> {
        self.seek(0)?;
        self.coded_size = None;
        while let Some(packet) = self.next_packet()? {
            let frame = self.frame_of(&packet)?;
            self.coded_look_of(frame, &packet)?;
            each(frame, crc32fast::hash(packet.data().unwrap_or_default()))?;
        }
        Ok(())
    }

    /// Returns the checksum of a file frame that was read before.
    pub fn checksum_of(&self, file_frame: i64) -> Option<u32> {
        self.places.get(&file_frame).map(|place| place.checksum)
    }

    /// Returns the packet of a file frame, from those read ahead or from the file.
    fn packet(&mut self, frame: i64, backward: bool) -> Result<ff::Packet, NoCopy> {
        if let Some(packet) = self.ahead.remove(&frame) {
            if !backward {
                // Kept for a frame that is held; a backward run has done with it.
                self.ahead.insert(frame, packet.clone());
            }
            return Ok(packet);
        }
        if self.next != Some(frame) {
            let from = if backward { (frame - BLOCK_FRAMES + 1).max(0) } else { frame };
            self.seek(from)?;
        }
        self.ahead.clear();
        self.read_to(frame, backward)
    }

    /// Reads on to a file frame; on the way to a backward run keeps what it passes.
    fn read_to(&mut self, frame: i64, backward: bool) -> Result<ff::Packet, NoCopy> {
        let mut held = 0;
        while let Some(packet) = self.next_packet()? {
            if ffi::is_hidden(&packet)
                && packet.pts().is_some_and(|pts| pts < self.clock.pts(frame))
            {
                continue;
            }
            let at = self.frame_of(&packet)?;
            if self.next.is_some_and(|next| at < next) {
                return Err(NoCopy::Reason(format!("frame {at} has two packets")));
            }
            self.next = Some(at + 1);
            if at == frame {
                return Ok(packet);
            }
            if at > frame {
                break;
            }
            if backward {
                held += packet.size();
                self.ahead.insert(at, packet);
                while held > BLOCK_BYTES {
                    let Some((_, oldest)) = self.ahead.pop_first() else { break };
                    held -= oldest.size();
                }
            }
        }
        Err(self.fault(frame, "no packet has its time").into())
    }

    /// Moves to a file frame or before it.
    fn seek(&mut self, frame: i64) -> Result<(), NoCopy> {
        self.next = None;
        let pts = self.clock.pts(frame);
        ffi::seek_back(&mut self.input, self.stream, pts)
            .or_else(|_| ffi::seek_back(&mut self.input, self.stream, i64::MIN / 2))
            .map_err(|fault| self.fault(frame, &format!("cannot be reached: {fault}")).into())
    }

    /// Reads the next packet of the picture track; `None` at the end of the file.
    fn next_packet(&mut self) -> Result<Option<ff::Packet>, NoCopy> {
        loop {
            let mut packet = ff::Packet::empty();
            match packet.read(&mut self.input) {
                Ok(()) if packet.stream() == self.stream => return Ok(Some(packet)),
                Ok(()) => {}
                Err(ff::Error::Eof) => return Ok(None),
                Err(fault) => {
                    let at = self.next.unwrap_or_default();
                    return Err(self.fault(at, &format!("cannot be read: {fault}")).into());
                }
            }
        }
    }

    /// Checks a packet that is met for the first time and notes where it lies.
    fn check(&mut self, frame: i64, packet: &ff::Packet) -> Result<u32, NoCopy> {
        self.coded_look_of(frame, packet)?;
        let bytes = packet.data().unwrap_or_default();
        let checksum = crc32fast::hash(bytes);
        let Ok(at) = u64::try_from(packet.position()) else {
            self.by_position = Some(false);
            self.places.insert(frame, Place { at: 0, size: bytes.len(), checksum });
            return Ok(checksum);
        };
        let place = Place { at, size: bytes.len(), checksum };
        if self.by_position.is_none() {
            let mut seen = CodedFrame::default();
            let lies_there = self.read_place(place, &mut seen).is_ok() && seen.bytes() == bytes;
            self.by_position = Some(lies_there);
        }
        self.places.insert(frame, place);
        Ok(checksum)
    }

    /// Checks that a packet stands alone and looks like the others.
    fn coded_look_of(&mut self, frame: i64, packet: &ff::Packet) -> Result<(), NoCopy> {
        let because = |why: &str| Err(NoCopy::Reason(format!("frame {frame} {why}")));
        if !packet.is_key() {
            return because("is no key frame: it cannot be shown without others");
        }
        if ffi::is_hidden(packet) {
            return because("is marked as not shown");
        }
        if packet.is_corrupt() {
            return because("is marked as damaged");
        }
        if packet.dts().is_some_and(|dts| packet.pts() != Some(dts)) {
            return because("is not decoded in the order it is shown");
        }
        if raw::changes_parameters(packet) {
            return because("changes the decoder's parameters");
        }
        let size = coded_size(&self.look.codec, packet.data().unwrap_or_default());
        match (self.coded_size, size) {
            (Some(first), Some(here)) if first != here => because("has another picture size"),
            (None, Some(here)) => {
                self.coded_size = Some(here);
                Ok(())
            }
            _ => Ok(()),
        }
    }

    /// Reads a frame by position.
    fn read_place(&self, place: Place, frame: &mut CodedFrame) -> Result<(), NoCopy> {
        frame.padded.resize(place.size + raw::PADDING, 0);
        let (bytes, padding) = frame.padded.split_at_mut(place.size);
        padding.fill(0);
        self.file.read_exact_at(bytes, place.at).map_err(|io| {
            BadInput::new(
                &self.name,
                format!("byte {}", place.at),
                format!("cannot be read: {io}"),
                "copy the file again from its master",
            )
        })?;
        frame.checksum = crc32fast::hash(bytes);
        Ok(())
    }

    /// Returns the file frame a packet shows, from its time.
    fn frame_of(&self, packet: &ff::Packet) -> Result<i64, NoCopy> {
        let pts = packet.pts().ok_or_else(|| no_time(self.next.unwrap_or_default()))?;
        let frame = self.clock.frame(pts);
        let (off, whole) = self.clock.off(pts, frame);
        // A quarter of a frame: container time bases round by far less, a variable rate by
        // more.
        if off.abs().saturating_mul(4) > whole {
            return Err(NoCopy::Reason(format!(
                "the packet near frame {frame} lies between two frames of {} a second",
                self.clock.rate
            )));
        }
        Ok(frame)
    }

    fn fault(&self, frame: i64, fault: &str) -> BadInput {
        BadInput::new(
            &self.name,
            format!("frame {frame}"),
            fault,
            "copy the file again from its master, or play it to see where it breaks",
        )
    }
}

fn unread(name: &str, fault: &str) -> BadInput {
    BadInput::new(name, "", fault, "check that the file is whole and readable")
}

/// Passes on the first fault of opening a file; there is one.
fn first_fault(name: &str) -> impl Fn(Faults) -> NoCopy + '_ {
    move |faults| {
        NoCopy::Fault(faults.0.into_iter().next().unwrap_or_else(|| unread(name, "cannot be read")))
    }
}

fn no_time(frame: i64) -> NoCopy {
    NoCopy::Reason(format!("the packet near frame {frame} carries no time"))
}

/// Chooses the container for copies, or says why there is none.
fn container_of(format: &str, look: &raw::CodedLook) -> Result<Container, NoCopy> {
    let because = |why: String| Err(NoCopy::Reason(why));
    let codec = look.codec.as_str();
    if !STAND_ALONE.contains(&codec) {
        return because(format!("{codec} frames do not stand alone"));
    }
    match format {
        "mov,mp4,m4a,3gp,3g2,mj2" => Ok(Container::Mov),
        "mxf" => Ok(Container::Mxf),
        "matroska,webm" => Ok(Container::Mkv),
        "avi" if codec == "ffv1" => Ok(Container::Mkv),
        // Uncompressed AVI stores rows bottom up; QuickTime does not.
        "avi" if codec != "rawvideo" => Ok(Container::Mov),
        _ => because(format!("{codec} in {format} has no container that keeps it with timecode")),
    }
}

/// Reads width and height from the header of a coded frame where the codec has one.
///
/// Sources: SMPTE RDD 36 (ProRes frame header), SMPTE ST 2019-1 (VC-3 header), ITU-T T.81
/// (JPEG frame header), ITU-T T.800 (SIZ marker); byte positions from memory.
fn coded_size(codec: &str, bytes: &[u8]) -> Option<(u16, u16)> {
    let pair = |at: usize| -> Option<u16> {
        Some(u16::from_be_bytes([*bytes.get(at)?, *bytes.get(at + 1)?]))
    };
    match codec {
        "prores" => Some((pair(16)?, pair(18)?)),
        "dnxhd" => Some((pair(0x1a)?, pair(0x18)?)),
        "mjpeg" => jpeg_size(bytes),
        "jpeg2000" => {
            let at = bytes.windows(4).take(4096).position(|m| m == [0xff, 0x4f, 0xff, 0x51])?;
            Some((pair(at + 10)?, pair(at + 14)?))
        }
        _ => None,
    }
}

/// Walks the marker segments of a JPEG picture to its frame header.
fn jpeg_size(bytes: &[u8]) -> Option<(u16, u16)> {
    let pair = |at: usize| -> Option<u16> {
        Some(u16::from_be_bytes([*bytes.get(at)?, *bytes.get(at + 1)?]))
    };
    let mut at = 2;
    loop {
        let marker = pair(at)?;
        match marker {
            0xffc0..=0xffc3 | 0xffc5..=0xffc7 | 0xffc9..=0xffcb | 0xffcd..=0xffcf => {
                return Some((pair(at + 7)?, pair(at + 5)?));
            }
            0xffff => at += 1,
            0xff01..=0xfffe => at += 2 + usize::from(pair(at + 2)?),
            _ => return None,
        }
    }
}
