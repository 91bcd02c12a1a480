//! The corrections of a plate, measured when it is rendered.

use super::{Progress, Subject};
use crate::corrections::{Corrected, Refused, Wish};
use crate::error::Faults;
use crate::findings::{UseFinding, Verdict};
use crate::media::{Footage, Picture};
use crate::plate::{FrameMap, Retouch};
use crate::reach::Clocks;
use crate::reason::{Reason, Severity};
use std::cell::OnceCell;

/// The corrections of a plate, measured when they are first needed: a plate that is there
/// already needs none.
#[derive(Debug)]
pub(super) struct WhenNeeded<'a> {
    wish: Wish<'a>,
    made: OnceCell<Corrected>,
}

impl<'a> WhenNeeded<'a> {
    /// Prepares the corrections that a finding names; `None` if it names none.
    pub fn new(
        subject: &'a Subject,
        media: Footage<'a>,
        map: &'a FrameMap,
        finding: &UseFinding,
    ) -> Option<WhenNeeded<'a>> {
        let (setting, need) = subject.setting.as_ref().zip(finding.need_in_file)?;
        let named = |name: &str| finding.corrections.iter().any(|one| one == name);
        let wish = Wish {
            media,
            map,
            need,
            setting,
            match_light: named("match-light"),
            follow_motion: named("follow-motion"),
        };
        Some(WhenNeeded { wish, made: OnceCell::new() })
    }

    /// Returns what they rest on.
    pub fn recipe(&self) -> String {
        let Wish { need, match_light, follow_motion, .. } = self.wish;
        let setting = self.wish.setting.recipe();
        // Where the plate comes from elsewhere, its light is that of this take all the same.
        let take = self.wish.media.behind().map(|_| self.wish.media.take().content_id(false).ok());
        format!(
            "light/2 {match_light}, motion/2 {follow_motion}, need {need}, setting {setting}, take {take:?}"
        )
    }

    /// Measures them now. Returns why they are refused, if they are.
    ///
    /// # Errors
    ///
    /// Frames that cannot be decoded.
    pub fn settle(&self, progress: &mut dyn Progress) -> Result<Option<Refused>, Faults> {
        if self.made.get().is_some() {
            return Ok(None);
        }
        Ok(match Corrected::new(&self.wish, &mut |done| progress.at(done))? {
            Ok(made) => {
                let _ = self.made.set(made);
                None
            }
            Err(refused) => Some(refused),
        })
    }

    fn corrected(&self) -> Result<Option<&Corrected>, Faults> {
        if let Some(refused) = self.settle(&mut super::Silent)? {
            let name = &self.wish.media.info().name;
            return Err(Faults::one(name, "", refused.why, "hand back into an empty folder"));
        }
        Ok(self.made.get())
    }
}

impl Retouch for WhenNeeded<'_> {
    fn why(&self) -> String {
        let made = self.corrected().ok().flatten();
        made.map_or_else(|| "corrected".into(), Retouch::why)
    }

    fn retouch(&self, k: u64, picture: &Picture) -> Result<Option<Picture>, Faults> {
        self.corrected()?.map_or(Ok(None), |made| made.retouch(k, picture))
    }
}

/// A plate that cannot be corrected is no plate: its shot is done by hand, and why is said.
pub(super) fn refuse(finding: &mut UseFinding, refused: &Refused, clocks: &Clocks) {
    let range = clocks.from_file(refused.frames);
    let text = format!("{}, from {}.", refused.why, clocks.label(range.start));
    finding.verdict = Verdict::ByHand;
    finding.corrections.clear();
    finding.residuals.clear();
    finding.plate = None;
    finding.reasons.insert(0, Reason::new(refused.code, Severity::Stop, text).over(range));
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
