//! What was found out about one take, before any cut: the shape of `inspect --json`.

use crate::error::BadInput;
use crate::findings::MediaSummary;
use crate::reason::{Reason, Severity};
use crate::time::FrameRange;
use serde::Serialize;

/// The version of the layout.
pub const SCHEMA: &str = "platesmith.inspection/1";

/// What is thought of a take, by the gravest thing found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum TakeVerdict {
    /// It can be patched, or needs no patch.
    Go,
    /// Somebody should look before the set moves on.
    Attention,
    /// It cannot be patched as it is.
    Stop,
}

impl From<Severity> for TakeVerdict {
    fn from(gravest: Severity) -> TakeVerdict {
        match gravest {
            Severity::Note => TakeVerdict::Go,
            Severity::Attention => TakeVerdict::Attention,
            Severity::Stop => TakeVerdict::Stop,
        }
    }
}

pub use crate::findings::{DividerSummary, Point};

/// What was measured frame by frame; one entry for every frame of the file, empty where a
/// frame was not measured. Between two of which not all were, the nearer one's.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Series {
    /// Shift against the plate in pixels, x right, y down; null where it cannot be told.
    pub shift_px: Vec<Option<[f64; 2]>>,
    /// Light against the plate; 1 is equal, null where it cannot be told.
    pub gain: Vec<Option<f64>>,
    /// Movement of the background in the patch, over what noise allows; 1 is the limit.
    pub activity: Vec<Option<f64>>,
    /// Sharpness in the patch against the plate; 1 is equal.
    pub sharpness: Vec<Option<f64>>,
    /// Predicted visible error along the divider, in grains.
    pub visibility: Vec<Option<f64>>,
}

/// Everything found out about one take. Ranges are file frames.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Inspection {
    /// The version of this layout.
    #[cfg_attr(test, schemars(extend("const" = SCHEMA)))]
    pub schema: &'static str,
    /// The file.
    pub media: MediaSummary,
    /// Its frames.
    pub frames: u64,
    /// Every how many of them were held against the plates; plates and boom were looked for in
    /// all.
    pub held_every: u32,
    /// Runs over which the camera did not move.
    pub lock_off: Vec<FrameRange>,
    /// Runs that can serve as plates.
    pub plates: Vec<FrameRange>,
    /// Runs with boom in frame.
    pub boom: Vec<FrameRange>,
    /// Runs that can be used in a cut: without boom, or with one that can be patched.
    pub patchable: Vec<FrameRange>,
    /// Outline of boom and shadow over all frames.
    pub boom_region: Option<Vec<Point>>,
    /// The divider, if there is one.
    pub divider: Option<DividerSummary>,
    /// The gravest thing found.
    pub verdict: TakeVerdict,
    /// What to do about it, in words for a dark set.
    pub remedy: Option<String>,
    /// All reasons, gravest first; their ranges are take frames.
    pub reasons: Vec<Reason>,
    /// Frame by frame, where asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[cfg_attr(test, schemars(with = "Series"))]
    pub series: Option<Series>,
    /// Faults in files.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<BadInput>,
}

impl Inspection {
    /// Returns the exit code: 2 for faults, 1 if the take needs a person, else 0.
    pub fn exit_code(&self) -> u8 {
        if !self.faults.is_empty() { 2 } else { u8::from(self.verdict != TakeVerdict::Go) }
    }
}
