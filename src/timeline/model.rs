//! The parts of a timeline that decide what is seen when: items with their ranges, speeds
//! and transitions. Everything else stays in the document.

use super::faults::Collector;
use super::json::{Kind as Json, Node};
use super::pace::{self, Pace};
use super::ratio::Ratio;
use super::times::{self, Range, schema};
use crate::time::Rate;

/// Something that takes time in a track or a stack.
#[derive(Debug)]
pub(super) struct Item<'d> {
    pub node: Node<'d>,
    pub kind: Kind<'d>,
    pub enabled: bool,
    /// True if this program put it there.
    pub ours: bool,
    /// Own time shown at its first instant, in seconds.
    pub start: Ratio,
    /// Length in its parent's time, in seconds; never negative.
    pub duration: Ratio,
    /// Rate of its range.
    pub rate: Option<Rate>,
    /// False for a nest whose length is only that of what is inside.
    pub trimmed: bool,
    /// False if it has no range that could be read; it is then never a use.
    pub readable: bool,
    pub pace: Pace,
    /// Names of the effects that are none of time.
    pub effects: Vec<String>,
    /// True with any effect, of time or not.
    pub has_effects: bool,
}

/// What an item is.
#[derive(Debug)]
pub(super) enum Kind<'d> {
    Clip,
    Gap,
    /// A track or a stack.
    Nest(Nest<'d>),
    /// A schema this program does not know.
    Unknown,
}

/// A composition.
#[derive(Debug)]
pub(super) struct Nest<'d> {
    pub is_track: bool,
    /// True for anything but an audio track.
    pub is_picture: bool,
    pub children: Vec<Child<'d>>,
    /// Length of what is inside, in seconds.
    pub content: Ratio,
    /// The record time an edit list starts at, in seconds, if that is what its
    /// `source_range` means.
    pub record_start: Option<Ratio>,
}

/// An item at its place.
#[derive(Debug)]
pub(super) struct Child<'d> {
    /// Its number among `children`, transitions counted.
    pub index: usize,
    pub item: Item<'d>,
    /// Its first instant in the parent's time.
    pub position: Ratio,
    /// The transition before it.
    pub before: Transition,
    /// The transition after it.
    pub after: Transition,
}

/// How long a transition lasts before and after the cut it lies on, in seconds.
#[derive(Debug, Clone)]
pub(super) struct Transition {
    pub in_offset: Ratio,
    pub out_offset: Ratio,
}

impl Transition {
    const NONE: Transition = Transition { in_offset: Ratio::ZERO, out_offset: Ratio::ZERO };
}

impl<'d> Child<'d> {
    /// Puts an item at the start, without transitions.
    pub fn at_zero(index: usize, item: Item<'d>) -> Child<'d> {
        let (before, after) = (Transition::NONE, Transition::NONE);
        Child { index, item, position: Ratio::ZERO, before, after }
    }
}

/// The metadata key of everything this program writes into a timeline.
pub(super) const OURS: &str = "platesmith";

/// Tells whether an object carries this program's own metadata.
pub(super) fn is_ours(node: Node<'_>) -> bool {
    node.get("metadata").is_some_and(|metadata| metadata.get(OURS).is_some())
}

/// Tells whether a track holds this object. Plate tracks are never laid into a track: one
/// that is found there is somebody's own, whatever its metadata say.
fn lies_in_track(node: Node<'_>) -> bool {
    let above = node.parent().and_then(Node::parent).and_then(schema);
    matches!(above.as_deref(), Some("Track" | "Sequence"))
}

/// Returns the active media reference of a clip, its key first. Version 1 clips have one
/// reference only.
pub(super) fn active_reference<'d>(clip: Node<'d>) -> Option<(String, Node<'d>)> {
    if let Some(references) = clip.get("media_references") {
        let key = clip.get("active_media_reference_key").and_then(Node::text);
        let key = key.unwrap_or("DEFAULT_MEDIA".into());
        let found = references.get(&key).filter(|node| node.kind() == Json::Object)?;
        return Some((key.into_owned(), found));
    }
    let only = clip.get("media_reference").filter(|node| node.kind() == Json::Object)?;
    Some(("DEFAULT_MEDIA".into(), only))
}

/// Reads an item and all below it; `at` is where the collector's path stands.
pub(super) fn item<'d>(node: Node<'d>, faults: &mut Collector<'_>) -> Item<'d> {
    let name = schema(node);
    let kind = match name.as_deref() {
        Some("Clip") => Kind::Clip,
        Some("Gap" | "Filler") => Kind::Gap,
        Some("Track" | "Sequence") => Kind::Nest(nest(node, true, faults)),
        Some("Stack") => Kind::Nest(nest(node, false, faults)),
        _ => Kind::Unknown,
    };
    let effects = pace::effects(node);
    let mut item = Item {
        node,
        kind,
        enabled: node.get("enabled").and_then(Node::boolean) != Some(false),
        ours: false,
        start: Ratio::ZERO,
        duration: Ratio::ZERO,
        rate: None,
        trimmed: false,
        readable: true,
        pace: effects.pace,
        effects: effects.others,
        has_effects: effects.any,
    };
    item.ours = matches!(name.as_deref(), Some("Track" | "Sequence"))
        && is_ours(node)
        && !lies_in_track(node);
    measure(&mut item, faults);
    item
}

/// Finds out where an item starts and how long it is.
fn measure(item: &mut Item<'_>, faults: &mut Collector<'_>) {
    match times::range_of(item.node, "source_range") {
        Some(Ok(range)) => item.set(range, faults),
        Some(Err(broken)) => match &item.kind {
            Kind::Nest(nest) => {
                let content = nest.content.clone();
                faults.add(item.node, &format!("{}; it is shown untrimmed", broken.why));
                item.duration = broken.duration.unwrap_or(content);
            }
            _ => {
                item.readable = false;
                item.duration = broken.duration.clone().unwrap_or(Ratio::ZERO);
                let known = broken.duration.is_some();
                faults.add(item.node, &(broken.why + if known { "" } else { COUNTS_AS_NOTHING }));
            }
        },
        None => without_range(item, faults),
    }
}

/// What a length that cannot be known means for the rest of the track.
const COUNTS_AS_NOTHING: &str =
    "; it counts as 0 frames long, so what follows on its track may lie later than shown";

fn without_range(item: &mut Item<'_>, faults: &mut Collector<'_>) {
    match &item.kind {
        Kind::Nest(nest) => item.duration = nest.content.clone(),
        Kind::Clip => {
            let reference = active_reference(item.node).map(|(_, node)| node);
            match reference.and_then(|node| times::range_of(node, "available_range")) {
                Some(Ok(range)) => {
                    item.set(range, faults);
                }
                Some(Err(broken)) => {
                    item.readable = false;
                    let known = broken.duration.is_some();
                    item.duration = broken.duration.unwrap_or(Ratio::ZERO);
                    let why = format!("no source_range, and its media's {}", broken.why);
                    faults.add(item.node, &(why + if known { "" } else { COUNTS_AS_NOTHING }));
                }
                None => {
                    item.readable = false;
                    let why = "no source_range, and its media no available_range";
                    faults.add(item.node, &format!("{why}{COUNTS_AS_NOTHING}"));
                }
            }
        }
        Kind::Gap | Kind::Unknown => {
            item.readable = false;
            faults.add(item.node, &format!("no source_range{COUNTS_AS_NOTHING}"));
        }
    }
}

impl Item<'_> {
    fn set(&mut self, range: Range, faults: &mut Collector<'_>) {
        self.rate = Some(range.rate);
        if range.duration.is_negative() {
            self.readable = false;
            let length = crate::time::exact_text(&range.frames().exact());
            let why = format!("a negative length of {length} frames{COUNTS_AS_NOTHING}");
            faults.add(self.node, &why);
            return;
        }
        if let Kind::Nest(nest) = &mut self.kind
            && nest.is_track
            && range.start.is_negative()
            && &range.start + &range.duration <= Ratio::ZERO
            && !nest.content.is_zero()
        {
            // Nothing of the track lies in its range: an edit list left its record start
            // there with the sign turned.
            nest.record_start = Some(-&range.start);
            self.duration = nest.content.clone();
            return;
        }
        self.trimmed = true;
        self.start = range.start;
        self.duration = range.duration;
    }
}

fn nest<'d>(node: Node<'d>, is_track: bool, faults: &mut Collector<'_>) -> Nest<'d> {
    let kind = node.get("kind").and_then(Node::text);
    let is_picture = !is_track || !kind.is_some_and(|kind| kind.eq_ignore_ascii_case("audio"));
    let mut nest = Nest {
        is_track,
        is_picture,
        children: Vec::new(),
        content: Ratio::ZERO,
        record_start: None,
    };
    let Some(children) = node.get("children") else {
        faults.add(node, "no children");
        return nest;
    };
    if children.kind() != Json::Array && !children.is_null() {
        let found = children.kind().word();
        faults.add(node, &format!("{found} where its children should be listed"));
        return nest;
    }
    faults.quietly(!is_picture, |faults| {
        faults.below("children", |faults| {
            if is_track {
                in_turn(&mut nest, children, faults)
            } else {
                stacked(&mut nest, children, faults)
            }
        });
    });
    nest
}

/// Lays the children of a track one after the other.
fn in_turn<'d>(nest: &mut Nest<'d>, children: Node<'d>, faults: &mut Collector<'_>) {
    let mut position = Ratio::ZERO;
    // What the last child was, if it was a transition.
    let mut pending: Option<Transition> = None;
    // A child is large, and tracks are long: a list that grows by itself would touch three
    // times the memory.
    nest.children.reserve_exact(children.items().count());
    for (index, node) in children.items().enumerate() {
        faults.below_index(index, |faults| {
            if schema(node).as_deref() == Some("Transition") {
                let transition = transition(node, faults);
                match nest.children.last_mut() {
                    Some(last) => last.after = transition.clone(),
                    None => nest.content = transition.in_offset.clone(),
                }
                pending = Some(transition);
                return;
            }
            let Some(item) = checked_item(node, faults) else { return };
            let start = position.clone();
            position = &position + &item.duration;
            let before = pending.take().unwrap_or(Transition::NONE);
            let after = Transition::NONE;
            nest.children.push(Child { index, item, position: start, before, after });
        });
    }
    let tail = pending.map_or(Ratio::ZERO, |transition| transition.out_offset);
    nest.content = &(&nest.content + &position) + &tail;
}

/// Lays the children of a stack over each other. Tracks of edit lists keep their distance
/// in record time; the earliest is at the start.
fn stacked<'d>(nest: &mut Nest<'d>, children: Node<'d>, faults: &mut Collector<'_>) {
    for (index, node) in children.items().enumerate() {
        faults.below_index(index, |faults| {
            let Some(item) = checked_item(node, faults) else { return };
            nest.children.push(Child::at_zero(index, item));
        });
    }
    let earliest = nest.children.iter().filter_map(record_start).min().cloned();
    if let Some(earliest) = earliest {
        nest.move_records(&earliest);
    }
    nest.content = nest.end();
}

fn record_start<'a>(child: &'a Child<'_>) -> Option<&'a Ratio> {
    match &child.item.kind {
        Kind::Nest(nest) => nest.record_start.as_ref(),
        _ => None,
    }
}

impl Nest<'_> {
    /// Puts tracks of edit lists where they lie if the stack starts at `zero` in record
    /// time.
    fn move_records(&mut self, zero: &Ratio) {
        for child in &mut self.children {
            if let Some(start) = record_start(child) {
                child.position = start - zero;
            }
        }
    }

    fn end(&self) -> Ratio {
        let ends = self.children.iter().map(|child| &child.position + &child.item.duration);
        ends.max().unwrap_or(Ratio::ZERO)
    }

    /// Lets the stack start at the timeline's own start if no edit list starts before it;
    /// returns the record time it starts at, if that is known.
    pub fn start_records_at(&mut self, global_start: Option<&Ratio>) -> Option<Ratio> {
        let earliest = self.children.iter().filter_map(record_start).min().cloned()?;
        let zero = global_start.filter(|start| **start <= earliest).cloned().unwrap_or(earliest);
        self.move_records(&zero);
        self.content = self.end();
        Some(zero)
    }
}

fn checked_item<'d>(node: Node<'d>, faults: &mut Collector<'_>) -> Option<Item<'d>> {
    if node.kind() != Json::Object || schema(node).is_none() {
        let found = if node.kind() == Json::Object {
            "an object without OTIO_SCHEMA"
        } else {
            node.kind().word()
        };
        faults.add_plain(&format!("{found} where a clip should be{COUNTS_AS_NOTHING}"));
        return None;
    }
    Some(item(node, faults))
}

fn transition(node: Node<'_>, faults: &mut Collector<'_>) -> Transition {
    if node.get("enabled").and_then(Node::boolean) == Some(false) {
        return Transition::NONE;
    }
    let mut offset = |key: &str| match times::time_of(node, key) {
        Some(Ok(time)) if !time.seconds.is_negative() => time.seconds,
        Some(Ok(_)) => {
            faults.add(node, &format!("a negative {key}; it counts as none"));
            Ratio::ZERO
        }
        Some(Err(why)) => {
            faults.add(node, &format!("{key} that cannot be read ({why}); it counts as none"));
            Ratio::ZERO
        }
        None => {
            faults.add(node, &format!("no {key}; it counts as none"));
            Ratio::ZERO
        }
    };
    Transition { in_offset: offset("in_offset"), out_offset: offset("out_offset") }
}

/// Returns the rate of the first item with a range, looking into nests.
pub(super) fn first_rate(nest: &Nest<'_>) -> Option<Rate> {
    nest.children.iter().find_map(|child| match (&child.item.kind, child.item.rate) {
        (_, Some(rate)) => Some(rate),
        (Kind::Nest(inner), None) => first_rate(inner),
        _ => None,
    })
}
