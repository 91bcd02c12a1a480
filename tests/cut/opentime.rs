//! Timecode against opentime, the exact-time part of the timeline library (0.18.1), at
//! every rate of SMPTE ST 12-1 and ST 12-3 over the whole day.
//!
//! By default every 29th frame and all around each minute; with `PLATESMITH_WHOLE_DAY=1`
//! every frame of the day, which takes minutes.
//!
//! The library wraps its full labels at 29.97, 47.952 and 59.94 after 24 times the frames of
//! a true hour, before the day of labels ends; from there on only its reading of our labels
//! is compared.

use crate::outside;

use platesmith::time::{Counting, Frame, Rate};
use serde_json::Value;
use std::io::{BufWriter, Write};
use std::process::{Command, Stdio};

/// Every counting there is: the two 1001 rates with drop-frame, and all without.
const COUNTINGS: [(u32, u32, bool); 12] = [
    (24000, 1001, false),
    (24, 1, false),
    (25, 1, false),
    (30000, 1001, false),
    (30000, 1001, true),
    (30, 1, false),
    (48000, 1001, false),
    (48, 1, false),
    (50, 1, false),
    (60000, 1001, false),
    (60000, 1001, true),
    (60, 1, false),
];

/// The frames of a day to look at: all, or every 29th and those around each minute.
fn frames(counting: Counting, whole_day: bool) -> Vec<i64> {
    let day = counting.frames_in_day();
    if whole_day {
        return (0..day).collect();
    }
    let minute = f64::from(counting.base()) * 60.0;
    let drop = if counting.is_drop() { minute / 1000.0 * 0.9 } else { 0.0 };
    // Within a few frames of each minute wherever drop-frame puts it.
    let minutes = (0..1440).map(|at| (f64::from(at) * (minute - drop)) as i64);
    let around = minutes.flat_map(|at| at - 8..at + 9).filter(|at| (0..day).contains(at));
    let mut all: Vec<i64> = (0..day).step_by(29).chain(around).chain([day - 1]).collect();
    all.sort_unstable();
    all.dedup();
    all
}

fn compare(python: &std::path::Path, counting: Counting, frames: &[i64]) -> Value {
    let rate = counting.rate();
    let mut child = Command::new(python)
        .arg(outside::project().join("tests/oracle/opentime_labels.py"))
        .args([rate.num().to_string(), rate.den().to_string()])
        .arg(if counting.is_drop() { "drop" } else { "full" })
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python runs");
    let mut out = BufWriter::new(child.stdin.take().expect("piped"));
    for frame in frames {
        writeln!(out, "{frame} {}", counting.label(Frame(*frame))).expect("read to the end");
    }
    drop(out);
    let answer = child.wait_with_output().expect("python ends");
    assert!(answer.status.success());
    serde_json::from_slice(&answer.stdout).expect("an answer")
}

#[test]
fn labels_are_those_of_opentime() {
    let Some(python) = outside::python() else { return };
    let whole_day = std::env::var_os("PLATESMITH_WHOLE_DAY").is_some();
    for (num, den, drop) in COUNTINGS {
        let counting = Counting::new(Rate::new(num, den).expect("positive"), drop);
        let frames = frames(counting, whole_day);
        let answer = compare(&python, counting, &frames);
        println!(
            "{num}/{den} drop {drop}: {} of {} frames, {answer}",
            answer["compared"],
            frames.len()
        );
        assert_eq!(answer["wrong"].as_array().map(Vec::len), Some(0), "{num}/{den}: {answer}");
        assert_eq!(answer["refused"], Value::Null, "{num}/{den}: {answer}");
        assert_eq!(answer["compared"].as_u64(), Some(frames.len() as u64), "{num}/{den}");
    }
}
