//! Timelines made for tests, and ways to read them.
#![allow(dead_code, reason = "each test file uses a part")]

use platesmith::error::Faults;
use platesmith::timeline::{Cut, ReadOptions, read_cut};
use serde_json::{Value, json};

/// A range of a rate, as the format writes it.
pub fn range(start: i64, duration: i64, rate: f64) -> Value {
    let time = |value| json!({"OTIO_SCHEMA": "RationalTime.1", "value": value, "rate": rate});
    json!({"OTIO_SCHEMA": "TimeRange.1", "start_time": time(start), "duration": time(duration)})
}

/// A clip at 24 with a media file.
pub fn clip(name: &str, start: i64, duration: i64) -> Value {
    at_rate(name, start, duration, 24.0)
}

/// A clip at another rate.
pub fn at_rate(name: &str, start: i64, duration: i64, rate: f64) -> Value {
    json!({"OTIO_SCHEMA": "Clip.2", "name": name, "source_range": range(start, duration, rate),
           "media_references": {"DEFAULT_MEDIA": {"OTIO_SCHEMA": "ExternalReference.1",
                                                  "target_url": format!("media/{name}.mov")}},
           "active_media_reference_key": "DEFAULT_MEDIA"})
}

/// A gap at 24.
pub fn gap(duration: i64) -> Value {
    json!({"OTIO_SCHEMA": "Gap.1", "name": "", "source_range": range(0, duration, 24.0)})
}

/// A dissolve at 24.
pub fn transition(before: i64, after: i64) -> Value {
    let time = |value| json!({"OTIO_SCHEMA": "RationalTime.1", "value": value, "rate": 24.0});
    json!({"OTIO_SCHEMA": "Transition.1", "transition_type": "SMPTE_Dissolve",
           "in_offset": time(before), "out_offset": time(after)})
}

/// A constant speed.
pub fn warp(scalar: f64) -> Value {
    json!({"OTIO_SCHEMA": "LinearTimeWarp.1", "effect_name": "LinearTimeWarp", "time_scalar": scalar})
}

/// A video track.
pub fn track(children: Vec<Value>) -> Value {
    json!({"OTIO_SCHEMA": "Track.1", "name": "V", "kind": "Video", "children": children})
}

/// A stack.
pub fn stack(children: Vec<Value>) -> Value {
    json!({"OTIO_SCHEMA": "Stack.1", "name": "nest", "children": children})
}

/// A timeline with these tracks.
pub fn timeline(tracks: Vec<Value>) -> Value {
    json!({"OTIO_SCHEMA": "Timeline.1", "name": "reel", "tracks": stack(tracks)})
}

/// The same object with one member set.
pub fn with(mut value: Value, key: &str, member: Value) -> Value {
    value[key] = member;
    value
}

/// Reads a timeline that must be readable.
pub fn read(value: &Value) -> Cut {
    read_with(value, &ReadOptions::default())
}

/// Reads a timeline that must be readable.
pub fn read_with(value: &Value, options: &ReadOptions) -> Cut {
    read_bytes(value.to_string().as_bytes(), options).unwrap_or_else(|faults| panic!("{faults}"))
}

/// Reads text as `cut.otio`.
pub fn read_text(text: &str) -> Result<Cut, Faults> {
    read_bytes(text.as_bytes(), &ReadOptions::default())
}

/// Reads bytes as `cut.otio`.
pub fn read_bytes(bytes: &[u8], options: &ReadOptions) -> Result<Cut, Faults> {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("cut.otio");
    std::fs::write(&path, bytes).expect("written");
    read_cut(&path, options)
}
