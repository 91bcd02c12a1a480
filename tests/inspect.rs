//! `inspect` on takes painted here: the answer first, and every part of it true.

mod outside;
#[path = "scenes/mod.rs"]
mod scenes;

use assert_cmd::Command;
use scenes::Dice;
use serde_json::Value;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command as Plain, Stdio};

const WIDTH: usize = 480;
const HEIGHT: usize = 270;
const FRAMES: usize = 90;
/// The boom slides in from above over these frames and out again.
const BOOM: std::ops::Range<usize> = 30..66;

/// What happens in a take.
#[derive(Clone, Copy)]
struct Story {
    /// Frames with boom.
    boom: (usize, usize),
    /// Distance of the boom from the set behind it, in codes.
    contrast: f32,
    /// Light from a frame on.
    light: (usize, f32),
    /// Shift of the camera to the right from a frame on, in pixels.
    camera: (usize, f32),
    /// A bare wall in place of the set.
    wall: bool,
    /// Whether an actor walks through the boom.
    crossing: bool,
    frames: usize,
    seed: u64,
}

impl Story {
    fn plain() -> Story {
        Story {
            boom: (BOOM.start, BOOM.end),
            contrast: -60.0,
            light: (usize::MAX, 1.0),
            camera: (usize::MAX, 0.0),
            wall: false,
            crossing: false,
            frames: FRAMES,
            seed: 7,
        }
    }
}

/// A set of many sines: texture everywhere, no edge that aliases.
fn set(x: f32, y: f32) -> f32 {
    let wave = |fx: f32, fy: f32, phase: f32| (fx * x + fy * y + phase).sin();
    118.0
        + 22.0 * wave(0.031, 0.017, 0.3)
        + 14.0 * wave(-0.11, 0.07, 1.1)
        + 9.0 * wave(0.23, 0.19, 2.0)
        + 7.0 * wave(0.05, -0.31, 0.7)
        + 5.0 * wave(0.47, 0.11, 4.2)
}

/// Draws one frame of a story.
fn frame(story: &Story, at: usize, dice: &mut Dice) -> Vec<u8> {
    let (from, shift) = story.camera;
    let shift = if at >= from { shift } else { 0.0 };
    let (from, light) = story.light;
    let light = if at >= from { light } else { 1.0 };
    let (start, end) = story.boom;
    let there = (start..end).contains(&at);
    // Four frames to slide in, four to slide out.
    let deep = (at + 1 - start.min(at + 1)).min(end.max(at) - at).min(4) as f32 / 4.0;
    let tip = 84.0 * deep;
    let middle = 170.0 + 3.0 * ((at as f32) / 9.0).sin();
    let actor = if story.crossing && (44..52).contains(&at) {
        (150.0 + (at as f32 - 44.0) * 6.0, 40.0)
    } else {
        (320.0 + 14.0 * ((at as f32) / 7.0).sin(), 120.0)
    };
    let mut out = Vec::with_capacity(WIDTH * HEIGHT);
    for y in 0..HEIGHT {
        for x in 0..WIDTH {
            let (fx, fy) = (x as f32, y as f32);
            let mut value = match story.wall {
                true => 150.0 + 0.03 * fx - 0.02 * fy,
                false => set(fx - shift, fy),
            };
            if there && (fx - middle).abs() < 13.0 && fy < tip {
                value += story.contrast;
            }
            if (fx - actor.0).abs() < 34.0 && fy > actor.1 {
                value = 60.0 + 30.0 * ((fx - actor.0) / 6.0 + fy / 9.0).sin();
            }
            let grain = dice.bell() as f32 * 1.6;
            out.push((value * light + grain).round().clamp(0.0, 255.0) as u8);
        }
    }
    out
}

/// Writes a take; `None` without the `ffmpeg` program.
fn take(folder: &Path, name: &str, story: &Story) -> Option<PathBuf> {
    let mut dice = Dice::new(story.seed);
    raw_take(folder, name, (0..story.frames).map(|at| frame(story, at, &mut dice)))
}

fn raw_take(folder: &Path, name: &str, frames: impl Iterator<Item = Vec<u8>>) -> Option<PathBuf> {
    if !outside::has_program("ffmpeg") {
        outside::skipped("the ffmpeg program is not there");
        return None;
    }
    let path = folder.join(name);
    let size = format!("{WIDTH}x{HEIGHT}");
    let mut ffmpeg = Plain::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-y", "-f", "rawvideo", "-pix_fmt", "gray", "-s"])
        .args([&size, "-r", "24", "-i", "-", "-c:v", "ffv1", "-g", "1", "-pix_fmt", "gray"])
        .args(["-timecode", "10:12:08:00"])
        .arg(&path)
        .stdin(Stdio::piped())
        .spawn()
        .expect("ffmpeg was there a moment ago");
    {
        let mut pipe = ffmpeg.stdin.take().expect("it is piped");
        for frame in frames {
            pipe.write_all(&frame).expect("ffmpeg reads");
        }
    }
    assert!(ffmpeg.wait().expect("it ends").success());
    Some(path)
}

fn inspected(take: &Path, more: &[&str]) -> (Value, i32) {
    let run = Command::cargo_bin("platesmith")
        .expect("built")
        .arg("inspect")
        .arg(take)
        .arg("--json")
        .args(more)
        .output()
        .expect("it runs");
    let text = String::from_utf8_lossy(&run.stderr).into_owned();
    let found = serde_json::from_slice(&run.stdout).unwrap_or_else(|_| panic!("{text}"));
    (found, run.status.code().unwrap_or(-1))
}

fn first_line(take: &Path) -> String {
    let run = Command::cargo_bin("platesmith")
        .expect("built")
        .arg("inspect")
        .arg(take)
        .arg("--quiet")
        .output()
        .expect("it runs");
    String::from_utf8_lossy(&run.stdout).lines().next().unwrap_or_default().to_string()
}

fn codes(found: &Value) -> Vec<&str> {
    let reasons = found["reasons"].as_array().expect("a list");
    reasons.iter().filter_map(|reason| reason["code"].as_str()).collect()
}

fn runs(found: &Value, key: &str) -> Vec<(i64, i64)> {
    let runs = found[key].as_array().expect("a list");
    let pair = |run: &Value| Some((run[0].as_i64()?, run[1].as_i64()?));
    runs.iter().map(|run| pair(run).expect("two frames")).collect()
}

#[test]
fn a_take_with_plates_is_had_and_every_figure_is_true() {
    let folder = tempfile::tempdir().expect("a folder");
    let Some(path) = take(folder.path(), "A001C001.mkv", &Story::plain()) else { return };
    let page = folder.path().join("take.html");
    let (found, code) = inspected(&path, &["--series", "-o", page.to_str().expect("UTF-8")]);
    assert_eq!((found["verdict"].as_str(), code), (Some("go"), 0), "{found:#}");
    let boom = runs(&found, "boom");
    assert_eq!(boom.len(), 1);
    assert!((boom[0].0 - BOOM.start as i64).abs() <= 1, "{boom:?}");
    assert!((boom[0].1 - BOOM.end as i64).abs() <= 1, "{boom:?}");
    for (start, end) in runs(&found, "plates") {
        assert!(end <= BOOM.start as i64 || start >= BOOM.end as i64, "a plate with boom");
    }
    // The boom reaches (185, 83), the actor (273, 121).
    let truth = 88_f64.hypot(38.0);
    let clearance = found["divider"]["clearance_px"].as_f64().expect("a clearance");
    assert!(clearance <= truth && clearance > truth - 4.0, "{clearance} of {truth}");
    let series = &found["series"]["shift_px"];
    assert_eq!(series.as_array().map(Vec::len), Some(FRAMES));
    let line = first_line(&path);
    assert!(line.starts_with("HAVE IT 10:12:08:00-10:12:11:18"), "{line}");
    the_page_reaches_for_nothing(&page);
    the_json_is_as_the_schema_says(folder.path(), &found);
}

fn the_page_reaches_for_nothing(page: &Path) {
    let html = std::fs::read_to_string(page).expect("the page is there");
    assert!(html.contains("data:image/jpeg;base64,") && html.contains("Ruler of the take"));
    for outside in ["http:", "https:", "src=\"/", "url(\"", "<script"] {
        assert!(!html.contains(outside), "the page holds {outside}");
    }
}

/// Checked by jsonschema, a general-purpose checker (JSON Schema 2020-12).
fn the_json_is_as_the_schema_says(folder: &Path, found: &Value) {
    let json = folder.join("take.json");
    std::fs::write(&json, found.to_string()).expect("written");
    let schema = outside::project().join("docs/inspection.schema.json");
    let Some(python) = outside::python_with("jsonschema") else { return };
    let check = "import json,sys,jsonschema\n\
        jsonschema.Draft202012Validator(json.load(open(sys.argv[1]))).validate(json.load(open(sys.argv[2])))";
    let run =
        Plain::new(python).args(["-c", check]).arg(schema).arg(json).output().expect("it runs");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
}

#[test]
fn without_a_boom_there_is_nothing_to_patch() {
    let folder = tempfile::tempdir().expect("a folder");
    let story = Story { boom: (usize::MAX, usize::MAX), ..Story::plain() };
    let Some(path) = take(folder.path(), "A001C002.mkv", &story) else { return };
    let (found, code) = inspected(&path, &[]);
    assert_eq!((found["verdict"].as_str(), code), (Some("go"), 0), "{found:#}");
    assert!(runs(&found, "boom").is_empty());
    assert_eq!(runs(&found, "patchable"), [(0, FRAMES as i64)]);
}

#[test]
fn a_boom_that_never_leaves_has_no_plate() {
    let folder = tempfile::tempdir().expect("a folder");
    let story = Story { boom: (0, 1_000), ..Story::plain() };
    let Some(path) = raw_take(folder.path(), "A001C003.mkv", {
        let mut dice = Dice::new(3);
        (0..40).map(move |at| frame(&story, at + 10, &mut dice))
    }) else {
        return;
    };
    let (found, _) = inspected(&path, &[]);
    // Whatever is said of it, no frame with the boom is called a plate of a boom found.
    assert!(runs(&found, "boom").is_empty() || runs(&found, "plates").is_empty(), "{found:#}");
}

#[test]
fn an_actor_under_the_boom_is_named_with_his_frames() {
    let folder = tempfile::tempdir().expect("a folder");
    let story = Story { crossing: true, ..Story::plain() };
    let Some(path) = take(folder.path(), "A001C004.mkv", &story) else { return };
    let (found, _) = inspected(&path, &[]);
    assert!(codes(&found).contains(&"no-divider"), "{found:#}");
    let crossed = runs(&found, "patchable");
    assert!(crossed.iter().all(|(a, b)| *b <= 47 || *a >= 47), "47 cannot be patched: {crossed:?}");
}

#[test]
fn light_that_changed_is_named_with_its_per_cent() {
    let folder = tempfile::tempdir().expect("a folder");
    let story = Story { light: (40, 0.92), ..Story::plain() };
    let Some(path) = take(folder.path(), "A001C005.mkv", &story) else { return };
    let (found, code) = inspected(&path, &[]);
    assert!(codes(&found).contains(&"light-changed") && code == 1, "{found:#}");
}

#[test]
fn an_encoding_the_codes_do_not_bear_out_is_doubted() {
    let folder = tempfile::tempdir().expect("a folder");
    // One gain of the codes is one gain of light in a power law, and in no log curve.
    let story = Story { light: (40, 0.92), ..Story::plain() };
    let Some(path) = take(folder.path(), "A001C005.mkv", &story) else { return };
    for (encoding, doubtful) in [("gamma 2.2", false), ("LogC3", true)] {
        let settings = folder.path().join("settings.toml");
        std::fs::write(&settings, format!("[media]\nencoding = \"{encoding}\"\n"))
            .expect("written");
        let (found, _) = inspected(&path, &["--settings", settings.to_str().expect("UTF-8")]);
        assert_eq!(codes(&found).contains(&"encoding-doubtful"), doubtful, "{encoding} {found:#}");
    }
}

/// The same answer from every third frame: what happens lasts longer than that.
#[test]
fn frames_that_are_passed_over_change_no_answer() {
    let folder = tempfile::tempdir().expect("a folder");
    let stories = [
        ("A001C021.mkv", Story::plain()),
        ("A001C022.mkv", Story { crossing: true, ..Story::plain() }),
        ("A001C023.mkv", Story { light: (40, 0.92), ..Story::plain() }),
        ("A001C024.mkv", Story { camera: (40, 2.0), ..Story::plain() }),
    ];
    for (name, story) in stories {
        let Some(path) = take(folder.path(), name, &story) else { return };
        let (all, code) = inspected(&path, &["--every", "1"]);
        let page = folder.path().join("some.html");
        let page_path = page.to_str().expect("UTF-8");
        let (some, code_of_some) = inspected(&path, &["--every", "3", "-o", page_path]);
        let html = std::fs::read_to_string(&page).expect("a page");
        assert!(html.contains("every third frame against the plates"), "{name}");
        assert_eq!(
            (some["verdict"].as_str(), code_of_some),
            (all["verdict"].as_str(), code),
            "{name}"
        );
        assert_eq!((&all["held_every"], &some["held_every"]), (&1.into(), &3.into()), "{name}");
        for key in ["plates", "boom"] {
            assert_eq!(some[key], all[key], "{name} {key}");
        }
        // To the third frame.
        let (all_of_it, part) = (runs(&all, "patchable"), runs(&some, "patchable"));
        let frames = |runs: &[(i64, i64)]| -> std::collections::BTreeSet<i64> {
            runs.iter().flat_map(|(start, end)| *start..*end).collect()
        };
        let (all_of_it, part) = (frames(&all_of_it), frames(&part));
        let apart = all_of_it.symmetric_difference(&part).count();
        assert!(apart <= 12, "{name}: {apart} of {all_of_it:?} against {part:?}");
        let grave = |found: &Value| -> std::collections::BTreeSet<String> {
            let reasons = found["reasons"].as_array().expect("a list").iter();
            let grave = reasons.filter(|reason| reason["severity"] != "note");
            grave.filter_map(|reason| reason["code"].as_str().map(String::from)).collect()
        };
        assert_eq!(grave(&some), grave(&all), "{name}");
    }
}

#[test]
fn a_patch_on_a_bare_wall_needs_no_proof_of_the_lock_off() {
    let folder = tempfile::tempdir().expect("a folder");
    let story = Story { wall: true, ..Story::plain() };
    let Some(path) = take(folder.path(), "A001C009.mkv", &story) else { return };
    let (found, code) = inspected(&path, &[]);
    let unproven = |reason: &&Value| reason["code"] == "lock-off-unproven";
    let mut unproven = found["reasons"].as_array().expect("a list").iter().filter(unproven);
    assert!(unproven.all(|reason| reason["severity"] == "note"), "{found:#}");
    assert!(codes(&found).contains(&"lock-off-unproven"), "{found:#}");
    assert_eq!((found["verdict"].as_str(), code), (Some("go"), 0), "{found:#}");
}

#[test]
fn what_the_picture_contradicts_is_not_believed() {
    let folder = tempfile::tempdir().expect("a folder");
    let Some(path) = take(folder.path(), "A001C010.mkv", &Story::plain()) else { return };
    let log = folder.path().join("log.json");
    let said = |boom: [&str; 2]| {
        let record = serde_json::json!({
            "media": "A001C010.mkv", "plates": [["#2", "#26"]], "boom": [boom], "lock_off": [["#0", "#90"]]
        });
        let all = serde_json::json!({ "schema": "platesmith.platelog/1", "records": [record] });
        std::fs::write(&log, all.to_string()).expect("written");
        let (found, _) = inspected(&path, &["--log", log.to_str().expect("UTF-8")]);
        let of_code = |reason: &&Value| reason["code"] == "log-and-picture-disagree";
        let reasons = found["reasons"].as_array().expect("a list");
        let texts = reasons.iter().filter(of_code).map(|reason| reason["text"].to_string());
        (texts.collect::<Vec<_>>(), found)
    };
    let (texts, found) = said(["#30", "#66"]);
    assert!(texts.is_empty(), "{found:#}");
    let (texts, found) = said(["#45", "#66"]);
    assert!(texts[0].contains("the log notes none"), "{found:#}");
    assert_eq!(runs(&found, "boom").len(), 1);
    let (texts, found) = said(["#30", "#85"]);
    assert!(texts[0].contains("the picture shows none"), "{found:#}");
}

#[test]
fn a_mark_by_hand_tells_where_to_look_and_bounds_nothing() {
    let folder = tempfile::tempdir().expect("a folder");
    let Some(path) = take(folder.path(), "A001C012.mkv", &Story::plain()) else { return };
    let (bare, _) = inspected(&path, &[]);
    let log = folder.path().join("log.csv");
    // The button came late: the second half of what was marked is boom.
    std::fs::write(&log, "media,plates\nA001C012.mkv,#16-#44 +-24\n").expect("written");
    let (found, code) = inspected(&path, &["--log", log.to_str().expect("UTF-8")]);
    assert_eq!((found["verdict"].as_str(), code), (Some("go"), 0), "{found:#}");
    assert!(!codes(&found).contains(&"log-and-picture-disagree"), "{found:#}");
    for key in ["plates", "boom", "lock_off", "patchable"] {
        assert_eq!(found[key], bare[key], "{key}");
    }
}

#[test]
fn a_lock_off_that_the_picture_contradicts_is_not_believed() {
    let folder = tempfile::tempdir().expect("a folder");
    let story = Story { camera: (70, 4.0), ..Story::plain() };
    let Some(path) = take(folder.path(), "A001C011.mkv", &story) else { return };
    let log = folder.path().join("log.csv");
    std::fs::write(&log, "media,plates,lock_off\nA001C011.mkv,#2-#26,#0-#90\n").expect("written");
    let (found, _) = inspected(&path, &["--log", log.to_str().expect("UTF-8")]);
    let text = found["reasons"].to_string();
    assert!(text.contains("The log claims a lock-off"), "{found:#}");
}

#[test]
fn a_camera_that_moved_is_named() {
    let folder = tempfile::tempdir().expect("a folder");
    let story = Story { camera: (45, 4.0), ..Story::plain() };
    let Some(path) = take(folder.path(), "A001C006.mkv", &story) else { return };
    let (found, code) = inspected(&path, &[]);
    let moved = codes(&found);
    assert!(moved.contains(&"camera-moved") || moved.contains(&"outside-lock-off"), "{found:#}");
    assert_eq!(code, 1);
}

#[test]
fn frames_without_a_picture_are_no_accident() {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, count, level) in [("one.mkv", 1, 90), ("black.mkv", 20, 0), ("white.mkv", 20, 255)] {
        let level: u8 = level;
        let frames = (0..count).map(move |_| vec![level; WIDTH * HEIGHT]);
        let Some(path) = raw_take(folder.path(), name, frames) else { return };
        let (found, code) = inspected(&path, &[]);
        assert!((0..=1).contains(&code), "{name}: {found:#}");
        assert!(runs(&found, "boom").is_empty(), "{name}: {found:#}");
    }
}

#[test]
fn a_page_never_takes_the_place_of_media() {
    let folder = tempfile::tempdir().expect("a folder");
    let frames = (0..3).map(|_| vec![90; WIDTH * HEIGHT]);
    let Some(path) = raw_take(folder.path(), "A001C007.mkv", frames) else { return };
    let other = folder.path().join("A001C008.mov");
    std::fs::write(&other, "another take").expect("written");
    let (_, code) = inspected(&path, &["-o", other.to_str().expect("UTF-8")]);
    assert_eq!(code, 2);
    assert_eq!(std::fs::read_to_string(&other).expect("there"), "another take");
}

#[test]
fn a_take_gives_the_same_bytes_whether_it_was_measured_before_or_not() {
    let folder = tempfile::tempdir().expect("a folder");
    let Some(path) = take(folder.path(), "A001C012.mkv", &Story::plain()) else { return };
    let cache = folder.path().join("cache");
    let page = folder.path().join("page.html");
    let run = |cache: &Path| {
        let run = Command::cargo_bin("platesmith")
            .expect("built")
            .env("PLATESMITH_CACHE", cache)
            .arg("inspect")
            .arg(&path)
            .args(["--json", "--series", "-o"])
            .arg(&page)
            .output()
            .expect("it runs");
        (run.stdout, std::fs::read(&page).expect("the page is there"))
    };
    let anew = run(Path::new("off"));
    assert!(!cache.exists());
    let first = run(&cache);
    let kept: Vec<PathBuf> =
        std::fs::read_dir(&cache).expect("made").flatten().map(|entry| entry.path()).collect();
    assert_eq!(kept.len(), 1);
    let bytes = std::fs::read(&kept[0]).expect("kept");
    let again = run(&cache);
    // The first two were measured, the third was not.
    assert!(anew == first && first == again);
    // What is not whole is measured anew and kept again.
    std::fs::write(&kept[0], &bytes[..bytes.len() - 7]).expect("cut short");
    assert!(run(&cache) == first);
    assert!(std::fs::read(&kept[0]).expect("kept") == bytes);
}
