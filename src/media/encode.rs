//! Frames out: pictures encoded into a container, or into numbered image files.
//!
//! The pixel format changes only where the codec does not take the source's; range and
//! tags never change silently.

use super::ffi_encode as raw;
use super::info::{MediaInfo, MediaKind};
use super::mux::{Container, MuxFault, Muxer, Track};
use super::picture::Picture;
use crate::time::Rate;
use ffmpeg_next as ff;
use std::path::Path;

/// How plates are encoded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs, reason = "names of codecs and file formats")]
pub enum Coding {
    ProResHq,
    ProRes4444,
    DnxhrHqx,
    Dnxhr444,
    Ffv1,
    Dpx,
    Exr,
    Png,
    Tiff,
}

/// Slices of an FFV1 frame: part of the coded bytes, so not tied to threads.
const FFV1_SLICES: &str = "16";

impl Coding {
    /// Chooses the coding nearest to a source.
    ///
    /// Image files keep their kind. A lossless source stays lossless; so does what no
    /// other choice keeps: more than 10 bits, alpha or red-green-blue in full range.
    /// Else 4:4:4 goes to ProRes 4444 and everything else to ProRes 422 HQ; what comes as
    /// DNxHD or in full range to DNxHR, because QuickTime carries a range tag for that and
    /// not for ProRes.
    pub fn nearest(info: &MediaInfo) -> Coding {
        const LOSSLESS: [&str; 10] = [
            "ffv1", "rawvideo", "v210", "v410", "huffyuv", "ffvhuff", "utvideo", "png", "qtrle",
            "magicyuv",
        ];
        if matches!(info.kind, MediaKind::Images { .. }) {
            match info.codec.as_str() {
                "dpx" => return Coding::Dpx,
                "exr" => return Coding::Exr,
                "png" => return Coding::Png,
                "tiff" => return Coding::Tiff,
                _ => {}
            }
        }
        let Some(traits) = raw::format_traits(&info.pixel_format) else { return Coding::Ffv1 };
        if let Some(same) = Coding::of_images(info) {
            return same;
        }
        let full = is_full(info);
        let lossless = LOSSLESS.contains(&info.codec.as_str());
        // The least raster of DNxHR in FFmpeg.
        let too_small = info.width < 256 || info.height < 120;
        let sampled = traits.chroma != (0, 0) || traits.grey;
        if lossless || traits.depth > 10 || traits.float || (traits.alpha && full) {
            return Coding::Ffv1;
        }
        let dnx = info.codec == "dnxhd" && !too_small;
        match (sampled, traits.rgb) {
            (_, true) => Coding::Ffv1,
            (true, _) if traits.alpha => Coding::ProRes4444,
            (true, _) if full && too_small => Coding::Ffv1,
            (true, _) if full || dnx => Coding::DnxhrHqx,
            (true, _) => Coding::ProResHq,
            (false, _) if full && too_small => Coding::Ffv1,
            (false, _) if full || dnx => Coding::Dnxhr444,
            (false, _) => Coding::ProRes4444,
        }
    }

    /// The coding of image files of a kind that is written, too.
    fn of_images(info: &MediaInfo) -> Option<Coding> {
        if !matches!(info.kind, MediaKind::Images { .. }) {
            return None;
        }
        match info.codec.as_str() {
            "dpx" => Some(Coding::Dpx),
            "exr" => Some(Coding::Exr),
            "png" => Some(Coding::Png),
            "tiff" => Some(Coding::Tiff),
            _ => None,
        }
    }

    /// Returns the container of a movie; `None` for image files.
    pub fn container(self) -> Option<Container> {
        match self {
            Coding::ProResHq | Coding::ProRes4444 | Coding::DnxhrHqx | Coding::Dnxhr444 => {
                Some(Container::Mov)
            }
            Coding::Ffv1 => Some(Container::Mkv),
            Coding::Dpx | Coding::Exr | Coding::Png | Coding::Tiff => None,
        }
    }

    /// Returns the extension of image files, or of the container.
    pub fn extension(self) -> &'static str {
        match self {
            Coding::Dpx => "dpx",
            Coding::Exr => "exr",
            Coding::Png => "png",
            Coding::Tiff => "tif",
            movie => movie.container().map_or("mkv", Container::extension),
        }
    }

    /// Returns the coding's name for people.
    pub fn shown(self) -> &'static str {
        match self {
            Coding::ProResHq => "ProRes 422 HQ",
            Coding::ProRes4444 => "ProRes 4444",
            Coding::DnxhrHqx => "DNxHR HQX",
            Coding::Dnxhr444 => "DNxHR 444",
            Coding::Ffv1 => "FFV1",
            Coding::Dpx => "DPX",
            Coding::Exr => "OpenEXR",
            Coding::Png => "PNG",
            Coding::Tiff => "TIFF",
        }
    }

    /// FFmpeg's encoder and its options.
    fn encoder(self, deep: bool) -> (&'static str, Vec<(&'static str, &'static str)>) {
        match self {
            Coding::ProResHq => ("prores_ks", vec![("profile", "hq"), ("vendor", "apl0")]),
            Coding::ProRes4444 => ("prores_ks", vec![("profile", "4444"), ("vendor", "apl0")]),
            Coding::DnxhrHqx => ("dnxhd", vec![("profile", "dnxhr_hqx")]),
            Coding::Dnxhr444 => ("dnxhd", vec![("profile", "dnxhr_444")]),
            Coding::Ffv1 => (
                "ffv1",
                vec![("level", "3"), ("g", "1"), ("slices", FFV1_SLICES), ("slicecrc", "1")],
            ),
            Coding::Dpx => ("dpx", vec![]),
            Coding::Exr => {
                let samples = if deep { "float" } else { "half" };
                ("exr", vec![("compression", "zip16"), ("format", samples)])
            }
            Coding::Png => ("png", vec![]),
            Coding::Tiff => ("tiff", vec![("compression_algo", "deflate")]),
        }
    }

    /// Pixel formats that may hold `source`, the best first.
    fn formats(self, source: &raw::FormatTraits) -> &'static [&'static str] {
        match (self, source.depth, source.alpha) {
            (Coding::ProResHq | Coding::DnxhrHqx, ..) => &["yuv422p10le"],
            (Coding::ProRes4444, _, true) => &["yuva444p10le"],
            (Coding::ProRes4444 | Coding::Dnxhr444, ..) => &["yuv444p10le"],
            (Coding::Ffv1, ..) if source.float => &["rgba64le", "rgb48le"],
            (Coding::Ffv1, ..) if source.rgb => {
                &["bgr0", "bgra", "gbrp10le", "gbrp16le", "rgba64le"]
            }
            (Coding::Ffv1, _, true) => &["yuva444p16le"],
            (Coding::Ffv1, ..) => &["yuv444p16le"],
            (Coding::Dpx, 0..=8, true) => &["rgba"],
            (Coding::Dpx, _, true) => &["rgba64be"],
            (Coding::Dpx, 0..=8, _) => &["rgb24"],
            (Coding::Dpx, 9..=10, _) => &["gbrp10be"],
            (Coding::Dpx, 11..=12, _) => &["gbrp12be"],
            (Coding::Dpx, ..) => &["rgb48be"],
            (Coding::Exr, _, true) => &["gbrapf32le"],
            (Coding::Exr, ..) => &["gbrpf32le"],
            (Coding::Png | Coding::Tiff, 0..=8, true) => &["rgba"],
            (Coding::Png | Coding::Tiff, 0..=8, _) => &["rgb24"],
            (Coding::Png, _, true) => &["rgba64be"],
            (Coding::Png, ..) => &["rgb48be"],
            (Coding::Tiff, _, true) => &["rgba64le"],
            (Coding::Tiff, ..) => &["rgb48le"],
        }
    }
}

/// Tells whether the samples use the full range of codes.
pub(super) fn is_full(info: &MediaInfo) -> bool {
    info.colour.range.as_deref() == Some("pc") || info.pixel_format.starts_with("yuvj")
}

/// What is encoded, beside the pictures.
pub struct EncodeTarget<'a> {
    /// How.
    pub coding: Coding,
    /// The source's size, aspect, colour and pixel format.
    pub source: &'a MediaInfo,
    /// Frames a second of the output.
    pub rate: Rate,
    /// Encoder threads.
    pub threads: u32,
}

/// Turns pictures into coded frames.
pub struct Encoder {
    encoder: ff::encoder::video::Encoder,
    scaler: Option<Scaler>,
    colour: raw::Colour,
    aspect: (i32, i32),
    sent: i64,
    notes: Vec<String>,
}

struct Scaler {
    scaler: ff::software::scaling::Context,
    from: String,
    to: ff::format::Pixel,
}

impl Encoder {
    /// Sets an encoder up for pictures like the source's.
    ///
    /// # Errors
    ///
    /// What cannot be encoded, in words.
    pub fn new(target: &EncodeTarget<'_>) -> Result<Encoder, String> {
        let info = target.source;
        let traits = raw::format_traits(&info.pixel_format)
            .ok_or_else(|| format!("pixel format {} is not known", info.pixel_format))?;
        let (name, options) = target.coding.encoder(traits.depth > 10 || traits.float);
        let codec = ff::encoder::find_by_name(name)
            .ok_or_else(|| format!("the FFmpeg libraries here hold no encoder {name}"))?;
        let from = plain_format(&info.pixel_format);
        let to = choose_format(target.coding, &codec, &from, &traits)
            .ok_or_else(|| format!("{} takes no picture like {from}", target.coding.shown()))?;
        let mut colour = raw::Colour::of(&info.colour);
        let full = is_full(info);
        if full {
            colour.range = ff::ffi::AVColorRange::AVCOL_RANGE_JPEG;
        }
        let mut notes = Vec::new();
        let scaler = scaler(info, (&from, &traits, full), to, &mut colour, &mut notes)?;
        note_losses(target, &traits, to, full, &mut notes);
        let aspect = aspect(info);
        let encoder = open(target, codec, options, (to, colour, aspect))?;
        Ok(Encoder { encoder, scaler, colour, aspect, sent: 0, notes })
    }

    /// Returns what the coding cannot carry, in sentences.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// Encodes one picture and hands every coded frame that is ready to `each`, in order.
    ///
    /// # Errors
    ///
    /// What went wrong, in words; interlaced pictures are refused.
    pub fn push(
        &mut self,
        picture: &Picture,
        each: &mut dyn FnMut(&[u8]) -> Result<(), String>,
    ) -> Result<(), String> {
        if picture.is_interlaced() {
            return Err(INTERLACED.into());
        }
        let mut frame = match &mut self.scaler {
            None => raw::share(picture.frame()).ok_or("no memory for a frame")?,
            Some(scaler) => scaler.run(picture)?,
        };
        raw::tag_frame(&mut frame, self.colour, self.aspect, self.sent);
        self.sent += 1;
        self.encoder.send_frame(&frame).map_err(|fault| format!("cannot be encoded: {fault}"))?;
        self.drain(each)
    }

    /// Ends the stream and hands the last coded frames to `each`.
    ///
    /// # Errors
    ///
    /// What went wrong, in words.
    pub fn finish(
        mut self,
        each: &mut dyn FnMut(&[u8]) -> Result<(), String>,
    ) -> Result<(), String> {
        self.encoder.send_eof().map_err(|fault| format!("cannot be encoded: {fault}"))?;
        self.drain(each)
    }

    fn drain(&mut self, each: &mut dyn FnMut(&[u8]) -> Result<(), String>) -> Result<(), String> {
        let mut packet = ff::Packet::empty();
        loop {
            match self.encoder.receive_packet(&mut packet) {
                Ok(()) => each(packet.data().unwrap_or_default())?,
                Err(ff::Error::Eof | ff::Error::Other { errno: ff::error::EAGAIN }) => {
                    return Ok(());
                }
                Err(fault) => return Err(format!("cannot be encoded: {fault}")),
            }
        }
    }

    /// Begins a container file for this encoder's coded frames.
    ///
    /// # Errors
    ///
    /// [`MuxFault`].
    pub fn muxer(
        &self,
        path: &Path,
        container: Container,
        rate: Rate,
        (timecode, reel): (Option<String>, Option<String>),
    ) -> Result<Muxer, MuxFault> {
        let track = Track {
            parameters: ff::codec::Parameters::from(&*self.encoder),
            pixel_aspect: (self.aspect.0.unsigned_abs(), self.aspect.1.unsigned_abs()),
            rate,
            timecode,
            reel,
        };
        Muxer::create(path, container, &track)
    }
}

/// Words of the refusal of interlaced pictures; the caller says which media.
pub const INTERLACED: &str = "interlaced pictures are not encoded";

impl Scaler {
    fn run(&mut self, picture: &Picture) -> Result<ff::frame::Video, String> {
        if plain_format(picture.format()) != self.from {
            return Err(format!("the pixel format changes to {}", picture.format()));
        }
        let (width, height) = (picture.width(), picture.height());
        let input = self.scaler.input();
        if (input.width, input.height) != (width, height) {
            return Err(format!("the picture size changes to {width}x{height}"));
        }
        let mut shared = raw::share(picture.frame()).ok_or("no memory for a frame")?;
        shared.set_format(input.format);
        let mut out = ff::frame::Video::new(self.to, width, height);
        self.scaler
            .run(&shared, &mut out)
            .map_err(|fault| format!("cannot be converted: {fault}"))?;
        Ok(out)
    }
}

/// Returns a pixel format without the range that `yuvj` names carry; the tag carries it.
pub(super) fn plain_format(name: &str) -> String {
    name.replacen("yuvj", "yuv", 1)
}

/// Keeps the source's own format where the encoder takes it and the coding allows it.
fn choose_format(
    coding: Coding,
    codec: &ff::Codec,
    from: &str,
    traits: &raw::FormatTraits,
) -> Option<ff::format::Pixel> {
    let own = raw::pixel_format(from)?;
    let listed = coding.formats(traits);
    let free = matches!(coding, Coding::Ffv1);
    if raw::takes(codec, own) && (free || listed.contains(&from)) {
        return Some(own);
    }
    listed.iter().filter_map(|name| raw::pixel_format(name)).find(|format| {
        let held = raw::format_traits(&raw::format_name(*format));
        raw::takes(codec, *format)
            && held.is_some_and(|held| !free || held.depth >= traits.depth.min(16))
    })
}

/// Makes the scaler where the pixel format must change: accurate rounding, chroma in full,
/// and no change of range between coded formats.
fn scaler(
    info: &MediaInfo,
    (from, traits, full): (&str, &raw::FormatTraits, bool),
    to: ff::format::Pixel,
    colour: &mut raw::Colour,
    notes: &mut Vec<String>,
) -> Result<Option<Scaler>, String> {
    use ff::software::scaling::Flags;
    let own = raw::pixel_format(from).ok_or_else(|| format!("pixel format {from} is not known"))?;
    if own == to {
        return Ok(None);
    }
    let flags = Flags::BICUBIC
        | Flags::ACCURATE_RND
        | Flags::FULL_CHR_H_INT
        | Flags::FULL_CHR_H_INP
        | Flags::BITEXACT;
    let (width, height) = (info.width, info.height);
    let mut scaler =
        ff::software::scaling::Context::get(own, width, height, to, width, height, flags)
            .map_err(|fault| format!("{from} cannot be converted: {fault}"))?;
    let to_rgb = raw::format_traits(&raw::format_name(to)).is_some_and(|held| held.rgb);
    let matrix = settle_matrix(info, (traits.rgb, to_rgb), colour, notes);
    let full_out = if to_rgb { true } else { full && !traits.rgb };
    if !raw::keep_colour(&mut scaler, matrix, (full || traits.rgb, full_out)) {
        notes.push(format!("the scaler cannot be told the range of {from}"));
    }
    if traits.rgb != to_rgb {
        colour.range = if full_out {
            ff::ffi::AVColorRange::AVCOL_RANGE_JPEG
        } else {
            ff::ffi::AVColorRange::AVCOL_RANGE_MPEG
        };
    }
    Ok(Some(Scaler { scaler, from: from.to_owned(), to }))
}

/// Returns the matrix between luma-chroma and red-green-blue. Where the source does not
/// say, one must be taken, and that is noted.
pub(super) fn settle_matrix(
    info: &MediaInfo,
    (from_rgb, to_rgb): (bool, bool),
    colour: &mut raw::Colour,
    notes: &mut Vec<String>,
) -> ff::ffi::AVColorSpace {
    use ff::ffi::AVColorSpace as Matrix;
    let told = colour.matrix;
    if from_rgb == to_rgb {
        return if told == Matrix::AVCOL_SPC_RGB { Matrix::AVCOL_SPC_BT709 } else { told };
    }
    let unsaid = matches!(told, Matrix::AVCOL_SPC_UNSPECIFIED | Matrix::AVCOL_SPC_RGB);
    // High-definition rasters are Rec. 709, smaller ones Rec. 601: common practice.
    let taken = match unsaid {
        true if info.height >= 720 => Matrix::AVCOL_SPC_BT709,
        true => Matrix::AVCOL_SPC_SMPTE170M,
        false => told,
    };
    if unsaid {
        let name = if info.height >= 720 { "Rec. 709" } else { "Rec. 601" };
        notes.push(format!("the source does not tell its matrix: {name} was taken"));
    }
    colour.matrix = if to_rgb { Matrix::AVCOL_SPC_RGB } else { taken };
    taken
}

/// Notes what the output cannot hold.
fn note_losses(
    target: &EncodeTarget<'_>,
    traits: &raw::FormatTraits,
    to: ff::format::Pixel,
    full: bool,
    notes: &mut Vec<String>,
) {
    let Some(held) = raw::format_traits(&raw::format_name(to)) else { return };
    let shown = target.coding.shown();
    if held.depth < traits.depth {
        notes.push(format!("{} bits became {} in {shown}", traits.depth, held.depth));
    }
    if traits.alpha && !held.alpha {
        notes.push(format!("{shown} holds no alpha: it was left out"));
    }
    if held.chroma > traits.chroma && !traits.grey {
        notes.push(format!("{shown} holds half the chroma across"));
    }
    let prores = matches!(target.coding, Coding::ProResHq | Coding::ProRes4444);
    if full && prores {
        notes.push("QuickTime carries no range tag for ProRes: the codes are full range".into());
    }
    let dnxhr = matches!(target.coding, Coding::DnxhrHqx | Coding::Dnxhr444);
    match target.source.colour.matrix.as_deref() {
        None if dnxhr => {
            notes.push("the source does not tell its matrix; readers of DNxHR take Rec. 709".into())
        }
        Some("bt709" | "bt2020nc" | "bt2020c") => {}
        Some(matrix) if dnxhr => notes
            .push(format!("DNxHR does not name the matrix {matrix}; its readers take Rec. 709")),
        _ => {}
    }
    if target.coding == Coding::Exr && !traits.float {
        notes.push("the EXR files hold the coded values, not scene-linear light".into());
    }
}

fn aspect(info: &MediaInfo) -> (i32, i32) {
    let side = |value: u32| i32::try_from(value).unwrap_or(1);
    (side(info.pixel_aspect.0), side(info.pixel_aspect.1))
}

fn open(
    target: &EncodeTarget<'_>,
    codec: ff::Codec,
    options: Vec<(&'static str, &'static str)>,
    (format, colour, aspect): (ff::format::Pixel, raw::Colour, (i32, i32)),
) -> Result<ff::encoder::video::Encoder, String> {
    let words = |fault: ff::Error| format!("{} cannot be set up: {fault}", target.coding.shown());
    let num = i32::try_from(target.rate.num()).map_err(|_| "the rate is out of range")?;
    let den = i32::try_from(target.rate.den()).map_err(|_| "the rate is out of range")?;
    let context = ff::codec::Context::new_with_codec(codec);
    let mut video = context.encoder().video().map_err(words)?;
    video.set_width(target.source.width);
    video.set_height(target.source.height);
    video.set_format(format);
    video.set_time_base(ff::Rational(den, num));
    video.set_frame_rate(Some(ff::Rational(num, den)));
    video.set_aspect_ratio(ff::Rational(aspect.0, aspect.1));
    video.set_gop(1);
    raw::set_encoding(&mut video, colour, target.threads, target.coding == Coding::Ffv1);
    let mut dictionary = ff::Dictionary::new();
    for (key, value) in options {
        dictionary.set(key, value);
    }
    video.open_as_with(codec, dictionary).map_err(words)
}
