//! The few calls and fields around coded packets that the safe layer does not offer.
#![allow(
    unsafe_code,
    reason = "packet flags, output flags, borrowed packet data and codec parameters are \
              reached only through the C interface"
)]

use ffmpeg_next as ff;
use ffmpeg_next::ffi;
use ffmpeg_next::packet::Mut as _;

/// Zero bytes that must follow coded data handed to FFmpeg: its parsers read ahead.
pub(super) const PADDING: usize = ffi::AV_INPUT_BUFFER_PADDING_SIZE as usize;

/// Picture description of a coded stream, as far as a copy must keep it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct CodedLook {
    pub(super) codec: String,
    pub(super) width: i32,
    pub(super) height: i32,
    pub(super) pixel_format: i32,
    pub(super) field_order: i32,
    pub(super) colour: [i32; 3],
    pub(super) extradata: Vec<u8>,
}

/// Tells what a stream's parameters say of its pictures.
pub(super) fn coded_look(parameters: &ff::codec::Parameters) -> CodedLook {
    // SAFETY: `parameters` holds a live AVCodecParameters for as long as it is borrowed;
    // `extradata` points to `extradata_size` bytes, or is null and then not read.
    unsafe {
        let raw = &*parameters.as_ptr();
        let extradata = match usize::try_from(raw.extradata_size) {
            Ok(size) if size > 0 && !raw.extradata.is_null() => {
                std::slice::from_raw_parts(raw.extradata, size).to_vec()
            }
            _ => Vec::new(),
        };
        CodedLook {
            codec: parameters.id().name().to_owned(),
            width: raw.width,
            height: raw.height,
            pixel_format: raw.format,
            field_order: raw.field_order as i32,
            colour: [raw.color_primaries as i32, raw.color_trc as i32, raw.color_space as i32],
            extradata,
        }
    }
}

/// Tells whether a packet changes what the decoder was told at the start: new extradata,
/// other picture parameters, or a new palette.
pub(super) fn changes_parameters(packet: &ff::Packet) -> bool {
    use ff::packet::side_data::Type;
    packet
        .side_data()
        .any(|side| matches!(side.kind(), Type::NewExtraData | Type::ParamChange | Type::Palette))
}

/// Asks for output without dates, versions or random identifiers.
pub(super) fn plain_output(output: &mut ff::format::context::Output) {
    // SAFETY: the context is allocated and borrowed alone; `flags` is a public field that
    // may be set before the header is written.
    unsafe { (*output.as_mut_ptr()).flags |= ffi::AVFMT_FLAG_BITEXACT }
}

/// Fills in the only stream of an output from parameters, with the codec tag kept where
/// the container knows it.
pub(super) fn describe_stream(
    output: &mut ff::format::context::Output,
    parameters: &ff::codec::Parameters,
    aspect: (u32, u32),
) -> Result<(), ff::Error> {
    // SAFETY: all pointers come from live objects that are borrowed here; stream 0 is
    // checked to exist; the tag tables belong to the container and are never freed.
    unsafe {
        let raw = output.as_mut_ptr();
        if (*raw).nb_streams != 1 {
            return Err(ff::Error::StreamNotFound);
        }
        let stream = *(*raw).streams;
        let code = ffi::avcodec_parameters_copy((*stream).codecpar, parameters.as_ptr());
        if code < 0 {
            return Err(ff::Error::from(code));
        }
        let coded = &mut *(*stream).codecpar;
        let tags = (*(*raw).oformat).codec_tag;
        let mut other = 0;
        let known = tags.is_null()
            || ffi::av_codec_get_id(tags, coded.codec_tag) == coded.codec_id
            || ffi::av_codec_get_tag2(tags, coded.codec_id, &raw mut other) == 0;
        if !known {
            coded.codec_tag = 0;
        }
        let ratio = match (i32::try_from(aspect.0), i32::try_from(aspect.1)) {
            (Ok(num), Ok(den)) => ffi::AVRational { num, den },
            _ => coded.sample_aspect_ratio,
        };
        coded.sample_aspect_ratio = ratio;
        (*stream).sample_aspect_ratio = ratio;
        Ok(())
    }
}

/// Returns the pixel aspect of a stream, `(0, 1)` where the file says nothing.
pub(super) fn pixel_aspect(stream: &ff::format::stream::Stream<'_>) -> (u32, u32) {
    // SAFETY: the stream and its parameters live as long as the context it borrows.
    let (outer, inner) = unsafe {
        let raw = &*stream.as_ptr();
        (raw.sample_aspect_ratio, (*raw.codecpar).sample_aspect_ratio)
    };
    let told = if outer.num > 0 { outer } else { inner };
    match (u32::try_from(told.num), u32::try_from(told.den)) {
        (Ok(num), Ok(den)) if num > 0 && den > 0 => (num, den),
        _ => (0, 1),
    }
}

/// Writes one coded frame of stream 0. `padded` ends with [`PADDING`] bytes that are not
/// part of the frame.
pub(super) fn write_frame(
    output: &mut ff::format::context::Output,
    padded: &[u8],
    pts: i64,
    duration: i64,
) -> Result<(), ff::Error> {
    let size = padded.len().checked_sub(PADDING).and_then(|size| i32::try_from(size).ok());
    let Some(size) = size else { return Err(ff::Error::InvalidData) };
    let mut packet = ff::Packet::empty();
    // SAFETY: the packet owns no buffer, so FFmpeg neither frees nor keeps the data it is
    // lent: av_write_frame is done with it when it returns. The data is never written to.
    let code = unsafe {
        let raw = &mut *packet.as_mut_ptr();
        raw.data = padded.as_ptr().cast_mut();
        raw.size = size;
        raw.pts = pts;
        raw.dts = pts;
        raw.duration = duration;
        raw.stream_index = 0;
        raw.flags = ffi::AV_PKT_FLAG_KEY;
        let code = ffi::av_write_frame(output.as_mut_ptr(), &raw mut *raw);
        raw.data = std::ptr::null_mut();
        raw.size = 0;
        code
    };
    if code < 0 { Err(ff::Error::from(code)) } else { write_error(output) }
}

/// Returns the first error the output file met, however late it came to light.
pub(super) fn write_error(output: &mut ff::format::context::Output) -> Result<(), ff::Error> {
    // SAFETY: the context is open; `pb` is null or its live file.
    let code = unsafe {
        let pb = (*output.as_mut_ptr()).pb;
        if pb.is_null() {
            0
        } else {
            ffi::avio_flush(pb);
            (*pb).error
        }
    };
    if code < 0 { Err(ff::Error::from(code)) } else { Ok(()) }
}
