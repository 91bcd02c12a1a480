//! `turnover`: the whole job.

use super::args::Turnover;
use super::check::{print_not_rendered, print_table};
use super::{diagnostic, farming, job, progress::Bar};
use crate::error::Faults;
use crate::report;
use crate::review::{HandBack, Job, hand_back, review};

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
    job.settings.also(args.back.verify, false);
    job.earlier = Some(args.back.out.join("shots.csv"));
    let said = Said { json: args.cut.json, quiet: args.cut.quiet };
    match &args.only {
        Some(shot) => farming::only(&mut job, &options, shot, said.quiet),
        None if args.plan => farming::plan(&mut job, &options, args),
        None if args.collect => farming::collect(&mut job, &options, said),
        None => deliver(&job, &options, said),
    }
}

/// What is printed besides faults.
#[derive(Debug, Clone, Copy)]
pub struct Said {
    /// The findings as JSON.
    pub json: bool,
    /// Nothing but how many uses were not looked at.
    pub quiet: bool,
}

/// Reviews a cut, fills the output folder and says what came of it.
///
/// # Errors
///
/// As [`run`].
pub fn deliver(job: &Job, options: &HandBack, said: Said) -> Result<u8, Faults> {
    options.check(job)?;
    let (mut reviewed, unwritten) = {
        let mut bar = Bar::new(said.quiet || said.json);
        let mut reviewed = review(job, &mut bar)?;
        let done = hand_back(&mut reviewed, job, options, &mut bar);
        (reviewed, done.err().map_or(Vec::new(), |faults| faults.0))
    };
    diagnostic::print_faults(&reviewed.findings.faults);
    diagnostic::print_faults(&unwritten);
    reviewed.proposals.iter().for_each(|text| diagnostic::note(text));
    if job.picture {
        print_not_rendered(&reviewed);
    }
    if said.json {
        diagnostic::print_bytes(&report::json::bytes(&reviewed.findings));
    } else if !said.quiet {
        if unwritten.is_empty() {
            let out = options.out.display();
            let text = format!("Look at {out}/report.html first; the timeline is in {out}.");
            diagnostic::note(&text);
        }
        print_table(&reviewed, !job.picture);
    }
    if said.json || said.quiet {
        diagnostic::note(&report::looked_at(&reviewed.findings));
    }
    let code = if unwritten.is_empty() { reviewed.findings.exit_code() } else { super::FAULT };
    // As at the end of a check: the process is over, and takes all with it.
    drop(reviewed.unpacked.take());
    std::mem::forget(reviewed);
    Ok(code)
}
