//! Follows what hangs into the picture from frame to frame, against one reference.

use super::blobs::{Blob, Blobs, CLEAN, Window};
use super::reference::Compared;
use crate::measure::Mask;
use crate::measure::plane::Plane;

/// Frames a track may miss before it ends. Ours: a pole thinner than a pixel comes and goes.
const MISSES: usize = 2;

/// Frames a track goes on while only its weak part is left. Ours.
const FADING: usize = 6;

/// Slope from which a pixel of an outline has a vote, in codes over two pixels each way.
/// Ours: above grain.
const STEEP: f32 = 4.0;

/// Something that hung in the picture over a run of frames.
#[derive(Debug, Clone)]
pub(super) struct Track {
    /// First frame.
    pub start: usize,
    /// Frame after the last.
    pub end: usize,
    /// Reach into the picture at each frame, in pixels; zero where missed.
    pub depths: Vec<u16>,
    /// Largest area, in pixels.
    pub peak: usize,
    /// Sum of the areas over its frames.
    pub mass: f64,
    /// Contrast of its contour in the frames less that in the reference, and their sum.
    pub contours: (f64, f64),
    /// Every pixel it covered.
    pub union: Mask,
    last: Blob,
    last_mask: Mask,
    last_grown: Mask,
    last_strong: usize,
}

/// What a blob looked like in one frame.
#[derive(Debug, Clone)]
struct Sight {
    blob: Blob,
    number: usize,
    contours: (f64, f64),
}

/// What a track and its reference are measured by.
#[derive(Debug, Clone, Copy)]
pub(super) struct Manner {
    pub window: Window,
    pub side_share: f32,
    pub lowest_share: f32,
    /// Least area of a blob that begins a track, in pixels.
    pub least_area: usize,
}

/// The tracks against one reference.
#[derive(Debug, Default)]
pub(super) struct Tracker {
    open: Vec<Track>,
    pub done: Vec<Track>,
    /// Weak blobs of the frames before, so that a track can begin earlier.
    before: Vec<Vec<Blob>>,
    /// What stood in the frame before.
    people: Mask,
}

impl Track {
    /// Contrast of the contour: 1 if only the frames show it, -1 if only the reference does.
    pub fn polarity(&self) -> f64 {
        if self.contours.1 > 0.0 { self.contours.0 / self.contours.1 } else { 0.0 }
    }

    /// How far it reached when it was all in: the ninth tenth of its depths.
    pub fn full_depth(&self) -> f64 {
        let mut depths = self.depths.clone();
        depths.sort_unstable();
        f64::from(depths.get(depths.len() * 9 / 10).copied().unwrap_or(0))
    }

    pub fn frames(&self) -> usize {
        self.end - self.start
    }

    fn add(
        &mut self,
        frame: usize,
        sights: &[&Sight],
        blobs: &Blobs,
        levels: &[u8],
        window: Window,
    ) {
        let mut mask = Mask::new(self.union.width(), self.union.height());
        let (mut area, mut depth, mut strong) = (0, 0, 0);
        for sight in sights {
            blobs.add_to(sight.number, levels, mask.width(), &mut mask);
            area += sight.blob.area;
            depth = depth.max(sight.blob.depth(window));
            strong += sight.blob.strong;
            self.contours.0 += sight.contours.0;
            self.contours.1 += sight.contours.1;
        }
        let Some(first) =
            sights.iter().max_by_key(|sight| (sight.blob.area, std::cmp::Reverse(sight.number)))
        else {
            return;
        };
        self.last = first.blob.clone();
        if strong >= 2 {
            self.last_strong = frame;
        }
        self.union.add(&mask);
        self.last_grown = mask.grown(2);
        self.last_mask = mask;
        self.note(frame, depth, area);
    }

    fn note(&mut self, frame: usize, depth: usize, area: usize) {
        self.depths.resize(frame - self.start, 0);
        self.depths.push(u16::try_from(depth).unwrap_or(u16::MAX));
        self.end = frame + 1;
        self.peak = self.peak.max(area);
        self.mass += area as f64;
    }

    /// Returns the part that covers a good part of what was last covered.
    fn part_of<'a>(&self, freed: &'a [(Blob, Mask)]) -> Option<&'a (Blob, Mask)> {
        let both = |mask: &Mask| {
            let mut both = mask.clone();
            both.keep(&self.last_grown);
            both.count()
        };
        let fits = |part: &&(Blob, Mask)| {
            5 * both(&part.1) >= part.0.area.min(self.last_mask.count()).max(1)
        };
        freed.iter().filter(fits).max_by_key(|part| part.0.area)
    }

    fn goes_on(&mut self, frame: usize, (blob, mask): &(Blob, Mask), window: Window) {
        self.last = blob.clone();
        self.last_strong = frame;
        self.union.add(mask);
        self.last_grown = mask.grown(2);
        self.last_mask = mask.clone();
        self.note(frame, blob.depth(window), blob.area);
    }

    /// Tells whether what it last covered is still foreground and its outline still there:
    /// so it goes on while it touches an actor.
    fn persists(&self, plane: &Plane, compared: &Compared) -> bool {
        let width = self.last_mask.width();
        let (mut held, mut all) = (0, 0);
        for (x, y) in self.last_mask.pixels() {
            all += 1;
            held += usize::from(compared.levels[y * width + x] != CLEAN);
        }
        let inside = |at: usize| self.last_mask.has(at % width, at / width);
        let (less, sum) = outline(self.last_mask.pixels(), plane, &compared.mapped, inside);
        10 * held >= 7 * all && less > 0.3 * sum
    }
}

impl Tracker {
    /// Takes a frame and its foreground.
    pub fn see(&mut self, frame: usize, plane: &Plane, compared: &Compared, manner: Manner) {
        let (width, levels) = (plane.width, &compared.levels);
        let blobs = Blobs::of(levels, width, manner.window, 2);
        let mut sights = Vec::new();
        let mut weak = Vec::new();
        for (number, blob) in blobs.blobs.iter().enumerate() {
            if blob.area < 3 || !blob.hangs(manner.window, manner.side_share, manner.lowest_share) {
                continue;
            }
            weak.push(blob.clone());
            let contours =
                contours(&blobs, number, plane, &compared.mapped, |at| levels[at] != CLEAN);
            sights.push(Sight { blob: blob.clone(), number, contours });
        }
        let people = self.people(&blobs, levels, manner, (width, plane.height));
        let freed = self.freed(&blobs, levels, &people, manner, width);
        let mut taken = vec![false; sights.len()];
        let reach = (width / 32).max(3);
        for track in &mut self.open {
            let near: Vec<usize> = (0..sights.len())
                .filter(|at| {
                    !taken[*at]
                        && track.accepts(&sights[*at])
                        && track.meets(&sights[*at], &blobs, reach)
                })
                .collect();
            near.iter().for_each(|at| taken[*at] = true);
            let near: Vec<&Sight> = near.iter().map(|at| &sights[*at]).collect();
            if !near.is_empty() {
                track.add(frame, &near, &blobs, levels, manner.window);
            } else if let Some(part) = track.part_of(&freed) {
                track.goes_on(frame, part, manner.window);
            } else if track.persists(plane, compared) {
                let depth = track.depths.last().copied().unwrap_or(0);
                track.last_strong = frame;
                track.note(frame, usize::from(depth), track.last_mask.count());
            }
        }
        for (sight, taken) in sights.iter().zip(taken) {
            if !taken && sight.blob.area >= manner.least_area && sight.blob.strong >= 3 {
                self.begin(frame, sight, &blobs, levels, manner.window, (width, plane.height));
            }
        }
        self.close(|track| frame + 1 > track.end + MISSES || frame > track.last_strong + FADING);
        self.people = people;
        for track in self.open.iter().filter(|track| track.end == frame + 1) {
            self.people.take(&track.last_mask);
        }
        self.before.push(weak);
        if self.before.len() > 3 {
            self.before.remove(0);
        }
    }

    /// Gathers what stands on the floor.
    fn people(
        &self,
        blobs: &Blobs,
        levels: &[u8],
        manner: Manner,
        (width, height): (usize, usize),
    ) -> Mask {
        let mut people = Mask::new(width, height);
        if !self.open.is_empty() {
            for (number, blob) in blobs.blobs.iter().enumerate() {
                if blob.stands(manner.window, manner.lowest_share) {
                    blobs.add_to(number, levels, width, &mut people);
                }
            }
        }
        people
    }

    /// Parts what stands and touches the top or a side from what stood before: a boom that
    /// has come to touch an actor hangs again.
    fn freed(
        &self,
        blobs: &Blobs,
        levels: &[u8],
        people: &Mask,
        manner: Manner,
        width: usize,
    ) -> Vec<(Blob, Mask)> {
        let touches = |blob: &Blob| {
            let high = blob.at_top.is_some() || blob.at_left.is_some() || blob.at_right.is_some();
            high && blob.stands(manner.window, manner.lowest_share)
        };
        let near = |blob: &&Blob| {
            touches(blob) && self.open.iter().any(|track| track.last.is_near(blob, 4))
        };
        if self.people.is_empty() || !blobs.blobs.iter().any(|blob| near(&blob)) {
            return Vec::new();
        }
        let mut rest = people.clone();
        rest.take(&self.people.grown(1));
        let mut free = vec![CLEAN; levels.len()];
        for (x, y) in rest.pixels() {
            free[y * width + x] = levels[y * width + x];
        }
        let parts = Blobs::of(&free, width, manner.window, 2);
        let mut freed = Vec::new();
        for (number, blob) in parts.blobs.iter().enumerate() {
            if blob.area >= 3 && blob.hangs(manner.window, manner.side_share, manner.lowest_share) {
                let mut mask = Mask::new(people.width(), people.height());
                parts.add_to(number, &free, width, &mut mask);
                freed.push((blob.clone(), mask));
            }
        }
        freed
    }

    /// Ends all tracks.
    pub fn finish(&mut self) {
        self.close(|_| true);
        self.done.sort_by_key(|track| (track.start, track.end));
    }

    fn close(&mut self, ends: impl Fn(&Track) -> bool) {
        let (ended, open) =
            std::mem::take(&mut self.open).into_iter().partition(|track| ends(track));
        self.open = open;
        self.done.extend(Vec::into_iter(ended).map(|mut track: Track| {
            if track.end > track.last_strong + FADING {
                track.end = track.last_strong + 1;
                track.depths.truncate(track.end - track.start);
            }
            track
        }));
    }

    fn begin(
        &mut self,
        frame: usize,
        sight: &Sight,
        blobs: &Blobs,
        levels: &[u8],
        window: Window,
        size: (usize, usize),
    ) {
        let depth = sight.blob.depth(window);
        let mut earlier = Vec::new();
        for blobs in self.before.iter().rev() {
            let fits = |blob: &&Blob| blob.is_near(&sight.blob, 3) && blob.depth(window) <= depth;
            match blobs.iter().filter(fits).map(|blob| blob.depth(window)).max() {
                Some(depth) => earlier.push(u16::try_from(depth).unwrap_or(u16::MAX)),
                None => break,
            }
        }
        earlier.reverse();
        let mut track = Track {
            start: frame - earlier.len(),
            end: frame,
            depths: earlier,
            peak: 0,
            mass: 0.0,
            contours: (0.0, 0.0),
            union: Mask::new(size.0, size.1),
            last: sight.blob.clone(),
            last_mask: Mask::new(size.0, size.1),
            last_grown: Mask::new(size.0, size.1),
            last_strong: frame,
        };
        track.add(frame, &[sight], blobs, levels, window);
        self.open.push(track);
    }
}

impl Track {
    /// Tells whether a blob covers a good part of what was last covered, or is covered by it.
    fn meets(&self, sight: &Sight, blobs: &Blobs, reach: usize) -> bool {
        if !sight.blob.is_near(&self.last, reach) {
            return false;
        }
        let both = blobs.count_in(sight.number, &self.last_grown);
        5 * both >= sight.blob.area.min(self.last_mask.count()).max(1)
    }

    /// A ghost does not go on as a boom, nor a boom as a ghost.
    fn accepts(&self, sight: &Sight) -> bool {
        let other = if sight.contours.1 > 0.0 { sight.contours.0 / sight.contours.1 } else { 0.0 };
        let own = self.polarity();
        own * other >= 0.0 || own.abs() < 0.15 || other.abs() < 0.15
    }
}

pub(super) fn contours(
    blobs: &Blobs,
    number: usize,
    plane: &Plane,
    mapped: &[f32],
    inside: impl Fn(usize) -> bool,
) -> (f64, f64) {
    let pixels = blobs
        .runs_of(number)
        .flat_map(|run| (run.from..run.to).map(move |x| (x as usize, run.y as usize)));
    outline(pixels, plane, mapped, inside)
}

/// Counts the pixels along the inside of an outline where the frame is twice as steep as
/// the reference less those where it is the other way round, and both: the outline of a thing
/// is where the picture that holds it is steep. Votes, because a hard edge of the set that
/// crosses the outline would outweigh all the rest.
fn outline(
    pixels: impl Iterator<Item = (usize, usize)>,
    plane: &Plane,
    reference: &[f32],
    inside: impl Fn(usize) -> bool,
) -> (f64, f64) {
    let (width, height) = (plane.width, plane.height);
    let (mut less, mut sum) = (0.0, 0.0);
    for (x, y) in pixels {
        if x < 2 || y < 2 || x + 2 >= width || y + 2 >= height {
            continue;
        }
        let at = y * width + x;
        if !inside(at) || [at - 2, at + 2, at - 2 * width, at + 2 * width].into_iter().all(&inside)
        {
            continue;
        }
        let slope =
            |p: &[f32]| (p[at + 1] - p[at - 1]).abs() + (p[at + width] - p[at - width]).abs();
        let (own, other) = (slope(&plane.data), slope(reference));
        if own.max(other) > STEEP {
            less += f64::from(i8::from(own > 2.0 * other) - i8::from(other > 2.0 * own));
            sum += 1.0;
        }
    }
    (less, sum)
}
