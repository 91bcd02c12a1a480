//! Which uses come nearest to a record that none was matched to.

use super::spans::TimeSays;
use super::{Evidence, Matcher, UseClues, names};
use std::collections::{BTreeMap, BTreeSet};

/// Uses named for one record.
const MOST_NAMED: usize = 3;
/// Uses of one roll or scene looked at for one record: past that they say nothing.
const MOST_LOOKED_AT: usize = 24;

/// The uses of a cut, indexed to be asked from the record's side.
pub struct NearestUses<'u> {
    uses: &'u [UseClues],
    /// Names, and each name with one letter left out: two names that share such a form are
    /// one slip of the pen apart.
    names: BTreeMap<String, Vec<usize>>,
    rolls: BTreeMap<String, Vec<usize>>,
    takes: BTreeMap<String, Vec<usize>>,
}

impl<'u> NearestUses<'u> {
    /// Indexes the uses.
    pub fn new(uses: &'u [UseClues]) -> NearestUses<'u> {
        let mut index = NearestUses {
            uses,
            names: BTreeMap::new(),
            rolls: BTreeMap::new(),
            takes: BTreeMap::new(),
        };
        for (at, clues) in uses.iter().enumerate() {
            let mut keys = BTreeSet::new();
            for name in clues.media_names.iter().chain(&clues.source_names).chain([&clues.clip]) {
                keys.extend(
                    names::words(names::stem(name)).into_iter().take(2).flat_map(|w| slips(&w)),
                );
            }
            for key in keys {
                index.names.entry(key).or_default().push(at);
            }
            for roll in clues.roll_keys() {
                index.rolls.entry(roll).or_default().push(at);
            }
            for part in [&clues.scene, &clues.slate].into_iter().flatten() {
                index.takes.entry(super::plain(part)).or_default().push(at);
            }
        }
        index
    }

    /// Returns at most three uses that come nearest to a record, each with what speaks for
    /// it and what against it, nearest first.
    pub fn of(&self, matcher: &Matcher<'_>, record: usize) -> Vec<String> {
        let Some(known) = matcher.known.get(record) else { return Vec::new() };
        let mut near: BTreeSet<usize> = BTreeSet::new();
        let mut look = |map: &BTreeMap<String, Vec<usize>>, key: &str| {
            near.extend(map.get(key).into_iter().flatten().take(MOST_LOOKED_AT));
        };
        if let Some(clip) = &known.clip {
            slips(clip).iter().for_each(|key| look(&self.names, key));
        }
        known.roll.iter().for_each(|roll| look(&self.rolls, roll));
        known.scene.iter().chain(&known.slate).for_each(|part| look(&self.takes, part));
        let mut said: Vec<(u8, usize, String)> = near
            .into_iter()
            .filter_map(|at| {
                let clues = self.uses.get(at)?;
                let (weight, text) = nearness(matcher, record, clues)?;
                Some((weight, at, format!("{}: {text}", clues.label)))
            })
            .collect();
        said.sort();
        said.into_iter().take(MOST_NAMED).map(|(.., text)| text).collect()
    }
}

/// Says how near a use is to a record: a weight, less being nearer, and a sentence.
fn nearness(matcher: &Matcher<'_>, record: usize, clues: &UseClues) -> Option<(u8, String)> {
    let known = matcher.known.get(record)?;
    let mut found: BTreeMap<usize, Evidence> = BTreeMap::new();
    matcher.by_name(clues, &mut found);
    matcher.by_take(clues, &mut found);
    let evidence = found.remove(&record).unwrap_or_default();
    let against = matcher.veto(record, clues, &evidence);
    let same_roll = known.roll.as_ref().is_some_and(|roll| clues.roll_keys().contains(roll));
    let (weight, mut text) = if let Some(name) = evidence.name {
        (0, name)
    } else if let Some(slate) = evidence.slate {
        (1, slate)
    } else if let Some(name) = slip(known.clip.as_deref(), clues) {
        (2, format!("named {name}, one letter from the record's clip name"))
    } else if same_roll {
        let time = matches!(matcher.time_says(record, clues), TimeSays::Overlaps);
        (if time { 3 } else { 4 }, format!("roll {}", known.roll.as_deref()?.to_uppercase()))
    } else {
        let scene = clues.scene.as_deref().or(clues.slate.as_deref())?;
        let take = clues.take.as_deref().unwrap_or("unknown");
        (5, format!("scene or slate {scene}, but take {take}"))
    };
    if let Some(why) = against {
        text.push_str(", but ");
        text.push_str(&why);
    }
    Some((weight, text))
}

/// Returns the name of a use that is one letter from the clip name.
fn slip(clip: Option<&str>, clues: &UseClues) -> Option<String> {
    let wanted: BTreeSet<String> = slips(clip?).into_iter().collect();
    let mut names = clues.media_names.iter().chain(&clues.source_names).chain([&clues.clip]);
    let near = |name: &&String| {
        let words = names::words(names::stem(name));
        words.iter().take(2).any(|word| slips(word).iter().any(|form| wanted.contains(form)))
    };
    names.find(near).cloned()
}

/// Lists a word and the word with each letter left out; words too short to tell give
/// themselves alone.
fn slips(word: &str) -> Vec<String> {
    let letters: Vec<char> = word.chars().take(32).collect();
    let mut forms = vec![word.to_string()];
    if letters.len() >= 5 {
        for out in 0..letters.len() {
            let kept = letters.iter().enumerate().filter(|(at, _)| *at != out);
            forms.push(kept.map(|(_, letter)| letter).collect());
        }
    }
    forms
}
