//! Sharpness in the patch against the plate: focus pulls.

use super::runs::{Seen, runs};
use super::{Case, Proof};
use crate::reason::{Code, Reason};

/// Holds the sharpness of every patched frame against what would show.
pub(super) fn judge(case: &Case<'_>, proof: &mut Proof) -> std::io::Result<()> {
    let Some(sharpness) = &case.gauge.sharpness else { return Ok(()) };
    let region = case.region.work_mask();
    let frames = sharpness.borrow_mut().within(&region, case.question.patched)?;
    let mut seen = Vec::new();
    for one in &frames {
        proof.sharpness.insert(one.frame, one.ratio);
        // A blur that may as well be none is none.
        let sure = (one.blur_px - 2.0 * one.error_px).max(0.0);
        let source_px = sure * case.gauge.scales.work as f64;
        seen.push(Seen {
            frame: one.frame,
            visibility: case.ruler.blur(source_px),
            value: 100.0 * (one.ratio - 1.0),
        });
    }
    proof.note(&seen);
    for run in runs(&seen, case.steps().go, case.question.used) {
        let severity = case.steps().of_run(&run, case.question.used);
        let text = format!(
            "The background in the patch is {:.0} % less sharp than the plate at {}, {:.1} times what grain hides: focus moved.",
            -run.worst.value,
            case.label(run.worst.frame),
            run.worst.visibility
        );
        proof.reasons.push(
            Reason::new(Code::FocusChanged, severity, text).over(case.in_take(run.range)).measured(
                run.worst.value,
                "percent",
                None,
            ),
        );
    }
    Ok(())
}
