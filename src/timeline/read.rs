//! Reads a cut: the file, the timeline in it, and its uses.

use super::bundle::{Bundle, BundleKind, shown_name};
use super::faults::Collector;
use super::json::{Document, Kind as Json, Node, NodeId};
use super::model::{self, Child, Kind};
use super::ratio::Ratio;
use super::times;
use super::used::Use;
use super::walk::{Counted, Walker};
use crate::error::{BadInput, Faults, shown};
use crate::settings::ReverseAnchor;
use crate::time::{Counting, Exact, Frame, Rate};
use std::path::Path;

/// How a cut is to be read.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ReadOptions {
    /// The cut rate, if not as the timeline says.
    pub cut_rate: Option<Rate>,
    /// The name of the timeline to read, if the file holds several.
    pub timeline: Option<String>,
    /// Which reading of a reverse clip is rendered.
    pub reverse_anchor: ReverseAnchor,
}

/// A cut as read: its uses, and the document it was read from.
#[derive(Debug, Clone)]
pub struct Cut {
    /// The file's name without folders.
    pub file: String,
    /// The timeline's name; the file's if it has none.
    pub name: String,
    /// The cut rate; 24 if nothing in the file has a rate.
    pub rate: Rate,
    /// Length in cut frames, rounded up.
    pub frames: u64,
    /// Label of the first frame; drop-frame at 29.97 and 59.94, as the format's own library
    /// writes them, since a timeline does not say.
    pub start_timecode: Option<String>,
    /// Record time of the first frame in seconds: `global_start_time`, or where an edit
    /// list starts.
    pub global_start: Option<Exact>,
    /// The uses in order of track, then record time.
    pub uses: Vec<Use>,
    /// The clip of each use in `document`: finding it by its pointer counts all clips before
    /// it.
    pub nodes: Vec<NodeId>,
    /// What was not judged.
    pub counted: Counted,
    /// Faults of single clips; the others are judged.
    pub faults: Vec<BadInput>,
    /// Everything as read.
    pub document: Document,
    /// JSON pointer of the timeline in the document; `""` is the root.
    pub timeline_pointer: String,
    /// False if the file holds clips but no timeline: it can be checked, not turned over.
    pub is_timeline: bool,
    /// The file or bundle.
    pub bundle: Bundle,
}

impl Cut {
    /// Returns what kind of file the cut came in.
    pub fn kind(&self) -> BundleKind {
        self.bundle.kind()
    }
}

/// Reads a cut from an `.otio` file, an `.otioz` bundle or an `.otiod` folder.
///
/// A file that holds several timelines needs [`ReadOptions::timeline`]. One that holds none
/// but tracks, stacks or clips is read too: each of those then starts at record time zero,
/// on a track of its own.
///
/// # Errors
///
/// Faults of the file as a whole. A fault of one clip is in [`Cut::faults`].
pub fn read_cut(path: &Path, options: &ReadOptions) -> Result<Cut, Faults> {
    let (bundle, bytes) = Bundle::open(path)?;
    let file = shown_name(path);
    let document = Document::parse(&file, bytes).map_err(|fault| in_bundle(fault, &bundle))?;
    let parts = read_document(&file, &document, options)?;
    let (uses, nodes) = parts.uses.into_iter().map(|(used, node)| (*used, node)).unzip();
    Ok(Cut {
        name: if parts.name.is_empty() { file.clone() } else { parts.name },
        file,
        rate: parts.rate,
        frames: parts.frames,
        start_timecode: parts.start_timecode,
        global_start: parts.global_start,
        uses,
        nodes,
        counted: parts.counted,
        faults: parts.faults,
        document,
        timeline_pointer: parts.timeline_pointer,
        is_timeline: parts.is_timeline,
        bundle,
    })
}

fn in_bundle(mut fault: BadInput, bundle: &Bundle) -> BadInput {
    if bundle.kind() != BundleKind::Plain {
        fault.place = format!("content.otio, {}", fault.place);
    }
    fault
}

/// What is read out of a document.
struct Parts {
    name: String,
    rate: Rate,
    frames: u64,
    start_timecode: Option<String>,
    global_start: Option<Exact>,
    uses: Vec<(Box<Use>, NodeId)>,
    counted: Counted,
    faults: Vec<BadInput>,
    timeline_pointer: String,
    is_timeline: bool,
}

fn read_document(file: &str, document: &Document, options: &ReadOptions) -> Result<Parts, Faults> {
    let mut found = Found::default();
    found.look(document.root());
    if found.timelines.is_empty() && found.items.is_empty() {
        return Err(wrong_root(file, document.root()).into());
    }
    match chosen(file, &found, options)? {
        Some(timeline) => read_timeline(file, timeline, options),
        None => Ok(read_items(file, &found.items, options)),
    }
}

/// Timelines and items in a file, in order.
#[derive(Default)]
struct Found<'d> {
    timelines: Vec<Node<'d>>,
    items: Vec<Node<'d>>,
}

impl<'d> Found<'d> {
    /// Looks into collections and lists; the depth of a document is bounded.
    fn look(&mut self, node: Node<'d>) {
        match times::schema(node).as_deref() {
            Some("Timeline") => self.timelines.push(node),
            Some("Clip" | "Track" | "Sequence" | "Stack") => self.items.push(node),
            Some("SerializableCollection" | "SerializeableCollection") => {
                node.get("children")
                    .iter()
                    .flat_map(|list| list.items())
                    .for_each(|n| self.look(n));
            }
            None if node.kind() == Json::Array => node.items().for_each(|item| self.look(item)),
            _ => {}
        }
    }
}

fn name_of(node: Node<'_>) -> String {
    node.get("name").and_then(Node::text).unwrap_or_default().into_owned()
}

/// Chooses the timeline to read; `None` if the file holds only items.
fn chosen<'d>(
    file: &str,
    found: &Found<'d>,
    options: &ReadOptions,
) -> Result<Option<Node<'d>>, BadInput> {
    let names = || {
        let names =
            found.timelines.iter().map(|node| format!("\"{}\"", shown(&name_of(*node), 80)));
        names.collect::<Vec<_>>().join(", ")
    };
    let Some(wanted) = &options.timeline else {
        return match found.timelines.as_slice() {
            [] => Ok(None),
            [only] => Ok(Some(*only)),
            several => {
                let what = format!("{} timelines in one file: {}", several.len(), names());
                Err(BadInput::new(file, "", what, "choose one with --timeline NAME"))
            }
        };
    };
    let mut fitting = found.timelines.iter().filter(|node| name_of(**node) == *wanted);
    let Some(first) = fitting.next() else {
        let what =
            format!("no timeline \"{}\" in the file; it holds {}", shown(wanted, 80), names());
        let remedy = "choose one of these with --timeline NAME";
        let none = format!("no timeline \"{}\" in the file, nor any other", shown(wanted, 80));
        return Err(match found.timelines.is_empty() {
            true => BadInput::new(file, "", none, "leave --timeline out"),
            false => BadInput::new(file, "", what, remedy),
        });
    };
    if fitting.next().is_some() {
        let what = format!("several timelines are called \"{}\"", shown(wanted, 80));
        return Err(BadInput::new(file, "", what, "rename them, or export the one you need"));
    }
    Ok(Some(*first))
}

fn wrong_root(file: &str, root: Node<'_>) -> BadInput {
    let what = match (root.kind(), root.get("OTIO_SCHEMA").and_then(Node::text)) {
        (Json::Object, Some(schema)) => format!("the root is a {}", shown(&schema, 80)),
        (Json::Object, None) => "the root is an object without OTIO_SCHEMA".to_string(),
        (kind, _) => format!("the root is {}", kind.word()),
    };
    let empty = root.kind() == Json::Array || what.contains("SerializableCollection");
    let what = what + if empty { " without a timeline or a clip" } else { ", not a Timeline" };
    BadInput::new(file, "", what, "export the cut as a timeline")
}

fn read_timeline(file: &str, timeline: Node<'_>, options: &ReadOptions) -> Result<Parts, Faults> {
    let pointer = timeline.pointer();
    let tracks = timeline.get("tracks").filter(|tracks| tracks.kind() == Json::Object);
    let Some(tracks) = tracks else {
        let (what, remedy) = ("the timeline has no tracks", "export the cut again");
        return Err(Faults::one(file, pointer, what, remedy));
    };
    let mut faults = Collector::new(file, &pointer);
    let global = match times::time_of(timeline, "global_start_time") {
        Some(Ok(time)) => Some(time),
        Some(Err(why)) => {
            faults.add(timeline, &format!("{why}; the cut is taken to start at zero"));
            None
        }
        None => None,
    };
    let mut item = faults.below("tracks", |faults| model::item(tracks, faults));
    let first_rate = match &item.kind {
        Kind::Nest(nest) => first_picture_rate(nest),
        _ => item.rate,
    };
    let rate = options
        .cut_rate
        .or(global.as_ref().map(|time| time.rate))
        .or(first_rate)
        .unwrap_or(Rate::FILM);
    let mut start = global.map(|time| time.seconds);
    if let Kind::Nest(nest) = &mut item.kind
        && !nest.is_track
    {
        let records = nest.start_records_at(start.as_ref());
        if !item.trimmed {
            item.duration = nest.content.clone();
        }
        start = start.or(records);
    }
    let frames = frames_of(&item.duration, rate);
    faults.enter("tracks");
    let mut walker = Walker::new(rate, options.reverse_anchor, faults);
    walker.root(&Child::at_zero(0, item));
    let start_timecode = start.as_ref().map(|start| {
        let frame = Frame((start * &Ratio::rate(rate)).floor());
        Counting::new(rate, rate.can_drop()).label(frame)
    });
    Ok(Parts {
        name: name_of(timeline),
        rate,
        frames,
        start_timecode,
        global_start: start.map(|start| start.exact()),
        uses: walker.uses,
        counted: walker.counted,
        faults: walker.faults.into_found(),
        timeline_pointer: pointer,
        is_timeline: true,
    })
}

/// The rate of the first enabled video track's first item with a range.
fn first_picture_rate(root: &model::Nest<'_>) -> Option<Rate> {
    root.children.iter().filter(|child| child.item.enabled && !child.item.ours).find_map(|child| {
        match &child.item.kind {
            Kind::Nest(nest) if nest.is_picture => model::first_rate(nest).or(child.item.rate),
            Kind::Nest(_) => None,
            _ => child.item.rate,
        }
    })
}

fn frames_of(duration: &Ratio, rate: Rate) -> u64 {
    u64::try_from((duration * &Ratio::rate(rate)).ceil()).unwrap_or(0)
}

/// Reads items that stand in no timeline, each from record time zero.
fn read_items(file: &str, nodes: &[Node<'_>], options: &ReadOptions) -> Parts {
    let mut faults = Collector::new(file, "");
    let items: Vec<_> = nodes
        .iter()
        .map(|node| {
            let pointer = node.pointer();
            let length = faults.enter_pointer(&pointer);
            let item = model::item(*node, &mut faults);
            faults.leave(length);
            (pointer, item)
        })
        .collect();
    let rate = items.iter().find_map(|(_, item)| match &item.kind {
        Kind::Nest(nest) => item.rate.or(model::first_rate(nest)),
        _ => item.rate,
    });
    let rate = options.cut_rate.or(rate).unwrap_or(Rate::FILM);
    let mut walker = Walker::new(rate, options.reverse_anchor, faults);
    let mut frames = 0;
    for (index, (pointer, item)) in items.into_iter().enumerate() {
        frames = frames.max(frames_of(&item.duration, rate));
        walker.set_track(index);
        let length = walker.faults.enter_pointer(&pointer);
        walker.root(&Child::at_zero(0, item));
        walker.faults.leave(length);
    }
    Parts {
        name: nodes
            .first()
            .filter(|_| nodes.len() == 1)
            .map_or(String::new(), |node| name_of(*node)),
        rate,
        frames,
        start_timecode: None,
        global_start: None,
        uses: walker.uses,
        counted: walker.counted,
        faults: walker.faults.into_found(),
        timeline_pointer: String::new(),
        is_timeline: false,
    }
}
