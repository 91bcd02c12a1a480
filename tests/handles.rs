//! Faults that lie in the handles alone ask for a look and never make a verdict worse; the same
//! faults in the frames the cut shows do. Takes drawn here, every part of which is known, on the
//! whole way of the program; what comes out is read by the `ffmpeg` program.

mod composited;
mod little_show;
mod outside;
#[path = "scenes/mod.rs"]
mod scenes;

use composited::{Show, says};
use scenes::Dice;
use serde_json::Value;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

const SIZE: (usize, usize) = (480, 270);
const FRAMES: i64 = 100;
const BOOM: (i64, i64) = (40, 92);
/// Frames the cut uses; eight handle frames stand before and after them.
const USED: (i64, i64) = (50, 70);
const NEED: (i64, i64) = (42, 78);
/// Where the boom hangs when it is in: columns, and rows from the top.
const HANGS: ((f64, f64), f64) = ((158.0, 184.0), 90.0);

/// What goes wrong.
#[derive(Clone, Copy, PartialEq)]
enum Fault {
    /// An actor walks through the boom.
    Crossing,
    /// The boom swings over to an actor who stands still.
    Swing,
    /// The light falls by 6 %.
    Light,
    /// The camera is off by 1.5 px.
    Camera,
    /// The set gets soft.
    Focus,
}

/// The frames in which it goes wrong.
type When = (i64, i64);

const IN_HANDLES: When = (72, 78);
const IN_USED: When = (58, 64);

/// A set of many sines; `soft` is the deviation of the blur over it, under which a wave is as
/// much weaker as a Gaussian's transform says.
fn set(x: f64, y: f64, soft: f64) -> f64 {
    let wave = |size: f64, fx: f64, fy: f64, phase: f64| {
        size * (-0.5 * soft * soft * (fx * fx + fy * fy)).exp() * (fx * x + fy * y + phase).sin()
    };
    118.0
        + wave(22.0, 0.031, 0.017, 0.3)
        + wave(14.0, -0.11, 0.07, 1.1)
        + wave(9.0, 0.23, 0.19, 2.0)
        + wave(7.0, 0.05, -0.31, 0.7)
        + wave(8.0, 0.67, 0.31, 4.2)
        + wave(8.0, -0.59, 0.71, 2.6)
}

/// The code of a pixel without grain.
fn code(fault: Fault, wrong: bool, frame: i64, (x, y): (f64, f64)) -> f64 {
    let shift = if wrong && fault == Fault::Camera { 1.5 } else { 0.0 };
    let soft = if wrong && fault == Fault::Focus { 1.6 } else { 0.0 };
    let mut value = set(x - shift, y, soft);
    // Four frames to slide in, and out.
    let deep = (frame + 1 - BOOM.0).min(BOOM.1 - frame).clamp(0, 4) as f64 / 4.0;
    let swung = if wrong && fault == Fault::Swing { 120.0 } else { 0.0 };
    let ((left, right), low) = HANGS;
    if x >= left + swung && x < right + swung && y < low * deep {
        value -= 60.0;
    }
    let still = if fault == Fault::Swing { (290.0, 60.0) } else { (340.0, 120.0) };
    let crosses = wrong && fault == Fault::Crossing;
    let (middle, top) = if crosses { (180.0, 30.0) } else { still };
    let middle = middle + 5.0 * (frame as f64 / 7.0).sin();
    if (x - middle).abs() < 34.0 && y > top {
        value = 60.0 + 30.0 * ((x - middle) / 6.0 + y / 9.0).sin();
    }
    let light = if wrong && fault == Fault::Light { 0.94 } else { 1.0 };
    value * light
}

/// Writes the take.
fn write(fault: Fault, when: When, path: &Path) {
    let size = format!("{}x{}", SIZE.0, SIZE.1);
    let mut ffmpeg = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-y", "-f", "rawvideo", "-pix_fmt", "gray", "-s"])
        .args([&size, "-r", "24", "-i", "-", "-c:v", "ffv1", "-g", "1", "-pix_fmt", "gray"])
        .arg(path)
        .stdin(Stdio::piped())
        .spawn()
        .expect("ffmpeg was there a moment ago");
    let mut dice = Dice::new(11);
    let mut pipe = ffmpeg.stdin.take().expect("it is piped");
    for frame in 0..FRAMES {
        let wrong = (when.0..when.1).contains(&frame);
        let pixels = (0..SIZE.0 * SIZE.1).map(|at| ((at % SIZE.0) as f64, (at / SIZE.0) as f64));
        let codes = pixels.map(|place| {
            let grain = 1.6 * dice.bell();
            (code(fault, wrong, frame, place) + grain).round().clamp(0.0, 255.0) as u8
        });
        pipe.write_all(&codes.collect::<Vec<u8>>()).expect("ffmpeg reads");
    }
    drop(pipe);
    assert!(ffmpeg.wait().expect("it ends").success());
}

/// The show round a take; `None` without the `ffmpeg` program.
fn show(fault: Fault, when: When) -> Option<Show> {
    if !outside::has_program("ffmpeg") {
        return None;
    }
    let (plates, boom) = ("#0-#36".to_string(), format!("#{}-#{}", BOOM.0, BOOM.1));
    let shot = composited::Shot { used: USED, plates: &plates, boom: &boom };
    let show = Show::of("24/1", FRAMES, &shot).with_handles(8);
    write(fault, when, &show.take());
    Some(show)
}

/// Every frame of a file, as `ffmpeg` decodes it.
fn grey(path: &Path) -> Vec<Vec<u8>> {
    let asked = ["-map", "0:V:0", "-fps_mode", "passthrough", "-pix_fmt", "gray"];
    let done = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-i"])
        .arg(path)
        .args(asked)
        .args(["-f", "rawvideo", "-"])
        .output()
        .expect("it runs");
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    done.stdout.chunks_exact(SIZE.0 * SIZE.1).map(<[u8]>::to_vec).collect()
}

/// Verdict and corrections of the one use.
fn outcome(found: &Value) -> (&str, usize) {
    let corrections = found["corrections"].as_array().expect("a list");
    (found["verdict"].as_str().expect("a verdict"), corrections.len())
}

/// The sentence of the first reason of a code.
fn text<'a>(found: &'a Value, code: &str) -> &'a str {
    let reasons = found["reasons"].as_array().expect("a list");
    let reason = reasons.iter().find(|one| one["code"] == code);
    reason.and_then(|one| one["text"].as_str()).unwrap_or_default()
}

#[test]
fn who_crosses_the_boom_in_the_handles_alone_is_named_and_stops_nothing() {
    let Some(show) = show(Fault::Crossing, IN_HANDLES) else { return };
    let found = show.turned_over();
    assert_eq!(outcome(&found), ("plate", 0), "{found:#}");
    assert!(says(&found, "no-divider", "attention"), "{found:#}");
    assert!(!says(&found, "no-divider", "stop"), "{found:#}");
    // Frames 72 to 77 of a take without timecode, the last one exclusive.
    assert!(text(&found, "no-divider").contains("#72-#78"), "{found:#}");
    the_boom_is_gone_where_the_cut_shows_it(Fault::Crossing, &show, &found);
}

/// Held against the set itself, which is drawn above: over the boom's place the temp comp shows
/// the set, and its own grain.
fn the_boom_is_gone_where_the_cut_shows_it(fault: Fault, show: &Show, found: &Value) {
    let temp = show.folder.path().join("out").join(found["temp_comp"].as_str().expect("a comp"));
    let frames = grey(&temp);
    assert_eq!(frames.len() as i64, NEED.1 - NEED.0);
    let ((left, right), low) = HANGS;
    for frame in USED.0..USED.1 {
        let shown = &frames[(frame - NEED.0) as usize];
        let mut squares = 0.0;
        let places = || {
            let rows = 0..low as usize + 4;
            rows.flat_map(|y| (left as usize - 4..right as usize + 4).map(move |x| (x, y)))
        };
        for (x, y) in places() {
            let off = f64::from(shown[y * SIZE.0 + x]) - set(x as f64, y as f64, 0.0);
            squares += off * off;
        }
        let rms = (squares / places().count() as f64).sqrt();
        assert!(rms < 1.8, "frame {frame}: {rms:.2} codes rms from the set");
        // Who stands beside it is the take's.
        let actor = shown[200 * SIZE.0 + 310];
        let wanted = code(fault, false, frame, (310.0, 200.0));
        assert!((f64::from(actor) - wanted).abs() < 9.0, "frame {frame}: {actor} for {wanted}");
    }
}

#[test]
fn who_crosses_the_boom_in_the_shot_rules_it_out() {
    let Some(show) = show(Fault::Crossing, IN_USED) else { return };
    let found = show.checked();
    assert_eq!(found["verdict"], "by-hand", "{found:#}");
    assert!(says(&found, "no-divider", "stop"), "{found:#}");
}

#[test]
fn a_boom_that_swings_over_an_actor_in_the_handles_alone_is_named_and_stops_nothing() {
    let Some(show) = show(Fault::Swing, IN_HANDLES) else { return };
    let found = show.turned_over();
    assert_eq!(outcome(&found), ("plate", 0), "{found:#}");
    assert!(says(&found, "boom-in-handles", "attention"), "{found:#}");
    assert!(text(&found, "boom-in-handles").contains("#72-#78"), "{found:#}");
    the_boom_is_gone_where_the_cut_shows_it(Fault::Swing, &show, &found);
}

#[test]
fn a_boom_that_swings_over_an_actor_in_the_shot_rules_it_out() {
    let Some(show) = show(Fault::Swing, IN_USED) else { return };
    let found = show.checked();
    assert_eq!(found["verdict"], "by-hand", "{found:#}");
    assert!(says(&found, "no-divider", "stop"), "{found:#}");
}

#[test]
fn light_camera_and_focus_are_held_to_the_same_rule() {
    let kinds: [(Fault, &[&str]); 3] = [
        (Fault::Light, &["light-changed"]),
        (Fault::Camera, &["camera-moved", "unsteady-picture"]),
        (Fault::Focus, &["focus-changed"]),
    ];
    for (fault, codes) in kinds {
        let Some(in_handles) = show(fault, IN_HANDLES) else { return };
        let found = in_handles.checked();
        assert_eq!(outcome(&found), ("plate", 0), "{codes:?}: {found:#}");
        let named = |found: &Value, how: &str| codes.iter().any(|code| says(found, code, how));
        assert!(named(&found, "attention"), "{codes:?}: {found:#}");
        let reasons = found["reasons"].as_array().expect("a list");
        assert!(reasons.iter().all(|one| one["severity"] != "stop"), "{codes:?}: {found:#}");
        // The same in the shot is not let pass.
        let Some(in_shot) = show(fault, IN_USED) else { return };
        let found = in_shot.checked();
        let (verdict, corrections) = outcome(&found);
        assert!(verdict == "by-hand" || corrections > 0, "{codes:?}: {found:#}");
    }
}
