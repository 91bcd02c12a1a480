//! From bytes to the arena in one pass, without recursion.

use super::{Cell, Kind};
use crate::error::{BadInput, shown};

/// Deeper nesting is refused. A nest in a timeline costs four levels; cuts hold a few
/// nests, host metadata some tens of levels. Ours; it bounds the recursion of whoever
/// walks the document.
const DEEPEST: usize = 1000;

/// Why the bytes are no document, and where.
#[derive(Debug)]
pub(super) struct Fault {
    at: usize,
    what: String,
    remedy: &'static str,
}

const EXPORT_AGAIN: &str = "export the timeline again; if it was edited by hand, repair it there";
const CUT_SHORT: &str = "the file is cut short: copy or export it again";

impl Fault {
    fn new(at: usize, what: impl Into<String>, remedy: &'static str) -> Fault {
        Fault { at, what: what.into(), remedy }
    }

    pub(super) fn into_bad_input(self, file: &str, bytes: &[u8]) -> BadInput {
        let before = &bytes[..self.at.min(bytes.len())];
        let line = 1 + memchr::memchr_iter(b'\n', before).count();
        let line_start = memchr::memrchr(b'\n', before).map_or(0, |at| at + 1);
        let column = 1 + String::from_utf8_lossy(&before[line_start..]).chars().count();
        let place = format!("line {line}, column {column} (byte {})", self.at);
        BadInput::new(file, place, self.what, self.remedy)
    }
}

/// Reads all of `bytes` into cells, the root first.
pub(super) fn scan(bytes: &[u8]) -> Result<Vec<Cell>, Fault> {
    if bytes.starts_with(&[0xFE, 0xFF]) || bytes.starts_with(&[0xFF, 0xFE]) {
        let what = "the file is UTF-16 text, a timeline is UTF-8";
        return Err(Fault::new(0, what, "save it as UTF-8, or export the timeline again"));
    }
    if u32::try_from(bytes.len()).is_err() {
        let what = format!("the file has {} bytes; at most 4294967295 are read", bytes.len());
        return Err(Fault::new(0, what, "export the cut in reels"));
    }
    let at = if bytes.starts_with(&[0xEF, 0xBB, 0xBF]) { 3 } else { 0 };
    let cells = Vec::with_capacity(bytes.len() / 24);
    let mut scanner = Scanner { bytes, at, cells, open: Vec::new() };
    scanner.skip_space();
    if scanner.at == bytes.len() {
        return Err(Fault::new(scanner.at, "the file is empty", CUT_SHORT));
    }
    scanner.document()?;
    Ok(scanner.cells)
}

struct Scanner<'a> {
    bytes: &'a [u8],
    at: usize,
    cells: Vec<Cell>,
    /// The containers that are still open, outermost first.
    open: Vec<u32>,
}

impl Scanner<'_> {
    fn document(&mut self) -> Result<(), Fault> {
        let mut key = Key::default();
        loop {
            // A value starts here. An opened container that holds something goes on with
            // its first child; everything else is a finished value.
            if !self.value(key)? {
                loop {
                    match self.after_value()? {
                        After::Next(next_key) => {
                            key = next_key;
                            break;
                        }
                        After::Closed => {}
                        After::End => return Ok(()),
                    }
                }
            } else {
                key = self.first_key()?;
            }
        }
    }

    /// Reads a value, or the opening of a container that is not empty (then true).
    fn value(&mut self, key: Key) -> Result<bool, Fault> {
        self.skip_space();
        let start = self.at;
        let mut escaped = false;
        let kind = match self.peek() {
            Some(b'{') => return self.opened(Kind::Object, b'}', key),
            Some(b'[') => return self.opened(Kind::Array, b']', key),
            Some(b'"') => {
                escaped = self.string()?;
                Kind::Text
            }
            Some(b'-' | b'0'..=b'9' | b'N' | b'I') => {
                self.number()?;
                Kind::Number
            }
            Some(b't') => self.word(b"true", Kind::Bool)?,
            Some(b'f') => self.word(b"false", Kind::Bool)?,
            Some(b'n') => self.word(b"null", Kind::Null)?,
            _ => return Err(self.unexpected("a value")),
        };
        self.push(kind, start, key, escaped);
        Ok(false)
    }

    fn push(&mut self, kind: Kind, start: usize, key: Key, escaped: bool) {
        self.cells.push(Cell {
            kind,
            key_escaped: key.escaped,
            escaped,
            start: start as u32,
            end: self.at as u32,
            key_start: key.start,
            key_end: key.end,
            next: self.cells.len() as u32 + 1,
            parent: self.open.last().copied().unwrap_or(0),
        });
    }

    fn opened(&mut self, kind: Kind, close: u8, key: Key) -> Result<bool, Fault> {
        let start = self.at;
        if self.open.len() == DEEPEST {
            let what = format!("the values nest deeper than {DEEPEST} levels");
            return Err(Fault::new(start, what, EXPORT_AGAIN));
        }
        self.at += 1;
        self.skip_space();
        if self.peek() == Some(close) {
            self.at += 1;
            self.push(kind, start, key, false);
            return Ok(false);
        }
        self.push(kind, start, key, false);
        self.open.push(self.cells.len() as u32 - 1);
        Ok(true)
    }

    fn first_key(&mut self) -> Result<Key, Fault> {
        if self.inside() == Some(Kind::Object) { self.key() } else { Ok(Key::default()) }
    }

    fn inside(&self) -> Option<Kind> {
        self.open.last().map(|&at| self.cells[at as usize].kind)
    }

    /// Reads a key and its colon.
    fn key(&mut self) -> Result<Key, Fault> {
        self.skip_space();
        let start = self.at;
        if self.peek() != Some(b'"') {
            return Err(self.unexpected("a key in quotes"));
        }
        let escaped = self.string()?;
        let end = self.at;
        self.skip_space();
        if self.peek() != Some(b':') {
            return Err(self.unexpected("a colon after the key"));
        }
        self.at += 1;
        Ok(Key { start: start as u32, end: end as u32, escaped })
    }

    /// Reads what follows a value: a comma and the next key, a closing bracket, the end.
    fn after_value(&mut self) -> Result<After, Fault> {
        self.skip_space();
        match (self.inside(), self.peek()) {
            (None, None) => Ok(After::End),
            (None, Some(_)) => {
                Err(Fault::new(self.at, format!("{} follows the end", self.found()), EXPORT_AGAIN))
            }
            (Some(Kind::Object), Some(b',')) => {
                self.at += 1;
                Ok(After::Next(self.key()?))
            }
            (Some(_), Some(b',')) => {
                self.at += 1;
                Ok(After::Next(Key::default()))
            }
            (Some(Kind::Object), Some(b'}')) | (Some(Kind::Array), Some(b']')) => {
                self.at += 1;
                if let Some(top) = self.open.pop() {
                    let next = self.cells.len() as u32;
                    let cell = &mut self.cells[top as usize];
                    cell.end = self.at as u32;
                    cell.next = next;
                }
                Ok(After::Closed)
            }
            (Some(Kind::Object), _) => Err(self.unexpected("a comma or }")),
            _ => Err(self.unexpected("a comma or ]")),
        }
    }

    /// Passes a string from quote to quote; tells whether it has escapes.
    fn string(&mut self) -> Result<bool, Fault> {
        let start = self.at;
        let mut escaped = false;
        self.at += 1;
        loop {
            let rest = self.bytes.get(self.at..).unwrap_or_default();
            match memchr::memchr2(b'"', b'\\', rest) {
                None => return Err(Fault::new(start, "the text never ends", CUT_SHORT)),
                Some(step) if rest[step] == b'"' => {
                    self.at += step + 1;
                    return Ok(escaped);
                }
                Some(step) => {
                    escaped = true;
                    self.at += step;
                    self.at += self.escape()?;
                }
            }
        }
    }

    /// Returns the length of the escape that starts here.
    fn escape(&self) -> Result<usize, Fault> {
        match self.bytes.get(self.at + 1) {
            Some(b'"' | b'\\' | b'/' | b'b' | b'f' | b'n' | b'r' | b't') => Ok(2),
            Some(b'u') => {
                let digits = self.bytes.get(self.at + 2..self.at + 6);
                if digits.is_some_and(|four| four.iter().all(u8::is_ascii_hexdigit)) {
                    return Ok(6);
                }
                Err(Fault::new(self.at, "\\u lacks its four hexadecimal digits", EXPORT_AGAIN))
            }
            None => Err(Fault::new(self.at, "the text never ends", CUT_SHORT)),
            Some(other) => {
                let what = format!("\\{} is no escape", shown(&char::from(*other).to_string(), 4));
                Err(Fault::new(self.at, what, EXPORT_AGAIN))
            }
        }
    }

    fn number(&mut self) -> Result<(), Fault> {
        let start = self.at;
        let rest = &self.bytes[start..];
        let len = rest
            .iter()
            .position(|b| !(b.is_ascii_alphanumeric() || matches!(b, b'+' | b'-' | b'.')))
            .unwrap_or(rest.len());
        let text = &rest[..len];
        if !is_number(text) {
            let what = format!("{} is no number", shown(&String::from_utf8_lossy(text), 40));
            let ends = start + len == self.bytes.len();
            return Err(Fault::new(start, what, if ends { CUT_SHORT } else { EXPORT_AGAIN }));
        }
        self.at += len;
        Ok(())
    }

    fn word(&mut self, word: &[u8], kind: Kind) -> Result<Kind, Fault> {
        if !self.bytes[self.at..].starts_with(word) {
            return Err(self.unexpected("a value"));
        }
        self.at += word.len();
        Ok(kind)
    }

    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    fn skip_space(&mut self) {
        while let Some(b' ' | b'\n' | b'\r' | b'\t') = self.peek() {
            self.at += 1;
        }
    }

    fn unexpected(&self, wanted: &str) -> Fault {
        if self.at >= self.bytes.len() {
            let what = format!("the file ends where {wanted} must follow");
            return Fault::new(self.at, what, CUT_SHORT);
        }
        Fault::new(self.at, format!("{} where {wanted} must follow", self.found()), EXPORT_AGAIN)
    }

    /// The next few letters, for a message.
    fn found(&self) -> String {
        let end = self.bytes.len().min(self.at + 64);
        let text = String::from_utf8_lossy(&self.bytes[self.at..end]);
        format!("\"{}\"", shown(text.split(['\n', '\r']).next().unwrap_or_default(), 20))
    }
}

/// Where the key of the next value stands; empty for list items.
#[derive(Debug, Clone, Copy, Default)]
struct Key {
    start: u32,
    end: u32,
    escaped: bool,
}

enum After {
    Next(Key),
    Closed,
    End,
}

/// Tells whether the text is a number of RFC 8259, or one of the words the timeline
/// format's own library writes for what is none.
fn is_number(text: &[u8]) -> bool {
    let text = text.strip_prefix(b"-").unwrap_or(text);
    if matches!(text, b"NaN" | b"Inf" | b"Infinity") {
        return true;
    }
    let digits = |text: &[u8]| text.iter().take_while(|b| b.is_ascii_digit()).count();
    let whole = digits(text);
    if whole == 0 || (whole > 1 && text[0] == b'0') {
        return false;
    }
    let mut rest = &text[whole..];
    if let Some(after) = rest.strip_prefix(b".") {
        let part = digits(after);
        if part == 0 {
            return false;
        }
        rest = &after[part..];
    }
    if let Some(after) = rest.strip_prefix(b"e").or(rest.strip_prefix(b"E")) {
        let after = after.strip_prefix(b"-").or(after.strip_prefix(b"+")).unwrap_or(after);
        let power = digits(after);
        return power > 0 && power == after.len();
    }
    rest.is_empty()
}
