//! What a take is worth for one use: every plate weighed, the best one kept.

use super::{Correction, Looked, PatchRegion, Proof, Question, patch_region, prove};
use crate::error::Faults;
use crate::measure::boom::{Say, Why};
use crate::measure::divider::{self, Crossing, Entered};
use crate::measure::schedule::Gauge;
use crate::reach::{Claims, Clocks, Judgement, Outcome, between, judge};
use crate::reason::{Code, Reason, Severity};
use crate::settings::Settings;
use crate::time::{FrameRange, union};
use std::cmp::Reverse;

/// A use as the pictures have it.
#[derive(Debug)]
pub struct Weighed {
    /// What can be done, with all reasons; take clock.
    pub judgement: Judgement,
    /// What claims and pictures together say of the take; take clock.
    pub claims: Claims,
    /// Corrections the patch needs.
    pub corrections: Vec<Correction>,
    /// Which gauge of [`Looked`] it rests on.
    pub gauge: Option<usize>,
    /// The patch region.
    pub region: Option<PatchRegion>,
    /// The figures of the patched frames.
    pub proof: Proof,
    /// Part of the patch region in which something moves in the plate itself.
    restless: f64,
}

/// One use to be weighed; ranges on the take clock.
#[derive(Debug, Clone, Copy)]
pub struct Shot<'a> {
    /// Frames the cut shows.
    pub used: FrameRange,
    /// Frames that are rendered.
    pub need: FrameRange,
    /// What the log claims.
    pub claims: &'a Claims,
    /// Its clocks.
    pub clocks: &'a Clocks,
    /// Limits.
    pub settings: &'a Settings,
    /// Source pixels for each delivered pixel.
    pub per_delivered: f64,
    /// Frames that are not to be patched, file clock.
    pub left_out: &'a [FrameRange],
}

/// Weighs a use against every plate of its take.
///
/// # Errors
///
/// What was kept in files cannot be read back.
pub fn weigh(looked: &Looked, shot: &Shot<'_>) -> Result<Weighed, Faults> {
    let claims = together(looked, shot);
    let first = judge(shot.used, shot.need, &claims, shot.clocks, shot.settings);
    let disagreements = disagreements(looked, shot);
    let mut best: Option<Weighed> = None;
    // The longest plate first: one that leaves nothing to be wished needs no other.
    let mut order: Vec<usize> = (0..looked.gauges.len()).collect();
    order.sort_by_key(|at| Reverse(looked.gauges[*at].plate.count()));
    for at in order {
        if first.affected.is_empty() {
            break;
        }
        let gauge = &looked.gauges[at];
        let weighed = against(looked, shot, &claims, &first, (at, gauge))?;
        if best.is_none() && weighed.suffices(gauge) {
            best = Some(weighed);
            break;
        }
        if best.as_ref().is_none_or(|best| rank(&weighed) > rank(best)) {
            best = Some(weighed);
        }
    }
    let mut weighed = best.unwrap_or_else(|| Weighed {
        judgement: first,
        claims,
        corrections: Vec::new(),
        gauge: None,
        region: None,
        proof: Proof::default(),
        restless: 0.0,
    });
    weighed.judgement.reasons.extend(disagreements);
    if doubtful(looked) && shot.claims.plates.is_empty() && shot.claims.boom.is_empty() {
        // Nobody knows whether there is a boom: that asks for a look, not for a plate.
        let no_plate = |reason: &&mut Reason| {
            reason.code == Code::NoPlate && reason.severity == Severity::Stop
        };
        weighed.judgement.reasons.iter_mut().filter(no_plate).for_each(|reason| {
            reason.severity = Severity::Attention;
        });
    }
    Ok(weighed)
}

/// Part of a patch region in which something may move in the plate. Ours: coding noise makes
/// a pixel in a few hundred look so.
const RESTLESS: f64 = 0.01;

impl Weighed {
    /// Tells whether no other plate can be better, this being the longest.
    fn suffices(&self, gauge: &Gauge) -> bool {
        let judgement = &self.judgement;
        let untrimmed = |plate: FrameRange| plate.count() == gauge.plate.count();
        let long = match judgement.outcome {
            Outcome::Plate(_) => true,
            Outcome::Loop(plate) => untrimmed(plate),
            Outcome::NoBoom | Outcome::Still(_) | Outcome::NoPlate => false,
        };
        let clean = judgement.reasons.iter().all(|reason| reason.severity == Severity::Note);
        long && clean && self.corrections.is_empty() && self.restless < RESTLESS
    }
}

/// Tells whether a use needs no other plate than the longest, which its take was held against.
///
/// # Errors
///
/// What was kept in files cannot be read back.
pub fn longest_suffices(looked: &Looked, shot: &Shot<'_>) -> Result<bool, Faults> {
    let Some((at, gauge)) =
        looked.gauges.iter().enumerate().max_by_key(|(at, one)| (one.plate.count(), Reverse(*at)))
    else {
        return Ok(false);
    };
    let claims = together(looked, shot);
    let first = judge(shot.used, shot.need, &claims, shot.clocks, shot.settings);
    if first.affected.is_empty() {
        return Ok(true);
    }
    Ok(against(looked, shot, &claims, &first, (at, gauge))?.suffices(gauge))
}

/// The better plate: nothing stops, then as shot, then in the order of the verdicts, then
/// a patch without movement, then what asks for least attention, then the longer one.
fn rank(weighed: &Weighed) -> (bool, bool, u8, bool, Reverse<usize>, u64) {
    let judgement = &weighed.judgement;
    let count =
        |severity| judgement.reasons.iter().filter(|reason| reason.severity == severity).count();
    let (order, frames) = match judgement.outcome {
        Outcome::NoBoom => (4, 0),
        Outcome::Plate(plate) => (3, plate.count().0),
        Outcome::Loop(plate) => (2, plate.count().0),
        Outcome::Still(plate) => (1, plate.count().0),
        Outcome::NoPlate => (0, 0),
    };
    let stops = count(Severity::Stop) > 0;
    let attention = Reverse(count(Severity::Attention));
    let quiet = weighed.restless < RESTLESS;
    (!stops, weighed.corrections.is_empty(), order, quiet, attention, frames)
}

/// Weighs one plate.
fn against(
    looked: &Looked,
    shot: &Shot<'_>,
    claims: &Claims,
    first: &Judgement,
    (at, gauge): (usize, &Gauge),
) -> Result<Weighed, Faults> {
    let patched: Vec<FrameRange> = in_file(&first.patched, shot.clocks)
        .iter()
        .flat_map(|run| run.without(shot.left_out))
        .collect();
    let used = shot.clocks.file_range(shot.used).unwrap_or(shot.used);
    let region = patch_region(gauge, &patched, used, shot.settings)?;
    let plates = match &region {
        Some(region) => region.plate.clone(),
        None => gauge.plate.without(&looked.boom),
    };
    let mut claims = claims.clone();
    claims.plates = plates.iter().map(|plate| shot.clocks.from_file(*plate)).collect();
    let mut judgement = judge(shot.used, shot.need, &claims, shot.clocks, shot.settings);
    if looked.brief {
        hold(&mut judgement, shot.settings);
    }
    let mut proof = Proof::default();
    if let Some(region) = &region {
        let question = Question {
            used,
            patched: &patched,
            clocks: shot.clocks,
            settings: shot.settings,
            per_delivered: shot.per_delivered,
        };
        proof = prove(gauge, region, &question)?;
        judgement.reasons.append(&mut proof.reasons);
        judgement.reasons.extend(divider_reasons(region, shot, used));
        judgement.reasons.extend(trimmed(gauge, region, shot));
    } else {
        judgement.reasons.push(unseen(gauge, &judgement, shot));
    }
    Ok(Weighed {
        judgement,
        claims,
        corrections: std::mem::take(&mut proof.corrections),
        gauge: Some(at),
        restless: region.as_ref().map_or(0.0, |region| region.restless_part(gauge)),
        region,
        proof,
    })
}

/// What lies between two booms, too short for a plate, is averaged and held: nobody noted
/// that it is one, and what moves in it would come round several times a second.
fn hold(judgement: &mut Judgement, settings: &Settings) {
    let (Outcome::Plate(plate) | Outcome::Loop(plate) | Outcome::Still(plate)) = judgement.outcome
    else {
        return;
    };
    judgement.outcome = Outcome::Still(plate);
    judgement.reasons.retain(|reason| reason.code != Code::PlateShort);
    let frames = plate.count().0;
    let text = format!(
        "Only {frames} frames between two booms are free of them: they are averaged and held."
    );
    let limit = f64::from(settings.measure_limits().boom.plate_frames);
    let reason = Reason::new(Code::PlateShort, Severity::Note, text).over(plate);
    judgement.reasons.push(reason.measured(frames as f64, "frames", Some(limit)));
}

/// What the divider says, with faults of the handles never a stop: one reason for each way
/// in which an actor comes near, however many frames it takes.
fn divider_reasons(region: &PatchRegion, shot: &Shot<'_>, used: FrameRange) -> Vec<Reason> {
    let mut reasons = divider::reasons(&region.division, &[]);
    if !region.boom_in_used {
        let softer =
            |reason: &mut Reason| reason.severity = reason.severity.min(Severity::Attention);
        reasons.iter_mut().for_each(softer);
    }
    for entered in [Entered::Inside, Entered::Skirt, Entered::Feather] {
        let of_kind = |crossing: &&Crossing| crossing.entered == entered;
        let (inside, outside): (Vec<&Crossing>, Vec<&Crossing>) = region
            .crossings
            .iter()
            .filter(of_kind)
            .partition(|crossing| crossing.frames.overlap(used).is_some());
        reasons.extend(crossed(&inside, shot));
        reasons.extend(crossed_in_handles(&outside, shot));
    }
    reasons.extend(boom_left(region, shot));
    if region.division.meets_excluded {
        let text = "A burn-in or matte lies in the patch: it would be patched with the picture.";
        reasons.push(Reason::new(Code::BurnInInPatch, Severity::Attention, text));
    }
    reasons
}

/// Says in which frames an actor comes how far.
fn crossed(crossings: &[&Crossing], shot: &Shot<'_>) -> Option<Reason> {
    let deepest = deepest(crossings)?;
    let frames: u64 = crossings.iter().map(|crossing| crossing.frames.count().0).sum();
    let at = shot.clocks.from_file(deepest.frames);
    let text = format!(
        "{} in {frames} {}, most from {}.",
        comes(deepest.entered),
        if frames == 1 { "frame" } else { "frames" },
        shot.clocks.label(at.start)
    );
    let (code, severity) = match deepest.entered {
        Entered::Inside => (Code::NoDivider, Severity::Stop),
        _ => (Code::DividerCrossed, Severity::Attention),
    };
    Some(Reason::new(code, severity, text).over(at).measured(deepest.px, "px", Some(0.0)))
}

/// The same for the handles: every frame is named, for the patch holds in the others.
fn crossed_in_handles(crossings: &[&Crossing], shot: &Shot<'_>) -> Option<Reason> {
    let deepest = deepest(crossings)?;
    let runs: Vec<FrameRange> = crossings.iter().map(|crossing| crossing.frames).collect();
    let text = format!("{} in the handles, {}.", comes(deepest.entered), named(&runs, shot.clocks));
    let code = match deepest.entered {
        Entered::Inside => Code::NoDivider,
        _ => Code::DividerCrossed,
    };
    let reason = Reason::new(code, Severity::Attention, text);
    let at = shot.clocks.from_file(deepest.frames);
    Some(reason.over(at).measured(deepest.px, "px", Some(0.0)))
}

/// Says in which handle frames some of the boom is left, the divider being that of the frames
/// the cut shows.
fn boom_left(region: &PatchRegion, shot: &Shot<'_>) -> Option<Reason> {
    let first = region.boom_left.first()?;
    let frames: u64 = region.boom_left.iter().map(|run| run.count().0).sum();
    let text = format!(
        "Some of the boom lies outside the patch in the handles, {}.",
        named(&region.boom_left, shot.clocks)
    );
    let reason = Reason::new(Code::BoomInHandles, Severity::Attention, text);
    let at = shot.clocks.from_file(*first);
    Some(reason.over(at).measured(frames as f64, "frames", Some(0.0)))
}

fn deepest<'a>(crossings: &[&'a Crossing]) -> Option<&'a Crossing> {
    crossings.iter().copied().max_by(|a, b| a.px.total_cmp(&b.px))
}

fn comes(entered: Entered) -> &'static str {
    match entered {
        Entered::Inside => "An actor comes into the patch",
        Entered::Skirt => "An actor touches the boom's soft shadow",
        Entered::Feather => "An actor comes into the feather of the patch",
    }
}

/// Names runs of file frames by their labels.
fn named(runs: &[FrameRange], clocks: &Clocks) -> String {
    let names = runs.iter().map(|run| between(clocks, clocks.from_file(*run)));
    names.collect::<Vec<_>>().join(", ")
}

/// A plate that does not show the boom where it was seen or noted proves nothing.
fn unseen(gauge: &Gauge, judgement: &Judgement, shot: &Shot<'_>) -> Reason {
    let plate = between(shot.clocks, shot.clocks.from_file(gauge.plate));
    let plate = if shot.claims.elsewhere { "of the other take".into() } else { plate };
    let text = format!("Held against the plate {plate} no frame shows a boom: look at both.");
    let reason = Reason::new(Code::LogAndPictureDisagree, Severity::Attention, text);
    match judgement.affected.first() {
        Some(range) => reason.over(*range),
        None => reason,
    }
}

/// Says which plate frames cannot serve because somebody is in the patch.
fn trimmed(gauge: &Gauge, region: &PatchRegion, shot: &Shot<'_>) -> Option<Reason> {
    let lost = gauge.plate.without(&region.plate);
    let first = *lost.first()?;
    let frames: u64 = lost.iter().map(|run| run.count().0).sum();
    let what = "something besides the background is in the patch";
    let text = format!("In {frames} of {} plate frames {what}", gauge.plate.count());
    let reason = |text| {
        let reason = Reason::new(Code::PlateShort, Severity::Note, text);
        reason.measured(frames as f64, "frames", None)
    };
    if shot.claims.elsewhere {
        return Some(reason(format!("{text}.")));
    }
    let first = shot.clocks.from_file(first);
    Some(reason(format!("{text}, from {}.", shot.clocks.label(first.start))).over(first))
}

fn in_file(ranges: &[FrameRange], clocks: &Clocks) -> Vec<FrameRange> {
    ranges.iter().filter_map(|range| clocks.file_range(*range)).collect()
}

/// Claims and pictures together: what was seen goes before what was noted.
fn together(looked: &Looked, shot: &Shot<'_>) -> Claims {
    let in_take = |ranges: &[FrameRange]| -> Vec<FrameRange> {
        union(&ranges.iter().map(|range| shot.clocks.from_file(*range)).collect::<Vec<_>>())
    };
    let mut claims =
        Claims { tolerance: 0, seen: looked.lock_off.is_some(), ..shot.claims.clone() };
    if let Some(lock_off) = &looked.lock_off {
        claims.lock_off = in_take(lock_off);
    }
    let blind = matches!(looked.search, Some(Say::CannotTell(_)));
    // A boom that hangs still in every frame looks like none: the log goes on being believed.
    let unseen = looked.search == Some(Say::NoBoomEvent) && !shot.claims.boom.is_empty();
    if blind || unseen {
        claims.seen = false;
        return claims;
    }
    claims.plates = in_take(&looked.plates);
    // Where no plate can be compared the log goes on being believed; where it says nothing,
    // the boom may be in.
    let beyond = in_take(&looked.beyond);
    let noted: Vec<FrameRange> = beyond
        .iter()
        .flat_map(|run| match shot.claims.boom.is_empty() {
            true => vec![*run],
            false => shot.claims.boom_within(*run),
        })
        .collect();
    let noted = if shot.claims.no_boom { Vec::new() } else { noted };
    claims.boom = union(&[in_take(&looked.boom), noted].concat());
    claims.no_boom = claims.boom.is_empty();
    claims
}

fn disagreements(looked: &Looked, shot: &Shot<'_>) -> Vec<Reason> {
    let mut reasons: Vec<Reason> = looked
        .disagreements
        .iter()
        .map(|(text, range)| {
            let range = shot.clocks.from_file(*range);
            let text = format!("{text}, {}.", between(shot.clocks, range));
            Reason::new(Code::LogAndPictureDisagree, Severity::Attention, text).over(range)
        })
        .collect();
    reasons.extend(lock_off_disagrees(looked, shot));
    reasons.extend(boom_disagrees(looked, shot));
    if let Some(Say::CannotTell(why)) = looked.search {
        let text = format!("The pictures do not tell where the boom is: {}.", in_words(why));
        reasons.push(Reason::new(Code::NoPlate, Severity::Attention, text));
    }
    reasons
}

/// Frames by which a noted time may be off before the picture contradicts it, beyond its own
/// tolerance: what is seen is exact to a frame at either end. Ours.
const SLACK: u64 = 2;

/// The log has the camera locked where the picture shows it moving.
fn lock_off_disagrees(looked: &Looked, shot: &Shot<'_>) -> Option<Reason> {
    let seen: Vec<FrameRange> =
        looked.lock_off.as_ref()?.iter().map(|run| shot.clocks.from_file(*run)).collect();
    let text = "The log claims a lock-off, and in the picture the camera moves";
    let noted = within(&shot.claims.lock_off, shot.need);
    // Two lock-offs side by side are two, with a movement between them.
    noted.iter().find_map(|noted| {
        let shared = |run: &FrameRange| run.overlap(*noted).map(|shared| shared.count());
        let most = seen.iter().copied().max_by_key(shared);
        disagrees(shot, Severity::Attention, text, &[*noted], most.as_slice())
    })
}

/// The log has the boom elsewhere than the picture. Where it is seen it counts; a log that
/// has it in longer than it is costs nothing.
fn boom_disagrees(looked: &Looked, shot: &Shot<'_>) -> Vec<Reason> {
    let told = !matches!(looked.search, Some(Say::CannotTell(_) | Say::NoBoomEvent));
    let claims = shot.claims;
    if !told || claims.boom.is_empty() && !claims.no_boom {
        return Vec::new();
    }
    let seen: Vec<FrameRange> = looked.boom.iter().map(|run| shot.clocks.from_file(*run)).collect();
    let seen = within(&seen, shot.need);
    let (more, less) = (
        "The picture shows the boom, and the log notes none",
        "The log notes the boom, and the picture shows none",
    );
    let more = disagrees(shot, Severity::Attention, more, &seen, &claims.boom);
    let noted = if seen.is_empty() { Vec::new() } else { within(&claims.boom, shot.need) };
    let less = disagrees(shot, Severity::Note, less, &noted, &seen);
    more.into_iter().chain(less).collect()
}

fn within(runs: &[FrameRange], range: FrameRange) -> Vec<FrameRange> {
    runs.iter().filter_map(|run| run.overlap(range)).collect()
}

/// The longest run of `told` that `other` does not hold, if that is more than the tolerance.
fn disagrees(
    shot: &Shot<'_>,
    severity: Severity,
    text: &str,
    told: &[FrameRange],
    other: &[FrameRange],
) -> Option<Reason> {
    let slack = u64::from(shot.claims.tolerance) + SLACK;
    let grown: Vec<FrameRange> = other.iter().map(|run| run.grown(slack, slack)).collect();
    let left = told.iter().flat_map(|run| run.without(&grown));
    let longest = left.max_by_key(|run| (run.count(), Reverse(run.start)))?;
    let text = format!("{text}, {}.", between(shot.clocks, longest));
    let frames = longest.count().0 as f64;
    let reason = Reason::new(Code::LogAndPictureDisagree, severity, text).over(longest);
    Some(reason.measured(frames, "frames", Some(slack as f64)))
}

/// Whether the pictures leave open if there is a boom at all.
fn doubtful(looked: &Looked) -> bool {
    matches!(looked.search, Some(Say::CannotTell(Why::Unconfirmed | Why::TooShort | Why::NoFrames)))
}

fn in_words(why: Why) -> &'static str {
    match why {
        Why::NoFrames => "there are none",
        Why::TooShort => "the take is shorter than a plate has to be",
        Why::NeverLeaves => "something hangs at the edge in every frame and moves",
        Why::CameraMoves => "the camera never stands long enough",
        Why::Unconfirmed => {
            "something comes or goes at the edge, and no frames without it prove it"
        }
    }
}
