//! A JSON document that is kept as written: numbers by their text, members in order,
//! every byte of the input where it was. Edits are splices into the original bytes, so
//! what nobody touched comes back byte for byte.
//!
//! It reads what the timeline format's own library reads and plain JSON readers refuse:
//! `NaN`, `Inf`, `Infinity` and their negatives, the first of two equal keys, text that is
//! not valid UTF-8, a byte order mark.

mod edit;
mod layout;
mod scan;

use crate::error::BadInput;
use std::borrow::Cow;

/// What a value is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs, reason = "the words of RFC 8259, a string being a text")]
pub enum Kind {
    Object,
    Array,
    Text,
    Number,
    Bool,
    Null,
}

impl Kind {
    /// Returns the word used in messages.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Object => "an object",
            Kind::Array => "a list",
            Kind::Text => "a text",
            Kind::Number => "a number",
            Kind::Bool => "true or false",
            Kind::Null => "null",
        }
    }
}

/// Names one value of a [`Document`] as it was read. Edits do not change it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct NodeId(u32);

/// One value in the arena. Children follow their container; `next` is the cell after the
/// last descendant.
#[derive(Debug, Clone, Copy)]
struct Cell {
    kind: Kind,
    /// Tells whether the key, or the text itself, has escapes in it.
    key_escaped: bool,
    escaped: bool,
    start: u32,
    end: u32,
    /// The key with its quotes; empty for list items and the root.
    key_start: u32,
    key_end: u32,
    next: u32,
    parent: u32,
}

/// A JSON document with all bytes of its input.
#[derive(Debug, Clone)]
pub struct Document {
    bytes: Vec<u8>,
    cells: Vec<Cell>,
    edits: edit::Edits,
    style: layout::Style,
}

impl Document {
    /// Reads a document; `file` names it in the fault.
    ///
    /// # Errors
    ///
    /// A fault with line, column and byte if the bytes are no JSON, are cut short, go on
    /// after the value, or nest deeper than 1000 levels.
    pub fn parse(file: &str, bytes: Vec<u8>) -> Result<Document, BadInput> {
        let cells = scan::scan(&bytes).map_err(|fault| fault.into_bad_input(file, &bytes))?;
        let style = layout::Style::of(&bytes, &cells);
        Ok(Document { bytes, cells, edits: edit::Edits::default(), style })
    }

    /// Returns the outermost value.
    pub fn root(&self) -> Node<'_> {
        self.node(NodeId(0))
    }

    /// Returns the value of a name that came from this document.
    ///
    /// A name from another document gives some other value, or the root.
    pub fn node(&self, id: NodeId) -> Node<'_> {
        let id = if (id.0 as usize) < self.cells.len() { id } else { NodeId(0) };
        Node { document: self, id }
    }

    /// Finds a value by its JSON pointer (RFC 6901); `""` is the root.
    pub fn at(&self, pointer: &str) -> Option<Node<'_>> {
        let mut node = self.root();
        if pointer.is_empty() {
            return Some(node);
        }
        for step in pointer.strip_prefix('/')?.split('/') {
            let step = step.replace("~1", "/").replace("~0", "~");
            node = match node.kind() {
                Kind::Object => node.get(&step)?,
                Kind::Array => node.items().nth(step.parse().ok()?)?,
                _ => return None,
            };
        }
        Some(node)
    }

    /// Returns the bytes as read.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    fn cell(&self, id: NodeId) -> &Cell {
        &self.cells[id.0 as usize]
    }

    /// Returns the children of a container in order.
    fn children(&self, id: NodeId) -> Children<'_> {
        let cell = self.cell(id);
        let leaf = !matches!(cell.kind, Kind::Object | Kind::Array);
        Children { document: self, at: id.0 + 1, end: if leaf { id.0 + 1 } else { cell.next } }
    }
}

/// One value of a document, to be looked at.
#[derive(Clone, Copy)]
pub struct Node<'a> {
    document: &'a Document,
    id: NodeId,
}

impl std::fmt::Debug for Node<'_> {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:?} at \"{}\"", self.kind(), self.pointer())
    }
}

impl<'a> Node<'a> {
    /// Returns its name, for edits.
    pub fn id(self) -> NodeId {
        self.id
    }

    /// Returns what it is.
    pub fn kind(self) -> Kind {
        self.document.cell(self.id).kind
    }

    /// Returns the value of the first member with this key; `None` if this is no object.
    pub fn get(self, key: &str) -> Option<Node<'a>> {
        if self.kind() != Kind::Object {
            return None;
        }
        self.children().find(|child| child.has_key(key))
    }

    /// Returns the items of a list, the values of an object, or nothing.
    pub fn children(self) -> impl Iterator<Item = Node<'a>> {
        self.document.children(self.id)
    }

    /// Returns the items of a list; nothing if this is none.
    pub fn items(self) -> impl Iterator<Item = Node<'a>> {
        let list = self.kind() == Kind::Array;
        self.children().filter(move |_| list)
    }

    /// Returns the members of an object, repeated keys included; nothing if this is none.
    pub fn members(self) -> impl Iterator<Item = (Cow<'a, str>, Node<'a>)> {
        self.children().filter_map(|child| Some((child.key()?, child)))
    }

    /// Returns its key if it is a member of an object.
    pub fn key(self) -> Option<Cow<'a, str>> {
        self.raw_key().map(|key| decoded(key, self.document.cell(self.id).key_escaped))
    }

    /// Returns the text of a string, with escapes resolved and what is no UTF-8 replaced.
    pub fn text(self) -> Option<Cow<'a, str>> {
        let escaped = self.document.cell(self.id).escaped;
        (self.kind() == Kind::Text).then(|| decoded(self.raw(), escaped))
    }

    /// Returns a number as written: `24.0`, `1e5`, `NaN`.
    pub fn number_text(self) -> Option<&'a str> {
        if self.kind() != Kind::Number {
            return None;
        }
        std::str::from_utf8(self.raw()).ok()
    }

    /// Returns a number as the nearest double; it may be infinite or not a number.
    pub fn number(self) -> Option<f64> {
        let text = self.number_text()?;
        match text {
            "NaN" | "-NaN" => Some(f64::NAN),
            "Inf" | "Infinity" => Some(f64::INFINITY),
            "-Inf" | "-Infinity" => Some(f64::NEG_INFINITY),
            _ => text.parse().ok(),
        }
    }

    /// Returns a number that is whole and fits 64 bits; `24.0` and `2e3` are whole too.
    pub fn integer(self) -> Option<i64> {
        let text = self.number_text()?;
        if let Ok(whole) = text.parse() {
            return Some(whole);
        }
        let value: f64 = text.parse().ok()?;
        // Above 2^53 a double no longer tells neighbours apart.
        (value.fract() == 0.0 && value.abs() <= 9_007_199_254_740_992.0).then_some(value as i64)
    }

    /// Returns true or false.
    pub fn boolean(self) -> Option<bool> {
        (self.kind() == Kind::Bool).then(|| self.raw() == b"true")
    }

    /// Tells whether it is null.
    pub fn is_null(self) -> bool {
        self.kind() == Kind::Null
    }

    /// Returns its bytes as read, quotes and brackets included.
    pub fn raw(self) -> &'a [u8] {
        let cell = self.document.cell(self.id);
        &self.document.bytes[cell.start as usize..cell.end as usize]
    }

    /// Returns the byte of the file at which it starts.
    pub fn byte(self) -> usize {
        self.document.cell(self.id).start as usize
    }

    /// Returns the container it is in; `None` for the root.
    pub fn parent(self) -> Option<Node<'a>> {
        let parent = NodeId(self.document.cell(self.id).parent);
        (self.id.0 != 0).then_some(Node { document: self.document, id: parent })
    }

    /// Returns its JSON pointer (RFC 6901), by counting in every list above it.
    pub fn pointer(self) -> String {
        let mut steps = Vec::new();
        let mut node = self;
        while let Some(parent) = node.parent() {
            steps.push(match node.key() {
                Some(key) => pointer_step(&key).into_owned(),
                None => parent.children().take_while(|c| c.id != node.id).count().to_string(),
            });
            node = parent;
        }
        steps.iter().rev().fold(String::new(), |pointer, step| pointer + "/" + step)
    }

    /// Returns the document it is part of.
    pub fn document(self) -> &'a Document {
        self.document
    }

    fn raw_key(self) -> Option<&'a [u8]> {
        let cell = self.document.cell(self.id);
        let key = &self.document.bytes[cell.key_start as usize..cell.key_end as usize];
        (!key.is_empty()).then_some(key)
    }

    /// Tells whether it is a member with this key.
    pub fn has_key(self, key: &str) -> bool {
        let Some(raw) = self.raw_key() else { return false };
        if self.document.cell(self.id).key_escaped {
            return decoded(raw, true) == key;
        }
        &raw[1..raw.len() - 1] == key.as_bytes()
    }
}

/// The children of one container, in order.
struct Children<'a> {
    document: &'a Document,
    at: u32,
    end: u32,
}

impl<'a> Iterator for Children<'a> {
    type Item = Node<'a>;
    fn next(&mut self) -> Option<Node<'a>> {
        if self.at >= self.end {
            return None;
        }
        let node = Node { document: self.document, id: NodeId(self.at) };
        self.at = self.document.cell(node.id).next;
        Some(node)
    }
}

/// Writes one step of a JSON pointer with `~` and `/` escaped (RFC 6901).
pub fn pointer_step(key: &str) -> Cow<'_, str> {
    if key.bytes().any(|b| matches!(b, b'~' | b'/')) {
        return Cow::Owned(key.replace('~', "~0").replace('/', "~1"));
    }
    Cow::Borrowed(key)
}

/// Resolves the escapes of a string with its quotes.
fn decoded(quoted: &[u8], escapes: bool) -> Cow<'_, str> {
    let inner = quoted.get(1..quoted.len().saturating_sub(1)).unwrap_or_default();
    if !escapes {
        return String::from_utf8_lossy(inner);
    }
    let mut out: Vec<u8> = Vec::with_capacity(inner.len());
    let mut rest = inner;
    while let Some(at) = memchr::memchr(b'\\', rest) {
        out.extend_from_slice(&rest[..at]);
        let (letter, used) = escaped(&rest[at..]);
        out.extend_from_slice(letter.encode_utf8(&mut [0; 4]).as_bytes());
        rest = rest.get(at + used..).unwrap_or_default();
    }
    out.extend_from_slice(rest);
    Cow::Owned(String::from_utf8_lossy(&out).into_owned())
}

/// Reads one escape: the letter, and how many bytes stand for it. Half a surrogate pair is
/// U+FFFD, as in every lossy reading.
fn escaped(bytes: &[u8]) -> (char, usize) {
    let simple = |letter| (letter, 2);
    match bytes.get(1) {
        Some(b'n') => simple('\n'),
        Some(b't') => simple('\t'),
        Some(b'r') => simple('\r'),
        Some(b'b') => simple('\u{8}'),
        Some(b'f') => simple('\u{c}'),
        Some(b'u') => {
            let first = hex(bytes, 2);
            if (0xD800..0xDC00).contains(&first) && bytes.get(6..8) == Some(b"\\u") {
                let second = hex(bytes, 8);
                if (0xDC00..0xE000).contains(&second) {
                    let code = 0x10000 + ((first - 0xD800) << 10) + (second - 0xDC00);
                    return (char::from_u32(code).unwrap_or('\u{FFFD}'), 12);
                }
            }
            (char::from_u32(first).unwrap_or('\u{FFFD}'), 6)
        }
        Some(other) => simple(char::from(*other)),
        None => ('\u{FFFD}', 1),
    }
}

fn hex(bytes: &[u8], at: usize) -> u32 {
    let digits = bytes.get(at..at + 4).and_then(|four| std::str::from_utf8(four).ok());
    digits.and_then(|four| u32::from_str_radix(four, 16).ok()).unwrap_or(0xFFFD)
}

#[cfg(test)]
mod tests;
