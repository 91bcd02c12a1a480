//! Files a host has written anew: other key order, other indent, newer schemas, tracks
//! renamed and moved. Our marks are still found, by their metadata key alone.

use super::fixtures::{self, Recipe, text};
use super::{annotated, assert_same, options, stripped};
use platesmith::annotate::{Options, PlateClips};
use serde_json::{Map, Value, json};

/// Sorts all keys, as hosts do that keep members in a sorted table.
fn sorted(value: Value) -> Value {
    match value {
        Value::Object(members) => {
            let mut members: Vec<(String, Value)> = members.into_iter().collect();
            members.sort_by(|a, b| b.0.cmp(&a.0));
            Value::Object(members.into_iter().map(|(key, value)| (key, sorted(value))).collect())
        }
        Value::Array(items) => items.into_iter().map(sorted).collect(),
        plain => plain,
    }
}

fn each_object(value: &mut Value, change: &mut impl FnMut(&mut Map<String, Value>)) {
    match value {
        Value::Object(members) => {
            change(members);
            members.values_mut().for_each(|value| each_object(value, change));
        }
        Value::Array(items) => items.iter_mut().for_each(|item| each_object(item, change)),
        _ => {}
    }
}

fn is_ours(members: &Map<String, Value>) -> bool {
    members.get("metadata").is_some_and(|metadata| metadata.get("platesmith").is_some())
}

fn marked(recipe: &Recipe, options: &Options) -> (Value, Value) {
    let cut = recipe.cut();
    let marked = annotated(text(&cut, "    ").as_bytes(), options);
    (cut, serde_json::from_slice(&marked).expect("JSON"))
}

fn strip_value(value: &Value, indent: &str) -> Value {
    serde_json::from_slice(&stripped(text(value, indent).as_bytes())).expect("JSON")
}

#[test]
fn key_order_and_indent_do_not_matter() {
    let recipes = [
        Recipe::modern(),
        Recipe::legacy(),
        Recipe { markers: Some(json!([fixtures::marker("Marker.2")])), ..Recipe::modern() },
        Recipe { markers: Some(Value::Null), ..Recipe::modern() },
        Recipe { markers: None, ..Recipe::modern() },
    ];
    for recipe in recipes {
        let (cut, marked) = marked(&recipe, &options());
        for indent in ["", " ", "\t"] {
            let there = text(&sorted(cut.clone()), indent);
            let back = stripped(text(&sorted(marked.clone()), indent).as_bytes());
            assert_same(&back, there.as_bytes(), indent);
        }
    }
}

#[test]
fn new_names_places_and_schemas_do_not_matter() {
    for plates in [PlateClips::Disabled, PlateClips::Below] {
        let (cut, mut marked) = marked(&Recipe::modern(), &Options { plates, ..options() });
        each_object(&mut marked, &mut |members| {
            if !is_ours(members) {
                return;
            }
            members.insert("name".into(), "renamed".into());
            if members["OTIO_SCHEMA"] == "Marker.2" {
                members.insert("OTIO_SCHEMA".into(), "Marker.3".into());
                let colour = json!({"OTIO_SCHEMA": "Color.1", "name": "RED", "r": 1, "a": 1});
                members.insert("color".into(), colour);
            }
            if members["OTIO_SCHEMA"] == "Track.1" {
                members.insert("source_range".into(), Value::Null);
                members.insert("color".into(), Value::Null);
            }
        });
        let tracks = marked["tracks"]["children"].as_array_mut().expect("tracks");
        tracks.sort_by_key(|track| track["name"] != "renamed");
        assert_eq!(tracks[0]["name"], "renamed");
        assert_eq!(strip_value(&marked, "  "), cut);
    }
}

#[test]
fn a_host_that_keeps_empty_lists_gets_no_list_back() {
    let recipe = Recipe { markers: None, ..Recipe::modern() };
    let (cut, mut marked) = marked(&recipe, &options());
    let foreign = fixtures::marker("Marker.2");
    let clip = "/tracks/children/1/children/0/markers";
    let list = marked.pointer_mut(clip).and_then(Value::as_array_mut).expect("our list");
    list.push(foreign.clone());
    let left = strip_value(&marked, "  ");
    let mut expected = cut;
    expected["tracks"]["children"][1]["children"][0]["markers"] = json!([foreign]);
    assert_eq!(left, expected);
}

/// Takes the first plate clip off its track.
fn take_plate(marked: &mut Value) -> Value {
    let tracks = marked["tracks"]["children"].as_array_mut().expect("tracks");
    let track = tracks.iter_mut().find(|track| track["name"] == "plates").expect("plates");
    let children = track["children"].as_array_mut().expect("clips");
    let at = children.iter().position(|child| child["OTIO_SCHEMA"] == "Clip.2").expect("a clip");
    children.remove(at)
}

#[test]
fn a_plate_moved_to_another_track_leaves_its_time_there() {
    let (mut cut, mut marked) = marked(&Recipe::modern(), &options());
    let plate = take_plate(&mut marked);
    let duration = plate["source_range"]["duration"].clone();
    let upper = marked.pointer_mut("/tracks/children/2/children").and_then(Value::as_array_mut);
    upper.expect("V2").insert(1, plate);
    let mut left = strip_value(&marked, "  ");
    let gap = left["tracks"]["children"][2]["children"][1].take();
    assert_eq!(gap["OTIO_SCHEMA"], "Gap.1");
    assert_eq!(gap["source_range"]["duration"], duration);
    let upper = cut.pointer_mut("/tracks/children/2/children").and_then(Value::as_array_mut);
    upper.expect("V2").insert(1, Value::Null);
    assert_eq!(left, cut);
}

#[test]
fn a_foreign_clip_on_a_plate_track_is_not_lost() {
    let (cut, mut marked) = marked(&Recipe::modern(), &options());
    let foreign = cut["tracks"]["children"][1]["children"][0].clone();
    let tracks = marked["tracks"]["children"].as_array_mut().expect("tracks");
    let track = tracks.iter_mut().find(|track| track["name"] == "plates").expect("plates");
    let clips = track["children"].as_array_mut().expect("clips");
    clips.push(foreign.clone());
    let count = clips.len();
    let left = strip_value(&marked, "  ");
    let track = &left["tracks"]["children"][3];
    assert_eq!(track["name"], "plates");
    assert_eq!(track["metadata"], json!({}));
    let children = track["children"].as_array().expect("clips");
    assert_eq!(children.len(), count);
    assert_eq!(children[count - 1], foreign);
    assert!(children[..count - 1].iter().all(|child| child["OTIO_SCHEMA"] == "Gap.1"));
    assert_eq!(left["tracks"]["children"].as_array().map(Vec::len), Some(5));
}

#[test]
fn a_plate_track_whose_note_a_host_dropped_goes_too() {
    let (cut, mut marked) = marked(&Recipe::modern(), &options());
    each_object(&mut marked, &mut |members| {
        if is_ours(members) && members["OTIO_SCHEMA"] == "Track.1" {
            members.insert("metadata".into(), json!({}));
        }
    });
    assert_eq!(strip_value(&marked, "  "), cut);
}

#[test]
fn the_key_goes_wherever_it_stands() {
    let (cut, mut marked) = marked(&Recipe::modern(), &options());
    for place in ["", "/tracks", "/tracks/children/1/children/0", "/tracks/children/0/children/0"] {
        let owner = marked.pointer_mut(place).expect("an object");
        owner["metadata"]["platesmith"] = json!({"any": 1});
    }
    let reference = "/tracks/children/1/children/0/media_references/DEFAULT_MEDIA/metadata";
    marked.pointer_mut(reference).expect("metadata")["platesmith"] = Value::Null;
    assert_eq!(strip_value(&marked, "  "), cut);
}

#[test]
fn a_clip_a_host_cut_in_two_loses_both_markers() {
    let (cut, mut marked) = marked(&Recipe::modern(), &options());
    let twice = |value: &mut Value| {
        let clips = value["tracks"]["children"][1]["children"].as_array_mut().expect("clips");
        let first = clips[0].clone();
        clips.insert(0, first);
    };
    twice(&mut marked);
    let mut expected = cut;
    twice(&mut expected);
    assert_eq!(strip_value(&marked, "  "), expected);
}
