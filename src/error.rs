//! Faults in what was given to the program: a file, a place in it, the value as read,
//! and what to do about it.
//!
//! A fault in a file is an error. A shortcoming of a shot is a [`crate::reason::Reason`].

use serde::{Deserialize, Serialize};

/// One fault of one file, said so that the reader can repair it.
///
/// The four parts are printed as
///
/// ```text
/// error: reel3.csv, row 14, column "plates": "10:22:61:04" is not a timecode: seconds run 00-59
///   help: correct the seconds, or delete the row if no plate was rolled
/// ```
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct BadInput {
    /// The file as the user named it, or its name without folders. Results hold the name
    /// alone, so that they are the same wherever the folders are.
    #[serde(serialize_with = "name_alone")]
    pub file: String,
    /// Where in the file: row and column, JSON pointer, chunk and byte, frame. May be empty.
    pub place: String,
    /// What is wrong, with the value as read.
    pub fault: String,
    /// What to do about it.
    pub remedy: String,
}

impl BadInput {
    /// Returns the file's name without its folders.
    pub fn file_name(&self) -> &str {
        without_folders(&self.file)
    }

    /// Makes a fault from its four parts; `place` may be empty.
    pub fn new(
        file: impl Into<String>,
        place: impl Into<String>,
        fault: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        Self { file: file.into(), place: place.into(), fault: fault.into(), remedy: remedy.into() }
    }
}

fn name_alone<S: serde::Serializer>(file: &str, out: S) -> Result<S::Ok, S::Error> {
    out.serialize_str(without_folders(file))
}

fn without_folders(file: &str) -> &str {
    let path = file.trim_end_matches(['/', '\\']);
    path.rsplit(['/', '\\']).next().filter(|name| !name.is_empty()).unwrap_or(file)
}

impl std::fmt::Display for BadInput {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}", self.file)?;
        if !self.place.is_empty() {
            write!(f, ", {}", self.place)?;
        }
        write!(f, ": {}", self.fault)
    }
}

impl std::error::Error for BadInput {}

/// One or more faults that stopped a piece of work. Never empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Faults(pub Vec<BadInput>);

impl std::fmt::Display for Faults {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (at, fault) in self.0.iter().enumerate() {
            if at > 0 {
                writeln!(f)?;
            }
            write!(f, "{fault}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Faults {}

impl From<BadInput> for Faults {
    fn from(fault: BadInput) -> Self {
        Self(vec![fault])
    }
}

impl Faults {
    /// Makes a single fault from its four parts.
    pub fn one(
        file: impl Into<String>,
        place: impl Into<String>,
        fault: impl Into<String>,
        remedy: impl Into<String>,
    ) -> Self {
        BadInput::new(file, place, fault, remedy).into()
    }
}

/// Shows text from a file safely: control characters escaped, at most `limit` characters.
///
/// ```
/// # use platesmith::error::shown;
/// assert_eq!(shown("a\u{7}b", 10), "a\\u{7}b");
/// assert_eq!(shown("abcdef", 3), "abc...");
/// ```
pub fn shown(text: &str, limit: usize) -> String {
    let mut out = String::new();
    for (at, letter) in text.chars().enumerate() {
        if at == limit {
            out.push_str("...");
            break;
        }
        if letter.is_control() {
            out.extend(letter.escape_default());
        } else {
            out.push(letter);
        }
    }
    out
}
