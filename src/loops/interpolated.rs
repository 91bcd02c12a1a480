//! Pictures between two frames of a plate, and the writing of rendered planes into pictures.

use super::area::Area;
use super::flow::{Flow, between, sixfold};
use crate::error::Faults;
use crate::grain::{GrainModel, Place};
use crate::measure::Plane;
use crate::media::{Media, Picture};
use crate::time::FrameRange;
use std::collections::BTreeMap;
use std::rc::Rc;

/// Movement below this, in pixels a frame, is blended: no finding of movement is that sure
/// in leaves, and a blend softens nothing yet. Measured.
const BLENDED: f32 = 0.3;

/// Most bytes of rendered planes that are kept for the next time round.
const KEPT_BYTES: usize = 128 << 20;

/// Pairs of frames about a moment that are brought together against grain: the two beside it,
/// those beyond these, and so on. Ours: farther ones are seldom alike.
const PAIRS: i64 = 3;

/// The rectangle of every component of a picture that has light.
pub(super) type Planes = Vec<Plane>;

/// Planes that are rendered, and the variance of the grain that is left in each sample;
/// empty where it is all there.
#[derive(Debug)]
pub(super) struct Made {
    pub planes: Planes,
    pub left: Vec<Vec<f32>>,
}

/// Reads the rectangle of every component but alpha; `None` where it cannot be reached.
pub(super) fn planes(picture: &Picture, area: &Area) -> Option<Planes> {
    let count = match picture.components() {
        count @ 0..3 => count.min(1),
        _ => 3,
    };
    let all: Option<Planes> = (0..count).map(|one| plane(picture, area, one)).collect();
    all.filter(|all| !all.is_empty())
}

fn plane(picture: &Picture, area: &Area, component: usize) -> Option<Plane> {
    let Place { left, top, width, height } = area.place(picture, component);
    let mut data = Vec::with_capacity(width * height);
    let mut row = Vec::new();
    for y in top..top + height {
        if !picture.samples(component, y, left..left + width, &mut row) {
            return None;
        }
        data.extend_from_slice(&row);
    }
    Some(Plane { width, height, data })
}

/// Returns the plane that lies `share` of the way from `one` to `two`, of a component whose
/// samples are `by` pixels of the flow apart, across and down.
///
/// Each pixel is read from both frames along the flow and mixed by nearness in time.
pub fn interpolated(
    one: &Plane,
    two: &Plane,
    flow: Option<&Flow>,
    share: f32,
    by: (usize, usize),
) -> Plane {
    let (width, height) = (one.width, one.height);
    let mut data = Vec::with_capacity(one.data.len());
    for y in 0..height {
        for x in 0..width {
            let (before, after) = match flow {
                None => (one.data[y * width + x], two.data[y * width + x]),
                Some(flow) => {
                    let (dx, dy) = flow.at(x * by.0 + by.0 / 2, y * by.1 + by.1 / 2);
                    let (dx, dy) = (dx / by.0 as f32, dy / by.1 as f32);
                    let (x, y, left) = (x as f32, y as f32, 1.0 - share);
                    (
                        sixfold(one, x - share * dx, y - share * dy),
                        sixfold(two, x + left * dx, y + left * dy),
                    )
                }
            };
            data.push(before + share * (after - before));
        }
    }
    Plane { width, height, data }
}

/// Makes the pictures between the frames of a span of a take, in an area.
#[derive(Debug)]
pub(super) struct Between<'a> {
    media: &'a Media,
    span: FrameRange,
    area: Area,
    frames: BTreeMap<i64, Source>,
    /// What was rendered, by position: a loop comes by again.
    made: BTreeMap<u64, Rc<Made>>,
}

/// What is kept of a source frame.
#[derive(Debug)]
struct Source {
    planes: Planes,
    /// Of each component, pixels from sample to sample.
    by: Vec<(usize, usize)>,
    peak: f32,
    rgb: bool,
}

impl<'a> Between<'a> {
    pub fn new(media: &'a Media, span: FrameRange, area: Area) -> Between<'a> {
        Between { media, span, area, frames: BTreeMap::new(), made: BTreeMap::new() }
    }

    pub fn area(&self) -> &Area {
        &self.area
    }

    pub fn fault(&self, position: f64) -> Faults {
        let name = &self.media.info().name;
        let fault = "what lies between its frames cannot be rendered";
        Faults::one(name, format!("frame {position:.2}"), fault, "set turns = \"twice\"")
    }

    /// Renders a position between frames; with a model its grain is taken off.
    pub fn at(&mut self, position: f64, grain: Option<&GrainModel>) -> Result<Rc<Made>, Faults> {
        if let Some(made) = self.made.get(&position.to_bits()) {
            return Ok(made.clone());
        }
        let (start, last) = (self.span.start.0, self.span.end.0 - 1);
        let first = (position.floor() as i64).clamp(start, last);
        let share = (position - first as f64).clamp(0.0, 1.0) as f32;
        let pairs = if grain.is_some() { PAIRS } else { 1 };
        let pair = |off: i64| ((first - off).max(start), (first + 1 + off).min(last), off);
        let whole = |(one, two, off): &(i64, i64, i64)| *off == 0 || two - one == 1 + 2 * off;
        let pairs: Vec<(i64, i64, i64)> = (0..pairs).map(pair).filter(whole).collect();
        let (low, high) = pairs.last().map_or((first, first), |(one, two, _)| (*one, *two));
        self.load(low, high)?;
        let mut sum: Option<Sum> = None;
        for (one, two, off) in pairs {
            let (Some(one), Some(two)) = (self.frames.get(&one), self.frames.get(&two)) else {
                return Err(self.fault(position));
            };
            let share = (off as f32 + share) / (1 + 2 * off) as f32;
            let made = rendered(one, two, share).ok_or_else(|| self.fault(position))?;
            // Of two frames mixed the grain is less than that of one.
            let left = share * share + (1.0 - share) * (1.0 - share);
            match &mut sum {
                None => sum = Some(Sum::of(made, left, one)),
                Some(sum) => sum.add(&made, left, grain),
            }
        }
        let sum = sum.ok_or_else(|| self.fault(position))?;
        let made = match grain {
            Some(grain) => sum.without_grain(grain),
            None => Made { planes: sum.planes, left: Vec::new() },
        };
        let bytes =
            |made: &Made| made.planes.iter().map(|plane| plane.data.len() * 8).sum::<usize>();
        if (self.made.len() + 1).saturating_mul(bytes(&made)) > KEPT_BYTES {
            self.made.clear();
        }
        let made = Rc::new(made);
        self.made.insert(position.to_bits(), made.clone());
        Ok(made)
    }

    fn load(&mut self, first: i64, second: i64) -> Result<(), Faults> {
        self.frames.retain(|frame, _| (first..=second).contains(frame));
        let missing = |frame: &i64| !self.frames.contains_key(frame);
        let Some(low) = (first..=second).find(missing) else { return Ok(()) };
        let high = (first..=second).rev().find(missing).unwrap_or(low);
        let mut frames = self.media.frames(FrameRange::new(low, high + 1))?;
        while let Some(read) = frames.next_frame() {
            let (at, picture) = read?;
            let planes = planes(&picture, &self.area).ok_or_else(|| self.fault(at.0 as f64))?;
            let by = |component: usize| {
                let (across, down) = picture.component_size(component).2;
                (1 << across, 1 << down)
            };
            let source = Source {
                by: (0..planes.len()).map(by).collect(),
                planes,
                peak: picture.component_peak(0),
                rgb: picture.is_rgb(),
            };
            self.frames.insert(at.0, source);
        }
        Ok(())
    }
}

fn rendered(one: &Source, two: &Source, share: f32) -> Option<Planes> {
    let (shown, next) = (one.told(), two.told());
    if shown.data.len() != next.data.len() || one.planes.len() != two.planes.len() {
        return None;
    }
    let flow = (share > 0.0).then(|| between(&shown, &next, share));
    let flow = flow.filter(|flow| flow.most() >= BLENDED);
    let planes = one.planes.iter().zip(&two.planes).zip(&one.by);
    Some(planes.map(|((a, b), by)| interpolated(a, b, flow.as_ref(), share, *by)).collect())
}

impl Source {
    /// The plane movement is found on, in codes of 8 bits: luma, or green.
    fn told(&self) -> Plane {
        let plane = &self.planes[if self.rgb && self.planes.len() > 1 { 1 } else { 0 }];
        let scale = 255.0 / self.peak;
        let data = plane.data.iter().map(|value| value * scale).collect();
        Plane { data, ..plane.clone() }
    }
}

/// Pictures of one moment, brought together.
struct Sum {
    planes: Planes,
    /// Part of the variance of the grain of one frame that is in it.
    left: f32,
    pairs: f32,
    by: Vec<(usize, usize)>,
    to_8_bit: f32,
}

/// Reach over which two pictures of one moment are held against each other, in samples.
const ALIKE_REACH: usize = 3;

impl Sum {
    fn of(planes: Planes, left: f32, source: &Source) -> Sum {
        Sum { planes, left, pairs: 1.0, by: source.by.clone(), to_8_bit: 255.0 / source.peak }
    }

    /// Adds another picture of the moment where it differs by no more than grain, brought
    /// onto the first by what little it is off: over more frames nothing moves evenly.
    fn add(&mut self, other: &Planes, left: f32, grain: Option<&GrainModel>) {
        let Some(grain) = grain else { return };
        let (Some(one), Some(two)) = (self.planes.first(), other.first()) else { return };
        let both = self.left + left;
        let scale = self.to_8_bit;
        let told = |plane: &Plane| {
            let data = plane.data.iter().map(|value| value * scale).collect();
            Plane { data, ..plane.clone() }
        };
        let off = between(&told(one), &told(two), 0.0);
        let count = self.pairs;
        for (component, other) in other.iter().enumerate().take(self.planes.len()) {
            let by = self.by.get(component).copied().unwrap_or((1, 1));
            let moved = moved(other, &off, by);
            let levels = levels(&self.planes, component, grain.level_of(component), by);
            let own = &mut self.planes[component];
            let differences: Vec<f32> =
                own.data.iter().zip(&moved.data).map(|(a, b)| (a - b) * (a - b)).collect();
            let near = boxed(&differences, own.width, own.height, ALIKE_REACH);
            for at in 0..own.data.len() {
                let wanted = grain.strength(component, levels[at]).powi(2) * both;
                let weight = if near[at] <= 2.0 * wanted { 1.0 } else { 0.0 };
                let new = moved.data[at] * weight + own.data[at] * (1.0 - weight);
                own.data[at] = (own.data[at] * count + new) / (count + 1.0);
            }
        }
        self.left = (self.left * count * count + left) / ((count + 1.0) * (count + 1.0));
        self.pairs = count + 1.0;
    }

    fn without_grain(self, grain: &GrainModel) -> Made {
        let Sum { planes, left, by, .. } = self;
        cleaned(&planes, grain, left, &by)
    }
}

/// Reads a plane where the flow from another leads.
fn moved(plane: &Plane, flow: &Flow, by: (usize, usize)) -> Plane {
    let (width, height) = (plane.width, plane.height);
    let all = (0..height).flat_map(|y| (0..width).map(move |x| (x, y)));
    let data = all
        .map(|(x, y)| {
            let (dx, dy) = flow.at(x * by.0 + by.0 / 2, y * by.1 + by.1 / 2);
            sixfold(plane, x as f32 + dx / by.0 as f32, y as f32 + dy / by.1 as f32)
        })
        .collect();
    Plane { width, height, data }
}

/// Means over squares that reach so far, the edge left out.
fn boxed(plane: &[f32], width: usize, height: usize, reach: usize) -> Vec<f32> {
    let line = |values: &dyn Fn(usize) -> f32, count: usize| -> Vec<f32> {
        (0..count)
            .map(|at| {
                let (low, high) = (at.saturating_sub(reach), (at + reach + 1).min(count));
                (low..high).map(values).sum::<f32>() / (high - low) as f32
            })
            .collect()
    };
    let rows: Vec<f32> = (0..height).flat_map(|y| line(&|x| plane[y * width + x], width)).collect();
    let mut out = vec![0.0; plane.len()];
    for x in 0..width {
        for (y, value) in line(&|y| rows[y * width + x], height).into_iter().enumerate() {
            out[y * width + x] = value;
        }
    }
    out
}

/// Takes off the grain of planes that hold `share` of a frame's.
fn cleaned(planes: &Planes, grain: &GrainModel, share: f32, by: &[(usize, usize)]) -> Made {
    let clean = |component: usize| {
        let plane = &planes[component];
        let by = by.get(component).copied().unwrap_or((1, 1));
        let levels = levels(planes, component, grain.level_of(component), by);
        let place = Place { left: 0, top: 0, width: plane.width, height: plane.height };
        let made = grain.cleaned(component, &plane.data, place, &levels, share);
        (Plane { data: made.plane, ..plane.clone() }, made.left)
    };
    let (planes, left) = (0..planes.len()).map(clean).unzip();
    Made { planes, left }
}

/// The levels at the samples of a component, from the component that tells them.
fn levels(planes: &Planes, component: usize, from: usize, by: (usize, usize)) -> Vec<f32> {
    let (own, told) = (&planes[component], &planes[from]);
    if own.data.len() == told.data.len() {
        return told.data.clone();
    }
    let (last_x, last_y) = (told.width.max(1) - 1, told.height.max(1) - 1);
    let all = (0..own.height).flat_map(|y| (0..own.width).map(move |x| (x * by.0, y * by.1)));
    all.map(|(x, y)| {
        let part = |dx: usize, dy: usize| {
            told.data[(y + dy).min(last_y) * told.width + (x + dx).min(last_x)]
        };
        0.5 * (part(0, 0) + part(by.0 - 1, by.1 - 1))
    })
    .collect()
}

/// Rendered planes to be written into a picture, with new grain.
pub(super) struct Rendered<'a> {
    pub made: &'a Made,
    pub area: &'a Area,
    pub grain: Option<&'a GrainModel>,
}

impl Rendered<'_> {
    /// Writes them into a copy of a picture, with the grain of frame `number`; `None` where
    /// samples cannot be reached.
    pub fn over(&self, picture: &Picture, number: u64) -> Option<Picture> {
        let mut out = picture.retouched()?;
        for (component, plane) in self.made.planes.iter().enumerate() {
            let place = self.area.place(picture, component);
            if (place.width, place.height) != (plane.width, plane.height) {
                return None;
            }
            let fresh = self.grain.map(|grain| {
                let (across, down) = picture.component_size(component).2;
                let by = (1 << across, 1 << down);
                let levels = levels(&self.made.planes, component, grain.level_of(component), by);
                let left = self.made.left.get(component).map_or(&[][..], Vec::as_slice);
                grain.fresh_beside(number, component, place, &levels, left)
            });
            for (row, values) in plane.data.chunks_exact(plane.width.max(1)).enumerate() {
                let mut values = values.to_vec();
                if let Some(fresh) = fresh.as_ref().filter(|fresh| fresh.len() == plane.data.len())
                {
                    let fresh = &fresh[row * plane.width..];
                    values.iter_mut().zip(fresh).for_each(|(value, grain)| *value += grain);
                }
                if !out.put(component, place.top + row, place.left, &values) {
                    return None;
                }
            }
        }
        Some(out.into_picture())
    }
}

/// Takes grain off the mean of `count` frames like `picture`.
pub(super) fn mean_without_grain(
    mean: &Planes,
    picture: &Picture,
    grain: &GrainModel,
    count: u64,
) -> Made {
    let by = |component: usize| {
        let (across, down) = picture.component_size(component).2;
        (1 << across, 1 << down)
    };
    let by: Vec<(usize, usize)> = (0..mean.len()).map(by).collect();
    cleaned(mean, grain, 1.0 / count.max(1) as f32, &by)
}
