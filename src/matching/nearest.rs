//! Which uses come nearest to a record that none was matched to.

use super::{Evidence, Matcher, UseClues, names};
use std::cell::OnceCell;
use std::collections::{BTreeMap, BTreeSet};

/// Uses named for one record.
const MOST_NAMED: usize = 3;
/// Uses of one roll or scene looked at for one record: past that they say nothing.
const MOST_LOOKED_AT: usize = 24;

/// The uses of a cut, indexed to be asked from the record's side.
pub struct NearestUses<'u> {
    uses: &'u [UseClues],
    matcher: &'u Matcher<'u>,
    /// The forms of each use's names, with the use, sorted: two names that share a form are
    /// one slip of the pen apart.
    forms: Vec<(Form, usize)>,
    rolls: BTreeMap<String, Vec<usize>>,
    takes: BTreeMap<String, Vec<usize>>,
    /// What each use says whatever the record: many records look at one use.
    facts: Vec<OnceCell<Facts>>,
}

/// What a use says of its own.
struct Facts {
    /// Records its names or its slate point at.
    points_at: BTreeMap<usize, Evidence>,
    rolls: BTreeSet<String>,
    /// The forms of its names, sorted.
    forms: Vec<Form>,
}

/// What speaks for a use, the nearest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Near {
    Name,
    Slate,
    Slip,
    RollAndTime,
    Roll,
    Scene,
}

impl<'u> NearestUses<'u> {
    /// Indexes the uses; `matcher` knows the records.
    pub fn new(uses: &'u [UseClues], matcher: &'u Matcher<'u>) -> NearestUses<'u> {
        let mut index = NearestUses {
            uses,
            matcher,
            forms: Vec::new(),
            rolls: BTreeMap::new(),
            takes: BTreeMap::new(),
            facts: uses.iter().map(|_| OnceCell::new()).collect(),
        };
        for (at, clues) in uses.iter().enumerate() {
            index.forms.extend(forms_of(clues).into_iter().map(|form| (form, at)));
            for roll in clues.roll_keys() {
                index.rolls.entry(roll).or_default().push(at);
            }
            for part in [&clues.scene, &clues.slate].into_iter().flatten() {
                index.takes.entry(super::plain(part)).or_default().push(at);
            }
        }
        index.forms.sort_unstable();
        index
    }

    /// Returns at most three uses that come nearest to a record, each with what speaks for
    /// it and what against it, nearest first.
    pub fn of(&self, record: usize) -> Vec<String> {
        let Some(known) = self.matcher.known.get(record) else { return Vec::new() };
        let wanted: Vec<Form> = known.clip.as_deref().map(slips).unwrap_or_default();
        let mut looked_at: BTreeSet<usize> = BTreeSet::new();
        for form in &wanted {
            let from = self.forms.partition_point(|entry| entry.0 < *form);
            let alike = self.forms[from..].iter().take_while(|entry| entry.0 == *form);
            looked_at.extend(alike.take(MOST_LOOKED_AT).map(|(_, at)| *at));
        }
        let mut look = |map: &BTreeMap<String, Vec<usize>>, key: &str| {
            looked_at.extend(map.get(key).into_iter().flatten().take(MOST_LOOKED_AT));
        };
        known.roll.iter().for_each(|roll| look(&self.rolls, roll));
        known.scene.iter().chain(&known.slate).for_each(|part| look(&self.takes, part));
        let near = |at| Some((self.nearness(record, at, &wanted)?, at));
        let mut near: Vec<(Near, usize)> = looked_at.into_iter().filter_map(near).collect();
        near.sort_unstable();
        near.truncate(MOST_NAMED);
        near.into_iter().filter_map(|(near, at)| self.said(record, at, near, &wanted)).collect()
    }

    fn facts(&self, at: usize) -> Option<(&UseClues, &Facts)> {
        let clues = self.uses.get(at)?;
        let facts = self.facts.get(at)?.get_or_init(|| {
            let mut points_at = BTreeMap::new();
            self.matcher.by_name(clues, &mut points_at);
            self.matcher.by_take(clues, &mut points_at);
            Facts { points_at, rolls: clues.roll_keys(), forms: forms_of(clues) }
        });
        Some((clues, facts))
    }

    /// Tells how near a use is to a record whose clip name has the forms `wanted`.
    fn nearness(&self, record: usize, at: usize, wanted: &[Form]) -> Option<Near> {
        let known = self.matcher.known.get(record)?;
        let (clues, facts) = self.facts(at)?;
        let evidence = facts.points_at.get(&record);
        Some(if evidence.is_some_and(|evidence| evidence.name.is_some()) {
            Near::Name
        } else if evidence.is_some_and(|evidence| evidence.slate.is_some()) {
            Near::Slate
        } else if wanted.iter().any(|form| facts.forms.binary_search(form).is_ok()) {
            Near::Slip
        } else if known.roll.as_ref().is_some_and(|roll| facts.rolls.contains(roll)) {
            if self.matcher.overlaps(record, clues) { Near::RollAndTime } else { Near::Roll }
        } else if clues.scene.is_some() || clues.slate.is_some() {
            Near::Scene
        } else {
            return None;
        })
    }

    /// Says what speaks for a use and what against it.
    fn said(&self, record: usize, at: usize, near: Near, wanted: &[Form]) -> Option<String> {
        let known = self.matcher.known.get(record)?;
        let (clues, facts) = self.facts(at)?;
        let evidence = facts.points_at.get(&record).cloned().unwrap_or_default();
        let against = self.matcher.veto(record, clues, &evidence);
        let mut text = match near {
            Near::Name => evidence.name?,
            Near::Slate => evidence.slate?,
            Near::Slip => {
                let name = slip(wanted, clues)?;
                format!("named {name}, one letter from the record's clip name")
            }
            Near::RollAndTime | Near::Roll => {
                format!("roll {}", known.roll.as_deref()?.to_uppercase())
            }
            Near::Scene => {
                let scene = clues.scene.as_deref().or(clues.slate.as_deref())?;
                let take = clues.take.as_deref().unwrap_or("unknown");
                format!("scene or slate {scene}, but take {take}")
            }
        };
        if let Some(why) = against {
            text.push_str(", but ");
            text.push_str(&why);
        }
        Some(format!("{}: {text}", clues.label))
    }
}

/// Lists the names a use may be known by.
fn names_of(clues: &UseClues) -> impl Iterator<Item = &String> {
    clues.media_names.iter().chain(&clues.source_names).chain([&clues.clip])
}

/// Returns the forms of the head of a name.
fn forms_of_name(name: &str) -> impl Iterator<Item = Form> {
    names::words(names::stem(name)).into_iter().take(2).flat_map(|word| slips(&word))
}

/// Returns the forms of all names of a use, sorted, each once.
fn forms_of(clues: &UseClues) -> Vec<Form> {
    let mut forms: Vec<Form> = names_of(clues).flat_map(|name| forms_of_name(name)).collect();
    forms.sort_unstable();
    forms.dedup();
    forms
}

/// Returns the name of a use that has one of the forms.
fn slip(wanted: &[Form], clues: &UseClues) -> Option<String> {
    let near = |name: &&String| forms_of_name(name).any(|form| wanted.contains(&form));
    names_of(clues).find(near).cloned()
}

/// A word as letters, by a hash: a cut has millions of forms, and written out they take
/// more memory and time than all else.
type Form = u64;

/// Lists the forms of a word: itself, and the word with each letter left out; words too
/// short to tell have themselves alone.
fn slips(word: &str) -> Vec<Form> {
    let letters: Vec<char> = word.chars().take(32).collect();
    let mut forms = vec![form(word.chars())];
    if letters.len() >= 5 {
        forms.extend((0..letters.len()).map(|out| {
            let (head, tail) = (letters.iter().take(out), letters.iter().skip(out + 1));
            form(head.chain(tail).copied())
        }));
    }
    forms
}

/// Hashes letters: FNV-1a with its 64-bit constants, from memory, a letter at a time in
/// place of an octet.
fn form(letters: impl Iterator<Item = char>) -> Form {
    letters.fold(0xcbf2_9ce4_8422_2325, |hash, letter| {
        (hash ^ u64::from(letter)).wrapping_mul(0x0100_0000_01b3)
    })
}
