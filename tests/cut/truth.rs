//! The walk against answers that were computed elsewhere: the reference material's exact
//! fractions, an independent walk in Python, and the format's own library.

use crate::outside;

use platesmith::settings::ReverseAnchor;
use platesmith::time::{Exact, ceil, exact_text, floor};
use platesmith::timeline::{BundleKind, Cut, ReadOptions, Speed, Use, read_cut};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

fn read(path: &Path) -> Cut {
    read_cut(path, &ReadOptions::default()).unwrap_or_else(|faults| panic!("{faults}"))
}

fn by_pointer(cut: &Cut) -> BTreeMap<&str, &Use> {
    cut.uses.iter().map(|used| (used.pointer.as_str(), used)).collect()
}

fn json(path: &Path) -> Value {
    let bytes = std::fs::read(path).expect("readable");
    serde_json::from_slice(&bytes).expect("JSON")
}

fn fraction(value: &Value) -> Exact {
    value.as_str().and_then(|text| text.parse().ok()).unwrap_or_else(|| panic!("{value}"))
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).expect("a folder");
    let mut files: Vec<PathBuf> = entries.map(|entry| entry.expect("an entry").path()).collect();
    files.sort();
    files
}

#[test]
fn every_sample_comes_back_byte_for_byte() {
    let Some(samples) = outside::shared("otio/samples") else { return };
    let options = ReadOptions::default();
    let mut read = 0;
    for path in files(&samples).iter().filter(|path| path.is_file()) {
        let Ok(cut) = read_cut(path, &options) else {
            assert_eq!(path.file_name().unwrap(), "edge_rationaltime_root.otio");
            continue;
        };
        if cut.kind() == BundleKind::Plain {
            assert_eq!(cut.document.write(), std::fs::read(path).unwrap(), "{}", path.display());
            read += 1;
        }
    }
    assert!(read >= 20, "{read} samples were read");
}

/// The truth files take tracks of edit lists literally and do not apply speeds of nests;
/// both are checked apart.
#[test]
fn every_clip_lies_where_the_truth_says() {
    let Some(truth) = outside::shared("otio/truth") else { return };
    let (mut compared, mut absent) = (0, 0);
    for path in files(&truth) {
        let name = path.file_name().unwrap().to_string_lossy().replace(".truth.json", "");
        if name.starts_with("screening_example") {
            continue;
        }
        let cut = read(&path.with_file_name("../samples").join(&name));
        assert!(cut.faults.is_empty(), "{name}: {:?}", cut.faults);
        let uses = by_pointer(&cut);
        let clips = json(&path);
        for clip in clips.as_array().unwrap() {
            let pointer = clip["path"].as_str().unwrap();
            let pointer = pointer.trim_start_matches('$').replace('[', "/").replace(']', "");
            let said = format!("{name} {pointer}");
            if clip["enabled_effective"] == false || !is_picture(&cut, &pointer) {
                assert!(!uses.contains_key(pointer.as_str()), "{said}");
                absent += 1;
                continue;
            }
            let used = uses.get(pointer.as_str()).unwrap_or_else(|| panic!("{said} is no use"));
            assert_eq!(used.clip, clip["name"].as_str().unwrap(), "{said}");
            if !clip["retimed_ancestors"].as_array().unwrap().is_empty() {
                continue;
            }
            let record = [&used.record.start, &used.record.end];
            let visible = [&used.visible.start, &used.visible.end];
            for at in [0, 1] {
                assert_eq!(*record[at], fraction(&clip["program_cut_s"][at]), "{said}");
                assert_eq!(*visible[at], fraction(&clip["program_visible_s"][at]), "{said}");
            }
            let frames = &clip["media_visible_frames"];
            let frames = (floor(&fraction(&frames[0])), ceil(&fraction(&frames[1])));
            assert_eq!(used.used_in_clip.map(Into::into), Some(frames), "{said}");
            assert_eq!(used.clip_rate.to_string(), clip["rate"].as_str().unwrap(), "{said}");
            compared += 1;
        }
        assert_eq!(
            uses.len(),
            clips
                .as_array()
                .unwrap()
                .iter()
                .filter(|clip| {
                    let pointer = clip["path"].as_str().unwrap().trim_start_matches('$');
                    uses.contains_key(pointer.replace('[', "/").replace(']', "").as_str())
                })
                .count(),
            "{name} has uses that the truth does not know"
        );
    }
    assert!(compared > 50 && absent > 10, "{compared} compared, {absent} absent");
}

/// Tells whether a clip is on a picture track and no generator, by the file alone.
fn is_picture(cut: &Cut, pointer: &str) -> bool {
    let text = |pointer: &str| {
        let found = cut.document.at(pointer).and_then(|node| node.text());
        found.map_or(String::new(), |text| text.into_owned())
    };
    let track = pointer.split('/').nth(3).unwrap_or_default();
    let reference = ["media_reference", "media_references/DEFAULT_MEDIA"]
        .map(|key| text(&format!("{pointer}/{key}/OTIO_SCHEMA")));
    text(&format!("/tracks/children/{track}/kind")) != "Audio"
        && !reference.iter().any(|schema| schema.starts_with("Generator"))
}

#[test]
fn a_track_of_an_edit_list_is_not_trimmed() {
    let Some(samples) = outside::shared("otio/samples") else { return };
    for name in ["screening_example.otio", "screening_example_marker3.otio"] {
        let cut = read(&samples.join(name));
        // Lengths as the file has them, one after the other from record 86243 = 00:59:53:11.
        let lengths = [31, 50, 28, 115, 101, 161, 170, 136, 257];
        let starts = [86501, 86557, 86601, 86641, 86753, 86501, 86628, 86722, 86501];
        let mut at = 0;
        for ((used, length), start) in cut.uses.iter().zip(lengths).zip(starts) {
            assert_eq!((used.range_in_cut.start.0, used.range_in_cut.end.0), (at, at + length));
            assert_eq!(used.used_in_clip.map(Into::into), Some((start, start + length)));
            at += length;
        }
        assert_eq!((cut.uses.len(), cut.frames), (9, 1049));
        assert_eq!(cut.start_timecode.as_deref(), Some("00:59:53:11"));
    }
}

#[test]
fn speeds_of_nests_are_applied() {
    let Some(samples) = outside::shared("otio/samples") else { return };
    let cut = read(&samples.join("nested_example.otio"));
    let uses = by_pointer(&cut);
    // A stack of 29 frames at 0.8545454551724138 over a clip of 24: 24 / 0.8545... = 28.08.
    let slow = uses["/tracks/children/0/children/3/children/0"];
    assert_eq!(slow.range_in_cut, (302, 331).into());
    assert_eq!(slow.used_in_clip, Some((429, 453).into()));
    // A track of 4 frames that holds the frame at its start.
    let held = uses["/tracks/children/0/children/5/children/0"];
    assert_eq!((held.range_in_cut, &held.speed), ((394, 398).into(), &Speed::Freeze));
    assert_eq!(held.used_in_clip, Some((471, 472).into()));
}

/// Makes timelines and their answers with the Python beside this file.
fn random_timelines(count: usize, seed: usize) -> Option<tempfile::TempDir> {
    if !outside::has_program_version("python3") {
        return None;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let script = outside::project().join("tests/oracle/exact_walk.py");
    let run = Command::new("python3")
        .arg(script)
        .arg(folder.path())
        .args([count.to_string(), seed.to_string()])
        .output()
        .expect("python3 runs");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    Some(folder)
}

#[test]
fn random_timelines_are_walked_as_python_fractions_walk_them() {
    // More, or others, on request: PLATESMITH_WALKS=3000 PLATESMITH_SEED=5.
    let number = |name: &str| std::env::var(name).ok().and_then(|text| text.parse().ok());
    let (count, seed) =
        (number("PLATESMITH_WALKS").unwrap_or(300), number("PLATESMITH_SEED").unwrap_or(1));
    let Some(folder) = random_timelines(count, seed) else { return };
    let (mut compared, mut retimed) = (0, 0);
    for number in 0..count {
        let clips = compare_walk(&folder.path().join(format!("{number}.otio")));
        compared += clips.len();
        retimed += clips.iter().filter(|clip| clip["speed"] != "1").count();
    }
    assert!(compared > 3 * count && retimed > count, "{compared} compared, {retimed} retimed");
}

/// The same on timelines that lie in the project, for where there is no Python.
#[test]
fn stored_timelines_are_walked_as_python_fractions_walk_them() {
    let folder = outside::project().join("tests/timelines");
    let all = files(&folder);
    let timelines = all.iter().filter(|path| path.extension() == Some("otio".as_ref()));
    let compared: usize = timelines.map(|path| compare_walk(path).len()).sum();
    assert!(compared > 25, "{compared} compared");
}

/// Compares the uses of a timeline with the answers beside it, and returns these.
fn compare_walk(path: &Path) -> Vec<Value> {
    let truth = json(&path.with_extension("json"));
    let name = path.display().to_string();
    let cut = read(path);
    assert_eq!(cut.document.write(), std::fs::read(path).unwrap(), "{name}");
    assert!(cut.faults.is_empty(), "{name}: {:?}", cut.faults);
    let Some(expected) = truth["uses"].as_array() else { return Vec::new() };
    assert_eq!(cut.rate.to_string(), truth["rate"].as_str().unwrap(), "{name}");
    let uses = by_pointer(&cut);
    let pointer = |clip: &Value| clip["pointer"].as_str().unwrap().to_string();
    let mut pointers: Vec<String> = expected.iter().map(pointer).collect();
    pointers.sort();
    assert_eq!(uses.keys().copied().collect::<Vec<_>>(), pointers, "{name}");
    for clip in expected {
        compare(uses[pointer(clip).as_str()], clip, &format!("{name} {}", pointer(clip)));
    }
    expected.clone()
}

fn compare(used: &Use, clip: &Value, said: &str) {
    let speed = match &used.speed {
        Speed::Constant(speed) => exact_text(speed),
        Speed::Freeze => "freeze".into(),
        Speed::Unknown(why) => panic!("{said}: {why}"),
    };
    assert_eq!(speed, clip["speed"].as_str().unwrap(), "{said}");
    assert_eq!(used.clip_rate.to_string(), clip["rate"].as_str().unwrap(), "{said}");
    for (span, key) in [(&used.record, "record"), (&used.visible, "visible")] {
        assert_eq!(span.start, fraction(&clip[key][0]), "{said} {key}");
        assert_eq!(span.end, fraction(&clip[key][1]), "{said} {key}");
    }
    let range = |key: &str| (clip[key][0].as_i64().unwrap(), clip[key][1].as_i64().unwrap());
    assert_eq!(used.used_in_clip.map(Into::into), Some(range("used")), "{said}");
    assert_eq!(used.rendered_in_clip.map(Into::into), Some(range("rendered")), "{said}");
    assert_eq!(used.range_in_cut, range("range_in_cut").into(), "{said}");
}

#[test]
fn the_other_reading_of_a_reverse_clip_is_rendered_on_request() {
    let Some(folder) = random_timelines(40, 7000) else { return };
    let options = ReadOptions { reverse_anchor: ReverseAnchor::End, ..ReadOptions::default() };
    let mut reversed = 0;
    for number in 0..40 {
        let path = folder.path().join(format!("{number}.otio"));
        let end = read_cut(&path, &options).unwrap();
        let start = read(&path);
        for used in &end.uses {
            let pointers = by_pointer(&start);
            let Some(twin) = pointers.get(used.pointer.as_str()) else { continue };
            assert_eq!(used.used_in_clip, twin.used_in_clip, "the union is the same");
            let (Some(all), Some(shown)) = (used.used_in_clip, used.rendered_in_clip) else {
                continue;
            };
            assert!(all.contains(shown));
            reversed += usize::from(used.rendered_in_clip != twin.rendered_in_clip);
        }
    }
    assert!(reversed > 5, "{reversed} clips differ");
}

/// Positions on plain tracks, by `range_in_parent` of the timeline library (0.18.1).
#[test]
fn the_timeline_library_opens_the_same_files_and_agrees_on_positions() {
    let Some(python) = outside::python() else { return };
    let Some(folder) = random_timelines(60, 500) else { return };
    let paths: Vec<PathBuf> = files(folder.path())
        .into_iter()
        .filter(|path| path.extension() == Some("otio".as_ref()))
        .collect();
    let script = outside::project().join("tests/oracle/library_ranges.py");
    let run = Command::new(python).arg(script).args(&paths).output().expect("python runs");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let mut compared = 0;
    for line in String::from_utf8(run.stdout).unwrap().lines() {
        let answer: Value = serde_json::from_str(line).unwrap();
        let cut = read(answer["path"].as_str().unwrap().as_ref());
        let uses = by_pointer(&cut);
        for clip in answer["clips"].as_array().unwrap() {
            let pointer = clip[0].as_str().unwrap();
            let Some(used) = uses.get(pointer) else { continue };
            let track: String = pointer.split('/').take(4).collect::<Vec<_>>().join("/");
            let trimmed = [&track, "/tracks"].iter().any(|nest| {
                let range = cut.document.at(&format!("{nest}/source_range"));
                range.is_some_and(|range| !range.is_null())
            });
            if trimmed {
                continue;
            }
            for (ours, theirs) in [
                (&used.record.start, &clip[1]),
                (&(&used.record.end - &used.record.start), &clip[2]),
            ] {
                let ours = num_traits::ToPrimitive::to_f64(ours).unwrap();
                let theirs = theirs.as_f64().unwrap();
                // The library keeps 23.976 and 29.97 as they are written, 1e-6 off.
                assert!(
                    (ours - theirs).abs() < 1e-6 * (1.0 + theirs.abs()),
                    "{pointer}: {ours} {theirs}"
                );
            }
            compared += 1;
        }
    }
    assert!(compared > 80, "{compared} compared");
}
