//! Holds the uses of each take against its pictures; uses of one take share one look.

use super::elsewhere::Origin;
use super::looping::chosen;
use super::subject::{Learnt, Pending};
use super::{Job, Progress};
use crate::corrections::Setting;
use crate::error::{BadInput, Faults};
use crate::findings::{Basis, PictureKind, UseFinding};
use crate::inspection::Series;
use crate::loops::Choice;
use crate::measure::Mask;
use crate::measure::delivery::{self, Delivered, Rect, deliveries};
use crate::measure::divider::Division;
use crate::measure::schedule::Gauge;
use crate::media::{Media, Pictures};
use crate::proof::{Asked, Looked, Shot, Weighed, longest_suffices, look, weigh};
use crate::reach::{Claims, Clocks, Outcome};
use crate::reason::{Code, Reason, Severity};
use crate::time::{Frame, FrameRange, union};
use crate::verdict::Standing;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::rc::Rc;

/// What the pictures added to a use.
#[derive(Debug, Default)]
pub(super) struct Measured {
    /// On what the verdict rests.
    pub basis: Option<Basis>,
    /// What kind of picture was looked at.
    pub picture: Option<PictureKind>,
    /// Corrections the patch needs, each with what would still show in grains.
    pub corrections: Vec<(&'static str, f64)>,
    /// What rendering these corrections needs to know of the take.
    pub setting: Option<Setting>,
    /// The divider.
    pub divider: Option<crate::findings::DividerSummary>,
    /// The smallest reposition that hides the boom.
    pub reposition: Option<crate::findings::Reposition>,
    /// What the matte is drawn from.
    pub division: Option<Rc<Division>>,
    /// Source pixels for each delivered pixel.
    pub per_delivered: f64,
    /// Pixels of the patch that no frame of the take shows.
    pub never_free: Option<Rc<Mask>>,
    /// Where the plate comes from.
    pub origin: Origin,
    /// How its plate turns, where it was watched.
    pub choice: Option<Choice>,
    /// What was measured over need, for plots.
    pub series: Option<Series>,
}

impl Measured {
    /// Puts what was measured into a finding.
    pub(super) fn add_to(self, finding: &mut UseFinding) {
        finding.basis = self.basis.unwrap_or(finding.basis);
        finding.picture = self.picture;
        if finding.verdict.has_plate() {
            let names = self.corrections.iter().map(|(name, _)| name.to_string());
            finding.corrections.extend(names);
            finding.residuals = self.corrections.iter().map(|(_, residual)| *residual).collect();
        }
        finding.divider = self.divider;
        finding.reposition = self.reposition;
    }
}

/// Looks at every take that judged uses need, and judges these uses again.
///
/// Faults of media are returned; the uses that needed the frame are then undecided.
pub(super) fn prove_all(
    job: &Job,
    pending: &mut [Pending],
    progress: &mut dyn Progress,
) -> Vec<BadInput> {
    let mut takes: BTreeMap<PathBuf, Vec<usize>> = BTreeMap::new();
    for (at, one) in pending.iter().enumerate() {
        if let Some(media) = wants_a_look(one) {
            takes.entry(media.path().to_path_buf()).or_default().push(at);
        }
    }
    let mut faults = Vec::new();
    let count = takes.len();
    for (number, uses) in takes.values().enumerate() {
        let Some(media) = wants_a_look(&pending[uses[0]]) else { continue };
        let name = format!("looking {}/{count} {}", number + 1, media.info().name);
        progress.stage(&name, media.info().frames);
        let enough = |looked: &Looked| {
            let suffices =
                |at: &usize| longest_suffices_for(job, &media, looked, &pending[*at].learnt);
            uses.iter().all(|at| suffices(at).unwrap_or(false))
        };
        let asked = Asked { enough: Some(&enough), ..asked(job, &media, uses, pending) };
        let looked = look(&asked, &mut |done| progress.at(done));
        for at in uses {
            let proven = match &looked {
                Ok(looked) => proven(job, &media, looked, &mut pending[*at]),
                Err(faults) => Err(faults.clone()),
            };
            if let Err(wrong) = proven {
                unreadable(&mut pending[*at], &wrong);
                faults.extend(
                    wrong.0.into_iter().filter(|fault| !faults.contains(fault)).collect::<Vec<_>>(),
                );
            }
        }
    }
    faults
}

/// The media of a use that was judged and whose frames are known in the file.
pub(super) fn wants_a_look(pending: &Pending) -> Option<Rc<Media>> {
    let judged = matches!(pending.standing, Standing::Judged(_));
    let clocks = pending.learnt.clocks.as_ref()?;
    clocks.file_start?;
    pending.learnt.media.clone().filter(|_| judged && pending.learnt.need.is_some())
}

/// Returns what is claimed of one use, and asked of pictures its plate comes from.
pub(super) fn asked_alone<'a>(
    job: &'a Job,
    media: &'a Media,
    learnt: &Learnt,
    (behind, plates): (&'a dyn Pictures, Vec<FrameRange>),
) -> Asked<'a> {
    let in_file = |ranges: &[FrameRange]| -> Vec<FrameRange> {
        let clocks = learnt.clocks.as_ref();
        let range = |range: &FrameRange| clocks.and_then(|clocks| clocks.file_range(*range));
        union(&ranges.iter().filter_map(range).collect::<Vec<_>>())
    };
    let frames = FrameRange::new(0, i64::try_from(media.info().frames).unwrap_or(i64::MAX));
    let need = in_file(&learnt.need.into_iter().collect::<Vec<_>>());
    Asked {
        media,
        behind: Some(behind),
        plates,
        near: Vec::new(),
        boom: in_file(&learnt.claims.boom),
        frames: need.iter().filter_map(|need| need.overlap(frames)).collect(),
        region: Some(learnt.claims.region.clone()).filter(|noted| !noted.is_empty()),
        settings: &job.settings,
        enough: None,
        best: None,
        every: 1,
    }
}

/// What all uses of a take ask of it together.
pub(super) fn asked<'a>(
    job: &'a Job,
    media: &'a Media,
    uses: &[usize],
    pending: &[Pending],
) -> Asked<'a> {
    let mut asked = Asked {
        media,
        behind: None,
        plates: Vec::new(),
        near: Vec::new(),
        boom: Vec::new(),
        frames: Vec::new(),
        region: None,
        settings: &job.settings,
        enough: None,
        best: None,
        every: 1,
    };
    for at in uses {
        let learnt = &pending[*at].learnt;
        let Some(clocks) = &learnt.clocks else { continue };
        let in_file = |ranges: &[FrameRange]| -> Vec<FrameRange> {
            ranges.iter().filter_map(|range| clocks.file_range(*range)).collect()
        };
        let tolerated: Vec<FrameRange> = usable_plates(&learnt.claims);
        asked.plates.extend(in_file(&tolerated));
        asked.near.extend(in_file(&learnt.claims.near));
        asked.boom.extend(in_file(&learnt.claims.boom));
        let noted = &learnt.claims.region;
        asked.region =
            asked.region.or_else(|| Some(noted.clone()).filter(|noted| !noted.is_empty()));
        asked.frames.extend(learnt.need.and_then(|need| clocks.file_range(need)));
    }
    for ranges in [&mut asked.plates, &mut asked.near, &mut asked.boom, &mut asked.frames] {
        *ranges = union(ranges);
    }
    asked
}

/// Plates as claimed, less what the log itself calls unusable.
pub(super) fn usable_plates(claims: &Claims) -> Vec<FrameRange> {
    claims.plates.iter().flat_map(|plate| plate.without(&claims.unusable)).collect()
}

/// Judges one use again with what was seen of its take.
fn proven(job: &Job, media: &Media, looked: &Looked, pending: &mut Pending) -> Result<(), Faults> {
    if let Some((weighed, measured)) = weighed(job, media, looked, &pending.learnt)? {
        take_over(pending, weighed, measured);
    }
    Ok(())
}

/// Puts what the pictures say in the place of what was judged before.
pub(super) fn take_over(pending: &mut Pending, mut weighed: Weighed, measured: Measured) {
    let earlier = match std::mem::replace(&mut pending.standing, Standing::Unlisted) {
        Standing::Judged(judgement) => judgement.reasons,
        _ => Vec::new(),
    };
    weighed.judgement.reasons.extend(kept(earlier));
    pending.learnt.claims = weighed.claims;
    pending.standing = Standing::Judged(Box::new(weighed.judgement));
    pending.measured = measured;
}

/// What the pictures of a use are delivered as.
fn delivered(job: &Job, media: &Media, learnt: &Learnt) -> Vec<Delivered> {
    let info = media.info();
    deliveries(&job.settings.delivery, learnt.capture, [info.width, info.height])
}

/// A use as it is weighed; `None` where its frames are not known.
fn shot<'a>(job: &'a Job, media: &Media, learnt: &'a Learnt) -> Option<Shot<'a>> {
    let delivered = delivered(job, media, learnt);
    let margin = delivered.iter().map(|one| one.resolution_margin()).fold(f64::INFINITY, f64::min);
    Some(Shot {
        used: learnt.used?,
        need: learnt.need?,
        claims: &learnt.claims,
        clocks: learnt.clocks.as_ref()?,
        settings: &job.settings,
        per_delivered: if margin.is_finite() { margin } else { 1.0 },
        left_out: &[],
    })
}

/// Tells whether a use needs no other plate than its take was held against.
fn longest_suffices_for(
    job: &Job,
    media: &Media,
    looked: &Looked,
    learnt: &Learnt,
) -> Result<bool, Faults> {
    shot(job, media, learnt).map_or(Ok(true), |shot| longest_suffices(looked, &shot))
}

/// Weighs one use with what was seen of its take; `None` where its frames are not known.
pub(super) fn weighed(
    job: &Job,
    media: &Media,
    looked: &Looked,
    learnt: &Learnt,
) -> Result<Option<(Weighed, Measured)>, Faults> {
    let Some(shot) = shot(job, media, learnt) else { return Ok(None) };
    let Shot { used, need, clocks, .. } = shot;
    let info = media.info();
    let delivered = delivered(job, media, learnt);
    let mut weighed = weigh(looked, &shot)?;
    let boxes = boom_boxes(looked, &weighed, used, clocks)?;
    let mut measured = Measured {
        basis: Some(basis(looked)),
        picture: Some(picture_kind(
            &info.name,
            &job.settings.proxy_suffixes,
            learnt.capture,
            info.width,
        )),
        corrections: weighed.corrections.iter().map(|one| (one.name, one.residual)).collect(),
        setting: setting(looked, &weighed, (used, need), clocks)?,
        divider: weighed.region.as_ref().map(|region| region.summary()),
        reposition: None,
        division: weighed.region.as_ref().map(|region| Rc::new(region.division.clone())),
        origin: Origin::Take,
        per_delivered: shot.per_delivered,
        never_free: None,
        series: clocks.file_range(need).map(|need| weighed.series(looked, need)),
        choice: chosen(
            job,
            media,
            weighed.judgement.outcome,
            clocks,
            need,
            weighed.region.as_ref().map(|region| &region.division),
        )?,
    };
    weighed.judgement.reasons.extend(measured.choice.as_ref().and_then(too_visible));
    if !boxes.is_empty() {
        weighed.judgement.reasons.extend(delivery::reasons(
            &delivered,
            &boxes,
            &job.settings.visibility,
        ));
        if !delivered.iter().any(|one| one.shows(&boxes)) {
            weighed.judgement.outcome = Outcome::NoBoom;
            weighed.judgement.reasons.retain(|reason| reason.severity != Severity::Stop);
        }
        let largest = job.settings.visibility.reposition_scale;
        measured.reposition = delivered
            .first()
            .filter(|one| one.shows(&boxes))
            .and_then(|one| one.reposition_to_type(&boxes, largest))
            .map(|by| crate::findings::Reposition { scale: by.scale, dx: by.dx, dy: by.dy });
    }
    Ok(Some((weighed, measured)))
}

/// Says that a turn shows more than it may: only where somebody asked for such turns, or the
/// plate moves too much to be eased.
fn too_visible(choice: &Choice) -> Option<Reason> {
    (choice.visibility > choice.limit && !choice.at_rest).then(|| {
        let text = format!(
            "The worst turn of the loop shows {:.2} times what the background does there by itself.",
            choice.visibility
        );
        let reason = Reason::new(Code::BackgroundMoving, Severity::Attention, text);
        reason.measured(choice.visibility, "times", Some(choice.limit))
    })
}

/// What the corrections of a use will be rendered from; `None` if it needs none.
fn setting(
    looked: &Looked,
    weighed: &Weighed,
    (used, need): (FrameRange, FrameRange),
    clocks: &Clocks,
) -> Result<Option<Setting>, Faults> {
    let gauge = weighed.gauge.and_then(|at| looked.gauges.get(at));
    let ranges = clocks.file_range(used).zip(clocks.file_range(need));
    let (Some(gauge), Some(region), Some((used, need))) = (gauge, &weighed.region, ranges) else {
        return Ok(None);
    };
    if weighed.corrections.is_empty() {
        return Ok(None);
    }
    let patched = weighed.judgement.patched.iter();
    let patched: Vec<FrameRange> = patched.filter_map(|run| clocks.file_range(*run)).collect();
    Setting::of(gauge, &region.division, (&patched, used), &[gauge.plate, need])
}

/// Of the reasons found before any picture those that no picture can change: the judgement
/// made from claims alone is made again, the clocks and effects are not.
fn kept(earlier: Vec<Reason>) -> impl Iterator<Item = Reason> {
    earlier.into_iter().filter(|reason| {
        matches!(
            reason.code,
            Code::StartTimecodeDisagrees | Code::ReframeUnread | Code::MediaMissing
        )
    })
}

/// Where the boom is in the used frames, one box a frame, in source pixels.
fn boom_boxes(
    looked: &Looked,
    weighed: &Weighed,
    used: FrameRange,
    clocks: &Clocks,
) -> Result<Vec<Rect>, Faults> {
    let (Some(at), Some(used)) = (weighed.gauge, clocks.file_range(used)) else {
        return Ok(Vec::new());
    };
    let gauge: &Gauge = &looked.gauges[at];
    let scale = gauge.mask_scale as f64;
    let mut boxes = Vec::new();
    for frame in used.start.0..used.end.0 {
        let masks = gauge.masks_of(Frame(frame))?;
        let bounds = masks.and_then(|masks| masks.boom.bounds());
        boxes.extend(bounds.map(|(left, top, right, bottom)| {
            let [left, top, right, bottom] =
                [left, top, right, bottom].map(|edge| edge as f64 * scale);
            Rect::new(left, top, right, bottom)
        }));
    }
    Ok(boxes)
}

fn basis(looked: &Looked) -> Basis {
    if looked.search.is_some() { Basis::Measure } else { Basis::Both }
}

/// A proxy is named so, or is smaller than what was captured.
pub(super) fn picture_kind(
    name: &str,
    suffixes: &[String],
    capture: Option<[u32; 2]>,
    width: u32,
) -> PictureKind {
    let stem = name.rsplit_once('.').map_or(name, |(stem, _)| stem);
    let named = suffixes.iter().any(|suffix| stem.ends_with(suffix.as_str()));
    let smaller = capture.is_some_and(|[across, _]| width < across);
    if named || smaller { PictureKind::Proxy } else { PictureKind::Original }
}

/// A frame that cannot be read leaves the use undecided.
fn unreadable(pending: &mut Pending, faults: &Faults) {
    let first = faults.0.first();
    let text = first.map_or_else(
        || "The media cannot be read.".to_string(),
        |fault| format!("{} {}: {}.", fault.file, fault.place, fault.fault),
    );
    let reason = Reason::new(Code::MediaUnreadable, Severity::Stop, text);
    pending.standing = Standing::Undecided(vec![reason]);
}
