//! Few actor pixels that stand alone: grain above a threshold, not people.

use super::DividerLimits;
use crate::measure::Mask;
use serde::Serialize;

/// A few actor pixels that were not allowed to bend the divider. Always said.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Speck {
    /// Middle of its bounds, in source pixels.
    pub at: [f64; 2],
    /// Its pixels in the mask.
    pub cells: usize,
    /// Most frames one of its pixels was seen in; `None` if nobody counted.
    pub frames: Option<u32>,
    /// Distance from the boom, in source pixels.
    pub from_boom_px: f64,
    /// Whether it lies in the patch region.
    pub in_region: bool,
}

/// In how many frames each pixel was an actor's.
///
/// Two bytes a pixel, whatever the length.
#[derive(Debug, Clone)]
pub struct ActorTally {
    union: Mask,
    /// Where pixels are counted; everywhere if `None`.
    counted: Option<Mask>,
    seen: Vec<u16>,
}

impl ActorTally {
    /// Begins with no frame for masks of this size.
    pub fn new(width: usize, height: usize) -> Self {
        let seen = vec![0; width.saturating_mul(height)];
        Self { union: Mask::new(width, height), counted: None, seen }
    }

    /// Begins with no frame; only pixels near a set are counted, within `by` of its bounds.
    /// All others count as seen often.
    pub fn near(set: &Mask, by: usize) -> Self {
        let mut tally = ActorTally::new(set.width(), set.height());
        if let Some((left, top, right, bottom)) = set.bounds() {
            let (columns, rows) =
                (left.saturating_sub(by)..right + by, top.saturating_sub(by)..bottom + by);
            let holds = |x: usize, y: usize| rows.contains(&y) && columns.contains(&x);
            tally.counted = Some(Mask::from_fn(set.width(), set.height(), holds));
        }
        tally
    }

    /// Adds the actors of a frame; false, and nothing added, if the size is another.
    pub fn add(&mut self, actors: &Mask) -> bool {
        let (width, height) = (self.union.width(), self.union.height());
        if (actors.width(), actors.height()) != (width, height) {
            return false;
        }
        let counted = self.counted.as_ref().map(|counted| {
            let mut near = actors.clone();
            near.keep(counted);
            near
        });
        for (x, y) in counted.as_ref().unwrap_or(actors).pixels() {
            let seen = &mut self.seen[y * width + x];
            *seen = seen.saturating_add(1);
        }
        self.union.add(actors);
        true
    }

    /// Returns the pixels that were an actor's in any frame.
    pub fn union(&self) -> &Mask {
        &self.union
    }

    /// Returns in how many frames a pixel was an actor's (at most 65,535).
    pub fn seen(&self, x: usize, y: usize) -> u32 {
        if self.counted.as_ref().is_some_and(|counted| !counted.has(x, y)) {
            return u32::from(u16::MAX);
        }
        let inside = x < self.union.width() && y < self.union.height();
        if inside { u32::from(self.seen[y * self.union.width() + x]) } else { 0 }
    }
}

/// The pixels of one speck.
pub(super) type Cluster = Vec<(usize, usize)>;

/// Finds the specks of a set: clusters of few pixels with nothing else near. `seen` tells in
/// how many frames a pixel was on, if anybody counted.
pub(super) fn find(
    actors: &Mask,
    seen: Option<&ActorTally>,
    limits: &DividerLimits,
) -> Vec<(Cluster, Option<u32>)> {
    let apart = limits.speck_alone_cells as usize;
    let few = limits.speck_cells as usize;
    let mut specks = Vec::new();
    for cluster in clusters(actors, apart, few) {
        let frames = seen
            .map(|seen| cluster.iter().map(|(x, y)| seen.seen(*x, *y)).max().unwrap_or_default());
        if frames.is_none_or(|frames| frames <= limits.speck_frames) {
            specks.push((cluster, frames));
        }
    }
    specks
}

/// Clusters of at most `few` pixels: those of a cluster are within `apart` of one another
/// along both axes, and no other pixel is.
fn clusters(set: &Mask, apart: usize, few: usize) -> Vec<Cluster> {
    // Most pixels belong to large connected parts; only the rest is worth a wide search.
    let (mut left, mut small) = (set.clone(), Mask::new(set.width(), set.height()));
    for start in set.pixels() {
        let part = flood(&mut left, start, 1);
        if part.len() <= few {
            part.iter().for_each(|(x, y)| small.set(*x, *y));
        }
    }
    let mut large = set.clone();
    large.take(&small);
    let mut found = Vec::new();
    let mut left = small.clone();
    for start in small.pixels() {
        let mut cluster = flood(&mut left, start, apart);
        let alone = |(x, y): &(usize, usize)| !around(*x, *y, apart, &large);
        if (1..=few).contains(&cluster.len()) && cluster.iter().all(alone) {
            cluster.sort_by_key(|(x, y)| (*y, *x));
            found.push(cluster);
        }
    }
    found
}

/// Takes out of `left` all pixels that can be reached from one in steps of up to `reach`
/// along both axes; none if it is not there.
fn flood(left: &mut Mask, start: (usize, usize), reach: usize) -> Cluster {
    let mut found = Vec::new();
    if left.has(start.0, start.1) {
        left.clear(start.0, start.1);
        found.push(start);
    }
    let mut next = 0;
    while let Some(&(x, y)) = found.get(next) {
        next += 1;
        for row in y.saturating_sub(reach)..=(y + reach).min(left.height() - 1) {
            for column in x.saturating_sub(reach)..=(x + reach).min(left.width() - 1) {
                if left.has(column, row) {
                    left.clear(column, row);
                    found.push((column, row));
                }
            }
        }
    }
    found
}

/// Tells whether a set has a pixel within `reach` of one along both axes.
fn around(x: usize, y: usize, reach: usize, set: &Mask) -> bool {
    (y.saturating_sub(reach)..=y + reach)
        .any(|row| (x.saturating_sub(reach)..=x + reach).any(|column| set.has(column, row)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_few_pixels_alone_are_a_speck_and_near_an_actor_they_are_not() {
        let limits = DividerLimits::default();
        let mut actors = Mask::from_fn(200, 100, |x, y| x < 40 && y > 60);
        for (x, y) in [(100, 20), (102, 21), (44, 70)] {
            actors.set(x, y);
        }
        let specks = find(&actors, None, &limits);
        assert_eq!(specks, [(vec![(100, 20), (102, 21)], None)]);
    }

    #[test]
    fn many_pixels_spread_thin_are_an_actor() {
        let actors = Mask::from_fn(200, 100, |x, y| x % 5 == 0 && y % 7 == 0 && x < 60);
        assert!(find(&actors, None, &DividerLimits::default()).is_empty());
    }

    #[test]
    fn what_stays_is_an_actor_however_small() {
        let mut tally = ActorTally::new(50, 50);
        let dot = Mask::from_fn(50, 50, |x, y| (x, y) == (9, 9));
        assert!(tally.add(&dot) && tally.add(&dot));
        let limits = DividerLimits::default();
        assert_eq!(find(tally.union(), Some(&tally), &limits), [(vec![(9, 9)], Some(2))]);
        assert!(tally.add(&dot) && !tally.add(&Mask::new(5, 5)));
        assert!(find(tally.union(), Some(&tally), &limits).is_empty());
    }
}
