//! Movies to look at: H.264 and AAC in MP4, square pixels, no picture that refers forward.

use super::encode::{is_full, plain_format, settle_matrix};
use super::ffi_encode as raw;
use super::ffi_packets;
use super::ffi_sound;
use super::info::MediaInfo;
use super::picture::Picture;
use super::samples::Retouched;
use crate::time::Rate;
use ff::ffi::{AVColorRange, AVColorTransferCharacteristic};
use ffmpeg_next as ff;
use half::f16;
use std::path::Path;

/// Longest side of the picture, in pixels.
pub const LONGEST_SIDE: u32 = 1920;

/// Encoders of H.264 that are tried, the best first; all in software, so that the bytes hang
/// on no graphics card.
const ENCODERS: [&str; 2] = ["libx264", "libopenh264"];

/// Bits a second for an encoder that does not take a constant quality. Ours.
const BITS: usize = 16_000_000;

/// Samples of a coded frame of AAC.
const AAC_FRAME: usize = 1024;

/// Bits a second of AAC for each channel. Ours.
const AAC_BITS: usize = 128_000;

/// What is to be looked at.
pub struct ViewingTarget<'a> {
    /// Size, aspect, colour and pixel format of the pictures.
    pub source: &'a MediaInfo,
    /// Frames a second.
    pub rate: Rate,
    /// Label of the first frame.
    pub timecode: Option<String>,
    /// Samples a second and channels of the sound.
    pub sound: Option<(u32, usize)>,
    /// Encoder threads.
    pub threads: u32,
}

/// A movie to look at being written. It is whole only after [`ViewingCopy::finish`].
pub struct ViewingCopy {
    output: ff::format::context::Output,
    encoder: ff::encoder::video::Encoder,
    sound: Option<SoundOut>,
    scaler: ff::software::scaling::Context,
    from: String,
    size: (u32, u32),
    colour: raw::Colour,
    curve: Option<Vec<f32>>,
    base: ff::Rational,
    sent: i64,
    notes: Vec<String>,
}

/// The sound track being encoded.
struct SoundOut {
    encoder: ff::encoder::audio::Encoder,
    rate: u32,
    waiting: Vec<Vec<f32>>,
    sent: i64,
}

/// Returns the size at which pictures are looked at: square pixels, nothing thrown away where
/// they are not, both sides even and at most [`LONGEST_SIDE`].
pub fn viewing_size(info: &MediaInfo) -> (u32, u32) {
    let (num, den) = (f64::from(info.pixel_aspect.0.max(1)), f64::from(info.pixel_aspect.1.max(1)));
    let (width, height) = (f64::from(info.width), f64::from(info.height));
    let (width, height) =
        if num > den { (width * num / den, height) } else { (width, height * den / num) };
    let scale = (f64::from(LONGEST_SIDE) / width.max(height)).min(1.0);
    let even = |side: f64| (((side * scale / 2.0).round() as u32) * 2).clamp(2, LONGEST_SIDE);
    (even(width), even(height))
}

impl ViewingCopy {
    /// Begins a movie at `path`, which is overwritten.
    ///
    /// Colour stays what it is; codes in full range become limited range, which is what
    /// players take H.264 for. Scene-linear floating point gets the curve of Rec. 709.
    ///
    /// # Errors
    ///
    /// What keeps it from being made, in words.
    pub fn create(path: &Path, target: &ViewingTarget<'_>) -> Result<ViewingCopy, String> {
        let info = target.source;
        let traits = raw::format_traits(&info.pixel_format)
            .ok_or_else(|| format!("pixel format {} is not known", info.pixel_format))?;
        let (mut colour, mut notes) = (raw::Colour::of(&info.colour), Vec::new());
        let size = viewing_size(info);
        let scaler = scaler(info, &traits, size, &mut colour, &mut notes)?;
        let curve = traits.float.then(rec709_curve);
        if curve.is_some() {
            colour.transfer = AVColorTransferCharacteristic::AVCOL_TRC_BT709;
            notes.push("scene-linear light is shown with the curve of Rec. 709".into());
        }
        let encoder = open_picture(target, size, colour)?;
        let sound = target.sound.map(open_sound).transpose()?;
        let (output, base) = begin(path, target, &encoder, sound.as_ref())?;
        let from = plain_format(&info.pixel_format);
        let sent = 0;
        Ok(ViewingCopy {
            output,
            encoder,
            sound,
            scaler,
            from,
            size,
            colour,
            curve,
            base,
            sent,
            notes,
        })
    }

    /// Returns what had to be assumed, in sentences.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// Returns a picture as it will be looked at, to be drawn on: 8 bits, 4:2:0, limited range.
    ///
    /// # Errors
    ///
    /// A picture of another size or pixel format than the source's.
    pub fn scaled(&mut self, picture: &Picture) -> Result<Retouched, String> {
        let input = self.scaler.input();
        let like = plain_format(picture.format()) == self.from
            && (picture.width(), picture.height()) == (input.width, input.height);
        if !like {
            let (width, height) = (picture.width(), picture.height());
            return Err(format!("the picture changes to {width}x{height} {}", picture.format()));
        }
        let curved = match &self.curve {
            Some(curve) => Some(curved(picture, curve).ok_or("no memory for a frame")?),
            None => None,
        };
        let picture = curved.as_ref().unwrap_or(picture);
        let mut shared = raw::share(picture.frame()).ok_or("no memory for a frame")?;
        shared.set_format(self.scaler.input().format);
        let mut out = ff::frame::Video::new(ff::format::Pixel::YUV420P, self.size.0, self.size.1);
        self.scaler
            .run(&shared, &mut out)
            .map_err(|fault| format!("cannot be converted: {fault}"))?;
        Picture::new(out).map(Retouched::of).ok_or_else(|| "no memory for a frame".into())
    }

    /// Encodes a picture that [`ViewingCopy::scaled`] gave.
    ///
    /// # Errors
    ///
    /// What went wrong, in words.
    pub fn push(&mut self, picture: &Picture) -> Result<(), String> {
        let mut frame = raw::share(picture.frame()).ok_or("no memory for a frame")?;
        raw::tag_frame(&mut frame, self.colour, (1, 1), self.sent);
        self.sent += 1;
        self.encoder.send_frame(&frame).map_err(|fault| format!("cannot be encoded: {fault}"))?;
        self.write_pictures()
    }

    /// Encodes the sound that goes on from what was pushed before, channel by channel.
    ///
    /// # Errors
    ///
    /// What went wrong, in words.
    pub fn push_sound(&mut self, channels: &[Vec<f32>]) -> Result<(), String> {
        let Some(sound) = &mut self.sound else { return Ok(()) };
        for (waiting, samples) in sound.waiting.iter_mut().zip(channels) {
            waiting.extend_from_slice(samples);
        }
        while let Some(sound) = self.sound.as_mut().filter(|sound| sound.waits() >= AAC_FRAME) {
            sound.encode(AAC_FRAME)?;
            self.write_sound()?;
        }
        Ok(())
    }

    /// Ends the movie.
    ///
    /// # Errors
    ///
    /// What went wrong, in words.
    pub fn finish(mut self) -> Result<(), String> {
        let words = |fault: ff::Error| format!("cannot be ended: {fault}");
        self.encoder.send_eof().map_err(words)?;
        self.write_pictures()?;
        if let Some(sound) = &mut self.sound {
            let left = sound.waits();
            if left > 0 {
                sound.encode(left)?;
            }
            sound.encoder.send_eof().map_err(words)?;
        }
        self.write_sound()?;
        self.output
            .write_trailer()
            .and_then(|()| ffi_packets::write_error(&mut self.output))
            .map_err(|fault| format!("cannot be written: {fault}"))
    }

    fn write_pictures(&mut self) -> Result<(), String> {
        let Some(stream) = self.output.stream(0).map(|stream| stream.time_base()) else {
            return Err("the picture track is gone".into());
        };
        let mut packet = ff::Packet::empty();
        while received(self.encoder.receive_packet(&mut packet))? {
            packet.set_duration(1);
            packet.rescale_ts(self.base, stream);
            packet.set_stream(0);
            packet.write_interleaved(&mut self.output).map_err(|fault| fault.to_string())?;
        }
        Ok(())
    }

    fn write_sound(&mut self) -> Result<(), String> {
        let Some(sound) = &mut self.sound else { return Ok(()) };
        let Some(stream) = self.output.stream(1).map(|stream| stream.time_base()) else {
            return Err("the sound track is gone".into());
        };
        let base = ff::Rational(1, i32::try_from(sound.rate).unwrap_or(i32::MAX));
        let mut packet = ff::Packet::empty();
        while received(sound.encoder.receive_packet(&mut packet))? {
            packet.rescale_ts(base, stream);
            packet.set_stream(1);
            packet.write_interleaved(&mut self.output).map_err(|fault| fault.to_string())?;
        }
        Ok(())
    }
}

/// Tells whether a coded packet came.
fn received(got: Result<(), ff::Error>) -> Result<bool, String> {
    match got {
        Ok(()) => Ok(true),
        Err(ff::Error::Eof | ff::Error::Other { errno: ff::error::EAGAIN }) => Ok(false),
        Err(fault) => Err(format!("cannot be encoded: {fault}")),
    }
}

impl SoundOut {
    /// Samples that wait on every channel.
    fn waits(&self) -> usize {
        self.waiting.iter().map(Vec::len).min().unwrap_or(0)
    }

    /// Encodes the first `count` samples that wait.
    fn encode(&mut self, count: usize) -> Result<(), String> {
        let channels: Vec<&[f32]> =
            self.waiting.iter().map(|waiting| waiting.get(..count).unwrap_or_default()).collect();
        let mut frame = ffi_sound::planes(&channels, self.rate).ok_or("no memory for sound")?;
        frame.set_pts(Some(self.sent));
        self.sent += i64::try_from(count).unwrap_or_default();
        self.waiting.iter_mut().for_each(|waiting| drop(waiting.drain(..count.min(waiting.len()))));
        let sent = self.encoder.send_frame(&frame);
        sent.map_err(|fault| format!("the sound cannot be encoded: {fault}"))
    }
}

/// Makes the scaler to 8 bits, 4:2:0, limited range and the size that is looked at.
fn scaler(
    info: &MediaInfo,
    traits: &raw::FormatTraits,
    (width, height): (u32, u32),
    colour: &mut raw::Colour,
    notes: &mut Vec<String>,
) -> Result<ff::software::scaling::Context, String> {
    use ff::software::scaling::Flags;
    let from = plain_format(&info.pixel_format);
    let own =
        raw::pixel_format(&from).ok_or_else(|| format!("pixel format {from} is not known"))?;
    let flags = Flags::BICUBIC | Flags::ACCURATE_RND | Flags::FULL_CHR_H_INP | Flags::BITEXACT;
    let to = ff::format::Pixel::YUV420P;
    let mut scaler =
        ff::software::scaling::Context::get(own, info.width, info.height, to, width, height, flags)
            .map_err(|fault| format!("{from} cannot be converted: {fault}"))?;
    let matrix = settle_matrix(info, (traits.rgb, false), colour, notes);
    let full = traits.rgb || is_full(info);
    if !raw::keep_colour(&mut scaler, matrix, (full, false)) {
        notes.push(format!("the scaler cannot be told the range of {from}"));
    }
    colour.range = AVColorRange::AVCOL_RANGE_MPEG;
    // Where the scaler puts chroma, and what H.264 takes it for.
    colour.siting = ff::ffi::AVChromaLocation::AVCHROMA_LOC_LEFT;
    Ok(scaler)
}

/// Sets the H.264 encoder up. Every picture refers to earlier ones alone, so the file needs no
/// edit list for it; a whole picture twice a second makes it quick to wind.
fn open_picture(
    target: &ViewingTarget<'_>,
    (width, height): (u32, u32),
    colour: raw::Colour,
) -> Result<ff::encoder::video::Encoder, String> {
    let (name, codec) = find_encoder().ok_or(NO_ENCODER)?;
    let words = |fault: ff::Error| format!("H.264 cannot be set up: {fault}");
    let num = i32::try_from(target.rate.num()).map_err(|_| "the rate is out of range")?;
    let den = i32::try_from(target.rate.den()).map_err(|_| "the rate is out of range")?;
    let context = ff::codec::Context::new_with_codec(codec);
    let mut video = context.encoder().video().map_err(words)?;
    video.set_width(width);
    video.set_height(height);
    video.set_format(ff::format::Pixel::YUV420P);
    video.set_time_base(ff::Rational(den, num));
    video.set_frame_rate(Some(ff::Rational(num, den)));
    video.set_aspect_ratio(ff::Rational(1, 1));
    video.set_gop((target.rate.nominal() / 2).clamp(1, 300));
    video.set_max_b_frames(0);
    if name != "libx264" {
        video.set_bit_rate(BITS);
    }
    raw::set_encoding(&mut video, colour, target.threads, true);
    let mut options = ff::Dictionary::new();
    // Constant quality: at 18 the coding does not show in normal viewing (common practice).
    options.set("preset", "veryfast");
    options.set("crf", "18");
    video.open_as_with(codec, options).map_err(words)
}

fn find_encoder() -> Option<(&'static str, ff::Codec)> {
    ENCODERS.iter().find_map(|name| Some((*name, ff::encoder::find_by_name(name)?)))
}

/// Tells whether copies to look at can be made here.
///
/// # Errors
///
/// Why not, in words.
pub fn can_encode_viewing_copies() -> Result<(), &'static str> {
    super::ffi::prepare();
    find_encoder().map(|_| ()).ok_or(NO_ENCODER)
}

/// Words of the refusal where the libraries hold no encoder of H.264.
const NO_ENCODER: &str = "the FFmpeg libraries here hold no encoder of H.264";

fn open_sound((rate, channels): (u32, usize)) -> Result<SoundOut, String> {
    let words = |fault: ff::Error| format!("AAC cannot be set up: {fault}");
    let codec = ff::encoder::find_by_name("aac")
        .ok_or("the FFmpeg libraries here hold no encoder of AAC")?;
    let context = ff::codec::Context::new_with_codec(codec);
    let mut audio = context.encoder().audio().map_err(words)?;
    let hertz = i32::try_from(rate).map_err(|_| "the sample rate is out of range")?;
    audio.set_rate(hertz);
    audio.set_format(ff::format::Sample::F32(ff::format::sample::Type::Planar));
    audio.set_channel_layout(ff::ChannelLayout::default(i32::try_from(channels).unwrap_or(1)));
    audio.set_bit_rate(AAC_BITS * channels);
    audio.set_time_base(ff::Rational(1, hertz));
    raw::set_sound_encoding(&mut audio);
    let encoder = audio.open_as(codec).map_err(words)?;
    Ok(SoundOut { encoder, rate, waiting: vec![Vec::new(); channels], sent: 0 })
}

/// Begins the file: its tracks, and the index before the pictures so that it plays while it
/// is being loaded.
fn begin(
    path: &Path,
    target: &ViewingTarget<'_>,
    encoder: &ff::encoder::video::Encoder,
    sound: Option<&SoundOut>,
) -> Result<(ff::format::context::Output, ff::Rational), String> {
    let words = |fault: ff::Error| format!("MP4 cannot be set up: {fault}");
    let mut output = ff::format::output_as(path, "mp4").map_err(words)?;
    ffi_packets::plain_output(&mut output);
    let num = i32::try_from(target.rate.num()).map_err(|_| "the rate is out of range")?;
    let den = i32::try_from(target.rate.den()).map_err(|_| "the rate is out of range")?;
    let base = ff::Rational(den, num);
    {
        let mut stream = output.add_stream(None::<ff::Codec>).map_err(words)?;
        stream.set_parameters(ff::codec::Parameters::from(&**encoder));
        stream.set_time_base(base);
        stream.set_rate(base.invert());
        stream.set_avg_frame_rate(base.invert());
        let mut tags = ff::Dictionary::new();
        if let Some(label) = &target.timecode {
            tags.set("timecode", label);
        }
        stream.set_metadata(tags);
    }
    if let Some(sound) = sound {
        let mut stream = output.add_stream(None::<ff::Codec>).map_err(words)?;
        stream.set_parameters(ff::codec::Parameters::from(&**sound.encoder));
        stream.set_time_base(ff::Rational(1, i32::try_from(sound.rate).unwrap_or(i32::MAX)));
    }
    let mut options = ff::Dictionary::new();
    options.set("video_track_timescale", &target.rate.num().to_string());
    // Lengths of tracks are whole numbers of these: of both frames and samples.
    let scale = least_multiple(target.rate.num(), sound.map_or(1, |sound| sound.rate));
    options.set("movie_timescale", &scale.to_string());
    options.set("movflags", "+faststart");
    output.write_header_with(options).map_err(words)?;
    Ok((output, base))
}

/// Returns the least number that both divide, or the first where it is past 31 bits.
fn least_multiple(a: u32, b: u32) -> u32 {
    let (mut one, mut other) = (a, b);
    while other > 0 {
        (one, other) = (other, one % other);
    }
    let least = u64::from(a) / u64::from(one.max(1)) * u64::from(b);
    u32::try_from(least).ok().filter(|least| i32::try_from(*least).is_ok()).unwrap_or(a)
}

/// The opto-electronic curve of ITU-R BT.709 by the bits of a half float.
fn rec709_curve() -> Vec<f32> {
    let curve = |light: f32| match light {
        light if light.is_nan() => 0.0,
        light if light < 0.018 => 4.5 * light.max(0.0),
        light => (1.099 * light.min(1.0).powf(0.45) - 0.099).min(1.0),
    };
    (0..=u16::MAX).map(|bits| curve(f16::from_bits(bits).to_f32())).collect()
}

/// Returns a floating-point picture with a curve laid over its samples; `None` without memory
/// for it.
fn curved(picture: &Picture, curve: &[f32]) -> Option<Picture> {
    let mut out = picture.retouched()?;
    let mut row = Vec::new();
    for component in 0..picture.components().min(3) {
        let (width, height, _) = picture.component_size(component);
        for y in 0..height {
            if picture.samples(component, y, 0..width, &mut row) {
                for value in &mut row {
                    let bits = usize::from(f16::from_f32(*value).to_bits());
                    *value = curve.get(bits).copied().unwrap_or(0.0);
                }
                out.put(component, y, 0, &row);
            }
        }
    }
    Some(out.into_picture())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_scale_holds_frames_and_samples() {
        assert_eq!(least_multiple(30_000, 48_000), 240_000);
        assert_eq!(least_multiple(24, 1), 24);
        assert_eq!(least_multiple(4_000_000_007, 48_000), 4_000_000_007);
    }

    #[test]
    fn the_curve_is_that_of_rec_709() {
        // ITU-R BT.709-6, item 1.2: V = 4.5 L below 0.018, else 1.099 L^0.45 - 0.099.
        let curve = rec709_curve();
        let at = |light: f32| curve[usize::from(f16::from_f32(light).to_bits())];
        assert_eq!((at(0.0), at(1.0), at(4.0), at(-1.0)), (0.0, 1.0, 1.0, 0.0));
        assert!((at(0.18) - 0.409).abs() < 0.001, "{}", at(0.18));
        assert!((at(0.01) - 0.045).abs() < 0.0001);
    }
}
