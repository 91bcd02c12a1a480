//! The order of modules: each uses only those above it in the list of `src/lib.rs`.
//! Source of the rule: the project's own; nothing outside it is checked here.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// One breach of the order: file, line, what stands there.
type Breach = (String, usize, String);

/// The modules of `lib.rs` in their order.
fn order(lib: &str) -> Vec<String> {
    lib.lines()
        .filter_map(|line| line.strip_prefix("pub mod ")?.strip_suffix(';'))
        .map(String::from)
        .collect()
}

/// Blanks out comments, so that prose and doc examples are not taken for code.
fn code_of(line: &str) -> &str {
    line.split("//").next().unwrap_or_default()
}

/// The modules named after `crate::` in a line: `crate::a::B`, `crate::{a, b::C}`.
fn named_after_crate(line: &str) -> Vec<String> {
    let mut found = Vec::new();
    for (at, _) in line.match_indices("crate::") {
        let rest = &line[at + "crate::".len()..];
        if let Some(list) = rest.strip_prefix('{') {
            found.extend(heads_of_list(list));
        } else {
            found.extend(head(rest));
        }
    }
    found
}

fn head(path: &str) -> Option<String> {
    let end = path.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(path.len());
    (end > 0).then(|| path[..end].to_string())
}

/// First names of a list such as `a, b::{C, D}, e}`, nested braces skipped.
fn heads_of_list(list: &str) -> Vec<String> {
    let (mut depth, mut item, mut found) = (0, String::new(), Vec::new());
    for letter in list.chars() {
        match letter {
            '{' => depth += 1,
            '}' if depth == 0 => break,
            '}' => depth -= 1,
            ',' if depth == 0 => found.extend(head(std::mem::take(&mut item).trim())),
            _ if depth == 0 => item.push(letter),
            _ => {}
        }
    }
    found.extend(head(item.trim()));
    found
}

/// How many folders below its module's root a file's own module lies: what `super::` may climb.
fn depth(file: &Path) -> usize {
    let parts = file.components().count();
    let is_root = file.file_name().is_some_and(|name| name == "mod.rs");
    parts - 1 - usize::from(is_root)
}

/// Climbs of `super::super::`, longest first on the line.
fn climbs(line: &str) -> usize {
    let (mut longest, mut rest) = (0, line);
    while let Some(at) = rest.find("super::") {
        let mut run = 0;
        rest = &rest[at..];
        while let Some(next) = rest.strip_prefix("super::") {
            run += 1;
            rest = next;
        }
        longest = longest.max(run);
    }
    longest
}

fn has_word(line: &str, word: &str) -> bool {
    line.split(|c: char| !c.is_alphanumeric() && c != '_').any(|found| found == word)
}

/// Every breach in one file; `file` is its path below `src`.
fn breaches(file: &Path, text: &str, order: &[String]) -> Vec<Breach> {
    let shown = file.display().to_string();
    let own = file.components().next().map(|part| part.as_os_str().to_string_lossy().into_owned());
    let own = own.unwrap_or_default().trim_end_matches(".rs").to_string();
    let place = order.iter().position(|module| *module == own);
    let in_media = own == "media";
    let mut found = Vec::new();
    let mut inner = 0_usize;
    // A `use crate::{` list may run over several lines: join it to one.
    let mut open: Option<(usize, String)> = None;
    for (number, line) in text.lines().enumerate() {
        let mut line = code_of(line).to_string();
        if let Some((start, mut joined)) = open.take() {
            joined.push_str(line.trim());
            if !line.contains(';') {
                open = Some((start, joined));
                continue;
            }
            line = joined;
        } else if line.contains("crate::{") && !line.contains(';') {
            open = Some((number, line));
            continue;
        }
        // Inside `mod tests { ... }` one `super` is the file itself.
        if line.trim_start().starts_with("mod ") && line.trim_end().ends_with('{') {
            inner = 1;
        }
        for module in named_after_crate(&line) {
            let used = order.iter().position(|listed| *listed == module);
            let below = match (place, used) {
                (Some(place), Some(used)) => used > place,
                _ => false,
            };
            if below {
                found.push((shown.clone(), number + 1, format!("crate::{module} is below {own}")));
            }
        }
        if place.is_some() && climbs(&line) > depth(file) + inner {
            found.push((shown.clone(), number + 1, "super:: leaves the module".into()));
        }
        // Not the word in a text: `unsafe-inline` is one of a page.
        let line = line.replace("unsafe-inline", "");
        if has_word(&line, "unsafe") && !in_media {
            found.push((shown.clone(), number + 1, "unsafe outside media".into()));
        }
    }
    found
}

fn sources(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).expect("src can be read") {
        let path = entry.expect("src can be read").path();
        if path.is_dir() {
            sources(&path, files);
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            files.push(path);
        }
    }
}

#[test]
fn a_module_uses_only_the_modules_above_it() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let order = order(&std::fs::read_to_string(src.join("lib.rs")).expect("lib.rs can be read"));
    assert!(order.len() > 10, "the list of lib.rs was not understood: {order:?}");
    let mut files = Vec::new();
    sources(&src, &mut files);
    files.sort();
    let mut by_file: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for file in &files {
        let text = std::fs::read_to_string(file).expect("a source can be read");
        let below_src = file.strip_prefix(&src).expect("it was found there");
        for (file, line, what) in breaches(below_src, &text, &order) {
            by_file.entry(file).or_default().push(format!("line {line}: {what}"));
        }
    }
    assert!(by_file.is_empty(), "{by_file:#?}");
}

#[test]
fn the_check_itself_can_fail() {
    let order: Vec<String> = ["error", "media", "report"].map(String::from).to_vec();
    let found = |file: &str, text: &str| breaches(Path::new(file), text, &order).len();
    assert_eq!(found("media/mod.rs", "use crate::report::Page;"), 1);
    assert_eq!(found("media/read.rs", "let page = crate::report::page();"), 1);
    assert_eq!(found("media/read.rs", "use crate::{error::Fault, report::{Page, Row}};"), 1);
    assert_eq!(found("media/read.rs", "use crate::{\n    error::Fault,\n    report::Page,\n};"), 1);
    assert_eq!(found("media/read.rs", "use super::super::report::Page;"), 1);
    assert_eq!(found("error.rs", "use super::media::Frame;"), 1);
    assert_eq!(found("report/page.rs", "let x = unsafe { *p };"), 1);
    assert_eq!(found("report/page.rs", "use crate::media::Frame;"), 0);
    assert_eq!(found("report/page.rs", "use super::Row; // crate::cli, unsafe"), 0);
    assert_eq!(found("media/ffi.rs", "#![allow(unsafe_code)]\nlet x = unsafe { *p };"), 0);
    assert_eq!(found("media/ffi.rs", "mod tests {\n    use super::*;\n}"), 0);
}
