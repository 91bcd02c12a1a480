//! What a use says about the take it shows, gathered before any record is looked at.

use super::names::{self, is_distinct, roll_of, stem};
use crate::time::{Exact, Frame, FrameRange, Rate, floor};
use crate::timeline::{ReferenceKind, Use};
use std::collections::BTreeSet;

/// Where a use's frames lie, and on which clock that is known to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TimeClue {
    /// The frames used.
    pub range: FrameRange,
    /// Their rate.
    pub rate: Rate,
    /// True if `range` is known to be take time. Otherwise it is the timeline's media time,
    /// which may as well count from the file's first frame.
    pub is_take_time: bool,
}

/// What a use says about the take it shows.
///
/// [`UseClues::of`] reads the timeline; [`UseClues::with_media`] and
/// [`UseClues::with_range`] add what the media themselves say.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct UseClues {
    /// How a sentence names the use: shot or clip name, else its pointer.
    pub label: String,
    /// Metadata texts under keys that hold an id.
    pub ids: Vec<String>,
    /// Names of media files, without folders; prefixes of image sequences.
    pub media_names: Vec<String>,
    /// Names in metadata that may be a camera clip's, and names of media references.
    pub source_names: Vec<String>,
    /// Reel, roll and tape names.
    pub rolls: Vec<String>,
    /// Scene in the metadata.
    pub scene: Option<String>,
    /// Slate in the metadata.
    pub slate: Option<String>,
    /// Take in the metadata.
    pub take: Option<String>,
    /// Camera in the metadata.
    pub camera: Option<String>,
    /// The clip's name in the cut.
    pub clip: String,
    /// Dates of the recording.
    pub dates: Vec<String>,
    /// The frames used.
    pub time: Option<TimeClue>,
    /// First frame of the media on the take clock, and its rate.
    pub media_start: Option<(Frame, Rate)>,
}

/// What a metadata key holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Holds {
    Scene,
    Slate,
    Take,
    Camera,
    Roll,
    Date,
    Name,
    Id,
    Other,
}

/// Tells what a key holds by its last word: hosts agree on little but these names.
/// Common practice, no source.
fn holds(pointer: &str) -> Holds {
    let key = pointer.rsplit('/').next().unwrap_or_default();
    let plain: String =
        key.chars().filter(|l| l.is_alphanumeric()).collect::<String>().to_lowercase();
    let bare = ["name", "no", "number"]
        .iter()
        .find_map(|end| plain.strip_suffix(end).filter(|rest| rest.len() >= 4))
        .unwrap_or(&plain);
    match bare {
        "scene" | "scenenum" => Holds::Scene,
        "slate" | "setup" | "slateinfo" => Holds::Slate,
        "take" | "takenum" => Holds::Take,
        "camera" | "cam" | "cameraletter" | "cameraid" | "cameraindex" => Holds::Camera,
        "reel" | "roll" | "tape" | "camroll" | "cameraroll" | "reelid" | "tapeid"
        | "sourcereel" | "sourcetape" => Holds::Roll,
        "date" | "shootdate" | "shootingdate" | "daterecorded" | "recorddate" | "dateshot" => {
            Holds::Date
        }
        _ if ["uid", "uuid", "guid", "umid", "id"].iter().any(|end| bare.ends_with(end)) => {
            Holds::Id
        }
        _ if ["file", "clip", "source", "path", "url"].iter().any(|word| plain.contains(word)) => {
            Holds::Name
        }
        _ => Holds::Other,
    }
}

impl UseClues {
    /// Gathers what the timeline says.
    ///
    /// The clip clock is taken for the take clock where nothing says otherwise, and marked
    /// as not proven.
    pub fn of(used: &Use) -> UseClues {
        let label = [used.shot_name.as_deref(), Some(used.clip.as_str())]
            .into_iter()
            .flatten()
            .find(|name| !name.is_empty())
            .unwrap_or(&used.pointer);
        let mut clues =
            UseClues { label: label.to_string(), clip: used.clip.clone(), ..UseClues::default() };
        for reference in &used.references {
            match &reference.kind {
                ReferenceKind::External { url } => clues.media_names.push(file_name(url)),
                ReferenceKind::Sequence { base, prefix, .. } => {
                    clues.media_names.push(decoded(prefix));
                    clues.source_names.push(file_name(base.trim_end_matches('/')));
                }
                ReferenceKind::Missing | ReferenceKind::Other(_) => {}
            }
            clues.source_names.extend(reference.name.as_deref().map(|name| stem(name).to_string()));
        }
        for (pointer, text) in &used.texts {
            clues.note(holds(pointer), text.trim());
        }
        for names in [&mut clues.media_names, &mut clues.source_names, &mut clues.rolls] {
            names.retain(|name| !name.is_empty());
        }
        clues.time = used.used_in_clip.map(|range| TimeClue {
            range,
            rate: used.clip_rate,
            is_take_time: false,
        });
        clues.media_start = used.references.first().and_then(|reference| {
            let (start, _): &(Exact, Exact) = reference.available.as_ref()?;
            // A start of zero is what a host writes that knows no timecode.
            let start = Frame(floor(start));
            (start != Frame(0)).then_some((start, used.clip_rate))
        });
        clues
    }

    fn note(&mut self, holds: Holds, text: &str) {
        if text.is_empty() {
            return;
        }
        let first = |slot: &mut Option<String>| {
            slot.get_or_insert_with(|| text.to_string());
        };
        match holds {
            Holds::Scene => first(&mut self.scene),
            Holds::Slate => first(&mut self.slate),
            Holds::Take => first(&mut self.take),
            Holds::Camera => first(&mut self.camera),
            Holds::Roll => self.rolls.push(text.to_string()),
            Holds::Date => self.dates.push(text.to_string()),
            Holds::Id => self.ids.push(text.to_string()),
            Holds::Name => self.source_names.push(file_name(text)),
            // A note may speak of any clip: only a text that is one name counts.
            Holds::Other if !text.contains(char::is_whitespace) => {
                self.source_names.push(file_name(text));
            }
            Holds::Other => {}
        }
    }

    /// Adds what the media themselves say: file names, reel, date of recording, and the
    /// take frame of the first frame with its rate.
    pub fn with_media(
        mut self,
        file_names: &[String],
        reel: Option<&str>,
        date: Option<&str>,
        start: Option<(Frame, Rate)>,
    ) -> UseClues {
        for name in file_names {
            let name = name.rsplit(['/', '\\']).next().unwrap_or_default().to_string();
            if !name.is_empty() && !self.media_names.contains(&name) {
                self.media_names.push(name);
            }
        }
        self.rolls.extend(reel.map(String::from));
        self.dates.extend(date.map(String::from));
        self.media_start = start.or(self.media_start);
        self
    }

    /// Sets the frames used, on the take clock.
    pub fn with_range(mut self, range_in_take: FrameRange, rate: Rate) -> UseClues {
        self.time = Some(TimeClue { range: range_in_take, rate, is_take_time: true });
        self
    }

    /// Returns every roll the use may be on, as rolls compare: named as such, or the head of
    /// a camera clip's name.
    pub(super) fn roll_keys(&self) -> BTreeSet<String> {
        let mut keys = BTreeSet::new();
        for roll in &self.rolls {
            keys.insert(names::key(roll));
        }
        for name in self.rolls.iter().chain(&self.media_names).chain(&self.source_names) {
            let words = names::words(stem(name));
            let Some(first) = words.first() else { continue };
            if words.len() > 1 && is_distinct(first) {
                keys.insert(first.clone());
            }
            let pair = words.iter().take(2).map(String::as_str).collect::<String>();
            keys.extend([first.as_str(), &pair].into_iter().filter_map(roll_of).map(String::from));
        }
        keys.remove("");
        keys
    }
}

/// Returns the last part of a URL or path, percent-decoded.
fn file_name(url: &str) -> String {
    let name = decoded(url.rsplit(['/', '\\']).next().unwrap_or_default());
    // A decoded slash is a separator that was escaped.
    name.rsplit(['/', '\\']).next().unwrap_or_default().to_string()
}

fn decoded(text: &str) -> String {
    percent_encoding::percent_decode_str(text).decode_utf8_lossy().into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_told_by_their_last_word() {
        for (pointer, wanted) in [
            ("/metadata/host/Scene", Holds::Scene),
            ("/metadata/host/take_no", Holds::Take),
            ("/metadata/x/Camera Roll", Holds::Roll),
            ("/metadata/x/Reel Name", Holds::Roll),
            ("/metadata/x/Tape", Holds::Roll),
            ("/metadata/x/Source File", Holds::Name),
            ("/metadata/x/Clip Name", Holds::Name),
            ("/metadata/x/mediaUUID", Holds::Id),
            ("/metadata/x/creation_date", Holds::Other),
            ("/metadata/x/comment", Holds::Other),
        ] {
            assert_eq!(holds(pointer), wanted, "{pointer}");
        }
    }

    #[test]
    fn urls_are_cut_and_decoded() {
        assert_eq!(file_name("file:///vol/day%204/A014%20C007.mov"), "A014 C007.mov");
        assert_eq!(file_name("C:\\media\\A014C007.mov"), "A014C007.mov");
        assert_eq!(file_name(""), "");
    }

    #[test]
    fn rolls_are_read_from_reel_texts_and_clip_names() {
        let clues = UseClues {
            rolls: vec!["A014".into()],
            media_names: vec!["B002C003_310203_R1AB.mov".into(), "C003_C001.mov".into()],
            ..UseClues::default()
        };
        let keys: Vec<String> = clues.roll_keys().into_iter().collect();
        assert_eq!(keys, ["a014", "b002", "b002c003", "c003"]);
    }
}
