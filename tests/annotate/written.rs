//! What is written, and that it goes again without trace.

use super::fixtures::{self, Recipe, all};
use super::{annotated, annotated_with, assert_same, options, parse, stripped, walked};
use platesmith::annotate::{MarkerPlaces, Options, PlateClips, annotate, strip};
use platesmith::marks::{marker_colour, marker_text};
use platesmith::timeline::json::{Document, Node};
use serde_json::{Value, json};

/// Every choice of what to write.
fn choices() -> Vec<Options> {
    let mut all = Vec::new();
    for markers in [MarkerPlaces::Both, MarkerPlaces::Clip, MarkerPlaces::Cut] {
        for plates in
            [PlateClips::Disabled, PlateClips::Enabled, PlateClips::Below, PlateClips::None]
        {
            let folder = Some("/shows/Quiet Römer/out".into());
            all.push(Options { markers, plates, folder, ..options() });
        }
    }
    all
}

/// Every choice for one layout of each cut, a few for the others.
fn choices_for(name: &str) -> Vec<Options> {
    let all = choices();
    let step = if name.ends_with("4 spaces") || !name.contains(", ") { 1 } else { 5 };
    all.into_iter().step_by(step).collect()
}

#[test]
fn what_was_written_goes_without_trace() {
    for (name, bytes) in all() {
        for options in choices_for(&name) {
            let marked = annotated(&bytes, &options);
            assert_ne!(marked, bytes, "{name}: nothing was written");
            assert_same(&stripped(&marked), &bytes, &format!("{name}, {options:?}"));
        }
    }
}

#[test]
fn a_second_run_changes_nothing() {
    for (name, bytes) in all() {
        for options in choices_for(&name) {
            let once = annotated(&bytes, &options);
            assert_same(&annotated(&once, &options), &once, &format!("{name}, {options:?}"));
        }
    }
}

#[test]
fn what_no_longer_holds_goes() {
    for (name, bytes) in all() {
        for first in choices_for(&name) {
            let all = annotated(&bytes, &first);
            let some = |marked: &platesmith::annotate::Marked<'_>| marked.used.track != 1;
            let again = annotated_with(&all, &options(), some);
            let fresh = annotated_with(&bytes, &options(), some);
            assert_same(&again, &fresh, &format!("{name}, {first:?}"));
        }
    }
}

#[test]
fn strip_tells_how_much_it_took() {
    let bytes = fixtures::text(&Recipe::modern().cut(), "    ").into_bytes();
    let walked = walked(&bytes).expect("a cut");
    let marked = walked.findings.iter().filter(|f| marker_colour(f.verdict).is_some()).count();
    let mut document = parse(&bytes);
    let uses = walked.marked(super::PLATES);
    annotate(&mut document, "", walked.rate, &uses, &options()).expect("marks");
    // Both markers of each, and two plate tracks: the second video track lies over the first.
    assert_eq!(strip(&mut document), marked * 2 + 2);
    assert_eq!(strip(&mut document), 0);
    assert_same(&document.write(), &bytes, "stripped at once");
}

/// Takes all of ours out of a value, to compare what is left.
fn without_ours(value: &mut Value) {
    let ours = |value: &Value| value["metadata"].get("platesmith").is_some();
    match value {
        Value::Array(items) => {
            items.retain(|item| !ours(item));
            items.iter_mut().for_each(without_ours);
        }
        Value::Object(members) => members.values_mut().for_each(without_ours),
        _ => {}
    }
}

#[test]
fn all_that_is_not_ours_is_untouched() {
    for (name, bytes) in all() {
        let Ok(before) = serde_json::from_slice::<Value>(&bytes) else { continue };
        if name.starts_with("no markers") || name.starts_with("null") || name.contains("legacy,") {
            continue;
        }
        for options in choices_for(&name) {
            let marked = annotated(&bytes, &options);
            let mut after: Value = serde_json::from_slice(&marked).expect("JSON");
            without_ours(&mut after);
            assert_eq!(after, before, "{name}");
        }
    }
}

/// Collects every object that carries our key, with the schema of what it is in.
fn ours(bytes: &[u8]) -> Vec<Value> {
    fn collect(node: Node<'_>, found: &mut Vec<Value>) {
        if node.get("metadata").is_some_and(|metadata| metadata.get("platesmith").is_some()) {
            found.push(serde_json::from_slice(node.raw()).expect("ours is plain JSON"));
        }
        node.children().for_each(|child| collect(child, found));
    }
    let document = parse(bytes);
    let mut found = Vec::new();
    collect(document.root(), &mut found);
    found
}

fn of_schema<'a>(found: &'a [Value], schema: &str) -> Vec<&'a Value> {
    found.iter().filter(|one| one["OTIO_SCHEMA"] == schema).collect()
}

#[test]
fn texts_and_colours_say_the_verdict() {
    let bytes = fixtures::text(&Recipe::modern().cut(), "    ").into_bytes();
    let walked = walked(&bytes).expect("a cut");
    let found = ours(&annotated(&bytes, &options()));
    // The colour names of the standard; the reference library's `MarkerColor`, 0.18.1.
    let standard = [
        "PINK", "RED", "ORANGE", "YELLOW", "GREEN", "CYAN", "BLUE", "PURPLE", "MAGENTA", "BLACK",
        "WHITE",
    ];
    for finding in &walked.findings {
        let its: Vec<&Value> = of_schema(&found, "Marker.2")
            .into_iter()
            .filter(|marker| marker["metadata"]["platesmith"]["shot"] == *finding.shot)
            .collect();
        let Some(colour) = marker_colour(finding.verdict) else {
            assert!(its.is_empty(), "{}", finding.shot);
            continue;
        };
        assert_eq!(its.len(), 2, "{}", finding.shot);
        assert!(standard.contains(&colour));
        for marker in its {
            assert_eq!(marker["name"], marker_text(finding));
            assert_eq!(marker["comment"], marker["name"]);
            assert_eq!(marker["color"], colour);
            assert_eq!(marker["metadata"]["platesmith"]["verdict"], finding.verdict.word());
        }
    }
}

#[test]
fn a_plate_clip_tells_how_to_build_it_again() {
    let bytes = fixtures::text(&Recipe::modern().cut(), "    ").into_bytes();
    let found = ours(&annotated(&bytes, &options()));
    let clips = of_schema(&found, "Clip.2");
    assert!(!clips.is_empty());
    for clip in clips {
        let note = &clip["metadata"]["platesmith"];
        assert_eq!(note["plate"]["map"], json!([[12, 59, 1], [59, 12, -1]]));
        assert_eq!(note["plate"]["source_file"], "A014C007.mov");
        assert_eq!(note["take_rate"], "24");
        assert_eq!(clip["enabled"], false);
    }
    // Without a plate clip a marker tells it.
    let none = Options { plates: PlateClips::None, ..options() };
    let found = ours(&annotated(&bytes, &none));
    let told = found.iter().filter(|one| {
        one["metadata"]["platesmith"]["plate"]["map"] == json!([[12, 59, 1], [59, 12, -1]])
    });
    assert!(told.count() > 0);
}

#[test]
fn each_file_gets_its_own_generation_of_schemas() {
    let schemas = |recipe: Recipe| {
        let bytes = fixtures::text(&recipe.cut(), "    ").into_bytes();
        let mut all: Vec<String> = ours(&annotated(&bytes, &options()))
            .iter()
            .map(|one| one["OTIO_SCHEMA"].as_str().unwrap_or_default().to_string())
            .collect();
        all.sort();
        all.dedup();
        all
    };
    assert_eq!(schemas(Recipe::modern()), ["Clip.2", "Marker.2", "Track.1"]);
    assert_eq!(schemas(Recipe::legacy()), ["Clip.1", "Marker.1", "Sequence.1"]);
    let middle = Recipe { clip: "Clip.1", ..Recipe::modern() };
    assert_eq!(schemas(middle), ["Clip.1", "Marker.2", "Track.1"]);
    let newest =
        Recipe { markers: Some(json!([fixtures::marker("Marker.3")])), ..Recipe::modern() };
    assert_eq!(schemas(newest), ["Clip.2", "Marker.2", "Track.1"]);
}

#[test]
fn numbers_look_like_those_of_the_file() {
    let marks = |recipe: Recipe| {
        let bytes = fixtures::text(&recipe.cut(), "").into_bytes();
        let marked = String::from_utf8(annotated(&bytes, &options())).expect("text");
        let at = marked.find("\"mark\":\"marker\"").expect("a marker");
        let from = marked[at..].find("\"RationalTime.1\",").expect("a time") + at + 17;
        marked[from..].split('}').next().unwrap_or_default().to_string()
    };
    let rate = |rate: Value, pointed| Recipe { rate, pointed, ..Recipe::modern() };
    assert_eq!(marks(Recipe::modern()), r#""rate":24.0,"value":1.0"#);
    assert_eq!(marks(rate(json!(24), false)), r#""rate":24,"value":1"#);
    assert_eq!(marks(rate(json!(23.976), false)), r#""rate":23.976,"value":1"#);
    assert_eq!(marks(rate(json!(23.98), true)), r#""rate":23.98,"value":1.0"#);
    let float = json!(23.976024627685547);
    assert_eq!(marks(rate(float, true)), r#""rate":23.976024627685547,"value":1.0"#);
}

/// The names of the root tracks, in order.
fn track_names(bytes: &[u8]) -> Vec<String> {
    let document = parse(bytes);
    let tracks = document.at("/tracks/children").expect("tracks");
    tracks
        .items()
        .map(|track| track.get("name").and_then(Node::text).unwrap_or_default().into())
        .collect()
}

#[test]
fn plate_tracks_lie_above_or_below_the_picture() {
    let bytes = fixtures::text(&Recipe::modern().cut(), "    ").into_bytes();
    let with = |plates| track_names(&annotated(&bytes, &Options { plates, ..options() }));
    let above = ["A1", "V1", "V2", "plates", "plates 2", "A2"];
    assert_eq!(with(PlateClips::Disabled), above);
    assert_eq!(with(PlateClips::Enabled), above);
    assert_eq!(with(PlateClips::Below), ["A1", "plates", "plates 2", "V1", "V2", "A2"]);
    assert_eq!(with(PlateClips::None), ["A1", "V1", "V2", "A2"]);
}

#[test]
fn urls_look_like_those_of_the_file() {
    let urls = |url: fn(usize) -> String, folder: Option<&str>| {
        let bytes = fixtures::text(&Recipe { url, ..Recipe::modern() }.cut(), "    ");
        let options = Options { folder: folder.map(Into::into), ..options() };
        let found = ours(&annotated(bytes.as_bytes(), &options));
        let clips = of_schema(&found, "Clip.2");
        let reference = |clip: &Value| clip["media_references"]["DEFAULT_MEDIA"].clone();
        let url = |clip: &&Value| reference(clip)["target_url"].as_str().map(String::from);
        let base = |clip: &&Value| reference(clip)["target_url_base"].as_str().map(String::from);
        (clips.iter().find_map(url).expect("a file"), clips.iter().find_map(base).expect("images"))
    };
    let out = Some("/shows/Quiet Römer/out");
    let file = |at: usize| format!("file:///m/{at}.mov");
    let (url, base) = urls(file, out);
    assert_eq!(url, "file:///shows/Quiet%20R%C3%B6mer/out/plates/QR_0010_CP01_v001.mov");
    assert_eq!(base, "file:///shows/Quiet%20R%C3%B6mer/out/plates/QR_0030_CP01_v001/");
    let (url, _) = urls(|at| format!("file://localhost/m/{at}.mov"), out);
    assert!(url.starts_with("file:///shows/"), "{url}");
    let (url, _) = urls(|at| format!("/m/{at}.mov"), out);
    assert_eq!(url, "/shows/Quiet Römer/out/plates/QR_0010_CP01_v001.mov");
    let (url, base) = urls(|at| format!("m/{at}.mov"), out);
    assert_eq!(url, "plates/QR_0010_CP01_v001.mov");
    assert_eq!(base, "plates/QR_0030_CP01_v001/");
    let (url, _) = urls(|at| format!("m/{at}.mov"), None);
    assert!(url.starts_with("file:///shows/"), "{url}");
    let (url, _) = urls(|at| format!("https://example.org/{at}.mov"), out);
    assert!(url.starts_with("file:///shows/"), "{url}");
}

#[test]
fn a_use_that_is_not_there_is_a_fault_and_the_others_are_marked() {
    let bytes = fixtures::text(&Recipe::modern().cut(), "    ").into_bytes();
    let mut walked = walked(&bytes).expect("a cut");
    walked.uses[0].pointer = "/tracks/children/9/children/0".into();
    let mut uses = walked.marked(super::PLATES);
    let short = uses.iter().position(|one| one.used.track == 2 && one.plate.is_some());
    if let Some(plate) = short.and_then(|at| uses[at].plate.as_mut()) {
        plate.first_shown += 1000;
    }
    let mut document = parse(&bytes);
    let faults = annotate(&mut document, "", walked.rate, &uses, &options()).unwrap_err();
    let faults: Vec<String> = faults.0.iter().map(ToString::to_string).collect();
    assert_eq!(faults.len(), 2, "{faults:?}");
    assert!(faults[0].starts_with("cut.otio, /tracks/children/9/children/0: no clip is here"));
    assert!(faults[1].contains("holds frames"), "{faults:?}");
    assert!(ours(&document.write()).len() > 10);
}

#[test]
fn a_root_without_tracks_is_a_fault() {
    for text in ["[]", "{}", r#"{"OTIO_SCHEMA":"Timeline.1","tracks":null}"#, "3"] {
        let mut document = Document::parse("x.otio", text.into()).expect("a document");
        let rate = platesmith::time::Rate::new(24, 1).expect("a rate");
        assert!(annotate(&mut document, "", rate, &[], &options()).is_err(), "{text}");
        assert_same(&document.write(), text.as_bytes(), "untouched");
        assert_eq!(strip(&mut document), 0);
    }
}

/// Traps of programs that read the format: unknown schemas, null where a list is expected,
/// lengths of zero, blanks in names (observed in readers' code).
#[test]
fn nothing_of_ours_trips_a_strict_reader() {
    let known = [
        "Marker.1",
        "Marker.2",
        "TimeRange.1",
        "RationalTime.1",
        "Clip.1",
        "Clip.2",
        "Track.1",
        "Sequence.1",
        "Gap.1",
        "Filler.1",
        "ExternalReference.1",
        "ImageSequenceReference.1",
    ];
    fn check(value: &Value, known: &[&str], name: &str) {
        if let Value::Object(members) = value {
            if let Some(schema) = members.get("OTIO_SCHEMA").and_then(Value::as_str) {
                assert!(known.contains(&schema), "{name}: {schema}");
            }
            for key in ["metadata", "markers", "effects", "enabled"] {
                assert!(members.get(key).is_none_or(|value| !value.is_null()), "{name}: {key}");
            }
            if let Some(length) = members.get("duration") {
                assert!(length["value"].as_f64().is_some_and(|value| value > 0.0), "{name}");
            }
            let is_clip = members.contains_key("active_media_reference_key");
            for key in ["target_url", "target_url_base", "name_prefix", "name_suffix"] {
                let text = members.get(key).and_then(Value::as_str).unwrap_or_default();
                assert!(!text.contains("localhost") && !text.starts_with("file:r"), "{text}");
                assert!(!text.contains(' ') || text.starts_with('/'), "{name}: {text}");
            }
            let text = members.get("name").and_then(Value::as_str).unwrap_or_default();
            assert!(!is_clip || !text.contains(' '), "{name}: {text}");
        }
        match value {
            Value::Array(items) => items.iter().for_each(|item| check(item, known, name)),
            Value::Object(all) => all.values().for_each(|item| check(item, known, name)),
            _ => {}
        }
    }
    for (name, bytes) in all() {
        for options in choices_for(&name) {
            for one in ours(&annotated(&bytes, &options)) {
                check(&one, &known, &name);
            }
        }
    }
}
