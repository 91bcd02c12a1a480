//! The cut itself, with other media in place of those of some clips.

use super::dialect::{Dialect, TimeStyle, time_range};
use super::pointers::Resolver;
use super::tracks::reference_over;
use super::{LaidPlate, Options, walk};
use crate::error::{BadInput, Faults};
use crate::time::{Exact, Rate};
use crate::timeline::Use;
use crate::timeline::json::{Document, Kind, Node, NodeId};
use serde_json::Value;
use std::collections::BTreeMap;

/// One use and the media it is to show.
#[derive(Debug, Clone)]
pub struct Swap<'a> {
    /// The use.
    pub used: &'a Use,
    /// Its new media.
    pub media: LaidPlate,
    /// Where they lie on the clip clock, in frames of [`Use::clip_rate`]: start and length.
    pub in_clip: (Exact, Exact),
}

/// Puts other media in place of the active media reference of each use, and changes nothing
/// else: ranges, effects, transitions and metadata stay byte for byte.
///
/// The new `available_range` is on the clip's own clock, so `source_range` goes on meaning
/// the same frames. `timeline` and `cut_rate` as for [`super::annotate`].
///
/// # Errors
///
/// A fault for each use that could not be given its media: no clip at its pointer, or one
/// clip that is seen more than once and would need more than one. All others are given.
pub fn swap_media(
    document: &mut Document,
    timeline: &str,
    cut_rate: Rate,
    swaps: &[Swap<'_>],
    options: &Options,
) -> Result<(), Faults> {
    let Some(tracks) = document.at(&format!("{timeline}/tracks")).map(|tracks| tracks.id()) else {
        let fault = "there is no Timeline with tracks here";
        return Err(Faults::one(&options.file, timeline, fault, "give a file with a Timeline"));
    };
    let dialect = Dialect::of(document, tracks, cut_rate);
    let mut faults = Vec::new();
    let mut by_clip: BTreeMap<&str, &Swap<'_>> = BTreeMap::new();
    for swap in swaps {
        let first = *by_clip.entry(&swap.used.pointer).or_insert(swap);
        if first.media != swap.media {
            faults.push(BadInput::new(
                &options.file,
                &swap.used.pointer,
                format!(
                    "this clip is seen more than once and can show only {}, not {} too",
                    first.media.name, swap.media.name
                ),
                "lay the other temp comp into the cut by hand",
            ));
        }
    }
    let mut edits = Vec::new();
    let mut resolver = Resolver::new(document);
    for (pointer, swap) in by_clip {
        let clip = resolver.resolve(pointer).and_then(|steps| steps.last().copied());
        let clip =
            clip.filter(|clip| walk::schema(document.node(*clip)).as_deref() == Some("Clip"));
        match clip
            .map(|clip| Edit::of(document, clip, value(document, clip, swap, (options, &dialect))))
        {
            Some(edit) => edits.push(edit),
            None => faults.push(BadInput::new(
                &options.file,
                pointer,
                "no clip is here to show a temp comp",
                "review this timeline again",
            )),
        }
    }
    edits.into_iter().for_each(|edit| edit.make(document));
    if faults.is_empty() { Ok(()) } else { Err(Faults(faults)) }
}

/// Writes the reference to the new media.
fn value(
    document: &Document,
    clip: NodeId,
    swap: &Swap<'_>,
    (options, dialect): (&Options, &Dialect),
) -> Value {
    let rate = swap.used.clip_rate;
    let start = document.node(clip).get("source_range").and_then(|range| range.get("start_time"));
    let style = start.and_then(|start| TimeStyle::of(start, rate));
    let style = style.unwrap_or_else(|| dialect.cut.at(dialect.cut_rate, rate));
    let range = time_range(style.time_at(&swap.in_clip.0), style.time_at(&swap.in_clip.1));
    let mut reference = reference_over(&swap.media, range, options, dialect);
    // The raster is the take's, so the picture stays where the host has laid it.
    let bounds = active(document.node(clip)).and_then(|old| old.get("available_image_bounds"));
    let bounds = bounds.and_then(|bounds| serde_json::from_slice(bounds.raw()).ok());
    if let (Some(bounds), Some(members)) = (bounds, reference.as_object_mut()) {
        members.insert("available_image_bounds".into(), bounds);
    }
    reference
}

/// The active media reference of a clip.
fn active(clip: Node<'_>) -> Option<Node<'_>> {
    match clip.get("media_references") {
        Some(list) => list.get(&active_key(clip)),
        None => clip.get("media_reference"),
    }
}

fn active_key(clip: Node<'_>) -> String {
    let key = clip.get("active_media_reference_key").and_then(|key| key.text());
    key.map_or_else(|| "DEFAULT_MEDIA".to_string(), |key| key.into_owned())
}

/// One edit that gives a clip its reference.
enum Edit {
    Replace(NodeId, Value),
    Insert(NodeId, String, Value),
}

impl Edit {
    /// Finds where the active reference of a clip stands.
    fn of(document: &Document, clip: NodeId, reference: Value) -> Edit {
        let node = document.node(clip);
        let old = walk::full_schema(node).as_deref() == Some("Clip.1");
        let several = node.get("media_references");
        if old || several.is_none() && node.get("media_reference").is_some() {
            return match node.get("media_reference") {
                Some(there) => Edit::Replace(there.id(), reference),
                None => Edit::Insert(clip, "media_reference".into(), reference),
            };
        }
        let key = active_key(node);
        match several {
            Some(list) if list.kind() == Kind::Object => match list.get(&key) {
                Some(there) => Edit::Replace(there.id(), reference),
                None => Edit::Insert(list.id(), key, reference),
            },
            Some(null) => Edit::Replace(null.id(), only(key, reference)),
            None => Edit::Insert(clip, "media_references".into(), only(key, reference)),
        }
    }

    fn make(self, document: &mut Document) {
        match self {
            Edit::Replace(at, value) => document.replace(at, value),
            Edit::Insert(object, key, value) => document.insert_member(object, &key, value),
        }
    }
}

fn only(key: String, reference: Value) -> Value {
    Value::Object(serde_json::Map::from_iter([(key, reference)]))
}
