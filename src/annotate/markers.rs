//! One marker for each use, on its clip and on the cut.

use super::dialect::{Dialect, TimeStyle, object, time_range};
use super::notes::{self, Before};
use super::strip::available_range;
use super::{Marked, MarkerPlaces, Options, PlateClips};
use crate::error::BadInput;
use crate::marks;
use crate::time::{Exact, Rate, ceil, exact_from_f64, floor, whole};
use crate::timeline::json::{Document, Kind, Node, NodeId};
use crate::timeline::{Speed, Use};
use num_traits::Signed;
use serde_json::Value;

/// Sets the markers of all uses that get one; `tracks` is the stack of the timeline.
pub(super) fn write(
    document: &mut Document,
    tracks: NodeId,
    uses: &[(&Marked<'_>, NodeId)],
    options: &Options,
    dialect: &Dialect,
    faults: &mut Vec<BadInput>,
) {
    let on_cut = List::of(document.node(tracks));
    let mut twins = Vec::new();
    for &(marked, clip) in uses {
        let Some(marker) = Marker::of(marked, options) else { continue };
        let used = marked.used;
        let trimmed = trimmed_node(document.node(clip));
        let trimmed = trimmed.and_then(|range| trimmed_range(range, used.clip_rate));
        if options.markers != MarkerPlaces::Cut {
            let list = List::of(document.node(clip));
            if list.place == Place::Unusable {
                faults.push(no_list(options, &used.pointer));
            } else {
                let range = clip_range(document.node(clip), used, trimmed.as_ref(), dialect);
                let value = marker.value(dialect, list.before(), range, marker.tells_plate);
                list.add(document, vec![value]);
            }
        }
        if options.markers != MarkerPlaces::Clip {
            let at = first_clear_in_cut(used, trimmed.as_ref(), dialect.cut_rate);
            let range = time_range(dialect.in_stack(at), dialect.cut.time(1));
            let tells = marker.tells_plate && options.markers == MarkerPlaces::Cut;
            twins.push(marker.value(dialect, on_cut.before(), range, tells));
        }
    }
    if on_cut.place == Place::Unusable && !twins.is_empty() {
        faults.push(no_list(options, &document.node(tracks).pointer()));
    }
    on_cut.add(document, twins);
}

fn no_list(options: &Options, pointer: &str) -> BadInput {
    BadInput::new(
        &options.file,
        format!("{pointer}/markers"),
        "this is no list, so no marker can be set here",
        "give \"markers\" as a list, or leave it out",
    )
}

/// What a marker says, wherever it is set.
struct Marker<'a> {
    marked: &'a Marked<'a>,
    text: String,
    colour: &'static str,
    /// Tells whether a marker must hold the frame map, because no plate clip does.
    tells_plate: bool,
}

impl<'a> Marker<'a> {
    fn of(marked: &'a Marked<'a>, options: &Options) -> Option<Marker<'a>> {
        Some(Marker {
            marked,
            text: marks::marker_text(marked.finding),
            colour: marks::marker_colour(marked.finding.verdict)?,
            tells_plate: options.plates == PlateClips::None || marked.plate.is_none(),
        })
    }

    fn value(&self, dialect: &Dialect, before: Before, range: Value, with_plate: bool) -> Value {
        let (schema, key) =
            if dialect.old_markers { ("Marker.1", "range") } else { ("Marker.2", "marked_range") };
        object([
            ("OTIO_SCHEMA", schema.into()),
            ("metadata", notes::marker(self.marked, before, with_plate)),
            ("name", self.text.clone().into()),
            ("color", self.colour.into()),
            (key, range),
            ("comment", self.text.clone().into()),
        ])
    }
}

/// The `markers` member of an object, there or not.
struct List {
    owner: NodeId,
    place: Place,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Place {
    List(NodeId),
    Null(NodeId),
    Nothing,
    Unusable,
}

impl List {
    fn of(owner: Node<'_>) -> List {
        let place = match owner.get("markers") {
            None => Place::Nothing,
            Some(list) => match list.kind() {
                Kind::Array => Place::List(list.id()),
                Kind::Null => Place::Null(list.id()),
                _ => Place::Unusable,
            },
        };
        List { owner: owner.id(), place }
    }

    fn before(&self) -> Before {
        match self.place {
            Place::Null(_) => Before::Null,
            Place::Nothing => Before::Nothing,
            Place::List(_) | Place::Unusable => Before::List,
        }
    }

    /// Puts markers after those that are there.
    fn add(&self, document: &mut Document, markers: Vec<Value>) {
        if markers.is_empty() {
            return;
        }
        match self.place {
            Place::List(list) => {
                let end = document.node(list).items().count();
                markers.into_iter().for_each(|one| document.insert_item(list, end, one));
            }
            Place::Null(null) => document.replace(null, Value::Array(markers)),
            Place::Nothing => {
                document.insert_member(self.owner, "markers", Value::Array(markers));
            }
            Place::Unusable => {}
        }
    }
}

/// Writes the one frame a clip's marker marks, in clip time, inside the trimmed range: a
/// marker outside is drawn elsewhere or lost (seen in hosts).
fn clip_range(
    clip: Node<'_>,
    used: &Use,
    trimmed: Option<&(Exact, Exact)>,
    dialect: &Dialect,
) -> Value {
    let at = used.first_clear_in_clip.unwrap_or_else(|| floor(&used.media_start));
    let start = trimmed_node(clip).and_then(|range| range.get("start_time"));
    let style = start.and_then(|start| TimeStyle::of(start, used.clip_rate));
    let style = style.unwrap_or_else(|| dialect.cut.at(dialect.cut_rate, used.clip_rate));
    let start = match trimmed {
        None => style.time(at),
        Some((start, end)) => {
            let (first, last) = (ceil(start), floor(&(end - whole(1))));
            if first <= last {
                style.time(at.clamp(first, last))
            } else {
                // Less than one whole frame is in it: the marker stands at its start.
                style.time_at(start)
            }
        }
    };
    time_range(start, style.time(1))
}

fn trimmed_node(clip: Node<'_>) -> Option<Node<'_>> {
    let own = clip.get("source_range").filter(|range| !range.is_null());
    own.or_else(|| available_range(clip))
}

/// Reads a `TimeRange` as start and end in frames of `rate`.
fn trimmed_range(range: Node<'_>, rate: Rate) -> Option<(Exact, Exact)> {
    let frames = |key: &str| {
        let time = range.get(key)?;
        let own = Rate::from_f64(time.get("rate")?.number()?)?;
        Some(rate.rescale(&exact_from_f64(time.get("value")?.number()?)?, own))
    };
    let start = frames("start_time")?;
    let end = &start + frames("duration")?;
    Some((start, end))
}

/// Returns the first cut frame of a use that is clear of transitions.
fn first_clear_in_cut(used: &Use, trimmed: Option<&(Exact, Exact)>, cut_rate: Rate) -> i64 {
    let range = used.range_in_cut;
    let last = range.end.0.saturating_sub(1).max(range.start.0);
    let at = clear_after(used, trimmed).map(|after| &used.record.start + after);
    let at = at.map(|at| ceil(&cut_rate.frames_in(&at)));
    at.unwrap_or(range.start.0).clamp(range.start.0, last)
}

/// Returns how many seconds after the start of its record time a use is clear.
///
/// Clip time runs at speed 1 from the start of the trimmed range, whatever the effects. So
/// where record time is as long as that range, the way is the same on both clocks. Where
/// nests cut the clip or change its speed, the media tells how far into the clip the record
/// time begins.
fn clear_after(used: &Use, trimmed: Option<&(Exact, Exact)>) -> Option<Exact> {
    let clear = whole(used.first_clear_in_clip?);
    let record = &used.record.end - &used.record.start;
    if let Some((start, end)) = trimmed
        && used.clip_rate.seconds(&(end - start)) == record
    {
        return Some(used.clip_rate.seconds(&(clear - start)));
    }
    match &used.speed {
        Speed::Constant(speed) if speed.is_positive() => {
            Some(used.clip_rate.seconds(&(clear - &used.media_start)) / speed)
        }
        _ => None,
    }
}
