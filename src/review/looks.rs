//! Takes the small pictures of a report: the frame that would show most, as shot, as plate
//! and as patched.

use super::{Progress, Review, Subject};
use crate::findings::UseFinding;
use crate::inspection::Series;
use crate::media::{Media, open};
use crate::report::still::{Look, Still, StillKind, most_bytes};
use crate::time::{Frame, FrameRange};
use std::path::Path;

/// Returns what there is to see of each use, in their order.
///
/// A picture that cannot be read is left out: whatever reads it for a measure or a render has
/// already said so.
pub(super) fn looks(review: &Review, out: &Path, progress: &mut dyn Progress) -> Vec<Look> {
    let is_seen = |found: &UseFinding| found.verdict.is_listed() && found.used_in_file.is_some();
    let seen = review.findings.uses.iter().filter(|found| is_seen(found)).count();
    let most = most_bytes(seen);
    progress.stage("pictures for the report", seen as u64);
    let mut done = 0;
    let mut looks = Vec::with_capacity(review.findings.uses.len());
    for (found, subject) in review.findings.uses.iter().zip(&review.subjects) {
        let stills = if is_seen(found) { stills(found, subject, out, most) } else { Vec::new() };
        done += u64::from(is_seen(found));
        progress.at(done);
        looks.push(Look { stills, series: subject.series.clone() });
    }
    looks
}

fn stills(found: &UseFinding, subject: &Subject, out: &Path, most: usize) -> Vec<Still> {
    let (Some(media), Some(frame)) = (&subject.media, worst(found, subject.series.as_ref())) else {
        return Vec::new();
    };
    let (Some(need), Some(in_file)) = (found.need_in_take, found.need_in_file) else {
        return Vec::new();
    };
    let at = frame.0.saturating_sub(need.start.0);
    let in_take = Frame(in_file.start.0.saturating_add(at));
    let mut stills: Vec<Still> =
        still(media, StillKind::Worst, frame, in_take, most).into_iter().collect();
    let plate = found.plate.as_ref().and_then(|plate| plate.file.as_deref());
    for (kind, file) in
        [(StillKind::Plate, plate), (StillKind::Patched, found.temp_comp.as_deref())]
    {
        let rendered = file.and_then(|file| open(&out.join(file)).ok());
        stills.extend(rendered.and_then(|media| still(&media, kind, frame, Frame(at), most)));
    }
    stills
}

fn still(media: &Media, kind: StillKind, frame: Frame, at: Frame, most: usize) -> Option<Still> {
    let make = |picture: &crate::media::Picture| Still::of(kind, frame, picture, most);
    media.at(at, &make).ok().flatten().flatten()
}

/// The frame to look at, take clock: the patched one that would show most; without measures
/// the middle of the longest run with boom, or of the used frames.
fn worst(found: &UseFinding, series: Option<&Series>) -> Option<Frame> {
    let need = found.need_in_take?;
    let shown = series.into_iter().flat_map(|series| series.visibility.iter().enumerate());
    let worst = shown
        .filter_map(|(at, value)| Some((i64::try_from(at).ok()?, (*value)?)))
        .filter(|(_, value)| value.is_finite())
        .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)));
    if let Some((at, _)) = worst {
        return Some(Frame(need.start.0.saturating_add(at)));
    }
    let middle = |range: FrameRange| Frame(range.start.0 + (range.end.0 - range.start.0) / 2);
    let boom = found.affected_in_take.iter().copied().max_by_key(|run| run.count());
    boom.or(found.used_in_take).filter(|run| !run.is_empty()).map(middle)
}
