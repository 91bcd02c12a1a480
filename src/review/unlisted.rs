//! Looks at uses that are in no log: a boom nobody noted is for a person to see.

use super::proofs::{asked, picture_kind};
use super::subject::Pending;
use super::{Job, Progress};
use crate::error::BadInput;
use crate::findings::Basis;
use crate::measure::boom::Say;
use crate::proof::look;
use crate::reason::{Code, Reason, Severity};
use crate::time::{FrameRange, union};
use crate::verdict::Standing;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Looks at every take that only uses in no log show. A use with a boom in its used frames is
/// undecided from then on; the others stay as they are, and were looked at.
///
/// Returns faults of media that could not be read.
pub(super) fn look_at_unlisted(
    job: &Job,
    pending: &mut [Pending],
    progress: &mut dyn Progress,
) -> Vec<BadInput> {
    let mut takes: BTreeMap<PathBuf, Vec<usize>> = BTreeMap::new();
    for (at, one) in pending.iter().enumerate() {
        let Some(media) = one.learnt.media.as_ref().filter(|_| used_in_file(one).is_some()) else {
            continue;
        };
        if matches!(one.standing, Standing::Unlisted) {
            takes.entry(media.path().to_path_buf()).or_default().push(at);
        }
    }
    let mut faults: Vec<BadInput> = Vec::new();
    let count = takes.len();
    for (number, uses) in takes.values().enumerate() {
        let first = uses.first().and_then(|at| pending.get(*at));
        let Some(media) = first.and_then(|one| one.learnt.media.clone()) else { continue };
        let info = media.info();
        progress.stage(&format!("looking {}/{count} {}", number + 1, info.name), info.frames);
        let looked = match look(&asked(job, &media, uses, pending), &mut |done| progress.at(done)) {
            Ok(looked) => looked,
            Err(wrong) => {
                faults.extend(wrong.0);
                continue;
            }
        };
        let booms =
            if looked.search == Some(Say::Booms) { union(&looked.boom) } else { Vec::new() };
        for at in uses {
            let Some(one) = pending.get_mut(*at) else { continue };
            let (suffixes, capture) = (&job.settings.proxy_suffixes, one.learnt.capture);
            one.measured.basis = Some(Basis::Measure);
            one.measured.picture = Some(picture_kind(&info.name, suffixes, capture, info.width));
            if let Some(reason) = boom_seen(one, &booms) {
                one.standing = Standing::Undecided(vec![reason]);
            }
        }
    }
    faults
}

/// The used frames of a use, file clock.
fn used_in_file(one: &Pending) -> Option<FrameRange> {
    one.learnt.clocks.as_ref()?.file_range(one.learnt.used?)
}

fn boom_seen(one: &Pending, booms: &[FrameRange]) -> Option<Reason> {
    let (used, clocks) = (used_in_file(one)?, one.learnt.clocks.as_ref()?);
    let seen: Vec<FrameRange> = booms.iter().filter_map(|boom| boom.overlap(used)).collect();
    let frames: u64 = seen.iter().map(|run| run.count().0).sum();
    let first = clocks.from_file(*seen.first()?);
    let text = format!(
        "Something like a boom is at the edge in {frames} used frames, from {}, and no log notes it.",
        clocks.label(first.start)
    );
    let reason = Reason::new(Code::BoomWithoutLog, Severity::Stop, text).over(first);
    Some(reason.measured(frames as f64, "frames", Some(0.0)))
}
