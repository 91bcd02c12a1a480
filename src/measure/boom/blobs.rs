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
        self.runs.iter().filter(move |run| run.blob as usize == blob)
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
    Blobs { runs, blobs }
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
        let free = self.at_bottom.is_none() && self.bottom <= row(lowest_share);
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
