//! How a file lays its values out, so that additions look like the rest of it.

use super::{Cell, Kind};
use serde_json::Value;

/// The layout of a document, read from its first lines.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Style {
    /// The line end, or `None` if the values stand on one line.
    pub newline: Option<&'static str>,
    /// One step of indentation.
    pub unit: String,
    /// What stands between key and value.
    pub colon: String,
    /// What stands between two items on one line.
    pub comma: String,
}

/// How many containers are looked at before a document counts as written on one line.
const LOOK_AT: usize = 64;

impl Style {
    /// Reads the style of a document; what it does not show is as the format's own library
    /// writes: four spaces, `": "`.
    pub fn of(bytes: &[u8], cells: &[Cell]) -> Style {
        let text = |from: u32, to: u32| {
            let between = bytes.get(from as usize..to as usize).unwrap_or_default();
            String::from_utf8_lossy(between).into_owned()
        };
        let first = cells.iter().skip(1).find(|cell| cell.key_end > 0);
        let colon = first.map_or(": ".into(), |cell| text(cell.key_end, cell.start));
        let comma = if colon.ends_with(' ') { ", " } else { "," }.to_string();
        let full = |at: &usize| cells[*at].next as usize > at + 1;
        let mut seen = false;
        for at in (0..cells.len()).filter(full).take(LOOK_AT) {
            seen = true;
            let (cell, child) = (&cells[at], &cells[at + 1]);
            let gap = text(cell.start + 1, outer_start(child));
            let Some(break_at) = gap.rfind('\n') else { continue };
            let newline = if gap.contains("\r\n") { "\r\n" } else { "\n" };
            let own = line_indent(bytes, cell.start as usize);
            let deeper = &gap[break_at + 1..];
            let unit = deeper.strip_prefix(own.as_str()).unwrap_or(deeper).to_string();
            return Style { newline: Some(newline), unit, colon, comma };
        }
        Style { newline: (!seen).then_some("\n"), unit: "    ".into(), colon, comma }
    }

    /// Writes a value whose first line is already indented by `indent`; `None` keeps it on
    /// one line.
    pub fn written(&self, value: &Value, indent: Option<&str>) -> String {
        let deeper = indent.map(|indent| format!("{indent}{}", self.unit));
        let items: Vec<String> = match value {
            Value::Object(members) => members
                .iter()
                .map(|(key, value)| self.member(key, &self.written(value, deeper.as_deref())))
                .collect(),
            Value::Array(items) => {
                items.iter().map(|item| self.written(item, deeper.as_deref())).collect()
            }
            plain => return plain.to_string(),
        };
        let (open, close) = if value.is_object() { ('{', '}') } else { ('[', ']') };
        if items.is_empty() {
            return format!("{open}{close}");
        }
        match (self.newline, indent, deeper) {
            (Some(newline), Some(indent), Some(deeper)) => {
                let between = format!(",{newline}{deeper}");
                let items = items.join(&between);
                format!("{open}{newline}{deeper}{items}{newline}{indent}{close}")
            }
            _ => format!("{open}{}{close}", items.join(&self.comma)),
        }
    }

    /// Writes a member from its key and its value as text.
    pub fn member(&self, key: &str, value: &str) -> String {
        format!("{}{}{value}", Value::from(key), self.colon)
    }
}

/// Where a cell begins with its key.
pub(super) fn outer_start(cell: &Cell) -> u32 {
    if cell.key_end > 0 { cell.key_start } else { cell.start }
}

/// Tells whether cells of this kind hold others.
pub(super) fn is_container(cell: &Cell) -> bool {
    matches!(cell.kind, Kind::Object | Kind::Array)
}

/// Returns the white space the line of a byte begins with.
pub(super) fn line_indent(bytes: &[u8], at: usize) -> String {
    let before = &bytes[..at.min(bytes.len())];
    let start = memchr::memrchr(b'\n', before).map_or(0, |at| at + 1);
    let line = &bytes[start..];
    let len = line.iter().position(|b| !matches!(b, b' ' | b'\t')).unwrap_or(line.len());
    String::from_utf8_lossy(&line[..len]).into_owned()
}
