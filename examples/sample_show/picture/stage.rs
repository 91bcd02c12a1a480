//! One take on its set: renders frame after frame and knows the truth of each.

use super::boom;
use super::camera::{self, Light, View};
use super::code::Coder;
use super::figure::Figure;
use super::foliage::Foliage;
use super::hash::{mix, noise, smooth, step};
use super::plane::{Bounds, Capsule, Picture, blend, edge, scaled};
use super::sets;
use crate::script::{Moth, Passing, Take};

/// Pixels drawn beyond the raster, for cameras that move.
const MARGIN: usize = 48;
/// The lens: sigma of its blur in pixels of the raster.
const LENS_SIGMA: f32 = 0.55;

/// What is true of a frame.
#[derive(Debug, Clone)]
pub struct FrameTruth {
    pub view: View,
    pub light: Light,
    pub wall_blur: f32,
    /// Boxes and outlines of the actors, and of their shadows where they show.
    pub actors: Vec<(Bounds, Bounds, Vec<Capsule>)>,
    pub boom: Option<BoomTruth>,
    /// Other things that move in front of the set: a moth, a passing shadow.
    pub passing: Vec<(&'static str, Bounds)>,
}

/// What is true of the boom in a frame.
#[derive(Debug, Clone)]
pub struct BoomTruth {
    /// Pixels that pole and microphone change by 3 codes of 255 or more.
    pub core: Bounds,
    /// As `core`, shadow included.
    pub changed: Bounds,
    pub shapes: [Capsule; 3],
    /// Offset of the shadow and how far it softens.
    pub shadow: (f32, f32, f32),
}

/// The set of a take, ready to shoot.
pub struct Stage<'a> {
    take: &'a Take,
    base: Picture,
    foliage: Option<Foliage>,
    wall: Picture,
    wall_made_for: Option<(View, f32)>,
    picture: Picture,
    coder: Coder,
}

impl<'a> Stage<'a> {
    pub fn new(take: &'a Take) -> Stage<'a> {
        let (w, h) = (take.width, take.height);
        let mut base = Picture::new(w + 2 * MARGIN, h + 2 * MARGIN);
        let mut open = vec![0.0; w * h];
        let s = w as f32 / 640.0;
        for y in 0..base.h {
            for x in 0..base.w {
                let mut sum = [0.0; 3];
                for (ox, oy) in [(0.25, 0.25), (0.75, 0.25), (0.25, 0.75), (0.75, 0.75)] {
                    let px = (x as f32 + ox - MARGIN as f32) / s;
                    let py = (y as f32 + oy - MARGIN as f32) / s;
                    let spot = sets::spot(take.set, px, py);
                    (0..3).for_each(|channel| sum[channel] += spot.colour[channel] * 0.25);
                    let (ix, iy) = (x.wrapping_sub(MARGIN), y.wrapping_sub(MARGIN));
                    if ix < w && iy < h {
                        open[iy * w + ix] += 0.25 * spot.open;
                    }
                }
                base.px[y * (w + 2 * MARGIN) + x] = sum.map(|value| value.max(0.0));
            }
        }
        let base = camera::blur(&base, LENS_SIGMA * s);
        let foliage = take.wind.and_then(|wind| Foliage::new(w, h, open, wind));
        Stage {
            take,
            base,
            foliage,
            wall: Picture::new(w, h),
            wall_made_for: None,
            picture: Picture::new(w, h),
            coder: Coder::new(take.grain),
        }
    }

    /// Where leaves move.
    pub fn moving(&self) -> Bounds {
        self.foliage.as_ref().map_or(Bounds::EMPTY, |foliage| foliage.bounds)
    }

    /// Renders a frame as 10-bit 4:2:2 into `out`; without the boom if `clean`.
    pub fn shoot(&mut self, frame: usize, clean: bool, out: &mut Vec<u8>) -> FrameTruth {
        let take = self.take;
        let view = camera::view(take, frame);
        let wall_blur = camera::blur_sigma(take, frame);
        self.build_wall(view, wall_blur, frame);
        self.picture.px.copy_from_slice(&self.wall.px);
        let mut truth = FrameTruth {
            view,
            light: camera::light(take, frame),
            wall_blur,
            actors: Vec::new(),
            boom: None,
            passing: Vec::new(),
        };
        self.play(frame, view, clean, &mut truth);
        self.relight(truth.light);
        // Grain is drawn by frame and clip alone, so a clean frame has the same grain.
        self.coder.encode(&self.picture, mix(take.seed() ^ (frame as u64) << 20), out);
        truth
    }

    fn build_wall(&mut self, view: View, sigma: f32, frame: usize) {
        let moving = self.foliage.is_some();
        if self.wall_made_for == Some((view, sigma)) && !moving {
            return;
        }
        if self.wall_made_for != Some((view, sigma)) {
            self.lay_wall(view, sigma);
        }
        if let Some(foliage) = &self.foliage {
            let rate = self.take.rate.0 as f32 / self.take.rate.1 as f32;
            foliage.restore(&self.base, MARGIN, &mut self.wall);
            foliage.draw(&mut self.wall, frame as f32 / rate);
        }
        self.wall_made_for = Some((view, sigma));
    }

    fn lay_wall(&mut self, view: View, sigma: f32) {
        if view == View::STILL {
            for y in 0..self.wall.h {
                let from = (y + MARGIN) * self.base.w + MARGIN;
                let row = &self.base.px[from..from + self.wall.w];
                self.wall.px[y * self.wall.w..][..row.len()].copy_from_slice(row);
            }
        } else {
            camera::look(&self.base, MARGIN, view, &mut self.wall);
        }
        if sigma > 0.0 {
            self.wall = camera::blur(&self.wall, sigma);
        }
    }

    /// Shadows first, then moth and people, then the boom, which hangs nearest to the lens.
    fn play(&mut self, frame: usize, view: View, clean: bool, truth: &mut FrameTruth) {
        let take = self.take;
        let (w, h, s) = (take.width, take.height, take.width as f32 / 640.0);
        let rate = take.rate.0 as f32 / take.rate.1 as f32;
        let place = |point| view.apply(point, w, h);
        let coder = &self.coder;
        let shows = |before, after| coder.shows(before, after);
        let picture = &mut self.picture;
        if let Some(passing) = take.passing.filter(|p| (p.start..p.end).contains(&frame)) {
            truth.passing.push(("shadow", pass(passing, frame, picture, s, shows)));
        }
        let figures: Vec<Figure> = take
            .people
            .iter()
            .map(|person| Figure::at(person, frame, rate, s).shifted(place))
            .collect();
        let mut shadows: Vec<Bounds> =
            figures.iter().map(|figure| figure.shade(picture, s, shows)).collect();
        let held = boom::held(take, frame).map(|held| held.shifted(place)).filter(|_| !clean);
        let mut changed = Bounds::EMPTY;
        if let Some(held) = &held {
            held.shade(picture, shows, &mut changed);
        }
        if let Some(moth) = take.moth.filter(|moth| (moth.start..moth.end).contains(&frame)) {
            truth.passing.push(("moth", fly(moth, frame, picture, s)));
        }
        for (figure, shadow) in figures.iter().zip(shadows.drain(..)) {
            let seen = figure.draw(picture, 1.0);
            truth.actors.push((seen, shadow, figure.shapes()));
        }
        if let Some(held) = held {
            let mut core = Bounds::EMPTY;
            held.draw(picture, 1.0, shows, &mut core);
            changed.join(core);
            let (shapes, shadow) = (held.shapes(), held.shadow_offset());
            truth.boom =
                (!changed.is_empty()).then_some(BoomTruth { core, changed, shapes, shadow });
        }
    }

    fn relight(&mut self, light: Light) {
        if light == (Light { gain: 1.0, across: 0.0, down: 0.0 }) {
            return;
        }
        let (w, h) = (self.picture.w, self.picture.h);
        for y in 0..h {
            let down = light.down * ((y as f32 + 0.5) / h as f32 - 0.5);
            for x in 0..w {
                let across = light.across * ((x as f32 + 0.5) / w as f32 - 0.5);
                let pixel = &mut self.picture.px[y * w + x];
                *pixel = scaled(*pixel, light.gain + across + down);
            }
        }
    }
}

/// Draws a tall soft shadow that crosses from left to right.
fn pass(
    passing: Passing,
    frame: usize,
    picture: &mut Picture,
    s: f32,
    shows: impl Fn([f32; 3], [f32; 3]) -> bool,
) -> Bounds {
    let share = (frame - passing.start) as f32 / (passing.end - passing.start) as f32;
    let middle = (-120.0 + 880.0 * share) * s;
    let mut seen = Bounds::EMPTY;
    for y in 0..picture.h {
        let lean = (y as f32 / s - 180.0) * 0.25 * s;
        let head = 0.55 + 0.45 * smooth(y as f32 / s / 120.0);
        for x in 0..picture.w {
            let off = ((x as f32 - middle + lean) / s).abs();
            let cover = passing.strength * step(110.0 * head, 30.0 * head, off);
            if cover > 0.0 {
                let pixel = &mut picture.px[y * picture.w + x];
                let before = *pixel;
                *pixel = scaled(before, 1.0 - cover);
                if shows(before, *pixel) {
                    seen.add(x as i32, y as i32);
                }
            }
        }
    }
    seen
}

/// Draws a small pale moth on a wavering path.
fn fly(moth: Moth, frame: usize, picture: &mut Picture, s: f32) -> Bounds {
    let share = (frame - moth.start) as f32 / (moth.end - moth.start) as f32;
    let waver = |seed| 14.0 * (noise(share * 5.0, 0.5, seed) - 0.5);
    let x = (moth.from.0 + (moth.to.0 - moth.from.0) * share + waver(401)) * s;
    let y = (moth.from.1 + (moth.to.1 - moth.from.1) * share + waver(402)) * s;
    let beat = if frame.is_multiple_of(2) { 1.0 } else { 0.35 };
    let mut seen = Bounds::EMPTY;
    for side in [-1.0, 1.0] {
        let wing = Capsule::new((x, y), (x + side * 4.0 * beat * s, y - 2.5 * s), 1.4 * s, 2.1 * s);
        wing.draw(
            picture,
            1.2 * s,
            |place| {
                (
                    blend([0.5, 0.45, 0.36], [0.3, 0.25, 0.2], place.along),
                    0.9 * edge(place.distance, 1.2 * s),
                )
            },
            |px, py, _, _, cover| {
                if cover > 0.1 {
                    seen.add(px, py);
                }
            },
        );
    }
    seen
}
