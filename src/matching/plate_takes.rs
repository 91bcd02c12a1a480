//! Which plate takes serve a take.

use super::{Matcher, names, plain};
use crate::platelog::{PlateKind, Record, ServedTake, Serves, take_key};

impl Matcher<'_> {
    /// Returns the records of plate takes that serve a record, in order.
    ///
    /// A plate take serves a take if the take's record names it (`take A014C009`), if it
    /// says so itself (`serves`), or if its clip or take is the take's with a plate suffix
    /// (`A014C007_PL`, take `3PL`). It must be of the same camera.
    pub fn plate_takes_for(&self, record: usize) -> Vec<usize> {
        let Some(take) = self.records.get(record) else { return Vec::new() };
        let serves = |at: &usize| {
            *at != record && self.same_camera(*at, record) && self.serves(*at, record, take)
        };
        (0..self.records.len()).filter(serves).collect()
    }

    fn same_camera(&self, a: usize, b: usize) -> bool {
        let camera = |at: usize| self.known.get(at).and_then(|known| known.camera.as_ref());
        camera(a).zip(camera(b)).is_none_or(|(a, b)| a == b)
    }

    fn serves(&self, at: usize, record: usize, take: &Record) -> bool {
        let Some(plate) = self.records.get(at) else { return false };
        let said = match &plate.serves {
            Serves::All => same_setup(plate, take),
            Serves::Takes(takes) => takes.iter().any(|served| names_take(served, plate, take)),
            Serves::Itself => false,
        };
        said || self.named_by(at, take) || self.by_suffix(at, record)
    }

    fn named_by(&self, at: usize, take: &Record) -> bool {
        let Some(known) = self.known.get(at) else { return false };
        take.plates.iter().filter(|plate| plate.kind == Some(PlateKind::Take)).any(|plate| {
            let clip = plate.clip.as_deref().map(names::stem).map(names::key);
            let roll = plate.roll.as_deref().map(names::key);
            clip.is_some()
                && clip == known.clip
                && (roll.is_none() || known.roll.is_none() || roll == known.roll)
        })
    }

    /// Tells whether the record's clip or take with a plate suffix is the other's.
    fn by_suffix(&self, at: usize, record: usize) -> bool {
        let (Some(plate), Some(take)) = (self.known.get(at), self.known.get(record)) else {
            return false;
        };
        let suffixed = |plate: &Option<String>, take: &Option<String>| {
            let (Some(plate), Some(take)) = (plate, take) else { return false };
            plate.strip_prefix(take.as_str()).is_some_and(|rest| {
                self.settings.plate_suffixes.iter().any(|suffix| names::key(suffix) == rest)
            })
        };
        let slate = plate.scene == take.scene
            && plate.slate == take.slate
            && (plate.scene.is_some() || plate.slate.is_some());
        let rolls = plate.roll.is_none() || take.roll.is_none() || plate.roll == take.roll;
        (rolls && suffixed(&plate.clip, &take.clip)) || (slate && suffixed(&plate.take, &take.take))
    }
}

/// Tells whether two records are of one set-up; what neither notes is not compared, what
/// one notes alone speaks against it.
fn same_setup(a: &Record, b: &Record) -> bool {
    let key = |part: &Option<String>| part.as_deref().map(plain);
    let noted = a.scene.is_some() || a.slate.is_some();
    noted && key(&a.scene) == key(&b.scene) && key(&a.slate) == key(&b.slate)
}

/// Tells whether a take is the one named; what is left blank is the plate take's own.
fn names_take(served: &ServedTake, plate: &Record, take: &Record) -> bool {
    let same = |served: &Option<String>, own: &Option<String>, value: &Option<String>| {
        let wanted = served.as_ref().or(own.as_ref()).map(|text| plain(text));
        wanted.is_none() || wanted == value.as_deref().map(plain)
    };
    let takes = served.take.as_deref().map(take_key);
    same(&served.scene, &plate.scene, &take.scene)
        && same(&served.slate, &plate.slate, &take.slate)
        && (takes.is_none() || takes == take.take.as_deref().map(take_key))
}
