//! The few calls the safe layer over the FFmpeg libraries does not offer.
//!
//! This is the only reading file with `unsafe`: paths that are not UTF-8, seeking on one
//! stream, the demuxer's index, rows of planes with padding or upside down, and tags.
#![allow(unsafe_code, reason = "calls into a C library; each use says why it is sound")]

use ffmpeg_next as ff;
use ffmpeg_next::ffi as c;
use std::ffi::{CStr, CString, c_char};
use std::path::Path;
use std::sync::Once;

/// Prepares the libraries once: their own messages stay quiet, faults are said by us.
pub(super) fn prepare() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        // Only registers error strings on FFmpeg 5 and later; it cannot fail there.
        let _ = ff::init();
        ff::log::set_level(ff::log::Level::Quiet);
    });
}

/// Returns the release of the FFmpeg libraries found at run time, the licence they were built
/// under and the version of each, in one line.
pub fn libraries() -> String {
    // SAFETY: the function takes nothing and returns a constant text of the library.
    let release = unsafe { text(c::av_version_info()) };
    // SAFETY: the function takes nothing and returns a number.
    let scaling = unsafe { c::swscale_version() };
    let each = [
        ("libavcodec", ff::codec::version()),
        ("libavformat", ff::format::version()),
        ("libavutil", ff::util::version()),
        ("libswscale", scaling),
    ]
    .map(|(name, number)| format!("{name} {}", version(number)));
    let release = release.unwrap_or_else(|| "of unknown release".to_string());
    format!("FFmpeg {release} ({}), {}", ff::codec::license(), each.join(", "))
}

/// Writes a version as FFmpeg packs it: major, minor and micro in 16, 8 and 8 bits
/// (`AV_VERSION_INT` in libavutil/version.h).
fn version(packed: u32) -> String {
    format!("{}.{}.{}", packed >> 16, packed >> 8 & 0xff, packed & 0xff)
}

/// Opens a local file for demuxing. Only local files and the named formats are opened, so a
/// playlist cannot make the program fetch anything. With `probe` the first packets are read,
/// and decoded, for what the header does not say.
pub(super) fn open_input(
    path: &Path,
    formats: &str,
    probe: bool,
) -> Result<ff::format::context::Input, ff::Error> {
    let mut url = b"file:".to_vec();
    url.extend_from_slice(path.as_os_str().as_encoded_bytes());
    let url = CString::new(url).map_err(|_| ff::Error::InvalidData)?;
    let mut options = ff::Dictionary::new();
    options.set("protocol_whitelist", "file");
    options.set("format_whitelist", formats);
    // SAFETY: `url` and the dictionary live through the call; the dictionary is handed over
    // and whatever the call leaves of it is owned and freed again; on failure FFmpeg frees
    // the context, on success it is closed here or owned by `Input`.
    unsafe {
        let mut context = std::ptr::null_mut();
        let mut options = options.disown();
        let opened =
            c::avformat_open_input(&mut context, url.as_ptr(), std::ptr::null_mut(), &mut options);
        drop(ff::Dictionary::own(options));
        if opened < 0 {
            return Err(ff::Error::from(opened));
        }
        let known = match probe {
            true => c::avformat_find_stream_info(context, std::ptr::null_mut()),
            false => 0,
        };
        if known < 0 {
            c::avformat_close_input(&mut context);
            return Err(ff::Error::from(known));
        }
        Ok(ff::format::context::Input::wrap(context))
    }
}

/// Seeks to the key packet at or before `pts`, in the stream's time base.
pub(super) fn seek_back(
    input: &mut ff::format::context::Input,
    stream: usize,
    pts: i64,
) -> Result<(), ff::Error> {
    let stream = i32::try_from(stream).map_err(|_| ff::Error::StreamNotFound)?;
    // SAFETY: the context is open for as long as `input` lives.
    let done =
        unsafe { c::av_seek_frame(input.as_mut_ptr(), stream, pts, c::AVSEEK_FLAG_BACKWARD) };
    if done < 0 { Err(ff::Error::from(done)) } else { Ok(()) }
}

/// Lets the demuxer skip every stream but those named.
pub(super) fn keep_streams(input: &mut ff::format::context::Input, kept: &[usize]) {
    // SAFETY: `streams` holds `nb_streams` valid pointers while the context is open.
    unsafe {
        let context = input.as_mut_ptr();
        for index in 0..(*context).nb_streams as usize {
            let stream = *(*context).streams.add(index);
            (*stream).discard = if kept.contains(&index) {
                c::AVDiscard::AVDISCARD_DEFAULT
            } else {
                c::AVDiscard::AVDISCARD_ALL
            };
        }
    }
}

/// One entry of the demuxer's index.
#[derive(Debug, Clone, Copy)]
pub(super) struct IndexEntry {
    /// Where its bytes begin.
    pub pos: i64,
    /// Its time in the stream's time base; a decoding time where the two differ.
    pub time: i64,
    /// Its size in bytes.
    pub size: u64,
    /// True for a sample an edit list hides.
    pub hidden: bool,
}

/// Reads the demuxer's index of a stream.
pub(super) fn index(stream: &ff::format::stream::Stream) -> Vec<IndexEntry> {
    // SAFETY: the stream belongs to an open context; each entry is copied at once, before
    // any call that may move the index.
    unsafe {
        let raw = stream.as_ptr().cast_mut();
        let count = c::avformat_index_get_entries_count(raw).max(0);
        (0..count)
            .filter_map(|at| c::avformat_index_get_entry(raw, at).as_ref())
            .map(|entry| IndexEntry {
                pos: entry.pos,
                time: entry.timestamp,
                size: u64::try_from(entry.size()).unwrap_or(0),
                hidden: entry.flags() & c::AVINDEX_DISCARD_FRAME != 0,
            })
            .collect()
    }
}

/// Tells whether a packet is decoded but not shown: it lies before an edit.
pub(super) fn is_hidden(packet: &ff::Packet) -> bool {
    use ff::packet::Ref;
    // SAFETY: reads one field of a packet that is alive.
    unsafe { (*packet.as_ptr()).flags & c::AV_PKT_FLAG_DISCARD != 0 }
}

/// What the stream's parameters say, copied out.
#[derive(Debug, Clone)]
pub(super) struct StreamTags {
    pub codec: String,
    pub codec_tag: [u8; 4],
    pub profile: Option<String>,
    pub intra_only: bool,
    pub width: i32,
    pub height: i32,
    pub pixel_format: Option<String>,
    pub aspect: (i32, i32),
    pub field_order: c::AVFieldOrder,
    pub colour: RawColour,
    pub attached_picture: bool,
    pub rotation: i32,
    pub extradata: Vec<u8>,
}

/// Colour tags as names; `None` where unspecified.
#[derive(Debug, Clone, Default)]
pub(super) struct RawColour {
    pub range: Option<String>,
    pub primaries: Option<String>,
    pub transfer: Option<String>,
    pub matrix: Option<String>,
    pub siting: Option<String>,
}

/// Copies the parameters of a stream.
pub(super) fn stream_tags(stream: &ff::format::stream::Stream) -> StreamTags {
    // SAFETY: `codecpar` is valid while the context is open; everything is copied; names
    // are static strings of the library or null; extradata holds `extradata_size` bytes.
    unsafe {
        let raw = stream.as_ptr();
        let parameters = &*(*raw).codecpar;
        let descriptor = c::avcodec_descriptor_get(parameters.codec_id).as_ref();
        let aspect = if parameters.sample_aspect_ratio.num > 0 {
            parameters.sample_aspect_ratio
        } else {
            (*raw).sample_aspect_ratio
        };
        let extradata = if parameters.extradata.is_null() || parameters.extradata_size <= 0 {
            Vec::new()
        } else {
            std::slice::from_raw_parts(parameters.extradata, parameters.extradata_size as usize)
                .to_vec()
        };
        StreamTags {
            codec: text(c::avcodec_get_name(parameters.codec_id)).unwrap_or_default(),
            codec_tag: parameters.codec_tag.to_le_bytes(),
            profile: text(c::avcodec_profile_name(parameters.codec_id, parameters.profile)),
            intra_only: descriptor.is_some_and(|d| d.props & c::AV_CODEC_PROP_INTRA_ONLY != 0),
            width: parameters.width,
            height: parameters.height,
            pixel_format: pixel_format_name(parameters.format),
            aspect: (aspect.num, aspect.den),
            field_order: parameters.field_order,
            colour: RawColour {
                range: tag(c::av_color_range_name(parameters.color_range)),
                primaries: tag(c::av_color_primaries_name(parameters.color_primaries)),
                transfer: tag(c::av_color_transfer_name(parameters.color_trc)),
                matrix: tag(c::av_color_space_name(parameters.color_space)),
                siting: tag(c::av_chroma_location_name(parameters.chroma_location)),
            },
            attached_picture: (*raw).disposition & c::AV_DISPOSITION_ATTACHED_PIC != 0,
            rotation: rotation(stream),
            extradata,
        }
    }
}

/// Clockwise turn asked of the player, from the display matrix: nine 32-bit numbers.
fn rotation(stream: &ff::format::stream::Stream) -> i32 {
    let Some(matrix) = stream
        .side_data()
        .find(|data| data.kind() == ff::codec::packet::side_data::Type::DisplayMatrix)
    else {
        return 0;
    };
    let numbers: Vec<i32> = matrix
        .data()
        .chunks_exact(4)
        .map(|bytes| i32::from_ne_bytes([bytes[0], bytes[1], bytes[2], bytes[3]]))
        .collect();
    if numbers.len() < 9 {
        return 0;
    }
    // SAFETY: the call reads nine numbers and there are at least nine.
    let anticlockwise = unsafe { c::av_display_rotation_get(numbers.as_ptr()) };
    if anticlockwise.is_finite() { (-anticlockwise.round() as i32).rem_euclid(360) } else { 0 }
}

/// Returns the name of a pixel format number.
pub(super) fn pixel_format_name(format: i32) -> Option<String> {
    let format = pixel_format(format)?;
    // SAFETY: returns a static string or null.
    unsafe { text(c::av_get_pix_fmt_name(format)) }
}

/// Turns a number the library gave into its pixel format.
fn pixel_format(format: i32) -> Option<c::AVPixelFormat> {
    if !(0..c::AVPixelFormat::AV_PIX_FMT_NB as i32).contains(&format) {
        return None;
    }
    // SAFETY: the enum is numbered without gaps from -1 to AV_PIX_FMT_NB, and the number
    // lies between.
    Some(unsafe { std::mem::transmute::<i32, c::AVPixelFormat>(format) })
}

/// Where one component of a pixel lies.
#[derive(Debug, Clone, Copy)]
pub(super) struct Component {
    pub plane: usize,
    pub step: usize,
    pub offset: usize,
    pub shift: u32,
    pub depth: u32,
}

/// How a pixel format lays out its samples.
#[derive(Debug, Clone)]
pub(super) struct Layout {
    pub components: Vec<Component>,
    pub chroma_shift: (u32, u32),
    pub planes: usize,
    pub big_endian: bool,
    pub palette: bool,
    pub bitstream: bool,
    pub rgb: bool,
    pub float: bool,
    pub bayer: bool,
}

/// Reads how the pixel format of a frame lays out its samples.
pub(super) fn layout(frame: &ff::frame::Video) -> Option<Layout> {
    // SAFETY: descriptors are static; everything is copied.
    unsafe {
        let format = pixel_format((*frame.as_ptr()).format)?;
        let descriptor = c::av_pix_fmt_desc_get(format).as_ref()?;
        let has = |flag: i32| descriptor.flags & flag as u64 != 0;
        if has(c::AV_PIX_FMT_FLAG_HWACCEL) {
            return None;
        }
        let count = usize::from(descriptor.nb_components).min(4);
        let components: Vec<Component> = descriptor.comp[..count]
            .iter()
            .map(|component| Component {
                plane: component.plane.max(0) as usize,
                step: component.step.max(0) as usize,
                offset: component.offset.max(0) as usize,
                shift: component.shift.max(0) as u32,
                depth: component.depth.max(0) as u32,
            })
            .collect();
        let planes = components.iter().map(|component| component.plane + 1).max().unwrap_or(0);
        Some(Layout {
            components,
            chroma_shift: (descriptor.log2_chroma_w.into(), descriptor.log2_chroma_h.into()),
            planes,
            big_endian: has(c::AV_PIX_FMT_FLAG_BE),
            palette: has(c::AV_PIX_FMT_FLAG_PAL),
            bitstream: has(c::AV_PIX_FMT_FLAG_BITSTREAM),
            rgb: has(c::AV_PIX_FMT_FLAG_RGB),
            float: has(c::AV_PIX_FMT_FLAG_FLOAT),
            bayer: has(c::AV_PIX_FMT_FLAG_BAYER),
        })
    }
}

/// Returns the number of bytes that hold samples in a row of a plane, without padding.
pub(super) fn row_bytes(frame: &ff::frame::Video, plane: usize) -> usize {
    let (Ok(width), Ok(plane)) = (i32::try_from(frame.width()), i32::try_from(plane)) else {
        return 0;
    };
    // SAFETY: a computation on numbers; a bad one returns a negative number.
    unsafe {
        let Some(format) = pixel_format((*frame.as_ptr()).format) else { return 0 };
        usize::try_from(c::av_image_get_linesize(format, width, plane)).unwrap_or(0)
    }
}

/// Returns the first `bytes` of row `y` of a plane that is `rows` high; `None` if it is not
/// there. Rows may be padded, and stored upside down.
pub(super) fn row(
    frame: &ff::frame::Video,
    plane: usize,
    y: usize,
    rows: usize,
    bytes: usize,
) -> Option<&[u8]> {
    if plane >= 4 || y >= rows {
        return None;
    }
    // SAFETY: FFmpeg allocates `|linesize|` bytes for each row of a plane and `rows` rows
    // (the caller computes them from the format's own shifts); `data` points at row 0, a
    // negative linesize walks back from it. The borrow keeps the frame alive.
    unsafe {
        let raw = frame.as_ptr();
        let start = (*raw).data[plane];
        let step = (*raw).linesize[plane] as isize;
        if start.is_null() || step == 0 || bytes > step.unsigned_abs() {
            return None;
        }
        Some(std::slice::from_raw_parts(start.offset(step * y as isize), bytes))
    }
}

/// As [`row`], to be written to. The caller holds the only handle to the samples.
pub(super) fn row_mut(
    frame: &mut ff::frame::Video,
    plane: usize,
    y: usize,
    rows: usize,
    bytes: usize,
) -> Option<&mut [u8]> {
    if plane >= 4 || y >= rows {
        return None;
    }
    // SAFETY: as in `row`; the frame is borrowed for writing and, being writable, shares its
    // samples with no other.
    unsafe {
        let raw = frame.as_mut_ptr();
        if c::av_frame_is_writable(raw) <= 0 {
            return None;
        }
        let start = (*raw).data[plane];
        let step = (*raw).linesize[plane] as isize;
        if start.is_null() || step == 0 || bytes > step.unsigned_abs() {
            return None;
        }
        Some(std::slice::from_raw_parts_mut(start.offset(step * y as isize), bytes))
    }
}

/// Tells whether a frame shares its samples with no other, a decoder's included.
pub(super) fn is_alone(frame: &ff::frame::Video) -> bool {
    // SAFETY: the frame is alive, and only its reference counts are read.
    unsafe { c::av_frame_is_writable(frame.as_ptr().cast_mut()) > 0 }
}

/// Copies a frame with its samples, tags and side data.
pub(super) fn copied(frame: &ff::frame::Video) -> Option<ff::frame::Video> {
    let mut copy = ff::frame::Video::empty();
    // SAFETY: both frames are alive; format and size are set before the samples get memory of
    // their own, which is then of the same layout.
    unsafe {
        let (from, to) = (frame.as_ptr(), copy.as_mut_ptr());
        (*to).format = (*from).format;
        (*to).width = (*from).width;
        (*to).height = (*from).height;
        let done = c::av_frame_get_buffer(to, 0) >= 0
            && c::av_frame_copy(to, from) >= 0
            && c::av_frame_copy_props(to, from) >= 0;
        done.then_some(copy)
    }
}

/// Returns the palette of a frame with indexed colours: 256 native-endian ARGB numbers.
pub(super) fn palette(frame: &ff::frame::Video) -> Option<Vec<u32>> {
    // SAFETY: an indexed frame holds 256 4-byte entries in its second plane.
    unsafe {
        let data = (*frame.as_ptr()).data[1];
        if data.is_null() {
            return None;
        }
        let bytes = std::slice::from_raw_parts(data, 1024);
        Some(
            bytes
                .chunks_exact(4)
                .map(|entry| u32::from_ne_bytes([entry[0], entry[1], entry[2], entry[3]]))
                .collect(),
        )
    }
}

/// Reads the tags of a decoded frame.
pub(super) fn frame_tags(frame: &ff::frame::Video) -> (Option<String>, RawColour) {
    // SAFETY: reads fields of a frame that is alive; names are static or null.
    unsafe {
        let raw = &*frame.as_ptr();
        let colour = RawColour {
            range: tag(c::av_color_range_name(raw.color_range)),
            primaries: tag(c::av_color_primaries_name(raw.color_primaries)),
            transfer: tag(c::av_color_transfer_name(raw.color_trc)),
            matrix: tag(c::av_color_space_name(raw.colorspace)),
            siting: tag(c::av_chroma_location_name(raw.chroma_location)),
        };
        (pixel_format_name(raw.format), colour)
    }
}

/// Tells whether the decoder marked a frame as damaged or concealed.
pub(super) fn is_damaged(frame: &ff::frame::Video) -> bool {
    // SAFETY: reads two fields of a frame that is alive.
    unsafe {
        let raw = &*frame.as_ptr();
        raw.flags & c::AV_FRAME_FLAG_CORRUPT != 0 || raw.decode_error_flags != 0
    }
}

/// Returns the checksum FFV1 uses: polynomial 0x04C11DB7, from 0, highest bit first.
pub(super) fn crc32(bytes: &[u8]) -> u32 {
    // SAFETY: the table is static and not null for this polynomial; the length is that of
    // the slice.
    unsafe {
        let table = c::av_crc_get_table(c::AVCRCId::AV_CRC_32_IEEE);
        // The library keeps the number with its bytes turned round.
        c::av_crc(table, 0, bytes.as_ptr(), bytes.len()).swap_bytes()
    }
}

/// Sets how a decoder runs: threads by frame and by slice both allowed, checksums checked;
/// a strict one reports errors it would otherwise paint over.
///
/// The safe layer can name only one kind of threads, and without a kind there are none.
pub(super) fn set_decoding(
    context: &mut ff::codec::Context,
    threads: u32,
    time_base: ff::Rational,
    strict: bool,
) {
    // SAFETY: the context is allocated and not opened yet, which is when these are read.
    unsafe {
        let raw = context.as_mut_ptr();
        (*raw).thread_type = c::FF_THREAD_FRAME | c::FF_THREAD_SLICE;
        (*raw).thread_count = threads.clamp(1, 64) as i32;
        (*raw).err_recognition |= c::AV_EF_CRCCHECK;
        if strict {
            (*raw).err_recognition |= c::AV_EF_EXPLODE;
        }
        (*raw).pkt_timebase = time_base.into();
    }
}

/// Tells the decoder whether to leave colour out of the packets it is given from now on.
pub(super) fn leave_out_colour(decoder: &mut ff::decoder::Video, without: bool) {
    // SAFETY: the context is alive and not shared: between two calls of the library no thread
    // of the decoder reads this context's flags; threads have their own copy, made when they
    // are given a packet.
    unsafe {
        let raw = decoder.as_mut_ptr();
        if without {
            (*raw).flags |= c::AV_CODEC_FLAG_GRAY as i32;
        } else {
            (*raw).flags &= !(c::AV_CODEC_FLAG_GRAY as i32);
        }
    }
}

/// Names a tag; the library's word for "nothing said" is none.
fn tag(name: *const c_char) -> Option<String> {
    text(name).filter(|name| name != "unknown" && name != "unspecified")
}

/// Copies a static string of the library.
fn text(name: *const c_char) -> Option<String> {
    if name.is_null() {
        return None;
    }
    // SAFETY: callers pass names of the library, which are static and end in a zero byte.
    Some(unsafe { CStr::from_ptr(name) }.to_string_lossy().into_owned())
}
