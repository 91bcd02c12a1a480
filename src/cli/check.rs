//! `check`: verdicts, nothing rendered.

use super::args::Check;
use super::{diagnostic, job, progress::Bar};
use crate::error::Faults;
use crate::report;
use crate::review::{Review, review};

/// Judges a cut and prints a table, or `findings.json`.
///
/// # Errors
///
/// Faults that leave nothing to judge.
pub fn run(args: &Check) -> Result<u8, Faults> {
    let job = job(&args.cut)?;
    let reviewed = {
        let mut bar = Bar::new(args.cut.quiet || args.cut.json);
        review(&job, &mut bar)?
    };
    diagnostic::print_faults(&reviewed.findings.faults);
    reviewed.proposals.iter().for_each(|text| diagnostic::note(text));
    if let Some(shot) = &args.explain {
        diagnostic::print(&explained(&reviewed, shot)?);
    } else if args.cut.json {
        diagnostic::print_bytes(&report::json::bytes(&reviewed.findings));
    } else if !args.cut.quiet {
        print_table(&reviewed, args.cut.no_picture);
    }
    if args.cut.json || args.cut.quiet || args.explain.is_some() {
        diagnostic::note(&report::looked_at(&reviewed.findings));
    }
    Ok(reviewed.findings.exit_code())
}

/// Prints the table, and says so if no picture was looked at.
pub fn print_table(reviewed: &Review, no_picture: bool) {
    if no_picture {
        diagnostic::note("From the log alone: no picture was opened.");
    }
    diagnostic::print(&report::table::table(&reviewed.findings, terminal_width()));
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
    let subject = reviewed.subjects.iter().find(|subject| subject.finding.shot == shot);
    let Some(subject) = subject else {
        return Err(Faults::one(
            "command line",
            "--explain",
            format!("no shot is called \"{shot}\""),
            "run check without --explain to see the names",
        ));
    };
    let mut text = format!("{shot}  {}\n", subject.finding.verdict.shown());
    for at in &subject.candidates {
        text += &format!("  fits: {}\n", reviewed.records[*at].place());
    }
    for clue in &subject.finding.matched.clues {
        text += &format!("  clue: {clue}\n");
    }
    for (at, why) in &subject.against {
        text += &format!("  not {}: {why}\n", reviewed.records[*at].place());
    }
    for reason in &subject.finding.reasons {
        text += &format!("  {}: {}\n", reason.code, reason.text);
    }
    Ok(text)
}
