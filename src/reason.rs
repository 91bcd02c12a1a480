//! One fact about a shot: its measure, the limit it met or missed, a sentence.

use crate::time::FrameRange;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// How much a reason weighs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Worth knowing; changes nothing.
    Note,
    /// Somebody should look; the verdict stands.
    Attention,
    /// A static patch cannot work here.
    Stop,
}

/// What a reason is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs, reason = "the names are the words of the trade; `sentence` explains each")]
pub enum Code {
    HandlesShort,
    BoomInHandles,
    OutsideLockOff,
    CameraMoved,
    UnsteadyPicture,
    LockOffUnproven,
    FocusChanged,
    Parallax,
    LightChanged,
    EncodingDoubtful,
    BackgroundMoving,
    NoDivider,
    DividerCrossed,
    NoPlate,
    PlateShort,
    PlateFarInTime,
    PlateNotAlike,
    LogAndPictureDisagree,
    StartTimecodeDisagrees,
    AmbiguousRecord,
    MediaMissing,
    MediaUnreadable,
    SpeedUnknown,
    ResolutionMargin,
    ReframeUnread,
    OutOfFrame,
    BoomWithoutLog,
    Interlaced,
    BurnInInPatch,
}

impl Code {
    /// Says it in a few words, for a line that must be read at a glance.
    pub fn short(self) -> &'static str {
        match self {
            Code::HandlesShort => "handles short",
            Code::BoomInHandles => "boom in the handles",
            Code::OutsideLockOff => "outside the lock-off",
            Code::CameraMoved => "camera moved",
            Code::UnsteadyPicture => "picture not steady",
            Code::LockOffUnproven => "lock-off not proven",
            Code::FocusChanged => "focus moved",
            Code::Parallax => "camera stands elsewhere",
            Code::LightChanged => "light changed",
            Code::EncodingDoubtful => "encoding doubtful",
            Code::BackgroundMoving => "background moves",
            Code::NoDivider => "actor crosses the boom",
            Code::DividerCrossed => "actor touches the shadow",
            Code::NoPlate => "no plate",
            Code::PlateShort => "plate short",
            Code::PlateFarInTime => "plate far off in time",
            Code::PlateNotAlike => "plate not alike",
            Code::LogAndPictureDisagree => "log and picture disagree",
            Code::StartTimecodeDisagrees => "timecode disagrees",
            Code::AmbiguousRecord => "several records fit",
            Code::MediaMissing => "media missing",
            Code::MediaUnreadable => "media cannot be read",
            Code::SpeedUnknown => "speed unknown",
            Code::ResolutionMargin => "too few pixels for delivery",
            Code::ReframeUnread => "reframed in the cut",
            Code::OutOfFrame => "boom outside the delivered frame",
            Code::BoomWithoutLog => "boom nobody noted",
            Code::Interlaced => "interlaced",
            Code::BurnInInPatch => "burn-in in the patch",
        }
    }
}

impl std::fmt::Display for Code {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match serde_json::to_value(self) {
            Ok(serde_json::Value::String(text)) => f.write_str(&text),
            _ => Err(std::fmt::Error),
        }
    }
}

/// One fact about a use.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema))]
pub struct Reason {
    /// What it is about.
    pub code: Code,
    /// How much it weighs.
    pub severity: Severity,
    /// The frames concerned, on the take clock; `None` if it holds for the whole use.
    pub range_in_take: Option<FrameRange>,
    /// The measured or claimed value.
    pub value: Option<f64>,
    /// The unit of `value` and `limit`: `frames`, `px`, `percent`, `s`.
    pub unit: Option<Cow<'static, str>>,
    /// The limit it met or missed, in `unit`.
    pub limit: Option<f64>,
    /// One plain sentence with the figures in it.
    pub text: String,
}

impl Reason {
    /// Makes a reason without range or figures.
    pub fn new(code: Code, severity: Severity, text: impl Into<String>) -> Reason {
        Reason {
            code,
            severity,
            range_in_take: None,
            value: None,
            unit: None,
            limit: None,
            text: text.into(),
        }
    }

    /// Says which frames of the take it is about.
    pub fn over(mut self, range_in_take: FrameRange) -> Reason {
        self.range_in_take = Some(range_in_take);
        self
    }

    /// Adds the value, its unit and the limit it was held against.
    pub fn measured(mut self, value: f64, unit: &'static str, limit: Option<f64>) -> Reason {
        self.value = Some(value);
        self.unit = Some(Cow::Borrowed(unit));
        self.limit = limit;
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_written_as_in_the_lists() {
        assert_eq!(Code::BurnInInPatch.to_string(), "burn-in-in-patch");
        assert_eq!(Code::LockOffUnproven.to_string(), "lock-off-unproven");
        assert_eq!(Code::StartTimecodeDisagrees.to_string(), "start-timecode-disagrees");
    }
}
