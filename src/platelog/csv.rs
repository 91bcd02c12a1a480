//! Plate logs as tables: comma, semicolon or tab, any line end, quoted cells.

use super::cells::{self, QUOTED};
use super::entry::{Entry, Filling, Source};
use super::headings;
use super::reports::{self, Layout};
use super::{KEYS, Wrong, key_of, keys};
use crate::error::{BadInput, shown};
use crate::settings::Settings;
use std::borrow::Cow;

/// Cells longer than this are a runaway quotation mark, not a note; ours.
const LONGEST_CELL: usize = 64 * 1024;
/// Rows looked through for headings: reports put a title block above them. A sound report
/// has five such rows; ours.
const TITLE_ROWS: usize = 30;

/// One row as a spreadsheet numbers it, blank rows counted.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Row<'t> {
    number: usize,
    /// Borrowed from the text unless quoted.
    cells: Vec<Cow<'t, str>>,
}

impl Row<'_> {
    fn is_blank(&self) -> bool {
        self.cells.iter().all(|cell| cell.trim().is_empty())
    }
}

/// Cuts text into rows and cells. A quotation mark quotes only at the head of a cell;
/// doubled inside it is one mark; text after the closing mark belongs to the cell. A mark
/// that is never closed is a letter, and its row is returned.
///
/// Source: RFC 4180, read as leniently as the usual spreadsheet programs do.
fn table(text: &str, separator: char, most: usize) -> (Vec<Row<'_>>, Option<usize>) {
    let (mut rows, mut unclosed) = (Vec::new(), None);
    let mut cells: Vec<Cow<'_, str>> = Vec::new();
    let ends_cell = |letter: char| letter == separator || letter == '\n' || letter == '\r';
    let mut at = 0;
    while at < text.len() || !cells.is_empty() {
        let mut inside = None;
        if text[at..].starts_with('"') && unclosed.is_none() {
            inside = quoted(&text[at + 1..]);
            if inside.is_none() {
                unclosed = Some(rows.len() + 1);
            }
        }
        let from = at + inside.as_ref().map_or(0, |(_, length)| 1 + length);
        at = text[from..].find(ends_cell).map_or(text.len(), |length| from + length);
        let rest = &text[from..at];
        cells.push(match inside {
            Some((inside, _)) => Cow::Owned(inside + rest),
            None => Cow::Borrowed(rest),
        });
        let Some(end) = text[at..].chars().next() else {
            rows.push(Row { number: rows.len() + 1, cells });
            return (rows, unclosed);
        };
        at += end.len_utf8();
        if end == separator {
            continue;
        }
        if end == '\r' && text[at..].starts_with('\n') {
            at += 1;
        }
        let width = cells.len();
        let cells = std::mem::replace(&mut cells, Vec::with_capacity(width));
        rows.push(Row { number: rows.len() + 1, cells });
        if rows.len() == most {
            break;
        }
    }
    (rows, unclosed)
}

/// Reads to the closing mark: what is inside, and how many bytes it took with the mark.
fn quoted(text: &str) -> Option<(String, usize)> {
    let mut inside = String::new();
    let mut at = 0;
    loop {
        let mark = at + text[at..].find('"')?;
        inside.push_str(&text[at..mark]);
        at = mark + 1;
        if !text[at..].starts_with('"') {
            return Some((inside, at));
        }
        inside.push('"');
        at += 1;
    }
}

/// Finds the separator and the heading row: the one with most known headings.
fn heading_row(text: &str, settings: &Settings) -> (char, Option<usize>) {
    if let Some(line) = text.lines().next()
        && let Some(sign) = line.trim().strip_prefix("sep=").and_then(|rest| rest.chars().next())
        && matches!(sign, ',' | ';')
    {
        return (sign, best_row(&table(text, sign, TITLE_ROWS).0, settings).map(|(_, at)| at));
    }
    let mut best: Option<(usize, usize, char)> = None;
    for separator in [',', ';', '\t'] {
        let Some((known, at)) = best_row(&table(text, separator, TITLE_ROWS).0, settings) else {
            continue;
        };
        if best.is_none_or(|(most, ..)| known > most) {
            best = Some((known, at, separator));
        }
    }
    best.map_or((',', None), |(_, at, separator)| (separator, Some(at)))
}

/// Returns the count of known headings of the row that has most of them, and its index.
fn best_row(rows: &[Row<'_>], settings: &Settings) -> Option<(usize, usize)> {
    // Keys of ours count double: a row of them is a log, whatever stands in its title block.
    let known = |row: &Row<'_>| {
        let known = row.cells.iter().filter_map(|cell| headings::known(cell, settings));
        let (sum, keys) = known.fold((0, 0), |(sum, keys), known| {
            let key = usize::from(matches!(known.column, headings::Column::Key(_)));
            (sum + if known.foreign { 1 } else { 2 }, keys + key)
        });
        if keys > 0 { sum } else { 0 }
    };
    let counted = rows.iter().enumerate().map(|(at, row)| (known(row), at));
    // The first of equals: `max_by_key` would return the last.
    counted.filter(|(known, _)| *known > 0).rev().max_by_key(|(known, _)| *known)
}

/// A row's number and its cells.
pub(super) type PlainRow<'t> = (usize, Vec<Cow<'t, str>>);

/// Returns the heading row and what stands below it, blank rows left out; `None` without a
/// heading that is known.
pub(super) fn plain_table<'t>(text: &'t str, settings: &Settings) -> Option<Vec<PlainRow<'t>>> {
    let (separator, at) = heading_row(text, settings);
    let (rows, _) = table(text, separator, usize::MAX);
    let rows = rows.into_iter().skip(at?).filter(|row| !row.is_blank());
    Some(rows.map(|row| (row.number, row.cells)).collect())
}

/// Tells whether a table has two headings or more that are known.
pub(super) fn knows(text: &str, settings: &Settings) -> bool {
    let (separator, Some(at)) = heading_row(text, settings) else { return false };
    let (rows, _) = table(text, separator, at + 1);
    let known = |row: &Row<'_>| {
        row.cells.iter().filter(|cell| headings::known(cell, settings).is_some()).count()
    };
    rows.get(at).is_some_and(|row| known(row) >= 2)
}

/// Reads a table; what cannot be read is said and the rest is kept.
pub(super) fn read(text: &str, source: &Source<'_>, faults: &mut Vec<BadInput>) -> Vec<Entry> {
    let (separator, heading) = heading_row(text, source.settings);
    let (rows, unclosed) = table(text, separator, usize::MAX);
    let mut say = |place: String, wrong: Wrong| {
        faults.push(BadInput::new(source.name, place, wrong.fault, wrong.remedy));
    };
    if let Some(row) = unclosed {
        let wrong = Wrong::new(
            "a quotation mark opens a cell and is never closed",
            "close the quotation mark, or double it if it belongs to the text",
        );
        say(format!("row {row}"), wrong);
    }
    let Some(at) = heading else {
        let (place, wrong) = no_headings(&rows);
        say(place, wrong);
        return Vec::new();
    };
    let (above, rest) = rows.split_at(at);
    if let Some((headings, rows)) = rest.split_first()
        && let Some(layout) = layout(headings, above, source.settings)
    {
        return report(&layout, headings, rows, source, faults);
    }
    for row in above.iter().filter(|row| holds_times(row)) {
        let wrong = Wrong::new(
            format!("stands above the headings of row {}", at + 1),
            "move the row below the headings, or delete it",
        );
        say(format!("row {}", row.number), wrong);
    }
    let Some((headings, rest)) = rest.split_first() else { return Vec::new() };
    let columns = in_order(headings, &columns(headings, &mut say));
    let filled = rest.iter().filter(|row| !row.is_blank());
    let mut entries: Vec<Entry> = Vec::with_capacity(rest.len());
    entries.extend(filled.map(|row| entry(row, headings, &columns, source, faults)));
    if entries.is_empty() {
        faults.push(no_rows(source, headings.number));
    }
    entries
}

fn layout(headings: &Row<'_>, above: &[Row<'_>], settings: &Settings) -> Option<Layout> {
    let above: Vec<&str> =
        above.iter().flat_map(|row| row.cells.iter().map(|cell| cell.as_ref())).collect();
    Layout::of(&headings.cells, &above.join(" "), settings)
}

/// Reads the rows of a report. Its title block may hold anything, and its rows end where
/// there is nothing more to say.
fn report(
    layout: &Layout,
    headings: &Row<'_>,
    rows: &[Row<'_>],
    source: &Source<'_>,
    faults: &mut Vec<BadInput>,
) -> Vec<Entry> {
    for heading in layout.unread(&headings.cells) {
        let heading = shown(heading, QUOTED);
        let place = format!("row {}, column \"{heading}\"", headings.number);
        let fault = format!("\"{heading}\" is not a heading of a report");
        let remedy =
            format!("say in a mapping what it holds: \"{heading}\" = \"plates\", or \"ignore\"");
        faults.push(BadInput::new(source.name, place, fault, remedy));
    }
    let mut entries = Vec::with_capacity(rows.len());
    for row in rows.iter().filter(|row| !row.is_blank()) {
        if row.cells.iter().any(|cell| cell.len() > LONGEST_CELL) {
            let wrong = runaway(row.cells.iter().map(|cell| cell.len()).max().unwrap_or(0), "");
            let place = format!("row {}", row.number);
            faults.push(BadInput::new(source.name, place, wrong.fault, wrong.remedy));
            continue;
        }
        entries.push(reports::entry((row.number, &row.cells), layout, source, faults));
    }
    if entries.is_empty() {
        faults.push(no_rows(source, headings.number));
    }
    entries
}

fn no_rows(source: &Source<'_>, number: usize) -> BadInput {
    BadInput::new(
        source.name,
        format!("row {number}"),
        "has headings but no row stands below them",
        "export the log again, or leave the file out",
    )
}

fn runaway(length: usize, cell: &str) -> Wrong {
    let shown = if cell.is_empty() { String::new() } else { format!(": \"{}\"", shown(cell, 20)) };
    Wrong::new(
        format!("the cell holds {length} bytes{shown}"),
        "look for a quotation mark that is not closed; a cell may hold 64 KiB",
    )
}

fn holds_times(row: &Row<'_>) -> bool {
    let times =
        |cell: &&Cow<'_, str>| super::points::label_fault(first_point(cell), None).is_none();
    row.cells.iter().filter(times).count() > 0 && row.cells.len() > 1
}

fn first_point(cell: &str) -> &str {
    cell.trim().split([' ', '-', '\u{2013}']).next().unwrap_or_default()
}

fn no_headings(rows: &[Row<'_>]) -> (String, Wrong) {
    let list = "scene, slate, take, camera, roll, clip, plates, lock_off, boom and so on";
    let first = rows.iter().find(|row| !row.is_blank());
    let Some(row) = first else {
        return (String::new(), Wrong::new("has no row", "export the log again"));
    };
    let place = format!("row {}", row.number);
    let cell = row.cells.iter().find(|cell| !cell.trim().is_empty()).map_or("", |c| c.trim());
    if row.cells.iter().any(|cell| cell.chars().any(|letter| letter.is_ascii_digit())) {
        let fault = format!("no heading row: the first row holds \"{}\"", shown(cell, QUOTED));
        return (place, Wrong::new(fault, format!("put a row of headings first: {list}")));
    }
    let fault = format!("no column is known: the first heading is \"{}\"", shown(cell, QUOTED));
    (place, Wrong::new(fault, format!("name the columns {list}")))
}

/// Returns the key of each column; unknown and second columns have none.
fn columns(headings: &Row<'_>, say: &mut impl FnMut(String, Wrong)) -> Vec<Option<&'static str>> {
    let mut columns: Vec<Option<&'static str>> = Vec::with_capacity(headings.cells.len());
    for heading in &headings.cells {
        let place =
            format!("row {}, column \"{}\"", headings.number, shown(heading.trim(), QUOTED));
        let key = key_of(heading);
        if key.is_some() && columns.contains(&key) {
            let wrong = Wrong::new(
                "the heading stands twice; the first column is read",
                "delete one of the two columns, or rename it",
            );
            say(place, wrong);
            columns.push(None);
            continue;
        }
        if key.is_none() && !heading.trim().is_empty() {
            say(place, unknown_column(heading));
        }
        columns.push(key);
    }
    columns
}

fn unknown_column(heading: &str) -> Wrong {
    // What kind of report a record comes from is written by us, and rarely by a person.
    let named: Vec<&str> = KEYS.into_iter().filter(|key| *key != "report").collect();
    let remedy = match keys::nearest(heading) {
        Some(key) => format!("rename it \"{key}\" if that is meant, or delete the column"),
        None => format!("delete the column, or name it as one of: {}", named.join(", ")),
    };
    let heading = shown(heading.trim(), QUOTED);
    Wrong::new(format!("\"{heading}\" is not a heading of a plate log"), remedy)
}

/// A column that is read.
struct Column {
    key: &'static str,
    at: usize,
    /// How faults name it: `column "plates"`.
    named: String,
}

/// Lists the columns in the order in which they are read: rate, start and end first, since
/// the rest is held against them.
fn in_order(headings: &Row<'_>, columns: &[Option<&'static str>]) -> Vec<Column> {
    let first = ["rate", "start", "end"];
    let order = first.into_iter().chain(KEYS.into_iter().filter(|key| !first.contains(key)));
    let column = |key| {
        let at = columns.iter().position(|column| *column == Some(key))?;
        let heading = headings.cells.get(at).map_or(key, |heading| heading.trim());
        Some(Column { key, at, named: format!("column \"{}\"", shown(heading, QUOTED)) })
    };
    order.filter_map(column).collect()
}

fn entry(
    row: &Row<'_>,
    headings: &Row<'_>,
    columns: &[Column],
    source: &Source<'_>,
    faults: &mut Vec<BadInput>,
) -> Entry {
    let place = format!("row {}", row.number);
    let mut filling = Filling::new(source, &place, columns.len(), faults);
    ragged(row, headings, &place, &mut filling);
    for Column { key, at, named } in columns {
        let Some(cell) = row.cells.get(*at).filter(|cell| !cell.trim().is_empty()) else {
            continue;
        };
        let at = [place.as_str(), ", ", named].concat();
        if cell.len() > LONGEST_CELL {
            filling.wrong(&at, runaway(cell.len(), cell.trim()));
            continue;
        }
        filling.came_from(key, &place);
        filling.settled(key, |filling| fill(filling, key, &at, cell));
    }
    filling.done()
}

fn ragged(row: &Row<'_>, headings: &Row<'_>, place: &str, filling: &mut Filling<'_, '_>) {
    let (has, wants) = (row.cells.len(), headings.cells.len());
    let spilled = row.cells.iter().skip(wants).any(|cell| !cell.trim().is_empty());
    if has < wants || spilled {
        let s = if has == 1 { "" } else { "s" };
        let wrong = Wrong::new(
            format!("has {has} cell{s}, but there are {wants} headings"),
            "look for a separator that is missing, or that should stand in quotation marks",
        );
        filling.wrong(place, wrong);
    }
}

fn fill(filling: &mut Filling<'_, '_>, key: &'static str, at: &str, cell: &str) {
    fn placed<T>(at: &str, said: Vec<Result<T, Wrong>>) -> Vec<(String, Result<T, Wrong>)> {
        said.into_iter().map(|said| (at.to_string(), said)).collect()
    }
    match key {
        "rate" => filling.record.rate = filling.kept(at, cells::rate(cell)),
        "start" | "end" => filling.bound(key, at, cell),
        "boom" if cells::says_none(cell) => filling.record.no_boom = true,
        "lock_off" | "plates" if cells::says_none(cell) => {}
        "lock_off" | "boom" => filling.ranges(key, placed(at, cells::ranges(cell))),
        "plates" => filling.plates(placed(at, cells::plates(cell))),
        "unusable" => filling.unusable(placed(at, cells::unusable(cell))),
        "serves" => {
            let (serves, wrong) = cells::serves(cell);
            wrong.into_iter().for_each(|wrong| filling.wrong(at, wrong));
            filling.record.serves = serves;
        }
        "region" => {
            filling.record.region = filling.kept(at, cells::region(cell)).unwrap_or_default();
        }
        "capture" => filling.record.capture = filling.kept(at, cells::capture(cell)),
        "tolerance" => filling.record.tolerance = filling.kept(at, cells::tolerance(cell)),
        "report" => filling.record.report = filling.kept(at, cells::report(cell)),
        _ => filling.text(key, cell),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cells(text: &str) -> Vec<Vec<String>> {
        let owned = |row: Row<'_>| row.cells.into_iter().map(Cow::into_owned).collect();
        table(text, ',', usize::MAX).0.into_iter().map(owned).collect()
    }

    #[test]
    fn every_line_end_ends_a_row_and_blank_rows_are_counted() {
        for text in ["a,b\n\n1,2\n", "a,b\r\n\r\n1,2", "a,b\r\r1,2\r"] {
            let (rows, _) = table(text, ',', usize::MAX);
            let numbers: Vec<usize> =
                rows.iter().filter(|row| !row.is_blank()).map(|row| row.number).collect();
            assert_eq!(numbers, [1, 3], "{text:?}");
        }
    }

    #[test]
    fn quoted_cells_hold_separators_marks_and_line_ends() {
        assert_eq!(
            cells("\"a,b\",\"say \"\"cut\"\"\",\"x\r\ny\"\n1,2\"3,\n"),
            [vec!["a,b", "say \"cut\"", "x\r\ny"], vec!["1", "2\"3", ""]]
        );
        assert_eq!(cells("\"a\"b,c"), [["ab", "c"]]);
    }

    #[test]
    fn a_mark_that_is_never_closed_is_a_letter() {
        let (rows, unclosed) = table("a,b\n\"1,2\n3,4\n", ',', usize::MAX);
        assert_eq!(unclosed, Some(2));
        assert_eq!(rows[1].cells, ["\"1", "2"]);
        assert_eq!(rows[2].cells, ["3", "4"]);
    }

    #[test]
    fn the_separator_is_the_one_that_yields_headings() {
        assert_eq!(heading_row("scene,take\n1,2", &Settings::default()).0, ',');
        assert_eq!(heading_row("scene;take\n1,5;2", &Settings::default()).0, ';');
        assert_eq!(heading_row("scene\ttake;x\n1\t2", &Settings::default()).0, '\t');
        assert_eq!(heading_row("sep=;\nscene;take\n1;2", &Settings::default()), (';', Some(1)));
    }

    #[test]
    fn headings_may_stand_below_a_title_block() {
        assert_eq!(
            heading_row("Report\rDay 4,2031-02-03\r\rscene,take\r1,2\r", &Settings::default()).1,
            Some(3)
        );
    }
}
