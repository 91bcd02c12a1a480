//! A folder watched while takes land in it: each is looked at once it is whole, and the log
//! that writes itself is a log like any other.

mod little_show;
mod outside;

use little_show::{little_show, make_take, run};
use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

/// Lets a take grow as a recorder lets it; `pause` comes after its first part.
fn grow(from: &Path, to: &Path, pause: &mut dyn FnMut()) {
    let bytes = std::fs::read(from).expect("read");
    let mut file = std::fs::File::create(to).expect("made");
    for (at, part) in bytes.chunks(bytes.len() / 6 + 1).enumerate() {
        file.write_all(part).expect("room");
        file.flush().expect("room");
        std::thread::sleep(Duration::from_millis(300));
        if at == 0 {
            pause();
        }
    }
}

/// Reads lines until one says `word`; returns what was read.
fn read_until(lines: &mut dyn BufRead, word: &str) -> String {
    let mut all = String::new();
    while !all.contains(word) {
        if lines.read_line(&mut all).expect("text") == 0 {
            panic!("it ended without \"{word}\": {all}");
        }
    }
    all
}

#[test]
fn each_take_is_looked_at_once_it_is_whole_and_the_log_writes_itself() {
    let Some(show) = little_show() else { return };
    let folder = show.folder.path();
    let (card, today) = (folder.join("card"), folder.join("today"));
    std::fs::create_dir(&card).expect("made");
    let later = folder.join("A001C002.mov");
    make_take(&later, "11:00:00:00");
    let mut watch = Command::new(env!("CARGO_BIN_EXE_platesmith"))
        .arg("inspect")
        .arg(&card)
        .args(["--watch", "--quiet", "--until-idle", "10", "-o"])
        .arg(&today)
        .env("PLATESMITH_CACHE", "off")
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("starts");
    let mut told = BufReader::new(watch.stdout.take().expect("piped"));
    let mut faults = BufReader::new(watch.stderr.take().expect("piped"));
    grow(&show.media.join("A001C001.mov"), &card.join("A001C001.mov"), &mut || ());
    let mut said = read_until(&mut told, "A001C001.mov");
    // The recorder pauses until the take is taken for whole and cannot be opened.
    let mut err = String::new();
    grow(&later, &card.join("A001C002.mov"), &mut || {
        err = read_until(&mut faults, "A001C002.mov");
    });
    std::fs::write(card.join("notes.txt"), "no take").expect("room");
    told.read_to_string(&mut said).expect("text");
    faults.read_to_string(&mut err).expect("text");
    let done = watch.wait().expect("ends");
    assert_ne!(done.code(), Some(2), "a take that grows is no fault in the end: {err}");
    let lines: Vec<&str> = said.lines().filter(|line| !line.is_empty()).collect();
    assert_eq!(lines.len(), 2, "{said}");
    assert!(lines[0].starts_with("A001C001.mov: "), "{said}");
    for line in &lines {
        let answer = line.split_once(": ").expect("a name").1;
        assert!(["HAVE IT", "CHECK", "ROLL"].iter().any(|word| answer.starts_with(word)), "{line}");
    }
    let page = std::fs::read_to_string(today.join("day.html")).expect("a page");
    assert!(page.contains("2 takes looked at"));
    assert!(
        page.contains("href=\"./A001C002.mov.html\"") && today.join("A001C002.mov.html").is_file()
    );

    // The log is read as any other, and says of the take what its picture showed.
    let log = today.join("platelog.json");
    let text = std::fs::read_to_string(&log).expect("a log");
    let records: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(records["records"].as_array().map(Vec::len), Some(2));
    assert_eq!(records["records"][0]["start"], "10:00:00:00");
    let paths = [&show.cut, &log, &show.media].map(|path| path.to_str().expect("UTF-8"));
    let (_, out, err) =
        run(&["check", paths[0], "--log", paths[1], "--media", paths[2], "--no-picture", "--json"]);
    let findings: serde_json::Value =
        serde_json::from_str(&out).unwrap_or_else(|_| panic!("{err}"));
    // The picture shows more of the plate than was noted: 64 frames are no loop any more.
    assert_eq!(findings["uses"][0]["verdict"], "plate", "{}", findings["uses"][0]["reasons"]);

    // A second run goes on from the log and does not double it.
    let args = ["inspect", card.to_str().expect("UTF-8"), "--watch", "--until-idle", "3", "-o"];
    let (_, _, err) = run(&[&args[..], &[today.to_str().expect("UTF-8")]].concat());
    let again = std::fs::read_to_string(&log).expect("a log");
    assert_eq!(again, text, "{err}");
}
