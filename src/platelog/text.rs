//! From the bytes of a log to text: byte order marks, UTF-16, and what is no text at all.

use super::Wrong;

/// A log's text, and what had to be said about its bytes.
pub(super) struct Decoded {
    /// The text, without a byte order mark.
    pub text: String,
    /// Set if bytes were no text and stand as U+FFFD now: place and fault.
    pub damage: Option<(String, Wrong)>,
}

/// First bytes of files that people take for a log, and what they are.
const OTHER_KINDS: [(&[u8], &str, &str); 6] = [
    (b"PK\x03\x04", "is a zip file or a workbook", "export the sheet as CSV and give that file"),
    (b"%PDF", "is a PDF", "give the log as CSV or JSON"),
    (b"\xD0\xCF\x11\xE0", "is an old workbook", "export the sheet as CSV and give that file"),
    (b"RIFF", "is a RIFF file, not a table", "give the log as CSV or JSON"),
    (b"RF64", "is an RF64 file, not a table", "give the log as CSV or JSON"),
    (b"BW64", "is a BW64 file, not a table", "give the log as CSV or JSON"),
];

/// Reads bytes as UTF-8 (with or without a mark) or as UTF-16 with a mark.
///
/// # Errors
///
/// An empty file, another kind of file, or binary data.
pub(super) fn decode(bytes: &[u8]) -> Result<Decoded, (String, Wrong)> {
    for (magic, kind, remedy) in OTHER_KINDS {
        if bytes.starts_with(magic) {
            return Err((String::new(), Wrong::new(kind, remedy)));
        }
    }
    let decoded = match bytes {
        [0xFF, 0xFE, rest @ ..] => utf16(rest, u16::from_le_bytes)?,
        [0xFE, 0xFF, rest @ ..] => utf16(rest, u16::from_be_bytes)?,
        [0xEF, 0xBB, 0xBF, rest @ ..] => utf8(rest, 3)?,
        _ => utf8(bytes, 0)?,
    };
    if decoded.text.trim().is_empty() {
        let wrong = Wrong::new("is empty", "export the log again, or leave the file out");
        return Err((String::new(), wrong));
    }
    Ok(decoded)
}

fn utf8(bytes: &[u8], skipped: usize) -> Result<Decoded, (String, Wrong)> {
    if let Some(at) = bytes.iter().position(|byte| *byte == 0) {
        return Err(binary(skipped + at));
    }
    match std::str::from_utf8(bytes) {
        Ok(text) => Ok(Decoded { text: text.to_string(), damage: None }),
        Err(fault) => {
            let at = fault.valid_up_to();
            let value = bytes.get(at).copied().unwrap_or_default();
            let wrong = Wrong::new(
                format!("is not UTF-8 text: byte 0x{value:02X}"),
                "save the file as UTF-8, and look at the letters with accents",
            );
            let text = String::from_utf8_lossy(bytes).into_owned();
            Ok(Decoded { text, damage: Some((format!("byte {}", skipped + at), wrong)) })
        }
    }
}

fn utf16(bytes: &[u8], unit: fn([u8; 2]) -> u16) -> Result<Decoded, (String, Wrong)> {
    let units: Vec<u16> = bytes.chunks_exact(2).map(|pair| unit([pair[0], pair[1]])).collect();
    if let Some(at) = units.iter().position(|unit| *unit == 0) {
        return Err(binary(2 + at * 2));
    }
    let mut bad = (bytes.len() % 2 == 1).then_some(bytes.len() + 1);
    let mut text = String::with_capacity(units.len());
    let mut at = 2;
    for letter in char::decode_utf16(units) {
        match letter {
            Ok(letter) => {
                text.push(letter);
                at += 2 * letter.len_utf16();
            }
            Err(_) => {
                bad = bad.or(Some(at));
                text.push(char::REPLACEMENT_CHARACTER);
                at += 2;
            }
        }
    }
    let damage = bad.map(|at| {
        let wrong = Wrong::new(
            "is not UTF-16 text: half a letter",
            "copy the file again, or save it as UTF-8",
        );
        (format!("byte {at}"), wrong)
    });
    Ok(Decoded { text, damage })
}

fn binary(at: usize) -> (String, Wrong) {
    let wrong = Wrong::new("holds binary data, not text", "give the log as CSV or JSON");
    (format!("byte {at}"), wrong)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn text(bytes: &[u8]) -> Option<String> {
        decode(bytes).ok().map(|decoded| decoded.text)
    }

    #[test]
    fn marks_and_utf16_are_read_and_left_out() {
        assert_eq!(text(b"\xEF\xBB\xBFclip").as_deref(), Some("clip"));
        let little: Vec<u8> = [0xFF, 0xFE]
            .into_iter()
            .chain("clé".encode_utf16().flat_map(u16::to_le_bytes))
            .collect();
        assert_eq!(text(&little).as_deref(), Some("clé"));
        let big: Vec<u8> = [0xFE, 0xFF]
            .into_iter()
            .chain("clé".encode_utf16().flat_map(u16::to_be_bytes))
            .collect();
        assert_eq!(text(&big).as_deref(), Some("clé"));
    }

    #[test]
    fn a_bad_byte_is_placed_and_the_rest_is_read() {
        let decoded = decode(b"scene\nCaf\xE9\n").ok();
        let (text, damage) = decoded.map(|d| (d.text, d.damage)).unwrap_or_default();
        assert_eq!(text, "scene\nCaf\u{FFFD}\n");
        assert_eq!(damage.map(|(place, _)| place).as_deref(), Some("byte 9"));
    }

    #[test]
    fn what_is_no_text_is_refused() {
        for bytes in [&b""[..], b" \r\n", b"PK\x03\x04rest", b"RIFF....WAVE", b"a\0b"] {
            assert!(decode(bytes).is_err(), "{bytes:?}");
        }
    }
}
