//! Finding media in folders by URL, by name, by timecode.

use crate::outside;
use crate::pictures;

use pictures::{at, ffmpeg};
use platesmith::media::{Found, How, Locator, Request, SequenceUrl};
use platesmith::time::{Counting, FrameRange, Rate};
use std::path::{Path, PathBuf};

fn touch(folder: &Path, name: &str) -> PathBuf {
    let path = folder.join(name);
    std::fs::create_dir_all(path.parent().expect("inside a folder")).expect("a folder");
    std::fs::write(&path, name).expect("a file");
    path
}

fn locator(folder: &Path) -> Locator {
    let (locator, faults) = Locator::new(&[folder.to_path_buf()]);
    assert!(faults.is_empty(), "{faults:?}");
    locator
}

fn url(url: &str) -> Request {
    Request { urls: vec![url.into()], ..Request::default() }
}

fn name(name: &str) -> Request {
    Request { names: vec![name.into()], ..Request::default() }
}

/// 24 frames that start at a timecode; the pattern makes the content differ.
fn take(folder: &Path, name: &str, start: &str, pattern: &str) -> PathBuf {
    let path = folder.join(name);
    std::fs::create_dir_all(path.parent().expect("inside a folder")).expect("a folder");
    let picture = format!("{pattern}=size=64x64:rate=24");
    let arguments = ["-f", "lavfi", "-i", &picture, "-frames:v", "24", "-timecode", start];
    let output = at(folder, name);
    assert!(ffmpeg(&[&arguments[..], &["-c:v", "mjpeg", &output]].concat()));
    path
}

fn needed(start: &str, count: i64) -> Option<(FrameRange, Rate)> {
    let film = Rate::new(24, 1).expect("positive");
    let first = Counting::new(film, false).frame(start).expect("a label").0;
    Some((FrameRange::new(first, first + count), film))
}

#[test]
fn a_url_that_is_there_wins_however_it_is_written() {
    let folder = tempfile::tempdir().expect("a folder");
    let elsewhere = tempfile::tempdir().expect("a folder");
    let there = touch(folder.path(), "roll 1/A014C007 é.mov");
    touch(elsewhere.path(), "A014C007 é.mov");
    let locator = locator(elsewhere.path());
    let root = folder.path().to_str().expect("UTF-8");
    for written in [
        format!("file://{root}/roll%201/A014C007%20%C3%A9.mov"),
        format!("file://localhost{root}/roll%201/A014C007%20%C3%A9.mov"),
        format!("file:{root}/roll 1/A014C007 é.mov"),
        format!("{root}/roll 1/A014C007 é.mov"),
        "roll%201/A014C007%20%C3%A9.mov".to_string(),
        "./roll 1/A014C007 é.mov".to_string(),
    ] {
        let request = Request { base: Some(folder.path().into()), ..url(&written) };
        let Found::One(path, How::Url) = locator.locate(&request) else {
            panic!("{written}: {:?}", locator.locate(&request));
        };
        assert_eq!(path.canonicalize().ok(), there.canonicalize().ok(), "{written}");
    }
}

#[test]
fn a_url_from_another_machine_is_found_by_its_file_name() {
    let folder = tempfile::tempdir().expect("a folder");
    let there = touch(folder.path(), "day 3/A014C007.mov");
    let locator = locator(folder.path());
    for written in [
        "file:///Volumes/SHOW/A014C007.mov",
        "file:///E:/SHOW/A014C007.mov",
        "E:\\SHOW\\A014C007.mov",
        "file://server/share/A014C007.mov",
        "http://example.com/A014C007.mov",
    ] {
        assert_eq!(
            locator.locate(&url(written)),
            Found::One(there.clone(), How::FileName),
            "{written}"
        );
    }
    assert_eq!(locator.locate(&name("a014c007.MOV")), Found::One(there.clone(), How::FileName));
    assert_eq!(locator.locate(&name("A014C007")), Found::One(there.clone(), How::Stem));
    assert_eq!(locator.locate(&name("A014C007.mxf")), Found::One(there, How::Stem));
    assert_eq!(locator.locate(&name("A014C00")), Found::None);
    assert_eq!(locator.locate(&Request::default()), Found::None);
}

#[test]
fn case_counts_only_if_it_finds_something() {
    let folder = tempfile::tempdir().expect("a folder");
    let upper = touch(folder.path(), "one/TAKE.mov");
    let lower = touch(folder.path(), "two/take.mov");
    let locator = locator(folder.path());
    assert_eq!(locator.locate(&name("take.mov")), Found::One(lower.clone(), How::FileName));
    assert_eq!(locator.locate(&name("Take.mov")), Found::Several(vec![upper, lower]));
}

#[test]
fn hidden_files_sound_and_links_that_loop_are_no_media() {
    let folder = tempfile::tempdir().expect("a folder");
    touch(folder.path(), "a/._A014C007.mov");
    touch(folder.path(), ".trash/A014C007.mov");
    touch(folder.path(), "a/A014C007.wav");
    #[cfg(unix)]
    std::os::unix::fs::symlink(folder.path(), folder.path().join("a/loop")).expect("a link");
    let locator = locator(folder.path());
    assert_eq!(locator.media_files().count(), 0);
    assert_eq!(locator.locate(&name("A014C007")), Found::None);
    let there = touch(folder.path(), "b/A014C007.mov");
    let again = [folder.path().join("b"), folder.path().to_path_buf(), folder.path().join("none")];
    let (locator, faults) = Locator::new(&again);
    assert_eq!(locator.locate(&name("A014C007")), Found::One(there, How::Stem));
    assert_eq!(faults.len(), 1);
    assert!(faults[0].to_string().ends_with("none: there is no such file"), "{}", faults[0]);
}

#[test]
fn a_run_of_image_files_is_one_thing() {
    let folder = tempfile::tempdir().expect("a folder");
    for number in 1001..1005 {
        touch(folder.path(), &format!("x/A014C007.{number}.exr"));
        touch(folder.path(), &format!("y/B_{number}.dpx"));
    }
    let first = folder.path().join("x/A014C007.1001.exr");
    let locator = locator(folder.path());
    assert_eq!(locator.media_files().count(), 2);
    for written in
        ["A014C007.1003.exr", "A014C007.%04d.exr", "A014C007.####.exr", "A014C007.[1001-1004].exr"]
    {
        let found = locator.locate(&name(written));
        assert_eq!(found, Found::One(first.clone(), How::FileName), "{written}");
    }
    assert_eq!(locator.locate(&name("A014C007")), Found::One(first.clone(), How::Stem));
    let sequence = SequenceUrl {
        folder: format!("file://{}", folder.path().join("x").display()),
        prefix: "A014C007.".into(),
        suffix: ".exr".into(),
    };
    let request = Request { sequences: vec![sequence.clone()], ..Request::default() };
    assert_eq!(locator.locate(&request), Found::One(first.clone(), How::Url));
    let moved = SequenceUrl { folder: "file:///gone/".into(), ..sequence };
    let request = Request { sequences: vec![moved], ..Request::default() };
    assert_eq!(locator.locate(&request), Found::One(first, How::FileName));
}

#[test]
fn timecode_decides_between_files_of_one_name() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let ten = take(folder.path(), "day1/A001.mov", "10:00:00:00", "testsrc");
    let noon = take(folder.path(), "day2/A001.mov", "12:00:00:00", "testsrc2");
    let midnight = take(folder.path(), "day3/M001_x1.mov", "23:59:59:12", "testsrc");
    let copy = folder.path().join("backup/A001.mov");
    let locator_before = locator(folder.path());
    let ask = |take| Request { take, ..name("A001.mov") };
    let locate = |request: &Request| locator_before.locate(request);
    assert_eq!(locate(&ask(needed("10:00:00:05", 10))), Found::One(ten.clone(), How::FileName));
    assert_eq!(locate(&ask(needed("12:00:00:20", 10))), Found::One(noon.clone(), How::FileName));
    assert_eq!(locate(&ask(None)), Found::Several(vec![ten.clone(), noon.clone()]));
    assert_eq!(locate(&ask(needed("15:00:00:00", 10))), Found::Several(vec![ten.clone(), noon]));
    // A camera adds to the clip name; the timecode proves it, past midnight too.
    let longer = |take| Request { take, ..name("M001") };
    assert_eq!(
        locate(&longer(needed("23:59:59:20", 8))),
        Found::One(midnight.clone(), How::Timecode)
    );
    assert_eq!(locate(&longer(needed("00:00:00:02", 4))), Found::One(midnight, How::Timecode));
    assert_eq!(locate(&longer(needed("11:00:00:00", 8))), Found::None);
    assert_eq!(locate(&longer(None)), Found::None);
    // A copy with the same content is no second candidate.
    std::fs::create_dir_all(copy.parent().expect("a folder")).expect("a folder");
    std::fs::copy(&ten, &copy).expect("copied");
    let found = locator(folder.path()).locate(&ask(needed("10:00:00:05", 10)));
    assert_eq!(found, Found::One(copy, How::FileName));
}

#[test]
fn content_not_place_makes_the_id() {
    if !outside::has_program("ffmpeg") {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let one = take(folder.path(), "one.mov", "10:00:00:00", "testsrc");
    let other = take(folder.path(), "other.mov", "10:00:00:00", "testsrc2");
    let copy = folder.path().join("copy.mov");
    std::fs::copy(&one, &copy).expect("copied");
    let id = |path: &Path, verify| pictures::opened(path).content_id(verify).expect("an id");
    assert_eq!(id(&one, false), id(&copy, false));
    assert_eq!(id(&one, true), id(&copy, true));
    assert_ne!(id(&one, false), id(&other, false));
    assert_ne!(id(&one, true), id(&other, true));
    assert_ne!(id(&one, false), id(&one, true));
    assert_eq!(id(&one, false).len(), 64);
}

#[test]
fn a_renamed_take_is_found_by_start_and_length_unless_somebody_names_the_file() {
    let folder = tempfile::tempdir().expect("a folder");
    let renamed = take(folder.path(), "shot_020_v3.mov", "10:00:00:00", "testsrc2");
    take(folder.path(), "B001C001_proxy.mov", "10:00:00:00", "smptebars");
    take(folder.path(), "zero.mov", "00:00:00:00", "testsrc2");
    let mut locator = locator(folder.path());
    let ask = |start, count| Request {
        whole: needed(start, count).into_iter().collect(),
        ..name("A001C001.mov")
    };
    let found = locator.locate(&ask("10:00:00:00", 24));
    assert!(matches!(found, Found::Several(ref paths) if paths.len() == 2), "{found:?}");
    // Camera B ran on the same timecode, and a proxy of it is named by its beginning.
    locator.reserve([name("B001C001"), name("A001C001.mov")].into_iter());
    let found = locator.locate(&ask("10:00:00:00", 24));
    assert_eq!(found, Found::One(renamed, How::Length));
    for (start, count) in [("10:00:00:00", 23), ("10:00:00:01", 24), ("00:00:00:00", 24)] {
        assert_eq!(locator.locate(&ask(start, count)), Found::None, "{start} {count}");
    }
}
