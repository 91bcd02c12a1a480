//! The verdict of a use: what rules judging out, then what the claims allow.

use crate::findings::Verdict;
use crate::reach::{Judgement, Outcome};
use crate::reason::{Code, Reason, Severity};

/// What is known about a use before its frames are judged.
#[derive(Debug, Clone, PartialEq)]
pub enum Standing {
    /// Hidden under an opaque clip.
    Covered,
    /// No record describes it.
    Unlisted,
    /// It cannot be judged, and why.
    Undecided(Vec<Reason>),
    /// It was judged.
    Judged(Box<Judgement>),
}

/// Returns the verdict and all reasons, gravest first.
///
/// `interlaced` tells whether the media are tagged so: a loop of interlaced frames would
/// swap its fields at every turn and is refused.
pub fn decide(standing: Standing, interlaced: bool) -> (Verdict, Vec<Reason>) {
    let (verdict, mut reasons) = match standing {
        Standing::Covered => (Verdict::Covered, Vec::new()),
        Standing::Unlisted => (Verdict::Unlisted, Vec::new()),
        Standing::Undecided(reasons) => (Verdict::Undecided, reasons),
        Standing::Judged(judgement) => {
            let Judgement { outcome, mut reasons, .. } = *judgement;
            let verdict = of_outcome(outcome, interlaced, &mut reasons);
            let stops = reasons.iter().any(|reason| reason.severity == Severity::Stop);
            (if stops && verdict.has_plate() { Verdict::ByHand } else { verdict }, reasons)
        }
    };
    reasons.sort_by(|a, b| {
        (b.severity, a.code, a.range_in_take).cmp(&(a.severity, b.code, b.range_in_take))
    });
    (verdict, reasons)
}

fn of_outcome(outcome: Outcome, interlaced: bool, reasons: &mut Vec<Reason>) -> Verdict {
    match outcome {
        Outcome::NoBoom => Verdict::Clear,
        Outcome::Plate(_) => Verdict::Plate,
        Outcome::Loop(_) if interlaced => {
            reasons.push(Reason::new(
                Code::Interlaced,
                Severity::Stop,
                "The media are interlaced: a loop would swap the fields at every turn.",
            ));
            Verdict::ByHand
        }
        Outcome::Loop(_) => Verdict::Loop,
        Outcome::Still(_) => Verdict::Still,
        Outcome::NoPlate => Verdict::ByHand,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn judged(outcome: Outcome) -> Standing {
        Standing::Judged(Box::new(Judgement {
            affected: Vec::new(),
            patched: Vec::new(),
            outcome,
            reasons: Vec::new(),
        }))
    }

    #[test]
    fn a_loop_of_interlaced_media_is_refused_and_a_plate_is_not() {
        let plate = crate::time::FrameRange::new(0, 48);
        assert_eq!(decide(judged(Outcome::Loop(plate)), false).0, Verdict::Loop);
        let (verdict, reasons) = decide(judged(Outcome::Loop(plate)), true);
        assert_eq!((verdict, reasons[0].code), (Verdict::ByHand, Code::Interlaced));
        assert_eq!(decide(judged(Outcome::Plate(plate)), true).0, Verdict::Plate);
    }

    #[test]
    fn the_gravest_reason_comes_first() {
        let reason = |code, severity| Reason::new(code, severity, "");
        let standing = Standing::Undecided(vec![
            reason(Code::HandlesShort, Severity::Note),
            reason(Code::MediaMissing, Severity::Stop),
            reason(Code::PlateShort, Severity::Attention),
        ]);
        let (_, reasons) = decide(standing, false);
        let order: Vec<Severity> = reasons.iter().map(|reason| reason.severity).collect();
        assert_eq!(order, [Severity::Stop, Severity::Attention, Severity::Note]);
    }
}
