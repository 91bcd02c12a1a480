//! One test for each repaired fault, with its story in a line.

use crate::little_show;

use little_show::{Clip, LittleShow, cut_json, little_show, make_take, run, used_of_take};
use serde_json::{Value, json};
use std::path::Path;
use std::process::Command;

fn rewrite(path: &Path, change: impl FnOnce(&mut Value)) {
    let bytes = std::fs::read(path).expect("there");
    let mut json: Value = serde_json::from_slice(&bytes).expect("JSON");
    change(&mut json);
    std::fs::write(path, format!("{json:#}")).expect("written");
}

fn first_clip(cut: &mut Value) -> &mut Value {
    &mut cut["tracks"]["children"][0]["children"][0]
}

fn plates(show: &LittleShow) -> Vec<String> {
    let entries = std::fs::read_dir(show.out.join("plates")).expect("a folder of plates");
    let mut names: Vec<String> = entries
        .map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

/// A camera letter has no digit and was not read: a record served the other camera too.
#[test]
fn a_camera_letter_in_the_metadata_tells_two_records_apart() {
    let Some(show) = little_show() else { return };
    let log = "scene,slate,take,camera,rate,start,plates,boom\n\
        12,31,1,A,24,10:00:00:00,10:00:00:00-10:00:01:16,10:00:03:00-10:00:08:00\n\
        12,31,01,B,24,10:00:00:00,10:00:00:00-10:00:01:16,10:00:03:00-10:00:08:00\n";
    std::fs::write(&show.log, log).expect("written");
    for (camera, take) in [("A", "1"), ("B", "01")] {
        rewrite(&show.cut, |cut| {
            let slate = json!({"scene": "12", "slate": "31", "take": 1, "camera": camera});
            first_clip(cut)["metadata"] = json!({ "host": slate });
            first_clip(cut)["name"] = "a wide one".into();
        });
        let (_, found, err) = show.check(&["--no-picture"]);
        let found = &found["uses"][0];
        assert_eq!(found["take"]["camera"], camera, "{err}");
        assert_eq!(found["take"]["take"], take);
    }
    rewrite(&show.cut, |cut| first_clip(cut)["metadata"]["host"]["camera"] = "C".into());
    assert_eq!(show.check(&["--no-picture"]).1["uses"][0]["verdict"], "unlisted");
}

/// A range that is neither timecode nor file frames vetoed its own record: the shot was
/// taken for one in no log, and nobody was told.
#[test]
fn a_range_that_fits_no_clock_of_its_media_is_undecided_and_not_unlisted() {
    let Some(show) = little_show() else { return };
    std::fs::write(
        &show.log,
        "clip,rate,start,end,plates,boom\nA001C001,24,10:00:00:00,10:00:08:08,\
            10:00:00:00-10:00:01:16,10:00:03:00-10:00:08:00\n",
    )
    .expect("written");
    rewrite(&show.cut, |cut| {
        let clip = first_clip(cut);
        clip["source_range"]["start_time"]["value"] = 5000.0.into();
        clip["media_references"]["DEFAULT_MEDIA"]["available_range"] = Value::Null;
    });
    let (code, found, err) = show.check(&[]);
    assert_eq!((code, &found["uses"][0]["verdict"]), (1, &json!("undecided")), "{err}");
    assert_eq!(found["uses"][0]["reasons"][0]["code"], "start-timecode-disagrees");

    // The same numbers count from an available_range that is the file's own length.
    rewrite(&show.cut, |cut| {
        let clip = first_clip(cut);
        let whole = json!({"OTIO_SCHEMA": "TimeRange.1",
            "start_time": {"OTIO_SCHEMA": "RationalTime.1", "rate": 24.0, "value": 4904.0},
            "duration": {"OTIO_SCHEMA": "RationalTime.1", "rate": 24.0, "value": 200.0}});
        clip["media_references"]["DEFAULT_MEDIA"]["available_range"] = whole;
    });
    assert_eq!(show.check(&[]).1["uses"][0]["used_in_file"], json!([96, 144]));
}

/// Used frames wholly outside the logged take were judged clear when no media told better.
#[test]
fn frames_outside_the_logged_take_are_never_called_clear() {
    let Some(show) = little_show() else { return };
    let row = |clip: &str| {
        format!(
            "{clip},A001,24,10:00:10:00,10:00:20:00,10:00:10:00-10:00:12:00,10:00:12:00-10:00:20:00\n"
        )
    };
    let log = "clip,roll,rate,start,end,plates,boom\n".to_string()
        + &["A001C001", "A001C002", "A001C003"].map(row).concat();
    std::fs::write(&show.log, log).expect("written");
    let clips = ["A001C001", "A001C002", "A001C003"].map(|name| Clip {
        name,
        url: format!("{name}.mov"),
        ..used_of_take()
    });
    std::fs::write(&show.cut, cut_json("drift", &clips)).expect("written");
    let (code, found, err) = show.check(&["--no-picture"]);
    assert_eq!(code, 1);
    assert_eq!(found["totals"]["undecided"], 3, "{err}");
    let said = &found["uses"][0]["reasons"][0];
    assert_eq!((&said["code"], &said["value"]), (&json!("start-timecode-disagrees"), &json!(48)));
    assert_eq!(err.matches("Roll A001").count(), 1, "proposed once: {err}");
}

/// Media in a zip bundle were gone before the plates were made of them.
#[test]
fn plates_are_made_of_media_inside_a_zip_bundle() {
    let Some(show) = little_show() else { return };
    let bundle = show.folder.path().join("cut.otioz");
    let file = std::fs::File::create(&bundle).expect("made");
    let mut zip = zip::ZipWriter::new(file);
    let stored =
        zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    let parts = [
        ("version.txt", b"1.0.0".to_vec()),
        ("content.otio", std::fs::read(&show.cut).expect("there")),
        ("media/A001C001.mov", std::fs::read(show.media.join("A001C001.mov")).expect("there")),
    ];
    for (name, bytes) in parts {
        zip.start_file(name, stored).expect("begun");
        std::io::Write::write_all(&mut zip, &bytes).expect("written");
    }
    zip.finish().expect("whole");
    let text = |path: &Path| path.display().to_string();
    let (cut, log, out) = (text(&bundle), text(&show.log), text(&show.out));
    std::fs::remove_dir_all(&show.media).expect("the only media are in the bundle");
    let (code, _, err) = run(&["turnover", &cut, "--log", &log, "-o", &out]);
    assert_eq!(code, 0, "{err}");
    assert_eq!(plates(&show).len(), 1);
    assert!(show.out.join("annotated.otioz").is_file());
}

/// After a recut the plate of a retimed shot stayed, and its twin in record time could not
/// take its name.
#[test]
fn a_retimed_shot_that_moves_in_the_cut_takes_the_next_version() {
    let Some(show) = little_show() else { return };
    let retimed = Clip { speed: Some("2.0"), frames: 20, ..used_of_take() };
    std::fs::write(&show.cut, cut_json("one", &[retimed])).expect("written");
    let (code, err) = show.turnover(&[]);
    assert_eq!(code, 0, "{err}");
    let delivered = plates(&show);
    let bytes = |name: &String| std::fs::read(show.out.join("plates").join(name)).expect("there");
    let before: Vec<Vec<u8>> = delivered.iter().map(bytes).collect();

    rewrite(&show.cut, |cut| {
        let gap = json!({"OTIO_SCHEMA": "Gap.1", "metadata": {}, "name": "", "effects": [],
            "markers": [], "enabled": true, "source_range": {"OTIO_SCHEMA": "TimeRange.1",
                "start_time": {"OTIO_SCHEMA": "RationalTime.1", "rate": 24.0, "value": 0.0},
                "duration": {"OTIO_SCHEMA": "RationalTime.1", "rate": 24.0, "value": 12.0}}});
        let children = cut["tracks"]["children"][0]["children"].as_array_mut().expect("clips");
        children.insert(0, gap);
    });
    for _ in 0..2 {
        let (code, err) = show.turnover(&[]);
        assert_eq!(code, 0, "{err}");
        assert_eq!(plates(&show).len(), 4, "plate and twin in two versions");
    }
    assert_eq!(delivered.iter().map(bytes).collect::<Vec<_>>(), before, "never rewritten");
    let file = show.findings()["uses"][0]["plate"]["record_file"].clone();
    assert!(file.as_str().expect("a twin").ends_with("_CP01_v002_record.mov"), "{file}");
}

/// A name changed in shots.csv stood only in that list.
#[test]
fn a_name_changed_in_the_list_of_shots_reaches_every_output() {
    let Some(show) = little_show() else { return };
    assert_eq!(show.turnover(&[]).0, 0);
    let was = show.findings()["uses"][0]["shot"].as_str().expect("a name").to_string();
    let list = show.out.join("shots.csv");
    let text = std::fs::read_to_string(&list).expect("there");
    std::fs::write(&list, text.replacen(&was, "QLN 0020", 1)).expect("written");
    // Trimmed by four frames at its head on the way.
    rewrite(&show.cut, |cut| {
        let range = &mut first_clip(cut)["source_range"];
        range["start_time"]["value"] = 864_100.0.into();
        range["duration"]["value"] = 44.0.into();
    });
    assert_eq!(show.turnover(&[]).0, 0);
    let found = show.findings();
    assert_eq!(found["uses"][0]["shot"], "QLN_0020");
    assert_eq!(found["uses"][0]["plate"]["file"], "plates/QLN_0020_CP01_v001.mov");
    for name in ["shots.csv", "markers.tsv", "report.html", "annotated.otio", "pulls.csv"] {
        let text = std::fs::read_to_string(show.out.join(name)).expect("there");
        assert!(text.contains("QLN_0020"), "{name}");
    }
}

/// Media that turn out damaged while a plate is made were a fault, and the shot stayed a loop.
#[test]
fn a_shot_whose_media_break_while_its_plate_is_made_is_undecided() {
    let Some(show) = little_show() else { return };
    let take = show.media.join("A001C001.mov");
    let done = Command::new("ffmpeg")
        .args(["-v", "error", "-f", "lavfi", "-i", "testsrc2=size=96x54:rate=24", "-frames:v"])
        .args(["200", "-c:v", "libx264", "-g", "12", "-timecode", "10:00:00:00", "-y"])
        .arg(&take)
        .status()
        .expect("ffmpeg runs");
    assert!(done.success());
    let mut bytes = std::fs::read(&take).expect("there");
    let data = bytes.windows(4).position(|word| word == b"mdat").expect("media data") + 2000;
    let end = data + (bytes.len() - data) / 8;
    bytes[data..end].iter_mut().for_each(|byte| *byte = byte.wrapping_mul(7).wrapping_add(13));
    std::fs::write(&take, bytes).expect("written");
    let (code, err) = show.turnover(&[]);
    assert_eq!(code, 2, "{err}");
    let found = show.findings();
    assert_eq!(found["uses"][0]["verdict"], "undecided", "{err}");
    assert_eq!(found["uses"][0]["reasons"][0]["code"], "media-unreadable");
    assert_eq!(found["totals"]["undecided"], 1);
    assert_ne!(found["faults"], json!([]));
}

/// Results named files by where they happened to lie.
#[test]
fn results_hold_no_path_of_the_machine() {
    let Some(show) = little_show() else { return };
    for folder in ["day1", "day2"] {
        let folder = show.media.join(folder);
        std::fs::create_dir(&folder).expect("made");
        let timecode = if folder.ends_with("day1") { "10:00:00:00" } else { "10:00:00:01" };
        make_take(&folder.join("A001C001.mov"), timecode);
    }
    std::fs::remove_file(show.media.join("A001C001.mov")).expect("removed");
    rewrite(&show.cut, |cut| {
        let media = &mut first_clip(cut)["media_references"]["DEFAULT_MEDIA"];
        media["target_url"] = "A001C001.mov".into();
        media["available_range"] = Value::Null;
    });
    let log = std::fs::read_to_string(&show.log).expect("there");
    std::fs::write(&show.log, log.clone() + "9,1,A,A009,A009C009,24,10:99:00:00-,,\n").expect("ok");
    assert_eq!(show.turnover(&[]).0, 2);
    let here = show.folder.path().display().to_string();
    for name in ["findings.json", "report.html", "shots.csv", "markers.tsv", "pulls.csv"] {
        let text = std::fs::read_to_string(show.out.join(name)).expect("there");
        assert!(!text.contains(&here), "{name}");
    }
    assert_eq!(show.findings()["faults"][0]["file"], "log.csv");
}

/// With JSON on standard output, or after a hint about the report, nobody was told how many
/// uses had not been looked at.
#[test]
fn the_last_line_of_every_run_says_how_many_were_not_looked_at() {
    let Some(show) = little_show() else { return };
    let text = |path: &Path| path.display().to_string();
    let (cut, log, media, out) =
        (text(&show.cut), text(&show.log), text(&show.media), text(&show.out));
    let last = "0 of 1 uses are in no log: none was left out";
    let common = ["--log", &log, "--media", &media];
    for command in [vec!["check", &cut], vec!["turnover", &cut, "-o", &out, "--force"]] {
        let (_, printed, _) = run(&[command.as_slice(), &common].concat());
        assert_eq!(printed.lines().last(), Some(last));
        for more in ["--json", "--quiet"] {
            let (_, _, err) = run(&[command.as_slice(), &common, &[more]].concat());
            assert_eq!(err.lines().last(), Some(last), "{more}");
        }
    }
}

/// Image files on twos were opened as a sequence with every second frame missing.
#[test]
fn image_files_on_twos_stand_for_two_frames_each() {
    let Some(show) = little_show() else { return };
    let folder = show.media.join("twos");
    std::fs::create_dir(&folder).expect("made");
    let done = Command::new("ffmpeg")
        .args(["-v", "error", "-f", "lavfi", "-i", "testsrc2=size=32x18:rate=24", "-frames:v"])
        .args(["60", "-pix_fmt", "rgb24"])
        .arg(folder.join("x.%04d.png"))
        .status()
        .expect("ffmpeg runs");
    assert!(done.success());
    for at in 1..=60 {
        let to = folder.join(format!("A001C010.{:04}.png", 2 * at - 1));
        std::fs::rename(folder.join(format!("x.{at:04}.png")), to).expect("renamed");
    }
    std::fs::write(&show.log, "clip,rate,plates,boom\nA001C010,24,#0-#10,#15-#110\n").expect("ok");
    rewrite(&show.cut, |cut| {
        let clip = first_clip(cut);
        clip["name"] = "A001C010".into();
        clip["source_range"]["start_time"]["value"] = 20.0.into();
        let available = json!({"OTIO_SCHEMA": "TimeRange.1",
            "start_time": {"OTIO_SCHEMA": "RationalTime.1", "rate": 24.0, "value": 0.0},
            "duration": {"OTIO_SCHEMA": "RationalTime.1", "rate": 24.0, "value": 120.0}});
        clip["media_references"]["DEFAULT_MEDIA"] = json!({
            "OTIO_SCHEMA": "ImageSequenceReference.1", "metadata": {}, "name": "",
            "available_range": available, "target_url_base": "media/twos/",
            "name_prefix": "A001C010.", "name_suffix": ".png", "start_frame": 1,
            "frame_step": 2, "rate": 24.0, "frame_zero_padding": 4,
            "missing_frame_policy": "error"});
    });
    let (code, found, err) = show.check(&[]);
    assert_eq!(code, 0, "{err}");
    let found = &found["uses"][0];
    assert_eq!((&found["verdict"], &found["used_in_file"]), (&json!("loop"), &json!([20, 68])));
    assert_eq!(found["used_in_take"], json!([20, 68]));
    assert_eq!(found["media"]["rate"], "24");
}
