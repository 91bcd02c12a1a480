//! Finding the media a timeline or a log means, in the folders the user names.

use super::folders::{self, Entry, stem_and_ending};
use super::images::{self, Numbered};
use super::info::MediaInfo;
use super::open::{Media, OpenOptions, open_with};
use super::unnamed::Spoken;
use super::url;
use crate::error::{BadInput, Faults};
use crate::time::{FrameRange, FrameShift, Rate, ceil, floor, whole};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use unicode_normalization::UnicodeNormalization;

/// Letters a name must have at least to be looked for as the beginning of a file name.
/// Ours: "1" or "A1" would begin half the files of a show.
const SHORTEST_BEGINNING: usize = 4;

/// What is looked for. Every field may be empty.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Request {
    /// URLs as the timeline writes them.
    pub urls: Vec<String>,
    /// Folder that relative URLs count from.
    pub base: Option<PathBuf>,
    /// Image sequences as the timeline writes them.
    pub sequences: Vec<SequenceUrl>,
    /// File names, names without ending, clip names.
    pub names: Vec<String>,
    /// Frames of the take that are needed (take clock), and their rate.
    pub take: Option<(FrameRange, Rate)>,
    /// First and last frame of the whole take as the cut or the log state them (take clock), and
    /// their rate: what finds media that nothing names.
    pub whole: Vec<(FrameRange, Rate)>,
}

/// An image sequence as a timeline writes it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SequenceUrl {
    /// URL of its folder.
    pub folder: String,
    /// What stands before the number.
    pub prefix: String,
    /// What stands after the number.
    pub suffix: String,
}

/// By which clue media were found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum How {
    /// The URL names a file that is there.
    Url,
    /// The file name is the same.
    FileName,
    /// The name without its ending is the same.
    Stem,
    /// The name begins the same, and the timecode holds what is needed.
    Timecode,
    /// No name fits; start timecode and length are those of the whole take.
    Length,
}

/// What was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Found {
    /// Media, of image sequences one file, and the clue that found them.
    One(PathBuf, How),
    /// Different media with equal claims, sorted.
    Several(Vec<PathBuf>),
    /// Nothing.
    None,
}

type Opened = Result<Arc<Media>, Faults>;

/// An index of media folders.
pub struct Locator {
    pub(super) entries: Vec<Entry>,
    by_name: BTreeMap<String, Vec<usize>>,
    by_folded_name: BTreeMap<String, Vec<usize>>,
    by_folded_stem: BTreeMap<String, Vec<usize>>,
    options: OpenOptions,
    pub(super) spoken: Spoken,
    opened: Mutex<BTreeMap<PathBuf, Opened>>,
}

impl Locator {
    /// Indexes folders, and the folders inside them, once. Faults name folders that cannot
    /// be read; the others are still indexed.
    pub fn new(folders: &[PathBuf]) -> (Locator, Vec<BadInput>) {
        Locator::with_options(folders, OpenOptions::default())
    }

    /// Indexes folders; media are opened with these options.
    pub fn with_options(folders: &[PathBuf], options: OpenOptions) -> (Locator, Vec<BadInput>) {
        let (entries, faults) = folders::walk(folders);
        let mut locator = Locator {
            entries,
            by_name: BTreeMap::new(),
            by_folded_name: BTreeMap::new(),
            by_folded_stem: BTreeMap::new(),
            options,
            spoken: Spoken::default(),
            opened: Mutex::new(BTreeMap::new()),
        };
        for (at, entry) in locator.entries.iter().enumerate() {
            locator.by_name.entry(entry.name.clone()).or_default().push(at);
            locator.by_folded_name.entry(fold(&entry.name)).or_default().push(at);
            if entry.media {
                locator.by_folded_stem.entry(fold(&entry.stem)).or_default().push(at);
            }
        }
        (locator, faults)
    }

    /// Returns the media files and first files of image runs in the folders, sorted.
    pub fn media_files(&self) -> impl Iterator<Item = &Path> {
        self.entries.iter().filter(|entry| entry.media).map(|entry| entry.path.as_path())
    }

    /// Keeps what cut and log name for itself: none of these files is found for another by its
    /// length.
    pub fn reserve(&mut self, requests: impl Iterator<Item = Request>) {
        let names = requests.flat_map(|request| request.all_names());
        self.spoken.extend(
            names
                .flat_map(|name| {
                    let stem = fold(&stem_and_ending(&name).0);
                    [run_name(&name).map(|run| fold(&stem_and_ending(&run).0)), Some(stem)]
                })
                .flatten(),
        );
    }

    /// Opens media once and keeps what is known of them.
    ///
    /// # Errors
    ///
    /// As [`open_with`]; the same faults each time.
    pub fn media(&self, path: &Path) -> Result<Arc<Media>, Faults> {
        let lock = || self.opened.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(known) = lock().get(path) {
            return known.clone();
        }
        let media = open_with(path, self.options).map(Arc::new);
        lock().entry(path.to_path_buf()).or_insert(media).clone()
    }

    /// Finds media: by URL; else by file name; else by the name without ending; else by the
    /// beginning of the name together with the timecode. Upper and lower case are told
    /// apart only if that finds something. Where no name helps, the whole take's start and length
    /// do, among media that nobody names. Among equally named media the timecode decides,
    /// then the folders they share with the URL; copies with one content count as one.
    pub fn locate(&self, request: &Request) -> Found {
        if let Some(path) = by_url(request) {
            return Found::One(path, How::Url);
        }
        let names = request.all_names();
        for (how, candidates) in [
            (How::FileName, self.named(&names)),
            (How::Stem, self.stemmed(&names)),
            (How::Timecode, self.beginning(&names, request)),
            (How::Length, Vec::new()),
        ] {
            let candidates = if how == How::Length { self.unnamed(request) } else { candidates };
            match self.decide(candidates, request) {
                Found::One(path, _) => return Found::One(path, how),
                Found::Several(paths) => return Found::Several(paths),
                Found::None => {}
            }
        }
        Found::None
    }

    fn named(&self, names: &[String]) -> Vec<usize> {
        let exact = gather(names.iter().flat_map(|name| {
            let run = run_name(name);
            self.by_name.get(name).into_iter().chain(run.and_then(|run| self.by_name.get(&run)))
        }));
        if !exact.is_empty() {
            return exact;
        }
        gather(names.iter().flat_map(|name| {
            let run = run_name(name).map(|run| fold(&run));
            let folded = self.by_folded_name.get(&fold(name));
            folded.into_iter().chain(run.and_then(|run| self.by_folded_name.get(&run)))
        }))
    }

    fn stemmed(&self, names: &[String]) -> Vec<usize> {
        gather(names.iter().flat_map(|name| {
            let (stem, ending) = stem_and_ending(name);
            let without = (!ending.is_empty()).then_some(stem);
            let whole = self.by_folded_stem.get(&fold(name));
            whole.into_iter().chain(without.and_then(|stem| self.by_folded_stem.get(&fold(&stem))))
        }))
    }

    /// Media whose name begins with one of the names, up to a separator, and whose timecode
    /// holds what is needed.
    fn beginning(&self, names: &[String], request: &Request) -> Vec<usize> {
        if request.take.is_none() {
            return Vec::new();
        }
        let mut found = Vec::new();
        for name in names.iter().map(|name| fold(&stem_and_ending(name).0)) {
            if name.chars().count() < SHORTEST_BEGINNING {
                continue;
            }
            let after = self.by_folded_stem.range(name.clone()..);
            for (stem, entries) in after.take_while(|(stem, _)| stem.starts_with(&name)) {
                let next = stem[name.len()..].chars().next();
                if next.is_none_or(|letter| !letter.is_alphanumeric()) {
                    found.extend(entries.iter().copied());
                }
            }
        }
        found.retain(|at| self.span(*at, request) == Span::Holds);
        found
    }

    /// Leaves one candidate: by timecode where there are several, else by equal content.
    fn decide(&self, mut candidates: Vec<usize>, request: &Request) -> Found {
        candidates.sort_unstable();
        candidates.dedup();
        if candidates.len() > 1 && request.take.is_some() {
            let spans: Vec<Span> = candidates.iter().map(|at| self.span(*at, request)).collect();
            let best = spans.iter().copied().max().unwrap_or(Span::Unknown);
            let mut keep = spans.iter().map(|span| *span == best);
            candidates.retain(|_| keep.next().unwrap_or(false));
        }
        let mut paths: Vec<&Path> =
            candidates.iter().map(|at| self.entries[*at].path.as_path()).collect();
        paths.sort();
        keep_same_folders(&mut paths, request);
        match paths.as_slice() {
            [] => Found::None,
            [only] => Found::One(only.to_path_buf(), How::FileName),
            [first, rest @ ..] if self.same_content(first, rest) => {
                Found::One(first.to_path_buf(), How::FileName)
            }
            several => Found::Several(several.iter().map(|path| path.to_path_buf()).collect()),
        }
    }

    fn same_content(&self, first: &Path, rest: &[&Path]) -> bool {
        let id = |path: &Path| self.media(path).ok()?.content_id(false).ok();
        let first = id(first);
        first.is_some() && rest.iter().all(|path| id(path) == first)
    }

    fn span(&self, at: usize, request: &Request) -> Span {
        let Some(entry) = self.entries.get(at) else { return Span::Unknown };
        match (&request.take, self.media(&entry.path)) {
            (Some((range, rate)), Ok(media)) => span_of(media.info(), *range, *rate),
            _ => Span::Unknown,
        }
    }
}

/// Keeps the paths that share the most folders with a URL: a volume that is mounted
/// elsewhere has another beginning, and the same folders below it.
fn keep_same_folders(paths: &mut Vec<&Path>, request: &Request) {
    if paths.len() < 2 {
        return;
    }
    let files = request.urls.iter().cloned();
    let urls: Vec<String> = files
        .chain(request.sequences.iter().map(|s| format!("{}/", s.folder.trim_end_matches('/'))))
        .collect();
    let shared = |path: &Path| urls.iter().map(|url| folders_shared(path, url)).max().unwrap_or(0);
    let most = paths.iter().map(|path| shared(path)).max().unwrap_or(0);
    paths.retain(|path| shared(path) == most);
}

/// How the timecode of media lies to the needed frames, the worst first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Span {
    Apart,
    Unknown,
    Touches,
    Holds,
}

/// Compares spans on the file's clock; a day more or less is the same label.
fn span_of(info: &MediaInfo, range: FrameRange, rate: Rate) -> Span {
    let Some(start) = info.start else { return Span::Unknown };
    let wanted = FrameRange::new(
        floor(&info.rate.rescale(&whole(range.start.0), rate)),
        ceil(&info.rate.rescale(&whole(range.end.0), rate)),
    );
    let length = i64::try_from(info.frames).unwrap_or(i64::MAX);
    let there = FrameRange::new(start.frame.0, start.frame.0.saturating_add(length));
    let day = start.counting.frames_in_day();
    [-day, 0, day]
        .into_iter()
        .map(|days| match wanted.shifted(FrameShift(days)) {
            wanted if there.contains(wanted) => Span::Holds,
            wanted if there.overlap(wanted).is_some() => Span::Touches,
            _ => Span::Apart,
        })
        .max()
        .unwrap_or(Span::Apart)
}

impl Request {
    /// Returns all names: as given, and the last part of each URL.
    fn all_names(&self) -> Vec<String> {
        let mut names: Vec<String> =
            self.urls.iter().flat_map(|url| url::last_parts(url)).collect();
        names.extend(self.sequences.iter().map(|s| format!("{}*{}", s.prefix, s.suffix)));
        names.extend(self.names.iter().map(|name| name.trim().to_string()));
        names.retain(|name| !name.is_empty());
        names
    }
}

/// Returns the first path a URL of the request means that is there.
fn by_url(request: &Request) -> Option<PathBuf> {
    let base = request.base.as_deref();
    let files = request.urls.iter().flat_map(|url| url::paths(url, base));
    if let Some(path) = files.filter_map(|path| there(&path)).next() {
        return Some(path);
    }
    request.sequences.iter().find_map(|sequence| {
        url::paths(&sequence.folder, base).into_iter().find_map(|folder| {
            there(&folder.join(format!("{}%d{}", sequence.prefix, sequence.suffix)))
        })
    })
}

/// Returns a path if something can be opened there: a file, a folder of one run, a pattern
/// of image files (then the first of them).
fn there(path: &Path) -> Option<PathBuf> {
    if path.is_file() {
        return Some(path.to_path_buf());
    }
    images::first_of(path)
}

/// Returns the name a run of image files is indexed under, for any file or pattern of it.
fn run_name(name: &str) -> Option<String> {
    if let Some((prefix, suffix)) = images::around_number(name) {
        return Some(format!("{prefix}*{suffix}"));
    }
    let numbered = Numbered::split(name)?;
    Some(format!("{}*{}", numbered.prefix, numbered.suffix))
}

fn gather<'a>(found: impl Iterator<Item = &'a Vec<usize>>) -> Vec<usize> {
    found.flatten().copied().collect()
}

/// Returns a name as names compare: without case, and with accents the way most disks keep
/// them. A timeline from a disk that keeps them apart writes "u" and a combining diaeresis
/// where the next disk has "ü" (Unicode Standard Annex 15, canonical equivalence).
pub(super) fn fold(name: &str) -> String {
    name.nfc().collect::<String>().to_lowercase()
}

/// Returns how many folders above the file a path and a URL share, counted from the file.
fn folders_shared(path: &Path, url: &str) -> usize {
    let of_path = path.to_string_lossy().into_owned();
    let backwards =
        |text: &str| -> Vec<String> { text.split(['/', '\\']).rev().skip(1).map(fold).collect() };
    let of_path = backwards(&of_path);
    let shared =
        |url: &str| of_path.iter().zip(backwards(url)).take_while(|(a, b)| *a == b).count();
    let decoded = percent_encoding::percent_decode_str(url).decode_utf8_lossy();
    shared(url).max(shared(&decoded))
}
