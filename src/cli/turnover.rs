//! `turnover`: the whole job.

use super::args::Turnover;
use super::check::print_table;
use super::{diagnostic, job, progress::Bar};
use crate::error::Faults;
use crate::report;
use crate::review::{HandBack, hand_back, review};

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
    let options = HandBack {
        out: args.out.clone(),
        markers: args.markers.into(),
        plates: args.plates.into(),
    };
    options.check(&job)?;
    let reviewed = {
        let mut bar = Bar::new(args.cut.quiet || args.cut.json);
        let mut reviewed = review(&job, &mut bar)?;
        hand_back(&mut reviewed, &job, &options, &mut bar)?;
        reviewed
    };
    diagnostic::print_faults(&reviewed.findings.faults);
    reviewed.proposals.iter().for_each(|text| diagnostic::note(text));
    if args.cut.json {
        diagnostic::print_bytes(&report::json::bytes(&reviewed.findings));
    } else if !args.cut.quiet {
        print_table(&reviewed, args.cut.no_picture);
        let out = args.out.display();
        diagnostic::print(&format!(
            "\nLook at {out}/report.html first; the timeline is in {out}.\n"
        ));
    }
    let code = reviewed.findings.exit_code();
    // As at the end of a check: the process is over, and takes all with it.
    std::mem::forget(reviewed);
    Ok(code)
}
