//! `finish`: from proxies to full-size pulls.

use super::args::Finish;
use super::check::{print_not_rendered, print_table};
use super::{diagnostic, progress::Bar};
use crate::error::Faults;
use crate::report;
use crate::review::{self, finish};
use crate::settings::Settings;

/// Measures and renders a turnover again on full-size pulls.
///
/// # Errors
///
/// A folder that holds no turnover, or an output folder that cannot be used.
pub fn run(args: &Finish) -> Result<u8, Faults> {
    let settings = args.settings.as_deref().map(Settings::read).transpose()?;
    let job = review::Finish {
        turnover: args.turnover.clone(),
        pulls: args.media.clone(),
        settings,
        verify: args.back.verify,
        look_at_all: args.all,
        options: args.back.hand_back(false),
        threads: args.jobs,
    };
    let mut reviewed = {
        let mut bar = Bar::new(args.quiet || args.json);
        finish(&job, &mut bar)?
    };
    diagnostic::print_faults(&reviewed.findings.faults);
    print_not_rendered(&reviewed);
    if args.json {
        diagnostic::print_bytes(&report::json::bytes(&reviewed.findings));
    } else if !args.quiet {
        diagnostic::note(&format!("Look at {}/report.html first.", args.back.out.display()));
        print_table(&reviewed, false);
    }
    let code = reviewed.findings.exit_code();
    drop(reviewed.unpacked.take());
    std::mem::forget(reviewed);
    Ok(code)
}
