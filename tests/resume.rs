//! A turnover that is killed goes on where it stopped, ends with the same bytes, and makes
//! nothing twice that is whole.

mod little_show;
mod outside;
mod pictures;
mod plates;

use little_show::{LittleShow, little_show};
use platesmith::error::Faults;
use platesmith::media::Picture;
use platesmith::plate::{PlateJob, Retouch, make_version};
use platesmith::settings::Turns;
use std::cell::Cell;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// Every file below a folder with its bytes.
fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut open = vec![folder.to_path_buf()];
    while let Some(at) = open.pop() {
        for entry in std::fs::read_dir(&at).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                open.push(path);
            } else {
                let bytes = std::fs::read(&path).expect("there");
                found.insert(path.strip_prefix(folder).expect("below").to_path_buf(), bytes);
            }
        }
    }
    found
}

fn turnover(show: &LittleShow, out: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_platesmith"));
    command.arg("turnover").arg(&show.cut).arg("--log").arg(&show.log);
    command.arg("--media").arg(&show.media).arg("-o").arg(out).args(["--quiet", "--with-temp"]);
    command.stdout(Stdio::null()).stderr(Stdio::null());
    command
}

#[test]
fn a_run_that_is_killed_at_any_moment_ends_with_the_same_bytes() {
    let Some(show) = little_show() else { return };
    let whole = show.folder.path().join("whole");
    let begun = Instant::now();
    assert!(turnover(&show, &whole).status().expect("runs").code() < Some(2));
    let took = begun.elapsed();
    let wanted = files(&whole);
    assert!(wanted.keys().any(|file| file.starts_with("temp")), "{:?}", wanted.keys());
    let out = show.folder.path().join("out");
    let mut killed = 0;
    for part in 1..10 {
        let mut run = turnover(&show, &out).spawn().expect("runs");
        std::thread::sleep(took * part / 10);
        if run.try_wait().expect("it can be asked").is_none() {
            run.kill().expect("it can be killed");
            killed += 1;
        }
        run.wait().expect("it ends");
        // Nothing under a final name that is not whole. A receipt lies beside no result.
        for (file, bytes) in if out.exists() { files(&out) } else { BTreeMap::new() } {
            let part = file.extension().is_some_and(|ending| ending == "part");
            assert!(part || wanted.get(&file) == Some(&bytes), "{}", file.display());
        }
    }
    assert!(killed > 0, "no run was killed");
    // What a kill in the midst of any file leaves, however seldom the moment is hit.
    for folder in ["", ".receipts", "plates", "mattes", "temp", "review"] {
        let folder = out.join(folder);
        std::fs::create_dir_all(&folder).expect("made");
        std::fs::write(folder.join(".platesmith-left.part"), b"left").expect("written");
    }
    assert!(turnover(&show, &out).status().expect("runs").code() < Some(2));
    let found = files(&out);
    assert_eq!(found.keys().collect::<Vec<_>>(), wanted.keys().collect::<Vec<_>>());
    assert!(found == wanted, "other bytes");
}

/// Leaves pictures as they are, and counts how often it is asked.
#[derive(Debug, Default)]
struct Counting(Cell<u64>);

impl Retouch for Counting {
    fn why(&self) -> String {
        "counted".into()
    }

    fn retouch(&self, _: u64, _: &Picture) -> Result<Option<Picture>, Faults> {
        self.0.set(self.0.get() + 1);
        Ok(None)
    }
}

#[test]
fn what_is_whole_is_not_made_again_and_what_is_not_is() {
    let Some(show) = little_show() else { return };
    let folder = show.folder.path();
    let media = pictures::opened(&show.media.join("A001C001.mov"));
    let map = plates::looped(0, 40, 64, Turns::Twice);
    let counting = Counting::default();
    let job = |recipe: &str| PlateJob {
        retouch: Some(&counting),
        recipe: Some(recipe.into()),
        receipts: Some(folder.join("receipts")),
        ..plates::job(&media, &map, &folder.join("S_CP01"))
    };
    let make = |job: &PlateJob<'_>| {
        let made = make_version(job, &mut |_, _| {}).unwrap_or_else(|faults| panic!("{faults}"));
        (made, counting.0.replace(0))
    };
    let (first, asked) = make(&job("a"));
    assert_eq!((asked, first.kept), (64, false));
    let (again, asked) = make(&job("a"));
    assert_eq!((asked, again.kept), (0, true));
    assert_eq!((&again.path, &again.render_id), (&first.path, &first.render_id));
    // Another recipe is rendered; its bytes happen to be the same, so the file is kept.
    let (other, asked) = make(&job("b"));
    assert_eq!((asked, other.kept, &other.path), (64, true, &first.path));
    assert_ne!(other.render_id, first.render_id);
    // A file that was changed is not taken for what was made: it is left alone, and the next
    // version is made.
    let mut bytes = std::fs::read(&first.path).expect("there");
    let last = bytes.len() - 40;
    bytes[last] ^= 1;
    std::fs::write(&first.path, &bytes).expect("written");
    let (next, asked) = make(&job("b"));
    assert_eq!(asked, 128, "made under the old name to be compared, then under the new one");
    assert!(next.path.ends_with("S_CP01_v002.mov"), "{}", next.path.display());
    assert_eq!(std::fs::read(&first.path).expect("there"), bytes);
    // Where nobody says what the corrections rest on nothing is taken on trust.
    let unsaid = PlateJob { recipe: None, ..job("b") };
    let (made, asked) = make(&unsaid);
    assert_eq!((asked, made.render_id), (64, None));
}

#[test]
fn a_second_turnover_takes_no_time_over_what_is_there() {
    let Some(show) = little_show() else { return };
    let out = show.folder.path().join("out");
    assert!(turnover(&show, &out).status().expect("runs").code() < Some(2));
    let stamp = |file: &Path| file.metadata().and_then(|about| about.modified()).expect("there");
    let before: Vec<_> = files(&out).into_keys().map(|file| stamp(&out.join(file))).collect();
    std::thread::sleep(Duration::from_millis(20));
    assert!(turnover(&show, &out).status().expect("runs").code() < Some(2));
    let renders = ["plates", "mattes", "temp", ".receipts"];
    let rendered = |file: &Path| renders.iter().any(|folder| file.starts_with(folder));
    for (file, before) in files(&out).into_keys().zip(before) {
        assert!(!rendered(&file) || stamp(&out.join(&file)) == before, "{}", file.display());
    }
}

/// Receipts look at parts of a file; with `--verify` they look at all of it.
#[test]
fn a_byte_that_was_lost_inside_a_render_is_found_if_all_bytes_are_asked_for() {
    let Some(show) = little_show() else { return };
    let out = show.folder.path().join("out");
    let run = |verify: &[&str]| {
        let ran = turnover(&show, &out).args(verify).status().expect("runs");
        assert!(ran.code() < Some(2));
        files(&out.join("temp"))
    };
    let first = run(&["--verify"]);
    let (name, bytes) = first.iter().max_by_key(|(_, bytes)| bytes.len()).expect("a temp comp");
    // Behind the 64 KiB at the head, before those in the middle.
    let at = 100 << 10;
    assert!(bytes.len() > 4 * at, "{} bytes", bytes.len());
    let mut lost = bytes.clone();
    lost[at] ^= 1;
    std::fs::write(out.join("temp").join(name), &lost).expect("written");
    let found = run(&["--verify"]);
    assert_eq!(found.get(name), Some(&lost), "what is there is never overwritten");
    let next = PathBuf::from(name.to_string_lossy().replace("_v001", "_v002"));
    assert_eq!(found.get(&next).map(Vec::len), Some(bytes.len()), "{:?}", found.keys());
    // And nothing is made again that is whole.
    assert_eq!(run(&["--verify"]), found);
}
