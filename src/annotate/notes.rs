//! What stands under our one metadata key, so that anyone can tell our marks from others
//! and rebuild a plate without this program.

use super::Marked;
use super::dialect::object;
use crate::findings::{PlateSummary, UseFinding};
use crate::timeline::json::Node;
use serde_json::{Map, Value, json};

/// The metadata key that marks everything of ours.
pub const KEY: &str = "platesmith";

/// The version of what stands under the key.
const LAYOUT: i64 = 1;

/// What one of our things is; the text under `mark`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mark {
    Marker,
    Plate,
    Track,
}

impl Mark {
    fn word(self) -> &'static str {
        match self {
            Mark::Marker => "marker",
            Mark::Plate => "plate",
            Mark::Track => "track",
        }
    }
}

/// What stood in the place of a list of markers before ours came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Before {
    List,
    Null,
    Nothing,
}

impl Before {
    fn word(self) -> Option<&'static str> {
        match self {
            Before::List => None,
            Before::Null => Some("null"),
            Before::Nothing => Some("nothing"),
        }
    }

    /// Reads what a marker of ours says about its list.
    pub fn read(note: Node<'_>) -> Before {
        match note.get("markers_were").and_then(Node::text).as_deref() {
            Some("null") => Before::Null,
            Some("nothing") => Before::Nothing,
            _ => Before::List,
        }
    }
}

/// Returns our note on an object, whatever it holds.
pub(super) fn on(node: Node<'_>) -> Option<Node<'_>> {
    node.get("metadata")?.get(KEY)
}

/// Tells whether a note says it stands on such a thing.
pub(super) fn says(note: Node<'_>, mark: Mark) -> bool {
    note.get("mark").and_then(Node::text).as_deref() == Some(mark.word())
}

/// Writes the metadata of a marker.
pub(super) fn marker(marked: &Marked<'_>, before: Before, with_plate: bool) -> Value {
    let mut note = start(Mark::Marker);
    found(&mut note, marked.finding);
    if let Some(word) = before.word() {
        note.insert("markers_were".into(), word.into());
    }
    if with_plate {
        plate_map(&mut note, marked.finding);
    }
    metadata(note)
}

/// Writes the metadata of a plate clip: the verdict, and all that is needed to build the
/// plate again.
pub(super) fn plate(marked: &Marked<'_>) -> Value {
    let mut note = start(Mark::Plate);
    found(&mut note, marked.finding);
    plate_map(&mut note, marked.finding);
    metadata(note)
}

/// Writes the metadata of a plate track.
pub(super) fn track() -> Value {
    metadata(start(Mark::Track))
}

fn start(mark: Mark) -> Map<String, Value> {
    let mut note = Map::with_capacity(7);
    note.insert("layout".into(), LAYOUT.into());
    note.insert("mark".into(), mark.word().into());
    note
}

fn metadata(note: Map<String, Value>) -> Value {
    object([(KEY, note.into())])
}

fn found(note: &mut Map<String, Value>, finding: &UseFinding) {
    note.insert("shot".into(), finding.shot.clone().into());
    note.insert("verdict".into(), finding.verdict.word().into());
    if !finding.corrections.is_empty() {
        note.insert("corrections".into(), finding.corrections.clone().into());
    }
}

fn plate_map(note: &mut Map<String, Value>, finding: &UseFinding) {
    let Some(plate) = &finding.plate else { return };
    note.insert("plate".into(), without_nulls(plate));
    if let Some(need) = finding.need_in_take {
        note.insert("need_in_take".into(), json!([need.start.0, need.end.0]));
    }
    if let Some(rate) = finding.take_rate {
        note.insert("take_rate".into(), rate.to_string().into());
    }
}

/// Writes a plate as in the findings, but without empty members: hosts differ in what they
/// make of null.
fn without_nulls(plate: &PlateSummary) -> Value {
    fn clean(value: &mut Value) {
        if let Value::Object(members) = value {
            members.retain(|_, value| !value.is_null());
            members.values_mut().for_each(clean);
        }
    }
    let mut value = serde_json::to_value(plate).unwrap_or_default();
    clean(&mut value);
    value
}
