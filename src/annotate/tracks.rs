//! Plates on tracks of their own, each over the cut range of its use.

use super::dialect::{Dialect, object, time_range};
use super::urls::{folder_url, url};
use super::{LaidPlate, Marked, Options, PlateClips, PlateMedia, notes, walk};
use crate::error::BadInput;
use crate::time::{FrameRange, whole};
use crate::timeline::json::{Document, Node, NodeId};
use serde_json::{Map, Value};

/// The name of the first plate track; the others count on from 2.
const NAME: &str = "plates";

/// Lays all plates into the stack of a timeline.
pub(super) fn write(
    document: &mut Document,
    tracks: NodeId,
    marked: &[&Marked<'_>],
    options: &Options,
    dialect: &Dialect,
    faults: &mut Vec<BadInput>,
) {
    if options.plates == PlateClips::None {
        return;
    }
    let mut clips = Vec::new();
    for &one in marked {
        let Some(plate) = &one.plate else { continue };
        match too_short(one, plate, options) {
            Some(fault) => faults.push(fault),
            None if one.used.range_in_cut.is_empty() => {}
            None => clips.push((one.used.range_in_cut, one, plate)),
        }
    }
    let Some(children) = document.node(tracks).get("children") else { return };
    let index = place(children, options.plates);
    let children = children.id();
    for (number, lane) in lanes(clips).into_iter().enumerate() {
        let track = track(number, &lane, options, dialect);
        document.insert_item(children, index, track);
    }
}

/// Tells whether a plate track bears this name.
pub(super) fn is_plate_track_name(name: &str) -> bool {
    name.strip_prefix(NAME).is_some_and(|rest| {
        rest.is_empty()
            || rest.strip_prefix(' ').is_some_and(|number| number.parse::<u32>().is_ok())
    })
}

fn too_short(marked: &Marked<'_>, plate: &LaidPlate, options: &Options) -> Option<BadInput> {
    let shown = shown(marked, plate);
    (!plate.available.contains(shown)).then(|| {
        BadInput::new(
            &options.file,
            &marked.used.pointer,
            format!(
                "the plate \"{}\" holds frames {}, the cut shows {shown}",
                plate.name, plate.available
            ),
            "render the plate again",
        )
    })
}

/// The frames of the plate the cut shows, on the plate's clock.
fn shown(marked: &Marked<'_>, plate: &LaidPlate) -> FrameRange {
    let count = marked.used.range_in_cut.count().0;
    let count = i64::try_from(count).unwrap_or(i64::MAX);
    FrameRange::new(plate.first_shown, plate.first_shown.saturating_add(count))
}

/// Where plate tracks go among the children of the stack: after the last picture or before
/// the first. Tracks of other kinds keep their place; a stack or a clip that lies there
/// without a track is picture.
fn place(children: Node<'_>, plates: PlateClips) -> usize {
    let mut pictures = children.items().enumerate().filter(|(_, child)| is_picture(*child));
    if plates == PlateClips::Below {
        pictures.next().map_or(0, |(at, _)| at)
    } else {
        pictures.last().map_or(0, |(at, _)| at + 1)
    }
}

fn is_picture(child: Node<'_>) -> bool {
    let kind = child.get("kind").and_then(Node::text);
    walk::schema(child).as_deref() != Some("Track")
        || kind.is_some_and(|kind| kind.eq_ignore_ascii_case("video"))
}

type Laid<'a> = (FrameRange, &'a Marked<'a>, &'a LaidPlate);

/// Spreads clips over as few tracks as hold them without overlap, in record order.
fn lanes<'a>(mut clips: Vec<Laid<'a>>) -> Vec<Vec<Laid<'a>>> {
    clips.sort_by_key(|(range, marked, _)| (range.start, marked.used.track));
    let mut lanes: Vec<Vec<Laid<'a>>> = Vec::new();
    for clip in clips {
        let is_free = |lane: &&mut Vec<Laid<'a>>| {
            lane.last().is_none_or(|(before, ..)| before.end <= clip.0.start)
        };
        match lanes.iter_mut().find(is_free) {
            Some(lane) => lane.push(clip),
            None => lanes.push(vec![clip]),
        }
    }
    lanes
}

fn track(number: usize, lane: &[Laid<'_>], options: &Options, dialect: &Dialect) -> Value {
    let name = if number == 0 { NAME.to_string() } else { format!("{NAME} {}", number + 1) };
    let mut children = Vec::with_capacity(lane.len() * 2);
    let mut at = whole(0);
    for (range, marked, plate) in lane {
        let start = &dialect.origin + whole(range.start.0);
        if start > at {
            children.push(gap(dialect.gap, dialect.cut.time_at(&(&start - &at))));
        }
        at = start + whole(range.end.0.saturating_sub(range.start.0));
        children.push(clip(marked, plate, options, dialect));
    }
    let mut track = item(dialect.track, &name, notes::track(), Value::Null, true);
    track.insert("children".into(), children.into());
    track.insert("kind".into(), "Video".into());
    Value::Object(track)
}

/// Writes a gap that takes the time of `duration`, a `RationalTime`.
pub(super) fn gap(schema: &str, duration: Value) -> Value {
    let mut zero = duration.clone();
    if let Some(value) = zero.get_mut("value") {
        *value = if value.is_f64() { Value::from(0.0) } else { Value::from(0) };
    }
    let range = time_range(zero, duration);
    Value::Object(item(schema, "", Value::Object(Map::new()), range, true))
}

fn item(
    schema: &str,
    name: &str,
    metadata: Value,
    range: Value,
    enabled: bool,
) -> Map<String, Value> {
    // A clip has two members more.
    let mut item = Map::with_capacity(9);
    item.insert("OTIO_SCHEMA".into(), schema.into());
    item.insert("metadata".into(), metadata);
    item.insert("name".into(), name.into());
    item.insert("source_range".into(), range);
    item.insert("effects".into(), Value::Array(Vec::new()));
    item.insert("markers".into(), Value::Array(Vec::new()));
    item.insert("enabled".into(), enabled.into());
    item
}

fn clip(marked: &Marked<'_>, plate: &LaidPlate, options: &Options, dialect: &Dialect) -> Value {
    let style = dialect.cut.at(dialect.cut_rate, plate.rate);
    let length = marked.used.range_in_cut.count().0 as i64;
    let range = time_range(style.time(plate.first_shown), dialect.cut.time(length));
    let schema = if dialect.old_clips { "Clip.1" } else { "Clip.2" };
    let enabled = options.plates != PlateClips::Disabled;
    let mut clip = item(schema, &plain(&plate.name), notes::plate(marked), range, enabled);
    let reference = reference(plate, options, dialect);
    if dialect.old_clips {
        clip.insert("media_reference".into(), reference);
    } else {
        clip.insert("media_references".into(), object([("DEFAULT_MEDIA", reference)]));
        clip.insert("active_media_reference_key".into(), "DEFAULT_MEDIA".into());
    }
    Value::Object(clip)
}

fn reference(plate: &LaidPlate, options: &Options, dialect: &Dialect) -> Value {
    let style = dialect.cut.at(dialect.cut_rate, plate.rate);
    let available = plate.available;
    let count = i64::try_from(available.count().0).unwrap_or(i64::MAX);
    let range = time_range(style.time(available.start.0), style.time(count));
    reference_over(plate, range, options, dialect)
}

/// Writes a reference to media whose `available_range` is `range`.
pub(super) fn reference_over(
    plate: &LaidPlate,
    range: Value,
    options: &Options,
    dialect: &Dialect,
) -> Value {
    let style = dialect.cut.at(dialect.cut_rate, plate.rate);
    let folder = options.folder.as_deref();
    let name = plain(&plate.name);
    let metadata = Value::Object(Map::new());
    match &plate.media {
        PlateMedia::File(path) => object([
            ("OTIO_SCHEMA", "ExternalReference.1".into()),
            ("metadata", metadata),
            ("name", name.into()),
            ("available_range", range),
            ("target_url", url(dialect.urls, path, folder).into()),
        ]),
        PlateMedia::Sequence { folder: images, prefix, suffix, first, padding } => object([
            ("OTIO_SCHEMA", "ImageSequenceReference.1".into()),
            ("metadata", metadata),
            ("name", name.into()),
            ("available_range", range),
            ("target_url_base", folder_url(dialect.urls, images, folder).into()),
            ("name_prefix", prefix.clone().into()),
            ("name_suffix", suffix.clone().into()),
            ("start_frame", (*first).into()),
            ("frame_step", 1.into()),
            ("rate", style.rate()),
            ("frame_zero_padding", (*padding).into()),
            ("missing_frame_policy", "error".into()),
        ]),
    }
}

/// Keeps a generated name to letters every host can take in a file name.
fn plain(name: &str) -> String {
    let keep = |letter: char| letter.is_ascii_alphanumeric() || "._-".contains(letter);
    name.chars().map(|letter| if keep(letter) { letter } else { '_' }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_plate_tracks_bear_their_name() {
        for name in ["plates", "plates 2", "plates 17"] {
            assert!(is_plate_track_name(name), "{name}");
        }
        for name in ["plates ", "plates x", "plates2", "old plates", ""] {
            assert!(!is_plate_track_name(name), "{name}");
        }
    }
}
