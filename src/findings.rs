//! What came out of a review, in the shape of `findings.json`. Everything that is given
//! back (timeline, lists, report, exit code) is drawn from this and from nothing else.

use crate::error::BadInput;
use crate::measure::picture_map::Fitted;
pub use crate::plate::Method;
pub use crate::reach::Claims;
use crate::reason::{Reason, Severity};
use crate::settings::Settings;
use crate::time::{FrameRange, Rate};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::collections::BTreeMap;

/// The version of the layout of `findings.json`.
pub const SCHEMA: &str = "platesmith.findings/1";

/// What is thought of one use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// No boom in the used frames.
    Clear,
    /// A plate as long as need reaches all patched frames.
    Plate,
    /// A shorter plate reaches all patched frames and is looped.
    Loop,
    /// A plate from another take of the set-up.
    Borrow,
    /// A few clean frames, averaged and held.
    Still,
    /// A plate put together from the boom's own movement.
    Gather,
    /// A static patch cannot work.
    ByHand,
    /// It cannot be told without a person.
    Undecided,
    /// In no log.
    Unlisted,
    /// Never seen in the cut.
    Covered,
}

impl Verdict {
    /// Every verdict, in the order they are shown.
    pub const ALL: [Verdict; 10] = [
        Verdict::Clear,
        Verdict::Plate,
        Verdict::Loop,
        Verdict::Borrow,
        Verdict::Still,
        Verdict::Gather,
        Verdict::ByHand,
        Verdict::Undecided,
        Verdict::Unlisted,
        Verdict::Covered,
    ];

    /// Returns the word used in files: `by-hand`.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Clear => "clear",
            Verdict::Plate => "plate",
            Verdict::Loop => "loop",
            Verdict::Borrow => "borrow",
            Verdict::Still => "still",
            Verdict::Gather => "gather",
            Verdict::ByHand => "by-hand",
            Verdict::Undecided => "undecided",
            Verdict::Unlisted => "unlisted",
            Verdict::Covered => "covered",
        }
    }

    /// Returns the words shown to people: `BY HAND (VFX)`.
    pub fn shown(self) -> &'static str {
        match self {
            Verdict::Clear => "NO BOOM",
            Verdict::Plate => "PLATE",
            Verdict::Loop => "LOOPED PLATE",
            Verdict::Borrow => "PLATE FROM ANOTHER TAKE",
            Verdict::Still => "HELD FRAME",
            Verdict::Gather => "BUILT PLATE",
            Verdict::ByHand => "BY HAND (VFX)",
            Verdict::Undecided => "NEEDS A LOOK",
            Verdict::Unlisted => "NOT IN LOG",
            Verdict::Covered => "COVERED",
        }
    }

    /// Tells whether a plate is made for it.
    pub fn has_plate(self) -> bool {
        matches!(
            self,
            Verdict::Plate | Verdict::Loop | Verdict::Borrow | Verdict::Still | Verdict::Gather
        )
    }

    /// Tells whether the use is in a log.
    pub fn is_listed(self) -> bool {
        self != Verdict::Unlisted
    }
}

/// On what a verdict rests.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Basis {
    /// The log alone.
    Claim,
    /// The pixels alone.
    Measure,
    /// Both.
    Both,
}

/// The cut as a whole.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct CutSummary {
    /// The timeline's name.
    pub name: String,
    /// The cut rate.
    pub rate: Rate,
    /// Length in cut frames.
    pub frames: u64,
    /// The label of the first frame, if the timeline has a `global_start_time`.
    pub start_timecode: Option<String>,
}

/// The take a use was matched to, as the log names it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Default)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[allow(missing_docs, reason = "headings of the plate log")]
pub struct TakeName {
    pub scene: Option<String>,
    pub slate: Option<String>,
    pub take: Option<String>,
    pub camera: Option<String>,
    pub roll: Option<String>,
    pub clip: Option<String>,
}

/// How a use was matched.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, Default)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct MatchSummary {
    /// The clues that spoke for the record, strongest first.
    pub clues: Vec<String>,
    /// How many records were equally good.
    pub candidates: usize,
}

/// The media of a use.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct MediaSummary {
    /// Path relative to its media folder, or the file name.
    pub file: String,
    /// Frame rate.
    pub rate: Rate,
    /// Label of file frame 0, if the file has timecode.
    pub start_timecode: Option<String>,
    /// Width in pixels.
    pub width: u32,
    /// Height in pixels.
    pub height: u32,
    /// Transfer encoding as tagged, `unknown` if untagged.
    pub encoding: String,
}

/// What kind of picture a verdict was measured on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
#[allow(missing_docs, reason = "the words of the trade")]
pub enum PictureKind {
    Proxy,
    Original,
    Assist,
}

/// The plate chosen for a use, and how it is laid out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct PlateSummary {
    /// File the plate frames come from, relative.
    pub source_file: Option<String>,
    /// The other take it comes from; `None` for the take itself.
    pub from_take: Option<TakeName>,
    /// The plate frames, on the clock of the take they come from.
    pub range_in_take: FrameRange,
    /// Copied or encoded; `None` where nothing was planned on media.
    pub method: Option<Method>,
    /// Why it was encoded, if it was.
    pub encode_reason: Option<String>,
    /// Hash of all that decides what is in the plate file: media, map, corrections, encoding.
    pub render_id: Option<String>,
    /// What the plate file could not carry, in sentences.
    pub notes: Vec<String>,
    /// How it turns.
    pub turns: crate::settings::Turns,
    /// How often the plate is run through.
    pub passes: u64,
    /// Runs `[first, last, step]` of file frames, both ends included.
    pub map: Option<Vec<[i64; 3]>>,
    /// Output frames `[a, b)` that were rendered to ease a turn.
    pub eases: Vec<[i64; 2]>,
    /// What its turns show, where the plate was watched.
    pub turning: Option<TurningSummary>,
    /// The new grain of a held frame or of eased turns, once it is rendered.
    pub grain: Option<GrainSummary>,
    /// The plate file, relative to the output folder.
    pub file: Option<String>,
    /// The record-time twin for retimed uses, relative to the output folder.
    pub record_file: Option<String>,
}

/// What the turns of a loop show.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema), schemars(deny_unknown_fields))]
pub struct TurningSummary {
    /// What the worst turn shows against what nature does there: 95th percentile of the
    /// second differences of blocks in the patch, at the turn and about it.
    #[cfg_attr(test, schemars(with = "Option<f64>"))]
    pub visibility: f64,
    /// What it may show.
    pub limit: f64,
    /// Whether nothing moves in the patch.
    pub at_rest: bool,
    /// Frames over which the course of eased turns is smoothed: plate frame k lies at the
    /// mean, weighed after Tukey (flat over the middle half, cosines on either side), of the
    /// map's frames k - (window - 1) / 2 to k + (window - 1) / 2. Before its first frame the
    /// map is carried on straight, after its last as the loop goes on.
    pub window: Option<u64>,
}

/// New grain, held against the take's.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema), schemars(deny_unknown_fields))]
pub struct GrainSummary {
    /// File frames `[a, b)` that were averaged under it, of a held frame.
    pub averaged: Option<[i64; 2]>,
    /// Its standard deviation over that of the take's.
    pub level: f64,
    /// Its correlation with that one frame on.
    pub lag_1: f64,
    /// Its correlation with that two frames on.
    pub lag_2: f64,
}

/// A repositioning that hides the boom.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[allow(missing_docs, reason = "scale factor, and shift in delivery pixels")]
pub struct Reposition {
    #[cfg_attr(test, schemars(with = "Option<f64>"))]
    pub scale: f64,
    #[cfg_attr(test, schemars(with = "Option<f64>"))]
    pub dx: f64,
    #[cfg_attr(test, schemars(with = "Option<f64>"))]
    pub dy: f64,
}

/// A point of the picture in source pixels, x right and y down from the upper left corner.
pub type Point = [f64; 2];

/// The border between boom and actors.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct DividerSummary {
    /// The patch region it closes, corner by corner; of several parts the largest.
    pub polygon: Vec<Point>,
    /// All parts of the region, and holes in them.
    pub outlines: Vec<Vec<Point>>,
    /// Smallest distance from boom or shadow to anything that moves, in source pixels; null
    /// if nothing else is in frame.
    pub clearance_px: Option<f64>,
}

/// Everything found out about one use.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct UseFinding {
    /// The shot's name in all outputs.
    pub shot: String,
    /// The clip's name in the cut.
    pub clip: String,
    /// JSON pointer of the clip in the timeline as read.
    pub pointer: String,
    /// The clip's frames in the cut, without transition overhang.
    pub range_in_cut: FrameRange,
    /// Constant speed as a fraction; `None` if it cannot be computed.
    pub speed: Option<String>,
    /// The matched take.
    pub take: Option<TakeName>,
    /// How it was matched.
    #[serde(rename = "match")]
    pub matched: MatchSummary,
    /// The media, if found.
    pub media: Option<MediaSummary>,
    /// What kind of picture was measured.
    pub picture: Option<PictureKind>,
    /// Where the proxy's picture lies in the full-size media, if the shot was finished.
    pub picture_map: Option<Fitted>,
    /// Frame rate of the take clock.
    pub take_rate: Option<Rate>,
    /// Used frames, take clock.
    pub used_in_take: Option<FrameRange>,
    /// Needed frames, take clock.
    pub need_in_take: Option<FrameRange>,
    /// Used frames with boom, take clock.
    pub affected_in_take: Vec<FrameRange>,
    /// Frames the patch is on, take clock.
    pub patched_in_take: Vec<FrameRange>,
    /// Used frames, file clock.
    pub used_in_file: Option<FrameRange>,
    /// Needed frames, file clock.
    pub need_in_file: Option<FrameRange>,
    /// What the log claims about the take, take clock: for the ruler of the take.
    pub claims: Claims,
    /// The verdict.
    pub verdict: Verdict,
    /// Corrections the verdict needs.
    pub corrections: Vec<String>,
    /// What would still show with each of them, in grains: the predicted residual.
    pub residuals: Vec<f64>,
    /// What the verdict rests on.
    pub basis: Basis,
    /// The plate, if one is to be made.
    pub plate: Option<PlateSummary>,
    /// The divider between boom and actors, if the pictures were measured and show one.
    pub divider: Option<DividerSummary>,
    /// The matte file, relative to the output folder; null where no region was measured or no
    /// plate rendered.
    pub matte: Option<String>,
    /// A map of the pixels that no frame of the take shows free of the boom, white, relative to
    /// the output folder; null unless that is why no plate can be built.
    pub never_free: Option<String>,
    /// The temp comp, relative to the output folder; null where there is no matte.
    pub temp_comp: Option<String>,
    /// The review copy, relative to the output folder; null where there is no temp comp or none
    /// is wanted.
    pub review: Option<String>,
    /// The smallest reposition that hides the boom.
    pub reposition: Option<Reposition>,
    /// All reasons, in order of severity, then code, then range.
    pub reasons: Vec<Reason>,
}

impl UseFinding {
    /// Returns the decisive reason: the first of the gravest.
    pub fn decisive(&self) -> Option<&Reason> {
        self.reasons.iter().rev().max_by_key(|reason| reason.severity)
    }
}

/// A log record no use was matched to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct UnusedRecord {
    /// As the log names it.
    pub take: TakeName,
    /// File and place in the log.
    pub origin: String,
    /// Shots that come nearest, with what spoke against each.
    pub nearest: Vec<String>,
}

/// Everything a review found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Findings {
    /// The version of this layout.
    #[cfg_attr(test, schemars(extend("const" = SCHEMA)))]
    pub schema: Cow<'static, str>,
    /// The cut.
    pub cut: CutSummary,
    /// Every limit used.
    pub settings: Settings,
    /// Number of uses, and of each verdict.
    #[cfg_attr(test, schemars(schema_with = "crate::schemas::totals"))]
    pub totals: BTreeMap<String, usize>,
    /// The uses in order of track, then record time.
    pub uses: Vec<UseFinding>,
    /// Records without a use.
    pub unused_records: Vec<UnusedRecord>,
    /// Faults in files.
    pub faults: Vec<BadInput>,
}

impl Findings {
    /// Returns the exit code: 2 for faults, 1 if a listed use needs a person, else 0.
    pub fn exit_code(&self) -> u8 {
        if !self.faults.is_empty() {
            return 2;
        }
        let needs_a_person = |found: &UseFinding| {
            found.verdict.is_listed()
                && (matches!(found.verdict, Verdict::ByHand | Verdict::Undecided)
                    || found.reasons.iter().any(|reason| reason.severity >= Severity::Attention))
        };
        u8::from(self.uses.iter().any(needs_a_person))
    }

    /// Counts uses by verdict, with `uses` for all of them; every verdict is named.
    pub fn count(uses: &[UseFinding]) -> BTreeMap<String, usize> {
        let mut totals: BTreeMap<String, usize> =
            Verdict::ALL.iter().map(|verdict| (verdict.word().to_string(), 0)).collect();
        for found in uses {
            *totals.entry(found.verdict.word().to_string()).or_default() += 1;
        }
        totals.insert("uses".into(), uses.len());
        totals
    }
}
