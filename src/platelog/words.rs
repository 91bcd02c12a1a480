//! What people write about plates in the remarks of a report: `3s head PL`, `tail NG`,
//! `no plate`, `boom out 2nd half`. Common practice, no source.

use super::{PlateKind, PlateNote, PointRange, cells};

/// Words that say a plate is yet to be rolled, or was forgotten: no claim of one.
const STILL_TO_COME: [&str; 14] = [
    "need", "needs", "needed", "want", "wants", "wanted", "missing", "missed", "forgot", "owe",
    "owed", "later", "todo", "tbd",
];
/// Words before `plate` that make it another thing.
const OTHER_PLATES: [&str; 9] =
    ["license", "licence", "number", "name", "dinner", "hot", "base", "metal", "paper"];

/// Reads the remarks of a report.
///
/// Only phrases that speak of a plate count, and phrases that hold nothing but head or tail
/// with a length or a judgement. `plate_words` are the words for a plate.
pub(super) fn plates_in(remarks: &str, plate_words: &[String]) -> Vec<PlateNote> {
    phrases(remarks).into_iter().flat_map(|phrase| of_phrase(phrase, plate_words, false)).collect()
}

/// Reads a cell of a column for plates: a plate log's own words, a tick, or remarks in which
/// a plate is understood.
pub(super) fn plates_of_column(cell: &str, plate_words: &[String]) -> Option<Vec<PlateNote>> {
    let plain = cell.trim().to_lowercase();
    if ["y", "yes", "x", "true", "\u{2713}", "\u{2714}", "ok"].contains(&plain.as_str()) {
        return Some(vec![PlateNote::BARE]);
    }
    if ["n", "no", "none", "false", "-", "\u{2013}"].contains(&plain.as_str()) {
        return Some(vec![none()]);
    }
    let ours: Result<Vec<PlateNote>, _> = cells::plates(cell).into_iter().collect();
    ours.ok().or_else(|| {
        let of = |phrase| of_phrase(phrase, plate_words, true);
        let read: Vec<PlateNote> = phrases(cell).into_iter().flat_map(of).collect();
        (!read.is_empty()).then_some(read)
    })
}

/// What says that there is no plate.
fn none() -> PlateNote {
    PlateNote { good: false, ..PlateNote::BARE }
}

/// Tells whether a text speaks of a plate.
pub(super) fn names_plate(text: &str, plate_words: &[String]) -> bool {
    speaks_of_plate(&tokens(text), plate_words)
}

/// Cuts remarks at commas and the like; a full stop ends a phrase only before a blank.
fn phrases(remarks: &str) -> Vec<&str> {
    let mut found = Vec::new();
    for part in remarks.split([',', '|', '/', '\n', '\r', '(', ')', '\u{2022}']) {
        for part in part.split(". ") {
            // A semicolon inside a timecode says drop-frame.
            let mut from = 0;
            let bytes = part.as_bytes();
            for (at, _) in part.match_indices(';') {
                let digit = |at: Option<usize>| {
                    at.and_then(|at| bytes.get(at)).is_some_and(u8::is_ascii_digit)
                };
                if !(digit(at.checked_sub(1)) && digit(Some(at + 1))) {
                    found.push(&part[from..at]);
                    from = at + 1;
                }
            }
            found.push(&part[from..]);
        }
    }
    found
}

fn tokens(text: &str) -> Vec<String> {
    text.split(|letter: char| !letter.is_alphanumeric() && letter != '.')
        .map(|word| word.trim_matches('.').to_lowercase())
        .filter(|word| !word.is_empty())
        .collect()
}

/// Tells whether a word is one for a plate, with a number behind it or not: `PL`, `plate2`.
fn is_plate_word(word: &str, plate_words: &[String]) -> bool {
    let bare = word.trim_end_matches(|letter: char| letter.is_ascii_digit());
    ["plate", "plates", "cleanplate", "cleanplates"].contains(&bare)
        || plate_words.iter().any(|known| known.eq_ignore_ascii_case(bare))
}

fn speaks_of_plate(words: &[String], plate_words: &[String]) -> bool {
    words.iter().enumerate().any(|(at, word)| {
        let before = at.checked_sub(1).and_then(|at| words.get(at));
        is_plate_word(word, plate_words)
            && !before.is_some_and(|before| OTHER_PLATES.contains(&before.as_str()))
    })
}

/// Returns what the suffix of a plate take follows: take `3PL` is the plate of take 3.
///
/// Suffixes are a setting; common practice, no source.
pub(super) fn plate_of<'n>(name: &'n str, plate_words: &[String]) -> Option<&'n str> {
    let trimmed = name.trim_end_matches(|letter: char| letter.is_ascii_digit());
    [name, trimmed].into_iter().find_map(|name| {
        let letters = name.trim_end_matches(|letter: char| letter.is_ascii_alphabetic()).len();
        let (before, suffix) = name.split_at_checked(letters)?;
        let bare = before.trim_end_matches(['_', '-', ' ', '.']);
        let cut = bare.len() < before.len() || before.ends_with(|l: char| l.is_ascii_digit());
        (cut && !bare.is_empty() && is_plate_word(&suffix.to_lowercase(), plate_words))
            .then_some(bare)
    })
}

/// Tells which end of a take a word names.
pub(super) fn kind_of(word: &str) -> Option<PlateKind> {
    match word {
        "head" | "heads" => Some(PlateKind::Head),
        "tail" | "tails" => Some(PlateKind::Tail),
        _ => None,
    }
}

fn of_phrase(phrase: &str, plate_words: &[String], understood: bool) -> Vec<PlateNote> {
    let range = range_in(phrase);
    let words = tokens(phrase);
    if words.iter().any(|word| STILL_TO_COME.contains(&word.as_str())) {
        return Vec::new();
    }
    if let Some(note) = boom_away(&words) {
        return vec![note];
    }
    let read = Read::of(&words, plate_words);
    let named = speaks_of_plate(&words, plate_words);
    let alone =
        read.only_known && !read.kinds.is_empty() && (read.judged || !read.seconds.is_empty());
    if !named && !alone && !understood {
        return Vec::new();
    }
    if named && read.denied {
        return vec![none()];
    }
    let note = |kind: Option<PlateKind>, seconds: Option<f64>| PlateNote {
        kind,
        range: range.clone(),
        seconds,
        good: read.good,
        ..PlateNote::BARE
    };
    match read.kinds.as_slice() {
        [] => vec![note(None, read.seconds.first().copied())],
        // Two ends in one phrase have no range in common.
        [first, second] => {
            let second_length = read.seconds.get(1).or(read.seconds.first()).copied();
            let of =
                |kind: &PlateKind, seconds| PlateNote { range: None, ..note(Some(*kind), seconds) };
            vec![of(first, read.seconds.first().copied()), of(second, second_length)]
        }
        [only, ..] => vec![note(Some(*only), read.seconds.first().copied())],
    }
}

/// What the words of one phrase add up to.
struct Read {
    kinds: Vec<PlateKind>,
    seconds: Vec<f64>,
    good: bool,
    judged: bool,
    denied: bool,
    /// Whether every word is one of ours.
    only_known: bool,
}

impl Read {
    fn of(words: &[String], plate_words: &[String]) -> Read {
        let mut read = Read {
            kinds: Vec::new(),
            seconds: Vec::new(),
            good: true,
            judged: false,
            denied: false,
            only_known: true,
        };
        let mut at = 0;
        while let Some(word) = words.get(at) {
            let next = words.get(at + 1).map(String::as_str);
            at += 1;
            if let Some(kind) = kind_of(word) {
                if !read.kinds.contains(&kind) {
                    read.kinds.push(kind);
                }
            } else if let Some((length, taken)) = cells::seconds(word, next) {
                read.seconds.push(length);
                at += taken;
            } else {
                at += usize::from(read.word(word, next, plate_words));
            }
        }
        read
    }

    /// Reads a word of judgement; true if the next word belongs to it.
    fn word(&mut self, word: &str, next: Option<&str>, plate_words: &[String]) -> bool {
        match (word, next) {
            ("no", Some("good")) => (self.good, self.judged) = (false, true),
            ("not", Some("good" | "usable")) => (self.good, self.judged) = (false, true),
            ("no" | "without" | "w/o", _) => {
                self.denied = true;
                return false;
            }
            ("ng" | "bad" | "unusable" | "spoiled" | "spoilt", _) => {
                (self.good, self.judged) = (false, true);
                return false;
            }
            ("ok" | "good" | "gd", _) => {
                self.judged = true;
                return false;
            }
            ("and" | "clean" | "a" | "each", _) => return false,
            _ if is_plate_word(word, plate_words) => return false,
            _ => {
                self.only_known = false;
                return false;
            }
        }
        true
    }
}

/// `boom out 2nd half`: a hint where a plate may lie. The boom itself is not taken to be
/// bounded by half a take.
fn boom_away(words: &[String]) -> Option<PlateNote> {
    let at = words.iter().position(|word| word == "boom")?;
    let rest: Vec<&str> = words.get(at + 1..)?.iter().map(String::as_str).collect();
    let out = match *rest.first()? {
        "out" | "clear" | "gone" | "leaves" => true,
        "in" | "enters" => false,
        _ => return None,
    };
    let half = rest.iter().skip(1).find_map(|word| match *word {
        "1st" | "first" | "head" | "top" | "start" | "beginning" => Some(PlateKind::Head),
        "2nd" | "second" | "last" | "tail" | "end" => Some(PlateKind::Tail),
        _ => None,
    })?;
    let kind = match (half, out) {
        (kind, true) => kind,
        (PlateKind::Head, false) => PlateKind::Tail,
        (_, false) => PlateKind::Head,
    };
    Some(PlateNote { kind: Some(kind), ..PlateNote::BARE })
}

/// Finds the first range of two timecodes in a phrase.
fn range_in(phrase: &str) -> Option<PointRange> {
    let spaced: String = phrase.replace(['\u{2013}', '\u{2014}'], "-").replace('-', " - ");
    let words: Vec<&str> = spaced.split_whitespace().collect();
    let is_label = |word: &str| super::points::label_fault(word, None).is_none();
    words.windows(3).find_map(|three| {
        let [from, between, to] = three else { return None };
        let joined = matches!(between.to_lowercase().as_str(), "-" | "to");
        if !(joined && is_label(from) && is_label(to)) {
            return None;
        }
        Some((cells::point(from).ok()?, cells::point(to).ok()?).into())
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::platelog::Point;

    fn read(remarks: &str) -> Vec<PlateNote> {
        plates_in(remarks, &["PL".to_string(), "PLT".to_string()])
    }

    fn head(seconds: Option<f64>) -> PlateNote {
        PlateNote { kind: Some(PlateKind::Head), seconds, ..PlateNote::BARE }
    }

    fn tail(seconds: Option<f64>) -> PlateNote {
        PlateNote { kind: Some(PlateKind::Tail), seconds, ..PlateNote::BARE }
    }

    #[test]
    fn plates_are_told_as_they_are_noted_on_set() {
        let ng = |note: PlateNote| PlateNote { good: false, ..note };
        for (remarks, wanted) in [
            ("3s head PL", vec![head(Some(3.0))]),
            ("tail NG", vec![ng(tail(None))]),
            ("no plate", vec![ng(PlateNote::BARE)]),
            ("Boom out 2nd half", vec![tail(None)]),
            ("boom in first half", vec![tail(None)]),
            ("lovely. 3 s head PL, tail NG", vec![head(Some(3.0)), ng(tail(None))]),
            ("head + tail plates 4s", vec![head(Some(4.0)), tail(Some(4.0))]),
            ("2.5sec head and 5s tail plate", vec![head(Some(2.5)), tail(Some(5.0))]),
            ("clean plate at end of roll", vec![PlateNote::BARE]),
            ("plate no good", vec![ng(PlateNote::BARE)]),
            ("head ok", vec![head(None)]),
        ] {
            assert_eq!(read(remarks), wanted, "{remarks}");
        }
    }

    #[test]
    fn other_words_are_no_plates() {
        for remarks in [
            "Tail Slate Cloth noise",
            "head",
            "licence plate visible",
            "need plate",
            "plate still owed",
            "boom in shot",
            "boom out of battery",
            "good",
            "PLANE",
            "",
        ] {
            assert_eq!(read(remarks), [], "{remarks}");
        }
    }

    #[test]
    fn times_in_remarks_are_kept() {
        for remarks in
            ["PLATE HEAD 10:00:02:00-10:00:05:00", "head pl from 10:00:02:00 to 10:00:05:00"]
        {
            let [note] = read(remarks).try_into().expect("one plate");
            let label = |text: &str| Point::Timecode(text.into());
            let range = (label("10:00:02:00"), label("10:00:05:00")).into();
            assert_eq!(note.range, Some(range), "{remarks}");
            assert_eq!(note.kind, Some(PlateKind::Head));
        }
        assert!(read("PL 00:59:58;20-01:00:02;00")[0].range.is_some(), "drop-frame");
    }

    #[test]
    fn a_column_for_plates_needs_no_word_for_them() {
        let words: [String; 0] = [];
        let column = |cell| plates_of_column(cell, &words);
        assert_eq!(column("yes"), Some(vec![PlateNote::BARE]));
        assert_eq!(column("NO"), Some(vec![none()]));
        assert_eq!(column("head 3s | tail 5s"), Some(vec![head(Some(3.0)), tail(Some(5.0))]));
        assert_eq!(column("3s head, nice"), Some(vec![head(Some(3.0)), PlateNote::BARE]));
    }

    #[test]
    fn a_plate_take_is_told_by_its_suffix() {
        let words = ["PL", "PLT", "PLATE"].map(String::from);
        for (name, wanted) in [
            ("3PL", Some("3")),
            ("12A_PLATE", Some("12A")),
            ("A101-plt", Some("A101")),
            ("3PL2", Some("3")),
            ("3", None),
            ("PL", None),
            ("APPL", None),
        ] {
            assert_eq!(plate_of(name, &words), wanted, "{name}");
        }
    }
}
