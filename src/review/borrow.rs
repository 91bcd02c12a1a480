//! Plates from other takes of the set-up: found through the log, proven by pixels.

use super::elsewhere::{Origin, PlateSource};
use super::proofs::{Measured, asked_alone, take_over, usable_plates, wants_a_look, weighed};
use super::sources::Source;
use super::subject::{Learnt, Pending, Reviewer};
use super::{Progress, take_name};
use crate::error::Faults;
use crate::marks::short_take;
use crate::media::{Media, MediaInfo};
use crate::platelog::{Record, Serves};
use crate::proof::{TILES, Tile, Weighed, alike, look};
use crate::reach::{Clocks, Outcome, claims_of};
use crate::reason::{Code, Reason, Severity};
use crate::time::{FrameRange, union};
use crate::verdict::Standing;
use std::rc::Rc;

/// Most other takes that are tried for one use: each costs a look at both.
const MOST_TRIED: usize = 3;

/// Parallax that shows, in delivered pixels: what a shift of the whole may be at most before
/// it shows.
const PARALLAX_PX: f64 = 0.1;

/// What came of one other take.
enum Tried {
    Fits(Box<(Weighed, Measured)>),
    Unlike(Reason),
}

impl Reviewer<'_> {
    /// Looks for plates in other takes for every use whose own take has none that serves as
    /// shot, and judges these uses again where one fits. A take that cannot be read serves
    /// nobody; that is said.
    pub fn borrow_all(&mut self, pending: &mut [Pending], progress: &mut dyn Progress) {
        for one in pending {
            let Some(media) = wants_a_look(one).filter(|_| wants_another(one)) else { continue };
            let Some(record) = one.learnt.matched.record else { continue };
            let mut others = self.matcher.plate_takes_for(record);
            let of_setup = self.matcher.setup_takes_with_plates(record);
            others
                .extend(of_setup.into_iter().filter(|at| !others.contains(at)).collect::<Vec<_>>());
            let mut unlike = Vec::new();
            for at in others.into_iter().take(MOST_TRIED) {
                match self.tried(&media, one, at, progress) {
                    Ok(Some(Tried::Fits(found))) if better(one, &found.0) => {
                        unlike.clear();
                        settled(one, *found);
                        break;
                    }
                    Ok(Some(Tried::Unlike(reason))) => unlike.push(reason),
                    Ok(_) => {}
                    Err(faults) => unlike.push(unreadable(&self.records[at], &faults)),
                }
            }
            if let Standing::Judged(judgement) = &mut one.standing {
                judgement.reasons.append(&mut unlike);
            }
        }
    }

    /// Holds a use against the plate of another take; `None` where there is nothing to hold.
    fn tried(
        &mut self,
        media: &Media,
        pending: &Pending,
        at: usize,
        progress: &mut dyn Progress,
    ) -> Result<Option<Tried>, Faults> {
        let record = &self.records[at];
        let Source::Open(other) = self.sources.named(&names(record)) else { return Ok(None) };
        if other.path() == media.path() {
            return Ok(None);
        }
        let name = short_take(&take_name(record));
        if let Some(why) = other_kind(media.info(), other.info()) {
            let text = format!("The plate in {name} cannot be laid over this take: {why}.");
            return Ok(Some(Tried::Unlike(not_alike(text))));
        }
        let clocks = Clocks::of_media(other.info());
        let plates = plates_of(record, &clocks, other.info(), self);
        if plates.is_empty() {
            return Ok(None);
        }
        let source = Rc::new(PlateSource { media: other, clocks, take: Some(take_name(record)) });
        progress.stage(&format!("looking at {}", source.media.info().name), media.info().frames);
        self.against(media, pending, (&name, source, plates), progress).map(Some)
    }

    fn against(
        &self,
        media: &Media,
        pending: &Pending,
        (name, source, plates): (&str, Rc<PlateSource>, Vec<FrameRange>),
        progress: &mut dyn Progress,
    ) -> Result<Tried, Faults> {
        let plates: Vec<FrameRange> =
            plates.iter().map(|plate| source.joined(media, *plate)).collect();
        let mut learnt: Learnt = pending.learnt.clone();
        learnt.claims.elsewhere = true;
        let asked = asked_alone(self.job, media, &learnt, (source.media.as_ref(), plates.clone()));
        let looked = look(&asked, &mut |done| progress.at(done))?;
        let unlike = |text: String| Ok(Tried::Unlike(not_alike(text)));
        let Some((weighed, mut measured)) = weighed(self.job, media, &looked, &learnt)? else {
            return unlike(format!("The frames of {name} cannot be told."));
        };
        let gauge = weighed.gauge.and_then(|at| looked.gauges.get(at));
        let (Some(gauge), Some(region)) = (gauge, &weighed.region) else {
            return unlike(format!("Held against the plate in {name} no frame shows a boom."));
        };
        let worst = weighed.judgement.reasons.iter().find(|one| one.severity == Severity::Stop);
        if let Some(worst) = worst {
            let mut reason = not_alike(format!("The plate in {name} does not fit: {}", worst.text));
            (reason.value, reason.unit, reason.limit) =
                (worst.value, worst.unit.clone(), worst.limit);
            return Ok(Tried::Unlike(reason));
        }
        let lies = alike(&asked.footage(), gauge, &asked.frames)?;
        let limit_px = PARALLAX_PX * measured.per_delivered;
        let info = media.info();
        let in_patch = |tile: &Tile| region.meets_tile(tile.at, TILES, (info.width, info.height));
        if let Some(tile) = lies.parallax(limit_px, in_patch) {
            let text = format!(
                "The plate in {name} was taken from another place: {:.2} px are left where the whole fits, in column {} and row {} of {} by {}.",
                tile.left_px,
                tile.at.0 + 1,
                tile.at.1 + 1,
                TILES.0,
                TILES.1
            );
            let reason = Reason::new(Code::Parallax, Severity::Attention, text);
            return Ok(Tried::Unlike(reason.measured(tile.left_px, "px", Some(limit_px))));
        }
        if measured.corrections.iter().any(|(name, _)| *name == "follow-motion") {
            let (dx, dy) = lies.shift_px;
            let px = dx.hypot(dy);
            let text = format!("The plate in {name} lies {px:.2} px off this take.");
            return Ok(Tried::Unlike(not_alike(text).measured(px, "px", Some(limit_px))));
        }
        measured.origin = Origin::Media(source);
        Ok(Tried::Fits(Box::new((weighed, measured))))
    }
}

/// Tells whether a use has a boom and its own take no plate that serves as shot.
fn wants_another(pending: &Pending) -> bool {
    let Standing::Judged(judgement) = &pending.standing else { return false };
    let as_shot = pending.measured.corrections.is_empty() && !stops(pending);
    let own = matches!(judgement.outcome, Outcome::Plate(_) | Outcome::Loop(_)) && as_shot;
    judgement.outcome != Outcome::NoBoom && !own
}

fn stops(pending: &Pending) -> bool {
    let Standing::Judged(judgement) = &pending.standing else { return true };
    judgement.outcome == Outcome::NoPlate
        || judgement.reasons.iter().any(|reason| reason.severity == Severity::Stop)
}

/// As shot goes before corrected, whatever the take.
fn better(pending: &Pending, weighed: &Weighed) -> bool {
    let gives = matches!(weighed.judgement.outcome, Outcome::Plate(_) | Outcome::Loop(_));
    gives && (stops(pending) || weighed.corrections.is_empty())
}

/// Judges a use by the plate of another take. What the log and the take's own pictures said
/// stays said.
pub(super) fn settled(pending: &mut Pending, (mut weighed, measured): (Weighed, Measured)) {
    let take = pending.learnt.claims.take;
    let reasons = &mut weighed.judgement.reasons;
    reasons.retain(|reason| reason.code != Code::LogAndPictureDisagree);
    for reason in reasons.iter_mut() {
        // Frames behind the take are none of its own.
        let own = |range: &FrameRange| take.is_none_or(|take| range.overlap(take).is_some());
        reason.range_in_take = reason.range_in_take.filter(own);
    }
    if let Standing::Judged(judgement) = &pending.standing {
        let said = judgement
            .reasons
            .iter()
            .filter(|reason| matches!(reason.code, Code::LogAndPictureDisagree | Code::NoPlate));
        reasons.extend(said.cloned().map(|mut reason| {
            if reason.code == Code::NoPlate {
                reason.severity = Severity::Note;
            }
            reason
        }));
    }
    weighed.claims.plates = pending.learnt.claims.plates.clone();
    take_over(pending, weighed, measured);
}

fn not_alike(text: String) -> Reason {
    Reason::new(Code::PlateNotAlike, Severity::Attention, text)
}

fn unreadable(record: &Record, faults: &Faults) -> Reason {
    let name = short_take(&take_name(record));
    let first = faults.0.first().map_or("", |fault| fault.fault.as_str());
    not_alike(format!("The plate in {name} cannot be read: {first}."))
}

/// Says why pictures of one kind cannot be laid over another.
fn other_kind(take: &MediaInfo, other: &MediaInfo) -> Option<String> {
    let said = |info: &MediaInfo| {
        let range = info.colour.range.as_deref().unwrap_or("untagged range");
        format!("{}x{} {} {range}", info.width, info.height, info.pixel_format)
    };
    let (take, other) = (said(take), said(other));
    (take != other).then(|| format!("it is {other}, the take {take}"))
}

/// Names a take's media may have.
fn names(record: &Record) -> Vec<String> {
    [record.media.clone(), record.clip.clone()].into_iter().flatten().collect()
}

/// The plates of another take, file frames: as noted, or of a take that was rolled as a plate
/// all of it.
fn plates_of(
    record: &Record,
    clocks: &Clocks,
    info: &MediaInfo,
    reviewer: &Reviewer<'_>,
) -> Vec<FrameRange> {
    let file = FrameRange::new(0, i64::try_from(info.frames).unwrap_or(i64::MAX));
    let (claims, _) = claims_of(record, clocks, None, &reviewer.job.settings);
    let mut plates: Vec<FrameRange> =
        usable_plates(&claims).iter().filter_map(|plate| clocks.file_range(*plate)).collect();
    if plates.is_empty() && record.serves != Serves::Itself && claims.boom.is_empty() {
        plates = file.without(&[]);
    }
    union(&plates).iter().filter_map(|plate| plate.overlap(file)).collect()
}
