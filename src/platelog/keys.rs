//! The headings a log may have, and the nearest one to a heading that is none.

/// Every key of a record, in the order our own tables are written.
pub const KEYS: [&str; 23] = [
    "id",
    "scene",
    "slate",
    "take",
    "camera",
    "roll",
    "clip",
    "media",
    "date",
    "rate",
    "start",
    "end",
    "lock_off",
    "plates",
    "serves",
    "boom",
    "region",
    "capture",
    "unusable",
    "remarks",
    "agreed_by",
    "tolerance",
    "report",
];

/// Headings other reports use for the same thing. They are suggested, not read: whether a
/// report's `in` is a take's start or a plate's is for its owner to say. Common practice,
/// no source.
const OTHER_WORDS: [(&str, &str); 25] = [
    ("reel", "roll"),
    ("tape", "roll"),
    ("mag", "roll"),
    ("card", "roll"),
    ("camroll", "roll"),
    ("cam", "camera"),
    ("unit", "camera"),
    ("filename", "media"),
    ("file", "media"),
    ("clipname", "clip"),
    ("setup", "slate"),
    ("shot", "slate"),
    ("board", "slate"),
    ("fps", "rate"),
    ("framerate", "rate"),
    ("tcin", "start"),
    ("starttc", "start"),
    ("tcout", "end"),
    ("endtc", "end"),
    ("notes", "remarks"),
    ("comments", "remarks"),
    ("cleanplate", "plates"),
    ("shootdate", "date"),
    ("resolution", "capture"),
    ("uid", "id"),
];

/// Headings longer than this are no misspelt heading.
const LONGEST_HEADING: usize = 40;

/// Leaves out what a heading may be written with: case, spaces, underscores, hyphens.
fn plain(heading: &str) -> String {
    heading
        .chars()
        .filter(|letter| !letter.is_whitespace() && !matches!(letter, '_' | '-' | '\u{FEFF}'))
        .flat_map(char::to_lowercase)
        .collect()
}

/// Returns the key a heading means, if it is one.
///
/// ```
/// # use platesmith::platelog::key_of;
/// assert_eq!(key_of("Lock-Off"), Some("lock_off"));
/// assert_eq!(key_of("reel"), None);
/// ```
pub fn key_of(heading: &str) -> Option<&'static str> {
    let heading = plain(heading);
    KEYS.into_iter().find(|key| plain(key) == heading)
}

/// Returns the known key a heading most likely stands for: another report's word for it, or
/// at most two letters away and more alike than different.
pub(super) fn nearest(heading: &str) -> Option<&'static str> {
    let heading = plain(heading);
    if heading.is_empty() || heading.chars().count() > LONGEST_HEADING {
        return None;
    }
    if let Some((_, key)) = OTHER_WORDS.into_iter().find(|(word, _)| *word == heading) {
        return Some(key);
    }
    let counted = KEYS.into_iter().map(|key| (edits(&heading, &plain(key)), key));
    // Of equals the one that begins alike: `plate` is plates, not slate.
    let begins = |key: &str| plain(key).starts_with(heading.get(..1).unwrap_or_default());
    let (edits, key) = counted.min_by_key(|(edits, key)| (*edits, !begins(key)))?;
    (edits <= 2 && edits * 2 < plain(key).len()).then_some(key)
}

/// Counts the letters to insert, delete or replace to make one word from the other.
///
/// Source: Wagner and Fischer, J. ACM 21, 168-173 (1974).
fn edits(from: &str, to: &str) -> usize {
    let to: Vec<char> = to.chars().collect();
    let mut row: Vec<usize> = (0..=to.len()).collect();
    for (deleted, letter) in from.chars().enumerate() {
        let mut diagonal = row[0];
        row[0] = deleted + 1;
        for (at, other) in to.iter().enumerate() {
            let replaced = diagonal + usize::from(letter != *other);
            diagonal = row[at + 1];
            row[at + 1] = replaced.min(row[at] + 1).min(diagonal + 1);
        }
    }
    row[to.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headings_are_read_in_any_dress() {
        for heading in ["agreed_by", "Agreed By", "AGREED-BY", "agreedby", " agreed by "] {
            assert_eq!(key_of(heading), Some("agreed_by"), "{heading}");
        }
    }

    #[test]
    fn a_misspelt_heading_finds_its_neighbour() {
        for (heading, key) in [
            ("plate", Some("plates")),
            ("remaks", Some("remarks")),
            ("Reel", Some("roll")),
            ("lockof", Some("lock_off")),
            ("weather", None),
            ("", None),
        ] {
            assert_eq!(nearest(heading), key, "{heading}");
        }
    }

    #[test]
    fn edits_meet_the_textbook_example() {
        // kitten to sitting takes three edits; the usual example, from memory.
        assert_eq!(edits("kitten", "sitting"), 3);
        assert_eq!(edits("", "abc"), 3);
        assert_eq!(edits("abc", "abc"), 0);
    }
}
