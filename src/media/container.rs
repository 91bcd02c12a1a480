//! Opening a container file.

use super::clock::Clock;
use super::ffi::{self, StreamTags};
use super::frames::Frames;
use super::info::{ColourTags, FieldOrder, MediaInfo, MediaKind, StartTimecode};
use super::open::{Media, OpenOptions, Source, shown_name};
use super::picture::Picture;
use super::scan::{self, Scan};
use super::timecode::{self, TimecodeTrack};
use crate::error::{BadInput, Faults};
use crate::time::{FrameRange, Rate};
use ff::format::context::Input;
use ffmpeg_next as ff;
use std::collections::BTreeMap;
use std::io::Read;
use std::path::Path;

/// Containers that are opened. Playlists and scripts are not among them: they would make
/// the libraries open other files or the network.
const FORMATS: &str = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,mxf,avi,yuv4mpegpipe,nut,dv,gxf,lxf,\
    asf,flv,ogg,mpegts,mpeg,h264,hevc,mpegvideo,wav,w64,aiff,flac,mp3,caf";

/// Opens a container file.
pub(super) fn open(path: &Path, options: OpenOptions) -> Result<Media, Faults> {
    let file = shown_name(path);
    let size = check_file(path, &file)?;
    let mut input = open_input(path, &file)?;
    let format = input.format().name().to_string();
    let (stream, tags) = choose_stream(&input, &file)?;
    refuse_format(&format, &file)?;
    refuse_stream(&tags, &file)?;
    ffi::keep_streams(&mut input, &[stream]);
    let mut scan = scan::scan(&mut input, stream, &file, size)?;
    let mut warnings = Vec::new();
    let clock = fit_clock(&input, stream, &mut scan, &file, &mut warnings)?;
    cut_short(&mut scan, &clock, path, &file, size, &mut warnings)?;
    let mut info = MediaInfo {
        kind: MediaKind::Container(path.to_path_buf()),
        name: file.clone(),
        format,
        codec: tags.codec.clone(),
        profile: tags.profile.clone(),
        pixel_format: tags.pixel_format.clone().unwrap_or_default(),
        width: u32::try_from(tags.width).unwrap_or(0),
        height: u32::try_from(tags.height).unwrap_or(0),
        pixel_aspect: aspect(tags.aspect),
        rotation: tags.rotation,
        rate: clock.rate,
        frames: scan.times.len() as u64,
        start: None,
        reel: None,
        field_order: field_order(&tags),
        colour: colour(&tags.colour),
    };
    info.reel = reel(&input);
    info.start = start_timecode(path, &mut input, stream, clock.rate, &file, &mut warnings);
    let mut media = Media {
        info,
        warnings,
        options,
        source: Source::Container { stream, clock },
        sizes: scan.sizes,
        whole_id: Default::default(),
        stored: None,
    };
    settle_by_first_picture(&mut media, &scan.times)?;
    Ok(media)
}

/// Refuses what is no file with something in it, in words that name what it is.
fn check_file(path: &Path, file: &str) -> Result<u64, Faults> {
    let fault = |fault: String, remedy: &str| Err(Faults::one(file, "", fault, remedy));
    let about = match std::fs::metadata(path) {
        Ok(about) => about,
        Err(why) => return fault(said(&why), "check the path and whether the volume is mounted"),
    };
    if about.is_dir() {
        return fault("it is a folder without image files".into(), "name a media file");
    }
    if !about.is_file() {
        return fault("it is not a regular file".into(), "name a media file");
    }
    if about.len() == 0 {
        return fault("it is empty: 0 bytes".into(), "copy it again from the camera master");
    }
    if let Err(why) = std::fs::File::open(path) {
        return fault(said(&why), "check who may read it");
    }
    Ok(about.len())
}

/// Says an error of the system without its number.
pub(super) fn said(why: &std::io::Error) -> String {
    match why.kind() {
        std::io::ErrorKind::NotFound => "there is no such file".into(),
        std::io::ErrorKind::PermissionDenied => "it may not be read".into(),
        _ => format!("it cannot be read: {why}"),
    }
}

/// Opens a container for demuxing.
pub(super) fn open_input(path: &Path, file: &str) -> Result<Input, Faults> {
    ffi::open_input(path, FORMATS, true).map_err(|why| refused(path, file, why))
}

fn refused(path: &Path, file: &str, why: ff::Error) -> Faults {
    let (fault, remedy) = not_media(path, why);
    Faults::one(file, "", fault, remedy)
}

/// Guesses from the first bytes why a file did not open.
fn not_media(path: &Path, why: ff::Error) -> (String, &'static str) {
    const AGAIN: &str = "copy it again from the camera master";
    let mut head = vec![0; 512];
    let length = std::fs::File::open(path).and_then(|mut file| file.read(&mut head)).unwrap_or(0);
    head.truncate(length);
    if head
        .get(4..8)
        .is_some_and(|kind| matches!(kind, b"ftyp" | b"moov" | b"mdat" | b"wide" | b"free"))
    {
        return (
            format!(
                "its index (moov) is missing or broken, so the recording or the copy was cut short ({why})"
            ),
            AGAIN,
        );
    }
    for (mark, name) in [
        (&b"\x1a\x45\xdf\xa3"[..], "Matroska"),
        (&b"\x06\x0e\x2b\x34"[..], "MXF"),
        (&b"RIFF"[..], "RIFF"),
    ] {
        if head.starts_with(mark) {
            return (format!("the {name} file is broken or cut short ({why})"), AGAIN);
        }
    }
    if head.iter().all(|byte| *byte == 0) {
        return ("it holds zeros where media should begin".into(), AGAIN);
    }
    if std::str::from_utf8(&head).is_ok_and(|text| !text.contains('\0')) {
        return ("it is a text file, not media".into(), "name a media file");
    }
    (format!("it is no container that is read here ({why})"), "rewrap it to MOV, MXF or MKV")
}

/// Finds the picture stream: the one the libraries think best, that is no cover picture.
fn choose_stream(input: &Input, file: &str) -> Result<(usize, StreamTags), Faults> {
    let best = input
        .streams()
        .best(ff::media::Type::Video)
        .map(|stream| (stream.index(), ffi::stream_tags(&stream)))
        .filter(|(_, tags)| !tags.attached_picture);
    best.ok_or_else(|| {
        let sound = input.streams().any(|s| s.parameters().medium() == ff::media::Type::Audio);
        let fault = if sound { "it holds sound but no picture" } else { "it holds no picture" };
        Faults::one(file, "", fault, "name the picture file of the take")
    })
}

fn refuse_format(format: &str, file: &str) -> Result<(), Faults> {
    let (what, remedy) = match format {
        "mpegts" => (
            "an MPEG transport stream cannot be read to the frame: it has no index",
            "rewrap it without re-encoding to MOV or MKV",
        ),
        "mpeg" | "h264" | "hevc" | "mpegvideo" => (
            "a bare stream cannot be read to the frame: it has no index",
            "rewrap it without re-encoding to MOV or MKV",
        ),
        _ => return Ok(()),
    };
    Err(Faults::one(file, "", what, remedy))
}

fn refuse_stream(tags: &StreamTags, file: &str) -> Result<(), Faults> {
    if matches!(&tags.codec_tag, b"encv" | b"drmi") {
        return Err(Faults::one(
            file,
            "",
            "its picture is encrypted",
            "ask for a copy that is not encrypted",
        ));
    }
    if tags.codec == "none" || tags.codec.is_empty() || tags.codec == "unknown" {
        let tag = String::from_utf8_lossy(&tags.codec_tag).escape_default().to_string();
        return Err(no_decoder(file, &format!("\"{tag}\"")));
    }
    if tags.width <= 0 || tags.height <= 0 {
        return Err(Faults::one(
            file,
            "",
            format!("its picture has no size ({} x {})", tags.width, tags.height),
            "copy it again from the camera master",
        ));
    }
    Ok(())
}

/// Makes the fault for a codec without a decoder.
pub(super) fn no_decoder(file: &str, codec: &str) -> Faults {
    Faults::one(
        file,
        "",
        format!("the FFmpeg libraries here have no decoder for its codec {codec}"),
        "make a proxy or a ProRes or DNxHR copy, and use that",
    )
}

fn fit_clock(
    input: &Input,
    stream: usize,
    scan: &mut Scan,
    file: &str,
    warnings: &mut Vec<BadInput>,
) -> Result<Clock, Faults> {
    if scan.times.is_empty() {
        return Err(Faults::one(
            file,
            "",
            "it holds not one frame of picture",
            "copy it again from the camera master",
        ));
    }
    let (tick, claims) = match input.stream(stream) {
        Some(video) => (video.time_base(), vec![video.avg_frame_rate(), video.rate()]),
        None => (ff::Rational(0, 1), Vec::new()),
    };
    let claims: Vec<Rate> = claims.into_iter().filter_map(rate).collect();
    let fit = match (u32::try_from(tick.0), u32::try_from(tick.1)) {
        (Ok(num), Ok(den)) if num > 0 && den > 0 => {
            scan::fit(&scan.times, (num, den), &claims, file)?
        }
        _ => {
            return Err(Faults::one(
                file,
                "",
                "its clock has no unit",
                "rewrap it to MOV, MXF or MKV",
            ));
        }
    };
    if fit.frames < scan.times.len() {
        warnings.push(BadInput::new(
            file,
            format!("frame {}", fit.frames),
            format!(
                "the frame is missing near the end, as after a trim without encoding; frames 0-{} are read",
                fit.frames - 1
            ),
            "use the full take, or trim it again and encode",
        ));
        scan.times.truncate(fit.frames);
    }
    Ok(fit.clock)
}

fn rate(value: ff::Rational) -> Option<Rate> {
    Rate::new(u32::try_from(value.0).ok()?, u32::try_from(value.1).ok()?)
}

/// Says that a file ends before its index does, and leaves the frames that are whole.
fn cut_short(
    scan: &mut Scan,
    clock: &Clock,
    path: &Path,
    file: &str,
    size: u64,
    warnings: &mut Vec<BadInput>,
) -> Result<(), Faults> {
    let promised = scan.times.len();
    let needed = match scan.bytes_needed {
        Some(needed) if needed > size => needed,
        _ => super::promised::promised_bytes(path).unwrap_or(0),
    };
    if needed <= size {
        return Ok(());
    }
    let whole = scan.whole.unwrap_or(promised);
    scan.times.truncate(whole);
    let missing = if whole < promised {
        format!("frames 0-{} of {promised} are whole", whole.saturating_sub(1))
    } else {
        format!("{whole} frames at {} are whole", clock.rate)
    };
    let fault = BadInput::new(
        file,
        format!("byte {size}"),
        format!("the file ends early, {needed} bytes were promised: {missing}"),
        "copy it again from the camera master",
    );
    if whole == 0 {
        return Err(fault.into());
    }
    warnings.push(fault);
    Ok(())
}

/// Returns a pixel aspect, `(1, 1)` for one that says nothing.
pub(super) fn aspect((num, den): (i32, i32)) -> (u32, u32) {
    match (u32::try_from(num), u32::try_from(den)) {
        (Ok(num), Ok(den)) if num > 0 && den > 0 => (num, den),
        _ => (1, 1),
    }
}

fn field_order(tags: &StreamTags) -> FieldOrder {
    use ff::ffi::AVFieldOrder as Order;
    // A sample entry with interleaved fields says 9 or 14: the first line is early or late
    // (QuickTime `fiel`; from memory). FFmpeg names these TB and BT, and its own decoders
    // take TB as top field first.
    match tags.field_order {
        Order::AV_FIELD_PROGRESSIVE => FieldOrder::Progressive,
        Order::AV_FIELD_TT | Order::AV_FIELD_TB => FieldOrder::TopFirst,
        Order::AV_FIELD_BB | Order::AV_FIELD_BT => FieldOrder::BottomFirst,
        _ => FieldOrder::Unknown,
    }
}

/// Copies colour tags.
pub(super) fn colour(raw: &ffi::RawColour) -> ColourTags {
    let raw = raw.clone();
    ColourTags {
        range: raw.range,
        primaries: raw.primaries,
        transfer: raw.transfer,
        matrix: raw.matrix,
        siting: raw.siting,
    }
}

/// Gathers the tags of the file and its streams; those of the picture stream first.
fn all_tags(input: &Input, stream: usize) -> Vec<BTreeMap<String, String>> {
    let copy = |tags: ff::DictionaryRef| -> BTreeMap<String, String> {
        tags.iter().map(|(key, value)| (key.to_ascii_lowercase(), value.to_string())).collect()
    };
    let mut all: Vec<_> = input.stream(stream).map(|s| copy(s.metadata())).into_iter().collect();
    all.push(copy(input.metadata()));
    all.extend(input.streams().filter(|s| s.index() != stream).map(|s| copy(s.metadata())));
    all
}

/// Reads the reel name, wherever it stands.
fn reel(input: &Input) -> Option<String> {
    let tags = all_tags(input, usize::MAX);
    ["reel_name", "reelname", "reel"]
        .iter()
        .find_map(|key| tags.iter().find_map(|tags| tags.get(*key)))
        .map(|name| name.trim().to_string())
        .filter(|name| !name.is_empty())
}

/// Reads the start timecode: from a timecode track, else from the tags.
fn start_timecode(
    path: &Path,
    input: &mut Input,
    stream: usize,
    rate: Rate,
    file: &str,
    warnings: &mut Vec<BadInput>,
) -> Option<StartTimecode> {
    let found = match timecode_track(path, input) {
        Some(track) if track.flags & 8 == 0 => track.start(rate),
        _ => {
            let tags = all_tags(input, stream);
            let label = tags.iter().find_map(|tags| tags.get("timecode"))?;
            timecode::from_label(label, rate)
        }
    };
    found.map_err(|why| warnings.push(timecode::refused(file, why))).ok()
}

/// Reads the first timecode track, from a second opening so that the scan is not disturbed.
fn timecode_track(path: &Path, input: &Input) -> Option<TimecodeTrack> {
    let (index, tags) = input
        .streams()
        .map(|s| (s.index(), ffi::stream_tags(&s)))
        .find(|(_, tags)| &tags.codec_tag == b"tmcd")?;
    let mut second = ffi::open_input(path, FORMATS, true).ok()?;
    ffi::keep_streams(&mut second, &[index]);
    let packet = scan::next_packet(&mut second, index)?;
    TimecodeTrack::read(&tags, packet.data()?)
}

/// As [`reopen`] without a look at the first packets: for codecs whose decoder needs nothing
/// from them. The look decodes a picture.
pub(super) fn reopen_unprobed(path: &Path, stream: usize, file: &str) -> Result<Input, Faults> {
    let opened = ffi::open_input(path, FORMATS, false);
    let mut input = opened.map_err(|why| refused(path, file, why))?;
    if input.stream(stream).is_none() {
        // A container that names its streams in its packets.
        return reopen(path, stream, file);
    }
    ffi::keep_streams(&mut input, &[stream]);
    Ok(input)
}

/// Opens the input again for a reader.
pub(super) fn reopen(path: &Path, stream: usize, file: &str) -> Result<Input, Faults> {
    let mut input = open_input(path, file)?;
    ffi::keep_streams(&mut input, &[stream]);
    Ok(input)
}

/// Decodes the head of the file. The first picture that comes out is file frame 0: pictures
/// before the first key frame refer to frames that are not in the file and are never shown.
/// Tags only the decoder knows are taken from it.
fn settle_by_first_picture(media: &mut Media, times: &[i64]) -> Result<(), Faults> {
    let first: Picture = Frames::from_head(media)?.first_picture()?;
    if let (Source::Container { clock, .. }, Some(pts)) = (&mut media.source, first.timestamp()) {
        let hidden = times.partition_point(|time| *time < pts);
        if hidden > 0 && hidden < times.len() {
            clock.first = times[hidden];
            media.info.frames = (times.len() - hidden) as u64;
        }
    }
    if media.info.pixel_format.is_empty() {
        media.info.pixel_format = first.format().to_string();
    }
    let seen = first.colour();
    let tags = &mut media.info.colour;
    for (tag, seen) in [
        (&mut tags.range, seen.range),
        (&mut tags.primaries, seen.primaries),
        (&mut tags.transfer, seen.transfer),
        (&mut tags.matrix, seen.matrix),
        (&mut tags.siting, seen.siting),
    ] {
        if tag.is_none() {
            *tag = seen;
        }
    }
    Ok(())
}

/// Returns every frame of the media.
pub(super) fn whole_range(info: &MediaInfo) -> FrameRange {
    FrameRange::new(0, i64::try_from(info.frames).unwrap_or(i64::MAX))
}
