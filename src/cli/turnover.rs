//! `turnover`: the whole job.

use super::args::Turnover;
use super::check::{print_not_rendered, print_table};
use super::{diagnostic, job, progress::Bar};
use crate::error::Faults;
use crate::report;
use crate::review::{hand_back, review};

/// Judges a cut, renders the plates and fills the output folder.
///
/// # Errors
///
/// Faults that leave nothing to judge, or an output folder that cannot be used.
pub fn run(args: &Turnover) -> Result<u8, Faults> {
    let mut job = job(&args.cut)?;
    if let Some(turns) = args.turns {
        job.settings.turns = turns.into();
    }
    let options = args.back.hand_back(args.cut.force);
    options.settle(&mut job.settings);
    options.check(&job)?;
    job.earlier = Some(args.back.out.join("shots.csv"));
    let (mut reviewed, unwritten) = {
        let mut bar = Bar::new(args.cut.quiet || args.cut.json);
        let mut reviewed = review(&job, &mut bar)?;
        let done = hand_back(&mut reviewed, &job, &options, &mut bar);
        (reviewed, done.err().map_or(Vec::new(), |faults| faults.0))
    };
    diagnostic::print_faults(&reviewed.findings.faults);
    diagnostic::print_faults(&unwritten);
    reviewed.proposals.iter().for_each(|text| diagnostic::note(text));
    if !args.cut.no_picture {
        print_not_rendered(&reviewed);
    }
    if args.cut.json {
        diagnostic::print_bytes(&report::json::bytes(&reviewed.findings));
    } else if !args.cut.quiet {
        if unwritten.is_empty() {
            let out = args.back.out.display();
            let text = format!("Look at {out}/report.html first; the timeline is in {out}.");
            diagnostic::note(&text);
        }
        print_table(&reviewed, args.cut.no_picture);
    }
    if args.cut.json || args.cut.quiet {
        diagnostic::note(&report::looked_at(&reviewed.findings));
    }
    let code = if unwritten.is_empty() { reviewed.findings.exit_code() } else { super::FAULT };
    // As at the end of a check: the process is over, and takes all with it.
    drop(reviewed.unpacked.take());
    std::mem::forget(reviewed);
    Ok(code)
}
