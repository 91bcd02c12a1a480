//! Names as they compare: whole words, without case, separators and what transcodes add.

use crate::settings::Settings;

/// Words looked at in one name; no camera writes more.
const MOST_WORDS: usize = 16;
/// Words one clip name is made of at most: `A014_C007_0203_R1AB` has four.
const LONGEST_RUN: usize = 6;
/// A part of a name shorter than this is no clip name: ours.
const SHORTEST_PART: usize = 4;

/// Cuts text into lower-case words of letters and digits.
pub(super) fn words(text: &str) -> Vec<String> {
    text.split(|letter: char| !letter.is_alphanumeric())
        .filter(|word| !word.is_empty())
        .take(MOST_WORDS)
        .map(str::to_lowercase)
        .collect()
}

/// Returns what a name compares by: its words put together.
pub(super) fn key(text: &str) -> String {
    words(text).concat()
}

/// Returns the last part of a path or URL without its extension.
pub(super) fn stem(name: &str) -> &str {
    let name = name.rsplit(['/', '\\']).next().unwrap_or(name);
    match name.rsplit_once('.') {
        Some((stem, ending))
            if !stem.is_empty()
                && (1..=5).contains(&ending.len())
                && ending.chars().all(char::is_alphanumeric)
                && ending.chars().any(char::is_alphabetic) =>
        {
            stem
        }
        _ => name,
    }
}

/// Takes off what proxies and transcodes add to a clip's name.
pub(super) fn without_proxy_suffix<'n>(stem: &'n str, settings: &Settings) -> &'n str {
    let ends = |suffix: &String| {
        let at = stem.len().checked_sub(suffix.len()).filter(|at| *at > 0)?;
        let tail = stem.get(at..)?;
        tail.eq_ignore_ascii_case(suffix).then(|| &stem[..at])
    };
    let shortest = settings.proxy_suffixes.iter().filter(|s| !s.is_empty()).filter_map(ends);
    shortest.min_by_key(|left| left.len()).unwrap_or(stem)
}

/// One part of a name, word to word.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Part {
    /// The words put together.
    pub key: String,
    /// First word and the word after the last.
    pub span: (usize, usize),
}

/// Lists the parts of a name that may be a camera clip's name: all of it, or words that
/// hold letters and digits together. A part followed by a plate suffix is a plate's name.
pub(super) fn parts(words: &[String], settings: &Settings) -> Vec<Part> {
    let is_suffix = |word: &String| settings.plate_suffixes.iter().any(|s| key(s) == *word);
    let last_suffix = words.iter().rposition(is_suffix);
    let mut parts = Vec::new();
    for from in 0..words.len() {
        for to in from + 1..=words.len().min(from + LONGEST_RUN) {
            if last_suffix.is_some_and(|at| to <= at && from < at) {
                continue;
            }
            let key = words[from..to].concat();
            if (from == 0 && to == words.len()) || is_distinct(&key) {
                parts.push(Part { key, span: (from, to) });
            }
        }
    }
    parts
}

/// Tells whether a word can only be a name: letters and digits, and not too short.
pub(super) fn is_distinct(key: &str) -> bool {
    key.chars().count() >= SHORTEST_PART
        && key.chars().any(char::is_alphabetic)
        && key.chars().any(|letter| letter.is_ascii_digit())
}

/// Returns the roll in a clip name such as `a014c007`: letter and digits before `c` and
/// digits. Common practice of digital cameras, no source.
pub(super) fn roll_of(key: &str) -> Option<&str> {
    let letters = key.len() - key.trim_start_matches(|l: char| l.is_ascii_alphabetic()).len();
    let rest = key.get(letters..)?;
    let digits = rest.len() - rest.trim_start_matches(|l: char| l.is_ascii_digit()).len();
    let after = rest.get(digits..)?.strip_prefix('c')?;
    let numbered = after.starts_with(|l: char| l.is_ascii_digit());
    (letters > 0 && digits > 0 && numbered).then(|| &key[..letters + digits])
}

/// Returns the form of a name: `a` for letters, `9` for digits.
pub(super) fn form(key: &str) -> String {
    key.chars().map(|letter| if letter.is_ascii_digit() { '9' } else { 'a' }).collect()
}

/// Returns the camera letter of `A`, `Cam A`, `A-Camera`; `None` for a camera's make.
pub(super) fn camera_letter(text: &str) -> Option<String> {
    let words = words(text);
    let mut left = words.iter().filter(|word| !["cam", "camera", "unit"].contains(&word.as_str()));
    let letter = left.next().filter(|word| word.chars().count() <= 2)?;
    left.next().is_none().then(|| letter.clone())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(name: &str) -> Vec<String> {
        let settings = Settings::default();
        let stem = without_proxy_suffix(stem(name), &settings);
        parts(&words(stem), &settings).into_iter().map(|part| part.key).collect()
    }

    #[test]
    fn a_clip_name_is_found_by_whole_words() {
        for name in [
            "A014C007.mov",
            "a014c007_310203_R1AB.mov",
            "SHOW_A014C007-v2.mxf",
            "A014_C007_310203_R1AB.mov",
            "A014C007.1001.exr",
            "/vol/day 4/A014C007_Proxy.mov",
        ] {
            assert!(found(name).contains(&"a014c007".to_string()), "{name}");
        }
        for name in ["A014C0071.mov", "XA014C007.mov", "A014C007x.mov", "A014C007_PL.mov"] {
            assert!(!found(name).contains(&"a014c007".to_string()), "{name}");
        }
    }

    #[test]
    fn a_number_alone_is_no_clip_unless_it_is_all_of_the_name() {
        assert!(found("007.mov").contains(&"007".to_string()));
        assert!(!found("show_007.mov").contains(&"007".to_string()));
    }

    #[test]
    fn a_plate_suffix_stays_part_of_the_name() {
        assert!(found("A014C007_PL.mov").contains(&"a014c007pl".to_string()));
    }

    #[test]
    fn camera_and_roll_are_read_from_their_usual_forms() {
        assert_eq!(roll_of("a014c007"), Some("a014"));
        assert_eq!(roll_of("c0007"), None);
        assert_eq!(camera_letter("A-Cam").as_deref(), Some("a"));
        assert_eq!(camera_letter("Camera B").as_deref(), Some("b"));
        assert_eq!(camera_letter("Superflex 35"), None);
    }
}
