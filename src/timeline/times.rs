//! Schemas, times and ranges as the timeline writes them.

use super::json::{Kind, Node};
use super::ratio::Ratio;
use crate::error::shown;
use crate::time::Rate;
use std::borrow::Cow;

/// Returns the schema of an object without its version.
pub(super) fn schema<'d>(node: Node<'d>) -> Option<Cow<'d, str>> {
    let text = node.get("OTIO_SCHEMA")?.text()?;
    let end = text.find('.').unwrap_or(text.len());
    Some(match text {
        Cow::Borrowed(text) => Cow::Borrowed(&text[..end]),
        Cow::Owned(text) => Cow::Owned(text[..end].to_string()),
    })
}

/// A time as written: a number of frames at a rate.
#[derive(Debug, Clone)]
pub(super) struct Time {
    pub seconds: Ratio,
    pub rate: Rate,
}

/// A range as written.
#[derive(Debug, Clone)]
pub(super) struct Range {
    /// First instant in seconds.
    pub start: Ratio,
    /// Length in seconds; may be negative.
    pub duration: Ratio,
    /// Rate of `start`.
    pub rate: Rate,
}

impl Range {
    pub fn frames(&self) -> Ratio {
        &self.duration * &Ratio::rate(self.rate)
    }
}

/// A range that cannot be read.
#[derive(Debug)]
pub(super) struct Broken {
    /// Its length in seconds, if at least that is known.
    pub duration: Option<Ratio>,
    /// What is wrong, as in "a source_range without duration".
    pub why: String,
}

/// Reads a range; `None` if it is absent or null.
pub(super) fn range_of(node: Node<'_>, key: &str) -> Option<Result<Range, Broken>> {
    let range = node.get(key).filter(|range| !range.is_null())?;
    let part = |part: &str| time_of(range, part).unwrap_or_else(|| Err(format!("no {part}")));
    let (start, duration) = (part("start_time"), part("duration"));
    let duration = match duration {
        Ok(duration) => duration.seconds,
        Err(why) => {
            return Some(Err(Broken { duration: None, why: format!("{key} with {why}") }));
        }
    };
    Some(match start {
        Ok(start) => Ok(Range { start: start.seconds, duration, rate: start.rate }),
        Err(why) => {
            let duration = (!duration.is_negative()).then_some(duration);
            Err(Broken { duration, why: format!("{key} with {why}") })
        }
    })
}

/// Reads a time; `None` if it is absent or null.
pub(super) fn time_of(node: Node<'_>, key: &str) -> Option<Result<Time, String>> {
    let time = node.get(key).filter(|time| !time.is_null())?;
    Some(read_time(time).map_err(|why| format!("{key} {why}")))
}

fn read_time(time: Node<'_>) -> Result<Time, String> {
    if time.kind() != Kind::Object {
        return Err(format!("of {}", as_read(time)));
    }
    let number = |key: &str| {
        let node = time.get(key).ok_or_else(|| format!("without {key}"))?;
        node.number().ok_or_else(|| format!("of {key} {}", as_read(node)))
    };
    let (value, rate) = (number("value")?, number("rate")?);
    let rate = Rate::from_f64(rate).ok_or_else(|| format!("of rate {}", text(time, "rate")))?;
    let frames =
        Ratio::from_f64(value).ok_or_else(|| format!("of value {}", text(time, "value")))?;
    Ok(Time { seconds: &frames * &Ratio::frame(rate), rate })
}

fn text(time: Node<'_>, key: &str) -> String {
    time.get(key).map(as_read).unwrap_or_default()
}

/// Shows a value as it was read, shortened.
pub(super) fn as_read(node: Node<'_>) -> String {
    shown(&String::from_utf8_lossy(node.raw()), 40)
}
