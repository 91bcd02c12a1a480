//! Finds for each use of the new cut the one of the old cut it was.

use super::Shown;
use std::cmp::Reverse;
use std::collections::BTreeMap;

/// Returns for each new use the place of its old one.
///
/// First those that show the same frames at the same speed, in the order of the cuts; then,
/// of the same media, those that share most frames; last, those of the same length or the
/// same shot name, which slipped as a whole. A use is paired once.
pub(super) fn pairs(old: &[Shown], new: &[Shown]) -> Vec<Option<usize>> {
    let mut pairs: Vec<Option<usize>> = vec![None; new.len()];
    let mut groups: BTreeMap<&str, (Vec<usize>, Vec<usize>)> = BTreeMap::new();
    for (at, use_) in old.iter().enumerate() {
        groups.entry(&use_.media).or_default().0.push(at);
    }
    for (at, use_) in new.iter().enumerate() {
        groups.entry(&use_.media).or_default().1.push(at);
    }
    for (mut before, mut now) in groups.into_values() {
        same_frames(old, new, &mut before, &mut now, &mut pairs);
        nearest(old, new, &before, &now, &mut pairs);
    }
    pairs
}

/// First frame, frame after the last, and speed.
type Frames<'a> = (Option<(i64, i64)>, &'a str);

fn frames(shown: &Shown) -> Frames<'_> {
    let used = shown.used.map(|used| (used.start.0, used.end.0));
    (used, shown.speed.as_deref().unwrap_or_default())
}

/// Pairs what shows the very same frames at the same speed, first with first.
fn same_frames(
    old: &[Shown],
    new: &[Shown],
    before: &mut Vec<usize>,
    now: &mut Vec<usize>,
    pairs: &mut [Option<usize>],
) {
    let mut by_frames: BTreeMap<Frames<'_>, Vec<usize>> = BTreeMap::new();
    for at in before.iter().rev() {
        by_frames.entry(frames(&old[*at])).or_default().push(*at);
    }
    now.retain(|at| {
        let same = by_frames.get_mut(&frames(&new[*at])).and_then(Vec::pop);
        pairs[*at] = same;
        same.is_none()
    });
    *before = by_frames.into_values().flatten().collect();
    before.sort_unstable();
}

/// Pairs what is left by the most frames in common, then by length and name.
fn nearest(
    old: &[Shown],
    new: &[Shown],
    before: &[usize],
    now: &[usize],
    pairs: &mut [Option<usize>],
) {
    let mut likely: Vec<(u8, Reverse<u64>, usize, usize, usize)> = Vec::new();
    for a in before.iter().copied() {
        for b in now.iter().copied() {
            let (Some(one), Some(two)) = (old[a].used, new[b].used) else { continue };
            let shared = one.overlap(two).map_or(0, |run| run.count().0);
            let named = !old[a].shot.is_empty() && old[a].shot == new[b].shot;
            let grade = match shared {
                0 if named => 1,
                0 if one.count() == two.count() && old[a].speed == new[b].speed => 2,
                0 => continue,
                _ => 0,
            };
            likely.push((grade, Reverse(shared), a.abs_diff(b), a, b));
        }
    }
    likely.sort_unstable();
    let mut taken: Vec<usize> = Vec::new();
    for (_, _, _, a, b) in likely {
        if pairs[b].is_none() && !taken.contains(&a) {
            pairs[b] = Some(a);
            taken.push(a);
        }
    }
}
