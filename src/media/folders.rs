//! What media lie in folders: walked once, sorted, image runs as one entry.

use super::images::{self, Codec};
use super::open::shown_name;
use crate::error::BadInput;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Endings of containers that may hold the picture of a take.
const CONTAINERS: [&str; 26] = [
    "mov", "mp4", "m4v", "qt", "mxf", "mkv", "webm", "avi", "y4m", "nut", "dv", "gxf", "lxf",
    "3gp", "mj2", "ts", "mts", "m2ts", "m2t", "mpg", "mpeg", "wmv", "asf", "flv", "ogv", "h264",
];

/// Folders inside folders that are entered. Ours: far above any real tree, it only ends
/// trees that do not end by themselves.
const DEEPEST: usize = 64;

/// Files that are indexed at most. Ours: a feature's camera masters as image files on one
/// volume; more would fill the memory before it helps.
const MOST_FILES: usize = 20_000_000;

/// A file, or a run of image files.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Entry {
    /// The file, or the first file of the run.
    pub path: PathBuf,
    /// File name; of a run `prefix*suffix`.
    pub name: String,
    /// Name without ending; of a run the prefix without its last separator.
    pub stem: String,
    /// True if its ending is that of picture media.
    pub media: bool,
    /// Prefix and suffix of a run.
    pub run: Option<(String, String)>,
}

/// Walks folders. Hidden files and folders are left out; a folder that is reached twice,
/// through a link or because one given folder holds another, is walked once.
pub(super) fn walk(folders: &[PathBuf]) -> (Vec<Entry>, Vec<BadInput>) {
    let mut walk = Walk::default();
    for folder in folders {
        match std::fs::metadata(folder) {
            Ok(about) if about.is_dir() => walk.folder(folder, 0),
            Ok(_) => walk.file(folder, &shown_name(folder)),
            Err(why) => walk.faults.push(unreadable(folder, &why)),
        }
    }
    walk.entries.sort();
    walk.entries.dedup();
    (walk.entries, walk.faults)
}

#[derive(Default)]
struct Walk {
    entries: Vec<Entry>,
    faults: Vec<BadInput>,
    seen: BTreeSet<PathBuf>,
    files: usize,
    full: bool,
}

impl Walk {
    fn folder(&mut self, folder: &Path, depth: usize) {
        let Ok(real) = folder.canonicalize() else { return };
        if depth > DEEPEST || self.full || !self.seen.insert(real) {
            return;
        }
        let listing = match std::fs::read_dir(folder) {
            Ok(listing) => listing,
            Err(why) => return self.faults.push(unreadable(folder, &why)),
        };
        let mut inside: Vec<(String, PathBuf)> = listing
            .flatten()
            .map(|entry| (entry.file_name().to_string_lossy().into_owned(), entry.path()))
            .filter(|(name, _)| !name.starts_with('.'))
            .collect();
        inside.sort();
        let mut images = Vec::new();
        for (name, path) in inside {
            // Follows links; a link to nothing is no file.
            match std::fs::metadata(&path) {
                Ok(about) if about.is_dir() => self.folder(&path, depth + 1),
                Ok(about) if about.is_file() => {
                    self.count();
                    if Codec::of_ending(&path).is_some() {
                        images.push(name);
                    } else {
                        self.file(&path, &name);
                    }
                }
                _ => {}
            }
        }
        self.runs(folder, &images);
    }

    fn count(&mut self) {
        self.files += 1;
        if self.files > MOST_FILES && !self.full {
            self.full = true;
            self.faults.push(BadInput::new(
                "",
                "",
                format!("more than {MOST_FILES} files lie in the media folders"),
                "name the folders of this show only",
            ));
        }
    }

    fn file(&mut self, path: &Path, name: &str) {
        let (stem, ending) = stem_and_ending(name);
        let media = CONTAINERS.contains(&ending.as_str()) || Codec::of_ending(path).is_some();
        let (path, name) = (path.to_path_buf(), name.to_string());
        self.entries.push(Entry { path, name, stem, media, run: None });
    }

    fn runs(&mut self, folder: &Path, names: &[String]) {
        for ((prefix, suffix), files) in images::group(names.iter().map(String::as_str)) {
            let Some((_, first)) = files.first() else { continue };
            let path = folder.join(first);
            if suffix.is_empty() {
                self.file(&path, first);
                continue;
            }
            let stem = prefix.trim_end_matches(['.', '_', '-', ' ']).to_string();
            let name = format!("{prefix}*{suffix}");
            self.entries.push(Entry { path, name, stem, media: true, run: Some((prefix, suffix)) });
        }
    }
}

/// Splits a name at its ending, which is given in lower case. A dot that begins more than
/// five letters, or none, begins no ending.
pub(super) fn stem_and_ending(name: &str) -> (String, String) {
    match name.rsplit_once('.') {
        Some((stem, ending))
            if !stem.is_empty()
                && (1..=5).contains(&ending.len())
                && ending.bytes().all(|byte| byte.is_ascii_alphanumeric()) =>
        {
            (stem.to_string(), ending.to_ascii_lowercase())
        }
        _ => (name.to_string(), String::new()),
    }
}

fn unreadable(folder: &Path, why: &std::io::Error) -> BadInput {
    BadInput::new(
        folder.display().to_string(),
        "",
        super::container::said(why),
        "check the path, whether the volume is mounted and who may read it",
    )
}
