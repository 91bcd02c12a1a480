//! The corrections of a plate, measured when it is rendered.

use super::{Progress, Subject};
use crate::corrections::{Corrected, Refused, Wish};
use crate::error::Faults;
use crate::findings::{UseFinding, Verdict};
use crate::media::{Media, Picture};
use crate::plate::{FrameMap, Retouch};
use crate::reach::Clocks;
use crate::reason::{Code, Reason, Severity};

/// Measures the corrections that a finding names; `None` if it names none.
pub(super) fn corrected(
    subject: &Subject,
    media: &Media,
    map: &FrameMap,
    finding: &UseFinding,
    progress: &mut dyn Progress,
) -> Result<Result<Option<Corrected>, Refused>, Faults> {
    let (Some(setting), Some(need)) = (&subject.setting, finding.need_in_file) else {
        return Ok(Ok(None));
    };
    let named = |name: &str| finding.corrections.iter().any(|one| one == name);
    let wish = Wish {
        media,
        map,
        need,
        setting,
        match_light: named("match-light"),
        follow_motion: named("follow-motion"),
    };
    progress.stage(&format!("correcting {}", finding.shot), need.count().0);
    let made = Corrected::new(&wish, &mut |done| progress.at(done))?;
    Ok(made.map(Some))
}

/// A plate that cannot be corrected is no plate: its shot is done by hand, and why is said.
pub(super) fn refuse(finding: &mut UseFinding, refused: &Refused, clocks: &Clocks) {
    let code = if refused.of_light { Code::LightChanged } else { Code::UnsteadyPicture };
    let range = clocks.from_file(refused.frames);
    let text = format!("{}, from {}.", refused.why, clocks.label(range.start));
    finding.verdict = Verdict::ByHand;
    finding.corrections.clear();
    finding.residuals.clear();
    finding.plate = None;
    finding.reasons.insert(0, Reason::new(code, Severity::Stop, text).over(range));
}

/// The corrections of a plate in record time: each of its frames is one of need.
#[derive(Debug)]
pub(super) struct InRecordTime<'a> {
    pub retouch: &'a dyn Retouch,
    /// The plate frame that each record frame shows.
    pub shown: &'a [u64],
}

impl Retouch for InRecordTime<'_> {
    fn why(&self) -> String {
        self.retouch.why()
    }

    fn retouch(&self, k: u64, picture: &Picture) -> Result<Option<Picture>, Faults> {
        let shown = usize::try_from(k).ok().and_then(|k| self.shown.get(k));
        shown.map_or(Ok(None), |shown| self.retouch.retouch(*shown, picture))
    }
}
