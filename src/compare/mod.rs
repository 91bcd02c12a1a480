//! What a recut changes: the uses of two cuts matched by media and range, and which renders
//! of the old one still hold.

mod pairing;
mod side;

pub use side::{Shown, Side};

use crate::error::Faults;
use crate::settings::Settings;
use crate::time::FrameRange;
use pairing::pairs;
use serde::Serialize;
use std::collections::BTreeMap;
use std::path::Path;

/// The version of the layout of a comparison.
pub const SCHEMA: &str = "platesmith.comparison/1";

/// What became of a use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// The same frames at the same speed.
    Unchanged,
    /// Other frames, all of them among those that were rendered with handles.
    InsidePlate,
    /// Frames beyond those that were rendered with handles.
    LongerThanPlate,
    /// As many frames from elsewhere in the take, not all of them rendered.
    Slipped,
    /// Another speed.
    Retimed,
    /// Not in the old cut.
    New,
    /// Not in the new cut.
    Gone,
}

impl Change {
    /// Every change, in the order they are shown.
    pub const ALL: [Change; 7] = [
        Change::Unchanged,
        Change::InsidePlate,
        Change::LongerThanPlate,
        Change::Slipped,
        Change::Retimed,
        Change::New,
        Change::Gone,
    ];

    /// Returns the word used in files.
    pub fn word(self) -> &'static str {
        match self {
            Change::Unchanged => "unchanged",
            Change::InsidePlate => "inside-plate",
            Change::LongerThanPlate => "longer-than-plate",
            Change::Slipped => "slipped",
            Change::Retimed => "retimed",
            Change::New => "new",
            Change::Gone => "gone",
        }
    }

    /// Returns the words shown to people.
    pub fn shown(self) -> &'static str {
        match self {
            Change::Unchanged => "unchanged",
            Change::InsidePlate => "trimmed, inside the plate",
            Change::LongerThanPlate => "longer than the plate",
            Change::Slipped => "slipped",
            Change::Retimed => "another speed",
            Change::New => "new",
            Change::Gone => "gone",
        }
    }
}

/// One end of a pair, as the cut has it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct End {
    /// JSON pointer of the clip in its timeline.
    pub pointer: String,
    /// Its frames in the cut.
    pub range_in_cut: FrameRange,
    /// The frames it shows, clip clock; null if its speed is not known.
    pub used_in_clip: Option<FrameRange>,
    /// Its speed as a fraction; null if not known.
    pub speed: Option<String>,
}

/// What became of one use.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Changed {
    /// What became of it.
    pub change: Change,
    /// The shot's name: of the old turnover, else of a marker, else the clip's.
    pub shot: String,
    /// The clip's name.
    pub clip: String,
    /// In the old cut.
    pub old: Option<End>,
    /// In the new cut.
    pub new: Option<End>,
    /// Frames that the new use shows more than the old before its first, clip frames; fewer
    /// if negative.
    pub head_frames: i64,
    /// The same after its last.
    pub tail_frames: i64,
    /// Frames that the new use shows before those rendered with handles.
    pub beyond_head: u64,
    /// The same after them.
    pub beyond_tail: u64,
    /// The verdict it had, if the old side is a turnover.
    pub verdict: Option<String>,
    /// Whether what was rendered for it still holds; null if nothing was.
    pub render_holds: Option<bool>,
    /// The plate that was rendered for it.
    pub plate: Option<String>,
    /// Hash of all that decided what is in that plate.
    pub render_id: Option<String>,
}

/// Two cuts held against each other.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// Layout version, [`SCHEMA`].
    pub schema: &'static str,
    /// Name of the old cut.
    pub old: String,
    /// Name of the new cut.
    pub new: String,
    /// How many of each change.
    pub totals: BTreeMap<&'static str, usize>,
    /// Uses in the order of the new cut, then those that are gone.
    pub uses: Vec<Changed>,
}

impl Comparison {
    /// Returns 1 if something that was rendered no longer holds, or a use is new, longer,
    /// slipped or retimed; else 0.
    pub fn exit_code(&self) -> u8 {
        let holds = |one: &Changed| {
            matches!(one.change, Change::Unchanged | Change::InsidePlate | Change::Gone)
                && (one.render_holds != Some(false) || one.change == Change::Gone)
        };
        u8::from(!self.uses.iter().all(holds))
    }
}

/// Holds two cuts against each other; each is a timeline or the folder of a turnover.
/// `settings` gives the handles where the old side is a timeline.
///
/// # Errors
///
/// A side that cannot be read.
pub fn compare(old: &Path, new: &Path, settings: &Settings) -> Result<Comparison, Faults> {
    let (old, new) = std::thread::scope(|hands| {
        let other = hands.spawn(|| Side::read(new, settings));
        let old = Side::read(old, settings);
        (old, other.join().unwrap_or_else(|died| std::panic::resume_unwind(died)))
    });
    Ok(compared(&old?, &new?))
}

/// Holds two sides against each other.
pub fn compared(old: &Side, new: &Side) -> Comparison {
    let pairs = pairs(&old.uses, &new.uses);
    let mut is_kept = vec![false; old.uses.len()];
    let mut uses: Vec<Changed> = Vec::with_capacity(new.uses.len());
    for (at, now) in new.uses.iter().enumerate() {
        let before = pairs[at].map(|at| {
            is_kept[at] = true;
            &old.uses[at]
        });
        uses.push(changed(before, Some(now)));
    }
    let gone = old.uses.iter().zip(&is_kept).filter(|(_, kept)| !**kept);
    uses.extend(gone.map(|(before, _)| changed(Some(before), None)));
    let mut totals: BTreeMap<&str, usize> =
        Change::ALL.iter().map(|change| (change.word(), 0)).collect();
    for one in &uses {
        *totals.entry(one.change.word()).or_default() += 1;
    }
    Comparison { schema: SCHEMA, old: old.name.clone(), new: new.name.clone(), totals, uses }
}

fn changed(old: Option<&Shown>, new: Option<&Shown>) -> Changed {
    let ranges = (old.and_then(|old| old.used), new.and_then(|new| new.used));
    let (head, tail) = match ranges {
        (Some(old), Some(new)) => {
            (old.start.0.saturating_sub(new.start.0), new.end.0.saturating_sub(old.end.0))
        }
        _ => (0, 0),
    };
    let beyond = |side: fn(FrameRange, FrameRange) -> FrameRange| match (old, ranges.1) {
        (Some(Shown { need: Some(need), .. }), Some(used)) => side(*need, used).count().0,
        _ => 0,
    };
    let beyond_head =
        beyond(|need, used| FrameRange::new(used.start.0, need.start.0.min(used.end.0)));
    let beyond_tail =
        beyond(|need, used| FrameRange::new(need.end.0.max(used.start.0), used.end.0));
    let is_longer = beyond_head > 0 || beyond_tail > 0;
    let change = match (old, new) {
        (Some(old), Some(new)) => kind(old, new, is_longer),
        (None, _) => Change::New,
        (_, None) => Change::Gone,
    };
    let rendered = old.filter(|old| old.plate.is_some());
    let as_shot = |shown: &Shown| shown.speed.as_deref() == Some("1");
    let holds = |old: &Shown| match change {
        Change::Unchanged => true,
        // A plate at record speed has no handles.
        Change::InsidePlate => as_shot(old),
        _ => false,
    };
    let either = old.or(new);
    Changed {
        change,
        shot: either.map_or(String::new(), |one| one.shot.clone()),
        clip: new.or(old).map_or(String::new(), |one| one.clip.clone()),
        old: old.map(Shown::end),
        new: new.map(Shown::end),
        head_frames: head,
        tail_frames: tail,
        beyond_head,
        beyond_tail,
        verdict: old.and_then(|old| old.verdict.clone()),
        render_holds: rendered.map(holds),
        plate: old.and_then(|old| old.plate.clone()),
        render_id: old.and_then(|old| old.render_id.clone()),
    }
}

fn kind(old: &Shown, new: &Shown, is_longer: bool) -> Change {
    let length = |shown: &Shown| shown.used.map(|used| used.count());
    if old.speed != new.speed {
        Change::Retimed
    } else if old.span == new.span && old.used == new.used {
        Change::Unchanged
    } else if !is_longer && new.used.is_some() && old.need.is_some() {
        Change::InsidePlate
    } else if length(old) == length(new) {
        Change::Slipped
    } else {
        Change::LongerThanPlate
    }
}
