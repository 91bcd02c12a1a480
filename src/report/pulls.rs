//! `pulls.csv`: every element to pull, one a row.

use super::cells::{path_cell, rows, text_cell};
use super::clock::cut_label;
use super::elements::{Element, elements};
use super::words::speed_words;
use crate::error::Faults;
use crate::findings::Findings;
use crate::time::FrameRange;

const HEADINGS: [&str; 18] = [
    "shot",
    "element",
    "clip",
    "roll",
    "source_file",
    "rate",
    "source_in",
    "source_out",
    "file_in",
    "file_out",
    "frames",
    "handle_head",
    "handle_tail",
    "speed",
    "cut_in",
    "cut_out",
    "cut_frame",
    "verdict",
];

/// Returns the bytes of `pulls.csv`.
///
/// `source_in` and `source_out` are source timecode (`#N` file frames where there is none),
/// `file_in` and `file_out` 0-based file frames, empty if the file is not known; every out
/// point is the frame after the last. `cut_frame` counts from 0.
///
/// # Errors
///
/// Only if a row cannot be written.
pub fn bytes(findings: &Findings) -> Result<Vec<u8>, Faults> {
    let elements = elements(findings).map(|element| row(findings, &element));
    rows(b',', std::iter::once(HEADINGS.map(String::from)).chain(elements))
}

fn row(findings: &Findings, element: &Element<'_>) -> [String; 18] {
    let found = element.found;
    let file_frame = |pick: fn(FrameRange) -> i64| {
        element.in_file.map_or(String::new(), |range| pick(range).to_string())
    };
    [
        text_cell(&found.shot),
        element.name.into(),
        text_cell(element.clip),
        text_cell(element.roll),
        path_cell(element.file),
        element.rate.map_or(String::new(), |rate| rate.to_string()),
        element.clock.label(element.range.start),
        element.clock.label(element.range.end),
        file_frame(|range| range.start.0),
        file_frame(|range| range.end.0),
        element.range.count().to_string(),
        element.handles.0.to_string(),
        element.handles.1.to_string(),
        speed_words(found.speed.as_deref()),
        cut_label(&findings.cut, found.range_in_cut.start),
        cut_label(&findings.cut, found.range_in_cut.end),
        found.range_in_cut.start.to_string(),
        found.verdict.word().into(),
    ]
}
