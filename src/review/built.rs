//! Plates built from a boom's own movement: gathered, held against the take, gathered again
//! by the outlines that were measured.

use super::Progress;
use super::borrow::settled;
use super::elsewhere::{BuiltPlate, Origin};
use super::proofs::{asked_alone, wants_a_look, weighed};
use super::subject::{Pending, Reviewer};
use crate::error::{BadInput, Faults};
use crate::gather::{
    Built, LEAST_FREE, MOST_FRAMES, first_gathered, gathered_again, never_free, some,
};
use crate::media::{Footage, Media, Picture, Pictures};
use crate::plate::Retouch;
use crate::proof::look;
use crate::reach::Outcome;
use crate::reason::{Code, Reason, Severity};
use crate::time::{Frame, FrameRange, union};
use crate::verdict::Standing;
use std::rc::Rc;

impl Reviewer<'_> {
    /// Builds a plate for every use whose take has a boom that moves and no plate anywhere.
    /// Returns faults of media.
    pub fn gather_all(
        &mut self,
        pending: &mut [Pending],
        progress: &mut dyn Progress,
    ) -> Vec<BadInput> {
        let mut faults = Vec::new();
        for one in pending {
            let Some(media) = wants_a_look(one).filter(|_| has_no_plate(one)) else { continue };
            progress.stage(&format!("gathering {}", media.info().name), media.info().frames);
            match self.gathered(&media, one, progress) {
                Ok(Some(reason)) => {
                    if let Standing::Judged(judgement) = &mut one.standing {
                        judgement.reasons.push(reason);
                    }
                }
                Ok(None) => {}
                Err(wrong) => {
                    let new = wrong.0.into_iter().filter(|fault| !faults.contains(fault));
                    let new: Vec<BadInput> = new.collect();
                    faults.extend(new);
                }
            }
        }
        faults
    }

    /// Judges a use by a plate that is built for it; else says why none can be, if it was
    /// near.
    fn gathered(
        &self,
        media: &Media,
        pending: &mut Pending,
        progress: &mut dyn Progress,
    ) -> Result<Option<Reason>, Faults> {
        let range = self.lock_off(media, pending);
        // All that follows looks at the same frames again and again.
        let used_frames = [some(range, MOST_FRAMES), need(media, pending)].concat();
        let media = &media.stored(&used_frames)?;
        let Some(first) = first_gathered(media, range)? else { return Ok(None) };
        let behind = Footage::with_behind(media, &first);
        let count = i64::try_from(first.count()).unwrap_or(0);
        let plate = FrameRange::new(behind.seam(), behind.seam() + count);
        let mut learnt = pending.learnt.clone();
        learnt.claims.elsewhere = true;
        learnt.claims.boom = Vec::new();
        let mut asked = asked_alone(self.job, media, &learnt, (&first, vec![plate]));
        asked.frames = union(&[asked.frames.clone(), some(range, MOST_FRAMES)].concat());
        let looked = look(&asked, &mut |done| progress.at(done))?;
        let Some((mut found, mut measured)) = weighed(self.job, media, &looked, &learnt)? else {
            return Ok(None);
        };
        let gauge = found.gauge.and_then(|at| looked.gauges.get(at));
        let (Some(gauge), Some(region)) = (gauge, &found.region) else { return Ok(None) };
        let rows = gauge.rows.iter().map(|row| (row.frame, row.boom));
        if let Some(reason) = unseen(rows, &noted_boom(media, pending)) {
            return Ok(Some(reason));
        }
        let made = gathered_again(media, &first, gauge, &asked.frames)?;
        let free = never_free(&made, &region.division);
        let worst = found.judgement.reasons.iter().find(|one| one.severity == Severity::Stop);
        if let Some(lost) = free {
            let text = format!(
                "No plate can be built: {} pixels of the patch are free of the boom in fewer than {LEAST_FREE} frames.",
                lost.count()
            );
            pending.measured.never_free = Some(Rc::new(lost.clone()));
            let reason = Reason::new(Code::NoPlate, Severity::Stop, text);
            return Ok(Some(reason.measured(lost.count() as f64, "pixels", Some(0.0))));
        }
        if let Some(worst) = worst {
            let text =
                format!("A plate built from the boom's movement does not fit: {}", worst.text);
            return Ok(Some(Reason::new(Code::PlateNotAlike, Severity::Attention, text)));
        }
        if measured.corrections.iter().any(|(name, _)| *name == "follow-motion") {
            return Ok(None);
        }
        found.judgement.outcome = Outcome::Still(plate);
        found.judgement.reasons.retain(|one| one.code != Code::PlateShort);
        let frames = asked.frames.iter().copied().reduce(crate::time::joined).unwrap_or(range);
        measured.origin = Origin::Built(Rc::new(BuiltPlate { built: made, frames }));
        settled(pending, (found, measured));
        Ok(None)
    }

    /// The frames of the take that may serve: the lock-off that holds need, within the media.
    fn lock_off(&self, media: &Media, pending: &Pending) -> FrameRange {
        let whole = whole(media);
        let learnt = &pending.learnt;
        let held = learnt.used.and_then(|used| {
            let locks = union(&learnt.claims.lock_off);
            locks.into_iter().find(|lock| lock.overlap(used).is_some())
        });
        let in_file = held.and_then(|lock| learnt.clocks.as_ref()?.file_range(lock));
        in_file.and_then(|range| range.overlap(whole)).unwrap_or(whole)
    }
}

fn whole(media: &Media) -> FrameRange {
    FrameRange::new(0, i64::try_from(media.info().frames).unwrap_or(i64::MAX))
}

/// The frames of need there are, file clock.
fn need(media: &Media, pending: &Pending) -> Vec<FrameRange> {
    let clocks = pending.learnt.clocks.as_ref();
    let need = pending.learnt.need.and_then(|need| clocks?.file_range(need));
    need.and_then(|need| need.overlap(whole(media))).into_iter().collect()
}

/// The frames of need in which the log knows the boom, file clock.
fn noted_boom(media: &Media, pending: &Pending) -> Vec<FrameRange> {
    let learnt = &pending.learnt;
    let noted = learnt.need.map(|need| learnt.claims.boom_within(need)).unwrap_or_default();
    let in_file = |run: &FrameRange| learnt.clocks.as_ref()?.file_range(*run);
    noted.iter().filter_map(in_file).filter_map(|run| run.overlap(whole(media))).collect()
}

/// The share of the frames with boom, in quarters, that have to show it against a plate built
/// from the same frames. Ours: a boom that was taken for set shows in hardly any.
const SEEN: usize = 3;

/// Says why a built plate may not be used: a boom that hangs in most frames does not show
/// against it, so it may hang in the plate.
fn unseen(rows: impl Iterator<Item = (Frame, bool)>, noted: &[FrameRange]) -> Option<Reason> {
    let rows = rows.filter(|(frame, _)| noted.iter().any(|run| run.holds(*frame)));
    let rows: Vec<bool> = rows.map(|(_, boom)| boom).collect();
    let seen = rows.iter().filter(|seen| **seen).count();
    let text = format!(
        "No plate can be built: against it the boom shows in {seen} of {} frames only, so it hangs in the plate itself.",
        rows.len()
    );
    let reason = Reason::new(Code::NoPlate, Severity::Stop, text);
    (4 * seen < SEEN * rows.len()).then(|| reason.measured(seen as f64, "frames", None))
}

/// Tells whether a use has a boom, and neither its take nor another any plate.
fn has_no_plate(pending: &Pending) -> bool {
    let Standing::Judged(judgement) = &pending.standing else { return false };
    let own = matches!(pending.measured.origin, Origin::Take);
    own && judgement.outcome == Outcome::NoPlate
}

/// Lays the built pictures into a plate, in the light of the take where that is wanted.
#[derive(Debug)]
pub(super) struct Woven<'a> {
    pub built: &'a Built,
    pub lit: Option<&'a dyn Retouch>,
}

impl Retouch for Woven<'_> {
    fn why(&self) -> String {
        match self.lit {
            Some(lit) => format!("it is built from the boom's movement, and {}", lit.why()),
            None => "it is built from the boom's movement, with new grain".into(),
        }
    }

    fn retouch(&self, k: u64, _: &Picture) -> Result<Option<Picture>, Faults> {
        let picture = self.built.picture(k)?;
        let lit = self.lit.map(|lit| lit.retouch(k, &picture)).transpose()?.flatten();
        Ok(Some(lit.unwrap_or(picture)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_boom_that_its_own_frames_do_not_show_hangs_in_the_plate() {
        let noted = [FrameRange::new(10, 50), FrameRange::new(60, 70)];
        let rows = |seen: fn(i64) -> bool| (0..80).map(move |n| (Frame(n), seen(n)));
        assert!(unseen(rows(|_| true), &noted).is_none());
        // Where it hangs is not asked elsewhere; a few frames of its slide may miss it.
        assert!(unseen(rows(|n| (14..66).contains(&n)), &noted).is_none());
        let reason = unseen(rows(|n| n < 40), &noted).expect("30 of 50 are too few");
        assert_eq!((reason.code, reason.severity), (Code::NoPlate, Severity::Stop));
        assert_eq!(reason.value, Some(30.0));
        assert!(reason.text.contains("30 of 50 frames"), "{}", reason.text);
        // Nothing noted there, nothing to show.
        assert!(unseen(rows(|_| false), &[]).is_none());
    }
}
