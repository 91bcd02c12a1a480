//! Shift of the picture along the divider: creep, weave, knocks, or nothing that shows.

use super::runs::{Run, Seen, runs};
use super::{Case, Correction, Proof};
use crate::measure::lockoff::{FrameMotion, Stand, TileBound};
use crate::reason::{Code, Reason, Severity};
use crate::time::FrameRange;

/// Up to this shift a plate can be made to follow, in source pixels: beyond three pixels the
/// edges of the frame and rolling shutter take over. Ours, measured on real weave.
pub(super) const MOST_FOLLOWED_PX: f64 = 3.0;

/// Tiles round the patch that have to be seen before they bound what movement changed. Ours.
const LEAST_TILES: usize = 4;

/// Holds the shift of every patched frame against what would show.
pub(super) fn judge(case: &Case<'_>, proof: &mut Proof) {
    let motions: Vec<&FrameMotion> = case.rows().filter_map(|row| row.motion.as_ref()).collect();
    let told: Vec<Seen> =
        motions.iter().filter(|motion| motion.told).map(|motion| seen(case, motion)).collect();
    proof.note(&told);
    let found = runs(&told, case.steps().go, case.question.used);
    let follow = follow(case, &motions);
    for run in &found {
        let severity = case.steps().of_run(run, case.question.used);
        let followed = severity == Severity::Stop && follow.is_some();
        let severity = if followed { Severity::Attention } else { severity };
        proof.reasons.push(moved(case, run, severity, followed));
    }
    let stops =
        found.iter().any(|run| case.steps().of_run(run, case.question.used) == Severity::Stop);
    if let Some(residual) = follow.filter(|_| stops) {
        proof.corrections.push(Correction { name: "follow-motion", residual });
    }
    proof.reasons.extend(unproven(case, &motions));
}

fn seen(case: &Case<'_>, motion: &FrameMotion) -> Seen {
    let px = case.region.largest_shift_px(&motion.motion);
    Seen { frame: motion.frame, visibility: case.ruler.shift(px), value: px }
}

fn moved(case: &Case<'_>, run: &Run, severity: Severity, followed: bool) -> Reason {
    let steadiness = &case.gauge.steadiness;
    let (code, what) = match steadiness.stand {
        Stand::Moved => (Code::CameraMoved, "The camera moved"),
        _ => (Code::UnsteadyPicture, "The picture is not steady"),
    };
    let then = if followed { "; a plate that follows the camera answers it" } else { "" };
    let px = run.worst.value;
    let text = format!(
        "{what}: {px:.2} px from the plate at {}, {:.1} times what grain hides along this divider{then}.",
        case.label(run.worst.frame),
        run.worst.visibility
    );
    let limit = px * case.steps().go / run.worst.visibility.max(1e-9);
    Reason::new(code, severity, text).over(case.in_take(run.range)).measured(px, "px", Some(limit))
}

/// Returns what would still show if the plate followed, in grains; `None` if it cannot.
fn follow(case: &Case<'_>, motions: &[&FrameMotion]) -> Option<f64> {
    let used = case.question.used;
    let shown = motions.iter().filter(|motion| used.holds(motion.frame));
    let mut worst: f64 = 0.0;
    for motion in shown {
        let px = case.region.largest_shift_px(&motion.motion);
        if !motion.told || px > MOST_FOLLOWED_PX {
            return None;
        }
        worst = worst.max(case.ruler.shift(2.0 * motion.corner_error_px));
    }
    (worst <= case.steps().attention).then_some(worst)
}

/// Says that the camera cannot be shown to have stood, and whether that matters.
fn unproven(case: &Case<'_>, motions: &[&FrameMotion]) -> Option<Reason> {
    let untold: Vec<&&FrameMotion> = motions.iter().filter(|motion| !motion.told).collect();
    let first = untold.first()?;
    let last = untold.last()?;
    let bounds: Vec<Option<f64>> = untold.iter().map(|motion| motion.bound_px()).collect();
    let bound = bounds.iter().copied().collect::<Option<Vec<f64>>>();
    let bound = bound.map(|all| all.into_iter().fold(0.0, f64::max));
    // Without any bound: a shift by which a handheld frame would be off.
    let by_shift = case.ruler.shift(bound.unwrap_or(MOST_FOLLOWED_PX));
    let changed = most_changed(case).map(|codes| (codes, case.ruler.gain(1.0, codes)));
    let changed = changed.filter(|(_, visibility)| *visibility < by_shift);
    let visibility = changed.map_or(by_shift, |(_, visibility)| visibility);
    let harmless = visibility <= case.steps().go;
    let severity = if harmless { Severity::Note } else { Severity::Attention };
    let range = FrameRange::new(first.frame.0, last.frame.0 + 1);
    let tells = match (changed, bound) {
        (Some((codes, _)), _) => {
            format!(
                "only that no movement changed what lies round the patch by more than {codes:.2} codes of 255"
            )
        }
        (None, Some(bound)) => format!("only that it moved less than {bound:.2} px"),
        (None, None) => "nothing about its movement".to_string(),
    };
    let why = if harmless { ", which would not show here" } else { "" };
    let text = format!(
        "The background has too little texture to prove the lock-off in {} frames: the picture tells {tells}{why}.",
        untold.len()
    );
    let reason = Reason::new(Code::LockOffUnproven, severity, text).over(case.in_take(range));
    Some(match bound {
        Some(bound) => reason.measured(bound, "px", None),
        None => reason,
    })
}

/// Returns how far any movement can have changed the picture round the patch, in 8-bit codes;
/// `None` if most of it was covered.
///
/// Tiles of a bare wall cannot show how far the camera moved, but each shows what movement
/// changed in it. The camera is one, so they count together.
fn most_changed(case: &Case<'_>) -> Option<f64> {
    let near = case.region.near_mask();
    let scale = case.gauge.scales.mid;
    let meets = |tile: &&TileBound| {
        let part = |range: &std::ops::Range<usize>| range.start / scale..range.end.div_ceil(scale);
        near.meets_rectangle(part(&tile.x), part(&tile.y))
    };
    let round: Vec<&TileBound> = case.gauge.bounds.iter().filter(meets).collect();
    let open = round.iter().filter(|tile| 2 * tile.covered < tile.frames);
    let squares: Vec<f64> = open.map(|tile| tile.error_codes.powi(2)).collect();
    let enough = squares.len() >= LEAST_TILES && 2 * squares.len() >= round.len();
    enough.then(|| (squares.iter().sum::<f64>() / squares.len() as f64).sqrt())
}
