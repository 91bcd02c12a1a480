//! Temp comps and plates of sources of every kind, and plates in every coding, read back with
//! `ffmpeg` and `ffprobe` and held against `ffmpeg`'s own reading of the source.

mod outside;
mod pictures;
mod plates;

use pictures::{ffmpeg, opened};
use plates::{job, made, probed, start};
use platesmith::media::Media;
use platesmith::patch::{Fade, Matte, TempJob, make_temp};
use platesmith::plate::{FrameMap, PlateCodec, PlateJob};
use platesmith::time::FrameRange;
use std::path::{Path, PathBuf};
use std::process::Command;

const WIDTH: usize = 320;
const HEIGHT: usize = 180;
/// Frames of a source, and need on its file clock.
const FRAMES: usize = 8;
const NEED: (i64, i64) = (2, 6);
/// Which frame of the source each plate frame is.
const PLATE: [i64; 4] = [0, 1, 1, 0];

/// A source: its file, the filters and the coding that make it, the pixel format in which it is
/// compared, the pixel format of its temp comp, and the most its codes may be off on the mean,
/// in parts of 65535; 0 where nothing may be lost.
struct Source(&'static str, &'static str, &'static str, &'static str, &'static str, f64);

const SOURCES: [Source; 36] = [
    Source(
        "prores422.mov",
        "format=yuv422p10le",
        "-c:v prores_ks -profile:v 2",
        "yuv444p16le",
        "yuv422p10le",
        160.0,
    ),
    Source(
        "prores_tags.mov",
        "format=yuv422p10le,setparams=color_primaries=bt2020:color_trc=smpte2084:colorspace=bt2020nc",
        "-c:v prores_ks -profile:v hq",
        "yuv444p16le",
        "yuv422p10le",
        160.0,
    ),
    Source(
        "prores4444.mov",
        "format=yuv444p10le",
        "-c:v prores_ks -profile:v 4444",
        "yuv444p16le",
        "yuv444p12le",
        160.0,
    ),
    Source(
        "prores_alpha.mov",
        "format=yuva444p10le",
        "-c:v prores_ks -profile:v 4444",
        "yuva444p16le",
        "yuva444p16le",
        160.0,
    ),
    Source(
        "dnxhr_sq.mov",
        "format=yuv422p",
        "-c:v dnxhd -profile:v dnxhr_sq",
        "yuv444p16le",
        "yuv422p10le",
        160.0,
    ),
    Source(
        "dnxhr_hqx.mov",
        "format=yuv422p10le",
        "-c:v dnxhd -profile:v dnxhr_hqx",
        "yuv444p16le",
        "yuv422p10le",
        160.0,
    ),
    Source(
        "dnxhr_444.mov",
        "format=yuv444p10le",
        "-c:v dnxhd -profile:v dnxhr_444",
        "yuv444p16le",
        "yuv444p10le",
        160.0,
    ),
    Source("ffv1_420_8.mkv", "format=yuv420p", "-c:v ffv1", "yuv420p", "yuv420p", 0.0),
    Source("ffv1_422_10.mkv", "format=yuv422p10le", "-c:v ffv1", "yuv422p10le", "yuv422p10le", 0.0),
    Source(
        "ffv1_444_12.mkv",
        "format=yuv444p12le",
        "-c:v ffv1 -strict -2",
        "yuv444p12le",
        "yuv444p12le",
        0.0,
    ),
    Source("ffv1_444_16.mkv", "format=yuv444p16le", "-c:v ffv1", "yuv444p16le", "yuv444p16le", 0.0),
    Source("ffv1_rgb_8.mkv", "format=bgr0", "-c:v ffv1", "bgr0", "bgr0", 0.0),
    Source("ffv1_rgb_10.mkv", "format=gbrp10le", "-c:v ffv1", "gbrp10le", "gbrp10le", 0.0),
    Source("ffv1_rgb_16.mkv", "format=gbrp16le", "-c:v ffv1", "gbrp16le", "gbrp16le", 0.0),
    Source("ffv1_gray_8.mkv", "format=gray", "-c:v ffv1", "gray", "gray", 0.0),
    Source("ffv1_gray_16.mkv", "format=gray16le", "-c:v ffv1", "gray16le", "gray16le", 0.0),
    Source(
        "h264_left.mp4",
        "format=yuv420p",
        "-c:v libx264 -crf 8 -chroma_sample_location left",
        "yuv444p16le",
        "yuv422p10le",
        400.0,
    ),
    Source(
        "h264_topleft.mp4",
        "format=yuv420p",
        "-c:v libx264 -crf 8 -chroma_sample_location topleft",
        "yuv444p16le",
        "yuv422p10le",
        600.0,
    ),
    Source(
        "h264_center.mp4",
        "format=yuv420p",
        "-c:v libx264 -crf 8 -chroma_sample_location center",
        "yuv444p16le",
        "yuv422p10le",
        600.0,
    ),
    Source(
        "hevc_10.mp4",
        "format=yuv420p10le",
        "-c:v libx265 -crf 8 -x265-params log-level=none",
        "yuv444p16le",
        "yuv422p10le",
        400.0,
    ),
    Source(
        "mjpeg_full.mov",
        "scale=out_range=full,format=yuvj422p,setparams=colorspace=bt709",
        "-c:v mjpeg -q:v 2",
        "gray16le",
        "yuv422p10le",
        160.0,
    ),
    Source(
        "jpeg2000.mov",
        "format=yuv422p10le",
        "-c:v libopenjpeg",
        "yuv444p16le",
        "yuv422p10le",
        300.0,
    ),
    Source("v210.mov", "format=yuv422p10le", "-c:v v210", "yuv422p10le", "yuv422p10le", 0.0),
    Source(
        "anamorphic.mov",
        "format=yuv422p10le,setsar=2/1",
        "-c:v prores_ks",
        "yuv444p16le",
        "yuv422p10le",
        160.0,
    ),
    Source(
        "anamorphic.mkv",
        "format=yuv422p10le,setsar=64/45",
        "-c:v ffv1",
        "yuv422p10le",
        "yuv422p10le",
        0.0,
    ),
    Source("dpx10", "format=gbrp10be", "-c:v dpx", "gbrp16le", "gbrp10le", 0.0),
    Source("dpx12", "format=gbrp12be", "-c:v dpx", "gbrp16le", "gbrp12le", 0.0),
    Source("dpx16", "format=rgb48be", "-c:v dpx", "gbrp16le", "rgb48be", 0.0),
    Source("exr_half", "format=gbrpf32le", "-c:v exr -format half", "gbrpf32le", "gbrpf32le", 0.0),
    Source(
        "exr_float",
        "format=gbrpf32le",
        "-c:v exr -format float",
        "gbrpf32le",
        "gbrpf32le",
        0.0,
    ),
    Source("png8", "format=rgb24", "-c:v png", "rgb24", "rgb24", 0.0),
    Source("png16", "format=rgb48be", "-c:v png", "gbrp16le", "rgb48be", 0.0),
    Source("png_alpha", "format=rgba64be", "-c:v png", "rgba64le", "rgba64be", 0.0),
    Source("tiff8", "format=rgb24", "-c:v tiff", "rgb24", "rgb24", 0.0),
    Source("tiff16", "format=rgb48le", "-c:v tiff", "gbrp16le", "rgb48le", 0.0),
    Source("png_gray16", "format=gray16be", "-c:v png", "gbrp16le", "rgb48be", 0.0),
];

impl Source {
    /// The extension of image files, if it is a folder of them.
    fn images(&self) -> Option<&'static str> {
        let known = [("dpx", "dpx"), ("exr", "exr"), ("png", "png"), ("tiff", "tif")];
        let found = known.iter().find(|(name, _)| self.0.starts_with(name));
        found.filter(|_| !self.0.contains('.')).map(|(_, extension)| *extension)
    }

    fn write(&self, folder: &Path) -> Option<PathBuf> {
        let path = folder.join(self.0);
        let file = match self.images() {
            Some(extension) => {
                std::fs::create_dir(&path).expect("a folder");
                path.join(format!("take.%04d.{extension}"))
            }
            None => path.clone(),
        };
        let input = format!("testsrc2=s={WIDTH}x{HEIGHT}:r=24,noise=alls=6:allf=t,{}", self.1);
        let count = FRAMES.to_string();
        let mut words = vec!["-f", "lavfi", "-i", &input, "-frames:v", &count];
        words.extend(self.2.split(' '));
        match self.images() {
            Some(_) => words.extend(["-start_number", "1001"]),
            None => words.extend(["-timecode", "10:00:00:00"]),
        }
        words.push(file.to_str().expect("UTF-8"));
        ffmpeg(&words).then_some(path)
    }
}

/// What `ffmpeg` is given to read a movie, or a folder of image files.
fn input(path: &Path) -> Vec<String> {
    let text = |path: &Path| path.to_str().expect("UTF-8").to_owned();
    if !path.is_dir() {
        return vec!["-i".into(), text(path)];
    }
    let entry = std::fs::read_dir(path).expect("there").next().expect("a file").expect("there");
    let name = entry.file_name().to_str().expect("UTF-8").to_owned();
    let (stem, extension) = name.rsplit_once('.').expect("an extension");
    let prefix = stem.rsplit_once('.').expect("a number").0;
    let pattern = path.join(format!("{prefix}.%04d.{extension}"));
    vec!["-start_number".into(), "1001".into(), "-i".into(), text(&pattern)]
}

/// The frames of a file, as numbers from 0 to 65535, in the order of the format's bytes.
fn frames(path: &Path, format: &str) -> Vec<Vec<f64>> {
    let run = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin"])
        .args(input(path))
        .args(["-map", "0:V:0", "-fps_mode", "passthrough", "-pix_fmt", format])
        .args([
            "-sws_flags",
            "bicubic+accurate_rnd+full_chroma_int+full_chroma_inp",
            "-f",
            "rawvideo",
            "-",
        ])
        .output()
        .expect("ffmpeg runs");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let wide = |one: &[u8]| match (one, depth(format)) {
        ([code], _) => f64::from(*code) * 257.0,
        ([a, b], depth) => {
            f64::from(u16::from_le_bytes([*a, *b])) * 65_535.0 / f64::from((1_u32 << depth) - 1)
        }
        (four, _) => f64::from(f32::from_le_bytes(four.try_into().expect("4"))) * 65_535.0,
    };
    let bytes = match depth(format) {
        8 => 1,
        32 => 4,
        _ => 2,
    };
    let one = run.stdout.len() / frames_in(&run.stdout, format).max(1);
    run.stdout
        .chunks_exact(one)
        .map(|frame| frame.chunks_exact(bytes).map(wide).collect())
        .collect()
}

fn depth(format: &str) -> u32 {
    let bits = [("f32", 32), ("10", 10), ("12", 12), ("16", 16), ("64le", 16)];
    bits.iter().find(|(mark, _)| format.contains(mark)).map_or(8, |(_, depth)| *depth)
}

/// Samples a pixel, in halves, and how many frames there are.
fn frames_in(raw: &[u8], format: &str) -> usize {
    let halves = match format {
        "yuv420p" => 3,
        "gray" | "gray16le" => 2,
        "bgr0" | "rgba64le" | "yuva444p16le" => 8,
        "yuv422p10le" => 4,
        _ => 6,
    };
    let bytes = match depth(format) {
        8 => 1,
        32 => 4,
        _ => 2,
    };
    raw.len() / (WIDTH * HEIGHT * halves / 2 * bytes)
}

/// Mean of how far two frames are apart over the columns of a plane-by-plane or packed frame's
/// first component; the left or the right two fifths.
fn apart(a: &[f64], b: &[f64], format: &str, right: bool) -> f64 {
    let step = match format {
        "bgr0" | "rgba64le" => 4,
        "rgb24" => 3,
        _ => 1,
    };
    let columns = if right { WIDTH * 3 / 5..WIDTH } else { 0..WIDTH * 2 / 5 };
    let places = (0..HEIGHT).flat_map(|y| columns.clone().map(move |x| (y * WIDTH + x) * step));
    let sums = places.fold((0.0, 0.0), |sum, at| (sum.0 + (a[at] - b[at]).abs(), sum.1 + 1.0));
    sums.0 / sums.1
}

/// White on the left half, black on the right.
fn matte() -> Matte {
    let codes = (0..WIDTH * HEIGHT).map(|at| if at % WIDTH < WIDTH / 2 { 65_535 } else { 0 });
    Matte::from_codes(WIDTH, HEIGHT, codes.collect()).expect("its size")
}

const TAGS: &str = "stream=color_range,color_space,color_transfer,color_primaries,\
    sample_aspect_ratio,chroma_location";

/// The tags of a source that its temp comp does not have.
fn lost(source: &Path, made: &Path) -> Vec<String> {
    let first = |path: &Path| match path.is_dir() {
        true => {
            let entries = std::fs::read_dir(path).expect("there");
            entries.map(|entry| entry.expect("there").path()).min().expect("a file")
        }
        false => path.to_owned(),
    };
    let (before, after) = (probed(&first(source), TAGS), probed(&first(made), TAGS));
    let said = |line: &&String| {
        let value = line.rsplit('=').next().unwrap_or_default();
        !["unknown", "unspecified", "N/A", "1:1", "0:1", ""].contains(&value)
    };
    // Neither ProRes nor DNxHR has a place for the siting of chroma, and DNxHR names no matrix
    // but those of Rec. 709 and 2020.
    let coded = probed(&first(made), "stream=codec_name");
    let is = |name: &str| coded.iter().any(|line| line.ends_with(name));
    let held = |line: &&String| {
        let siting = line.starts_with("chroma_location") && (is("prores") || is("dnxhd"));
        !(siting || line.ends_with("=bt470bg") && is("dnxhd"))
    };
    before.iter().filter(said).filter(held).filter(|line| !after.contains(line)).cloned().collect()
}

fn temp_of(media: &Media, folder: &Path) -> Result<PathBuf, platesmith::error::Faults> {
    let map = FrameMap::from_frames(PLATE).expect("a map");
    let rate = media.info().rate;
    let plate = PlateJob {
        start: Some(start(rate, "10:00:00:02")),
        ..job(media, &map, &folder.join("plate"))
    };
    let need = FrameRange::new(NEED.0, NEED.1);
    let (matte, fade) = (matte(), Fade::new(vec![need], vec![need], 0));
    let temp = TempJob {
        take: media,
        need_in_file: need,
        plate: &plate,
        matte: &matte,
        fade: &fade,
        out: folder.join("temp"),
    };
    Ok(make_temp(&temp, &mut |_, _| {})?.path)
}

#[test]
fn a_temp_comp_of_every_kind_of_movie_is_the_take_and_the_plate() {
    of_every_kind(&|source| source.images().is_none() && !source.0.starts_with("ffv1"));
}

#[test]
fn a_temp_comp_of_every_kind_of_image_or_lossless_movie_is_the_take_and_the_plate() {
    of_every_kind(&|source| source.images().is_some() || source.0.starts_with("ffv1"));
}

fn of_every_kind(chosen: &dyn Fn(&Source) -> bool) {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let mut wrong = Vec::new();
    for source in SOURCES.into_iter().filter(chosen) {
        let Source(name, _, _, format, expected, most) = source;
        let folder = tempfile::tempdir().expect("a folder");
        let Some(path) = source.write(folder.path()) else {
            outside::skipped(&format!("{name}: ffmpeg here cannot make it"));
            continue;
        };
        let media = opened(&path);
        let out = match temp_of(&media, folder.path()) {
            Ok(out) => out,
            Err(faults) => {
                wrong.push(format!("{name}: {faults}"));
                continue;
            }
        };
        let temp = opened(&out);
        let info = temp.info();
        if info.pixel_format != expected {
            wrong.push(format!("{name}: made as {}, not {expected}", info.pixel_format));
        }
        let keeps_timecode = !name.starts_with("png") && !name.starts_with("tiff");
        let label = info.start.map(|start| start.counting.label(start.frame));
        if keeps_timecode && label.as_deref() != Some("10:00:00:02") {
            wrong.push(format!("{name}: timecode {label:?}"));
        }
        let lost = lost(&path, &out);
        if !lost.is_empty() {
            wrong.push(format!("{name}: lost {lost:?} of {:?}", media.info().colour));
        }
        let (before, after) = (frames(&path, format), frames(&out, format));
        if after.len() != 4 || before.len() != FRAMES {
            wrong.push(format!("{name}: {} of {} frames", after.len(), before.len()));
            continue;
        }
        for (k, shown) in after.iter().enumerate() {
            for (right, frame) in [(false, PLATE[k]), (true, NEED.0 + k as i64)] {
                let off = |n: usize| apart(shown, &before[n], format, right);
                let nearest = (0..FRAMES).min_by(|a, b| off(*a).total_cmp(&off(*b)));
                if nearest != Some(frame as usize) || off(frame as usize) > most {
                    let off = off(frame as usize);
                    wrong.push(format!("{name}: frame {k}, right {right}: {frame} off {off:.1}, nearest {nearest:?}"));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_temp_comp_of_interlaced_media_is_refused() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let source = Source(
        "fields.mov",
        "tinterlace=interleave_top,fieldorder=tff,format=yuv422p10le",
        "-c:v prores_ks -flags +ildct -top 1 -field_order tt",
        "",
        "",
        0.0,
    );
    let path = source.write(folder.path()).expect("made");
    let media = opened(&path);
    let refused = temp_of(&media, folder.path()).expect_err("refused").to_string();
    assert!(refused.contains("interlaced"), "{refused}");
    assert!(!folder.path().join("temp_v001.mov").exists());
}

#[test]
fn every_coding_carries_depth_aspect_range_and_timecode() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    // Means of codes in 65535 after a matrix; a matrix or range mistaken for another is off by
    // thousands.
    let codings = [
        (PlateCodec::ProResHq, "yuv422p10le", 450.0),
        (PlateCodec::ProRes4444, "yuv444p12le", 450.0),
        (PlateCodec::DnxhrHqx, "yuv422p10le", 700.0),
        (PlateCodec::Ffv1, "yuv422p10le", 0.0),
        (PlateCodec::Dpx, "gbrp10le", 300.0),
        (PlateCodec::Exr, "gbrpf32le", f64::MAX),
        (PlateCodec::Png, "rgb48be", 160.0),
        (PlateCodec::Tiff, "rgb48le", 160.0),
    ];
    let folder = tempfile::tempdir().expect("a folder");
    let source = Source(
        "take.mkv",
        "format=yuv422p10le,setsar=4/3",
        "-color_primaries bt709 -color_trc bt709 -colorspace bt709 -color_range tv -c:v ffv1",
        "",
        "",
        0.0,
    );
    let path = source.write(folder.path()).expect("made");
    let media = opened(&path);
    let map = FrameMap::from_frames([3, 2, 2, 3, 4]).expect("a map");
    let mut wrong = Vec::new();
    for (codec, expected, most) in codings {
        let out = folder.path().join(format!("{codec:?}"));
        let job = PlateJob { codec, retouch: Some(&Rendered), ..job(&media, &map, &out) };
        let plate = made(&job);
        let back = opened(&plate.path);
        let info = back.info();
        if info.pixel_format != expected {
            wrong.push(format!("{codec:?}: {}, not {expected}", info.pixel_format));
        }
        if info.pixel_aspect != (4, 3) {
            wrong.push(format!("{codec:?}: pixel aspect {:?}", info.pixel_aspect));
        }
        let colour = &info.colour;
        let told = [&colour.range, &colour.matrix, &colour.transfer, &colour.primaries];
        let told = told.map(|tag| tag.as_deref().unwrap_or("-"));
        let movie = ["tv", "bt709", "bt709", "bt709"];
        if plate.path.is_file() && told != movie {
            wrong.push(format!("{codec:?}: colour {told:?}"));
        }
        let label = info.start.map(|start| start.counting.label(start.frame));
        let image = matches!(codec, PlateCodec::Png | PlateCodec::Tiff);
        if !image && label.as_deref() != Some("10:00:00:00") {
            wrong.push(format!("{codec:?}: timecode {label:?}"));
        }
        // Red, green and blue of both, by the matrix and range that the source tells.
        let (before, after) = (frames(&path, "gbrp16le"), frames(&plate.path, "gbrp16le"));
        for (k, n) in map.frames().enumerate() {
            let off = apart(&after[k], &before[n as usize], "gbrp16le", false);
            if off > most {
                wrong.push(format!("{codec:?}: frame {k} off {off:.1}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Changes nothing, and so has the plate rendered.
#[derive(Debug)]
struct Rendered;

impl platesmith::plate::Retouch for Rendered {
    fn why(&self) -> String {
        "rendered".into()
    }

    fn retouch(
        &self,
        _k: u64,
        _picture: &platesmith::media::Picture,
    ) -> Result<Option<platesmith::media::Picture>, platesmith::error::Faults> {
        Ok(None)
    }
}
