//! JSON pointers, resolved for thousands of clips: the items of each list are counted once.

use crate::timeline::json::{Document, Kind, NodeId};
use std::collections::BTreeMap;

/// Finds values by pointer in a document that does not change meanwhile.
pub(super) struct Resolver<'a> {
    document: &'a Document,
    items: BTreeMap<NodeId, Vec<NodeId>>,
}

impl<'a> Resolver<'a> {
    /// Makes a resolver that knows no list yet.
    pub fn new(document: &'a Document) -> Self {
        Self { document, items: BTreeMap::new() }
    }

    /// Returns the value at a pointer (RFC 6901) with all above it, the root first.
    pub fn resolve(&mut self, pointer: &str) -> Option<Vec<NodeId>> {
        let mut at = self.document.root().id();
        let mut steps = vec![at];
        if pointer.is_empty() {
            return Some(steps);
        }
        for step in pointer.strip_prefix('/')?.split('/') {
            at = self.below(at, step)?;
            steps.push(at);
        }
        Some(steps)
    }

    fn below(&mut self, at: NodeId, step: &str) -> Option<NodeId> {
        let node = self.document.node(at);
        match node.kind() {
            Kind::Object => {
                let key = step.replace("~1", "/").replace("~0", "~");
                node.get(&key).map(|value| value.id())
            }
            Kind::Array => {
                let index: usize = step.parse().ok()?;
                let items = self
                    .items
                    .entry(at)
                    .or_insert_with(|| node.items().map(|item| item.id()).collect());
                items.get(index).copied()
            }
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pointers_lead_to_the_same_value_as_the_document_says() {
        let text = r#"{"a/b":[1,{"~":[2,3]}],"":4}"#;
        let document = Document::parse("x", text.into()).expect("a document");
        let mut resolver = Resolver::new(&document);
        for pointer in ["", "/a~1b", "/a~1b/1/~0/1", "/", "/a~1b/0"] {
            let found = resolver.resolve(pointer).and_then(|way| way.last().copied());
            assert_eq!(found, document.at(pointer).map(|node| node.id()), "{pointer}");
            assert!(found.is_some(), "{pointer}");
        }
        for pointer in ["x", "/a", "/a~1b/2", "/a~1b/0/0", "/a~1b/x"] {
            assert_eq!(resolver.resolve(pointer), None, "{pointer}");
        }
    }
}
