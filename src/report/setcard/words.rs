//! The words of the card, in whatever language.

use crate::error::{BadInput, Faults, shown};
use serde::Deserialize;
use std::path::Path;

/// The words of the card. A translation holds the same keys.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs, reason = "see en.toml, which says what each stands for")]
pub struct Words {
    pub lang: String,
    pub title: String,
    pub subtitle: String,
    pub card_of: String,
    pub production: String,
    pub day: String,
    pub unit: String,
    pub boom: String,
    pub agree_title: String,
    pub agree: Vec<String>,
    pub agree_note: String,
    pub ask_title: String,
    pub ask_head: String,
    pub ask_tail: String,
    pub ask_shot: String,
    pub ask_runs: String,
    pub ask_need: String,
    pub ask_passes: String,
    pub ask_once: String,
    pub ask_unknown: String,
    pub ask_note: String,
    pub calls_title: String,
    pub calls: Vec<String>,
    pub round_title: String,
    pub round: Vec<String>,
    pub lock_title: String,
    pub lock: Vec<String>,
    pub frame_title: String,
    pub frame: Vec<String>,
    pub frame_capture: String,
    pub frame_delivery: String,
    pub care_title: String,
    pub care: Vec<String>,
    pub log_title: String,
    pub log_note: String,
    pub log_columns: Vec<String>,
}

impl Words {
    /// The heads of the table of lengths, in the order of its columns.
    pub(super) fn length_heads(&self) -> [&str; 6] {
        [
            &self.ask_shot,
            &self.ask_runs,
            &self.ask_need,
            &self.ask_head,
            &self.ask_tail,
            &self.ask_passes,
        ]
    }
}

const ENGLISH: &str = include_str!("en.toml");
const GERMAN: &str = include_str!("de.toml");

/// Largest translation that is read, in bytes; ours.
const LARGEST: u64 = 1 << 20;

/// Returns the words of a language that is built in (`en`, `de`) or of a translation file;
/// what a file leaves out stays English.
///
/// # Errors
///
/// A file that cannot be read, that is no TOML, or that has keys or values of another kind.
pub fn language(named: Option<&Path>) -> Result<Words, Faults> {
    let Some(path) = named else { return read("en.toml", ENGLISH) };
    match path.to_str() {
        Some("en") => return read("en.toml", ENGLISH),
        Some("de") => return read("de.toml", GERMAN),
        _ => {}
    }
    let name = path.display().to_string();
    let remedy = "give en, de or a translation file after --language";
    let unread = |fault: String| Faults::one(&name, "", fault, remedy);
    let about = std::fs::metadata(path).map_err(|io| unread(format!("cannot be read: {io}")))?;
    if about.len() > LARGEST {
        return Err(unread("is larger than 1 MiB, so it is no translation".into()));
    }
    let text =
        std::fs::read_to_string(path).map_err(|io| unread(format!("cannot be read: {io}")))?;
    read(&name, &text)
}

fn read(name: &str, text: &str) -> Result<Words, Faults> {
    let fault = |fault: toml::de::Error| {
        let line = fault.span().map_or(String::new(), |span| {
            format!("line {}", text[..span.start.min(text.len())].matches('\n').count() + 1)
        });
        let said = shown(&fault.message().replace('\n', " "), 200);
        Faults(vec![BadInput::new(name, line, said, "the keys are those of the English words")])
    };
    let mut words: toml::Table = toml::from_str(ENGLISH).map_err(fault)?;
    let own: toml::Table = toml::from_str(text).map_err(fault)?;
    // A list in another language may be shorter; it is replaced as a whole.
    words.extend(own);
    let words: Words = words.try_into().map_err(|fault: toml::de::Error| {
        let said = shown(&fault.message().replace('\n', " "), 200);
        Faults(vec![BadInput::new(name, "", said, "the keys are those of the English words")])
    })?;
    if words.log_columns.len() != super::LOG_KEYS.len() {
        let fault = format!(
            "log_columns has {} words, and the form {} columns",
            words.log_columns.len(),
            super::LOG_KEYS.len()
        );
        return Err(Faults::one(name, "log_columns", fault, "write one word for each column"));
    }
    Ok(words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn german_has_every_key_of_english() {
        let keys = |text| -> Vec<String> {
            let table: toml::Table = toml::from_str(text).expect("TOML");
            table.keys().cloned().collect()
        };
        assert_eq!(keys(GERMAN), keys(ENGLISH));
        let (en, de) = (read("en", ENGLISH), read("de", GERMAN));
        let (en, de) = (en.expect("words"), de.expect("words"));
        for (a, b) in [(&en.calls, &de.calls), (&en.agree, &de.agree), (&en.care, &de.care)] {
            assert_eq!(a.len(), b.len());
        }
    }

    #[test]
    fn a_translation_may_be_partial_and_may_not_be_wrong() {
        let words = read("fr.toml", "title = \"Fiche de plate\"\n").expect("words");
        assert_eq!(words.title, "Fiche de plate");
        assert_eq!(words.day, "Date");
        for text in ["titel = \"x\"", "title = 3", "calls = \"x\"", "title = ", "log_columns = []"]
        {
            assert!(read("x.toml", text).is_err(), "{text}");
        }
    }
}
