//! The whole job on a small show: judged, rendered, annotated, handed back.
//! Frames are compared by `ffmpeg -f framemd5`.

mod little_show;
mod outside;

use little_show::{Clip, cut_json, little_show, run, used_of_take};
use std::path::Path;
use std::process::Command;

/// Checksums of all frames as ffmpeg decodes them.
fn frame_checksums(media: &Path) -> Vec<String> {
    let done = Command::new("ffmpeg")
        .args(["-v", "error", "-i"])
        .arg(media)
        .args(["-map", "0:v", "-f", "framemd5", "-"])
        .output()
        .expect("ffmpeg runs");
    let text = String::from_utf8(done.stdout).expect("framemd5 is text");
    text.lines()
        .filter(|line| !line.starts_with('#'))
        .filter_map(|line| line.rsplit(',').next())
        .map(|sum| sum.trim().to_string())
        .collect()
}

/// Returns the file frames a map names, one for each plate frame.
fn frames_of(map: &serde_json::Value) -> Vec<usize> {
    let mut frames = Vec::new();
    for run in map.as_array().expect("runs") {
        let [first, last, step] = [0, 1, 2].map(|at| run[at].as_i64().expect("a frame"));
        let mut frame = first;
        loop {
            frames.push(frame as usize);
            if frame == last {
                break;
            }
            frame += step;
        }
    }
    frames
}

#[test]
fn a_short_plate_is_looped_over_need_and_every_frame_is_the_one_the_map_names() {
    let Some(show) = little_show() else { return };
    let (code, err) = show.turnover(&[]);
    assert_eq!(code, 0, "{err}");
    let findings = show.findings();
    let found = &findings["uses"][0];
    assert_eq!(found["verdict"], "loop");
    assert_eq!(found["used_in_take"], serde_json::json!([864_096, 864_144]));
    assert_eq!(found["need_in_take"], serde_json::json!([864_088, 864_152]));
    assert_eq!(found["used_in_file"], serde_json::json!([96, 144]));
    let plate = &found["plate"];
    assert_eq!(plate["method"], "copy");
    assert_eq!(plate["map"], serde_json::json!([[0, 39, 1], [39, 16, -1]]));
    assert_eq!(plate["passes"], 2);

    let file = show.out.join(plate["file"].as_str().expect("a plate file"));
    let source = frame_checksums(&show.media.join("A001C001.mov"));
    let made = frame_checksums(&file);
    let wanted: Vec<String> =
        frames_of(&plate["map"]).iter().map(|at| source[*at].clone()).collect();
    assert_eq!(made.len(), 64);
    assert_eq!(made, wanted);
    assert_eq!(timecode(&file), "10:00:03:16", "the take's at need's first frame");
}

/// Timecode as ffprobe reads it.
fn timecode(media: &Path) -> String {
    let done = Command::new("ffprobe")
        .args(["-v", "error", "-select_streams", "v", "-show_entries", "stream_tags=timecode"])
        .args(["-of", "default=nw=1:nk=1"])
        .arg(media)
        .output()
        .expect("ffprobe runs");
    String::from_utf8_lossy(&done.stdout).trim().to_string()
}

#[test]
fn running_again_changes_nothing_and_strip_gives_the_cut_back() {
    let Some(show) = little_show() else { return };
    assert_eq!(show.turnover(&[]).0, 0);
    let first = contents(&show.out);
    assert_eq!(show.turnover(&[]).0, 0);
    assert_eq!(contents(&show.out), first);
    let stripped = show.folder.path().join("stripped.otio");
    let annotated = show.out.join("annotated.otio");
    let (code, _, err) =
        run(&["strip", &annotated.display().to_string(), "-o", &stripped.display().to_string()]);
    assert_eq!(code, 0, "{err}");
    assert_eq!(std::fs::read(stripped).expect("written"), std::fs::read(&show.cut).expect("there"));
}

/// Names and bytes of all files below a folder, in order.
fn contents(folder: &Path) -> Vec<(String, Vec<u8>)> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
            } else {
                found.push((path.display().to_string(), std::fs::read(&path).expect("a file")));
            }
        }
    }
    found.sort();
    found
}

#[test]
fn two_turnovers_into_different_folders_hold_the_same_bytes() {
    let Some(show) = little_show() else { return };
    assert_eq!(show.turnover(&[]).0, 0);
    let mut other = little_show().expect("ffmpeg is there");
    other.out = other.folder.path().join("elsewhere");
    assert_eq!(other.turnover(&[]).0, 0);
    for name in ["findings.json", "pulls.csv", "markers.tsv", "shots.csv", "report.html"] {
        let read =
            |show: &little_show::LittleShow| std::fs::read(show.out.join(name)).expect("there");
        assert!(read(&show) == read(&other), "{name} differs");
    }
    let plate = show.findings()["uses"][0]["plate"]["file"].as_str().expect("a plate").to_string();
    let read =
        |show: &little_show::LittleShow| std::fs::read(show.out.join(&plate)).expect("there");
    assert!(read(&show) == read(&other), "the plate differs");
}

#[test]
fn without_pictures_the_log_alone_decides_and_nothing_is_rendered() {
    let Some(show) = little_show() else { return };
    let (code, findings, _) = show.check(&["--no-picture"]);
    assert_eq!(code, 0);
    assert_eq!(findings["uses"][0]["verdict"], "loop");
    assert_eq!(findings["uses"][0]["basis"], "claim");
    assert_eq!(findings["uses"][0]["media"], serde_json::Value::Null);
    assert_eq!(show.turnover(&["--no-picture"]).0, 0);
    assert!(show.out.join("annotated.otio").exists() && !show.out.join("plates").exists());
}

#[test]
fn a_retimed_use_gets_its_plate_in_record_time_too() {
    let Some(show) = little_show() else { return };
    let slow = Clip { speed: Some("0.5"), ..used_of_take() };
    std::fs::write(&show.cut, cut_json("retimed", &[slow])).expect("written");
    let (code, err) = show.turnover(&[]);
    assert_eq!(code, 0, "{err}");
    let findings = show.findings();
    let found = &findings["uses"][0];
    // 48 record frames at half speed show 24 frames; 8 handles of the cut are 4 of the take.
    assert_eq!(found["used_in_file"], serde_json::json!([96, 120]));
    assert_eq!(found["need_in_file"], serde_json::json!([92, 124]));
    assert_eq!(found["verdict"], "plate");
    let record = show.out.join(found["plate"]["record_file"].as_str().expect("a twin"));
    let source = frame_checksums(&show.media.join("A001C001.mov"));
    let wanted: Vec<String> = (0..48).map(|k| source[4 + k / 2].clone()).collect();
    assert_eq!(frame_checksums(&record), wanted);
}

#[test]
fn a_use_without_record_is_counted_and_touches_no_exit_code() {
    let Some(show) = little_show() else { return };
    std::fs::write(&show.log, "scene,take,clip\n12,3,B009C001\n").expect("written");
    let (code, findings, _) = show.check(&[]);
    assert_eq!(code, 0);
    assert_eq!(findings["uses"][0]["verdict"], "unlisted");
    assert_eq!(findings["totals"]["unlisted"], 1);
    assert_eq!(findings["unused_records"].as_array().map(Vec::len), Some(1));
    let args = ["check", &show.cut.display().to_string(), "--log", &show.log.display().to_string()];
    let (_, table, _) = run(&args);
    assert_eq!(table.lines().last(), Some("1 of 1 use is in no log and was not looked at"));
}

#[test]
fn uses_without_record_are_looked_at_if_that_is_asked_for() {
    let Some(show) = little_show() else { return };
    std::fs::write(&show.log, "scene,take,clip\n12,3,B009C001\n").expect("written");
    let (code, findings, err) = show.check(&["--all"]);
    assert_eq!((code, &findings["uses"][0]["verdict"]), (1, &"undecided".into()), "{err}");
    let reason = &findings["uses"][0]["reasons"][0];
    assert_eq!((&reason["code"], &reason["value"]), (&"boom-without-log".into(), &48.into()));
    // The boom comes in at frame 72 of the take: before that there is nothing to see.
    let early = Clip { start: used_of_take().start - 96, ..used_of_take() };
    std::fs::write(&show.cut, cut_json("early", &[early])).expect("written");
    let (code, findings, err) = show.check(&["--all"]);
    assert_eq!((code, &findings["uses"][0]["verdict"]), (0, &"unlisted".into()), "{err}");
    let last = "1 of 1 use is in no log; no boom was seen in the 1 looked at";
    assert_eq!(err.lines().last(), Some(last));
    // What cannot be looked at is counted, and no fault: nobody has logged it.
    std::fs::remove_file(show.media.join("A001C001.mov")).expect("removed");
    let (code, _, err) = show.check(&["--all"]);
    assert_eq!(code, 0);
    assert_eq!(err.lines().last(), Some("1 of 1 use is in no log and was not looked at"));
}

#[test]
fn media_that_are_not_found_leave_a_use_undecided() {
    let Some(show) = little_show() else { return };
    std::fs::remove_file(show.media.join("A001C001.mov")).expect("removed");
    let (code, findings, _) = show.check(&[]);
    assert_eq!((code, findings["uses"][0]["verdict"].as_str()), (1, Some("undecided")));
    assert_eq!(findings["uses"][0]["reasons"][0]["code"], "media-missing");
}

#[test]
fn the_source_is_not_touched() {
    let Some(show) = little_show() else { return };
    let take = show.media.join("A001C001.mov");
    let state = || {
        let about = std::fs::metadata(&take).expect("there");
        (std::fs::read(&take).expect("readable"), about.modified().expect("has a time"))
    };
    let before = state();
    assert_eq!(show.turnover(&[]).0, 0);
    assert!(state() == before);
}

#[test]
fn the_loop_command_makes_one_loop() {
    let Some(show) = little_show() else { return };
    let take = show.media.join("A001C001.mov").display().to_string();
    let out = show.folder.path().join("loop.mov").display().to_string();
    let args = [
        "loop",
        &take,
        "--plate",
        "10:00:00:00-10:00:02:00",
        "--length",
        "336",
        "-o",
        &out,
        "--json",
    ];
    let (code, said, err) = run(&args);
    assert_eq!(code, 0, "{err}");
    let said: serde_json::Value = serde_json::from_str(&said).expect("JSON");
    // Forward-reverse arithmetic of the trade: 2 s into 14 s at 24 in seven passes when the
    // turning frame is shown twice.
    assert_eq!((said["passes"].as_u64(), said["frames"].as_u64()), (Some(7), Some(336)));
    assert_eq!(frame_checksums(Path::new(&out)).len(), 336);
    let (again, _, message) = run(&args);
    assert_eq!(again, 0, "the same bytes are there already: {message}");
    let once = [
        "loop", &take, "--plate", "#0-#48", "--length", "336", "--turns", "once", "-o", &out,
        "--json",
    ];
    let (taken, _, message) = run(&once);
    assert_eq!(taken, 2, "another loop of that name is never overwritten");
    assert!(message.contains("another file of this name is there"), "{message}");
    let (forced, said, err) = run(&[&once[..], &["--force"]].concat());
    assert_eq!(forced, 0, "{err}");
    let said: serde_json::Value = serde_json::from_str(&said).expect("JSON");
    assert_eq!((said["passes"].as_u64(), said["file"].as_str()), (Some(8), Some("loop.mov")));
    let slow = show.folder.path().join("slow").display().to_string();
    let (code, said, err) = run(&[
        "loop", &take, "--plate", "#0-#48", "--length", "100", "--turns", "eased", "-o", &slow,
        "--json",
    ]);
    assert_eq!(code, 0, "{err}");
    let said: serde_json::Value = serde_json::from_str(&said).expect("JSON");
    assert_eq!((said["frames"].as_u64(), said["method"].as_str()), (Some(100), Some("encode")));
    assert!(said["eases"].as_array().is_some_and(|eases| !eases.is_empty()), "{said}");
}

/// Packs the cut and its take into a bundle as the timeline format's own library does:
/// the timeline deflated, media stored.
fn bundle(show: &little_show::LittleShow) -> std::path::PathBuf {
    use std::io::Write;
    let path = show.folder.path().join("cut.otioz");
    let mut zip = zip::ZipWriter::new(std::fs::File::create(&path).expect("made"));
    let stored =
        zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    zip.start_file("version.txt", stored).expect("begun");
    zip.write_all(b"1.0.0").expect("written");
    zip.start_file("content.otio", zip::write::SimpleFileOptions::default()).expect("begun");
    zip.write_all(&std::fs::read(&show.cut).expect("there")).expect("written");
    zip.start_file("media/A001C001.mov", stored).expect("begun");
    let take = std::fs::read(show.media.join("A001C001.mov")).expect("there");
    zip.write_all(&take).expect("written");
    zip.finish().expect("whole");
    path
}

#[test]
fn media_inside_a_bundle_are_judged_and_rendered() {
    let Some(mut show) = little_show() else { return };
    show.cut = bundle(&show);
    let elsewhere = show.folder.path().join("elsewhere");
    std::fs::rename(&show.media, &elsewhere).expect("moved");
    std::fs::create_dir(&show.media).expect("made");
    let (code, err) = show.turnover(&[]);
    assert_eq!(code, 0, "{err}");
    let findings = show.findings();
    assert_eq!(findings["uses"][0]["verdict"], "loop");
    let plate = show.out.join(findings["uses"][0]["plate"]["file"].as_str().expect("a plate"));
    let source = frame_checksums(&elsewhere.join("A001C001.mov"));
    let made = frame_checksums(&plate);
    assert_eq!((made.len(), &made[0], &made[63]), (64, &source[0], &source[16]));
    let annotated = show.out.join("annotated.otioz");
    let stripped = show.folder.path().join("stripped.otioz");
    let text = |path: &Path| path.display().to_string();
    assert_eq!(run(&["strip", &text(&annotated), "-o", &text(&stripped)]).0, 0);
    let content = |path: &Path| {
        let mut zip =
            zip::ZipArchive::new(std::fs::File::open(path).expect("there")).expect("a zip");
        let mut bytes = Vec::new();
        let mut file = zip.by_name("content.otio").expect("inside");
        std::io::Read::read_to_end(&mut file, &mut bytes).expect("readable");
        bytes
    };
    assert!(content(&stripped) == content(&show.cut));
    assert!(content(&annotated) != content(&show.cut));
}
