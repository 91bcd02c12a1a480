//! `check`: verdicts, nothing rendered.

use super::args::Check;
use super::{diagnostic, job, progress::Bar};
use crate::error::{Faults, shown};
use crate::findings::UseFinding;
use crate::matching::UseClues;
use crate::report;
use crate::review::{Review, Subject, review};
use crate::time::Counting;

/// Judges a cut and prints a table, or `findings.json`.
///
/// # Errors
///
/// Faults that leave nothing to judge.
pub fn run(args: &Check) -> Result<u8, Faults> {
    let job = job(&args.cut)?;
    let mut reviewed = {
        let mut bar = Bar::new(args.cut.quiet || args.cut.json);
        review(&job, &mut bar)?
    };
    diagnostic::print_faults(&reviewed.findings.faults);
    reviewed.proposals.iter().for_each(|text| diagnostic::note(text));
    if let Some(shot) = &args.explain {
        diagnostic::print(&explained(&reviewed, shot)?);
    } else if args.cut.json {
        diagnostic::print_with(|out| report::json::write(&reviewed.findings, out));
    } else if !args.cut.quiet {
        print_table(&reviewed, args.cut.no_picture);
    }
    if args.cut.json || args.cut.quiet || args.explain.is_some() {
        diagnostic::note(&report::looked_at(&reviewed.findings));
    }
    let code = reviewed.findings.exit_code();
    // The process ends here: taking a long cut apart again piece by piece is time lost.
    drop(reviewed.unpacked.take());
    std::mem::forget(reviewed);
    Ok(code)
}

/// Prints the table, and says on how many pictures it rests.
pub fn print_table(reviewed: &Review, no_picture: bool) {
    diagnostic::note(&rests_on(reviewed, no_picture));
    diagnostic::print(&report::table::table(&reviewed.findings, terminal_width()));
}

fn rests_on(reviewed: &Review, no_picture: bool) -> String {
    if no_picture {
        return "From the log alone: no picture was opened.".into();
    }
    let uses = &reviewed.findings.uses;
    let listed = uses.iter().filter(|found| found.verdict.is_listed()).count();
    let measured = uses.iter().filter(|found| found.picture.is_some()).count();
    match (measured, listed) {
        (0, _) => "From the log's claims: no picture could be looked at.".into(),
        (measured, listed) => {
            format!("{measured} of {listed} listed shots were held against their pictures.")
        }
    }
}

/// Names the shots whose plate needs a correction that could not be rendered.
pub fn print_not_rendered(reviewed: &Review) {
    let uses = reviewed.findings.uses.iter();
    let unmade =
        |found: &&UseFinding| found.plate.as_ref().is_none_or(|plate| plate.file.is_none());
    let needs = |found: &&UseFinding| found.verdict.has_plate() && !found.corrections.is_empty();
    for found in uses.filter(needs).filter(unmade) {
        let needs = found.corrections.join(", ");
        let shot = &found.shot;
        diagnostic::note(&format!(
            "{shot}: not rendered, for it needs {needs}, which cannot be made of this take."
        ));
    }
}

/// The terminal's width; the usual one where there is none, so that output to a file is the
/// same everywhere.
fn terminal_width() -> usize {
    use std::io::IsTerminal;
    if !std::io::stdout().is_terminal() {
        return report::table::USUAL_WIDTH;
    }
    terminal_size::terminal_size()
        .map_or(report::table::USUAL_WIDTH, |(width, _)| usize::from(width.0))
}

/// How a shot was matched, and what spoke against the other records.
fn explained(reviewed: &Review, shot: &str) -> Result<String, Faults> {
    let judged = || reviewed.findings.uses.iter().zip(&reviewed.subjects);
    let of_shot: Vec<_> = judged().filter(|(finding, _)| finding.shot == shot).collect();
    let called = if of_shot.is_empty() {
        judged().filter(|(finding, _)| finding.clip == shot).collect()
    } else {
        of_shot
    };
    if called.is_empty() {
        return Err(Faults::one(
            "command line",
            "--explain",
            format!("no shot and no clip is called \"{shot}\""),
            "name a shot as the table does, or a clip as the cut does",
        ));
    }
    let told = called.into_iter().map(|(finding, subject)| told(reviewed, finding, subject));
    Ok(told.collect::<Vec<_>>().join("\n"))
}

fn told(reviewed: &Review, finding: &UseFinding, subject: &Subject) -> String {
    let place = |at: usize| {
        let record = reviewed.records.get(at);
        shown(record.map_or("", |record| record.place()), LONGEST)
    };
    let mut text = format!("{}  {}\n", shown(&finding.shot, LONGEST), finding.verdict.shown());
    let used = reviewed.cut.uses.iter().find(|used| used.pointer == finding.pointer);
    for line in used.map(UseClues::of).iter().flat_map(says) {
        text += &format!("  the cut says: {line}\n");
    }
    if let Some(media) = &subject.media {
        let info = media.info();
        let start = info
            .start
            .map_or(String::new(), |tag| format!(", starts {}", tag.counting.label(tag.frame)));
        text +=
            &format!("  media: {}{start}, {} frames\n", shown(&info.name, LONGEST), info.frames);
    }
    for at in &subject.candidates {
        text += &format!("  fits: {}\n", place(*at));
    }
    if subject.candidates.len() > 1 {
        text += "  several fit equally well: none is chosen\n";
    }
    for clue in &finding.matched.clues {
        text += &format!("  clue: {}\n", shown(clue, LONGEST));
    }
    for (at, clues) in &subject.weaker {
        let clues = clues.iter().map(|clue| shown(clue, LONGEST)).collect::<Vec<_>>().join("; ");
        text += &format!("  fits less well {}: only {clues}\n", place(*at));
    }
    for (at, why) in &subject.against {
        text += &format!("  not {}: {}\n", place(*at), shown(why, LONGEST));
    }
    if subject.candidates.is_empty() && subject.against.is_empty() {
        text += "  no record names it: no id, clip name, roll with timecode, or scene and take\n";
    }
    for reason in &finding.reasons {
        text += &format!("  {}: {}\n", reason.code, reason.text);
    }
    text
}

/// Longest piece of a line that is shown; ours.
const LONGEST: usize = 200;

/// What a use says of the take it shows, a line for each kind of clue.
fn says(clues: &UseClues) -> Vec<String> {
    let mut lines = Vec::new();
    let mut list = |word: &str, values: &[String]| {
        if !values.is_empty() {
            lines.push(format!("{word} {}", shown(&values.join(", "), LONGEST)));
        }
    };
    list("id", &clues.ids);
    list("media", &clues.media_names);
    list("source", &clues.source_names);
    list("roll", &clues.rolls);
    for (word, value) in [
        ("scene", &clues.scene),
        ("slate", &clues.slate),
        ("take", &clues.take),
        ("camera", &clues.camera),
    ] {
        list(word, value.as_slice());
    }
    list("date", &clues.dates);
    if let Some(time) = &clues.time {
        let counting = Counting::new(time.rate, false);
        let (from, to) = (counting.label(time.range.start), counting.label(time.range.end));
        lines.push(format!("{from}-{to} at {}", time.rate));
    }
    lines
}
