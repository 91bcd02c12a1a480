//! Every command in the walk-throughs is run, and prints what the page says it prints.
//!
//! A block that begins with "```console" holds commands after "$ " and their output.
//! `PLATESMITH_RENEW=1` writes the output anew: read the difference.
//!
//! Every limit of `limits.md` names a picture of what shows past it, and the picture is there.

mod outside;

use platesmith::findings::Verdict;
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

/// Names what is wrong with the table "Figures": rows whose last cell names no picture, names one
/// that is not there, or one that is not shown below the table.
fn faults_of_figures(page: &str, folder: &Path) -> Vec<String> {
    let lines = page.lines().skip_while(|line| *line != "## Figures");
    let table = lines.skip_while(|line| !line.starts_with('|'));
    let rows = table.take_while(|line| line.starts_with('|')).skip(2);
    let mut faults = Vec::new();
    let mut seen = 0;
    for row in rows {
        seen += 1;
        let cells: Vec<&str> = row.trim_matches('|').split('|').map(str::trim).collect();
        let links = cells.last().expect("a line has a cell").split("](").skip(1);
        let named: Vec<&str> = links.filter_map(|link| link.split(')').next()).collect();
        if cells.len() != 5 || named.is_empty() {
            faults.push(format!("{}: no picture", cells[0]));
        }
        for name in named {
            if !name.starts_with("pictures/") || !is_a_png(&folder.join(name)) {
                faults.push(format!("{}: {name} is no picture", cells[0]));
            }
            let shown =
                |line: &str| line.starts_with("![") && line.ends_with(&format!("]({name})"));
            if !page.lines().any(shown) {
                faults.push(format!("{}: {name} is not shown", cells[0]));
            }
        }
    }
    if seen == 0 {
        faults.push("no table".to_string());
    }
    faults
}

/// Tells a PNG by its signature (ISO/IEC 15948, 5.2).
fn is_a_png(path: &Path) -> bool {
    std::fs::read(path).is_ok_and(|bytes| bytes.starts_with(b"\x89PNG\r\n\x1a\n"))
}

#[test]
fn every_limit_has_a_picture_of_what_shows_past_it() {
    let docs = outside::project().join("docs");
    let page = std::fs::read_to_string(docs.join("limits.md")).expect("it is there");
    assert_eq!(faults_of_figures(&page, &docs), Vec::<String>::new());

    for entry in std::fs::read_dir(docs.join("pictures")).expect("a folder") {
        let name = entry.expect("an entry").file_name().into_string().expect("UTF-8");
        let link = format!("pictures/{name}");
        let past = name.starts_with("past_") && name.ends_with(".png");
        assert!(!past || page.contains(&link), "no limit names {link}");
    }
}

#[test]
fn a_limit_without_its_picture_is_noticed() {
    let folder = tempfile::tempdir().expect("a folder");
    std::fs::create_dir(folder.path().join("pictures")).expect("made");
    let png = b"\x89PNG\r\n\x1a\n";
    std::fs::write(folder.path().join("pictures/a.png"), png).expect("written");
    std::fs::write(folder.path().join("pictures/b.png"), "text").expect("written");
    let page = |cell: &str| {
        let head =
            "## Figures\n\n| limit | default | key | source | past it |\n|---|---|---|---|---|\n";
        format!(
            "{head}| speed | 1 | - | ours | {cell} |\n\n![a](pictures/a.png)\n![b](pictures/b.png)\n"
        )
    };
    let faults = |cell: &str| faults_of_figures(&page(cell), folder.path());
    assert_eq!(faults("[a](pictures/a.png)"), Vec::<String>::new());
    assert_eq!(faults("a"), ["speed: no picture"]);
    assert_eq!(faults("[b](pictures/b.png)"), ["speed: pictures/b.png is no picture"]);
    let both = ["speed: pictures/c.png is no picture", "speed: pictures/c.png is not shown"];
    assert_eq!(faults("[a](pictures/a.png), [c](pictures/c.png)"), both);
    assert_eq!(faults_of_figures("# Limits\n", folder.path()), ["no table"]);
}

#[test]
fn every_verdict_is_explained() {
    let page = outside::project().join("docs/lists.md");
    let page = std::fs::read_to_string(page).expect("it is there");
    for verdict in Verdict::ALL {
        let row = format!("\n| {} | `{}` | ", verdict.shown(), verdict.word());
        assert!(page.contains(&row), "{row}");
    }
}
