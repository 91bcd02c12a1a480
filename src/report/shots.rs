//! `shots.csv`: the list people write their decisions into. What they wrote, and the names of
//! the shots, are kept when the list is written again.

use super::cells::{cell_text, rows, text_cell};
use super::words::take_words;
use crate::error::{BadInput, Faults};
use crate::findings::{Findings, TakeName, UseFinding};
use crate::time::FrameRange;
use std::collections::BTreeMap;
use std::path::Path;

/// The columns this program writes, in order; the last three are for people.
const HEADINGS: [&str; 9] = [
    "shot",
    "pointer",
    "clip",
    "take",
    "used_in_take",
    "verdict",
    "decision",
    "overruled_by",
    "why",
];

/// One shot and what was decided about it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ShotRow {
    /// The shot's name.
    pub shot: String,
    /// JSON pointer of the clip in the cut the list was last written for; empty if the shot
    /// has left the cut.
    pub pointer: String,
    /// The clip's name in the cut.
    pub clip: String,
    /// The take as the log names it; empty if none was matched.
    pub take: String,
    /// Used frames on the take clock, if known.
    pub used_in_take: Option<FrameRange>,
    /// The verdict's word.
    pub verdict: String,
    /// What was decided; free text.
    pub decision: String,
    /// Who overruled the verdict.
    pub overruled_by: String,
    /// Why.
    pub why: String,
    /// Columns somebody added, by heading.
    pub added: BTreeMap<String, String>,
}

impl ShotRow {
    /// Makes the row of a use that nothing is decided about yet: what [`kept`] looks for.
    ///
    /// `used_in_take` is on the take clock.
    pub fn undecided(
        clip: &str,
        pointer: &str,
        take: Option<&TakeName>,
        used_in_take: Option<FrameRange>,
    ) -> ShotRow {
        ShotRow {
            pointer: pointer.into(),
            clip: clip.into(),
            take: take.map(take_words).unwrap_or_default(),
            used_in_take,
            ..ShotRow::default()
        }
    }

    fn of(found: &UseFinding) -> ShotRow {
        let (take, used) = (found.take.as_ref(), found.used_in_take);
        ShotRow {
            shot: found.shot.clone(),
            verdict: found.verdict.word().into(),
            ..ShotRow::undecided(&found.clip, &found.pointer, take, used)
        }
    }

    /// Tells whether somebody wrote something into the row.
    fn is_decided(&self) -> bool {
        let written = [&self.decision, &self.overruled_by, &self.why];
        written.into_iter().chain(self.added.values()).any(|text| !text.trim().is_empty())
    }

    fn cells(&self, added: &[String]) -> Vec<String> {
        let used = self.used_in_take.map(|r| format!("{} to {}", r.start, r.end));
        let used = used.unwrap_or_default();
        let ours = [
            &self.shot,
            &self.pointer,
            &self.clip,
            &self.take,
            &used,
            &self.verdict,
            &self.decision,
            &self.overruled_by,
            &self.why,
        ];
        let theirs = added.iter().map(|heading| self.added.get(heading).map_or("", String::as_str));
        ours.into_iter().map(String::as_str).chain(theirs).map(text_cell).collect()
    }
}

/// Finds the row an earlier list has for a use, and returns its index.
///
/// Same clip, take and used frames; else same clip and take with the most used frames in
/// common, so that a trimmed shot keeps its name; else same clip and frames where one of the
/// two has no take yet. Rows marked in `taken` are out. Among equals the one at the same
/// pointer, then the first.
pub fn kept(old: &[ShotRow], taken: &[bool], new: &ShotRow) -> Option<usize> {
    let free = || {
        old.iter()
            .enumerate()
            .filter(|(at, row)| !taken.get(*at).copied().unwrap_or(false) && row.clip == new.clip)
    };
    let rank = |row: &ShotRow| -> Option<(u8, u64, bool)> {
        let frames = row.used_in_take == new.used_in_take;
        let common = || row.used_in_take?.overlap(new.used_in_take?).map(|both| both.count().0);
        let here = row.pointer == new.pointer;
        if row.take == new.take {
            if frames { Some((2, 0, here)) } else { Some((1, common()?, here)) }
        } else {
            (frames && (row.take.is_empty() || new.take.is_empty())).then_some((0, 0, here))
        }
    };
    let ranked = free().filter_map(|(at, row)| Some((rank(row)?, std::cmp::Reverse(at))));
    ranked.max().map(|(_, at)| at.0)
}

/// Returns the names an earlier list has for uses, in their order; `None` for uses that are
/// not in it or in no log.
pub fn earlier_names(uses: &[UseFinding], old: &[ShotRow]) -> Vec<Option<String>> {
    let listed: Vec<&UseFinding> = uses.iter().filter(|found| found.verdict.is_listed()).collect();
    let new: Vec<ShotRow> = listed.iter().map(|found| ShotRow::of(found)).collect();
    let mut rows = pairs(&new, old).into_iter();
    uses.iter()
        .map(|found| {
            let at = if found.verdict.is_listed() { rows.next().flatten() } else { None };
            let name = old.get(at?)?.shot.trim();
            (!name.is_empty()).then(|| name.to_string())
        })
        .collect()
}

/// Returns for each new row the index of its row in an earlier list.
///
/// Exact matches are taken first, so that a trimmed shot never takes the row of another.
fn pairs(new: &[ShotRow], old: &[ShotRow]) -> Vec<Option<usize>> {
    let mut taken = vec![false; old.len()];
    let mut found: Vec<Option<usize>> = vec![None; new.len()];
    for exact in [true, false] {
        for (row, found) in new.iter().zip(&mut found).filter(|(_, found)| found.is_none()) {
            let Some(at) = kept(old, &taken, row) else { continue };
            let is_exact = old
                .get(at)
                .is_some_and(|was| was.take == row.take && was.used_in_take == row.used_in_take);
            if exact && !is_exact {
                continue;
            }
            *found = Some(at);
            taken[at] = true;
        }
    }
    found
}

/// Returns the rows of the listed uses with what an earlier list says about them.
///
/// Rows with a decision whose shot has left the cut stay at the end, without a pointer. The
/// names are those of the findings, so that every output calls a shot the same.
pub fn merged(findings: &Findings, old: &[ShotRow]) -> Vec<ShotRow> {
    let listed = findings.uses.iter().filter(|found| found.verdict.is_listed());
    let mut new: Vec<ShotRow> = listed.map(ShotRow::of).collect();
    let mut taken = vec![false; old.len()];
    let pairs = pairs(&new, old);
    for (row, at) in new.iter_mut().zip(pairs) {
        let Some((at, was)) = at.and_then(|at| Some((at, old.get(at)?))) else { continue };
        take_over(row, was);
        taken[at] = true;
    }
    let left = old.iter().zip(&taken).filter(|(row, taken)| !**taken && row.is_decided());
    new.extend(left.map(|(row, _)| ShotRow {
        pointer: String::new(),
        verdict: String::new(),
        ..row.clone()
    }));
    new
}

fn take_over(row: &mut ShotRow, was: &ShotRow) {
    row.decision = was.decision.clone();
    row.overruled_by = was.overruled_by.clone();
    row.why = was.why.clone();
    row.added = was.added.clone();
}

/// Returns the bytes of `shots.csv`, with what `old` says kept.
///
/// # Errors
///
/// Only if a row cannot be written.
pub fn bytes(findings: &Findings, old: &[ShotRow]) -> Result<Vec<u8>, Faults> {
    let new = merged(findings, old);
    let mut added: Vec<String> = new.iter().flat_map(|row| row.added.keys().cloned()).collect();
    added.sort();
    added.dedup();
    let headings: Vec<String> =
        HEADINGS.map(String::from).into_iter().chain(added.iter().map(|h| text_cell(h))).collect();
    rows(b',', std::iter::once(headings).chain(new.iter().map(|row| row.cells(&added))))
}

/// Reads an earlier `shots.csv`; an absent file is an empty list.
///
/// A list that a spreadsheet saved with `;` or tabs, or with a byte-order mark, is read too.
///
/// # Errors
///
/// Every fault of the file in one go: bytes that are not UTF-8, missing or doubled headings,
/// rows of another length, ranges that are none.
pub fn read(path: &Path) -> Result<Vec<ShotRow>, Faults> {
    let name = path.file_name().map_or("shots.csv".into(), |name| name.to_string_lossy());
    let bytes = match std::fs::read(path) {
        Ok(bytes) => bytes,
        Err(io) if io.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(io) => {
            let fault = format!("cannot be read: {io}");
            return Err(Faults::one(name, "", fault, "check that the file may be read"));
        }
    };
    parse(&name, &bytes)
}

fn parse(name: &str, bytes: &[u8]) -> Result<Vec<ShotRow>, Faults> {
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let text = std::str::from_utf8(bytes).map_err(|fault| {
        let line = bytes[..fault.valid_up_to()].iter().filter(|byte| **byte == b'\n').count() + 1;
        let remedy = "save the list again as CSV in UTF-8";
        Faults::one(name, format!("line {line}"), "the text is not UTF-8", remedy)
    })?;
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter(text))
        .flexible(true)
        .from_reader(text.as_bytes());
    let headings = reader.headers().map(clean_headings).unwrap_or_default();
    let mut faults = heading_faults(name, &headings);
    if !faults.is_empty() {
        return Err(Faults(faults));
    }
    let mut read = Vec::new();
    for record in reader.records() {
        match record {
            Ok(record) => match row(name, &headings, &record) {
                Ok(row) => read.push(row),
                Err(fault) => faults.push(fault),
            },
            Err(fault) => faults.push(BadInput::new(name, "", fault.to_string(), REMEDY)),
        }
    }
    if faults.is_empty() { Ok(read) } else { Err(Faults(faults)) }
}

const REMEDY: &str = "correct the row, or move the file away: it is never overwritten unread";

/// The sign that parts most headings.
fn delimiter(text: &str) -> u8 {
    let first = text.lines().next().unwrap_or_default();
    let count = |sign: char| first.matches(sign).count();
    let signs = [',', ';', '\t'];
    signs.into_iter().rev().max_by_key(|sign| count(*sign)).map_or(b',', |sign| sign as u8)
}

fn clean_headings(headings: &csv::StringRecord) -> Vec<String> {
    headings.iter().map(|heading| cell_text(heading.trim())).collect()
}

fn heading_faults(name: &str, headings: &[String]) -> Vec<BadInput> {
    let mut faults = Vec::new();
    for needed in ["shot", "clip"] {
        if !headings.iter().any(|heading| heading == needed) {
            let fault = format!("there is no column \"{needed}\"");
            let remedy = "put the headings back, or move the file away";
            faults.push(BadInput::new(name, "row 1", fault, remedy));
        }
    }
    for (at, heading) in headings.iter().enumerate() {
        if !heading.is_empty() && headings[..at].contains(heading) {
            let fault =
                format!("the column \"{}\" is there twice", crate::error::shown(heading, 60));
            faults.push(BadInput::new(name, "row 1", fault, "give each column a name of its own"));
        }
    }
    faults
}

fn row(name: &str, headings: &[String], record: &csv::StringRecord) -> Result<ShotRow, BadInput> {
    let line = record.position().map_or(0, csv::Position::line);
    let place = format!("line {line}");
    if record.len() != headings.len() {
        let fault = format!("the row has {} cells, not {}", record.len(), headings.len());
        return Err(BadInput::new(name, place, fault, REMEDY));
    }
    let mut row = ShotRow::default();
    for (heading, cell) in headings.iter().zip(record) {
        let text = cell_text(cell);
        match heading.as_str() {
            "shot" => row.shot = text,
            "pointer" => row.pointer = text,
            "clip" => row.clip = text,
            "take" => row.take = text,
            "verdict" => row.verdict = text,
            "decision" => row.decision = text,
            "overruled_by" => row.overruled_by = text,
            "why" => row.why = text,
            "used_in_take" => {
                row.used_in_take = range(&text).map_err(|()| {
                    let shown = crate::error::shown(&text, 60);
                    let place = format!("{place}, column \"used_in_take\"");
                    let fault = format!("\"{shown}\" is not a range of frames: write 100 to 196");
                    BadInput::new(name, place, fault, REMEDY)
                })?;
            }
            "" => {}
            _ if text.is_empty() => {}
            added => drop(row.added.insert(added.to_string(), text)),
        }
    }
    Ok(row)
}

fn range(text: &str) -> Result<Option<FrameRange>, ()> {
    if text.trim().is_empty() {
        return Ok(None);
    }
    let (start, end) = text.split_once(" to ").ok_or(())?;
    let number = |text: &str| text.trim().parse::<i64>().map_err(drop);
    let (start, end) = (number(start)?, number(end)?);
    if end < start { Err(()) } else { Ok(Some(FrameRange::new(start, end))) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_fault_of_an_old_list_is_said_at_once() {
        let list = b"shot,clip,used_in_take\na,b,x\nc,d\ne,f,5 to 1\ng,h,1 to 5\n";
        let Err(Faults(faults)) = parse("shots.csv", list) else { panic!("must fail") };
        let said: Vec<String> = faults.iter().map(ToString::to_string).collect();
        assert_eq!(
            said,
            [
                "shots.csv, line 2, column \"used_in_take\": \"x\" is not a range of frames: write 100 to 196",
                "shots.csv, line 3: the row has 2 cells, not 3",
                "shots.csv, line 4, column \"used_in_take\": \"5 to 1\" is not a range of frames: write 100 to 196",
            ]
        );
        let Err(Faults(faults)) = parse("shots.csv", b"name;clip;clip\n") else {
            panic!("must fail")
        };
        assert_eq!(faults.len(), 2);
        assert!(parse("shots.csv", b"shot,clip\n\xff,a\n").is_err());
    }

    #[test]
    fn a_list_saved_by_a_spreadsheet_is_read() {
        let list = "\u{feff}shot;clip;why;colourist\r\nA;a;\"x; y\";Z\r\n";
        let rows = parse("shots.csv", list.as_bytes()).expect("reads");
        assert_eq!(rows[0].why, "x; y");
        assert_eq!(rows[0].added["colourist"], "Z");
    }

    #[test]
    fn a_trimmed_shot_keeps_its_row_and_the_nearest_wins() {
        let row = |shot: &str, from, to| ShotRow {
            shot: shot.into(),
            clip: "A".into(),
            used_in_take: Some(FrameRange::new(from, to)),
            ..ShotRow::default()
        };
        let old = [row("one", 0, 50), row("two", 100, 200), row("three", 180, 300)];
        let none = [false; 3];
        assert_eq!(kept(&old, &none, &row("", 110, 205)), Some(1));
        assert_eq!(kept(&old, &none, &row("", 180, 300)), Some(2));
        assert_eq!(kept(&old, &none, &row("", 60, 90)), None);
        assert_eq!(kept(&old, &[false, true, false], &row("", 110, 205)), Some(2));
    }
}
