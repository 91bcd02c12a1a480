//! Encoded plates: frame k is nearest to the source frame the map names; tags, rate and
//! timecode as `ffprobe` reads them.

use crate::outside;
use crate::pictures;
use crate::plates;

use pictures::{ffmpeg, framemd5, opened, picture_md5};
use plates::{job, looped, made, probed, shows_the_map};
use platesmith::media::Media;
use platesmith::plate::{FrameMap, Method, PlateCodec, PlateJob};
use platesmith::settings::Turns;
use platesmith::time::FrameRange;
use std::path::{Path, PathBuf};

/// Makes 48 frames of 320x180 at 24 from 10:00:00:00.
fn source(folder: &Path, name: &str, coding: &str) -> PathBuf {
    let path = folder.join(name);
    let picture = "testsrc2=s=320x180:r=24";
    let mut words = vec!["-f", "lavfi", "-i", picture, "-frames:v", "48"];
    words.extend(coding.split_whitespace());
    words.extend(["-timecode", "10:00:00:00", path.to_str().expect("UTF-8")]);
    assert!(ffmpeg(&words), "{name}");
    path
}

/// Decodes a whole file to 8-bit luma with the `ffmpeg` program.
fn luma(input: &str, size: usize) -> Vec<Vec<u8>> {
    let run = std::process::Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-i", input, "-map", "0:v", "-fps_mode", "passthrough"])
        .args(["-pix_fmt", "gray", "-f", "rawvideo", "-"])
        .output()
        .expect("ffmpeg was there a moment ago");
    run.stdout.chunks_exact(size).map(<[u8]>::to_vec).collect()
}

/// Checks that each plate frame is nearer to the frame the map names than to any other.
fn nearest_is_the_map(source: &Path, plate: &Path, map: &FrameMap) {
    let from = luma(source.to_str().expect("UTF-8"), 320 * 180);
    let to = luma(plate.to_str().expect("UTF-8"), 320 * 180);
    assert_eq!(to.len() as u64, map.len());
    let error = |a: &[u8], b: &[u8]| -> u64 {
        a.iter().zip(b).map(|(a, b)| u64::from(a.abs_diff(*b)).pow(2)).sum()
    };
    for (k, (shown, wanted)) in to.iter().zip(map.frames()).enumerate() {
        let best = (0..from.len()).min_by_key(|n| error(&from[*n], shown));
        assert_eq!(best, Some(wanted as usize), "frame {k}");
        // A mean squared error below 16 is more than 36 dB; drawn edges are hard to code.
        let lost = error(&from[wanted as usize], shown) / (320 * 180);
        assert!(lost < 16, "frame {k}: mean squared error {lost}");
    }
}

#[test]
fn an_open_gop_is_encoded_frame_for_frame() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let coding = "-c:v libx264 -pix_fmt yuv420p -crf 12 -x264-params \
                  keyint=12:min-keyint=12:open-gop=1:bframes=3:b-pyramid=normal";
    for (name, turns) in [("a.mp4", Turns::Twice), ("b.mkv", Turns::Once)] {
        let path = source(folder.path(), name, coding);
        let media = opened(&path);
        let map = looped(5, 43, 120, turns);
        let plate = made(&job(&media, &map, &folder.path().join(name.replace('.', "_"))));
        assert_eq!(plate.method, Method::Encode);
        nearest_is_the_map(&path, &plate.path, &map);
    }
}

#[test]
fn a_retimed_plate_holds_and_skips() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = source(folder.path(), "a.mp4", "-c:v libx264 -pix_fmt yuv420p -crf 12");
    let media = opened(&path);
    let looped = looped(4, 20, 60, Turns::Twice);
    for frames in [
        (0..60).map(|k| k / 2).collect::<Vec<u64>>(),
        (0..30).map(|k| k * 2).collect(),
        (0..40).rev().collect(),
        vec![7, 7, 7, 31, 0, 59],
    ] {
        let map = looped.composed(&frames).expect("a map");
        let name = format!("P{}_{}", frames.len(), frames[1]);
        let plate = made(&job(&media, &map, &folder.path().join(name)));
        nearest_is_the_map(&path, &plate.path, &map);
    }
}

fn with(codec: PlateCodec, job: PlateJob<'_>) -> PlateJob<'_> {
    PlateJob { codec, ..job }
}

#[rstest::rstest]
#[case("yuv420p", PlateCodec::Auto, "prores", "yuv422p10le", "mov")]
#[case("yuv422p10le", PlateCodec::Auto, "prores", "yuv422p10le", "mov")]
#[case("yuv444p10le", PlateCodec::Auto, "prores", "yuv444p12le", "mov")]
#[case("yuv420p", PlateCodec::ProRes4444, "prores", "yuv444p12le", "mov")]
#[case("yuv420p", PlateCodec::DnxhrHqx, "dnxhd", "yuv422p10le", "mov")]
#[case("yuv420p", PlateCodec::Ffv1, "ffv1", "yuv420p", "mkv")]
// FFmpeg decodes ProRes 4444 to 12 bits whatever it was encoded from.
fn codec_tags_rate_and_timecode_stay(
    #[case] format: &str,
    #[case] codec: PlateCodec,
    #[case] coded: &str,
    #[case] encoded_format: &str,
    #[case] container: &str,
) {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let map = looped(0, 6, 20, Turns::Twice);
    let tags = "stream=codec_name,pix_fmt,color_space,color_transfer,color_primaries,r_frame_rate";
    for (name, colour, said) in [
        (
            "hdr.mov",
            "-color_primaries bt2020 -color_trc smpte2084 -colorspace bt2020nc",
            ["bt2020nc", "smpte2084", "bt2020"],
        ),
        ("unsaid.mov", "", ["unknown", "unknown", "unknown"]),
    ] {
        let coding = format!("-c:v libx264 -pix_fmt {format} {colour}");
        let path = source(folder.path(), name, &coding);
        let media = opened(&path);
        let out = folder.path().join(name.replace('.', "_"));
        let plate = made(&with(codec, job(&media, &map, &out)));
        assert_eq!(plate.path.extension().and_then(|e| e.to_str()), Some(container));
        let lines = probed(&plate.path, tags);
        let [matrix, transfer, primaries] = said;
        for line in [
            format!("codec_name={coded}"),
            format!("pix_fmt={encoded_format}"),
            format!("color_space={matrix}"),
            format!("color_transfer={transfer}"),
            format!("color_primaries={primaries}"),
            "r_frame_rate=24/1".to_owned(),
        ] {
            // FFmpeg's decoder of DNxHR says Rec. 709 where the file says nothing.
            if coded == "dnxhd" && line == "color_space=unknown" {
                continue;
            }
            assert!(lines.contains(&line), "{name}: {line} not in {lines:?}");
        }
        let label = probed(&plate.path, "stream_tags:format_tags").join("\n").to_lowercase();
        assert!(label.contains("tag:timecode=10:00:00:00"), "{label}");
    }
}

#[test]
fn full_range_stays_full_range_to_the_code() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    // A ramp over all codes; a change of range would move every one of them.
    let path = folder.path().join("a.mp4");
    let text = path.to_str().expect("UTF-8");
    let ramp = "color=black:s=256x128:r=24,format=yuv420p,geq=lum='X':cb=128:cr=128";
    let coding = ["-c:v", "libx264", "-qp", "0", "-color_range", "pc", text];
    assert!(ffmpeg(&[&["-f", "lavfi", "-i", ramp, "-frames:v", "6"][..], &coding[..]].concat()));
    let media = opened(&path);
    assert_eq!(media.info().colour.range.as_deref(), Some("pc"));
    let map = looped(0, 6, 12, Turns::Twice);
    let plate = made(&job(&media, &map, &folder.path().join("PLATE")));
    assert!(probed(&plate.path, "stream=color_range").contains(&"color_range=pc".to_owned()));
    let again = opened(&plate.path);
    let mut frames = again.frames(FrameRange::new(0, 1)).expect("inside");
    let (_, picture) = frames.next_frame().expect("a frame").expect("decodes");
    let mut codes = Vec::new();
    assert!(picture.luma_u16(&mut codes));
    assert_eq!(picture.luma_depth(), 10);
    for x in 0..256 {
        let off = (i32::from(codes[64 * 256 + x]) - 4 * x as i32).abs();
        assert!(off <= 8, "code {x} became {}", codes[64 * 256 + x]);
    }
}

#[test]
fn lossless_sources_stay_lossless() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let map = looped(3, 30, 64, Turns::Once);
    for (name, coding) in [
        ("a.mkv", "-c:v ffv1 -g 12 -pix_fmt yuv420p"),
        ("b.mkv", "-c:v ffv1 -g 12 -pix_fmt yuva444p10le"),
        ("c.mkv", "-c:v ffv1 -g 12 -pix_fmt gbrp12le"),
        ("d.mkv", "-c:v ffv1 -g 12 -pix_fmt gray16le"),
        ("e.mkv", "-c:v huffyuv -pix_fmt yuv422p"),
        ("f.avi", "-c:v rawvideo -pix_fmt bgr24"),
    ] {
        let path = source(folder.path(), name, coding);
        let media = opened(&path);
        let plate = made(&job(&media, &map, &folder.path().join(name.replace('.', "_"))));
        assert_eq!(plate.method, Method::Encode, "{name}");
        shows_the_map(&path, &plate, &map);
    }
}

#[rstest::rstest]
#[case(PlateCodec::Dpx, "dpx")]
#[case(PlateCodec::Exr, "exr")]
#[case(PlateCodec::Png, "png")]
#[case(PlateCodec::Tiff, "tif")]
fn a_movie_becomes_image_files(#[case] codec: PlateCodec, #[case] extension: &str) {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    for (name, format) in [("a.mov", "yuv420p"), ("b.mov", "yuv422p10le")] {
        let coding = format!("-c:v libx264 -crf 10 -pix_fmt {format} -colorspace bt709");
        let path = source(folder.path(), name, &coding);
        let media = opened(&path);
        let map = looped(2, 9, 20, Turns::Twice);
        let out = folder.path().join(format!("PLATE_{format}"));
        let plate = made(&with(codec, job(&media, &map, &out)));
        assert_eq!(plate.path, out);
        let first = out.join(format!("PLATE_{format}.1001.{extension}"));
        assert!(first.exists() && out.join(format!("PLATE_{format}.1020.{extension}")).exists());
        let files = opened(&first);
        assert_eq!(files.info().frames, 20);
        if matches!(codec, PlateCodec::Dpx | PlateCodec::Exr) {
            assert_eq!(files.info().start, media.info().start);
        }
        if codec != PlateCodec::Exr {
            let pattern = out.join(format!("PLATE_{format}.%04d.{extension}"));
            let shown = luma_of_images(pattern.to_str().expect("UTF-8"));
            let from = luma(path.to_str().expect("UTF-8"), 320 * 180);
            for (k, wanted) in map.frames().enumerate() {
                let error = |n: usize| -> u64 {
                    from[n].iter().zip(&shown[k]).map(|(a, b)| u64::from(a.abs_diff(*b))).sum()
                };
                let best = (0..from.len()).min_by_key(|n| error(*n));
                assert_eq!(best, Some(wanted as usize), "{extension} frame {k}");
            }
        }
    }
}

fn luma_of_images(pattern: &str) -> Vec<Vec<u8>> {
    let run = std::process::Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-start_number", "1001", "-i", pattern])
        .args(["-fps_mode", "passthrough", "-pix_fmt", "gray", "-f", "rawvideo", "-"])
        .output()
        .expect("ffmpeg was there a moment ago");
    run.stdout.chunks_exact(320 * 180).map(<[u8]>::to_vec).collect()
}

#[test]
fn two_encodings_give_the_same_bytes() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let path = source(folder.path(), "a.mp4", "-c:v libx264 -pix_fmt yuv420p");
    let media = opened(&path);
    let map = looped(5, 30, 60, Turns::Twice);
    for codec in [PlateCodec::ProResHq, PlateCodec::DnxhrHqx, PlateCodec::Ffv1] {
        let (one, two) = (tempfile::tempdir().expect("one"), tempfile::tempdir().expect("two"));
        let bytes = |folder: &Path| {
            let made = made(&with(codec, job(&media, &map, &folder.join("PLATE"))));
            std::fs::read(made.path).expect("readable")
        };
        assert!(bytes(one.path()) == bytes(two.path()), "{codec:?}");
    }
}

/// Real pictures beside the project.
#[test]
fn real_pictures_are_encoded() {
    let Some(path) = outside::shared("footage/formats/h264_422_10bit_25.mov") else { return };
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let media: Media = opened(&path);
    let map = looped(4, 20, 50, Turns::Twice);
    let job = with(PlateCodec::Ffv1, job(&media, &map, &folder.path().join("PLATE")));
    let plate = made(&job);
    assert_eq!(plate.method, Method::Encode);
    shows_the_map(&path, &plate, &map);
    // Both readings of the source agree, so the test above compares with the truth.
    let sums = framemd5(&["-i", path.to_str().expect("UTF-8")], &media.info().pixel_format);
    let mut frames = media.frames(FrameRange::new(4, 5)).expect("inside");
    let (_, picture) = frames.next_frame().expect("a frame").expect("decodes");
    assert_eq!(picture_md5(&picture), sums[4]);
}
