//! Opens the media of a use: found by name or by length, and what is said of it if not.

use super::sources::{Source, Whole};
use super::subject::{Learnt, Reviewer};
use crate::matching::UseClues;
use crate::platelog::Record;
use crate::reason::{Code, Reason, Severity};
use crate::timeline::Use;
use std::path::{Path, PathBuf};

impl Reviewer<'_> {
    /// Opens the media; afterwards the match has been made again with what they say.
    pub(super) fn open(
        &mut self,
        used: &Use,
        clues: &UseClues,
        learnt: &mut Learnt,
    ) -> Vec<Reason> {
        if !self.job.picture {
            return Vec::new();
        }
        let names = media_names(used, learnt.matched.record.map(|at| &self.records[at]));
        let stop = |code, text: String| vec![Reason::new(code, Severity::Stop, text)];
        let noted = learnt.matched.record.and_then(|at| self.whole_take(at, used));
        match self.sources.of(used, &names, noted) {
            Source::NotAsked => Vec::new(),
            Source::Missing(names) if names.is_empty() => {
                stop(Code::MediaMissing, "The clip points at no media file.".into())
            }
            Source::Missing(names) => {
                stop(Code::MediaMissing, format!("No media file found for {}.", names.join(", ")))
            }
            Source::Several(paths) => {
                let names: Vec<String> = paths.iter().map(|path| self.below_media(path)).collect();
                stop(Code::MediaMissing, format!("Several media files fit: {}.", names.join(", ")))
            }
            Source::Unreadable(path, faults) => {
                let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
                let first = faults.first().map_or("", |fault| fault.fault.as_str());
                stop(Code::MediaUnreadable, format!("{name} cannot be read: {first}."))
            }
            Source::Open(media) => {
                let info = media.info();
                let start = info.start.map(|tag| (tag.frame, info.rate));
                let with_media = clues.clone().with_media(
                    std::slice::from_ref(&info.name),
                    info.reel.as_deref(),
                    None,
                    start,
                );
                learnt.matched = self.matcher.find(&with_media);
                if self.sources.found_by_length() {
                    learnt.reasons.push(found_by_length(&names, &info.name));
                }
                learnt.media = Some(media);
                Vec::new()
            }
        }
    }

    /// Names a file from the media folder it lies in, so that results say the same wherever
    /// the folders are.
    fn below_media(&self, path: &Path) -> String {
        let folders = self.job.media.iter();
        let below = folders.filter_map(|folder| {
            path.strip_prefix(folder).ok().map(Path::to_path_buf).or_else(|| {
                let folder = folder.canonicalize().ok()?;
                Some(path.canonicalize().ok()?.strip_prefix(folder).ok()?.to_path_buf())
            })
        });
        let below = below.min_by_key(|below| below.components().count());
        let name = || PathBuf::from(path.file_name().unwrap_or_default());
        let parts = below.unwrap_or_else(name);
        let parts: Vec<_> =
            parts.components().map(|part| part.as_os_str().to_string_lossy()).collect();
        parts.join("/")
    }

    /// The whole take as a record notes it, at the rate its frames are counted at.
    fn whole_take(&self, record: usize, used: &Use) -> Option<Whole> {
        self.matcher.whole_take(record, used.clip_rate)
    }
}

/// Media that bear none of the names were taken all the same; somebody should know.
fn found_by_length(names: &[String], found: &str) -> Reason {
    let names = names.join(", ");
    let text = format!(
        "No media file found for {names}; {found} was taken: the only file that nobody names with \
         that start timecode and length."
    );
    Reason::new(Code::MediaMissing, Severity::Attention, text)
}

fn media_names(used: &Use, record: Option<&Record>) -> Vec<String> {
    let logged = record.into_iter().flat_map(|record| [record.media.clone(), record.clip.clone()]);
    let named = used.references.iter().map(|reference| reference.name.clone());
    let mut names: Vec<String> = named
        .chain(logged)
        .flatten()
        .chain([used.clip.clone()])
        .filter(|name| !name.is_empty())
        .collect();
    names.dedup();
    names
}
