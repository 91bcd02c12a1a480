//! The table on the terminal: one line for each listed use.

use super::looked_at;
use super::words::said;
use crate::findings::{Findings, UseFinding, Verdict};
use crate::marks::{in_few_words, reason_in_few_words, shortened};
use crate::reason::Severity;
use anstyle::{AnsiColor, Style};
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// The width of a table when nobody knows how wide the terminal is.
pub const USUAL_WIDTH: usize = 100;

/// Shot names wider than this are cut in the table.
const WIDEST_SHOT: usize = 32;
/// With less room than this for the reason it goes on a line of its own.
const LEAST_REASON: usize = 24;

/// Returns the table, `width` columns wide, with ANSI styles for the caller to strip.
///
/// Unlisted uses are only counted; the last line says how many were not looked at.
pub fn table(findings: &Findings, width: usize) -> String {
    let width = width.max(40);
    let lines: Vec<Line> =
        findings.uses.iter().filter(|found| found.verdict.is_listed()).map(Line::of).collect();
    let mut out = String::new();
    if !lines.is_empty() {
        let columns = Columns::of(&lines, width);
        let bold = Style::new().bold();
        out.push_str(&format!("{bold}{}{bold:#}\n", columns.heading()));
        for line in &lines {
            out.push_str(&columns.write(line));
        }
        out.push('\n');
    }
    if !findings.faults.is_empty() {
        let faults = findings.faults.len();
        let plural = if faults == 1 { "fault" } else { "faults" };
        out.push_str(&format!("{faults} {plural} in what was given\n"));
    }
    out.push_str(&looked_at(findings));
    out.push('\n');
    out
}

/// One use, said in columns.
struct Line {
    shot: String,
    verdict: Verdict,
    frames: String,
    plate: String,
    reason: String,
}

impl Line {
    fn of(found: &UseFinding) -> Line {
        let count = |frames: Option<u64>| frames.map_or("-".to_string(), |n| n.to_string());
        let used = found.used_in_take.map(|range| range.count().0);
        let need = found.need_in_take.map(|range| range.count().0);
        let plate = found.plate.as_ref().map(|plate| plate.range_in_take.count().0);
        Line {
            shot: cut_to(&said(&found.shot), WIDEST_SHOT),
            verdict: found.verdict,
            frames: count(used),
            plate: format!("{}/{}", count(plate), count(need)),
            reason: reason(found),
        }
    }
}

/// What decides a use, and what somebody should look at although it holds.
fn reason(found: &UseFinding) -> String {
    let gravest = found.decisive().filter(|reason| reason.severity > Severity::Note);
    let watch = gravest.map(|reason| said(&reason_in_few_words(reason)));
    let plate = found.plate.as_ref();
    let about = match found.verdict {
        Verdict::Loop => plate.map(|plate| format!("{} passes", plate.passes)),
        Verdict::Borrow => Some(said(&in_few_words(found))),
        _ => None,
    };
    about.into_iter().chain(watch).collect::<Vec<_>>().join("; ")
}

/// How wide each column is.
struct Columns {
    shot: usize,
    verdict: usize,
    frames: usize,
    plate: usize,
    width: usize,
}

impl Columns {
    fn of(lines: &[Line], width: usize) -> Columns {
        let widest = |heading: &str, cell: fn(&Line) -> &str| {
            lines.iter().map(|line| cell(line).width()).max().unwrap_or(0).max(heading.len())
        };
        Columns {
            shot: widest("SHOT", |line| &line.shot),
            verdict: widest("VERDICT", |line| line.verdict.shown()),
            frames: widest("FRAMES", |line| &line.frames),
            plate: widest("PLATE/NEED", |line| &line.plate),
            width,
        }
    }

    fn before_reason(&self) -> usize {
        self.shot + self.verdict + self.frames + self.plate + 8
    }

    fn heading(&self) -> String {
        let (frames, plate) = (self.frames, self.plate);
        let numbers = format!("{:>frames$}  {:>plate$}", "FRAMES", "PLATE/NEED");
        format!("{}  {}  {numbers}", padded("SHOT", self.shot), padded("VERDICT", self.verdict))
    }

    fn write(&self, line: &Line) -> String {
        let (frames, plate) = (self.frames, self.plate);
        let style = style(line.verdict);
        let numbers = format!("{:>frames$}  {:>plate$}", line.frames, line.plate);
        let shown = padded(line.verdict.shown(), self.verdict);
        let head = format!("{}  {style}{shown}{style:#}  {numbers}", padded(&line.shot, self.shot));
        let room = self.width.saturating_sub(self.before_reason());
        match (line.reason.as_str(), room) {
            ("", _) => format!("{head}\n"),
            (reason, room) if room >= LEAST_REASON => format!("{head}  {}\n", fitted(reason, room)),
            (reason, _) => format!("{head}\n    {}\n", fitted(reason, self.width - 4)),
        }
    }
}

/// Cuts a sentence to `room` columns at a word, with dots where something is missing.
fn fitted(text: &str, room: usize) -> String {
    if text.width() <= room {
        return text.to_string();
    }
    let mut letters = room.saturating_sub(3);
    loop {
        let short = shortened(text, letters);
        if short.width() <= room.saturating_sub(3) || letters == 0 {
            return format!("{short}...");
        }
        letters -= 1;
    }
}

/// Cuts a name to `room` columns.
fn cut_to(text: &str, room: usize) -> String {
    if text.width() <= room {
        return text.to_string();
    }
    let mut cut = String::new();
    for letter in text.chars() {
        if cut.width() + letter.width().unwrap_or(0) > room - 2 {
            break;
        }
        cut.push(letter);
    }
    cut + ".."
}

fn padded(text: &str, width: usize) -> String {
    format!("{text}{}", " ".repeat(width.saturating_sub(text.width())))
}

fn style(verdict: Verdict) -> Style {
    let colour = match verdict {
        Verdict::Plate => AnsiColor::Green,
        Verdict::Loop => AnsiColor::Blue,
        Verdict::Borrow | Verdict::Still | Verdict::Gather => AnsiColor::Magenta,
        Verdict::Undecided => AnsiColor::Yellow,
        Verdict::ByHand => AnsiColor::Red,
        Verdict::Clear | Verdict::Unlisted | Verdict::Covered => return Style::new(),
    };
    Style::new().bold().fg_color(Some(colour.into()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wide_letters_take_two_columns() {
        // Unicode Standard Annex 11: wide letters take two columns.
        assert_eq!(padded("場", 4), "場  ");
        assert_eq!(cut_to(&"場".repeat(20), 9), "場場場..");
    }

    #[test]
    fn a_sentence_is_cut_at_a_word() {
        assert_eq!(fitted("the camera moved 3 px", 14), "the camera...");
        assert_eq!(fitted("the camera", 10), "the camera");
    }
}
