//! Collects the faults of a timeline with their place.

use super::json::Node;
use super::json::pointer_step;
use super::times::schema;
use crate::error::{BadInput, shown};

/// Faults found so far, and the JSON pointer where the reader stands.
#[derive(Debug)]
pub(super) struct Collector<'a> {
    file: &'a str,
    path: String,
    quiet: bool,
    found: Vec<BadInput>,
}

/// What helps with a range that is absent or broken.
const RANGES: &str = "export the cut with source ranges, or relink the clip";

impl<'a> Collector<'a> {
    pub fn new(file: &'a str, pointer: &str) -> Collector<'a> {
        Collector { file, path: pointer.to_string(), quiet: false, found: Vec::new() }
    }

    pub fn path(&self) -> &str {
        &self.path
    }

    pub fn into_found(self) -> Vec<BadInput> {
        self.found
    }

    /// Runs `read` one step further down.
    pub fn below<T>(&mut self, step: &str, read: impl FnOnce(&mut Self) -> T) -> T {
        let length = self.enter(step);
        let result = read(self);
        self.leave(length);
        result
    }

    /// Goes one step down; returns what [`Self::leave`] wants to come back.
    pub fn enter(&mut self, step: &str) -> usize {
        let length = self.path.len();
        self.path.push('/');
        self.path.push_str(&pointer_step(step));
        length
    }

    /// Goes down by a whole JSON pointer.
    pub fn enter_pointer(&mut self, pointer: &str) -> usize {
        let length = self.path.len();
        self.path.push_str(pointer);
        length
    }

    /// Comes back up.
    pub fn leave(&mut self, length: usize) {
        self.path.truncate(length);
    }

    /// Runs `read` at one item of a list.
    pub fn below_index<T>(&mut self, index: usize, read: impl FnOnce(&mut Self) -> T) -> T {
        self.below(&index.to_string(), read)
    }

    /// Runs `read`, without collecting what it finds if `quiet`: sound is not judged.
    pub fn quietly(&mut self, quiet: bool, read: impl FnOnce(&mut Self)) {
        let before = self.quiet;
        self.quiet |= quiet;
        read(self);
        self.quiet = before;
    }

    /// Adds what an item has wrong with it: `clip "A" has ...`.
    pub fn add(&mut self, item: Node<'_>, has: &str) {
        if self.quiet {
            return;
        }
        let schema = schema(item).unwrap_or_default();
        let kind = match &*schema {
            "Filler" => "gap".into(),
            "Sequence" => "track".into(),
            known @ ("Clip" | "Gap" | "Track" | "Stack" | "Transition" | "Timeline") => {
                known.to_lowercase()
            }
            other => shown(other, 60),
        };
        let name = item.get("name").and_then(Node::text).unwrap_or_default();
        self.add_plain(&format!("{kind} \"{}\" has {has}", shown(&name, 80)));
    }

    /// Adds a fault at the place where the reader stands.
    pub fn add_plain(&mut self, fault: &str) {
        if !self.quiet {
            self.found.push(BadInput::new(self.file, self.path.clone(), fault, RANGES));
        }
    }
}
