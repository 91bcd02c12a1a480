//! Connected parts of a foreground, and which edges of the picture they touch.

use crate::measure::Mask;

/// Where no foreground is.
pub(super) const CLEAN: u8 = 0;
/// Beyond the lower threshold.
pub(super) const WEAK: u8 = 1;
/// Beyond the upper threshold.
pub(super) const STRONG: u8 = 2;

/// The part of a plane that shows picture, ends exclusive: mattes are outside.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Window {
    pub left: usize,
    pub top: usize,
    pub right: usize,
    pub bottom: usize,
}

impl Window {
    pub fn whole(width: usize, height: usize) -> Window {
        Window { left: 0, top: 0, right: width, bottom: height }
    }

    pub fn height(&self) -> usize {
        self.bottom.saturating_sub(self.top)
    }

    pub fn area(&self) -> usize {
        self.height() * self.right.saturating_sub(self.left)
    }
}

/// Part of a row.
#[derive(Debug, Clone, Copy)]
pub(super) struct Run {
    pub y: u32,
    pub from: u32,
    pub to: u32,
    pub strong: u32,
    /// Number of its blob, once joined.
    pub blob: u32,
}

/// A first and a last place along an edge, ends exclusive; empty if it does not touch.
pub(super) type Contact = Option<(usize, usize)>;

/// One connected part.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Blob {
    pub area: usize,
    pub strong: usize,
    pub left: usize,
    pub top: usize,
    pub right: usize,
    pub bottom: usize,
    pub at_top: Contact,
    pub at_left: Contact,
    pub at_right: Contact,
    pub at_bottom: Contact,
}

/// The blobs of a plane.
#[derive(Debug, Clone, Default)]
pub(super) struct Blobs {
    pub runs: Vec<Run>,
    pub blobs: Vec<Blob>,
    /// Runs of each blob: places in `order` and, after the last, its length.
    starts: Vec<u32>,
    /// Numbers of runs, blob by blob.
    order: Vec<u32>,
}

impl Blobs {
    /// Finds the connected parts of `levels` inside `window`; `reach` 1 is 8-connected, more
    /// also bridges gaps of `reach - 1` pixels.
    pub fn of(levels: &[u8], width: usize, window: Window, reach: usize) -> Blobs {
        Blobs::from_level(WEAK, levels, width, window, reach)
    }

    /// As [`Blobs::of`], of the pixels that reach a level.
    pub fn from_level(
        level: u8,
        levels: &[u8],
        width: usize,
        window: Window,
        reach: usize,
    ) -> Blobs {
        let mut runs = Vec::new();
        let mut rows = Vec::with_capacity(window.height() + 1);
        for y in window.top..window.bottom {
            rows.push(runs.len());
            add_runs(&levels[y * width..(y + 1) * width], (y, level), window, reach, &mut runs);
        }
        rows.push(runs.len());
        let mut parents: Vec<u32> = (0..runs.len() as u32).collect();
        for row in 1..rows.len().saturating_sub(1) {
            for above in row.saturating_sub(reach)..row {
                join_rows(
                    &runs,
                    rows[above]..rows[above + 1],
                    rows[row]..rows[row + 1],
                    reach,
                    &mut parents,
                );
            }
        }
        gather(runs, &mut parents, window, reach)
    }

    /// Returns the runs of one blob.
    pub fn runs_of(&self, blob: usize) -> impl Iterator<Item = &Run> {
        let place = |at: usize| self.starts.get(at).map_or(0, |start| *start as usize);
        let order = self.order.get(place(blob)..place(blob + 1)).unwrap_or(&[]);
        order.iter().map(|run| &self.runs[*run as usize])
    }

    /// Returns the blob that holds a pixel.
    pub fn at(&self, x: u32, y: u32) -> Option<usize> {
        let after = self.runs.partition_point(|run| (run.y, run.from) <= (y, x));
        let run = self.runs.get(after.checked_sub(1)?)?;
        (run.y == y && x < run.to).then_some(run.blob as usize)
    }

    /// Counts the pixels of one blob that are in a mask.
    pub fn count_in(&self, blob: usize, mask: &Mask) -> usize {
        let inside = |run: &Run| {
            (run.from..run.to).filter(|x| mask.has(*x as usize, run.y as usize)).count()
        };
        self.runs_of(blob).map(inside).sum()
    }

    /// Adds the pixels of one blob to a mask.
    pub fn add_to(&self, blob: usize, levels: &[u8], width: usize, mask: &mut Mask) {
        for run in self.runs_of(blob) {
            let y = run.y as usize;
            for x in run.from as usize..run.to as usize {
                if levels[y * width + x] != CLEAN {
                    mask.set(x, y);
                }
            }
        }
    }
}

fn add_runs(
    line: &[u8],
    (y, level): (usize, u8),
    window: Window,
    reach: usize,
    runs: &mut Vec<Run>,
) {
    let mut x = window.left;
    while x < window.right {
        // Whole words of nothing are most of a picture.
        if x + 8 <= window.right && line[x..x + 8] == [CLEAN; 8] {
            x += 8;
            continue;
        }
        if line[x] < level {
            x += 1;
            continue;
        }
        let (from, mut to, mut strong) = (x, x, 0);
        while x < window.right {
            if line[x] >= level {
                to = x + 1;
                strong += u32::from(line[x] == STRONG);
            } else if x + 1 > to + reach - 1 {
                break;
            }
            x += 1;
        }
        runs.push(Run { y: y as u32, from: from as u32, to: to as u32, strong, blob: 0 });
    }
}

fn join_rows(
    runs: &[Run],
    above: std::ops::Range<usize>,
    below: std::ops::Range<usize>,
    reach: usize,
    parents: &mut [u32],
) {
    let (mut a, reach) = (above.start, reach as u32);
    for b in below {
        while a < above.end && runs[a].to + reach <= runs[b].from {
            a += 1;
        }
        let mut at = a;
        while at < above.end && runs[at].from < runs[b].to + reach {
            unite(parents, at as u32, b as u32);
            at += 1;
        }
    }
}

fn root(parents: &mut [u32], mut at: u32) -> u32 {
    while parents[at as usize] != at {
        parents[at as usize] = parents[parents[at as usize] as usize];
        at = parents[at as usize];
    }
    at
}

fn unite(parents: &mut [u32], a: u32, b: u32) {
    let (a, b) = (root(parents, a), root(parents, b));
    // The earlier one stays, so that blobs are numbered in reading order.
    parents[a.max(b) as usize] = a.min(b);
}

fn gather(mut runs: Vec<Run>, parents: &mut [u32], window: Window, reach: usize) -> Blobs {
    let mut numbers = vec![u32::MAX; runs.len()];
    let mut blobs: Vec<Blob> = Vec::new();
    for (at, run) in runs.iter_mut().enumerate() {
        let root = root(parents, at as u32) as usize;
        if numbers[root] == u32::MAX {
            numbers[root] = blobs.len() as u32;
            blobs.push(Blob::begun());
        }
        run.blob = numbers[root];
        blobs[numbers[root] as usize].add(run, window, reach);
    }
    let mut starts = vec![0_u32; blobs.len() + 1];
    runs.iter().for_each(|run| starts[run.blob as usize + 1] += 1);
    for at in 1..starts.len() {
        starts[at] += starts[at - 1];
    }
    let mut next = starts.clone();
    let mut order = vec![0_u32; runs.len()];
    for (at, run) in runs.iter().enumerate() {
        let place = &mut next[run.blob as usize];
        order[*place as usize] = at as u32;
        *place += 1;
    }
    Blobs { runs, blobs, starts, order }
}

impl Blob {
    fn begun() -> Blob {
        Blob {
            area: 0,
            strong: 0,
            left: usize::MAX,
            top: usize::MAX,
            right: 0,
            bottom: 0,
            at_top: None,
            at_left: None,
            at_right: None,
            at_bottom: None,
        }
    }

    fn add(&mut self, run: &Run, window: Window, reach: usize) {
        let (y, from, to) = (run.y as usize, run.from as usize, run.to as usize);
        self.area += to - from;
        self.strong += run.strong as usize;
        (self.left, self.right) = (self.left.min(from), self.right.max(to));
        (self.top, self.bottom) = (self.top.min(y), self.bottom.max(y + 1));
        let near = reach.max(1);
        if y < window.top + near {
            widen(&mut self.at_top, from, to);
        }
        if y + near >= window.bottom {
            widen(&mut self.at_bottom, from, to);
        }
        if from < window.left + near {
            widen(&mut self.at_left, y, y + 1);
        }
        if to + near > window.right {
            widen(&mut self.at_right, y, y + 1);
        }
    }

    /// Tells whether it hangs from the top or the upper part of a side and does not touch the
    /// rest of the edges: what a boom does, and people on the floor do not.
    pub fn hangs(&self, window: Window, side_share: f32, lowest_share: f32) -> bool {
        let row = |share: f32| window.top + (window.height() as f32 * share) as usize;
        let high = |contact: Contact| contact.is_none_or(|(_, end)| end <= row(side_share));
        let touches = self.at_top.is_some() || self.at_left.is_some() || self.at_right.is_some();
        // What comes from a side stays as high as the part of the side it may come through.
        let lowest = if self.at_top.is_some() { lowest_share } else { side_share };
        let free = self.at_bottom.is_none() && self.bottom <= row(lowest);
        touches && free && high(self.at_left) && high(self.at_right)
    }

    /// Tells whether it touches the lower edge or reaches as low as people on the floor do.
    pub fn stands(&self, window: Window, lowest_share: f32) -> bool {
        let lowest = window.top + (window.height() as f32 * lowest_share) as usize;
        self.at_bottom.is_some() || self.bottom > lowest
    }

    /// How far it reaches into the picture from the edge it hangs from.
    pub fn depth(&self, window: Window) -> usize {
        let from_top = self.at_top.map(|_| self.bottom - window.top);
        let from_left = self.at_left.map(|_| self.right - window.left);
        let from_right = self.at_right.map(|_| window.right - self.left);
        match from_top {
            Some(depth) => depth,
            None => from_left.into_iter().chain(from_right).max().unwrap_or(0),
        }
    }

    /// Tells whether the boxes of two blobs, grown by `by`, overlap.
    pub fn is_near(&self, other: &Blob, by: usize) -> bool {
        self.left < other.right + by
            && other.left < self.right + by
            && self.top < other.bottom + by
            && other.top < self.bottom + by
    }
}

fn widen(contact: &mut Contact, from: usize, to: usize) {
    let (a, b) = contact.unwrap_or((from, to));
    *contact = Some((a.min(from), b.max(to)));
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The plain way: flood from every pixel not yet numbered, in reading order.
    fn flooded(levels: &[u8], width: usize, reach: i64) -> Vec<usize> {
        let height = levels.len() / width;
        let mut numbers = vec![usize::MAX; levels.len()];
        let mut count = 0;
        for start in 0..levels.len() {
            if levels[start] == CLEAN || numbers[start] != usize::MAX {
                continue;
            }
            let mut stack = vec![start];
            numbers[start] = count;
            while let Some(at) = stack.pop() {
                let (x, y) = ((at % width) as i64, (at / width) as i64);
                for dy in -reach..=reach {
                    for dx in -reach..=reach {
                        let (x, y) = (x + dx, y + dy);
                        if x < 0 || y < 0 || x >= width as i64 || y >= height as i64 {
                            continue;
                        }
                        let near = y as usize * width + x as usize;
                        if levels[near] != CLEAN && numbers[near] == usize::MAX {
                            numbers[near] = count;
                            stack.push(near);
                        }
                    }
                }
            }
            count += 1;
        }
        numbers
    }

    #[test]
    fn blobs_are_those_of_a_flood() {
        let (width, height) = (37_usize, 23_usize);
        let mut state = 7_u64;
        for share in [4_u64, 8, 12, 30] {
            for reach in [1, 2] {
                let mut next = || {
                    state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                    (state >> 33) % share
                };
                let levels: Vec<u8> = (0..width * height)
                    .map(|_| match next() {
                        0 => STRONG,
                        1 => WEAK,
                        _ => CLEAN,
                    })
                    .collect();
                let blobs = Blobs::of(&levels, width, Window::whole(width, height), reach);
                let plain = flooded(&levels, width, reach as i64);
                for (at, number) in plain.iter().enumerate().filter(|(at, _)| levels[*at] != CLEAN)
                {
                    let (x, y) = ((at % width) as u32, (at / width) as u32);
                    assert_eq!(blobs.at(x, y), Some(*number), "{share} {reach} {x} {y}");
                }
                let strong: usize = blobs.blobs.iter().map(|blob| blob.strong).sum();
                assert_eq!(strong, levels.iter().filter(|level| **level == STRONG).count());
                for (number, blob) in blobs.blobs.iter().enumerate() {
                    let runs: usize =
                        blobs.runs_of(number).map(|run| (run.to - run.from) as usize).sum();
                    assert_eq!(runs, blob.area);
                }
            }
        }
    }

    #[test]
    fn what_touches_the_floor_does_not_hang() {
        let window = Window::whole(20, 20);
        let hangs = |pixels: &[(usize, usize)]| {
            let mut levels = vec![CLEAN; 400];
            pixels.iter().for_each(|(x, y)| levels[y * 20 + x] = STRONG);
            Blobs::of(&levels, 20, window, 1).blobs[0].hangs(window, 0.6, 0.75)
        };
        let column =
            |x: usize, rows: std::ops::Range<usize>| rows.map(|y| (x, y)).collect::<Vec<_>>();
        assert!(hangs(&column(9, 0..10)) && hangs(&column(0, 4..8)));
        assert!(
            !hangs(&column(9, 0..20)) && !hangs(&column(9, 3..10)) && !hangs(&column(0, 8..14))
        );
    }
}
