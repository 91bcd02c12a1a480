//! Files that are wrong, one row each: what is said, what the exit code is, and that
//! nothing is lost or left half written.

mod little_show;
mod outside;

use little_show::{LittleShow, little_show, run};
use rstest::rstest;
use std::path::Path;

/// Replaces text in the cut.
fn in_cut(show: &LittleShow, from: &str, to: &str) {
    let text = std::fs::read_to_string(&show.cut).expect("there");
    assert!(text.contains(from), "the cut holds {from}");
    std::fs::write(&show.cut, text.replace(from, to)).expect("written");
}

/// A cut that cannot be read at all: exit code 2, the fault, and what to do.
#[rstest]
#[case::empty(b"".as_slice(), "empty")]
#[case::cut_short(b"{\"OTIO_SCHEMA\": \"Timeline.1\", \"tracks\": {".as_slice(), "cut.otio")]
#[case::no_json(b"TITLE: AN EDIT LIST\n".as_slice(), "cut.otio")]
#[case::wrong_root(b"{\"OTIO_SCHEMA\": \"RationalTime.1\", \"rate\": 24, \"value\": 5}".as_slice(), "RationalTime")]
#[case::number(b"42".as_slice(), "cut.otio")]
#[case::binary(b"\x00\x01\x02\xff".as_slice(), "cut.otio")]
fn a_cut_that_cannot_be_read(#[case] bytes: &[u8], #[case] said: &str) {
    let Some(show) = little_show() else { return };
    std::fs::write(&show.cut, bytes).expect("written");
    let (code, _, err) = show.check(&[]);
    assert_eq!(code, 2, "{err}");
    assert!(err.starts_with("error: ") && err.contains("\n  help: "), "{err}");
    assert!(err.contains(said), "{err}");
    let (code, err) = show.turnover(&[]);
    assert_eq!(code, 2, "{err}");
    assert!(!show.out.exists(), "nothing is written for a cut that cannot be read");
}

#[test]
fn a_cut_that_is_not_there() {
    let Some(show) = little_show() else { return };
    std::fs::remove_file(&show.cut).expect("removed");
    let (code, _, err) = show.check(&[]);
    assert_eq!(code, 2);
    assert!(err.contains("cut.otio") && err.contains("help: "), "{err}");
}

#[test]
fn a_clip_without_any_range_is_a_fault_of_that_clip_alone() {
    let Some(show) = little_show() else { return };
    let text = std::fs::read_to_string(&show.cut).expect("there");
    let mut cut: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let children = cut["tracks"]["children"][0]["children"].as_array_mut().expect("clips");
    let mut bare = children[0].clone();
    bare["name"] = "bare".into();
    bare["source_range"] = serde_json::Value::Null;
    bare["media_references"]["DEFAULT_MEDIA"]["available_range"] = serde_json::Value::Null;
    children.push(bare);
    std::fs::write(&show.cut, cut.to_string()).expect("written");
    let (code, findings, err) = show.check(&[]);
    assert_eq!(code, 2);
    assert!(err.contains("/tracks/children/0/children/1") && err.contains("bare"), "{err}");
    assert_eq!(findings["uses"][0]["verdict"], "loop", "the other clip is still judged");
}

#[test]
fn a_rate_of_zero_is_a_fault_of_that_clip() {
    let Some(show) = little_show() else { return };
    in_cut(&show, "\"rate\": 24.0", "\"rate\": 0.0");
    let (code, _, err) = show.check(&[]);
    assert_eq!(code, 2);
    assert!(err.contains("rate") && err.contains('0'), "{err}");
}

/// A log with a fault: exit code 2, the place, the value as read.
#[rstest]
#[case::bad_timecode(
    "clip,rate,plates,boom\nA001C001,24,10:00:00:00-10:00:61:04,10:00:03:00-10:00:08:00\n",
    &["row 2", "plates", "10:00:61:04"]
)]
#[case::dropped_label(
    "clip,rate,plates\nA001C001,29.97,00:01:00;00-00:01:02;00\n",
    &["row 2", "plates", "00:01:00;00"]
)]
#[case::duplicate_rows(
    "clip,rate,plates\nA001C001,24,10:00:00:00-10:00:01:16\nA001C001,24,10:00:00:00-10:00:01:16\n",
    &["rows 2 and 3", "A001C001"]
)]
#[case::unknown_column("clip,rate,platse\nA001C001,24,10:00:00:00-10:00:01:16\n", &["platse", "plates"])]
#[case::rate_zero("clip,rate,plates\nA001C001,0,10:00:00:00-10:00:01:16\n", &["row 2", "rate", "0"])]
#[case::empty("", &["log.csv"])]
fn a_log_with_a_fault(#[case] text: &str, #[case] said: &[&str]) {
    let Some(show) = little_show() else { return };
    std::fs::write(&show.log, text).expect("written");
    let (code, findings, err) = show.check(&[]);
    assert_eq!(code, 2, "{err}");
    for part in said {
        assert!(err.contains(part), "{part}: {err}");
    }
    assert_eq!(findings["uses"].as_array().map(Vec::len), Some(1), "the cut is still judged");
    assert!(!findings["faults"].as_array().expect("faults").is_empty());
}

#[test]
fn a_log_that_is_not_there_leaves_the_cut_judged() {
    let Some(show) = little_show() else { return };
    std::fs::remove_file(&show.log).expect("removed");
    let (code, findings, err) = show.check(&[]);
    assert_eq!(code, 2);
    assert!(err.contains("log.csv"), "{err}");
    assert_eq!(findings["uses"][0]["verdict"], "unlisted");
}

/// Media that cannot be read: the fault, the reason on the use, and exit code 2.
#[rstest]
#[case::zero_bytes(|bytes: Vec<u8>| { drop(bytes); Vec::new() })]
#[case::text(|_: Vec<u8>| b"this is no movie, it is a letter\n".to_vec())]
#[case::half(|bytes: Vec<u8>| bytes[..bytes.len() / 2].to_vec())]
fn media_that_cannot_be_read(#[case] broken: fn(Vec<u8>) -> Vec<u8>) {
    let Some(show) = little_show() else { return };
    let take = show.media.join("A001C001.mov");
    let bytes = std::fs::read(&take).expect("there");
    std::fs::write(&take, broken(bytes)).expect("written");
    let (code, findings, err) = show.check(&[]);
    assert_eq!(code, 2, "{err}");
    assert!(err.contains("A001C001.mov"), "{err}");
    assert_eq!(findings["uses"][0]["verdict"], "undecided");
    assert_eq!(findings["uses"][0]["reasons"][0]["code"], "media-unreadable");
    assert_eq!(show.turnover(&[]).0, 2);
    assert!(show.out.join("findings.json").exists(), "what could be judged is written");
}

#[test]
fn the_output_is_never_inside_a_media_folder() {
    let Some(mut show) = little_show() else { return };
    show.out = show.media.join("turnover");
    let (code, err) = show.turnover(&[]);
    assert_eq!(code, 2);
    assert!(err.contains("inside the media folder"), "{err}");
    assert!(!show.out.exists());
}

/// A folder on a file system of its own, unmounted when dropped; `None` where the test may
/// not mount.
struct Mounted(std::path::PathBuf);

impl Mounted {
    fn new(folder: &Path, options: &str) -> Option<Mounted> {
        std::fs::create_dir_all(folder).expect("made");
        let done = std::process::Command::new("mount")
            .args(["-t", "tmpfs", "-o", options, "tmpfs"])
            .arg(folder)
            .output();
        if done.is_ok_and(|done| done.status.success()) {
            return Some(Mounted(folder.to_path_buf()));
        }
        outside::skipped("this user may not mount a small disk");
        None
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        let _ = std::process::Command::new("umount").arg(&self.0).status();
    }
}

#[test]
fn a_full_disk_is_said_and_leaves_no_half_file() {
    let Some(show) = little_show() else { return };
    let Some(_disk) = Mounted::new(&show.out, "size=20k") else { return };
    let (code, err) = show.turnover(&[]);
    assert_eq!(code, 2, "{err}");
    assert!(err.contains("error: ") && err.contains("help: "), "{err}");
    let plates = show.out.join("plates");
    let left: Vec<_> = std::fs::read_dir(plates).into_iter().flatten().flatten().collect();
    assert!(left.is_empty(), "{left:?}");
}

#[test]
fn an_output_that_may_not_be_written_is_said() {
    let Some(show) = little_show() else { return };
    let Some(_disk) = Mounted::new(&show.out, "size=4m,ro") else { return };
    let (code, err) = show.turnover(&[]);
    assert_eq!(code, 2, "{err}");
    assert!(err.contains("help: "), "{err}");
}

#[test]
fn a_misspelt_setting_is_refused() {
    let Some(show) = little_show() else { return };
    let file = show.folder.path().join("show.toml");
    std::fs::write(&file, "handels_head = 8\n").expect("written");
    let (code, _, err) = show.check(&["--settings", &file.display().to_string()]);
    assert_eq!(code, 2);
    assert!(err.contains("line 1") && err.contains("handels_head"), "{err}");
}

/// Arguments of `loop` that cannot be met.
#[rstest]
#[case::outside("#0-#500", "#0-#500")]
#[case::backward("#20-#10", "before")]
#[case::no_timecode("10:00:00:00-10:00:99:00", "10:00:99:00")]
#[case::nonsense("hello", "hello")]
fn a_plate_that_is_not_in_the_file(#[case] plate: &str, #[case] said: &str) {
    let Some(show) = little_show() else { return };
    let take = show.media.join("A001C001.mov").display().to_string();
    let out = show.folder.path().join("loop.mov").display().to_string();
    let (code, _, err) = run(&["loop", &take, "--plate", plate, "--length", "100", "-o", &out]);
    assert_eq!(code, 2, "{err}");
    assert!(err.contains(said) && err.contains("help: "), "{err}");
    assert!(!Path::new(&out).exists());
}

#[test]
fn the_media_itself_is_never_an_output() {
    let Some(show) = little_show() else { return };
    let take = show.media.join("A001C001.mov");
    let before = std::fs::read(&take).expect("there");
    let name = take.display().to_string();
    let args = ["loop", &name, "--plate", "#0-#48", "--length", "96", "-o", &name, "--force"];
    let (code, _, err) = run(&args);
    assert_eq!(code, 2, "{err}");
    assert!(std::fs::read(&take).expect("there") == before);
}
