//! Every command in the walk-throughs is run, and prints what the page says it prints.
//!
//! A block that begins with "```console" holds commands after "$ " and their output.
//! `PLATESMITH_RENEW=1` writes the output anew: read the difference.

mod outside;

use std::path::Path;
use std::process::Command;

/// Runs one line in a shell, as a reader would; the program comes first on the path.
fn printed(line: &str, folder: &Path) -> String {
    let binary = Path::new(env!("CARGO_BIN_EXE_platesmith")).parent().expect("in a folder");
    let paths = std::env::var_os("PATH").unwrap_or_default();
    let paths = std::iter::once(binary.to_path_buf()).chain(std::env::split_paths(&paths));
    let done = Command::new("bash")
        .args(["-c", &format!("{{ {line}; }} 2>&1")])
        .current_dir(folder)
        .env("PATH", std::env::join_paths(paths).expect("no colon in a path"))
        .env("PLATESMITH_CACHE", folder.join("cache"))
        .env("COLUMNS", "100")
        .output()
        .expect("bash runs");
    assert!(done.status.code() < Some(2), "{line}: {done:?}");
    String::from_utf8(done.stdout).expect("UTF-8")
}

/// Returns a page with the output of its commands written anew.
fn renewed(page: &str, folder: &Path) -> String {
    let mut lines = Vec::new();
    let mut inside = false;
    for line in page.lines() {
        if line.starts_with("```") {
            inside = line == "```console";
            lines.push(line.to_string());
        } else if let Some(command) = line.strip_prefix("$ ").filter(|_| inside) {
            lines.push(line.to_string());
            lines.extend(printed(command, folder).lines().map(|line| line.trim_end().to_string()));
        } else if !inside {
            lines.push(line.to_string());
        }
    }
    lines.join("\n") + "\n"
}

fn page_is_true(name: &str) {
    let project = outside::project();
    let media = project.join("samples/quillhaven/media/A001C004.mp4");
    if !media.is_file() {
        return outside::not_rendered(&media);
    }
    let folder = tempfile::tempdir().expect("a folder");
    std::os::unix::fs::symlink(project.join("samples"), folder.path().join("samples"))
        .expect("a link");
    let path = project.join("docs").join(name);
    let page = std::fs::read_to_string(&path).expect("it is there");
    let found = renewed(&page, folder.path());
    if std::env::var_os("PLATESMITH_RENEW").is_some() {
        std::fs::write(&path, &found).expect("written");
    }
    for (at, (wanted, found)) in page.lines().zip(found.lines()).enumerate() {
        assert_eq!(found, wanted, "{name}, line {}", at + 1);
    }
    assert_eq!(found.lines().count(), page.lines().count(), "{name}");
}

#[test]
fn the_walk_through_of_the_set_prints_what_it_says() {
    page_is_true("on_set.md");
}

#[test]
fn the_walk_through_of_the_cutting_room_prints_what_it_says() {
    page_is_true("cutting_room.md");
}
