//! The `bext` chunk of broadcast wave files, every version.
//!
//! Source: EBU Tech 3285 v2 (2011): offsets and types.

use super::riff::word;
use super::text;

/// What a `bext` chunk says.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Bext {
    /// The description: up to its first zero. What recorders leave behind it is not text.
    pub description: String,
    /// Date as written, if there is one.
    pub date: Option<String>,
    /// Samples since midnight at the first sample, at the file's rate.
    pub time_reference: u64,
}

impl Bext {
    /// Reads a chunk; `None` if it ends before the time reference.
    pub fn read(bytes: &[u8]) -> Option<Bext> {
        let low = word(bytes, 338)?;
        let high = word(bytes, 342)?;
        let part = |from: usize, to: usize| {
            let field = bytes.get(from..to).unwrap_or_default();
            let end = field.iter().position(|byte| *byte == 0).unwrap_or(field.len());
            text::plain(field.get(..end).unwrap_or_default()).trim().to_string()
        };
        let date = part(320, 330);
        Some(Bext {
            description: part(0, 256),
            date: Some(date).filter(|date| date.chars().any(|l| l.is_ascii_digit() && l != '0')),
            time_reference: u64::from(high) << 32 | u64::from(low),
        })
    }

    /// Returns what the description says under a key such as `SCENE`: a line `SCENE=12`,
    /// with or without the letter some recorders put first. Common practice, no source.
    pub fn said(&self, key: &str) -> Option<&str> {
        self.description.split(['\r', '\n']).find_map(|line| {
            let (name, value) = line.split_once('=').map(|(n, v)| (n.trim(), v.trim()))?;
            let bare = name.strip_prefix(|first: char| first.is_ascii_lowercase()).unwrap_or(name);
            let fits = bare.eq_ignore_ascii_case(key) || name.eq_ignore_ascii_case(key);
            (fits && !value.is_empty()).then_some(value)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Bytes before the coding history.
    const FIXED: usize = 602;

    fn chunk(description: &[u8], reference: u64, version: u16) -> Vec<u8> {
        let mut bytes = vec![0; FIXED];
        bytes[..description.len()].copy_from_slice(description);
        bytes[320..330].copy_from_slice(b"2031:05:14");
        bytes[338..346].copy_from_slice(&reference.to_le_bytes());
        bytes[346..348].copy_from_slice(&version.to_le_bytes());
        bytes
    }

    #[test]
    fn every_version_gives_its_time_reference_in_64_bits() {
        for version in [0, 1, 2, 7] {
            let bext = Bext::read(&chunk(b"", 8_302_694_400, version)).expect("whole");
            assert_eq!(bext.time_reference, 8_302_694_400);
            assert_eq!(bext.date.as_deref(), Some("2031:05:14"));
        }
    }

    #[test]
    fn what_stands_behind_the_first_zero_is_no_description() {
        let bext =
            Bext::read(&chunk(b"sSCENE=12A\r\nsTAKE=03\0sTAKE=99\xFF", 0, 1)).expect("whole");
        assert_eq!(bext.said("SCENE"), Some("12A"));
        assert_eq!(bext.said("TAKE"), Some("03"));
        for first in ["", "g", "s", "x"] {
            let text = format!("{first}NOTE= head plate ");
            let bext = Bext::read(&chunk(text.as_bytes(), 0, 0)).expect("whole");
            assert_eq!(bext.said("NOTE"), Some("head plate"), "{first}");
        }
        assert_eq!(bext.said("NOTE"), None);
    }

    #[test]
    fn a_chunk_that_is_cut_short_is_none() {
        assert_eq!(Bext::read(&[0; 345]), None);
        assert_eq!(
            Bext::read(&[0; 346]).map(|bext| (bext.time_reference, bext.date)),
            Some((0, None))
        );
    }
}
