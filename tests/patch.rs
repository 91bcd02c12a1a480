//! Mattes and temp comps on takes whose every code is known: noise drawn here and coded
//! without loss. What must come out is worked out from the codes that `ffmpeg` reads, not by
//! the code under test.

mod outside;
mod pictures;
mod plates;
#[path = "scenes/mod.rs"]
mod scenes;

use pictures::{at, ffmpeg, opened, path};
use platesmith::media::Media;
use platesmith::patch::{
    Fade, Matte, MatteKind, Sited, TempJob, chroma_offset, make_matte, make_temp,
};
use platesmith::plate::{FrameMap, PlateJob, PlateMade, Retouch};
use platesmith::settings::Turns;
use platesmith::time::{Frame, FrameRange, Rate};
use scenes::Dice;
use std::path::Path;

const WIDTH: usize = 66;
const HEIGHT: usize = 46;
const FRAMES: usize = 40;

/// Need on the file clock; the boom is in over 18..30, the fade takes 4 frames.
const NEED: (i64, i64) = (10, 37);

/// A pixel format as raw planes: subsampling, bytes and bits of a sample.
struct Format {
    name: &'static str,
    shift: (u32, u32),
    bytes: usize,
    depth: u32,
    siting: &'static str,
}

const fn format(name: &'static str, shift: (u32, u32), depth: u32, siting: &'static str) -> Format {
    Format { name, shift, bytes: if depth > 8 { 2 } else { 1 }, depth, siting }
}

const FORMATS: [Format; 11] = [
    format("yuv420p", (1, 1), 8, "left"),
    format("yuv420p", (1, 1), 8, "topleft"),
    format("yuv420p", (1, 1), 8, "center"),
    format("yuv420p10le", (1, 1), 10, "left"),
    format("yuv422p", (1, 0), 8, "left"),
    format("yuv422p10le", (1, 0), 10, "left"),
    format("yuv422p12le", (1, 0), 12, "left"),
    format("yuv444p12le", (0, 0), 12, "left"),
    format("yuv444p16le", (0, 0), 16, "left"),
    format("gbrp10le", (0, 0), 10, "unspecified"),
    format("gbrp16le", (0, 0), 16, "unspecified"),
];

impl Format {
    fn plane_size(&self, plane: usize) -> (usize, usize) {
        let shift = if plane == 0 { (0, 0) } else { self.shift };
        (WIDTH.div_ceil(1 << shift.0), HEIGHT.div_ceil(1 << shift.1))
    }

    fn frame_bytes(&self) -> usize {
        (0..3).map(|plane| self.plane_size(plane)).map(|(w, h)| w * h * self.bytes).sum()
    }

    /// The codes of one plane of a raw frame.
    fn plane(&self, frame: &[u8], plane: usize) -> Vec<u32> {
        let before: usize = (0..plane).map(|p| self.plane_size(p)).map(|(w, h)| w * h).sum();
        let (w, h) = self.plane_size(plane);
        let bytes = &frame[before * self.bytes..(before + w * h) * self.bytes];
        bytes
            .chunks_exact(self.bytes)
            .map(|one| one.iter().rev().fold(0, |code, byte| code << 8 | u32::from(*byte)))
            .collect()
    }
}

/// White in the upper left, black on the right and below, a slope between them.
fn matte() -> Matte {
    let code = |at: usize| {
        let (x, y) = ((at % WIDTH) as f64, (at / WIDTH) as f64);
        let away = ((x - 21.0) / 13.0).max((y - 13.0) / 11.0).clamp(0.0, 1.0);
        ((1.0 - away) * 65_535.0).round() as u16
    };
    Matte::from_codes(WIDTH, HEIGHT, (0..WIDTH * HEIGHT).map(code).collect()).expect("its size")
}

fn fade() -> Fade {
    Fade::new(vec![FrameRange::new(14, 34)], vec![FrameRange::new(18, 30)], 4)
}

/// How much of the plate shows at a file frame, worked out by hand: one fifth more a frame.
fn strength(file_frame: i64) -> f64 {
    match file_frame {
        14..18 => (file_frame - 13) as f64 / 5.0,
        18..30 => 1.0,
        30..34 => (34 - file_frame) as f64 / 5.0,
        _ => 0.0,
    }
}

/// Codes a take of noise without loss.
fn take(folder: &Path, format: &Format, rate: &str, timecode: &str) -> Option<Media> {
    let mut dice = Dice::new(11 + u64::from(format.depth));
    let mask = ((1_u32 << format.depth) - 1) as u64;
    let samples = format.frame_bytes() / format.bytes * FRAMES;
    let raw: Vec<u8> = (0..samples)
        .flat_map(|_| {
            ((dice.next() >> 20 & mask) as u16).to_le_bytes().into_iter().take(format.bytes)
        })
        .collect();
    let source = path(folder, "raw");
    std::fs::write(&source, raw).expect("written");
    let name = at(folder, &format!("{}_{}.mkv", format.name, format.siting));
    let made = ffmpeg(&[
        "-f",
        "rawvideo",
        "-pix_fmt",
        format.name,
        "-s",
        &format!("{WIDTH}x{HEIGHT}"),
        "-r",
        rate,
        "-i",
        &at(folder, "raw"),
        "-c:v",
        "ffv1",
        "-level",
        "3",
        "-g",
        "1",
        "-chroma_sample_location",
        format.siting,
        "-timecode",
        timecode,
        &name,
    ]);
    assert!(made, "{}", format.name);
    let media = opened(Path::new(&name));
    assert_eq!(media.info().pixel_format, format.name);
    Some(media)
}

fn plate_job<'a>(media: &'a Media, map: &'a FrameMap, folder: &Path) -> PlateJob<'a> {
    let mut job = plates::job(media, map, &path(folder, "plate"));
    job.start = media.info().start.map(|start| platesmith::media::StartTimecode {
        frame: Frame(start.frame.0 + NEED.0),
        ..start
    });
    job
}

fn loop_map() -> FrameMap {
    plates::looped(0, 9, (NEED.1 - NEED.0) as u64, Turns::Twice)
}

fn temp(media: &Media, plate: &PlateJob<'_>, fade: &Fade, folder: &Path) -> PlateMade {
    let matte = matte();
    let job = TempJob {
        take: media,
        need_in_file: FrameRange::new(NEED.0, NEED.1),
        plate,
        matte: &matte,
        fade,
        out: folder.join("temp/S_TEMP01"),
    };
    make_temp(&job, &mut |_, _| {}).unwrap_or_else(|faults| panic!("{faults}"))
}

/// All frames of a file as raw bytes, as `ffmpeg` reads them.
fn raw(file: &Path, pixel_format: &str, folder: &Path) -> Vec<u8> {
    let out = at(folder, "read.raw");
    let file = file.to_str().expect("UTF-8");
    assert!(ffmpeg(&[
        "-i",
        file,
        "-map",
        "0:V:0",
        "-fps_mode",
        "passthrough",
        "-pix_fmt",
        pixel_format,
        "-f",
        "rawvideo",
        &out,
    ]));
    std::fs::read(out).expect("written")
}

/// The matte at a sample of a plane, by hand: siting after Rec. ITU-T H.273, figures 1 to 3.
fn share(matte: &Matte, format: &Format, plane: usize, (x, y): (usize, usize)) -> f64 {
    let at = |x: usize, y: usize| {
        f64::from(matte.codes()[y.min(HEIGHT - 1) * WIDTH + x.min(WIDTH - 1)]) / 65_535.0
    };
    if plane == 0 || format.shift == (0, 0) {
        return at(x, y);
    }
    let columns = if format.siting == "center" { vec![2 * x, 2 * x + 1] } else { vec![2 * x] };
    let rows = match (format.shift.1, format.siting) {
        (0, _) => vec![y],
        (_, "topleft") => vec![2 * y],
        _ => vec![2 * y, 2 * y + 1],
    };
    let all: Vec<f64> = rows.iter().flat_map(|y| columns.iter().map(|x| at(*x, *y))).collect();
    all.iter().sum::<f64>() / all.len() as f64
}

#[test]
fn every_code_is_the_takes_the_plates_or_the_mix_that_the_matte_asks_for() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let (matte, map, fade) = (matte(), loop_map(), fade());
    for format in &FORMATS {
        let folder = tempfile::tempdir().expect("a folder");
        let folder = folder.path();
        let Some(media) = take(folder, format, "24", "10:00:00:00") else { return };
        let plate = plate_job(&media, &map, folder);
        let made = temp(&media, &plate, &fade, folder);
        let (before, after) =
            (raw(media.path(), format.name, folder), raw(&made.path, format.name, folder));
        let bytes = format.frame_bytes();
        assert_eq!(after.len(), bytes * (NEED.1 - NEED.0) as usize, "{}", format.name);
        let frame_of = |raw: &[u8], frame: i64| raw[frame as usize * bytes..][..bytes].to_vec();
        let (mut of_take, mut of_plate, mut between) = (0, 0, 0);
        for (k, from) in (0_i64..).zip(map.frames()) {
            let (under, over) = (frame_of(&before, NEED.0 + k), frame_of(&before, from));
            let comp = frame_of(&after, k);
            for plane in 0..3 {
                let (width, _) = format.plane_size(plane);
                let [under, over, comp] =
                    [&under, &over, &comp].map(|frame| format.plane(frame, plane));
                for (at, code) in comp.iter().enumerate() {
                    let place = (at % width, at / width);
                    let share = share(&matte, format, plane, place) * strength(NEED.0 + k);
                    let named = || {
                        format!(
                            "{} {} frame {k} plane {plane} {place:?}",
                            format.name, format.siting
                        )
                    };
                    if share == 0.0 {
                        assert_eq!(*code, under[at], "{}", named());
                        of_take += 1;
                    } else if share == 1.0 {
                        assert_eq!(*code, over[at], "{}", named());
                        of_plate += 1;
                    } else {
                        let wanted =
                            f64::from(under[at]) * (1.0 - share) + f64::from(over[at]) * share;
                        // Half a code of rounding, and single precision beneath it.
                        assert!(
                            (f64::from(*code) - wanted).abs() <= 0.51,
                            "{}: {code} for {wanted}",
                            named()
                        );
                        between += 1;
                    }
                }
            }
        }
        assert!(of_take > 10_000 && of_plate > 1000 && between > 1000, "{}", format.name);
    }
}

#[test]
fn chroma_takes_the_matte_where_the_scaler_of_ffmpeg_puts_it() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    // A slope across and down: a scaler of any kernel reads from it where it looks.
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let (width, height) = (64_usize, 48_usize);
    let codes: Vec<u16> =
        (0..width * height).map(|at| (5000 + at % width * 700 + at / width * 250) as u16).collect();
    let plane: Vec<u8> = codes.iter().flat_map(|code| code.to_le_bytes()).collect();
    std::fs::write(path(folder, "in.raw"), [&plane[..], &plane, &plane].concat()).expect("written");
    let matte = Matte::from_codes(width, height, codes).expect("its size");
    for (siting, to, shift, pos) in [
        ("left", "yuv420p16le", (1, 1), ("0", "128")),
        ("topleft", "yuv420p16le", (1, 1), ("0", "0")),
        ("center", "yuv420p16le", (1, 1), ("128", "128")),
        ("bottomleft", "yuv420p16le", (1, 1), ("0", "256")),
        ("left", "yuv422p16le", (1, 0), ("0", "0")),
    ] {
        let filter = format!(
            "scale=flags=bilinear+accurate_rnd:out_h_chr_pos={}:out_v_chr_pos={},format={to}",
            pos.0, pos.1
        );
        assert!(ffmpeg(&[
            "-f",
            "rawvideo",
            "-pix_fmt",
            "yuv444p16le",
            "-s",
            "64x48",
            "-i",
            &at(folder, "in.raw"),
            "-vf",
            &filter,
            "-f",
            "rawvideo",
            &at(folder, "out.raw"),
        ]));
        let out = std::fs::read(path(folder, "out.raw")).expect("written");
        let (cw, ch) = (width >> shift.0, height >> shift.1);
        let chroma = &out[width * height * 2..][..cw * ch * 2];
        let sited = Sited::new(&matte, (cw, ch), shift, chroma_offset(Some(siting), shift));
        let mut worst = 0.0_f32;
        // The outermost samples hang on how an edge is continued.
        for strip in &sited.strips[2..sited.strips.len() - 2] {
            for (n, share) in strip.shares.iter().enumerate().skip(2).take(cw - 4) {
                let at = 2 * (strip.y * cw + strip.x + n);
                let theirs = f32::from(u16::from_le_bytes([chroma[at], chroma[at + 1]]));
                worst = worst.max((share * 65_535.0 - theirs).abs());
            }
        }
        // A quarter of a pixel would be 175 across or 62 down.
        assert!(worst < 20.0, "{siting} {to}: {worst} off");
    }
}

#[test]
fn half_floats_outside_the_matte_stay_and_inside_are_the_plates() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    // Whole sixteenths up to 8 are held by half floats; some are negative or past white.
    let mut dice = Dice::new(3);
    let raw: Vec<u8> = (0..WIDTH * HEIGHT * 3 * FRAMES)
        .flat_map(|_| ((dice.below(128) as f32 - 8.0) / 16.0).to_le_bytes())
        .collect();
    std::fs::write(path(folder, "raw"), raw).expect("written");
    std::fs::create_dir(path(folder, "take")).expect("made");
    assert!(ffmpeg(&[
        "-f",
        "rawvideo",
        "-pix_fmt",
        "gbrpf32le",
        "-s",
        &format!("{WIDTH}x{HEIGHT}"),
        "-r",
        "24",
        "-i",
        &at(folder, "raw"),
        "-c:v",
        "exr",
        "-format",
        "half",
        "-start_number",
        "1001",
        &at(folder, "take/A.%04d.exr"),
    ]));
    let media = opened(&path(folder, "take"));
    let (map, fade, matte) = (loop_map(), fade(), matte());
    let plate = plate_job(&media, &map, folder);
    let made = temp(&media, &plate, &fade, folder);
    let comp = opened(&made.path);
    let all = |media: &Media| -> Vec<Vec<f32>> {
        let mut frames = media.frames(FrameRange::new(0, media.info().frames as i64)).expect("all");
        let mut out = Vec::new();
        while let Some(frame) = frames.next_frame() {
            let (_, picture) = frame.expect("a frame");
            let (mut samples, mut row) = (Vec::new(), Vec::new());
            for (component, y) in (0..3).flat_map(|c| (0..HEIGHT).map(move |y| (c, y))) {
                assert!(picture.samples(component, y, 0..WIDTH, &mut row));
                samples.append(&mut row);
            }
            out.push(samples);
        }
        out
    };
    assert!(made.path.is_dir(), "image files stay image files");
    let (before, after) = (all(&media), all(&comp));
    assert_eq!(after.len() as i64, NEED.1 - NEED.0);
    for (k, from) in (0_usize..).zip(map.frames()) {
        let file_frame = NEED.0 + k as i64;
        for (at, value) in after[k].iter().enumerate() {
            let share =
                f64::from(matte.codes()[at % (WIDTH * HEIGHT)]) / 65_535.0 * strength(file_frame);
            let (under, over) = (before[file_frame as usize][at], before[from as usize][at]);
            match share {
                0.0 => assert_eq!(value.to_bits(), under.to_bits()),
                1.0 => assert_eq!(value.to_bits(), over.to_bits()),
                _ => {
                    let wanted = f64::from(under) * (1.0 - share) + f64::from(over) * share;
                    assert!((f64::from(*value) - wanted).abs() < 0.005, "{value} for {wanted}");
                }
            }
        }
    }
}

#[test]
fn mattes_are_read_by_others_as_they_were_drawn_and_versions_are_never_rewritten() {
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let out = folder.join("mattes/S_MATTE01");
    let mut drawn = matte();
    drawn.polygons = vec![vec![[0.0, 0.0], [30.0, 0.0], [0.0, 20.5]]];
    let first = make_matte(&drawn, &out, MatteKind::Png).expect("made");
    assert!(first.path.ends_with("S_MATTE01_v001.png") && !first.kept);
    assert!(make_matte(&drawn, &out, MatteKind::Png).expect("made").kept, "nothing has changed");
    let bytes = std::fs::read(&first.path).expect("there");
    // The outline alone changes: both files go on together.
    let mut moved = drawn.clone();
    moved.feather_px = 9.0;
    let second = make_matte(&moved, &out, MatteKind::Png).expect("made");
    assert!(second.path.ends_with("S_MATTE01_v002.png"));
    assert!(second.outline.ends_with("S_MATTE01_v002.json"));
    assert_eq!(std::fs::read(&first.path).expect("there"), bytes);
    let json: serde_json::Value =
        serde_json::from_slice(&std::fs::read(&second.outline).expect("there")).expect("JSON");
    assert_eq!(json["schema"], "platesmith.matte/1");
    assert_eq!((&json["width"], &json["height"]), (&WIDTH.into(), &HEIGHT.into()));
    assert_eq!(json["polygons"][0][2][1], 20.5);
    assert_eq!(
        (&json["feather_px"], &json["clearance_px"]),
        (&9.0.into(), &serde_json::Value::Null)
    );
    let hidden = |entry: &std::ffi::OsStr| entry.to_string_lossy().starts_with('.');
    let entries = std::fs::read_dir(folder.join("mattes")).expect("there");
    let names: Vec<_> = entries.map(|entry| entry.expect("named").file_name()).collect();
    assert!(names.len() == 4 && !names.iter().any(|name| hidden(name)), "{names:?}");
    if !outside::has_program("ffmpeg") {
        return;
    }
    let read = raw(&first.path, "gray16le", folder);
    let wanted: Vec<u8> = drawn.codes().iter().flat_map(|code| code.to_le_bytes()).collect();
    assert!(read == wanted, "ffmpeg reads other codes");
    let exr = make_matte(&drawn, &folder.join("exr/S_MATTE01"), MatteKind::Exr).expect("made");
    let read = raw(&exr.path, "grayf32le", folder);
    let values = read.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]]));
    let wanted = drawn.codes().iter().map(|code| f32::from(*code) / 65_535.0);
    assert_eq!(values.len(), WIDTH * HEIGHT);
    assert!(values.zip(wanted).all(|(a, b)| (a - b).abs() < 1e-6), "ffmpeg reads other shares");
}

#[test]
fn a_temp_comp_has_the_takes_timecode_in_drop_frame_and_its_bytes_do_not_change() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let format = &FORMATS[5];
    let Some(media) = take(folder, format, "30000/1001", "00:00:59;18") else { return };
    assert_eq!(media.info().rate, Rate::new(30000, 1001).expect("a rate"));
    let (map, fade) = (loop_map(), fade());
    let plate = plate_job(&media, &map, folder);
    let first = temp(&media, &plate, &fade, folder);
    assert!(first.path.ends_with("temp/S_TEMP01_v001.mkv") && !first.kept);
    // Ten frames on: 59;28 (SMPTE ST 12-1: the labels 01:00;00 and ;01 are left out later).
    let tags = plates::probed(&first.path, "format_tags=timecode:stream_tags=timecode");
    assert!(tags.iter().any(|tag| tag.ends_with("00:00:59;28")), "{tags:?}");
    assert!(temp(&media, &plate, &fade, folder).kept, "the same bytes were there");
    let bytes = std::fs::read(&first.path).expect("there");
    let later = Fade::new(vec![FrameRange::new(16, 34)], vec![FrameRange::new(18, 30)], 2);
    let second = temp(&media, &plate, &later, folder);
    assert!(second.path.ends_with("S_TEMP01_v002.mkv"));
    assert_eq!(std::fs::read(&first.path).expect("there"), bytes);
}

/// What is done to the plate is seen in the temp comp.
#[derive(Debug)]
struct Darker;

impl Retouch for Darker {
    fn why(&self) -> String {
        "light matched".into()
    }

    fn retouch(
        &self,
        _: u64,
        picture: &platesmith::media::Picture,
    ) -> Result<Option<platesmith::media::Picture>, platesmith::error::Faults> {
        let mut edited = picture.retouched().expect("memory");
        let mut row = Vec::new();
        for y in 0..HEIGHT {
            assert!(picture.samples(0, y, 0..WIDTH, &mut row));
            row.iter_mut().for_each(|code| *code = (*code / 2.0).floor());
            assert!(edited.put(0, y, 0, &row));
        }
        Ok(Some(edited.into_picture()))
    }
}

#[test]
fn a_retouched_plate_is_laid_over_retouched() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let format = &FORMATS[5];
    let Some(media) = take(folder, format, "24", "10:00:00:00") else { return };
    let (map, fade) = (loop_map(), fade());
    let plate = PlateJob { retouch: Some(&Darker), ..plate_job(&media, &map, folder) };
    let made = temp(&media, &plate, &fade, folder);
    let before = raw(media.path(), format.name, folder);
    let after = raw(&made.path, format.name, folder);
    let bytes = format.frame_bytes();
    let k = 20 - NEED.0 as usize;
    let from = map.frames().nth(k).expect("a frame") as usize;
    let over = format.plane(&before[from * bytes..][..bytes], 0);
    let comp = format.plane(&after[k * bytes..][..bytes], 0);
    assert_eq!(comp[0..20], over[0..20].iter().map(|code| code / 2).collect::<Vec<_>>());
}

#[test]
fn a_run_that_stops_midway_leaves_no_file_under_a_final_name() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let Some(media) = take(folder, &FORMATS[5], "24", "10:00:00:00") else { return };
    let (map, fade, matte) = (loop_map(), fade(), matte());
    let plate = plate_job(&media, &map, folder);
    let job = TempJob {
        take: &media,
        need_in_file: FrameRange::new(NEED.0, NEED.1),
        plate: &plate,
        matte: &matte,
        fade: &fade,
        out: folder.join("temp/S_TEMP01"),
    };
    let mut seen = Vec::new();
    let stopped = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        make_temp(&job, &mut |done, _| {
            if done == 12 {
                let entries = std::fs::read_dir(folder.join("temp")).expect("there");
                seen = entries.map(|entry| entry.expect("named").file_name()).collect();
                panic!("stopped on purpose");
            }
        })
    }));
    assert!(stopped.is_err());
    assert_eq!(seen.len(), 1);
    let name = seen[0].to_string_lossy().into_owned();
    assert!(name.starts_with('.') && name.ends_with(".part"), "{name}");
    assert_eq!(std::fs::read_dir(folder.join("temp")).expect("there").count(), 0);
}

#[test]
fn a_matte_or_plate_of_another_size_is_refused() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let folder = folder.path();
    let Some(media) = take(folder, &FORMATS[5], "24", "10:00:00:00") else { return };
    let (map, fade) = (loop_map(), fade());
    let plate = plate_job(&media, &map, folder);
    let matte = Matte::from_codes(8, 8, vec![65_535; 64]).expect("its size");
    let job = TempJob {
        take: &media,
        need_in_file: FrameRange::new(NEED.0, NEED.1),
        plate: &plate,
        matte: &matte,
        fade: &fade,
        out: folder.join("temp/S_TEMP01"),
    };
    let faults = make_temp(&job, &mut |_, _| {}).expect_err("of another size");
    assert!(faults.to_string().contains("the take 66x46, the matte 8x8"), "{faults}");
}
