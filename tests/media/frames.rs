//! Frame-exact reading: for every container and codec, every frame read alone and in ranges
//! equals the same frame of a whole-file decode by the `ffmpeg` program (5.1).

use crate::outside;
use crate::pictures;

use pictures::{at, ffmpeg, framemd5, md5, opened, packed, path};
use platesmith::media::{FrameReader, Media, Picture, Wanted};
use platesmith::time::{Frame, FrameRange};
use std::path::Path;

/// Moving pattern under moving noise: no two frames are equal.
const PICTURE: &str = "testsrc2=size=256x128:rate=24,noise=alls=12:allf=t:all_seed=7";
const X264_OPEN: &str = "open-gop=1:keyint=12:min-keyint=4:bframes=3:b-pyramid=normal";

/// Makes a file of 50 frames with sound: arguments for picture coding, then the name.
fn make(folder: &Path, name: &str, coding: &[&str]) -> bool {
    make_from(folder, name, PICTURE, coding)
}

fn make_from(folder: &Path, name: &str, picture: &str, coding: &[&str]) -> bool {
    let output = at(folder, name);
    let mut all = vec!["-f", "lavfi", "-i", picture, "-f", "lavfi", "-i", "sine=r=48000"];
    let silent = coding.contains(&"-an");
    all.extend(["-map", "0:v"]);
    if !silent {
        all.extend(["-map", "1:a", "-c:a", "pcm_s16le", "-shortest"]);
    }
    all.extend(["-frames:v", "50", "-t", "2.09"]);
    all.extend(coding);
    all.push(&output);
    ffmpeg(&all)
}

/// Copies packets of a file into another: arguments before and after the input.
fn copy(folder: &Path, from: &str, before: &[&str], after: &[&str], to: &str) -> bool {
    let (input, output) = (at(folder, from), at(folder, to));
    let mut all = before.to_vec();
    all.extend(["-i", &input, "-map", "0", "-c", "copy"]);
    all.extend(after);
    all.push(&output);
    ffmpeg(&all)
}

/// Collects the frames it sees.
struct Seen {
    range: FrameRange,
    seen: Vec<(i64, Vec<u8>)>,
}

impl FrameReader for Seen {
    fn range(&self) -> FrameRange {
        self.range
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), platesmith::error::Faults> {
        self.seen.push((frame.0, packed(picture)));
        Ok(())
    }
}

/// Every frame alone, all in order, and pseudo-random ranges, equal the program's frames.
fn check(media: &Media, expected: &[String], what: &str) {
    let count = expected.len() as i64;
    assert!(count > 5, "{what}: the program decodes {count} frames");
    assert_eq!(media.info().frames as i64, count, "{what}: frames");
    assert!(media.warnings().is_empty(), "{what}: {:?}", media.warnings());
    check_frames(media, expected, what);
}

fn check_frames(media: &Media, expected: &[String], what: &str) {
    let count = expected.len() as i64;
    let distinct: std::collections::BTreeSet<&String> = expected.iter().collect();
    assert_eq!(
        distinct.len(),
        expected.len(),
        "{what}: a fixture with equal frames proves nothing"
    );
    let read = |range: FrameRange| -> Vec<Vec<u8>> {
        let mut frames = media.frames(range).expect("inside");
        let mut pictures = Vec::new();
        while let Some(next) = frames.next_frame() {
            let (frame, picture) = next.unwrap_or_else(|fault| panic!("{what}: {fault}"));
            assert_eq!(frame.0, range.start.0 + pictures.len() as i64);
            pictures.push(packed(&picture));
        }
        pictures
    };
    // Sums are taken once; what is read again is held against the pictures themselves.
    let in_order = read(FrameRange::new(0, count));
    let sums: Vec<String> = in_order.iter().map(|picture| md5(picture)).collect();
    assert_eq!(sums, expected, "{what}: in order");
    for n in 0..count {
        let alone = read(FrameRange::new(n, n + 1));
        assert!(alone == in_order[n as usize..=n as usize], "{what}: frame {n}");
    }
    let mut seed = 12345_u64;
    let mut next = |below: i64| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) as i64 % below.max(1)
    };
    let mut wanted = Vec::new();
    for _ in 0..8 {
        let start = next(count);
        let range = FrameRange::new(start, (start + 1 + next(20)).min(count));
        let slice = &in_order[range.start.0 as usize..range.end.0 as usize];
        assert!(read(range) == slice, "{what}: frames {range}");
        wanted.push(range);
    }
    // One decode for all of them, in whatever order and overlap.
    let mut readers: Vec<Seen> =
        wanted.iter().map(|range| Seen { range: *range, seen: Vec::new() }).collect();
    let mut plugged: Vec<&mut dyn FrameReader> =
        readers.iter_mut().map(|reader| reader as &mut dyn FrameReader).collect();
    let summary = media.read(&wanted, &mut plugged).expect("reads");
    let union = platesmith::time::union(&wanted);
    assert_eq!(summary.frames, union.iter().map(|range| range.count().0).sum::<u64>());
    assert_eq!(summary.runs, union);
    for reader in readers {
        let frames: Vec<i64> = reader.seen.iter().map(|(frame, _)| *frame).collect();
        let wanted: Vec<i64> = (reader.range.start.0..reader.range.end.0).collect();
        assert_eq!(frames, wanted, "{what}: reader of {}", reader.range);
        let same = |(n, picture): &(i64, Vec<u8>)| *picture == in_order[*n as usize];
        assert!(reader.seen.iter().all(same), "{what}: reader of {}", reader.range);
    }
    // Frames a little apart, decoded; then those and their neighbours, some of them read back.
    let apart: Vec<FrameRange> = (1..count).step_by(3).map(|n| FrameRange::new(n, n + 1)).collect();
    let seen_of = |media: &Media, ranges: &[FrameRange]| {
        let mut seen = Seen { range: FrameRange::new(0, count), seen: Vec::new() };
        media.read(ranges, &mut [&mut seen]).expect("reads");
        seen.seen
    };
    let holds = |seen: &[(i64, Vec<u8>)], step: usize, from: i64| {
        let wanted = (from..count).step_by(step);
        seen.iter().map(|(n, _)| *n).eq(wanted)
            && seen.iter().all(|(n, picture)| *picture == in_order[*n as usize])
    };
    assert!(holds(&seen_of(media, &apart), 3, 1), "{what}: every third");
    let stored = media.stored(&apart).expect("reads");
    assert!(holds(&seen_of(&stored, &[FrameRange::new(0, count)]), 1, 0), "{what}: stored");
}

fn check_file(folder: &Path, name: &str) {
    let media = opened(&path(folder, name));
    let expected = framemd5(&["-i", &at(folder, name)], &media.info().pixel_format);
    check(&media, &expected, name);
}

fn folder() -> Option<tempfile::TempDir> {
    outside::has_program("ffmpeg").then(|| tempfile::tempdir().expect("a temporary folder"))
}

#[rstest::rstest]
#[case("h264_open.mp4", &["-c:v", "libx264", "-x264-params", X264_OPEN, "-c:a", "aac"])]
#[case("h264_open.mov", &["-c:v", "libx264", "-x264-params", X264_OPEN])]
#[case("h264_open.mkv", &["-c:v", "libx264", "-x264-params", X264_OPEN])]
#[case("h264_closed.mp4", &["-c:v", "libx264", "-g", "12", "-bf", "3", "-c:a", "aac"])]
#[case("h264_one_key.mp4", &["-c:v", "libx264", "-g", "500", "-bf", "3", "-c:a", "aac"])]
#[case("h264_refresh.mp4", &["-c:v", "libx264", "-x264-params", "intra-refresh=1:keyint=12:bframes=2", "-c:a", "aac"])]
#[case("h264_negative_offsets.mp4", &["-c:v", "libx264", "-g", "12", "-bf", "3", "-movflags", "negative_cts_offsets", "-c:a", "aac"])]
#[case("h264_fragments.mp4", &["-c:v", "libx264", "-g", "12", "-bf", "2", "-movflags", "frag_keyframe+empty_moov", "-c:a", "aac"])]
#[case("h264_faststart.mp4", &["-c:v", "libx264", "-g", "12", "-movflags", "faststart", "-c:a", "aac"])]
#[case("h264_fields.mp4", &["-c:v", "libx264", "-g", "12", "-bf", "2", "-flags", "+ildct+ilme", "-x264-params", "tff=1", "-c:a", "aac"])]
#[case("h264_10.mov", &["-c:v", "libx264", "-pix_fmt", "yuv422p10le", "-g", "1"])]
#[case("hevc_open.mp4", &["-c:v", "libx265", "-x265-params", "log-level=none:open-gop=1:keyint=12:min-keyint=6:bframes=3:pools=1", "-c:a", "aac"])]
#[case("hevc_closed.mkv", &["-c:v", "libx265", "-x265-params", "log-level=none:open-gop=0:keyint=12:bframes=3:pools=1"])]
#[case("prores.mov", &["-c:v", "prores_ks", "-profile:v", "3", "-timecode", "10:00:00:00"])]
#[case("prores_fragments.mov", &["-c:v", "prores_ks", "-movflags", "frag_keyframe+empty_moov", "-an"])]
#[case("prores.mxf", &["-c:v", "prores_aw", "-profile:v", "2"])]
#[case("prores4444.mov", &["-c:v", "prores_ks", "-profile:v", "4", "-pix_fmt", "yuva444p10le"])]
#[case("dnxhr.mov", &["-c:v", "dnxhd", "-profile:v", "dnxhr_hq", "-pix_fmt", "yuv422p"])]
#[case("dnxhr.mxf", &["-c:v", "dnxhd", "-profile:v", "dnxhr_hqx", "-pix_fmt", "yuv422p10le"])]
#[case("dnxhr_atom.mxf", &["-f", "mxf_opatom", "-c:v", "dnxhd", "-profile:v", "dnxhr_sq", "-pix_fmt", "yuv422p", "-an"])]
#[case("mpeg2.mxf", &["-c:v", "mpeg2video", "-g", "12", "-bf", "2", "-pix_fmt", "yuv420p", "-an"])]
#[case("ffv1_1.mkv", &["-c:v", "ffv1", "-level", "3", "-g", "1", "-slicecrc", "1"])]
#[case("ffv1_10.mkv", &["-c:v", "ffv1", "-level", "3", "-g", "10", "-pix_fmt", "yuv422p10le"])]
#[case("ffv1_gbr.mkv", &["-c:v", "ffv1", "-level", "3", "-g", "1", "-pix_fmt", "gbrp16le"])]
#[case("mjpeg.mov", &["-c:v", "mjpeg", "-q:v", "3", "-pix_fmt", "yuvj422p"])]
#[case("mjpeg.avi", &["-c:v", "mjpeg", "-q:v", "3", "-pix_fmt", "yuvj420p"])]
#[case("mpeg4.avi", &["-c:v", "mpeg4", "-q:v", "3", "-bf", "0", "-g", "12"])]
#[case("raw.avi", &["-c:v", "rawvideo", "-pix_fmt", "uyvy422"])]
#[case("raw.mov", &["-c:v", "rawvideo", "-pix_fmt", "uyvy422"])]
#[case("v210.mov", &["-c:v", "v210", "-pix_fmt", "yuv422p10le"])]
#[case("png.mov", &["-c:v", "png", "-pix_fmt", "rgb48be"])]
#[case("jpeg2000.mov", &["-c:v", "jpeg2000", "-pix_fmt", "yuv422p10le"])]
#[case("cineform.mov", &["-c:v", "cfhd", "-pix_fmt", "yuv422p10le"])]
#[case("raw.y4m", &["-pix_fmt", "yuv420p", "-an"])]
#[case("vp9.webm", &["-c:v", "libvpx-vp9", "-g", "12", "-deadline", "realtime", "-cpu-used", "8", "-an"])]
fn every_frame_is_the_one_the_program_shows(#[case] name: &str, #[case] coding: &[&str]) {
    let Some(folder) = folder() else { return };
    if !make(folder.path(), name, coding) {
        outside::skipped(&format!("this ffmpeg cannot make {name}"));
        return;
    }
    check_file(folder.path(), name);
}

#[rstest::rstest]
#[case("24000/1001")]
#[case("30000/1001")]
#[case("60000/1001")]
#[case("25/2")]
#[case("120")]
fn one_millisecond_ticks_do_not_hide_the_rate(#[case] rate: &str) {
    let Some(folder) = folder() else { return };
    let picture = PICTURE.replace("rate=24", &format!("rate={rate}"));
    assert!(make_from(
        folder.path(),
        "take.mkv",
        &picture,
        &["-c:v", "libx264", "-x264-params", X264_OPEN, "-an"]
    ));
    let media = opened(&path(folder.path(), "take.mkv"));
    assert_eq!(media.info().rate.to_string(), rate);
    check_file(folder.path(), "take.mkv");
}

/// Trims without re-encoding: MOV hides the frames before the cut with an edit list; MKV
/// begins at a key, with leading pictures whose references are gone.
#[rstest::rstest]
fn a_trim_without_encoding_shows_what_a_player_shows(
    #[values(X264_OPEN, "keyint=12:bframes=3")] coding: &str,
    #[values("0.7", "1.1")] start: &str,
    #[values("trim.mov", "trim.mp4", "trim.mkv")] to: &str,
) {
    let Some(folder) = folder() else { return };
    let from = if to == "trim.mkv" { "take.mkv" } else { "take.mp4" };
    assert!(make(folder.path(), from, &["-c:v", "libx264", "-x264-params", coding, "-an"]));
    assert!(copy(folder.path(), from, &["-ss", start], &[], to));
    check_file(folder.path(), to);
}

/// Cut at its end in order of coding, a file lacks frames among its last: it is read up to
/// the first that is missing, and the fault is said.
#[rstest::rstest]
#[case(X264_OPEN, "trim.mov")]
#[case(X264_OPEN, "trim.mkv")]
#[case("keyint=12:bframes=3", "trim.mkv")]
fn a_trim_with_a_hole_near_its_end_is_read_up_to_the_hole(#[case] coding: &str, #[case] to: &str) {
    let Some(folder) = folder() else { return };
    let from = if to == "trim.mkv" { "take.mkv" } else { "take.mp4" };
    assert!(make(folder.path(), from, &["-c:v", "libx264", "-x264-params", coding, "-an"]));
    assert!(copy(folder.path(), from, &["-ss", "0.7"], &["-t", "0.8"], to));
    let media = opened(&path(folder.path(), to));
    let expected = framemd5(&["-i", &at(folder.path(), to)], &media.info().pixel_format);
    let count = media.info().frames as usize;
    assert!((15..expected.len()).contains(&count), "{count} of {}", expected.len());
    assert_eq!(media.warnings().len(), 1);
    let said = media.warnings()[0].to_string();
    assert!(
        said.starts_with(&format!("{to}, frame {count}: the frame is missing near the end")),
        "{said}"
    );
    check_frames(&media, &expected[..count], to);
}

#[test]
fn an_intra_trim_in_a_mov_shows_what_a_player_shows() {
    let Some(folder) = folder() else { return };
    assert!(make(folder.path(), "a.mov", &["-c:v", "prores_ks", "-timecode", "10:00:00:00"]));
    assert!(copy(folder.path(), "a.mov", &["-ss", "0.7"], &["-t", "0.8"], "trim.mov"));
    check_file(folder.path(), "trim.mov");
}

/// The picture begins half a second after the sound: an empty edit in front of it.
#[rstest::rstest]
#[case("late.mov", "libx264")]
#[case("late.mov", "prores_ks")]
#[case("late.mkv", "libx264")]
fn frame_0_is_the_first_picture_even_if_it_comes_late(#[case] name: &str, #[case] codec: &str) {
    let Some(folder) = folder() else { return };
    assert!(make(folder.path(), "a.mov", &["-c:v", codec, "-g", "12"]));
    let (input, output) = (at(folder.path(), "a.mov"), at(folder.path(), name));
    let delay = ["-itsoffset", "0.5", "-i", &input, "-i", &input, "-map", "0:v", "-map", "1:a"];
    assert!(ffmpeg(&[&delay[..], &["-c", "copy", &output]].concat()));
    check_file(folder.path(), name);
}

#[rstest::rstest]
#[case("frame.%04d.dpx", "gbrp10le")]
#[case("frame.%07d.dpx", "rgb24")]
#[case("frame.%04d.exr", "gbrpf32le")]
#[case("frame_%04d.png", "rgb48be")]
#[case("frame.%04d.png", "gray16be")]
#[case("frame.%04d.tif", "rgb48le")]
#[case("frame.%04d.tiff", "rgb24")]
#[case("frame.%04d.jpg", "yuvj420p")]
#[case("frame%04d.jp2", "rgb24")]
#[case("frame-%04d.bmp", "bgr24")]
#[case("frame.%04d.tga", "bgr24")]
fn every_image_file_is_the_one_the_program_shows(#[case] name: &str, #[case] format: &str) {
    let Some(folder) = folder() else { return };
    let numbered = ["-an", "-start_number", "1001", "-pix_fmt", format];
    if !make(folder.path(), name, &numbered) {
        outside::skipped(&format!("this ffmpeg cannot make {name} in {format}"));
        return;
    }
    let media = opened(folder.path());
    assert_eq!(media.info().format, "images");
    let sums = framemd5(
        &["-f", "image2", "-start_number", "1001", "-i", &at(folder.path(), name)],
        &media.info().pixel_format,
    );
    // The program's own EXR headers say the rate; of the others none does.
    let warnings = media.warnings();
    assert_eq!(warnings.is_empty(), name.ends_with("exr"), "{warnings:?}");
    assert!(warnings.iter().all(|fault| fault.fault.contains("no frame rate")), "{warnings:?}");
    let rate = platesmith::time::Rate::new(24, 1);
    let options = platesmith::media::OpenOptions { sequence_rate: rate, ..Default::default() };
    let media = platesmith::media::open_with(&path(folder.path(), name), options).expect("opens");
    check(&media, &sums, name);
}

/// Looks at the colour of every third frame only, and at every seventh not at all.
struct SomeColour {
    range: FrameRange,
    frames: Vec<i64>,
    lumas: Vec<Vec<u16>>,
    colours: Vec<Option<Vec<u16>>>,
}

impl FrameReader for SomeColour {
    fn range(&self) -> FrameRange {
        self.range
    }

    fn wants(&self, frame: Frame) -> Wanted {
        match frame.0 {
            frame if frame % 7 == 6 => Wanted::Nothing,
            frame if frame % 3 == 0 => Wanted::Whole,
            _ => Wanted::Luma,
        }
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), platesmith::error::Faults> {
        self.frames.push(frame.0);
        let (mut luma, mut colour) = (Vec::new(), Vec::new());
        assert!(picture.luma_u16(&mut luma));
        self.lumas.push(luma);
        let found = picture.component_u16(1, &mut colour).is_some();
        self.colours.push(found.then_some(colour));
        Ok(())
    }
}

#[rstest::rstest]
#[case("a.mov", &["-c:v", "prores_ks"], true)]
#[case("b.mov", &["-c:v", "prores_ks", "-profile:v", "4444", "-pix_fmt", "yuva444p10le"], true)]
#[case("c.mxf", &["-c:v", "dnxhd", "-profile:v", "dnxhr_hqx", "-pix_fmt", "yuv422p10le"], true)]
#[case("d.mov", &["-c:v", "dnxhd", "-profile:v", "dnxhr_444", "-pix_fmt", "gbrp10le"], false)]
#[case("e.mov", &["-c:v", "libx264", "-preset", "ultrafast"], false)]
#[case("f.%04d.dpx", &["-an", "-start_number", "1001", "-pix_fmt", "gbrp10le"], false)]
fn what_nobody_looks_at_changes_nothing_that_is_looked_at(
    #[case] name: &str,
    #[case] coding: &[&str],
    #[case] leaves_out: bool,
) {
    let Some(folder) = folder() else { return };
    assert!(make(folder.path(), name, coding), "{name}");
    let sequence = name.contains('%');
    let media =
        opened(&if sequence { folder.path().to_path_buf() } else { path(folder.path(), name) });
    // Sound may end a little before the fiftieth frame.
    let count = media.info().frames as usize;
    for start in [0, 7] {
        let range = FrameRange::new(start, count as i64);
        let (lumas, colours) = (Vec::new(), Vec::new());
        let mut some = SomeColour { range, frames: Vec::new(), lumas, colours };
        media.read(&[range], &mut [&mut some]).expect("frames");
        let looked: Vec<i64> = (start..count as i64).filter(|frame| frame % 7 != 6).collect();
        assert_eq!(some.frames, looked, "{name}");
        let all: Vec<(Vec<u16>, Vec<u16>)> = {
            let mut frames = media.frames(range).expect("frames");
            let mut all = Vec::new();
            while let Some(Ok((_, picture))) = frames.next_frame() {
                let (mut luma, mut colour) = (Vec::new(), Vec::new());
                assert!(picture.luma_u16(&mut luma));
                assert!(picture.component_u16(1, &mut colour).is_some());
                all.push((luma, colour));
            }
            all
        };
        let length = count - start as usize;
        assert_eq!(all.len(), length);
        for (at, frame) in looked.iter().enumerate() {
            let (luma, colour) = &all[(frame - start) as usize];
            assert!(some.lumas[at] == *luma, "{name} {at}");
            let wanted = frame % 3 == 0;
            assert_eq!(some.colours[at].is_some(), wanted || !leaves_out, "{name} {at}");
            assert!(some.colours[at].as_ref().is_none_or(|seen| seen == colour), "{name} {at}");
        }
    }
}
