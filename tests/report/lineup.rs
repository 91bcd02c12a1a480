//! `lineup.xlsx` opened by a spreadsheet program that is not ours (Gnumeric's `ssconvert`, from the
//! distribution) and held against `shots.csv`, which is text.

use super::invented::{every_verdict, hostile};
use super::outside;
use super::seen::looks;
use platesmith::findings::{Findings, Verdict};
use platesmith::report::{lineup, shots};
use std::process::Command;

/// Rows of a table, each with its cells by heading.
struct Table {
    headings: csv::StringRecord,
    rows: Vec<csv::StringRecord>,
}

impl Table {
    fn read(bytes: &[u8]) -> Table {
        let mut reader = csv::Reader::from_reader(bytes);
        let headings = reader.headers().expect("headings").clone();
        Table { headings, rows: reader.records().map(|row| row.expect("a row")).collect() }
    }

    fn cell<'a>(&self, row: &'a csv::StringRecord, heading: &str) -> &'a str {
        let at = self.headings.iter().position(|name| name == heading);
        row.get(at.unwrap_or_else(|| panic!("no column {heading:?}"))).expect("a cell")
    }
}

fn opened(findings: &Findings) -> Option<Table> {
    if !outside::has_program_version("ssconvert") {
        return None;
    }
    let folder = tempfile::tempdir().expect("a folder for the test");
    let [book, table] = ["lineup.xlsx", "lineup.csv"].map(|name| folder.path().join(name));
    let looks = looks(findings, (192, 108));
    std::fs::write(&book, lineup::bytes(findings, &looks).expect("made")).expect("written");
    let mut program = Command::new("ssconvert");
    let run = program.args([&book, &table]).env("HOME", folder.path()).output().expect("it runs");
    let said = String::from_utf8_lossy(&run.stderr).into_owned();
    assert!(run.status.success() && table.is_file(), "{said}");
    let mut table = Table::read(&std::fs::read(table).expect("read"));
    // The sum of the costs stands two rows below the last shot.
    let shots = table.headings.iter().position(|name| name == "shot").expect("a column");
    table.rows.retain(|row| !row.get(shots).unwrap_or_default().is_empty());
    Some(table)
}

#[test]
fn a_spreadsheet_program_shows_the_shots_that_shots_csv_names() {
    let findings = every_verdict();
    let Some(sheet) = opened(&findings) else { return };
    let named = Table::read(&shots::bytes(&findings, &[]).expect("written"));
    let with_work = |row: &&csv::StringRecord| {
        !matches!(named.cell(row, "verdict"), "clear" | "covered" | "unlisted")
    };
    let wanted: Vec<(&str, &str)> = named
        .rows
        .iter()
        .filter(with_work)
        .map(|row| {
            let word = named.cell(row, "verdict");
            let verdict = Verdict::ALL.into_iter().find(|verdict| verdict.word() == word);
            (named.cell(row, "shot"), verdict.expect("a verdict").shown())
        })
        .collect();
    let shown: Vec<(&str, &str)> = sheet
        .rows
        .iter()
        .map(|row| (sheet.cell(row, "shot"), sheet.cell(row, "verdict")))
        .collect();
    assert_eq!(shown, wanted);
    assert!(wanted.len() >= 7, "{wanted:?}");
    for row in &sheet.rows {
        let shot = sheet.cell(row, "shot");
        let found = findings.uses.iter().find(|found| found.shot == shot).expect("a use");
        let frames = found.range_in_cut.count().0.to_string();
        assert_eq!(sheet.cell(row, "length"), frames, "{shot}");
        assert_eq!(sheet.cell(row, "decision"), "", "{shot}: to be filled in by hand");
    }
}

#[test]
fn a_spreadsheet_program_runs_nothing_that_a_name_asks_for() {
    let findings = hostile();
    let Some(sheet) = opened(&findings) else { return };
    assert_eq!(sheet.rows.len(), findings.uses.len());
    let shots: Vec<&str> = sheet.rows.iter().map(|row| sheet.cell(row, "shot")).collect();
    assert!(shots.contains(&"=HYPERLINK(\"x\")"), "the formula is a text: {shots:?}");
}
