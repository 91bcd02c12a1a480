//! The few calls and fields around encoders and scalers that the safe layer does not offer.
#![allow(
    unsafe_code,
    reason = "encoder fields, colour tags of frames and the scaler's colour setup are reached \
              only through the C interface"
)]

use super::info::ColourTags;
use ffmpeg_next as ff;
use ffmpeg_next::ffi as c;
use std::ffi::{CStr, CString};

/// Colour tags as numbers of ITU-T H.273, in FFmpeg's types.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Colour {
    pub(super) range: c::AVColorRange,
    pub(super) primaries: c::AVColorPrimaries,
    pub(super) transfer: c::AVColorTransferCharacteristic,
    pub(super) matrix: c::AVColorSpace,
    pub(super) siting: c::AVChromaLocation,
}

impl Colour {
    /// Reads tags by name; what is not said, or not known here, stays unspecified.
    pub(super) fn of(tags: &ColourTags) -> Colour {
        let number = |name: &Option<String>, find: unsafe extern "C" fn(*const i8) -> i32| {
            let name = CString::new(name.as_deref()?).ok()?;
            // SAFETY: the name ends in a zero and lives through the call.
            let found = unsafe { find(name.as_ptr()) };
            u32::try_from(found).ok()
        };
        let mut colour = Colour {
            range: c::AVColorRange::AVCOL_RANGE_UNSPECIFIED,
            primaries: c::AVColorPrimaries::AVCOL_PRI_UNSPECIFIED,
            transfer: c::AVColorTransferCharacteristic::AVCOL_TRC_UNSPECIFIED,
            matrix: c::AVColorSpace::AVCOL_SPC_UNSPECIFIED,
            siting: c::AVChromaLocation::AVCHROMA_LOC_UNSPECIFIED,
        };
        // SAFETY: each number comes from FFmpeg's own table of that type, so it is one of
        // the type's values.
        unsafe {
            if let Some(n) = number(&tags.range, c::av_color_range_from_name) {
                colour.range = std::mem::transmute::<u32, c::AVColorRange>(n);
            }
            if let Some(n) = number(&tags.primaries, c::av_color_primaries_from_name) {
                colour.primaries = std::mem::transmute::<u32, c::AVColorPrimaries>(n);
            }
            if let Some(n) = number(&tags.transfer, c::av_color_transfer_from_name) {
                colour.transfer = std::mem::transmute::<u32, c::AVColorTransferCharacteristic>(n);
            }
            if let Some(n) = number(&tags.matrix, c::av_color_space_from_name) {
                colour.matrix = std::mem::transmute::<u32, c::AVColorSpace>(n);
            }
            if let Some(n) = number(&tags.siting, c::av_chroma_location_from_name) {
                colour.siting = std::mem::transmute::<u32, c::AVChromaLocation>(n);
            }
        }
        colour
    }
}

/// Sets an encoder up that is not opened yet: colour tags, progressive order, threads of
/// both kinds, and no encoder version in the coded data.
pub(super) fn set_encoding(
    context: &mut ff::encoder::video::Video,
    colour: Colour,
    threads: u32,
    global_header: bool,
) {
    // SAFETY: the context is allocated and not opened yet, which is when these are read.
    unsafe {
        let raw = &mut *context.as_mut_ptr();
        raw.color_range = colour.range;
        raw.color_primaries = colour.primaries;
        raw.color_trc = colour.transfer;
        raw.colorspace = colour.matrix;
        raw.chroma_sample_location = colour.siting;
        raw.field_order = c::AVFieldOrder::AV_FIELD_PROGRESSIVE;
        raw.thread_type = c::FF_THREAD_FRAME | c::FF_THREAD_SLICE;
        raw.thread_count = i32::try_from(threads.max(1)).unwrap_or(1);
        raw.flags |= c::AV_CODEC_FLAG_BITEXACT as i32;
        if global_header {
            raw.flags |= c::AV_CODEC_FLAG_GLOBAL_HEADER as i32;
        }
    }
}

/// Sets a sound encoder up that is not opened yet: no encoder version in the coded data, and
/// what decoders need in the file's header.
pub(super) fn set_sound_encoding(context: &mut ff::encoder::audio::Audio) {
    // SAFETY: the context is allocated and not opened yet, which is when this is read.
    unsafe {
        let flags = c::AV_CODEC_FLAG_BITEXACT | c::AV_CODEC_FLAG_GLOBAL_HEADER;
        (*context.as_mut_ptr()).flags |= flags as i32;
    }
}

/// Sets colour tags, pixel aspect and time of a frame; it is marked as progressive and as
/// not yet typed, so that the encoder chooses.
pub(super) fn tag_frame(
    frame: &mut ff::frame::Video,
    colour: Colour,
    aspect: (i32, i32),
    time: i64,
) {
    // SAFETY: writes plain fields of a frame that is borrowed alone.
    unsafe {
        let raw = &mut *frame.as_mut_ptr();
        raw.color_range = colour.range;
        raw.color_primaries = colour.primaries;
        raw.color_trc = colour.transfer;
        raw.colorspace = colour.matrix;
        raw.chroma_location = colour.siting;
        raw.sample_aspect_ratio = c::AVRational { num: aspect.0, den: aspect.1 };
        raw.pict_type = c::AVPictureType::AV_PICTURE_TYPE_NONE;
        raw.pts = time;
    }
}

/// Makes another handle to a frame's samples, without copying them.
pub(super) fn share(frame: &ff::frame::Video) -> Option<ff::frame::Video> {
    let mut other = ff::frame::Video::empty();
    // SAFETY: both frames are alive; the reference counts the samples, so that each handle
    // may be freed on its own. The samples are not written to through it.
    let done = unsafe { c::av_frame_ref(other.as_mut_ptr(), frame.as_ptr()) };
    (done >= 0).then_some(other)
}

/// Makes a scaler keep range and matrix: `full` range in and out as given, with the
/// coefficients of `matrix` (ITU-T H.273 number) on the side that needs them.
pub(super) fn keep_colour(
    scaler: &mut ff::software::scaling::Context,
    matrix: c::AVColorSpace,
    (full_in, full_out): (bool, bool),
) -> bool {
    // SAFETY: the scaler is alive; the coefficient table is static.
    unsafe {
        let table = c::sws_getCoefficients(matrix as i32);
        let unity = 1 << 16;
        let (range_in, range_out) = (i32::from(full_in), i32::from(full_out));
        c::sws_setColorspaceDetails(
            scaler.as_mut_ptr(),
            table,
            range_in,
            table,
            range_out,
            0,
            unity,
            unity,
        ) >= 0
    }
}

/// Tells of a pixel format by name: bits of its first component, log2 of the chroma
/// subsampling across and down, red-green-blue, alpha, floating point.
pub(super) struct FormatTraits {
    pub(super) depth: u32,
    pub(super) chroma: (u8, u8),
    pub(super) rgb: bool,
    pub(super) alpha: bool,
    pub(super) float: bool,
    pub(super) grey: bool,
}

/// Looks a pixel format up by name.
pub(super) fn format_traits(name: &str) -> Option<FormatTraits> {
    let name = CString::new(name).ok()?;
    // SAFETY: the name ends in a zero; descriptors are static, null if the format is none.
    unsafe {
        let raw = c::av_pix_fmt_desc_get(c::av_get_pix_fmt(name.as_ptr())).as_ref()?;
        Some(FormatTraits {
            depth: u32::try_from(raw.comp[0].depth).ok()?,
            chroma: (raw.log2_chroma_w, raw.log2_chroma_h),
            rgb: raw.flags & c::AV_PIX_FMT_FLAG_RGB as u64 != 0,
            alpha: raw.flags & c::AV_PIX_FMT_FLAG_ALPHA as u64 != 0,
            float: raw.flags & c::AV_PIX_FMT_FLAG_FLOAT as u64 != 0,
            grey: raw.nb_components <= 2,
        })
    }
}

/// Finds a pixel format by name.
pub(super) fn pixel_format(name: &str) -> Option<ff::format::Pixel> {
    let name = CString::new(name).ok()?;
    // SAFETY: the name ends in a zero and lives through the call.
    let format = unsafe { c::av_get_pix_fmt(name.as_ptr()) };
    (format != c::AVPixelFormat::AV_PIX_FMT_NONE).then(|| format.into())
}

/// Tells whether an encoder takes a pixel format.
pub(super) fn takes(codec: &ff::Codec, format: ff::format::Pixel) -> bool {
    codec
        .video()
        .ok()
        .and_then(|video| video.formats())
        .is_some_and(|mut formats| formats.any(|one| one == format))
}

/// Returns the name of a pixel format.
pub(super) fn format_name(format: ff::format::Pixel) -> String {
    let format: c::AVPixelFormat = format.into();
    // SAFETY: names are static; null for a format without one.
    unsafe {
        let name = c::av_get_pix_fmt_name(format);
        if name.is_null() {
            String::new()
        } else {
            CStr::from_ptr(name).to_string_lossy().into_owned()
        }
    }
}
