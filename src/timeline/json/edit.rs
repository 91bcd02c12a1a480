//! Edits as splices into the bytes as read. What is inserted and later removed leaves no
//! trace, in whatever layout the file was written.

use super::layout::{is_container, line_indent, outer_start};
use super::{Document, Kind, NodeId};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

/// All edits of a document, by the values as read.
#[derive(Debug, Clone, Default)]
pub(super) struct Edits {
    replaced: BTreeMap<NodeId, Piece>,
    removed: BTreeSet<NodeId>,
    /// For each container: additions before the child of that index.
    inserted: BTreeMap<NodeId, BTreeMap<usize, Vec<Piece>>>,
}

/// Something to be written.
#[derive(Debug, Clone)]
enum Piece {
    Value(Value),
    Member(String, Value),
    Raw(String),
}

/// One stretch of the input and what takes its place.
#[derive(Debug)]
struct Splice {
    start: usize,
    end: usize,
    text: String,
}

/// Edits name values as they were read, so their order does not matter; nothing changes
/// until [`Document::write`].
impl Document {
    /// Puts a value in another's place; a later call wins.
    pub fn replace(&mut self, id: NodeId, value: Value) {
        self.edits.replaced.insert(id, Piece::Value(value));
    }

    /// Puts JSON text in a value's place as it is: for numbers whose text must survive.
    pub fn replace_raw(&mut self, id: NodeId, text: impl Into<String>) {
        self.edits.replaced.insert(id, Piece::Raw(text.into()));
    }

    /// Adds an item to a list before the item that was read at `index`; past the end it
    /// becomes the last. Several additions at one index stay in order of their calls.
    ///
    /// Does nothing if `list` is no list.
    pub fn insert_item(&mut self, list: NodeId, index: usize, value: Value) {
        if self.cell(list).kind == Kind::Array {
            self.insert(list, index, Piece::Value(value));
        }
    }

    /// Adds a member after the last of an object. The key must not be there yet: of equal
    /// keys the first counts.
    ///
    /// Does nothing if `object` is no object.
    pub fn insert_member(&mut self, object: NodeId, key: &str, value: Value) {
        if self.cell(object).kind == Kind::Object {
            self.insert(object, usize::MAX, Piece::Member(key.to_string(), value));
        }
    }

    fn insert(&mut self, container: NodeId, index: usize, piece: Piece) {
        let index = index.min(self.children(container).count());
        let places = self.edits.inserted.entry(container).or_default();
        places.entry(index).or_default().push(piece);
    }

    /// Takes a list item, or a member with its key, out. The root cannot be taken out.
    pub fn remove(&mut self, id: NodeId) {
        if id != NodeId(0) {
            self.edits.removed.insert(id);
        }
    }

    /// Tells whether anything is to be changed.
    pub fn is_edited(&self) -> bool {
        let edits = &self.edits;
        !(edits.replaced.is_empty() && edits.removed.is_empty() && edits.inserted.is_empty())
    }

    /// Writes the document with its edits. Without any it gives the bytes as read.
    ///
    /// What is inside a value that was replaced or removed goes with it.
    pub fn write(&self) -> Vec<u8> {
        let splices = self.splices();
        // All of it at once: a buffer that outgrows its room is copied, and that is most of
        // the work.
        let added: usize = splices.iter().map(|splice| splice.text.len()).sum();
        let mut out = Vec::with_capacity(self.bytes.len() + added);
        let mut at = 0;
        for splice in splices {
            if splice.start < at {
                continue;
            }
            out.extend_from_slice(&self.bytes[at..splice.start]);
            out.extend_from_slice(splice.text.as_bytes());
            at = splice.end;
        }
        out.extend_from_slice(&self.bytes[at..]);
        out
    }

    /// Returns all splices in order; one inside another comes after it.
    fn splices(&self) -> Vec<Splice> {
        let mut touched: BTreeSet<NodeId> = self.edits.inserted.keys().copied().collect();
        touched.extend(self.edits.removed.iter().map(|id| NodeId(self.cell(*id).parent)));
        let mut splices: Vec<Splice> =
            touched.into_iter().flat_map(|container| self.container_splices(container)).collect();
        for (id, piece) in &self.edits.replaced {
            if self.edits.removed.contains(id) {
                continue;
            }
            let (start, end) = (self.cell(*id).start as usize, self.cell(*id).end as usize);
            let indent = line_indent(&self.bytes, start);
            let indent = self.style.newline.map(|_| indent.as_str());
            splices.push(Splice { start, end, text: self.piece(piece, indent) });
        }
        splices.sort_by_key(|splice| (splice.start, splice.end));
        splices
    }

    fn piece(&self, piece: &Piece, indent: Option<&str>) -> String {
        match piece {
            Piece::Value(value) => self.style.written(value, indent),
            Piece::Member(key, value) => self.style.member(key, &self.style.written(value, indent)),
            Piece::Raw(text) => text.clone(),
        }
    }

    fn container_splices(&self, container: NodeId) -> Vec<Splice> {
        if !is_container(self.cell(container)) {
            return Vec::new();
        }
        let children: Vec<Child> = self
            .children(container)
            .map(|child| {
                let cell = self.cell(child.id());
                Child {
                    start: outer_start(cell) as usize,
                    end: cell.end as usize,
                    kept: !self.edits.removed.contains(&child.id()),
                }
            })
            .collect();
        let none = BTreeMap::new();
        let inserted = self.edits.inserted.get(&container).unwrap_or(&none);
        match children.iter().position(|child| child.kept) {
            None => vec![self.emptied(container, &children, inserted)],
            Some(first) => self.among(container, &children, first, inserted),
        }
    }

    /// Fills a container of which nothing is kept.
    ///
    /// White space inside empty brackets stays behind the additions, which then follow the
    /// opening bracket at once; that tells a later removal to leave it.
    fn emptied(
        &self,
        container: NodeId,
        children: &[Child],
        inserted: &BTreeMap<usize, Vec<Piece>>,
    ) -> Splice {
        let cell = self.cell(container);
        let (open, close) = (cell.start as usize + 1, cell.end as usize - 1);
        let left = match (children.first(), children.last()) {
            (Some(first), Some(last)) if first.start == open => self.between(last.end, close),
            (Some(_), _) => "",
            _ => self.between(open, close),
        };
        let own = line_indent(&self.bytes, cell.start as usize);
        let deeper = format!("{own}{}", self.style.unit);
        let indent = self.style.newline.map(|_| deeper.as_str());
        let pieces: Vec<String> =
            inserted.values().flatten().map(|piece| self.piece(piece, indent)).collect();
        let text = match self.style.newline {
            _ if pieces.is_empty() => left.to_string(),
            None => pieces.join(&self.style.comma) + left,
            Some(newline) => {
                let pieces = pieces.join(&format!(",{newline}{deeper}"));
                if left.is_empty() {
                    format!("{newline}{deeper}{pieces}{newline}{own}")
                } else {
                    pieces + left
                }
            }
        };
        Splice { start: open, end: close, text }
    }

    /// Adds to and takes from a container of which child `first` and maybe more is kept.
    fn among(
        &self,
        container: NodeId,
        children: &[Child],
        first: usize,
        inserted: &BTreeMap<usize, Vec<Piece>>,
    ) -> Vec<Splice> {
        let gap = self.gap(container, children);
        let indent = gap.rfind('\n').map(|at| &gap[at + 1..]);
        let pieces = |from: usize, to: usize| {
            let range = inserted.range(from..=to).flat_map(|(_, pieces)| pieces);
            range.map(|piece| self.piece(piece, indent)).collect::<Vec<_>>()
        };
        let mut splices = Vec::new();
        let head: String =
            pieces(0, first).into_iter().map(|piece| format!("{piece},{gap}")).collect();
        splices.push(Splice { start: children[0].start, end: children[first].start, text: head });
        let mut at = first;
        while at < children.len() {
            let next = (at + 1..children.len()).find(|&next| children[next].kept);
            let next = next.unwrap_or(children.len());
            let text: String =
                pieces(at + 1, next).into_iter().map(|piece| format!(",{gap}{piece}")).collect();
            splices.push(Splice { start: children[at].end, end: children[next - 1].end, text });
            at = next;
        }
        splices.retain(|splice| splice.start != splice.end || !splice.text.is_empty());
        splices
    }

    /// Returns the white space between two children, as this container has it.
    fn gap(&self, container: NodeId, children: &[Child]) -> String {
        if let [first, second, ..] = children {
            let gap = self.between(first.end, second.start);
            return gap.split_once(',').map_or(gap, |(_, after)| after).to_string();
        }
        let open = self.cell(container).start as usize + 1;
        let before = children.first().map_or("", |only| self.between(open, only.start));
        if before.contains('\n') {
            return before.to_string();
        }
        self.style.comma.trim_start_matches(',').to_string()
    }

    fn between(&self, from: usize, to: usize) -> &str {
        // Only white space and commas stand between values.
        std::str::from_utf8(self.bytes.get(from..to).unwrap_or_default()).unwrap_or_default()
    }
}

/// The bytes of one child with its key.
struct Child {
    start: usize,
    end: usize,
    kept: bool,
}
