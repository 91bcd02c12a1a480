//! Cells of the lists: what a spreadsheet must not take for a formula.
//!
//! A cell of text that begins with `=`, `+`, `-`, `@`, a tab or a line end may be run as a
//! formula when the list is opened in a spreadsheet (OWASP, "CSV Injection", from memory).
//! Such a text gets an apostrophe in front, which spreadsheets take as "this is text"; a file
//! path gets `./` instead and stays a true path. Numbers and timecodes are written as they
//! are: they begin with a figure, `#`, or are a negative number.

use crate::error::Faults;

/// Signs that make a spreadsheet run a cell.
const RUNS: [char; 6] = ['=', '+', '-', '@', '\t', '\r'];

/// Makes a text safe to open in a spreadsheet: one line, never a formula.
pub(super) fn text_cell(text: &str) -> String {
    let line = one_line(text);
    if line.starts_with(RUNS) { format!("'{line}") } else { line }
}

/// Undoes [`text_cell`]; a text written by hand comes back as it is.
pub(super) fn cell_text(cell: &str) -> String {
    match cell.strip_prefix('\'') {
        Some(text) if text.starts_with(RUNS) => text.to_string(),
        _ => cell.to_string(),
    }
}

/// Makes a relative path safe to open in a spreadsheet; it still names the same file.
pub(super) fn path_cell(path: &str) -> String {
    let line = one_line(path);
    if line.starts_with(RUNS) { format!("./{line}") } else { line }
}

/// Turns tabs, line ends and other control characters into spaces.
pub(super) fn one_line(text: &str) -> String {
    text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect()
}

/// Writes rows as CSV (RFC 4180 quoting, line ends LF) or, with a tab, as TSV.
pub(super) fn rows<I>(delimiter: u8, rows: I) -> Result<Vec<u8>, Faults>
where
    I: IntoIterator,
    I::Item: IntoIterator<Item = String>,
{
    let mut writer = csv::WriterBuilder::new().delimiter(delimiter).from_writer(Vec::new());
    for row in rows {
        writer.write_record(row).map_err(|fault| unwritable(&fault.to_string()))?;
    }
    writer.into_inner().map_err(|fault| unwritable(&fault.to_string()))
}

fn unwritable(why: &str) -> Faults {
    Faults::one(
        "list",
        "",
        format!("cannot be written: {why}"),
        "report this as a fault of the program",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_formula_is_text_and_comes_back() {
        for text in ["=1+1", "+a", "-a", "@a"] {
            assert_eq!(text_cell(text), format!("'{text}"));
            assert_eq!(cell_text(&text_cell(text)), text);
        }
        assert_eq!(text_cell("10:00:00:00"), "10:00:00:00");
        assert_eq!(text_cell("a\tb\r\nc"), "a b  c");
        assert_eq!(cell_text("'tis"), "'tis");
        assert_eq!(path_cell("=x.mov"), "./=x.mov");
    }
}
