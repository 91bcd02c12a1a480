//! One test for each repaired fault, with its story in a line.

use crate::little_show;

use little_show::{Clip, Images, LOG, cut_json, little_show, make_take, run, used_of_take};
use serde_json::Value;
use std::process::Command;

fn reasons(finding: &Value) -> Vec<(String, String)> {
    let text = |reason: &Value, key: &str| reason[key].as_str().unwrap_or_default().to_string();
    let all = finding["reasons"].as_array().expect("reasons");
    all.iter().map(|reason| (text(reason, "code"), text(reason, "text"))).collect()
}

/// A URL with "u" and a combining diaeresis did not find the file with "ü" in its name.
#[test]
fn an_umlaut_in_two_letters_names_the_same_file() {
    let Some(show) = little_show() else { return };
    std::fs::rename(show.media.join("A001C001.mov"), show.media.join("M\u{fc}hle 1.mov"))
        .expect("renamed");
    let url = "file:///Volumes/RAID/Mu%CC%88hle%201.mov".to_string();
    std::fs::write(&show.cut, cut_json("umlaut", &[Clip { url, ..used_of_take() }]))
        .expect("written");
    let (code, found, err) = show.check(&[]);
    assert_eq!((code, found["uses"][0]["verdict"].as_str()), (0, Some("loop")), "{err}");
}

/// Two takes of one name in folders of their own were not told apart when the volume was
/// mounted elsewhere.
#[test]
fn the_folders_in_a_url_tell_equally_named_files_apart() {
    let Some(show) = little_show() else { return };
    for (day, timecode) in [("day 1", "01:00:00:00"), ("day 2", "02:00:00:00")] {
        let folder = show.media.join(day);
        std::fs::create_dir(&folder).expect("made");
        make_take(&folder.join("take.mov"), timecode);
    }
    let log = LOG.replace(",A001C001,", ",take,").replace("10:00:0", "02:00:0");
    std::fs::write(&show.log, log).expect("written");
    let cut = |url: &str| {
        let clip = Clip {
            name: "take",
            url: url.into(),
            start: 96,
            available: Some((0, 200)),
            ..used_of_take()
        };
        std::fs::write(&show.cut, cut_json("two days", &[clip])).expect("written");
    };
    cut("file:///Volumes/OLD/day%202/take.mov");
    let (_, found, err) = show.check(&[]);
    assert_eq!(found["uses"][0]["media"]["start_timecode"], "02:00:00:00", "{err}");
    cut("file:///Volumes/OLD/day%203/take.mov");
    let (_, found, _) = show.check(&[]);
    assert_eq!(found["uses"][0]["verdict"], "undecided", "no folder is the same: not guessed");
}

/// Without handles, a use that begins off the whole frames of the cut got no plate clip and
/// a fault that said "render the plate again".
#[test]
fn a_use_off_the_frames_of_the_cut_is_laid_without_handles() {
    let Some(show) = little_show() else { return };
    let before = Clip {
        name: "B009C001",
        rate: "25.0",
        frames: 10,
        start: 0,
        available: None,
        url: "media/B009C001.mov".into(),
        ..used_of_take()
    };
    std::fs::write(&show.cut, cut_json("off", &[before, used_of_take()])).expect("written");
    let (code, err) = show.turnover(&["--handles", "0", "--cut-rate", "24"]);
    assert_eq!(code, 0, "{err}");
    let found = &show.findings()["uses"][1];
    // 10 frames at 25 are 9.6 of the cut.
    assert_eq!(found["range_in_cut"], serde_json::json!([9, 58]));
    let annotated = std::fs::read_to_string(show.out.join("annotated.otio")).expect("there");
    let annotated: Value = serde_json::from_str(&annotated).expect("JSON");
    let plates = &annotated["tracks"]["children"][1]["children"];
    let clip = plates.as_array().and_then(|clips| clips.last()).expect("a plate clip");
    assert_eq!(clip["source_range"]["duration"]["value"], 49.0);
}

/// Handle frames before the take's first frame were said to lie outside its lock-off.
#[test]
fn frames_that_were_never_recorded_are_outside_no_lock_off() {
    let Some(show) = little_show() else { return };
    let log = LOG.replace("10:00:03:00-10:00:08:00", "10:00:03:00-10:00:08:08");
    std::fs::write(&show.log, log).expect("written");
    let (code, found, err) = show.check(&["--handles", "0:100"]);
    assert_eq!(code, 1, "{err}");
    let reasons = reasons(&found["uses"][0]);
    assert!(!reasons.iter().any(|(code, _)| code == "outside-lock-off"), "{reasons:?}");
    // 200 frames from 10:00:00:00; the use ends at frame 144.
    let short = "The tail handle lacks 44 frames: the take ends at 10:00:08:08.";
    assert!(reasons.contains(&("handles-short".into(), short.into())), "{reasons:?}");
}

/// The table said "handles short 44 frames, limit 0", which asks what the limit is for.
#[test]
fn a_limit_of_nothing_is_not_said() {
    let Some(show) = little_show() else { return };
    let text = |path: &std::path::Path| path.display().to_string();
    let (cut, log, media) = (text(&show.cut), text(&show.log), text(&show.media));
    let args = ["check", &cut, "--log", &log, "--media", &media, "--handles", "0:100"];
    let (_, table, _) = run(&args);
    assert!(table.contains("handles short 44") && !table.contains("limit 0"), "{table}");
}

/// `--explain` knew only names the table shows, and a use in no log is not in the table.
#[test]
fn a_use_in_no_log_is_explained_by_its_clip_name() {
    let Some(show) = little_show() else { return };
    std::fs::write(&show.log, "scene,take,clip\n12,3,B009C001\n").expect("written");
    let text = |path: &std::path::Path| path.display().to_string();
    let (cut, log) = (text(&show.cut), text(&show.log));
    let (code, said, err) = run(&["check", &cut, "--log", &log, "--explain", "A001C001"]);
    assert_eq!(code, 0, "{err}");
    assert!(said.contains("NOT IN LOG"), "{said}");
    let (code, _, err) = run(&["check", &cut, "--log", &log, "--explain", "A001C009"]);
    assert_eq!(code, 2);
    assert!(err.contains("no shot and no clip is called \"A001C009\""), "{err}");
}

/// An output folder that is a file was refused with the words of the operating system.
#[test]
fn an_output_folder_that_is_a_file_is_named_as_such() {
    let Some(mut show) = little_show() else { return };
    show.out = show.log.clone();
    let (code, err) = show.turnover(&[]);
    assert_eq!(code, 2);
    assert!(err.contains("this is a file, and what comes back needs a folder"), "{err}");
    assert_eq!(std::fs::read_to_string(&show.log).expect("there"), LOG);
}

/// A log that names an image sequence by one of its files matched no use of it.
#[test]
fn a_log_may_name_image_files_by_one_of_them_or_a_pattern() {
    let Some(show) = little_show() else { return };
    let folder = show.media.join("images");
    std::fs::create_dir(&folder).expect("made");
    let files = folder.join("mill.%04d.dpx");
    let done = Command::new("ffmpeg")
        .args(["-v", "error", "-f", "lavfi", "-i", "testsrc2=s=32x18", "-frames:v", "20"])
        .args(["-start_number", "1001"])
        .arg(files)
        .status();
    assert!(done.is_ok_and(|status| status.success()));
    let clip = Clip {
        name: "wide",
        url: format!("file://{}", folder.display()),
        start: 1013,
        frames: 4,
        available: Some((1001, 20)),
        images: Some(Images { prefix: "mill.", suffix: ".dpx", first: 1001, padding: 4 }),
        ..used_of_take()
    };
    std::fs::write(&show.cut, cut_json("images", &[clip])).expect("written");
    for name in ["mill.1001.dpx", "mill.####.dpx", "mill.%04d.dpx", "mill.[1001-1020].dpx"] {
        let log = format!("take,media,rate,plates,boom\n1,{name},24,#0-#10,#12-#17\n");
        std::fs::write(&show.log, log).expect("written");
        let (_, found, err) = show.check(&[]);
        assert_eq!(found["uses"][0]["verdict"], "loop", "{name}: {err} {}", found["uses"][0]);
    }
}

/// Media renamed beyond recognition were not found, though the cut states start and length; so
/// does a log with start and end.
#[test]
fn renamed_media_are_found_by_start_and_length_and_said() {
    let Some(show) = little_show() else { return };
    std::fs::rename(show.media.join("A001C001.mov"), show.media.join("shot_020.mov"))
        .expect("renamed");
    let lines: Vec<&str> = LOG.lines().collect();
    let noted = format!("{},start,end\n{},10:00:00:00,10:00:08:08\n", lines[0], lines[1]);
    for (available, log) in [(used_of_take().available, LOG), (None, noted.as_str())] {
        std::fs::write(&show.log, log).expect("written");
        let cut = cut_json("renamed", &[Clip { available, ..used_of_take() }]);
        std::fs::write(&show.cut, cut).expect("written");
        let (code, found, err) = show.check(&["--no-picture"]);
        assert!(code < 2, "{err}");
        assert_eq!(found["uses"][0]["media"], Value::Null, "no picture, no media");
        let (code, found, err) = show.check(&[]);
        let found = &found["uses"][0];
        assert!(code < 2, "{err}");
        assert_eq!(found["verdict"], "loop", "{err} {found}");
        assert_eq!(found["media"]["file"], "shot_020.mov");
        let said = reasons(found);
        let said = said.iter().find(|(code, _)| code == "media-missing").expect("it is said");
        assert!(said.1.contains("shot_020.mov was taken"), "{}", said.1);
    }
}
