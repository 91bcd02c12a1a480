//! The timeline format's own library reads what we write, and we read what it writes
//! (opentimelineio 0.18.1).

use super::cut::Walked;
use super::{fixtures, options, outside, samples, stripped};
use platesmith::marks::marker_colour;
use serde_json::{Value, json};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Files to be annotated: samples where they are at hand, and our own cuts.
fn files() -> Vec<(String, Vec<u8>)> {
    let mut files: Vec<(String, Vec<u8>)> =
        samples::all().into_iter().map(|sample| (sample.name, sample.bytes)).collect();
    // A member that holds null where a list belongs, and Marker.3, are refused by 0.18.1.
    let readable = |name: &str| !name.starts_with("null") && !name.starts_with("marker 3");
    let own = fixtures::all().into_iter().filter(|(name, _)| readable(name));
    files.extend(own.filter(|(name, _)| name.ends_with("4 spaces") || !name.contains(", ")));
    files
}

fn job(folder: &Path, number: usize, name: &str, bytes: &[u8]) -> Option<Value> {
    let (marked, walked) = samples::annotated(folder, bytes, &options())?;
    let path = |kind: &str| folder.join(format!("{number}_{kind}.otio"));
    fs::write(path("original"), bytes).expect("written");
    fs::write(path("annotated"), marked).expect("written");
    Some(json!({
        "name": name,
        "rate": walked.rate.as_f64(),
        "original": path("original"),
        "annotated": path("annotated"),
        "resaved": path("resaved"),
        "original_resaved": path("original_resaved"),
        "stripped": path("stripped"),
        "uses": uses(&walked),
    }))
}

fn uses(walked: &Walked) -> Vec<Value> {
    let marked = walked.marked("/plates");
    let one = |one: &platesmith::annotate::Marked<'_>| {
        json!({
            "shot": one.finding.shot,
            "clip": one.used.clip,
            "range_in_cut": one.used.range_in_cut,
            "marker": marker_colour(one.finding.verdict).is_some(),
            "plate": one.plate.is_some() && !one.used.range_in_cut.is_empty(),
            "first_shown": one.plate.as_ref().map(|plate| plate.first_shown),
        })
    };
    marked.iter().map(one).collect()
}

fn run(python: &Path, what: &str, jobs: &Path) {
    let script = outside::project().join("tests/annotate/reads_back.py");
    let run = Command::new(python).arg(script).arg(what).arg(jobs).output().expect("python runs");
    let said = String::from_utf8_lossy(&run.stdout).into_owned();
    let why = String::from_utf8_lossy(&run.stderr).into_owned();
    assert!(run.status.success(), "{what}:\n{said}\n{why}");
}

#[test]
fn the_formats_own_library_finds_our_marks_and_what_it_saves_can_be_stripped() {
    let Some(python) = outside::python() else { return };
    let folder = tempfile::tempdir().expect("folder");
    let jobs: Vec<Value> = files()
        .iter()
        .enumerate()
        .filter_map(|(at, (name, bytes))| job(folder.path(), at, name, bytes))
        .collect();
    let list = folder.path().join("jobs.json");
    fs::write(&list, json!(jobs).to_string()).expect("written");
    run(&python, "check", &list);
    let path = |job: &Value, key: &str| PathBuf::from(job[key].as_str().expect("a path"));
    let mut compared = 0;
    for job in &jobs {
        let Ok(resaved) = fs::read(path(job, "resaved")) else { continue };
        fs::write(path(job, "stripped"), stripped(&resaved)).expect("written");
        compared += 1;
    }
    assert!(compared >= 10, "{compared} files");
    run(&python, "compare", &list);
}
