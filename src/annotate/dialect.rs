//! How the input says things: which generation of schemas, numbers with or without a
//! point, what its media URLs look like. Ours is said the same way.

use super::urls::UrlStyle;
use super::walk;
use crate::time::{Exact, Rate, exact_from_f64, floor, whole};
use crate::timeline::json::{Document, Node, NodeId};
use num_traits::ToPrimitive;
use serde_json::{Map, Value};

/// The manner of one file.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Dialect {
    /// `Marker.1` with `range`, or `Marker.2` with `marked_range`.
    pub old_markers: bool,
    /// `Clip.1` with one `media_reference`, or `Clip.2` with several.
    pub old_clips: bool,
    /// The schema of a track.
    pub track: &'static str,
    /// The schema of a gap.
    pub gap: &'static str,
    /// What media URLs look like.
    pub urls: UrlStyle,
    /// The rate of the cut clock.
    pub cut_rate: Rate,
    /// How times on the cut clock are written.
    pub cut: TimeStyle,
    /// The stack's own time at the cut's start, in cut frames: not 0 where the stack itself
    /// is trimmed. Its markers and tracks count from there, so that they stay in sync.
    pub origin: Exact,
}

/// Counts of schemas by generation.
#[derive(Default)]
struct Seen {
    clip_1: bool,
    clip_later: bool,
    marker_1: bool,
    marker_later: bool,
    sequence: bool,
    track: bool,
    filler: bool,
    gap: bool,
}

impl Dialect {
    /// Reads the manner of a document; `tracks` is the stack of its timeline.
    pub fn of(document: &Document, tracks: NodeId, cut_rate: Rate) -> Dialect {
        let tracks = document.node(tracks);
        let start = tracks.parent().and_then(|timeline| timeline.get("global_start_time"));
        let mut cut = start.and_then(|start| TimeStyle::of(start, cut_rate));
        let mut any_time = None;
        let mut seen = Seen::default();
        let mut urls = super::urls::Tally::default();
        walk::parts(document.root(), |node| {
            let Some(schema) = walk::full_schema(node) else { return };
            match schema.as_ref() {
                "RationalTime.1" => {
                    any_time = any_time.or(Some(node));
                    if cut.is_none() {
                        cut = TimeStyle::of(node, cut_rate);
                    }
                }
                "TimeRange.1" => {}
                "ExternalReference.1" => urls.count(node.get("target_url")),
                "ImageSequenceReference.1" => urls.count(node.get("target_url_base")),
                other => seen.note(other),
            }
        });
        Dialect {
            old_markers: !seen.marker_later && (seen.marker_1 || seen.sequence && !seen.track),
            old_clips: seen.clip_1 && !seen.clip_later,
            track: if seen.sequence && !seen.track { "Sequence.1" } else { "Track.1" },
            gap: if seen.filler && !seen.gap { "Filler.1" } else { "Gap.1" },
            urls: urls.style(),
            cut_rate,
            origin: origin(tracks, cut_rate).unwrap_or_else(|| whole(0)),
            cut: cut.unwrap_or_else(|| TimeStyle::like(any_time, cut_rate)),
        }
    }
}

impl Dialect {
    /// Writes a time on the cut clock as the stack counts it.
    pub fn in_stack(&self, frames: i64) -> Value {
        self.cut.time_at(&(&self.origin + whole(frames)))
    }
}

fn origin(tracks: Node<'_>, cut_rate: Rate) -> Option<Exact> {
    let start = tracks.get("source_range")?.get("start_time")?;
    let rate = Rate::from_f64(start.get("rate")?.number()?)?;
    Some(cut_rate.rescale(&exact_from_f64(start.get("value")?.number()?)?, rate))
}

impl Seen {
    /// Later versions count as the newest this program writes: a file with `Marker.3` gets
    /// `Marker.2`, which every reader of it knows how to raise.
    ///
    /// `Marker.2` stood beside `Clip.1` for years, so the age of clips says nothing about
    /// markers; the names `Sequence` and `Filler` do.
    fn note(&mut self, schema: &str) {
        let (name, version) = schema.split_once('.').unwrap_or((schema, ""));
        match name {
            "Clip" if version == "1" => self.clip_1 = true,
            "Clip" => self.clip_later = true,
            "Marker" if version == "1" => self.marker_1 = true,
            "Marker" => self.marker_later = true,
            "Sequence" => self.sequence = true,
            "Track" => self.track = true,
            "Filler" => self.filler = true,
            "Gap" => self.gap = true,
            _ => {}
        }
    }
}

/// How a time is written: its rate as read, its value with or without a point.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct TimeStyle {
    rate: Value,
    pointed: bool,
}

impl TimeStyle {
    /// Takes the style of a `RationalTime` if its rate means `rate`.
    pub fn of(time: Node<'_>, rate: Rate) -> Option<TimeStyle> {
        let read = time.get("rate")?;
        if Rate::from_f64(read.number()?) != Some(rate) {
            return None;
        }
        Some(TimeStyle { rate: as_written(read)?, pointed: is_pointed(time.get("value")?) })
    }

    /// Makes the style of `rate` in numbers that look like those of another time.
    pub fn like(time: Option<Node<'_>>, rate: Rate) -> TimeStyle {
        let member = |key: &str| time.and_then(|time| time.get(key));
        let pointed = member("value").is_none_or(is_pointed);
        let whole = rate.den() == 1 && !member("rate").is_none_or(is_pointed);
        let rate = if whole { Value::from(rate.num()) } else { Value::from(rate.as_f64()) };
        TimeStyle { rate, pointed }
    }

    /// Returns the same style at another rate.
    pub fn at(&self, own: Rate, rate: Rate) -> TimeStyle {
        if own == rate {
            return self.clone();
        }
        let whole = self.rate.is_i64() || self.rate.is_u64();
        let whole = whole && rate.den() == 1;
        let rate = if whole { Value::from(rate.num()) } else { Value::from(rate.as_f64()) };
        TimeStyle { rate, pointed: self.pointed }
    }

    /// Returns the rate as it is written.
    pub fn rate(&self) -> Value {
        self.rate.clone()
    }

    /// Writes a `RationalTime` of whole frames.
    pub fn time(&self, frames: i64) -> Value {
        let value = if self.pointed { Value::from(frames as f64) } else { Value::from(frames) };
        self.with_value(value)
    }

    /// Writes a `RationalTime` that may lie between frames.
    pub fn time_at(&self, frames: &Exact) -> Value {
        if frames.is_integer() {
            return self.time(floor(frames));
        }
        self.with_value(Value::from(frames.to_f64().unwrap_or(0.0)))
    }

    fn with_value(&self, value: Value) -> Value {
        rational_time(self.rate.clone(), value)
    }
}

/// Writes an object of known members; thousands are made, so it is made at its full size.
pub(super) fn object<const N: usize>(members: [(&str, Value); N]) -> Value {
    let mut object = Map::with_capacity(N);
    object.extend(members.into_iter().map(|(key, value)| (key.to_string(), value)));
    Value::Object(object)
}

/// Writes a `RationalTime`.
pub(super) fn rational_time(rate: Value, value: Value) -> Value {
    object([("OTIO_SCHEMA", "RationalTime.1".into()), ("rate", rate), ("value", value)])
}

/// Writes a `TimeRange`.
pub(super) fn time_range(start: Value, duration: Value) -> Value {
    object([("OTIO_SCHEMA", "TimeRange.1".into()), ("duration", duration), ("start_time", start)])
}

/// Returns a number such that it is written as it was read: `24` and `24.0` stay apart.
pub(super) fn as_written(number: Node<'_>) -> Option<Value> {
    let text = number.number_text()?;
    if let Ok(whole) = text.parse::<i64>() {
        return Some(Value::from(whole));
    }
    serde_json::Number::from_f64(text.parse().ok()?).map(Value::Number)
}

pub(super) fn is_pointed(number: Node<'_>) -> bool {
    number.number_text().is_none_or(|text| text.contains(['.', 'e', 'E', 'N', 'I']))
}
