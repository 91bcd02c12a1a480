//! Which plate takes serve a take.

use super::{Known, Matcher, names, plain};
use crate::platelog::{PlateKind, Record, ServedTake, Serves, take_key};
use std::collections::BTreeSet;

impl Matcher<'_> {
    /// Returns the records of plate takes that serve a record, in order.
    ///
    /// A plate take serves a take if the take's record names it (`take A014C009`), if it
    /// says so itself (`serves`), or if its clip or take is the take's with a plate suffix
    /// (`A014C007_PL`, take `3PL`). It must be of the same camera.
    pub fn plate_takes_for(&self, record: usize) -> Vec<usize> {
        let (Some(take), Some(known)) = (self.records.get(record), self.known.get(record)) else {
            return Vec::new();
        };
        let mut found = self.named_by(take);
        found.extend(self.with_suffix(known));
        found.extend(self.serving.iter().filter(|at| self.says_it_serves(**at, known)));
        found.remove(&record);
        found.retain(|at| self.same_camera(*at, known));
        found.into_iter().collect()
    }

    /// Returns the records of other takes of the same set-up that note a good plate of their
    /// own, in order: same scene and slate, same camera.
    pub fn setup_takes_with_plates(&self, record: usize) -> Vec<usize> {
        let Some(known) = self.known.get(record) else { return Vec::new() };
        let has_plate = |at: &usize| {
            let own = |plate: &crate::platelog::PlateNote| {
                plate.good && plate.range.is_some() && plate.kind != Some(PlateKind::Take)
            };
            self.records[*at].plates.iter().any(own)
        };
        (0..self.records.len())
            .filter(|at| *at != record && self.same_setup(*at, known))
            .filter(|at| self.same_camera(*at, known) && has_plate(at))
            .collect()
    }

    fn same_camera(&self, at: usize, take: &Known) -> bool {
        let camera = self.known.get(at).and_then(|known| known.camera.as_ref());
        camera.zip(take.camera.as_ref()).is_none_or(|(a, b)| a == b)
    }

    /// Returns the plate takes a record names.
    fn named_by(&self, take: &Record) -> BTreeSet<usize> {
        let mut found = BTreeSet::new();
        for plate in take.plates.iter().filter(|plate| plate.kind == Some(PlateKind::Take)) {
            let clip = plate.clip.as_deref().map(names::stem).map(names::key).unwrap_or_default();
            let roll = plate.roll.as_deref().map(names::key);
            let of_roll = |at: &&usize| {
                let own = self.known.get(**at).and_then(|known| known.roll.as_ref());
                roll.as_ref().zip(own).is_none_or(|(roll, own)| roll == own)
            };
            found.extend(self.clips.get(&clip).into_iter().flatten().filter(of_roll));
        }
        found
    }

    /// Returns the records whose clip or take is the take's with a plate suffix.
    fn with_suffix(&self, take: &Known) -> BTreeSet<usize> {
        let mut found = BTreeSet::new();
        for suffix in &self.suffixes {
            if let Some(clip) = &take.clip {
                let records = self.clips.get(&format!("{clip}{suffix}")).into_iter().flatten();
                found.extend(records.filter(|at| self.same_roll(**at, take)));
            }
            let Some(number) = &take.take else { continue };
            for (kind, value) in [("scene", &take.scene), ("slate", &take.slate)] {
                let Some(value) = value else { continue };
                let key = (kind, value.clone(), format!("{number}{suffix}"));
                let records = self.takes.get(&key).into_iter().flatten();
                found.extend(records.filter(|at| self.same_setup(**at, take)));
            }
        }
        found
    }

    fn same_roll(&self, at: usize, take: &Known) -> bool {
        let roll = self.known.get(at).and_then(|known| known.roll.as_ref());
        roll.zip(take.roll.as_ref()).is_none_or(|(a, b)| a == b)
    }

    /// Tells whether two records are of one set-up: what one notes alone speaks against it.
    fn same_setup(&self, at: usize, take: &Known) -> bool {
        let noted = take.scene.is_some() || take.slate.is_some();
        noted
            && self
                .known
                .get(at)
                .is_some_and(|known| known.scene == take.scene && known.slate == take.slate)
    }

    fn says_it_serves(&self, at: usize, take: &Known) -> bool {
        match self.records.get(at).map(|record| &record.serves) {
            Some(Serves::All) => self.same_setup(at, take),
            Some(Serves::Takes(takes)) => self
                .known
                .get(at)
                .is_some_and(|plate| takes.iter().any(|served| names_take(served, plate, take))),
            _ => false,
        }
    }
}

/// Tells whether a take is the one named; what is left blank is the plate take's own. A take
/// number with neither scene nor slate names none.
fn names_take(served: &ServedTake, plate: &Known, take: &Known) -> bool {
    let blank = [&served.scene, &served.slate, &plate.scene, &plate.slate];
    if blank.iter().all(|part| part.is_none()) {
        return false;
    }
    let same = |served: &Option<String>, own: &Option<String>, value: &Option<String>| {
        let wanted = served.as_deref().map(plain).or_else(|| own.clone());
        wanted.is_none() || wanted == *value
    };
    let number = served.take.as_deref().map(take_key);
    same(&served.scene, &plate.scene, &take.scene)
        && same(&served.slate, &plate.slate, &take.slate)
        && (number.is_none() || number == take.take)
}
