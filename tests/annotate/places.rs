//! Where marks lie when transitions, speeds, nests and trims come together. The frames are
//! worked out by hand beside each cut.

use super::cut::Walked;
use super::{PLATES, options, parse};
use platesmith::annotate::{Marked, annotate};
use platesmith::findings::Verdict;
use serde_json::{Value, json};

fn time(value: i64) -> Value {
    json!({"OTIO_SCHEMA": "RationalTime.1", "rate": 24.0, "value": value as f64})
}

fn range(start: i64, length: i64) -> Value {
    json!({"OTIO_SCHEMA": "TimeRange.1", "duration": time(length), "start_time": time(start)})
}

fn clip(name: &str, start: i64, length: i64, effects: Value) -> Value {
    json!({
        "OTIO_SCHEMA": "Clip.2", "metadata": {}, "name": name,
        "source_range": range(start, length), "effects": effects, "markers": [],
        "enabled": true, "active_media_reference_key": "DEFAULT_MEDIA",
        "media_references": {"DEFAULT_MEDIA": {
            "OTIO_SCHEMA": "ExternalReference.1", "metadata": {}, "name": "",
            "available_range": range(0, 100_000), "target_url": "file:///a.mov",
        }},
    })
}

fn warp(scalar: f64) -> Value {
    json!([{"OTIO_SCHEMA": "LinearTimeWarp.1", "effect_name": "", "time_scalar": scalar}])
}

fn dissolve(before: i64, after: i64) -> Value {
    json!({
        "OTIO_SCHEMA": "Transition.1", "metadata": {}, "name": "",
        "in_offset": time(before), "out_offset": time(after), "transition_type": "SMPTE_Dissolve",
    })
}

fn nest(schema: &str, source_range: Value, effects: Value, children: Value) -> Value {
    json!({
        "OTIO_SCHEMA": schema, "metadata": {}, "name": "nest", "source_range": source_range,
        "effects": effects, "markers": [], "children": children, "kind": "Video",
    })
}

fn timeline(stack_range: Value, children: Value) -> Value {
    let track = nest("Track.1", Value::Null, json!([]), children);
    json!({
        "OTIO_SCHEMA": "Timeline.1", "metadata": {}, "name": "cut", "global_start_time": null,
        "tracks": nest("Stack.1", stack_range, json!([]), json!([track])),
    })
}

/// Returns the frames marked on a clip (clip time) and on the cut, for every use in order;
/// all are said to be done by hand.
fn marked_frames(cut: &Value) -> Vec<(String, f64, f64)> {
    let folder = tempfile::tempdir().expect("folder");
    let path = folder.path().join("cut.otio");
    std::fs::write(&path, cut.to_string()).expect("written");
    let mut walked = Walked::read(&path).expect("a cut");
    walked.findings.iter_mut().for_each(|finding| finding.verdict = Verdict::ByHand);
    let mut document = parse(cut.to_string().as_bytes());
    let marked: Vec<Marked<'_>> = walked.marked(PLATES);
    annotate(&mut document, "", walked.rate, &marked, &options()).expect("marks");
    let after: Value = serde_json::from_slice(&document.write()).expect("JSON");
    let start = |marker: &Value| marker["marked_range"]["start_time"]["value"].as_f64();
    let twins = after["tracks"]["markers"].as_array().expect("twins");
    let one = |(used, twin): (&platesmith::timeline::Use, &Value)| {
        let clip = after.pointer(&used.pointer).expect("the clip");
        let own = start(&clip["markers"][0]).expect("a frame");
        (used.clip.clone(), own, start(twin).expect("a frame"))
    };
    walked.uses.iter().zip(twins).map(one).collect()
}

fn frames(name: &str, own: i64, cut: i64) -> (String, f64, f64) {
    (name.into(), own as f64, cut as f64)
}

#[test]
fn a_marker_stands_after_the_transition_whatever_the_speed() {
    // Record: a 0-48, b 48-96, c 96-144, d 144-192; 6 frames of each dissolve lie after
    // the cut. Clip time runs at speed 1 whatever the effect.
    let cut = timeline(
        Value::Null,
        json!([
            clip("a", 1000, 48, json!([])),
            dissolve(4, 6),
            clip("b", 2000, 48, warp(-1.0)),
            dissolve(4, 6),
            clip("c", 3000, 48, warp(2.0)),
            dissolve(4, 6),
            clip("d", 4000, 48, warp(0.0)),
        ]),
    );
    let expected = [
        frames("a", 1000, 0),
        frames("b", 2006, 54),
        frames("c", 3006, 102),
        frames("d", 4006, 150),
    ];
    assert_eq!(marked_frames(&cut), expected);
}

#[test]
fn a_use_that_is_all_transition_is_marked_inside() {
    let cut = timeline(
        Value::Null,
        json!([
            clip("a", 1000, 48, json!([])),
            dissolve(4, 8),
            clip("b", 2000, 8, json!([])),
            dissolve(4, 6),
            clip("c", 3000, 48, json!([])),
        ]),
    );
    let found = marked_frames(&cut);
    assert!((2000.0..2008.0).contains(&found[1].1), "{found:?}");
    assert!((48.0..56.0).contains(&found[1].2), "{found:?}");
}

#[test]
fn a_trimmed_nest_is_marked_where_it_is_seen() {
    // The nest shows its own time 10-90 at record 24: of x (0-48) frames 10-48, of y
    // (48-96) frames 0-42, with a dissolve into y of 5 frames after the cut.
    let inside =
        json!([clip("x", 1000, 48, json!([])), dissolve(5, 5), clip("y", 2000, 48, json!([])),]);
    let track = nest("Track.1", range(10, 80), json!([]), inside.clone());
    let cut = timeline(Value::Null, json!([clip("a", 500, 24, json!([])), track]));
    let expected = [frames("a", 500, 0), frames("x", 1010, 24), frames("y", 2005, 67)];
    assert_eq!(marked_frames(&cut), expected);
    // At double speed the nest shows 10-170 of its time in 80 frames: x from 24 to 43, y
    // from 43, clear 2.5 frames later: in frame 46.
    let track = nest("Track.1", range(10, 43), warp(2.0), inside);
    let cut = timeline(Value::Null, json!([clip("a", 500, 24, json!([])), track]));
    let expected = [frames("a", 500, 0), frames("x", 1010, 24), frames("y", 2005, 46)];
    assert_eq!(marked_frames(&cut), expected);
}

#[test]
fn a_trimmed_stack_keeps_its_marks_in_sync() {
    // The cut starts at 100 of the stack's own time: b is first seen there, at record 0.
    let clips = json!([clip("a", 1000, 100, json!([])), clip("b", 2000, 50, json!([]))]);
    let cut = timeline(range(100, 50), clips);
    assert_eq!(marked_frames(&cut), [frames("b", 2000, 100)]);
}
