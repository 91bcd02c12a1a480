//! Every timeline a turnover writes keeps to what programs that read it can take.

use crate::little_show;
use crate::outside;

use little_show::{Clip, cut_json, little_show, used_of_take};
use std::path::{Path, PathBuf};
use std::process::Command;

fn lint(python: &Path, words: &[PathBuf]) -> String {
    let script = outside::project().join("tests/rules/lint.py");
    let ran = Command::new(python).arg(script).args(words).output().expect("python runs");
    let said = String::from_utf8_lossy(&ran.stdout);
    let more = String::from_utf8_lossy(&ran.stderr).into_owned();
    assert!(ran.status.success(), "{said}\n{more}");
    more
}

/// One clip as shot, one slowed down, and one without a boom.
#[test]
fn the_timelines_of_a_turnover_keep_the_rules_and_one_of_them_begins_at_zero() {
    let (Some(python), Some(show)) = (outside::python(), little_show()) else { return };
    let start = used_of_take().start;
    let clips = [
        Clip { frames: 20, ..used_of_take() },
        Clip { frames: 20, start: start + 30, speed: Some("0.5"), ..used_of_take() },
        Clip { frames: 10, start: start - 96, ..used_of_take() },
    ];
    std::fs::write(&show.cut, cut_json("rules", &clips)).expect("written");
    let more = ["--with-temp", "--zero-based", "--no-review", "--handles", "2"];
    let (code, err) = show.turnover(&more);
    assert!(code < 2, "{err}");
    let out = |name: &str| show.out.join(name);
    let names = ["annotated.otio", "annotated_zero.otio", "temp_cut.otio", "temp_cut_zero.otio"];
    let [marked, zero, temp, temp_zero] = names.map(out);
    lint(&python, &[marked.clone(), zero.clone(), temp.clone(), temp_zero.clone()]);
    lint(&python, &["--zero".into(), show.cut.clone(), marked, zero.clone()]);
    lint(&python, &["--zero".into(), show.cut.clone(), temp.clone(), temp_zero]);
    let swapped = lint(&python, &["--swapped".into(), show.cut.clone(), temp]);
    assert!(swapped.contains("2 temp comps"), "{swapped}");
    // Our marks come out of the twin, too.
    let clean = out("clean.otio");
    let (zero, clean) = (zero.display().to_string(), clean.display().to_string());
    assert_eq!(little_show::run(&["strip", &zero, "-o", &clean]).0, 0);
    let text = std::fs::read_to_string(&clean).expect("there");
    assert!(!text.contains("platesmith") && text.contains("LinearTimeWarp"));
}

/// Where the timeline does not say where its media begin, the media do.
#[test]
fn media_that_the_timeline_says_nothing_about_begin_at_zero_too() {
    let Some(show) = little_show() else { return };
    let clip = Clip { available: None, ..used_of_take() };
    let lost = Clip { name: "B009C009", url: "media/B009C009.mov".into(), ..used_of_take() };
    let lost = Clip { available: None, ..lost };
    std::fs::write(&show.cut, cut_json("rules", &[clip, lost])).expect("written");
    let (code, err) = show.turnover(&["--zero-based", "--no-review"]);
    assert!(code < 2, "{err}");
    assert!(err.contains("1 clips keep their times") && err.contains("children/1"), "{err}");
    let bytes = std::fs::read(show.out.join("annotated_zero.otio")).expect("there");
    let zero: serde_json::Value = serde_json::from_slice(&bytes).expect("JSON");
    let start = |at: usize| {
        let pointer = format!("/tracks/children/0/children/{at}/source_range/start_time/value");
        zero.pointer(&pointer).and_then(serde_json::Value::as_f64)
    };
    // The take's timecode is 10:00:00:00.
    assert_eq!((start(0), start(1)), (Some(96.0), Some(used_of_take().start as f64)));
}
