//! Light in the patch against the plate, and whether matching would take it out.

use super::runs::{Seen, runs};
use super::{Case, Correction, Proof};
use crate::measure::light::Coded;
use crate::measure::light::encoding::{LEVELS, Tested};
use crate::measure::light::range::RangeMixUp;
use crate::reason::{Code, Reason, Severity};
use crate::time::FrameRange;

/// Holds the light of every patched frame against what would show.
pub(super) fn judge(case: &Case<'_>, proof: &mut Proof) {
    let mut seen = Vec::new();
    let mut left: f64 = 0.0;
    let mut untold: Vec<FrameRange> = Vec::new();
    let level = case.ruler.level_codes().max(1.0);
    let mut weighed: Option<Weighed> = None;
    for row in case.rows() {
        let Some(light) = &row.light else { continue };
        match light.main_coded() {
            Some(coded) => {
                let known = weighed.take().filter(|known| known.coded == *coded);
                let known = weighed.insert(known.unwrap_or_else(|| Weighed::new(case, coded)));
                let (gain, offset) = known.in_patch;
                let value = 100.0 * (gain - 1.0 + offset / level);
                seen.push(Seen { frame: row.frame, visibility: known.visibility, value });
                if case.question.used.holds(row.frame) {
                    left = left.max(known.left);
                }
            }
            None => untold.push(FrameRange::new(row.frame.0, row.frame.0 + 1)),
        }
    }
    proof.note(&seen);
    let found = runs(&seen, case.steps().go, case.question.used);
    let steps = case.steps();
    let stops = found.iter().any(|run| steps.of_run(run, case.question.used) == Severity::Stop);
    let matched = left <= steps.attention;
    for run in &found {
        let severity = steps.of_run(run, case.question.used);
        let severity = if matched { severity.min(Severity::Attention) } else { severity };
        let then = if stops && matched { "; a plate matched in light answers it" } else { "" };
        let text = format!(
            "The light is {:+.1} % from the plate at {} (coded), {:.1} times what grain hides{then}.",
            run.worst.value,
            case.label(run.worst.frame),
            run.worst.visibility
        );
        let limit = run.worst.value.abs() * steps.go / run.worst.visibility.max(1e-9);
        proof.reasons.push(
            Reason::new(Code::LightChanged, severity, text).over(case.in_take(run.range)).measured(
                run.worst.value,
                "percent",
                Some(limit),
            ),
        );
    }
    if stops && matched {
        proof.corrections.push(Correction { name: "match-light", residual: left });
    }
    proof.reasons.extend(cannot_tell(case, &untold));
    proof.reasons.extend(doubtful(case, stops));
    proof.reasons.extend(mixed_up(case));
}

/// What the light of a frame comes to. Frames that were not looked at have the light of the
/// nearest one that was: it is weighed once.
struct Weighed {
    coded: Coded,
    /// Gain and offset in 8-bit codes where the patch lies.
    in_patch: (f64, f64),
    visibility: f64,
    /// What would show after the plate was matched.
    left: f64,
}

impl Weighed {
    fn new(case: &Case<'_>, coded: &Coded) -> Weighed {
        let (gain, offset) = in_patch(case, coded);
        Weighed {
            coded: *coded,
            in_patch: (gain, offset),
            visibility: case.ruler.gain(gain, offset),
            left: after_matching(case, coded),
        }
    }
}

/// Says that the light does not behave as the claimed encoding would have it. Figures of
/// light and what would still show are of the codes, so it weighs only where light has to be
/// matched.
fn doubtful(case: &Case<'_>, to_match: bool) -> Option<Reason> {
    let Tested::Doubtful { better, spread, left } = case.gauge.encoding else { return None };
    let severity = if to_match { Severity::Attention } else { Severity::Note };
    let text = format!(
        "The codes are not what the encoding claims: the change of light differs by {:.1} % from dark to bright, and by {:.1} % if they are read as {}.",
        100.0 * spread,
        100.0 * left,
        better.name()
    );
    let reason = Reason::new(Code::EncodingDoubtful, severity, text);
    Some(reason.measured(100.0 * spread, "percent", Some(100.0 * LEVELS)))
}

/// Says that narrow range was taken for full, or the other way round.
fn mixed_up(case: &Case<'_>) -> Option<Reason> {
    let (at, mix_up) = case.gauge.range_mix_up?;
    let (frame, plate, factor) = match mix_up {
        RangeMixUp::FrameIsFull { .. } => ("full", "narrow", 255.0 / 219.0),
        RangeMixUp::FrameIsNarrow { .. } => ("narrow", "full", 219.0 / 255.0),
    };
    let text = format!(
        "From {} the codes are of {frame} range and the plate's of {plate} range: a gain of {factor:.3} with an offset, which light never has.",
        case.label(at)
    );
    let range = FrameRange::new(at.0, at.0 + 1);
    let reason = Reason::new(Code::EncodingDoubtful, Severity::Attention, text);
    Some(reason.over(case.in_take(range)).measured(factor, "gain", Some(1.0)))
}

/// Gain and offset in 8-bit codes where the patch lies.
fn in_patch(case: &Case<'_>, coded: &Coded) -> (f64, f64) {
    let (x, y) = case.region.middle();
    let offset = coded.code(0.0, x, y);
    (coded.code(1.0, x, y) - offset, offset)
}

/// What would show after the plate was matched, in grains.
fn after_matching(case: &Case<'_>, coded: &Coded) -> f64 {
    case.ruler.gain(1.0 + 2.0 * coded.as_gain_error, 0.0)
}

fn cannot_tell(case: &Case<'_>, untold: &[FrameRange]) -> Option<Reason> {
    let (first, last) = (untold.first()?, untold.last()?);
    let text = format!(
        "The light cannot be told in {} frames: too little of the background is seen.",
        untold.len()
    );
    let range = crate::time::joined(*first, *last);
    Some(Reason::new(Code::LightChanged, Severity::Attention, text).over(case.in_take(range)))
}
