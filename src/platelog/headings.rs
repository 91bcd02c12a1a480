//! The headings that reports of sound, camera and script bear, and what each stands for.
//! Common practice (published guides to such reports, reports written by recorders), no
//! standard.

use super::{KEYS, Report, key_of};
use crate::settings::Settings;

/// What a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Column {
    /// A key of the log.
    Key(&'static str),
    /// How long the take ran.
    Length,
    /// Something a report holds and a plate log has no use for.
    Other,
}

/// Words for keys of the log that are not the key itself, and which kind of report they
/// speak for.
const WORDS: [(&str, &str, Option<Report>); 62] = [
    ("filename", "media", None),
    ("file", "media", None),
    ("soundfile", "media", Some(Report::Sound)),
    ("wavfile", "media", Some(Report::Sound)),
    ("tape", "roll", Some(Report::Sound)),
    ("reel", "roll", None),
    ("mag", "roll", Some(Report::Camera)),
    ("magazine", "roll", Some(Report::Camera)),
    ("card", "roll", None),
    ("rollno", "roll", None),
    ("rollnumber", "roll", None),
    ("camroll", "roll", Some(Report::Camera)),
    ("cameraroll", "roll", Some(Report::Camera)),
    ("camcard", "roll", Some(Report::Camera)),
    ("cam", "camera", None),
    ("unit", "camera", None),
    ("cameraletter", "camera", Some(Report::Camera)),
    ("cameraid", "camera", Some(Report::Camera)),
    ("clipname", "clip", None),
    ("clipno", "clip", None),
    ("clipnumber", "clip", None),
    ("clipid", "clip", None),
    ("cameraclip", "clip", None),
    ("sc", "scene", None),
    ("sceneno", "scene", None),
    ("scenenumber", "scene", None),
    ("setup", "slate", None),
    ("setupno", "slate", None),
    ("shot", "slate", None),
    ("board", "slate", None),
    ("slateno", "slate", None),
    ("slatenumber", "slate", None),
    ("tk", "take", None),
    ("takeno", "take", None),
    ("takenumber", "take", None),
    ("fps", "rate", None),
    ("framerate", "rate", None),
    ("timecoderate", "rate", None),
    ("tcrate", "rate", None),
    ("tcin", "start", None),
    ("tcstart", "start", None),
    ("starttc", "start", None),
    ("timecodein", "start", None),
    ("starttimecode", "start", None),
    ("timecodestart", "start", None),
    ("starttime", "start", None),
    ("tc", "start", None),
    ("timecode", "start", None),
    ("tcout", "end", None),
    ("tcend", "end", None),
    ("endtc", "end", None),
    ("timecodeout", "end", None),
    ("endtimecode", "end", None),
    ("timecodeend", "end", None),
    ("note", "remarks", None),
    ("notes", "remarks", None),
    ("comment", "remarks", None),
    ("comments", "remarks", None),
    ("plate", "plates", None),
    ("cleanplate", "plates", None),
    ("cleanplates", "plates", None),
    ("shootdate", "date", None),
];

/// Words for how long a take ran.
const LENGTHS: [&str; 5] = ["length", "duration", "dur", "takelength", "len"];

/// Words for what a plate log has no use for.
const OTHERS: [(&str, Option<Report>); 70] = [
    ("channels", Some(Report::Sound)),
    ("samplerate", Some(Report::Sound)),
    ("bitdepth", Some(Report::Sound)),
    ("wild", Some(Report::Sound)),
    ("wildtrack", Some(Report::Sound)),
    ("ubits", Some(Report::Sound)),
    ("userbits", Some(Report::Sound)),
    ("user", None),
    ("tracks", Some(Report::Sound)),
    ("tracknames", Some(Report::Sound)),
    ("mixer", Some(Report::Sound)),
    ("tone", Some(Report::Sound)),
    ("filetype", None),
    ("filesize", None),
    ("size", None),
    ("circled", None),
    ("circle", None),
    ("print", None),
    ("good", None),
    ("ok", None),
    ("select", None),
    ("ng", None),
    ("falsestart", None),
    ("project", None),
    ("production", None),
    ("episode", None),
    ("day", None),
    ("shootday", None),
    ("page", None),
    ("pages", Some(Report::Script)),
    ("time", None),
    ("description", Some(Report::Script)),
    ("action", Some(Report::Script)),
    ("dialogue", Some(Report::Script)),
    ("soundroll", Some(Report::Script)),
    ("soundcard", Some(Report::Script)),
    ("soundreel", Some(Report::Script)),
    ("shotsize", Some(Report::Script)),
    ("shotdescription", Some(Report::Script)),
    ("intext", Some(Report::Script)),
    ("dn", Some(Report::Script)),
    ("daynight", Some(Report::Script)),
    ("continuity", Some(Report::Script)),
    ("timing", Some(Report::Script)),
    ("location", None),
    ("director", None),
    ("dp", None),
    ("dop", None),
    ("lens", Some(Report::Camera)),
    ("focal", Some(Report::Camera)),
    ("focallength", Some(Report::Camera)),
    ("stop", Some(Report::Camera)),
    ("tstop", Some(Report::Camera)),
    ("iris", Some(Report::Camera)),
    ("filter", Some(Report::Camera)),
    ("filters", Some(Report::Camera)),
    ("nd", Some(Report::Camera)),
    ("shutter", Some(Report::Camera)),
    ("iso", Some(Report::Camera)),
    ("ei", Some(Report::Camera)),
    ("asa", Some(Report::Camera)),
    ("wb", Some(Report::Camera)),
    ("whitebalance", Some(Report::Camera)),
    ("tint", Some(Report::Camera)),
    ("focus", Some(Report::Camera)),
    ("distance", Some(Report::Camera)),
    ("height", Some(Report::Camera)),
    ("tilt", Some(Report::Camera)),
    ("mos", None),
    ("codec", Some(Report::Camera)),
];

/// What a heading stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Known {
    /// What the column holds.
    pub column: Column,
    /// The kind of report it speaks for.
    pub speaks_for: Option<Report>,
    /// Whether it is a word of reports, and no key of ours.
    pub foreign: bool,
}

/// Leaves out all but letters and digits.
fn plain(heading: &str) -> String {
    heading.chars().filter(|l| l.is_alphanumeric()).flat_map(char::to_lowercase).collect()
}

/// Tells what a heading stands for: as the mapping says, as our own key, or as reports use it.
pub(super) fn known(heading: &str, settings: &Settings) -> Option<Known> {
    if let Some(column) = mapped(heading, settings) {
        return Some(Known { column, speaks_for: None, foreign: true });
    }
    let plain = plain(heading);
    let own = || KEYS.into_iter().find(|key| self::plain(key) == plain);
    if let Some(key) = key_of(heading).or_else(own) {
        return Some(Known { column: Column::Key(key), speaks_for: None, foreign: false });
    }
    let foreign = |column, speaks_for| Some(Known { column, speaks_for, foreign: true });
    if let Some((_, key, speaks_for)) = WORDS.into_iter().find(|(word, ..)| *word == plain) {
        return foreign(Column::Key(key), speaks_for);
    }
    if LENGTHS.contains(&plain.as_str()) {
        return foreign(Column::Length, None);
    }
    if let Some((_, speaks_for)) = OTHERS.into_iter().find(|(word, _)| *word == plain) {
        return foreign(Column::Other, speaks_for);
    }
    let numbered = |word: &str| {
        let number = plain.strip_prefix(word).unwrap_or_default();
        !number.is_empty() && number.bytes().all(|byte| byte.is_ascii_digit())
    };
    let track = ["t", "tr", "trk", "track", "ch", "channel", "a"].into_iter().any(numbered);
    if track { foreign(Column::Other, Some(Report::Sound)) } else { None }
}

/// What the mapping of the settings says of a heading.
fn mapped(heading: &str, settings: &Settings) -> Option<Column> {
    if settings.log_columns.is_empty() {
        return None;
    }
    let own = plain(heading);
    let (_, word) = settings.log_columns.iter().find(|(known, _)| plain(known) == own)?;
    column(word)
}

/// Reads what a mapping may say a column holds.
pub(super) fn column(word: &str) -> Option<Column> {
    match word.trim() {
        "ignore" | "" => Some(Column::Other),
        "length" => Some(Column::Length),
        key => KEYS.into_iter().find(|known| *known == key).map(Column::Key),
    }
}

/// Tells whether a mapping may say this of a column, and lists what it may say.
///
/// # Errors
///
/// The words there are.
pub fn check_mapping(word: &str) -> Result<(), String> {
    match column(word) {
        Some(_) => Ok(()),
        None => Err(format!("write one of: {}, length, ignore", KEYS.join(", "))),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_trades_words_are_known_in_any_dress() {
        let of = |heading| known(heading, &Settings::default()).map(|known| known.column);
        for (heading, column) in [
            ("File Name", Some(Column::Key("media"))),
            ("Cam. Roll", Some(Column::Key("roll"))),
            ("TC IN", Some(Column::Key("start"))),
            ("Take #", Some(Column::Key("take"))),
            ("Trk 12", Some(Column::Other)),
            ("T5", Some(Column::Other)),
            ("Duration", Some(Column::Length)),
            ("plates", Some(Column::Key("plates"))),
            ("Wetter", None),
            ("", None),
        ] {
            assert_eq!(of(heading), column, "{heading}");
        }
    }

    #[test]
    fn a_mapping_goes_before_all() {
        let mut settings = Settings::default();
        settings.log_columns.insert("Bild-Rolle".into(), "roll".into());
        settings.log_columns.insert("notes".into(), "ignore".into());
        let of = |heading| known(heading, &settings).map(|known| known.column);
        assert_eq!(of("bild rolle"), Some(Column::Key("roll")));
        assert_eq!(of("Notes"), Some(Column::Other));
        assert!(check_mapping("rolls").is_err() && check_mapping("length").is_ok());
    }
}
