//! Boom, its shadow and actors of a frame, against a known plate.
//!
//! The plate is laid into the tone of the frame, with what is left of the light spanned from
//! the surroundings. Foreground is what lies outside the clean range by the stated threshold
//! after a smoothing of 3x3. A part that hangs from an edge is boom, one that stands on the
//! floor or in the middle is actor, a soft dark part beside the boom is its shadow. Where
//! both touch, the parts of strong contrast are told apart first, by what they were in the
//! frame before, and the rest goes to the nearer.

use super::blobs::{Blob, Blobs, CLEAN, STRONG, WEAK, Window};
use super::limits::ForegroundLimits;
use super::reference::{Reference, ReferenceSum, spread};
use super::sway::{Sway, smoothed};
use super::tone::{BlockMeans, Glow, Tone};
use super::track::contours;
use crate::measure::Mask;
use crate::measure::plane::Plane;
use crate::time::Frame;
use std::collections::VecDeque;

/// What the fit of the light errs by beside a soft shadow, in codes: it takes part of a wide one
/// for light. Ours, measured on drawn shots.
pub(super) const MISFIT: f32 = 0.4;

/// How far the skirt of a shadow is followed below the threshold, in pixels of the middle plane.
/// Ours: the softest shadows of drawn shots 3840 wide were told too narrow by less.
const SKIRT: usize = 3;

/// Gathers the clean range of a plate, frame by frame.
#[derive(Debug, Clone, Default)]
pub struct PlateRange {
    sum: ReferenceSum,
    /// The same of means, to tell what sways.
    smooth: Option<ReferenceSum>,
}

impl PlateRange {
    /// Begins without a frame.
    pub fn new() -> PlateRange {
        PlateRange::default()
    }

    /// Begins without a frame, and will tell leaves that sway in the plate from people.
    pub fn with_sway() -> PlateRange {
        PlateRange { smooth: Some(ReferenceSum::default()), ..PlateRange::default() }
    }

    /// Adds a frame of the plate; false, and nothing added, if it is not of the size of the
    /// first or holds no pixel.
    pub fn add(&mut self, mid: &Plane) -> bool {
        let added = mid.view().is_some() && !mid.data.is_empty() && self.sum.add(mid);
        if let Some(smooth) = self.smooth.as_mut().filter(|_| added) {
            smooth.add(&smoothed(mid));
        }
        added
    }

    /// Makes the foreground meter; `None` without a frame.
    pub fn finish(&self, limits: ForegroundLimits) -> Option<Foreground> {
        let mut plate = self.sum.finish(limits.shadow_codes)?;
        let (width, height) = (plate.width, plate.height);
        let moves = plate.half.iter().map(|half| *half > 0.0).collect();
        let smooth = self.smooth.as_ref().and_then(|sum| sum.finish_smooth(limits.shadow_codes));
        let sway = smooth.and_then(|smooth| Sway::of(&mut plate, &smooth));
        Some(Foreground {
            window: Window::whole(width, height),
            plate,
            moves,
            sway,
            limits,
            area: None,
            last: None,
            mapped: vec![0.0; width * height],
            off: vec![0.0; width * height],
            last_off: vec![0.0; width * height],
            levels: Vec::with_capacity(width * height),
        })
    }
}

/// What one frame shows that the plate does not.
#[derive(Debug, Clone, PartialEq)]
pub struct Split {
    /// The boom with its shadow, at the stated threshold.
    pub boom: Mask,
    /// The boom alone: the part of strong contrast.
    pub core: Mask,
    /// Everything else that is not plate: actors, their shadows, what they carry.
    pub actors: Mask,
    /// Tells whether a boom is in the picture.
    pub present: bool,
    /// The tone of the frame against the plate.
    pub tone: Tone,
    /// The threshold used, in 8-bit codes.
    pub threshold: f32,
}

/// What a part of strong contrast is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Boom,
    Actor,
    /// Boom and actor in one.
    Both,
    /// Light that the tone did not follow: the outline is in the plate as well.
    Light,
}

/// The strong parts of one blob.
#[derive(Debug, Clone, Default)]
struct Parts {
    boom: Vec<usize>,
    actors: Vec<usize>,
    both: Vec<usize>,
    light: usize,
}

impl Parts {
    fn add(&mut self, kind: Kind, number: usize) {
        match kind {
            Kind::Boom => self.boom.push(number),
            Kind::Actor => self.actors.push(number),
            Kind::Both => self.both.push(number),
            Kind::Light => self.light += 1,
        }
    }

    fn is_empty(&self) -> bool {
        self.boom.is_empty() && self.actors.is_empty() && self.both.is_empty() && self.light == 0
    }
}

/// Tells boom and actors from a known plate, one frame after the other.
#[derive(Debug, Clone)]
pub struct Foreground {
    window: Window,
    pub(super) plate: Reference,
    /// Pixels in which something moves in the plate.
    moves: Vec<bool>,
    pub(super) sway: Option<Sway>,
    pub(super) limits: ForegroundLimits,
    area: Option<Mask>,
    last: Option<(Frame, Mask, Mask)>,
    /// The plate in the light of the frame seen last.
    pub(super) mapped: Vec<f32>,
    off: Vec<f32>,
    last_off: Vec<f32>,
    levels: Vec<u8>,
}

impl Foreground {
    /// Limits the boom to an area, such as the region of a search or a log, grown as wanted.
    /// A set of another size is scaled.
    #[must_use]
    pub fn within(mut self, area: &Mask) -> Foreground {
        self.area = Some(area.scaled(self.plate.width, self.plate.height));
        self
    }

    /// Returns the pixels of the plate in which something moves: a patch there shows that.
    pub fn restless(&self) -> Mask {
        let (w, h) = (self.plate.width, self.plate.height);
        Mask::from_fn(w, h, |x, y| self.moves[y * w + x])
    }

    /// Returns where the plate sways round a place of rest, as leaves do; `None` where it does
    /// nowhere.
    pub fn swaying(&self) -> Option<&Mask> {
        self.sway.as_ref().map(|sway| &sway.mask)
    }

    /// Returns where things of some size move within the plate, such as somebody who walks
    /// through it: what is no background in the plate is none in a frame. Outlines that a
    /// camera's tremor moves are too thin to count.
    pub fn walked(&self) -> Mask {
        let (w, least) = (self.plate.width, self.limits.core_codes / 2.0);
        let mut moves =
            Mask::from_fn(w, self.plate.height, |x, y| self.plate.half[y * w + x] >= least);
        if let Some(sways) = self.swaying() {
            moves.take(sways);
        }
        let thin = (w / 320).max(2);
        moves.shrunk(thin).grown(thin)
    }

    /// Looks at a frame. Frames come in order; a frame of another size than the plate shows
    /// nothing.
    pub fn see(&mut self, frame: Frame, mid: &Plane) -> Split {
        let (width, height) = (self.plate.width, self.plate.height);
        let empty = || Mask::new(width, height);
        if (mid.width, mid.height) != (width, height) || mid.view().is_none() {
            let (tone, threshold) = (Tone::default(), self.limits.shadow_codes);
            return Split {
                boom: empty(),
                core: empty(),
                actors: empty(),
                present: false,
                tone,
                threshold,
            };
        }
        let blocks = BlockMeans::of(mid);
        let laid = self.sway.as_ref().map(|sway| sway.laid(mid));
        let mid = laid.as_ref().unwrap_or(mid);
        let tone = self.compare(mid, &blocks);
        let threshold = self.threshold(mid);
        let (mut boom, mut actors) = (empty(), empty());
        self.sort(frame, mid, &mut boom, &mut actors);
        if let Some(sway) = &self.sway {
            sway.widen(&mut actors);
            actors.take(&boom);
        }
        let mut core = empty();
        for (x, y) in boom.pixels().filter(|(x, y)| self.levels[y * width + x] == STRONG) {
            core.set(x, y);
        }
        self.add_skirt(threshold - MISFIT, &mut boom, &actors);
        // The skirt of a shadow fades below the threshold; a pixel more holds it.
        boom = boom.grown(1);
        boom.take(&actors);
        if let Some(area) = &self.area {
            boom.keep(area);
        }
        let least = (self.limits.present_share * (width * height) as f32).max(6.0);
        let present = core.count() as f32 >= least;
        if !present {
            boom = empty();
            core = empty();
        }
        self.last = Some((frame, boom.clone(), actors.clone()));
        std::mem::swap(&mut self.off, &mut self.last_off);
        Split { boom, core, actors, present, tone, threshold }
    }

    /// Lays the plate into the tone of the frame and takes it off.
    fn compare(&mut self, mid: &Plane, blocks: &BlockMeans) -> Tone {
        // The skirt of a shadow reaches beyond the mask; it is no light.
        let without = self.last.as_ref().map(|(_, boom, actors)| blocks.near(&[boom, actors]));
        let tone = Tone::fit(blocks, &self.plate.blocks, None);
        tone.map(&self.plate.middle, &self.plate.quarters, mid.width, &mut self.mapped);
        Glow::of(&tone, blocks, &self.plate.blocks, without.as_deref())
            .add_to(&mut self.mapped, mid.width);
        smoothed_difference(&mid.data, &self.mapped, mid.width, &mut self.off);
        tone
    }

    /// Sorts pixels by thresholds; returns the lower one.
    fn threshold(&mut self, mid: &Plane) -> f32 {
        let limits = &self.limits;
        let left = spread(&self.off, &self.plate.half);
        let weak = limits.shadow_codes.max(limits.shadow_sigmas * self.plate.grain);
        let strong = limits.core_codes.max(limits.core_sigmas * left).max(2.0 * weak);
        debug_assert_eq!(mid.data.len(), self.off.len());
        self.levels.clear();
        self.levels.extend(self.off.iter().zip(&self.plate.half).map(|(off, half)| {
            let off = off.abs() - half;
            CLEAN + WEAK * u8::from(off >= weak) + (STRONG - WEAK) * u8::from(off >= strong)
        }));
        for at in
            self.sway.iter().flat_map(|sway| sway.mask.pixels()).map(|(x, y)| y * mid.width + x)
        {
            let half = self.plate.half[at];
            if self.levels[at] == STRONG && self.off[at].abs() - half < strong + Sway::gust(half) {
                self.levels[at] = WEAK;
            }
        }
        weak
    }

    fn sort(&self, frame: Frame, mid: &Plane, boom: &mut Mask, actors: &mut Mask) {
        let (width, levels) = (self.plate.width, &self.levels);
        let blobs = Blobs::of(levels, width, self.window, 2);
        let cores = Blobs::from_level(STRONG, levels, width, self.window, 2);
        let mut parts: Vec<Parts> = vec![Parts::default(); blobs.blobs.len()];
        let mut first = vec![None; cores.blobs.len()];
        for run in &cores.runs {
            first[run.blob as usize].get_or_insert((run.from, run.y));
        }
        for (number, core) in cores.blobs.iter().enumerate().filter(|(_, core)| core.area >= 4) {
            let owner = first[number].and_then(|(x, y)| blobs.at(x, y));
            let Some(owner) = owner else { continue };
            let kind = self.kind(frame, mid, &cores, number, core, &blobs.blobs[owner]);
            parts[owner].add(kind, number);
        }
        drop_lone(&mut parts, &cores, (self.limits.shadow_reach * width as f32) as usize);
        for (number, parts) in parts.iter().enumerate() {
            match (parts.boom.is_empty() && parts.both.is_empty(), parts.actors.is_empty()) {
                (true, true) => {}
                (true, false) => blobs.add_to(number, levels, width, actors),
                _ => self.part(&blobs, number, &cores, parts, boom, actors),
            }
        }
        self.add_shadows(&blobs, &parts, boom, actors);
    }

    /// Tells what a part of strong contrast is.
    fn kind(
        &self,
        frame: Frame,
        mid: &Plane,
        cores: &Blobs,
        number: usize,
        core: &Blob,
        owner: &Blob,
    ) -> Kind {
        let limits = &self.limits;
        let (was_boom, was_actor) = self.was(frame, cores, number);
        if core.stands(self.window, limits.lowest_share) {
            return if was_boom >= 6 && core.at_top.or(core.at_left).or(core.at_right).is_some() {
                Kind::Both
            } else {
                Kind::Actor
            };
        }
        let hangs = |blob: &Blob| blob.hangs(self.window, limits.side_share, limits.lowest_share);
        let tracked = was_boom > was_actor && 5 * was_boom >= core.area.min(self.last_size());
        if !(tracked || hangs(owner)) {
            return Kind::Actor;
        }
        let outside =
            self.area.as_ref().is_some_and(|area| 2 * cores.count_in(number, area) < core.area);
        // Means of leaves have no outlines to go by.
        let sways = self.sway.as_ref().map_or(0, |sway| cores.count_in(number, &sway.mask));
        let clear = 2 * sways > core.area || {
            let (less, sum) =
                contours(cores, number, mid, &self.mapped, |at| self.levels[at] == STRONG);
            less >= f64::from(limits.outline) * sum * if tracked { 0.5 } else { 1.0 }
        };
        match (outside, clear, 4 * was_actor < core.area || was_boom >= was_actor) {
            (false, true, true) => Kind::Boom,
            (_, false, _) if was_actor == 0 => Kind::Light,
            _ => Kind::Actor,
        }
    }

    /// Counts the pixels of a part that were boom and that were actor in the frame before.
    fn was(&self, frame: Frame, cores: &Blobs, number: usize) -> (usize, usize) {
        match &self.last {
            Some((last, boom, actors)) if (0..=3).contains(&(frame.0 - last.0)) => {
                (cores.count_in(number, boom), cores.count_in(number, actors))
            }
            _ => (0, 0),
        }
    }

    fn last_size(&self) -> usize {
        self.last.as_ref().map_or(0, |(_, boom, _)| boom.count())
    }

    /// Parts a blob that holds a boom: from its strong pixels the rest goes to the nearer,
    /// and to the boom no farther than a shadow falls.
    fn part(
        &self,
        blobs: &Blobs,
        number: usize,
        cores: &Blobs,
        parts: &Parts,
        boom: &mut Mask,
        actors: &mut Mask,
    ) {
        let (width, height) = (self.plate.width, self.plate.height);
        let mut owner = vec![0_u8; width * height];
        let mut queue = VecDeque::new();
        let mut seed = |x: u32, y: u32, own: u8| {
            let at = y as usize * width + x as usize;
            if self.levels[at] == STRONG {
                owner[at] = own;
                queue.push_back((x as usize, y as usize, 0_usize));
            }
        };
        for (list, own) in [(&parts.boom, 1), (&parts.actors, 2)] {
            for run in list.iter().flat_map(|core| cores.runs_of(*core)) {
                (run.from..run.to).for_each(|x| seed(x, run.y, own));
            }
        }
        let last =
            self.last.as_ref().map(|(_, boom, actors)| (boom.grown((width / 120).max(2)), actors));
        for run in parts.both.iter().flat_map(|core| cores.runs_of(*core)) {
            for x in run.from..run.to {
                let (px, py) = (x as usize, run.y as usize);
                let was = last.as_ref().is_some_and(|(near, actors)| {
                    near.has(px, py) && !actors.has(px, py) && !self.jumps(px, py)
                });
                seed(x, run.y, if was { 1 } else { 2 });
            }
        }
        let reach = (self.limits.shadow_reach * width as f32) as usize;
        // The shadow of a pole may hang together with it at the tip alone: along it the way is
        // long, and yet it falls beside.
        let hung = parts.boom.iter().chain(&parts.both).map(|core| &cores.blobs[*core]);
        let hung: Vec<&Blob> = hung.collect();
        let falls = |x: usize, y: usize| {
            let within = |core: &&&Blob| {
                x + reach >= core.left
                    && x < core.right + reach
                    && y + reach >= core.top
                    && y < core.bottom + reach
            };
            self.off[y * width + x] < 0.0 && hung.iter().any(|core| within(&core))
        };
        while let Some((x, y, steps)) = queue.pop_front() {
            let own = owner[y * width + x];
            if own == 1 && steps >= reach && !falls(x, y) {
                continue;
            }
            let beside = [(x.wrapping_sub(1), y), (x + 1, y), (x, y.wrapping_sub(1)), (x, y + 1)];
            let clean = |(x, y): &(usize, usize)| {
                *x < width && *y < height && self.levels[y * width + x] == CLEAN
            };
            let mut step = |(x, y): (usize, usize), by: usize| {
                let at = y * width + x;
                if owner[at] == 0 && self.levels[at] != CLEAN {
                    owner[at] = own;
                    queue.push_back((x, y, steps + by));
                }
            };
            if beside.iter().any(clean) {
                // A blob bridges gaps of a pixel, so this has to.
                for row in y.saturating_sub(2)..(y + 3).min(height) {
                    for column in x.saturating_sub(2)..(x + 3).min(width) {
                        step((column, row), x.abs_diff(column).max(y.abs_diff(row)));
                    }
                }
            } else {
                let inside = |(x, y): &(usize, usize)| *x < width && *y < height;
                beside.into_iter().filter(inside).for_each(|place| step(place, 1));
            }
        }
        for run in blobs.runs_of(number) {
            for x in run.from as usize..run.to as usize {
                match owner[run.y as usize * width + x] {
                    1 => boom.set(x, run.y as usize),
                    2 => actors.set(x, run.y as usize),
                    _ => {}
                }
            }
        }
    }

    /// Tells whether a pixel changed by more since the frame before than a boom at rest does:
    /// somebody has stepped into its shadow.
    fn jumps(&self, x: usize, y: usize) -> bool {
        let at = y * self.plate.width + x;
        (self.off[at] - self.last_off[at]).abs() > self.limits.jump_codes
    }

    /// Adds soft dark parts beside the boom that no actor touches.
    fn add_shadows(&self, blobs: &Blobs, parts: &[Parts], boom: &mut Mask, actors: &Mask) {
        let width = self.plate.width;
        let Some(near) = boom.bounds() else { return };
        let reach = (self.limits.shadow_reach * width as f32) as usize;
        let people = actors.grown((width / 160).max(2));
        let size = boom.count();
        for (number, blob) in blobs.blobs.iter().enumerate() {
            let soft = (30..=size).contains(&blob.area)
                && parts[number].is_empty()
                && is_within(blob, near, reach);
            if soft && blobs.count_in(number, &people) == 0 && self.is_shadow(blobs, number) {
                blobs.add_to(number, &self.levels, width, boom);
            }
        }
    }

    /// Follows the skirt of a shadow from what was seen of it down to `least` codes.
    fn add_skirt(&self, least: f32, boom: &mut Mask, actors: &Mask) {
        let (width, half) = (self.plate.width, &self.plate.half);
        for _ in 0..SKIRT {
            let mut rim = boom.grown(1);
            rim.take(boom);
            rim.take(actors);
            let dark = |(x, y): &(usize, usize)| {
                let at = y * width + x;
                -self.off[at] - half[at] >= least
            };
            let more: Vec<_> = rim.pixels().filter(dark).collect();
            if more.is_empty() {
                break;
            }
            more.into_iter().for_each(|(x, y)| boom.set(x, y));
        }
    }

    /// Darker than the plate throughout.
    fn is_shadow(&self, blobs: &Blobs, number: usize) -> bool {
        let width = self.plate.width;
        let (mut dark, mut all) = (0, 0);
        for run in blobs.runs_of(number) {
            for x in run.from as usize..run.to as usize {
                all += 1;
                dark += usize::from(self.off[run.y as usize * width + x] < 0.0);
            }
        }
        10 * dark >= 9 * all
    }
}

/// Drops small boom parts far from the largest: a boom is one thing, or two of some size.
fn drop_lone(parts: &mut [Parts], cores: &Blobs, reach: usize) {
    let size = |parts: &Parts| -> usize {
        parts.boom.iter().chain(&parts.both).map(|core| cores.blobs[*core].area).sum()
    };
    let Some(largest) =
        (0..parts.len()).max_by_key(|at| (size(&parts[*at]), std::cmp::Reverse(*at)))
    else {
        return;
    };
    let whole = size(&parts[largest]);
    let main: Vec<usize> =
        parts[largest].boom.iter().chain(&parts[largest].both).copied().collect();
    for (at, parts) in parts.iter_mut().enumerate().filter(|(at, _)| *at != largest) {
        let small = 5 * size(parts) < whole;
        let count = parts.boom.len();
        parts.boom.retain(|core| {
            let near =
                main.iter().any(|main| cores.blobs[*core].is_near(&cores.blobs[*main], reach));
            !small || near
        });
        parts.light += count - parts.boom.len();
        debug_assert!(at != largest);
    }
}

/// Tells whether a blob lies within `reach` of a rectangle.
fn is_within(blob: &Blob, rectangle: (usize, usize, usize, usize), reach: usize) -> bool {
    let (left, top, right, bottom) = rectangle;
    blob.left + reach >= left
        && blob.top + reach >= top
        && blob.right <= right + reach
        && blob.bottom <= bottom + reach
}

/// Takes one plane off another and smooths by 1-2-1 across and down; edges repeat.
fn smoothed_difference(frame: &[f32], plate: &[f32], width: usize, out: &mut [f32]) {
    let height = out.len() / width.max(1);
    if height == 0 {
        return;
    }
    let mut lines = [vec![0.0_f32; width], vec![0.0_f32; width], vec![0.0_f32; width]];
    let mut off = vec![0.0_f32; width + 2];
    let mut across = |y: usize, line: &mut [f32]| {
        let rows = frame[y * width..].iter().zip(&plate[y * width..]);
        for (off, (frame, plate)) in off[1..=width].iter_mut().zip(rows) {
            *off = frame - plate;
        }
        (off[0], off[width + 1]) = (off[1], off[width]);
        for (value, near) in line.iter_mut().zip(off.windows(3)) {
            *value = 0.25 * (near[0] + near[2]) + 0.5 * near[1];
        }
    };
    across(0, &mut lines[1]);
    lines[0] = lines[1].clone();
    for (y, out) in out.chunks_exact_mut(width).enumerate() {
        across((y + 1).min(height - 1), &mut lines[2]);
        let sums = lines[0].iter().zip(&lines[1]).zip(&lines[2]);
        for (out, ((above, own), below)) in out.iter_mut().zip(sums) {
            *out = 0.25 * (above + below) + 0.5 * own;
        }
        lines.rotate_left(1);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The plain way: nine weights for each pixel, edges repeated.
    #[test]
    fn the_smoothed_difference_is_that_of_nine_weights() {
        let (width, height) = (7_usize, 5_usize);
        let value = |at: usize, step: usize| ((at * step + 11) % 97) as f32;
        let frame: Vec<f32> = (0..35).map(|at| value(at, 31)).collect();
        let plate: Vec<f32> = (0..35).map(|at| value(at, 53)).collect();
        let mut fast = vec![0.0; 35];
        smoothed_difference(&frame, &plate, width, &mut fast);
        for (at, fast) in fast.iter().enumerate() {
            let mut plain = 0.0;
            for (dy, down) in [(-1_i64, 0.25), (0, 0.5), (1, 0.25)] {
                for (dx, across) in [(-1_i64, 0.25), (0, 0.5), (1, 0.25)] {
                    let x = ((at % width) as i64 + dx).clamp(0, width as i64 - 1) as usize;
                    let y = ((at / width) as i64 + dy).clamp(0, height as i64 - 1) as usize;
                    plain += down * across * (frame[y * width + x] - plate[y * width + x]);
                }
            }
            assert!((fast - plain).abs() < 1e-4, "{at}: {fast} {plain}");
        }
    }
}
