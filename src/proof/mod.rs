//! Proves on the pixels what claims promise: plates that are there, booms where they are, a
//! divider, and nothing along it that would show.
//!
//! ```text
//!   look:   claims -> gauges of the plates -> booms, lock-offs   (or a survey of the take)
//!   divide: masks of the patched frames -> patch region
//!   prove:  shift, light, focus, background along the divider -> reasons, corrections
//! ```
//!
//! Ranges are file frames unless they say otherwise; reasons are on the take clock.

mod alike;
mod background;
mod camera;
mod drawn;
mod focus;
mod kept;
mod light;
mod full_size;
mod look;
mod outline;
mod region;
mod runs;
mod series;
mod weigh;

pub use alike::{Alike, TILES, Tile, alike};
pub use full_size::full_size_map;
pub use look::{Asked, Held, Looked, look};
pub use region::{PatchRegion, patch_region};
pub use weigh::{Shot, Weighed, longest_suffices, weigh};

use crate::error::Faults;
use crate::measure::ruler::Ruler;
use crate::measure::schedule::{Gauge, Row};
use crate::reach::Clocks;
use crate::reason::{Reason, Severity};
use crate::settings::Settings;
use crate::time::{Frame, FrameRange};
use runs::{Seen, Steps};
use std::collections::BTreeMap;

/// A correction that would make a fault disappear, and what would be left of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Correction {
    /// Its name: `follow-motion`, `match-light`.
    pub name: &'static str,
    /// What would still show, in grains.
    pub residual: f64,
}

/// What is asked of one plate for one use.
#[derive(Debug, Clone, Copy)]
pub struct Question<'a> {
    /// Frames the cut shows.
    pub used: FrameRange,
    /// Frames the patch is on.
    pub patched: &'a [FrameRange],
    /// How frames are said.
    pub clocks: &'a Clocks,
    /// Limits.
    pub settings: &'a Settings,
    /// Source pixels for each delivered pixel.
    pub per_delivered: f64,
}

/// What one plate is worth for one use.
#[derive(Debug, Clone, Default)]
pub struct Proof {
    /// Everything found, take clock.
    pub reasons: Vec<Reason>,
    /// Corrections the patch needs.
    pub corrections: Vec<Correction>,
    /// What would show without any correction, frame by frame, in grains.
    pub shown: BTreeMap<Frame, f64>,
    /// Movement of the background in the patch over what noise allows.
    pub activity: BTreeMap<Frame, f64>,
    /// Sharpness in the patch against the plate.
    pub sharpness: BTreeMap<Frame, f64>,
}

impl Proof {
    /// Tells whether anything stops a static patch.
    pub fn stops(&self) -> bool {
        self.reasons.iter().any(|reason| reason.severity == Severity::Stop)
    }

    fn note(&mut self, seen: &[Seen]) {
        for one in seen {
            let shown = self.shown.entry(one.frame).or_default();
            *shown = shown.max(one.visibility);
        }
    }
}

/// Holds the patched frames of a use against one plate, along the divider of `region`.
///
/// # Errors
///
/// What was kept in files cannot be read back.
pub fn prove(
    gauge: &Gauge,
    region: &PatchRegion,
    question: &Question<'_>,
) -> Result<Proof, Faults> {
    let mut proof = Proof::default();
    let Some(ruler) = region.ruler(gauge, question) else { return Ok(proof) };
    let case = Case { gauge, region, question, ruler: &ruler };
    camera::judge(&case, &mut proof);
    light::judge(&case, &mut proof);
    let texture =
        focus::judge(&case, &mut proof).and_then(|()| background::judge(&case, &mut proof));
    texture.map_err(|io| {
        Faults::one(
            &gauge.name,
            "",
            format!("what was measured cannot be read back: {io}"),
            "make room in the folder for temporary files and run again",
        )
    })?;
    Ok(proof)
}

/// One plate, one use, one region.
struct Case<'a> {
    gauge: &'a Gauge,
    region: &'a PatchRegion,
    question: &'a Question<'a>,
    ruler: &'a Ruler,
}

impl Case<'_> {
    /// The rows of the patched frames, in order.
    fn rows(&self) -> impl Iterator<Item = &Row> {
        let patched = self.question.patched;
        self.gauge.rows.iter().filter(|row| patched.iter().any(|run| run.holds(row.frame)))
    }

    fn steps(&self) -> Steps {
        let limits = &self.question.settings.visibility;
        Steps { go: limits.go, attention: limits.attention }
    }

    /// Says a frame as people know it.
    fn label(&self, frame: Frame) -> String {
        let in_take = self.question.clocks.from_file(FrameRange::new(frame.0, frame.0 + 1));
        self.question.clocks.label(in_take.start)
    }

    fn in_take(&self, range: FrameRange) -> FrameRange {
        self.question.clocks.from_file(range)
    }
}
