//! Plates and boom spans that nobody logged.

use super::blobs::{CLEAN, Window};
use super::confirming::confirming;
use super::hypothesis::{Hypothesis, likeness, merged, ranked};
use super::limits::{FinderLimits, LONG};
use super::reference::{Compared, Reference, ReferenceSum, Steps};
use super::restless;
use super::small_take::SmallTake;
use super::tone::BlockMeans;
use super::track::{Manner, Track, Tracker};
use crate::measure::Mask;
use crate::measure::plane::Plane;
use crate::time::{FrameRange, union};
use std::ops::Range;

/// What is known beforehand. It narrows the search and never replaces what is seen.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Hints {
    /// Plates that a log claims (file frames). They are tried as references first.
    pub plates: Vec<FrameRange>,
    /// Where the boom is if a log says so, as shares of width and height: left, top, right,
    /// bottom.
    pub area: Option<[f32; 4]>,
    /// Lock-offs (file frames); empty means all of the take.
    pub usable: Vec<FrameRange>,
}

/// What can be said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Say {
    /// Nothing was seen to come or go, and nothing at the edge moves. A boom that hangs still
    /// in every frame looks just like that.
    NoBoomEvent,
    /// A boom was seen to come or go, and plates confirm it.
    Booms,
    /// The pictures do not tell.
    CannotTell(Why),
}

/// Why the pictures do not tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Why {
    /// There is no frame.
    NoFrames,
    /// There are fewer frames than a plate needs.
    TooShort,
    /// Something hangs in the picture and moves, and never comes or goes.
    NeverLeaves,
    /// Something comes or goes, and no run of frames without it confirms that.
    Unconfirmed,
    /// The camera never stands long enough.
    CameraMoves,
}

impl Found {
    /// What is found where nothing can be looked for; `size` is that of the small plane.
    pub fn nothing(size: (usize, usize), why: Why) -> Found {
        Found {
            booms: Vec::new(),
            plates: Vec::new(),
            short: Vec::new(),
            doubtful: Vec::new(),
            region: Mask::new(size.0, size.1),
            say: Say::CannotTell(why),
        }
    }
}

/// Plates and booms of a take, in file frames from the first one added.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Frames with the boom or its shadow in the picture.
    pub booms: Vec<FrameRange>,
    /// Frames without, confirmed, less a guard at each boom.
    pub plates: Vec<FrameRange>,
    /// As `plates`, but fewer frames than a plate needs.
    pub short: Vec<FrameRange>,
    /// Frames that were neither confirmed as plate nor as boom.
    pub doubtful: Vec<FrameRange>,
    /// Every small pixel that boom or shadow covered.
    pub region: Mask,
    /// What can be said of the whole.
    pub say: Say,
}

/// Finds plates and booms. See the module for the steps.
///
/// # Errors
///
/// As the system says: frames cannot be read back.
pub fn find(take: &mut SmallTake, hints: &Hints, limits: &FinderLimits) -> std::io::Result<Found> {
    let (width, height) = take.size();
    let mut found = Found {
        booms: Vec::new(),
        plates: Vec::new(),
        short: Vec::new(),
        doubtful: Vec::new(),
        region: Mask::new(width, height),
        say: Say::CannotTell(Why::NoFrames),
    };
    let whole = FrameRange::new(0, take.frames() as i64);
    let mut said = Vec::new();
    for span in lock_offs(&hints.usable, whole) {
        let say = Search { take, hints, limits, span }.run(&mut found)?;
        said.push(say);
    }
    let first = |wanted: fn(&Say) -> bool| said.iter().copied().find(wanted);
    found.say = first(|say| *say == Say::Booms)
        .or_else(|| first(|say| matches!(say, Say::CannotTell(why) if *why != Why::TooShort)))
        .or_else(|| first(|say| *say == Say::NoBoomEvent))
        .or_else(|| said.first().copied())
        .unwrap_or(found.say);
    Ok(found)
}

fn lock_offs(usable: &[FrameRange], whole: FrameRange) -> Vec<Range<usize>> {
    let usable = if usable.is_empty() { vec![whole] } else { union(usable) };
    let inside = usable.iter().filter_map(|range| range.overlap(whole));
    inside.map(|range| range.start.0 as usize..range.end.0 as usize).collect()
}

fn file_range(range: &Range<usize>) -> FrameRange {
    FrameRange::new(range.start as i64, range.end as i64)
}

/// References are looked at by so many threads. Ours: the least of processors in use.
const WORKERS: usize = 2;

/// Frames that are read ahead together.
const BATCH: usize = 16;

/// References that are tried first of a long take. Ours: those of most takes agree.
const FEW: usize = 6;

/// Puts `count` references that are evenly spread before the others; returns how many.
fn spread_first<T>(references: &mut [T], count: usize) -> usize {
    let of = references.len();
    if of <= count {
        return 0;
    }
    // Each place lies at or behind the one it is exchanged with.
    (0..count).for_each(|at| references.swap(at, at * (of - 1) / (count - 1)));
    count
}

/// What one frame shows of a region against a reference.
#[derive(Debug, Clone, Copy, Default)]
struct Counted {
    /// The part of it that is not as in the reference.
    share: f32,
    /// Whether that is no more than a sliver along the edge.
    sliver: bool,
}

/// What hung in the picture against one reference.
#[derive(Default)]
struct Followed {
    tracker: Tracker,
    /// One number for each frame.
    counts: Vec<Counted>,
    compared: Compared,
}

impl Followed {
    fn see(
        &mut self,
        reference: &Reference,
        (frame, plane, blocks): (usize, &Plane, &BlockMeans),
        steps: Steps,
        manner: Manner,
    ) {
        reference.compare(plane, blocks, steps, &mut self.compared);
        self.tracker.see(frame, plane, &self.compared, manner);
    }
}

/// One lock-off.
struct Search<'a> {
    take: &'a mut SmallTake,
    hints: &'a Hints,
    limits: &'a FinderLimits,
    span: Range<usize>,
}

impl Search<'_> {
    fn run(&mut self, found: &mut Found) -> std::io::Result<Say> {
        if self.span.len() < self.limits.plate_frames {
            found.doubtful.push(file_range(&self.span));
            return Ok(Say::CannotTell(Why::TooShort));
        }
        let windows = self.windows()?;
        let mut references = self.references(&windows)?;
        let few = if self.span.len() > LONG { spread_first(&mut references, FEW) } else { 0 };
        let (few, rest) = references.split_at(few);
        let mut unconfirmed = false;
        for steps in self.limits.steps {
            let mut hypotheses = self.hypotheses(few, steps)?;
            for best in ranked(hypotheses.clone()) {
                if self.confirm(&best, steps, found)? {
                    return Ok(Say::Booms);
                }
            }
            hypotheses.extend(self.hypotheses(rest, steps)?);
            for best in ranked(hypotheses) {
                if self.confirm(&best, steps, found)? {
                    return Ok(Say::Booms);
                }
                // One window of many that sees something is the window's own doing.
                unconfirmed |= best.support >= self.limits.support;
            }
        }
        let why = if unconfirmed {
            Why::Unconfirmed
        } else if restless::hangs(self.take, &self.span, &references, self.limits)? {
            Why::NeverLeaves
        } else {
            found.plates.push(file_range(&self.span));
            return Ok(Say::NoBoomEvent);
        };
        found.doubtful.push(file_range(&self.span));
        Ok(Say::CannotTell(why))
    }

    /// What each reference tells.
    fn hypotheses(
        &mut self,
        references: &[Reference],
        steps: Steps,
    ) -> std::io::Result<Vec<Hypothesis>> {
        if references.is_empty() {
            return Ok(Vec::new());
        }
        let followed = self.follow(references, steps, |_| Counted::default())?;
        Ok(followed.iter().map(|one| self.hypothesis(&one.tracker.done)).collect())
    }

    /// Chooses windows of frames to try as references: evenly spaced, and those whose edge
    /// of the picture is least like any chosen before.
    fn windows(&mut self) -> std::io::Result<Vec<Range<usize>>> {
        let (n, limits) = (self.span.len(), self.limits);
        let length = (n / limits.references.max(1))
            .clamp(limits.window_frames.0, limits.window_frames.1)
            .min(n);
        let even = (limits.references / 2).min(n / length).max(1);
        let mut starts: Vec<usize> =
            (0..even).map(|at| self.span.start + at * (n - length) / (even - 1).max(1)).collect();
        for claim in &self.hints.plates {
            let Some(claim) = claim.overlap(file_range(&self.span)) else { continue };
            let (from, to) = (claim.start.0 as usize, claim.end.0 as usize);
            starts.push((from + to.saturating_sub(length)) / 2);
        }
        starts.retain(|start| start + length <= self.span.end);
        self.add_unlike(&mut starts, length)?;
        starts.sort_unstable();
        starts.dedup();
        Ok(starts.into_iter().map(|start| start..start + length).collect())
    }

    /// Adds windows whose strip along the edges is least like that of those chosen.
    fn add_unlike(&mut self, starts: &mut Vec<usize>, length: usize) -> std::io::Result<()> {
        let mut plane = Plane::default();
        let mut strips = Vec::new();
        let all: Vec<usize> =
            self.span.clone().step_by(length).filter(|at| at + length <= self.span.end).collect();
        for at in &all {
            self.take.read(at + length / 2, &mut plane)?;
            strips.push(edge_strip(&plane));
        }
        let unlike = |a: &[f32], b: &[f32]| {
            a.iter().zip(b).map(|(a, b)| (a - b).abs().min(32.0)).sum::<f32>()
        };
        let mut nearest = vec![f32::MAX; all.len()];
        let mut chosen = starts.clone();
        while let Some(next) = chosen.pop() {
            let own = &strips[((next - self.span.start) / length).min(strips.len() - 1)];
            for (near, strip) in nearest.iter_mut().zip(&strips) {
                *near = near.min(unlike(own, strip));
            }
            if chosen.is_empty() && starts.len() < self.limits.references {
                let far = (0..all.len())
                    .max_by(|a, b| nearest[*a].total_cmp(&nearest[*b]).then(b.cmp(a)));
                if let Some(far) = far.filter(|far| nearest[*far] > 0.0) {
                    starts.push(all[far]);
                    chosen.push(all[far]);
                }
            }
        }
        Ok(())
    }

    fn references(&mut self, windows: &[Range<usize>]) -> std::io::Result<Vec<Reference>> {
        let mut plane = Plane::default();
        let mut references = Vec::new();
        for window in windows {
            let mut sum = ReferenceSum::default();
            for frame in window.clone() {
                self.take.read(frame, &mut plane)?;
                sum.add(&plane);
            }
            references.extend(sum.finish(self.limits.grain_codes));
        }
        Ok(references)
    }

    /// Follows what hangs in the picture against each reference, over all frames; with each
    /// goes what `count` makes of its frames.
    ///
    /// References know nothing of each other, so they are shared out: what comes out does not
    /// depend on how.
    fn follow(
        &mut self,
        references: &[Reference],
        steps: Steps,
        count: impl Fn(&Compared) -> Counted + Sync,
    ) -> std::io::Result<Vec<Followed>> {
        let manner = self.manner();
        let mut all: Vec<Followed> = references.iter().map(|_| Followed::default()).collect();
        let share = references.len().div_ceil(WORKERS).max(1);
        let mut batch = Vec::new();
        for from in self.span.clone().step_by(BATCH) {
            let frames = from..(from + BATCH).min(self.span.end);
            self.read_batch(frames, &mut batch)?;
            let (batch, count) = (&batch, &count);
            std::thread::scope(|scope| {
                for (own, followed) in references.chunks(share).zip(all.chunks_mut(share)) {
                    scope.spawn(move || {
                        for (reference, followed) in own.iter().zip(followed) {
                            for (frame, plane, blocks) in batch {
                                followed.see(reference, (*frame, plane, blocks), steps, manner);
                                followed.counts.push(count(&followed.compared));
                            }
                        }
                    });
                }
            });
        }
        all.iter_mut().for_each(|followed| followed.tracker.finish());
        Ok(all)
    }

    fn read_batch(
        &mut self,
        frames: Range<usize>,
        batch: &mut Vec<(usize, Plane, BlockMeans)>,
    ) -> std::io::Result<()> {
        batch.truncate(frames.len());
        batch.resize_with(frames.len(), Default::default);
        for (frame, (number, plane, blocks)) in frames.zip(batch) {
            self.take.read(frame, plane)?;
            (*number, *blocks) = (frame, BlockMeans::of(plane));
        }
        Ok(())
    }

    fn manner(&self) -> Manner {
        let (width, height) = self.take.size();
        Manner {
            window: Window::whole(width, height),
            side_share: self.limits.side_share,
            lowest_share: self.limits.lowest_share,
            least_area: self.limits.begin_pixels,
        }
    }

    /// Gathers the booms among the tracks of one reference.
    fn hypothesis(&self, tracks: &[Track]) -> Hypothesis {
        let (width, height) = self.take.size();
        let mut region = Mask::new(width, height);
        let (mut spans, mut score) = (Vec::new(), 0.0);
        for track in tracks {
            if self.is_boom(track) {
                spans.push(track.start..track.end);
                region.add(&track.union);
                score += track.mass * track.polarity();
            } else if track.polarity() < -self.limits.polarity {
                score -= 2.0 * track.mass;
            }
        }
        Hypothesis { spans: merged(spans), region, score, support: 1 }
    }

    /// Tells whether a track came or went by sliding through the edge, and looks like a thing
    /// in the frames and not like one in the reference.
    fn is_boom(&self, track: &Track) -> bool {
        let (limits, (width, height)) = (self.limits, self.take.size());
        let big = track.peak as f32 >= limits.peak_share * (width * height) as f32;
        if !big || track.frames() < limits.boom_frames || track.polarity() < limits.polarity {
            return false;
        }
        let (slid_in, slid_out) = self.slides(track);
        let (whole_in, whole_out) =
            (slid_in || track.start == self.span.start, slid_out || track.end == self.span.end);
        whole_in && whole_out && (slid_in || slid_out) && self.fits_hint(track)
    }

    fn slides(&self, track: &Track) -> (bool, bool) {
        let small = track.full_depth() * f64::from(self.limits.slide_share);
        let is_small = |depth: Option<&u16>| depth.is_some_and(|depth| f64::from(*depth) <= small);
        let slid_in = track.start > self.span.start && is_small(track.depths.first());
        let slid_out = track.end < self.span.end && is_small(track.depths.last());
        (slid_in, slid_out)
    }

    fn fits_hint(&self, track: &Track) -> bool {
        let (width, height) = self.take.size();
        let Some((left, top, right, bottom)) = track.union.bounds() else { return false };
        let share = |at: usize, of: usize| at as f32 / of.max(1) as f32;
        self.hints.area.is_none_or(|[x0, y0, x1, y1]| {
            share(left, width) < x1
                && share(right, width) > x0
                && share(top, height) < y1
                && share(bottom, height) > y0
        })
    }

    /// Tries each run of frames without the boom, alone, as the reference.
    fn confirm(
        &mut self,
        best: &Hypothesis,
        steps: Steps,
        found: &mut Found,
    ) -> std::io::Result<bool> {
        let limits = self.limits;
        let runs = self.clean_runs(&best.spans);
        let (owners, windows) = confirming(&runs, self.span.len(), limits);
        let references = self.references(&windows)?;
        let region = best.region.clone();
        let (first, count) = (self.span.start, region.count().max(1) as f32);
        let width = region.width();
        let pixels: Vec<usize> = region.pixels().map(|(x, y)| y * width + x).collect();
        let rim: Vec<usize> = self.rim(&region).iter().map(|(x, y)| y * width + x).collect();
        let followed = self.follow(&references, steps, |compared| {
            let in_front = |at: &&usize| compared.levels[**at] != CLEAN;
            let held = pixels.iter().filter(in_front).count();
            let edge = rim.iter().filter(in_front).count();
            Counted {
                share: held as f32 / count,
                sliver: edge >= limits.sliver_pixels && held <= 2 * edge,
            }
        })?;
        let counts: Vec<&[Counted]> = followed.iter().map(|one| &one.counts[..]).collect();
        let agreed: Vec<(usize, Hypothesis)> = followed
            .iter()
            .map(|one| self.hypothesis(&one.tracker.done))
            .enumerate()
            .filter(|(_, other)| likeness(&best.spans, &other.spans) >= limits.agreement)
            .collect();
        if 2 * agreed.len() < references.len() {
            return Ok(false);
        }
        let clean = |at: usize| -> f64 {
            let frames = runs.iter().flat_map(|run| run.clone());
            frames.map(|frame| f64::from(counts[at][frame - first].share.min(0.2))).sum()
        };
        let Some((steady, chosen)) = agreed.iter().min_by(|a, b| clean(a.0).total_cmp(&clean(b.0)))
        else {
            return Ok(false);
        };
        // A reference that holds slivers itself is blind to them, so most have to tell.
        let told = |frame: usize| {
            2 * agreed.iter().filter(|(at, _)| counts[*at][frame].sliver).count() > agreed.len()
        };
        let told: Vec<bool> = (0..self.span.len()).map(told).collect();
        let spans = self.with_slivers(&chosen.spans, &told);
        found.region.add(&chosen.region);
        found.booms.extend(spans.iter().map(file_range));
        for (at, run) in self.clean_runs(&spans).iter().enumerate() {
            let confirmed = agreed.iter().any(|(number, _)| owners[*number] == at);
            for part in parts(run.clone(), |frame| {
                counts[*steady][frame - first].share <= limits.plate_foreground
            }) {
                let into = if part.len() < limits.plate_frames {
                    &mut found.short
                } else if confirmed {
                    &mut found.plates
                } else {
                    &mut found.doubtful
                };
                into.push(file_range(&part));
            }
        }
        Ok(true)
    }

    /// The pixels of a region along the edges a boom comes through.
    fn rim(&self, region: &Mask) -> Vec<(usize, usize)> {
        let width = region.width();
        let at_edge = |(x, y): &(usize, usize)| *y < 2 || *x < 2 || *x + 2 >= width;
        region.pixels().filter(at_edge).collect()
    }

    /// Moves the ends of booms to the first and last frame in which at least a sliver lies
    /// along the edge: too faint or too thin to begin a track, and a boom all the same.
    fn with_slivers(&self, spans: &[Range<usize>], slivers: &[bool]) -> Vec<Range<usize>> {
        let first = self.span.start;
        let is = |frame: usize| slivers.get(frame - first).copied().unwrap_or(false);
        let most = self.limits.sliver_frames;
        let longer = |span: &Range<usize>| {
            let before = (first..span.start).rev().take(most).take_while(|at| is(*at)).count();
            let after = (span.end..self.span.end).take(most).take_while(|at| is(*at)).count();
            span.start - before..span.end + after
        };
        merged(spans.iter().map(longer).collect())
    }

    /// Returns the runs of frames outside the booms, less a guard at each.
    fn clean_runs(&self, spans: &[Range<usize>]) -> Vec<Range<usize>> {
        let guard = self.limits.guard_frames;
        let (mut runs, mut at) = (Vec::new(), self.span.start);
        for span in spans {
            runs.push(at..span.start.saturating_sub(guard));
            at = span.end + guard;
        }
        runs.push(at..self.span.end);
        runs.retain(|run| run.start < run.end);
        runs
    }
}

/// Returns the runs of frames of a range for which `holds` is true.
fn parts(range: Range<usize>, holds: impl Fn(usize) -> bool) -> Vec<Range<usize>> {
    let mut parts: Vec<Range<usize>> = Vec::new();
    for frame in range.filter(|frame| holds(*frame)) {
        match parts.last_mut() {
            Some(last) if last.end == frame => last.end += 1,
            _ => parts.push(frame..frame + 1),
        }
    }
    parts
}

/// Means of short pieces along the top and the upper sides, less their median.
fn edge_strip(plane: &Plane) -> Vec<f32> {
    let (width, height) = (plane.width, plane.height);
    let deep = (height / 60).max(1);
    let piece = (width / 48).max(1);
    let mean = |xs: Range<usize>, ys: Range<usize>| {
        let count = (xs.len() * ys.len()).max(1) as f32;
        ys.map(|y| plane.data[y * width + xs.start..y * width + xs.end].iter().sum::<f32>())
            .sum::<f32>()
            / count
    };
    let mut strip: Vec<f32> =
        (0..width / piece).map(|at| mean(at * piece..(at + 1) * piece, 0..deep)).collect();
    for at in 0..height * 6 / 10 / piece {
        let rows = at * piece..(at + 1) * piece;
        strip.push(mean(0..deep.min(width), rows.clone()));
        strip.push(mean(width.saturating_sub(deep)..width, rows));
    }
    let mut sorted = strip.clone();
    sorted.sort_by(f32::total_cmp);
    let middle = sorted.get(sorted.len() / 2).copied().unwrap_or(0.0);
    strip.iter_mut().for_each(|value| *value -= middle);
    strip
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_references_are_spread_over_all() {
        let mut all: Vec<usize> = (0..16).collect();
        assert_eq!(spread_first(&mut all, 6), 6);
        assert_eq!(all[..6], [0, 3, 6, 9, 12, 15]);
        all.sort_unstable();
        assert_eq!(all, (0..16).collect::<Vec<_>>());
        assert_eq!(spread_first(&mut [1, 2, 3], 6), 0);
    }
}
