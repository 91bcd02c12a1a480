//! What moves in the patch besides boom and actors: leaves, water, insects, shadows.

use super::runs::{Run, Seen, Steps};
use super::{Case, Proof};
use crate::measure::stillness::{Kind, Moving};
use crate::reason::{Code, Reason, Severity};
use crate::time::{Frame, FrameRange};

/// Frames at each end of a plate that are not looked at for movement. Ours.
const GUARD: i64 = 2;

/// How much more than the plate may what sways in the take change to be the same sway: the wind
/// freshens and drops from one second to the next. Ours.
const FRESHENS: f64 = 1.25;

/// The same where the plate sways all over, as leaves do: gusts come and go. Ours.
const GUSTS: f64 = 2.0;

/// Where something moves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Where {
    /// In the plate.
    Plate,
    /// In the take, as the plate has it too.
    Alike,
    /// In the take alone.
    Take,
}

/// Names what moves in the patch, over the patched frames and in the plate.
pub(super) fn judge(case: &Case<'_>, proof: &mut Proof) -> std::io::Result<()> {
    let Some(stillness) = &case.gauge.stillness else { return Ok(()) };
    let region = case.region.work_mask();
    let mut stillness = stillness.borrow_mut();
    let patched = stillness.under_patch(&region, case.question.patched)?;
    for stretch in &patched.series {
        let over_noise = stretch.z / case.question.settings.background.sure;
        for frame in stretch.range.start.0..stretch.range.end.0 {
            let known = proof.activity.entry(Frame(frame)).or_insert(0.0);
            *known = known.max(over_noise);
        }
    }
    // The frames beside a boom hold its soft edge and what it stirs.
    let plate = case.gauge.plate;
    let inner = FrameRange::new(plate.start.0 + GUARD, plate.end.0 - GUARD);
    let plate = stillness.within(&region, &[inner])?;
    let inside =
        |moving: &&Moving| inner.overlap(moving.range).is_some_and(|run| run.count().0 > 1);
    let in_plate: Vec<Moving> = plate.moving.iter().filter(inside).copied().collect();
    for moving in worst_of_each(&patched.moving, case.question.used) {
        let sways = is_of_leaves(case, moving);
        let crosses = matches!(moving.kind, Kind::Crossing { .. });
        let more = if sways { GUSTS } else { FRESHENS };
        let alike = is_alike(moving, &in_plate, more) || (sways && crosses);
        let place = if alike { Where::Alike } else { Where::Take };
        proof.reasons.push(reason(case, moving, place));
    }
    for moving in worst_of_each(&in_plate, case.question.used) {
        proof.reasons.push(reason(case, moving, Where::Plate));
    }
    Ok(())
}

/// Tells whether the plate sways as much there, or nearly: then it is the same background.
fn is_alike(moving: &Moving, in_plate: &[Moving], more: f64) -> bool {
    let Kind::Sway { codes, .. } = moving.kind else { return false };
    let a = moving.place;
    let meets = |b: (usize, usize, usize, usize)| a.0 < b.2 && b.0 < a.2 && a.1 < b.3 && b.1 < a.3;
    in_plate.iter().any(|other| match other.kind {
        Kind::Sway { codes: own, .. } => codes <= more * own && meets(other.place),
        Kind::Crossing { .. } => false,
    })
}

/// Tells whether something moves where the plate sways all over: a leaf that goes to and fro
/// passes like an insect.
fn is_of_leaves(case: &Case<'_>, moving: &Moving) -> bool {
    let Some(sways) = &case.gauge.swaying else { return false };
    let (left, top, right, bottom) = moving.place;
    let scales = case.gauge.scales;
    let at = |pixel: usize| pixel * scales.work / scales.mid.max(1);
    sways.meets_rectangle(at(left)..at(right), at(top)..at(bottom))
}

/// One fault for each kind and stretch of frames: its strongest tile. What lies in the handles
/// alone is told apart: it never hides a weaker fault of the frames the cut shows.
fn worst_of_each(moving: &[Moving], used: FrameRange) -> Vec<&Moving> {
    let shows = |moving: &Moving| moving.range.overlap(used).is_some();
    let mut kept: Vec<&Moving> = Vec::new();
    for one in moving {
        let same = kept.iter_mut().find(|known| {
            std::mem::discriminant(&known.kind) == std::mem::discriminant(&one.kind)
                && shows(known) == shows(one)
                && known.range.grown(6, 6).overlap(one.range).is_some()
        });
        match same {
            Some(known) if one.z > known.z => *known = one,
            Some(_) => {}
            None => kept.push(one),
        }
    }
    kept
}

fn reason(case: &Case<'_>, moving: &Moving, place: Where) -> Reason {
    let scale = case.gauge.scales.work as f64;
    let (visibility, what, value, unit) = match moving.kind {
        Kind::Sway { px, .. } => {
            let px = px * scale;
            let what = format!("The background sways by {px:.2} px");
            (case.ruler.sway(px), what, px, "px")
        }
        Kind::Crossing { codes } => {
            let what = format!("Something crosses the background, {codes:.0} codes from it");
            (case.ruler.gain(1.0, codes), what, codes, "codes")
        }
    };
    let steps = case.steps();
    let run =
        Run { range: moving.range, worst: Seen { frame: moving.range.start, visibility, value } };
    let severity = severity(steps, &run, case.question.used, place);
    let spot = case.region.place_in_words(moving.place, case.gauge.scales.work);
    let whose = if place == Where::Plate { " of the plate" } else { " under the patch" };
    let as_there = match (place, moving.kind) {
        (Where::Alike, Kind::Sway { .. }) => ", as in the plate",
        (Where::Alike, Kind::Crossing { .. }) => ", where the plate sways, too",
        _ => "",
    };
    let text = format!(
        "{what}{whose}, {spot} of frame, from {}{as_there}.",
        case.label(Frame(moving.range.start.0))
    );
    Reason::new(Code::BackgroundMoving, severity, text)
        .over(case.in_take(moving.range))
        .measured(value, unit, None)
}

/// In the plate nothing stops: other plate frames may be at rest, and what sways softly can
/// still be looped. It is said so that somebody looks; so is what the plate has as well, for
/// which its turns are eased.
fn severity(steps: Steps, run: &Run, used: FrameRange, place: Where) -> Severity {
    let grade = steps.grade(run.worst.visibility).unwrap_or(Severity::Note);
    match place {
        Where::Take => steps.of_run(run, used).min(grade),
        Where::Plate | Where::Alike => grade.min(Severity::Attention),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_strongest_in_the_handles_hides_nothing_of_the_shot() {
        let passes = |from: i64, codes: f64| Moving {
            range: FrameRange::new(from, from + 2),
            place: (0, 0, 16, 16),
            kind: Kind::Crossing { codes },
            z: codes,
        };
        let moving = [passes(10, 20.0), passes(14, 9.0), passes(17, 30.0)];
        let told = |used: FrameRange| -> Vec<f64> {
            worst_of_each(&moving, used).iter().map(|one| one.z).collect()
        };
        assert_eq!(told(FrameRange::new(0, 99)), [30.0]);
        assert_eq!(told(FrameRange::new(14, 16)), [30.0, 9.0]);
    }
}
