//! Sharpness in the patch against the plate: focus pulls.

use super::runs::{Seen, runs};
use super::{Case, Proof};
use crate::reason::{Code, Reason};

/// Holds the sharpness of every patched frame against what would show.
pub(super) fn judge(case: &Case<'_>, proof: &mut Proof) -> std::io::Result<()> {
    let Some(sharpness) = &case.gauge.sharpness else { return Ok(()) };
    let region = case.region.work_mask();
    let frames =
        sharpness.borrow_mut().within_beside(&region, case.question.patched, case.gauge.plate)?;
    let mut seen = Vec::new();
    for one in &frames {
        proof.sharpness.insert(one.frame, one.ratio);
        // A blur that may as well be none is none.
        let sure = if one.changed { one.blur_px.abs() } else { 0.0 };
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
            "The background in the patch is {:.0} % {} sharp than the plate at {}, {:.1} times what grain hides: focus moved.",
            run.worst.value.abs(),
            if run.worst.value < 0.0 { "less" } else { "more" },
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
