//! Finds and opens the media of uses, each file once.

use super::Pulls;
use crate::error::{BadInput, Faults};
use crate::media::{Found, How, Locator, Media, OpenOptions, Request, SequenceUrl, open_with};
use crate::platelog::Record;
use crate::time::{FrameRange, Rate, floor};
use crate::timeline::{Bundle, MediaPlace, MediaReference, ReferenceKind, Use};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::rc::Rc;

/// What became of the media of one use.
#[derive(Debug, Clone)]
pub enum Source {
    /// Pictures were not asked for.
    NotAsked,
    /// Nothing fits; the names that were looked for.
    Missing(Vec<String>),
    /// Several files fit equally well.
    Several(Vec<PathBuf>),
    /// It was found and cannot be read.
    Unreadable(PathBuf, Vec<BadInput>),
    /// It was found and opened.
    Open(Rc<Media>),
}

/// Media folders, and every file opened so far.
pub struct Sources {
    locator: Locator,
    bundle: Bundle,
    /// Media taken out of a zip bundle.
    unpacked: Option<tempfile::TempDir>,
    threads: u32,
    verify: bool,
    /// Full-size pulls, and how names of proxies end.
    pulls: Option<(Pulls, Vec<String>)>,
    opened: BTreeMap<Opened, Result<Rc<Media>, Faults>>,
    /// What a listed use needs of the files opened.
    needed: BTreeSet<Opened>,
    last: Option<Opened>,
    /// True: the media asked for last were found by their length.
    by_length: bool,
}

/// A file and how it is read.
type Opened = (PathBuf, Option<Pace>);

/// Rate of an image sequence, and how many frames each of its files stands for.
type Pace = (Rate, u32);

/// First and last frame of a whole take, and their rate.
pub type Whole = (FrameRange, Rate);

impl Sources {
    /// Indexes the media folders; relative URLs start from where `bundle` lies.
    pub fn new(folders: &[PathBuf], bundle: &Bundle, threads: u32) -> (Sources, Vec<BadInput>) {
        let (locator, faults) = Locator::new(folders);
        let sources = Sources {
            locator,
            bundle: bundle.clone(),
            unpacked: None,
            threads,
            verify: false,
            pulls: None,
            opened: BTreeMap::new(),
            needed: BTreeSet::new(),
            last: None,
            by_length: false,
        };
        (sources, faults)
    }

    /// Tells media by all their bytes, if `verify`.
    pub fn verifying(mut self, verify: bool) -> Sources {
        self.verify = verify;
        self
    }

    /// Takes the folders for full-size pulls: where the cut says its media lie is not looked
    /// at, and names are looked for without what ends the names of proxies.
    pub fn of_pulls(mut self, pulls: Pulls, proxy_suffixes: &[String]) -> Sources {
        self.pulls = Some((pulls, proxy_suffixes.to_vec()));
        self
    }

    /// Keeps what uses and records name from being found for another by its length.
    pub fn reserve(&mut self, uses: &[Use], records: &[Record]) {
        let used = uses.iter().map(|used| {
            let clip = used.references.iter().filter_map(|reference| reference.name.clone());
            self.request(used, &clip.chain([used.clip.clone()]).collect::<Vec<_>>(), None)
        });
        let logged = records.iter().map(|record| {
            let names = [&record.media, &record.clip].into_iter().flatten().cloned().collect();
            Request { names, ..Request::default() }
        });
        let all: Vec<Request> = used.chain(logged).collect();
        self.locator.reserve(all.into_iter());
    }

    /// Tells that nothing names the media asked for last: they were found by their length.
    pub fn found_by_length(&self) -> bool {
        self.by_length
    }

    /// Finds and opens the media of a use; `noted` is the whole take as its record states it.
    /// The first reference that leads to a file wins.
    pub fn of(&mut self, used: &Use, names: &[String], noted: Option<Whole>) -> Source {
        self.last = None;
        self.by_length = false;
        match self.packed(used) {
            Some(Ok(path)) => return self.open(&path, sequence_pace(used)),
            Some(Err(fault)) => {
                return Source::Unreadable(PathBuf::from(&fault.place), vec![fault]);
            }
            None => {}
        }
        let request = match &self.pulls {
            Some((pulls, suffixes)) => {
                pulled(self.request(used, names, noted), used, pulls, suffixes)
            }
            None => self.request(used, names, noted),
        };
        match self.locator.locate(&request) {
            Found::One(path, how) => {
                self.by_length = how == How::Length;
                self.open(&path, sequence_pace(used))
            }
            Found::Several(paths) => Source::Several(paths),
            Found::None => Source::Missing(wanted(&request)),
        }
    }

    /// Finds and opens media by name, for takes that the cut itself does not use.
    pub fn named(&mut self, names: &[String]) -> Source {
        self.last = None;
        let request = Request { names: names.to_vec(), ..Request::default() };
        match self.locator.locate(&request) {
            Found::One(path, _) => self.open(&path, None),
            Found::Several(paths) => Source::Several(paths),
            Found::None => Source::Missing(wanted(&request)),
        }
    }

    /// Opens one file, or returns it as opened before.
    fn open(&mut self, path: &Path, pace: Option<Pace>) -> Source {
        let (threads, verify) = (self.threads, self.verify);
        let key = (path.to_path_buf(), pace);
        self.last = Some(key.clone());
        let opened = self.opened.entry(key).or_insert_with(|| {
            let sequence_rate = pace.map(|(rate, _)| rate);
            let frame_step = pace.map_or(1, |(_, step)| step);
            open_with(path, OpenOptions { sequence_rate, frame_step, threads, verify }).map(Rc::new)
        });
        match opened {
            Ok(media) => Source::Open(Rc::clone(media)),
            Err(faults) => Source::Unreadable(path.to_path_buf(), faults.0.clone()),
        }
    }

    /// Tells that the file opened last belongs to a listed use, so that its faults count.
    pub fn need_last(&mut self) {
        self.needed.extend(self.last.take());
    }

    /// Returns every fault met while opening, and what is wrong with media that opened, of
    /// the media that listed uses need.
    pub fn faults(&self) -> Vec<BadInput> {
        let needed = self.opened.iter().filter(|(key, _)| self.needed.contains(key));
        needed
            .flat_map(|(_, opened)| match opened {
                Ok(media) => media.warnings().to_vec(),
                Err(faults) => faults.0.clone(),
            })
            .collect()
    }

    /// Returns the folder of media taken out of a zip bundle. Opened media read from it for
    /// as long as it is kept.
    pub fn into_unpacked(self) -> Option<tempfile::TempDir> {
        self.unpacked
    }

    /// Takes the media of a use out of a zip bundle, if they lie in one.
    fn packed(&mut self, used: &Use) -> Option<Result<PathBuf, BadInput>> {
        if self.pulls.is_some() {
            return None;
        }
        let urls = used.references.iter().filter_map(url);
        let entry =
            urls.filter_map(|url| self.bundle.resolve(&url)).find_map(|place| match place {
                MediaPlace::Packed { entry, .. } => Some(entry),
                MediaPlace::File(_) => None,
            })?;
        if self.unpacked.is_none() {
            match tempfile::tempdir() {
                Ok(folder) => self.unpacked = Some(folder),
                Err(io) => {
                    let fault = format!("no room to unpack it: {io}");
                    return Some(Err(BadInput::new("bundle", entry, fault, "free some disk")));
                }
            }
        }
        let folder = self.unpacked.as_ref()?;
        Some(self.bundle.extract(&entry, folder.path()))
    }

    fn request(&self, used: &Use, names: &[String], noted: Option<Whole>) -> Request {
        Request {
            urls: used.references.iter().filter_map(url).collect(),
            base: self.bundle.base().map(Path::to_path_buf),
            sequences: used.references.iter().filter_map(sequence).collect(),
            names: names.to_vec(),
            take: used.used_in_clip.map(|range| (range, used.clip_rate)),
            whole: used.references.iter().filter_map(|one| whole(one, used)).chain(noted).collect(),
        }
    }
}

/// Returns what is looked for in place of a proxy.
fn pulled(request: Request, used: &Use, pulls: &Pulls, suffixes: &[String]) -> Request {
    let named = wanted(&request).into_iter().map(|name| {
        let (stem, ending) = name.rsplit_once('.').unwrap_or((&name, ""));
        let full = suffixes.iter().find_map(|suffix| stem.strip_suffix(suffix.as_str()));
        match full {
            Some(full) => full.to_string(),
            None if ending.is_empty() => name.clone(),
            None => stem.to_string(),
        }
    });
    let runs = request.sequences.iter();
    let runs = runs.map(|one| one.prefix.trim_end_matches(['.', '_']).to_string());
    let shots = pulls.names.get(&used.pointer).into_iter().flatten().cloned();
    let mut names: Vec<String> = named.chain(runs).chain(shots).collect();
    names.retain(|name| !name.is_empty());
    names.dedup();
    Request { urls: Vec::new(), base: None, sequences: Vec::new(), names, ..request }
}

/// The whole take as a timeline states it; only if in whole frames.
fn whole(reference: &MediaReference, used: &Use) -> Option<Whole> {
    let (start, end) = reference.available.as_ref()?;
    let range = (start.is_integer() && end.is_integer() && start < end)
        .then(|| FrameRange::new(floor(start), floor(end)))?;
    Some((range, used.clip_rate))
}

fn url(reference: &MediaReference) -> Option<String> {
    match &reference.kind {
        ReferenceKind::External { url } => Some(url.clone()),
        _ => None,
    }
}

fn sequence(reference: &MediaReference) -> Option<SequenceUrl> {
    match &reference.kind {
        ReferenceKind::Sequence { base, prefix, suffix, .. } => Some(SequenceUrl {
            folder: base.clone(),
            prefix: prefix.clone(),
            suffix: suffix.clone(),
        }),
        _ => None,
    }
}

/// The pace of the image files of a sequence: each stands for `frame_step` frames.
fn sequence_pace(used: &Use) -> Option<Pace> {
    used.references.iter().find_map(|reference| match &reference.kind {
        ReferenceKind::Sequence { frame_step, rate, .. } => {
            let step = u32::try_from(*frame_step).ok().filter(|step| *step > 0)?;
            Some((rate.unwrap_or(used.clip_rate), step))
        }
        _ => None,
    })
}

fn wanted(request: &Request) -> Vec<String> {
    let last = |url: &String| url.rsplit(['/', '\\']).next().unwrap_or_default().to_string();
    let mut names: Vec<String> = request
        .urls
        .iter()
        .map(last)
        .chain(request.names.iter().cloned())
        .filter(|name| !name.is_empty())
        .collect();
    names.dedup();
    names
}
