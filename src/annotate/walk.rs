//! Going through all of a document without recursion: a file may nest as deep as it likes.

use crate::timeline::json::{Kind, Node};
use std::borrow::Cow;

/// Visits every object in document order; what is inside is left out where `visit` says no.
pub(super) fn objects<'a>(root: Node<'a>, visit: impl FnMut(Node<'a>) -> bool) {
    visited(root, visit, |_| true);
}

/// Visits every object that is part of the timeline itself: what hosts keep under
/// `metadata`, by far the most of a file, is left out.
pub(super) fn parts<'a>(root: Node<'a>, mut visit: impl FnMut(Node<'a>)) {
    let seen = |node| {
        visit(node);
        true
    };
    parts_where(root, seen);
}

/// As [`parts`]; what is inside an object is left out, too, where `visit` says no.
pub(super) fn parts_where<'a>(root: Node<'a>, visit: impl FnMut(Node<'a>) -> bool) {
    visited(root, visit, |child| child.key().as_deref() != Some("metadata"));
}

fn visited<'a>(
    root: Node<'a>,
    mut visit: impl FnMut(Node<'a>) -> bool,
    enter: impl Fn(Node<'a>) -> bool,
) {
    let mut open = vec![root];
    let mut inside = Vec::new();
    while let Some(node) = open.pop() {
        if node.kind() == Kind::Object && !visit(node) {
            continue;
        }
        inside.clear();
        inside.extend(node.children().filter(|child| is_container(*child) && enter(*child)));
        open.extend(inside.drain(..).rev());
    }
}

fn is_container(node: Node<'_>) -> bool {
    matches!(node.kind(), Kind::Object | Kind::Array)
}

/// Tells whether a value is a list.
pub(super) fn is_list(node: Node<'_>) -> bool {
    node.kind() == Kind::Array
}

/// Returns the schema of an object with its version: `Clip.2`.
pub(super) fn full_schema(node: Node<'_>) -> Option<Cow<'_, str>> {
    node.get("OTIO_SCHEMA")?.text()
}

/// Returns the schema of an object without its version, by the name in use today.
///
/// The reference library reads `Sequence` as `Track` and `Filler` as `Gap`.
pub(super) fn schema(node: Node<'_>) -> Option<Cow<'_, str>> {
    let full = full_schema(node)?;
    let name = full.split('.').next().unwrap_or_default();
    Some(match name {
        "Sequence" => Cow::Borrowed("Track"),
        "Filler" => Cow::Borrowed("Gap"),
        other => Cow::Owned(other.to_string()),
    })
}
