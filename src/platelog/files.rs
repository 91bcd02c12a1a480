//! Which files a log is made of: those named, and in a folder those that may be logs.

use crate::error::BadInput;
use std::path::{Path, PathBuf};

/// Folders inside folders that are entered; ours: a recorder has two.
const DEEPEST: usize = 16;
/// Files looked at in folders; ours: a feature's sound is some ten thousand.
const MOST: usize = 200_000;

/// A file to read.
pub(super) struct LogFile {
    /// Where it lies.
    pub path: PathBuf,
    /// Whether it was found in a folder, and not named.
    pub found: bool,
}

/// Tells by its ending whether a file is sound.
pub(super) fn is_sound(path: &Path) -> bool {
    has_ending(path, &["wav", "wave", "bwf", "rf64", "bw64"])
}

fn has_ending(path: &Path, endings: &[&str]) -> bool {
    let ending = path.extension().and_then(|ending| ending.to_str()).unwrap_or_default();
    endings.iter().any(|known| known.eq_ignore_ascii_case(ending))
}

/// Lists the files of logs in the order they are named, those of a folder by path. Hidden
/// files are left out: systems leave shadows of files on cards.
pub(super) fn listed(paths: &[PathBuf]) -> (Vec<LogFile>, Vec<BadInput>) {
    let (mut files, mut faults) = (Vec::new(), Vec::new());
    for path in paths {
        if !path.is_dir() {
            files.push(LogFile { path: path.clone(), found: false });
            continue;
        }
        let mut found = Vec::new();
        walk(path, 0, &mut found, &mut faults);
        if found.is_empty() {
            let fault = "holds no sound file and no log";
            let remedy = "name the folder the recorder wrote, or the log itself";
            faults.push(BadInput::new(path.display().to_string(), "", fault, remedy));
        }
        found.sort();
        files.extend(found.into_iter().map(|path| LogFile { path, found: true }));
    }
    (files, faults)
}

fn walk(folder: &Path, depth: usize, found: &mut Vec<PathBuf>, faults: &mut Vec<BadInput>) {
    let entries = match std::fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(io) => {
            let fault = format!("cannot be read: {io}");
            let remedy = "check the folder's rights, or copy the card again";
            faults.push(BadInput::new(folder.display().to_string(), "", fault, remedy));
            return;
        }
    };
    for entry in entries.flatten() {
        let path = entry.path();
        let hidden = entry.file_name().to_string_lossy().starts_with('.');
        // A link may lead round in a circle.
        let linked = entry.file_type().is_ok_and(|kind| kind.is_symlink()) && path.is_dir();
        if hidden || linked || found.len() >= MOST {
            continue;
        }
        if path.is_dir() {
            if depth < DEEPEST {
                walk(&path, depth + 1, found, faults);
            }
        } else if is_sound(&path) || has_ending(&path, &["csv", "tsv", "json"]) {
            found.push(path);
        }
    }
}
