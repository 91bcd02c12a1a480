//! Taking our marks out again, from a file as we wrote it or as a host wrote it anew.

use super::dialect::{as_written, rational_time};
use super::notes::{self, Before, KEY, Mark};
use super::{tracks, walk};
use crate::timeline::json::{Document, Node, NodeId};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

/// Takes everything of ours out of a timeline and returns how many things that were.
///
/// A file as [`super::annotate`] wrote it comes back as it was, byte for byte. From a file
/// that a host wrote anew, whatever carries our metadata key goes:
///
/// - markers and plate tracks;
/// - a plate clip that somebody moved to another track: a gap takes its time there;
/// - the key itself wherever else it stands.
///
/// A plate track on which somebody laid other clips stays, with gaps for ours.
pub fn strip(document: &mut Document) -> usize {
    if document.is_edited()
        && let Ok(written) = Document::parse("", document.write())
    {
        *document = written;
    }
    let plan = Plan::of(document);
    let count = plan.count;
    plan.apply(document);
    count
}

/// What is to go, and what is to come in its place.
#[derive(Debug, Default)]
pub(super) struct Plan {
    removed: BTreeSet<NodeId>,
    replaced: BTreeMap<NodeId, Value>,
    /// Indices that go, for each list that something goes from.
    gone: BTreeMap<NodeId, Vec<usize>>,
    count: usize,
}

impl Plan {
    /// Finds everything of ours.
    pub fn of(document: &Document) -> Plan {
        let mut plan = Plan::default();
        // Nobody writes plain letters as escapes, so a file without the word has no key.
        if memchr::memmem::find(document.bytes(), KEY.as_bytes()).is_none() {
            return plan;
        }
        walk::objects(document.root(), |node| plan.look_at(node));
        for list in plan.removed.iter().filter_map(|id| list_of(document, *id)) {
            plan.gone.entry(list).or_default();
        }
        for (list, gone) in &mut plan.gone {
            let items = document.node(*list).items().enumerate();
            gone.extend(items.filter(|(_, i)| plan.removed.contains(&i.id())).map(|(at, _)| at));
        }
        plan.restore_lists(document);
        plan
    }

    /// Tells whether nothing of ours was found.
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// Sets the edits.
    pub fn apply(self, document: &mut Document) {
        self.removed.into_iter().for_each(|id| document.remove(id));
        self.replaced.into_iter().for_each(|(id, value)| document.replace(id, value));
    }

    /// Returns the pointer a value has once all of ours is gone, from the pointer as read and
    /// all values on its way; `None` if it goes too.
    pub fn moved_pointer(&self, pointer: &str, way: &[NodeId]) -> Option<String> {
        if way.iter().any(|id| self.removed.contains(id) || self.replaced.contains_key(id)) {
            return None;
        }
        let mut moved = String::with_capacity(pointer.len());
        for (step, above) in pointer.split('/').skip(1).zip(way) {
            moved.push('/');
            match (self.gone.get(above), step.parse::<usize>()) {
                (Some(gone), Ok(index)) => {
                    let before = gone.partition_point(|&at| at < index);
                    moved.push_str(&(index - before).to_string());
                }
                _ => moved.push_str(step),
            }
        }
        Some(moved)
    }

    /// Looks at one object; tells whether to look inside.
    fn look_at(&mut self, node: Node<'_>) -> bool {
        let schema = walk::schema(node);
        let schema = schema.as_deref().unwrap_or_default();
        let laid = in_list(node) && !lies_in_track(node);
        if schema == "Track" && laid && is_plate_track(node) && !has_foreign_clip(node) {
            return self.remove(node);
        }
        let Some(note) = notes::on(node) else { return true };
        match schema {
            "Marker" if in_list(node) => self.remove(node),
            "Clip" if notes::says(note, Mark::Plate) && in_list(node) => self.remove_clip(node),
            _ => {
                self.remove(note);
                true
            }
        }
    }

    fn remove(&mut self, node: Node<'_>) -> bool {
        self.count += 1;
        self.removed.insert(node.id());
        false
    }

    /// A clip in a track leaves its time behind; in a stack or a bin nothing moves up.
    fn remove_clip(&mut self, clip: Node<'_>) -> bool {
        let above = clip.parent().and_then(Node::parent);
        match duration(clip).filter(|_| lies_in_track(clip)) {
            Some(duration) => {
                self.count += 1;
                let full = above.and_then(walk::full_schema);
                let old = full.is_some_and(|schema| schema.starts_with("Sequence"));
                let gap = tracks::gap(if old { "Filler.1" } else { "Gap.1" }, duration);
                self.replaced.insert(clip.id(), gap);
                false
            }
            None => self.remove(clip),
        }
    }

    /// Where ours made a list of markers and nothing else is left in it, it goes back to
    /// what it was.
    fn restore_lists(&mut self, document: &Document) {
        let lists: Vec<NodeId> = self.gone.keys().copied().collect();
        for list in lists {
            let list = document.node(list);
            if list.key().as_deref() != Some("markers") {
                continue;
            }
            if !list.items().all(|item| self.removed.contains(&item.id())) {
                continue;
            }
            let before = list.items().filter_map(notes::on).map(Before::read);
            match before.into_iter().find(|before| *before != Before::List) {
                Some(Before::Null) => {
                    self.replaced.insert(list.id(), Value::Null);
                }
                Some(Before::Nothing) => {
                    self.removed.insert(list.id());
                }
                _ => {}
            }
        }
    }
}

fn in_list(node: Node<'_>) -> bool {
    node.parent().is_some_and(walk::is_list)
}

/// Tells whether a track holds this value. Plate tracks lie in a stack; one inside a track
/// is somebody's own, and only our key goes from it.
fn lies_in_track(node: Node<'_>) -> bool {
    let above = node.parent().and_then(Node::parent);
    above.and_then(walk::schema).as_deref() == Some("Track")
}

fn list_of(document: &Document, id: NodeId) -> Option<NodeId> {
    document.node(id).parent().filter(|parent| walk::is_list(*parent)).map(Node::id)
}

/// Tells whether a track is ours: by its note, or, where a host dropped the notes of tracks,
/// by its name while a clip of ours is on it.
fn is_plate_track(track: Node<'_>) -> bool {
    if notes::on(track).is_some() {
        return true;
    }
    let name = track.get("name").and_then(Node::text);
    name.is_some_and(|name| tracks::is_plate_track_name(&name)) && items(track).any(is_plate_clip)
}

fn has_foreign_clip(track: Node<'_>) -> bool {
    items(track).any(|item| {
        let schema = walk::schema(item);
        !matches!(schema.as_deref(), Some("Gap" | "Transition")) && !is_plate_clip(item)
    })
}

fn is_plate_clip(item: Node<'_>) -> bool {
    notes::on(item).is_some_and(|note| notes::says(note, Mark::Plate))
}

fn items(track: Node<'_>) -> impl Iterator<Item = Node<'_>> {
    track.get("children").into_iter().flat_map(Node::items)
}

/// Returns the time a clip takes in its track.
fn duration(clip: Node<'_>) -> Option<Value> {
    let own = clip.get("source_range").filter(|range| !range.is_null());
    let duration = own.or_else(|| available_range(clip))?.get("duration")?;
    let number = |key: &str| as_written(duration.get(key)?);
    Some(rational_time(number("rate")?, number("value")?))
}

/// Returns the `available_range` of the active media reference.
pub(super) fn available_range(clip: Node<'_>) -> Option<Node<'_>> {
    let active = clip.get("active_media_reference_key").and_then(Node::text);
    let active = active.as_deref().unwrap_or("DEFAULT_MEDIA");
    let reference = match clip.get("media_references") {
        Some(references) => references.get(active)?,
        None => clip.get("media_reference")?,
    };
    reference.get("available_range").filter(|range| !range.is_null())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pointers_count_without_what_goes() {
        let text = r#"{"list":[{"OTIO_SCHEMA":"Track.1","metadata":{"platesmith":0}},[7],
            {"OTIO_SCHEMA":"Marker.2","metadata":{"platesmith":0}},[8,9]]}"#;
        let document = Document::parse("x", text.into()).expect("a document");
        let plan = Plan::of(&document);
        let mut resolver = super::super::pointers::Resolver::new(&document);
        let mut moved = |pointer: &str| {
            plan.moved_pointer(pointer, &resolver.resolve(pointer).expect("a value"))
        };
        assert_eq!(moved("/list/1/0").as_deref(), Some("/list/0/0"));
        assert_eq!(moved("/list/3/1").as_deref(), Some("/list/1/1"));
        assert_eq!(moved("/list/0"), None);
        assert_eq!(moved("/list/2/metadata"), None);
        assert_eq!(moved("").as_deref(), Some(""));
    }
}
