//! Where each value of a record was read.

use super::KEYS;
use serde::ser::{Serialize, SerializeMap, Serializer};
use std::sync::Arc;

/// Where each key of a record was read: file and place, by key.
///
/// The record itself stands under `record`. A row has one place and a dozen keys, and a
/// log has tens of thousands of rows: the place is held once and shared.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Origins(Vec<(&'static str, Arc<str>)>);

impl Origins {
    /// Makes an empty list with room for as many keys as there are.
    pub(super) fn with_room(keys: usize) -> Origins {
        Origins(Vec::with_capacity(keys))
    }

    /// Returns where a key was read.
    pub fn get(&self, key: &str) -> Option<&Arc<str>> {
        self.0.get(self.find(key).ok()?).map(|(_, place)| place)
    }

    /// Tells whether a key was read anywhere.
    pub fn has(&self, key: &str) -> bool {
        self.find(key).is_ok()
    }

    /// Tells whether nothing was read.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Notes where a key was read; a key no record has is left out.
    pub fn insert(&mut self, key: &str, place: Arc<str>) {
        match self.find(key) {
            Ok(at) => self.0[at].1 = place,
            Err(at) => {
                let known = KEYS.into_iter().chain(["record"]).find(|known| *known == key);
                known.into_iter().for_each(|known| self.0.insert(at, (known, place.clone())));
            }
        }
    }

    /// Adds a further place to a key that was read before.
    pub(super) fn add(&mut self, key: &str, place: &str) {
        if let Ok(at) = self.find(key) {
            self.0[at].1 = [&self.0[at].1, "; ", place].concat().into();
        }
    }

    /// Takes a key out.
    pub(super) fn remove(&mut self, key: &str) {
        if let Ok(at) = self.find(key) {
            self.0.remove(at);
        }
    }

    fn find(&self, key: &str) -> Result<usize, usize> {
        self.0.binary_search_by(|(known, _)| (*known).cmp(key))
    }
}

impl Serialize for Origins {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for (key, place) in &self.0 {
            map.serialize_entry(key, &**place)?;
        }
        map.end()
    }
}
