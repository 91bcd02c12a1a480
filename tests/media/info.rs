//! What is known before a frame is decoded: start timecode, reel, fields, colour.

use crate::outside;
use crate::pictures;

use pictures::{at, ffmpeg, opened, path};
use platesmith::media::{FieldOrder, MediaInfo};
use std::path::Path;

/// 10 frames at a rate; arguments for coding, then the name.
fn make(folder: &Path, name: &str, rate: &str, coding: &[&str]) -> MediaInfo {
    let picture = format!("testsrc2=size=256x128:rate={rate}");
    let output = at(folder, name);
    let arguments = ["-f", "lavfi", "-i", &picture, "-frames:v", "10"];
    assert!(ffmpeg(&[&arguments[..], coding, &[&output]].concat()));
    opened(&path(folder, name)).info().clone()
}

fn folder() -> Option<tempfile::TempDir> {
    outside::has_program("ffmpeg").then(|| tempfile::tempdir().expect("a folder"))
}

fn label(info: &MediaInfo) -> Option<String> {
    info.start.map(|start| start.counting.label(start.frame))
}

/// The label given to the program comes back, wherever the container keeps it.
#[rstest::rstest]
#[case("a.mov", "24000/1001", "14:03:21:07", "prores_ks")]
#[case("b.mov", "30000/1001", "00:59:58;20", "prores_ks")]
#[case("c.mov", "30000/1001", "00:59:58:20", "prores_ks")]
#[case("d.mp4", "25", "10:00:00:24", "libx264")]
#[case("e.mkv", "24000/1001", "14:03:21:07", "ffv1")]
#[case("f.mkv", "30000/1001", "00:59:58;20", "ffv1")]
#[case("g.mxf", "25", "01:02:03:04", "mpeg2video")]
#[case("h.mxf", "30000/1001", "01:02:03;04", "mpeg2video")]
#[case("i.mov", "60000/1001", "00:59:58;40", "prores_ks")]
#[case("j.mov", "50", "10:00:00:49", "prores_ks")]
fn a_start_timecode_comes_back(
    #[case] name: &str,
    #[case] rate: &str,
    #[case] start: &str,
    #[case] codec: &str,
) {
    let Some(folder) = folder() else { return };
    let info = make(folder.path(), name, rate, &["-c:v", codec, "-timecode", start]);
    assert_eq!(info.rate.to_string(), rate);
    assert_eq!(label(&info).as_deref(), Some(start));
}

/// Offset of the frames-a-second byte of the timecode track's sample entry: after the
/// format, 6 reserved, 2 index, 4 reserved, 4 flags, 4 time scale, 4 duration.
fn frames_byte(file: &[u8]) -> usize {
    // The first "tmcd" may be a track reference or a handler; the entry's has its scale.
    let scale = 30000_u32.to_be_bytes();
    let at = file.windows(24).position(|w| &w[..4] == b"tmcd" && w[20..24] == scale);
    at.map_or_else(|| panic!("no timecode entry"), |at| at + 4 + 8 + 4 + 4 + 4 + 4)
}

#[test]
fn a_timecode_entry_that_says_29_still_counts_30() {
    let Some(folder) = folder() else { return };
    let coding = ["-c:v", "prores_ks", "-timecode", "00:59:58;20"];
    let info = make(folder.path(), "a.mov", "30000/1001", &coding);
    let file = path(folder.path(), "a.mov");
    let mut bytes = std::fs::read(&file).expect("read");
    let mut at = frames_byte(&bytes);
    // scale 4 and duration 4 lie before the byte
    assert_eq!(bytes[at], 30, "the layout of the entry");
    bytes[at] = 29;
    std::fs::write(&file, &bytes).expect("written");
    let media = opened(&file);
    assert_eq!(media.info().start, info.start);
    assert!(media.warnings().is_empty());
    // No rate at all: a warning, and no start.
    at -= 8;
    bytes[at..at + 8].fill(0);
    std::fs::write(&file, &bytes).expect("written");
    let media = opened(&file);
    assert_eq!(media.info().start, None);
    assert_eq!(
        media.warnings()[0].to_string(),
        "a.mov, start timecode: timecode track: 0/0 is no rate"
    );
}

#[test]
fn a_label_that_does_not_exist_is_a_warning() {
    let Some(folder) = folder() else { return };
    for (tag, why) in [
        ("10:00:00:24", "frames run 00-23"),
        ("10:00:00;10", "drop-frame timecode exists at 29.97 and 59.94 only, not at 24"),
        ("abc", "write it as HH:MM:SS:FF"),
    ] {
        let metadata = format!("timecode={tag}");
        make(folder.path(), "a.mkv", "24", &["-c:v", "ffv1", "-metadata", &metadata]);
        let media = opened(&path(folder.path(), "a.mkv"));
        assert_eq!(media.info().start, None, "{tag}");
        assert_eq!(
            media.warnings()[0].fault,
            format!("start timecode \"{tag}\" at 24 frames a second is not one: {why}")
        );
    }
}

#[test]
fn tags_are_told_as_written_and_silence_stays_silence() {
    let Some(folder) = folder() else { return };
    let info = make(folder.path(), "plain.mkv", "24", &["-c:v", "ffv1"]);
    assert_eq!(info.colour.primaries, None);
    assert_eq!(info.colour.transfer, None);
    assert_eq!(label(&info), None);
    assert_eq!(info.reel, None);
    let bt709 = "setparams=color_primaries=bt709:color_trc=bt709:colorspace=bt709:range=tv";
    let tags = ["-vf", bt709, "-c:v", "prores_ks", "-timecode", "01:00:00:00"];
    let tags = [&tags[..], &["-metadata:s:v", "reel_name=A014R1"]].concat();
    let info = make(folder.path(), "tagged.mov", "24", &tags);
    assert_eq!(info.colour.primaries.as_deref(), Some("bt709"));
    assert_eq!(info.colour.transfer.as_deref(), Some("bt709"));
    assert_eq!(info.colour.matrix.as_deref(), Some("bt709"));
    assert_eq!(info.reel.as_deref(), Some("A014R1"));
    assert_eq!((info.width, info.height, info.pixel_aspect), (256, 128, (1, 1)));
    assert_eq!(info.field_order, FieldOrder::Progressive);
    assert_eq!((info.codec.as_str(), info.profile.as_deref()), ("prores", Some("HQ")));
    for (order, name) in [(FieldOrder::TopFirst, "tff"), (FieldOrder::BottomFirst, "bff")] {
        let fields = ["-vf", &format!("setfield={name}"), "-c:v", "prores_ks", "-flags", "+ildct"];
        assert_eq!(make(folder.path(), "fields.mov", "25", &fields).field_order, order);
    }
}

/// The program writes DPX files whose image begins right after the generic header; gives
/// each the film and television headers (SMPTE ST 268-1), with a timecode and a rate.
fn with_television_header(file: &Path, timecode: u32, rate: f32) {
    let bytes = std::fs::read(file).expect("read");
    let big = bytes.starts_with(b"SDPX");
    let order = |value: u32| if big { value.to_be_bytes() } else { value.to_le_bytes() };
    let mut whole = [&bytes[..1664], &[0xff; 384], &bytes[1664..]].concat();
    whole[4..8].copy_from_slice(&order(2048));
    // The image element has its own offset.
    whole[808..812].copy_from_slice(&order(2048));
    whole[1920..1924].copy_from_slice(&order(timecode));
    whole[1940..1944].copy_from_slice(&order(rate.to_bits()));
    std::fs::write(file, whole).expect("written");
}

#[rstest::rstest]
#[case("gbrp10be")]
#[case("rgb24")]
fn dpx_timecode_and_rate_come_from_the_television_header(#[case] format: &str) {
    let Some(folder) = folder() else { return };
    make(folder.path(), "a.%04d.dpx", "24", &["-start_number", "1", "-pix_fmt", format]);
    let before = pictures::framemd5(
        &["-f", "image2", "-i", &at(folder.path(), "a.%04d.dpx")],
        &opened(folder.path()).info().pixel_format,
    );
    for n in 0..10 {
        let file = path(folder.path(), &format!("a.{:04}.dpx", n + 1));
        with_television_header(&file, 0x1003_2110 + n, 23.976);
    }
    let media = opened(folder.path());
    assert!(media.warnings().is_empty(), "{:?}", media.warnings());
    assert_eq!(media.info().rate.to_string(), "24000/1001");
    assert_eq!(label(media.info()).as_deref(), Some("10:03:21:10"));
    let mut frames = media.frames(platesmith::time::FrameRange::new(4, 5)).expect("inside");
    let (_, picture) = frames.next_frame().expect("a frame").expect("decodes");
    assert_eq!(pictures::picture_md5(&picture), before[4]);
    // The last label does not run with the files: said, and no start is taken.
    let last = path(folder.path(), "a.0010.dpx");
    let mut bytes = std::fs::read(&last).expect("read");
    let frames = if bytes.starts_with(b"SDPX") { 1923 } else { 1920 };
    bytes[frames] = 0x22;
    std::fs::write(&last, bytes).expect("written");
    let media = opened(folder.path());
    assert_eq!(media.info().start, None);
    assert_eq!(
        media.warnings()[0].fault,
        "header timecodes do not run with the files: first 10:03:21:10, last 10:03:21:22"
    );
}

/// Luma straight from the planes equals the program's own extraction of the luma plane.
#[rstest::rstest]
#[case("yuv420p", "gray")]
#[case("yuv422p10le", "gray10le")]
#[case("yuv444p12le", "gray12le")]
#[case("gray16le", "gray16le")]
fn luma_is_the_luma_plane(#[case] format: &str, #[case] plane: &str) {
    let Some(folder) = folder() else { return };
    make(folder.path(), "a.mkv", "24", &["-c:v", "ffv1", "-level", "3", "-pix_fmt", format]);
    let raw = at(folder.path(), "y.raw");
    let input = at(folder.path(), "a.mkv");
    let extract = ["-i", &input, "-vf", "extractplanes=y", "-f", "rawvideo", "-pix_fmt", plane];
    assert!(ffmpeg(&[&extract[..], &["-frames:v", "1", &raw]].concat()));
    let bytes = std::fs::read(&raw).expect("read");
    let expected: Vec<u16> = if plane == "gray" {
        bytes.iter().map(|byte| u16::from(*byte)).collect()
    } else {
        bytes.chunks_exact(2).map(|word| u16::from_le_bytes([word[0], word[1]])).collect()
    };
    let media = opened(&path(folder.path(), "a.mkv"));
    let mut frames = media.frames(platesmith::time::FrameRange::new(0, 1)).expect("inside");
    let (_, picture) = frames.next_frame().expect("a frame").expect("decodes");
    let mut luma = Vec::new();
    assert!(picture.luma_u16(&mut luma));
    assert_eq!(luma, expected);
}

/// Packed and upside-down layouts give the luma of the planar one they were made from.
#[rstest::rstest]
#[case("uyvy422", "rawvideo", "a.mov")]
#[case("yuyv422", "rawvideo", "a.avi")]
#[case("gray", "rawvideo", "b.avi")]
fn packed_luma_is_the_same_luma(#[case] format: &str, #[case] codec: &str, #[case] name: &str) {
    let Some(folder) = folder() else { return };
    make(folder.path(), "planar.mkv", "24", &["-c:v", "ffv1", "-pix_fmt", "yuv422p"]);
    let (input, output) = (at(folder.path(), "planar.mkv"), at(folder.path(), name));
    let full = if format == "gray" { "extractplanes=y" } else { "null" };
    assert!(ffmpeg(&["-i", &input, "-vf", full, "-c:v", codec, "-pix_fmt", format, &output]));
    let lumas: Vec<Vec<u16>> = ["planar.mkv", name]
        .iter()
        .map(|name| {
            let media = opened(&path(folder.path(), name));
            let mut frames = media.frames(platesmith::time::FrameRange::new(3, 4)).expect("inside");
            let (_, picture) = frames.next_frame().expect("a frame").expect("decodes");
            let mut luma = Vec::new();
            assert!(picture.luma_u16(&mut luma));
            luma
        })
        .collect();
    assert_eq!(lumas[0], lumas[1]);
}
