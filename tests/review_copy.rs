//! Review copies: size, colour, timecode and sound, read back with `ffmpeg` and `ffprobe`.

mod little_show;
mod outside;
mod pictures;
mod plates;

use noto_sans_mono_bitmap::{FontWeight, RasterHeight, get_raster, get_raster_width};
use pictures::opened;
use plates::{probed, start};
use platesmith::media::Media;
use platesmith::plate::{FrameMap, PlateCodec, PlateJob, make_version};
use platesmith::time::FrameRange;
use platesmith::viewing::{ReviewJob, ReviewMade, make_review};
use std::path::{Path, PathBuf};
use std::process::Command;

/// Sound in the takes: a sweep of 200 to 3000 Hz that never repeats, other on each channel.
const SWEEP: &str =
    "aevalsrc=0.4*sin(2*PI*(200*t+350*t*t))|0.4*sin(2*PI*(3000*t-300*t*t)):s=48000:d=4";

fn ffmpeg(args: &[&str], to: &Path) {
    let run = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-y"])
        .args(args)
        .arg(to)
        .status()
        .expect("ffmpeg runs");
    assert!(run.success(), "{args:?}");
}

/// Decodes with `ffmpeg` to standard output.
fn decoded(file: &Path, args: &[&str]) -> Vec<u8> {
    let run = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-i"])
        .arg(file)
        .args(args)
        .arg("-")
        .output()
        .expect("ffmpeg runs");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    run.stdout
}

/// One channel of a file's sound.
fn heard(file: &Path, channel: usize) -> Vec<f32> {
    let pan = format!("pan=mono|c0=c{channel}");
    let bytes = decoded(file, &["-map", "0:a:0", "-af", &pan, "-f", "f32le"]);
    bytes.chunks_exact(4).map(|four| f32::from_le_bytes(four.try_into().expect("4"))).collect()
}

/// Makes a temp comp of the frames of need as a turnover does, and its review copy.
fn reviewed(take: &Media, need: FrameRange, folder: &Path) -> (PathBuf, ReviewMade) {
    let last = take.info().frames as i64 - 1;
    let held = (need.start.0..need.end.0).map(|frame| frame.clamp(0, last));
    let map = FrameMap::from_frames(held).expect("a map");
    let out = folder.join("temp/QLN_010_TEMP01");
    let shift = platesmith::time::FrameShift(need.start.0);
    let start = take
        .info()
        .start
        .map(|start| platesmith::media::StartTimecode { frame: start.frame + shift, ..start });
    let plate = PlateJob { start, codec: PlateCodec::Auto, ..plates::job(take, &map, &out) };
    let temp = make_version(&plate, &mut |_, _| {}).unwrap_or_else(|faults| panic!("{faults}"));
    let name = temp.path.file_stem().expect("a name").to_string_lossy().into_owned();
    let job = ReviewJob {
        pictures: &temp.path,
        take,
        need_in_file: need,
        start,
        name: &name,
        out: folder.join("review/QLN_010_REVIEW01"),
        threads: 2,
    };
    let made = make_review(&job, &mut |_, _| {}).unwrap_or_else(|faults| panic!("{faults}"));
    (temp.path, made)
}

/// Reads text burnt in at the lower right of a grey picture: in each cell the letter that is
/// most like what stands there.
fn read_right(grey: &[u8], (width, height): (usize, usize), letters: usize) -> String {
    let size = if height < 420 { RasterHeight::Size16 } else { RasterHeight::Size32 };
    let letter = get_raster_width(FontWeight::Regular, size);
    let tall = size.val();
    let alphabet: Vec<char> = "0123456789:;#-".chars().collect();
    // Where it stands is found, not known: the place at which the letters fit best.
    let mut best = (f64::MAX, String::new());
    for bottom in (height - height / 8)..=height {
        for right in (width - width / 8)..=width {
            let Some(left) = right.checked_sub(letters * letter) else { continue };
            let (mut sum, mut text) = (0.0, String::new());
            for cell in 0..letters {
                let apart = |shape: char| -> f64 {
                    let glyph = get_raster(shape, FontWeight::Regular, size).expect("a letter");
                    let mut sum = 0.0;
                    for (y, row) in glyph.rows().enumerate().step_by(2) {
                        let at = (bottom - tall + y) * width + left + cell * letter;
                        for (code, covered) in grey[at..at + letter].iter().zip(row) {
                            let wanted = 60.0 + f64::from(*covered) * 0.68;
                            sum += (f64::from(*code) - wanted).powi(2);
                        }
                    }
                    sum
                };
                let (cost, shape) = alphabet
                    .iter()
                    .map(|shape| (apart(*shape), *shape))
                    .min_by(|a, b| a.0.total_cmp(&b.0))
                    .expect("letters");
                sum += cost;
                text.push(shape);
            }
            if sum < best.0 {
                best = (sum, text);
            }
        }
    }
    best.1
}

#[test]
fn sound_is_in_step_to_the_sample_and_timecode_runs_with_it() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    // 29.97 drop frame: 1601.6 samples a frame, and a label that jumps within need.
    let file = folder.path().join("A001.mov");
    ffmpeg(
        &[
            "-f",
            "lavfi",
            "-i",
            "testsrc2=s=640x360:r=30000/1001:d=3",
            "-f",
            "lavfi",
            "-i",
            SWEEP,
            "-shortest",
            "-c:v",
            "prores_ks",
            "-profile:v",
            "0",
            "-pix_fmt",
            "yuv422p10le",
            "-c:a",
            "pcm_s24le",
            "-timecode",
            "01:00:58;20",
        ],
        &file,
    );
    let take = opened(&file);
    let frames = take.info().frames as i64;
    assert!((85..=90).contains(&frames), "{frames}");
    for need in [FrameRange::new(31, 71), FrameRange::new(-4, 20), FrameRange::new(70, frames + 5)]
    {
        let folder = tempfile::tempdir().expect("a folder");
        let (_, made) = reviewed(&take, need, folder.path());
        assert!(made.notes.is_empty(), "{:?}", made.notes);
        let count = need.count().0;
        let told = probed(
            &made.path,
            "stream=codec_name,duration_ts,nb_frames,r_frame_rate,channels:stream_tags=timecode",
        );
        for line in ["codec_name=h264", "codec_name=aac", "channels=2", "r_frame_rate=30000/1001"] {
            assert!(told.iter().any(|found| found == line), "{line}: {told:?}");
        }
        assert!(told.contains(&format!("nb_frames={count}")), "{told:?}");
        let rate = take.info().rate;
        let counting = platesmith::time::Counting::new(rate, true);
        let first = start(rate, "01:00:58;20").frame.0 + need.start.0;
        let label = |k: i64| counting.label(platesmith::time::Frame(first + k));
        assert!(told.contains(&format!("TAG:timecode={}", label(0))), "{told:?}");

        // 8008 samples in 5 frames (SMPTE ST 299-1, from memory).
        let sample = |frame: i64| (frame as f64 * 8008.0 / 5.0).round() as i64;
        let length = sample(need.end.0) - sample(need.start.0);
        assert!(told.contains(&format!("duration_ts={length}")), "{length}: {told:?}");
        for channel in 0..2 {
            let (source, copy) = (heard(&file, channel), heard(&made.path, channel));
            let from = sample(need.start.0);
            // The last coded frame is padded; the track says how long it is.
            assert!((length..length + 1024).contains(&(copy.len() as i64)), "{length}");
            let copy = &copy[..length as usize];
            let source: Vec<f32> = source.into_iter().take(sample(frames) as usize).collect();
            let (lag, error) = off(&source, copy, from);
            assert_eq!(lag, 0, "{need} channel {channel}");
            assert!(error < 0.02, "{need} channel {channel}: {error}");
        }
        for k in [0, count as i64 / 2, count as i64 - 1] {
            let pick = format!("select=eq(n\\,{k})");
            let grey = decoded(
                &made.path,
                &["-vf", &pick, "-frames:v", "1", "-f", "rawvideo", "-pix_fmt", "gray"],
            );
            assert_eq!(read_right(&grey, (640, 360), 11), label(k), "{need} frame {k}");
        }
    }
}

/// How far a copy's sound is off, in samples, and what is left of the difference; `from` is
/// the source's sample that is heard first.
fn off(source: &[f32], copy: &[f32], from: i64) -> (i64, f64) {
    let at = |n: i64| usize::try_from(n).ok().and_then(|n| source.get(n)).copied().unwrap_or(0.0);
    let error = |lag: i64| -> f64 {
        let apart = copy.iter().enumerate().map(|(n, heard)| heard - at(from + n as i64 + lag));
        (apart.map(|apart| f64::from(apart).powi(2)).sum::<f64>() / copy.len() as f64).sqrt()
    };
    let best = (-60..=60).min_by(|a, b| error(*a).total_cmp(&error(*b))).expect("lags");
    (best, error(best))
}

#[test]
fn the_sound_of_every_container_is_in_step() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let mono =
        ["-filter_complex", "[1:a]channelsplit[l][r]", "-map", "0:v", "-map", "[l]", "-map", "[r]"];
    let kinds: [(&str, Vec<&str>, usize); 6] = [
        // Ticks of a millisecond: 48 samples.
        ("a.mkv", vec!["-c:v", "ffv1", "-c:a", "pcm_s16le"], 2),
        ("b.mkv", vec!["-c:v", "ffv1", "-c:a", "flac", "-ar", "44100"], 2),
        // One stream a channel, as cameras record it.
        (
            "c.mxf",
            mono.iter()
                .copied()
                .chain(["-c:v", "mpeg2video", "-g", "1", "-c:a", "pcm_s16le"])
                .collect(),
            2,
        ),
        // Reordered pictures, coded sound with a run-in: edit lists for both.
        ("d.mp4", vec!["-c:v", "libx264", "-bf", "2", "-c:a", "aac", "-b:a", "256k"], 2),
        ("e.mov", vec!["-c:v", "prores_ks", "-c:a", "pcm_s16be", "-ac", "1", "-ar", "96000"], 1),
        ("f.avi", vec!["-c:v", "mjpeg", "-c:a", "pcm_u8"], 2),
    ];
    for (name, args, channels) in kinds {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join(name);
        let sources =
            ["-f", "lavfi", "-i", "testsrc2=s=640x360:r=25:d=4", "-f", "lavfi", "-i", SWEEP];
        let all: Vec<&str> = sources.iter().chain(&args).copied().collect();
        ffmpeg(&all, &file);
        let take = opened(&file);
        let (_, made) = reviewed(&take, FrameRange::new(53, 78), folder.path());
        let told = probed(&made.path, "stream=sample_rate,channels");
        let rate: i64 = told
            .iter()
            .find_map(|line| line.strip_prefix("sample_rate=")?.parse().ok())
            .unwrap_or_else(|| panic!("{name}: no sound: {told:?} {:?}", made.notes));
        assert!(told.contains(&format!("channels={channels}")), "{name}: {told:?}");
        for channel in 0..channels {
            // Two mono streams are two sources of one channel.
            let source = match name {
                "c.mxf" => {
                    let map = format!("0:a:{channel}");
                    let bytes = decoded(&file, &["-map", &map, "-f", "f32le"]);
                    let four = |four: &[u8]| f32::from_le_bytes(four.try_into().expect("4"));
                    bytes.chunks_exact(4).map(four).collect()
                }
                _ => heard(&file, channel),
            };
            let copy = heard(&made.path, channel);
            let copy = &copy[..(25 * rate / 25) as usize];
            let (lag, error) = off(&source, copy, 53 * rate / 25);
            assert_eq!(lag, 0, "{name} channel {channel}, {error}");
            assert!(error < 0.03, "{name} channel {channel}: {error}");
        }
    }
}

#[test]
fn made_again_it_is_the_same_and_a_changed_one_takes_the_next_version() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("A001.mov");
    ffmpeg(
        &["-f", "lavfi", "-i", "testsrc2=s=320x180:r=25:d=2", "-c:v", "prores_ks", "-an"],
        &file,
    );
    let take = opened(&file);
    let (_, first) = reviewed(&take, FrameRange::new(5, 30), folder.path());
    assert!(first.path.ends_with("review/QLN_010_REVIEW01_v001.mp4") && !first.kept);
    let told = probed(&first.path, "stream=codec_type");
    assert_eq!(told, ["codec_type=video"], "no sound, no track");
    let (_, again) = reviewed(&take, FrameRange::new(5, 30), folder.path());
    assert_eq!((again.path.as_path(), again.kept), (first.path.as_path(), true));
    let (_, other) = reviewed(&take, FrameRange::new(6, 31), folder.path());
    assert!(other.path.ends_with("review/QLN_010_REVIEW01_v002.mp4") && !other.kept);
    let names: Vec<_> = std::fs::read_dir(folder.path().join("review"))
        .expect("there")
        .map(|entry| entry.expect("there").file_name())
        .collect();
    assert_eq!(names.len(), 2, "nothing is left over: {names:?}");
}

/// A source, and what its review copy is: size, tags, and the filters that make the same of it.
struct Look {
    name: &'static str,
    args: &'static [&'static str],
    size: (usize, usize),
    told: &'static [&'static str],
    filter: &'static str,
}

#[test]
fn pixels_are_square_and_range_and_colour_right() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    // The filters are those of FFmpeg, an implementation of its own here: its scaler is told
    // everything by hand.
    let looks = [
        Look {
            name: "uhd.mov",
            args: &[
                "-i",
                "testsrc2=s=3840x2160:r=24:d=0.125",
                "-vf",
                "format=yuv422p10le,setparams=color_primaries=bt709:color_trc=bt709:colorspace=bt709",
                "-c:v",
                "prores_ks",
            ],
            size: (1920, 1080),
            told: &[
                "color_range=tv",
                "color_space=bt709",
                "color_primaries=bt709",
                "color_transfer=bt709",
            ],
            filter: "scale=1920:1080:flags=bicubic+accurate_rnd",
        },
        Look {
            name: "anamorphic.mov",
            args: &[
                "-i",
                "testsrc2=s=1440x1080:r=24:d=0.125",
                "-vf",
                "setsar=4/3",
                "-pix_fmt",
                "yuv422p10le",
                "-c:v",
                "prores_ks",
            ],
            size: (1920, 1080),
            told: &["color_space=unknown", "color_primaries=unknown"],
            filter: "scale=1920:1080:flags=bicubic+accurate_rnd",
        },
        Look {
            name: "tall_pixels.mov",
            args: &[
                "-i",
                "testsrc2=s=720x480:r=24:d=0.125",
                "-vf",
                "setsar=8/9",
                "-pix_fmt",
                "yuv422p10le",
                "-c:v",
                "prores_ks",
            ],
            size: (720, 540),
            told: &[],
            filter: "scale=720:540:flags=bicubic+accurate_rnd",
        },
        Look {
            name: "full.mov",
            args: &[
                "-i",
                "testsrc2=s=640x360:r=24:d=0.125",
                "-vf",
                "scale=out_range=full:out_color_matrix=bt709,format=yuvj422p,setparams=colorspace=bt709",
                "-c:v",
                "mjpeg",
                "-q:v",
                "2",
            ],
            size: (640, 360),
            told: &["color_range=tv"],
            filter: "scale=640:360:in_range=full:out_range=tv:flags=bicubic+accurate_rnd",
        },
        Look {
            name: "rgb.mkv",
            args: &[
                "-i",
                "testsrc2=s=1280x720:r=24:d=0.125",
                "-pix_fmt",
                "gbrp10le",
                "-c:v",
                "ffv1",
            ],
            size: (1280, 720),
            told: &["color_range=tv", "color_space=bt709"],
            filter: "scale=1280:720:out_range=tv:out_color_matrix=bt709:flags=bicubic+accurate_rnd",
        },
    ];
    for look in looks {
        let folder = tempfile::tempdir().expect("a folder");
        let file = folder.path().join(look.name);
        let args: Vec<&str> = ["-f", "lavfi"].iter().chain(look.args).copied().collect();
        ffmpeg(&args, &file);
        let take = opened(&file);
        let frames = take.info().frames as i64;
        let (temp, made) = reviewed(&take, FrameRange::new(0, frames), folder.path());
        let told = probed(
            &made.path,
            "stream=width,height,sample_aspect_ratio,pix_fmt,color_range,color_space,color_primaries,color_transfer,chroma_location",
        );
        let size = [format!("width={}", look.size.0), format!("height={}", look.size.1)];
        let fixed = ["sample_aspect_ratio=1:1", "pix_fmt=yuv420p"];
        let wanted = size.iter().map(String::as_str).chain(fixed).chain(look.told.iter().copied());
        for line in wanted {
            assert!(told.iter().any(|found| found == line), "{}: {line} in {told:?}", look.name);
        }
        let raw = ["-frames:v", "1", "-f", "rawvideo", "-pix_fmt", "yuv420p"];
        let args: Vec<&str> = ["-vf", look.filter].iter().chain(&raw).copied().collect();
        let (wanted, found) = (decoded(&temp, &args), decoded(&made.path, &raw));
        assert_eq!(wanted.len(), found.len(), "{}", look.name);
        // Above the text, which stands in the lowest eighth.
        let luma = look.size.0 * (look.size.1 * 3 / 4);
        let apart = |a: &[u8], b: &[u8]| -> (f64, f64) {
            let each = a.iter().zip(b).map(|(a, b)| f64::from(*a) - f64::from(*b));
            let sums = each.fold((0.0, 0.0), |sum, one| (sum.0 + one, sum.1 + one * one));
            (sums.0 / a.len() as f64, sums.1 / a.len() as f64)
        };
        let (mean, square) = apart(&wanted[..luma], &found[..luma]);
        assert!(mean.abs() < 0.3 && square < 16.0, "{}: luma {mean} {square}", look.name);
        let from = look.size.0 * look.size.1;
        let chroma = from..from + from / 4 * 3 / 4;
        let (mean, square) = apart(&wanted[chroma.clone()], &found[chroma]);
        assert!(mean.abs() < 0.4 && square < 40.0, "{}: chroma {mean} {square}", look.name);
    }
}

#[test]
fn a_turnover_makes_them_unless_told_not_to() {
    let Some(show) = little_show::little_show() else { return };
    let (code, err) = show.turnover(&["--no-review"]);
    assert!(code < 2, "{err}");
    let found = show.findings();
    assert!(found["uses"][0]["temp_comp"].is_string() && found["uses"][0]["review"].is_null());
    assert!(!show.out.join("review").exists());
    let (code, err) = show.turnover(&[]);
    assert!(code < 2, "{err}");
    let found = show.findings();
    let file = found["uses"][0]["review"].as_str().expect("a review copy").to_owned();
    assert!(file.starts_with("review/") && file.ends_with("_REVIEW01_v001.mp4"), "{file}");
    let told = probed(&show.out.join(&file), "stream=nb_frames:stream_tags=timecode");
    assert!(told.contains(&"TAG:timecode=10:00:03:16".to_owned()), "{told:?}");
    assert!(told.contains(&"nb_frames=64".to_owned()), "{told:?}");
    let page = std::fs::read_to_string(show.out.join("report.html")).expect("there");
    assert!(page.contains(&file), "the report links it");
}
