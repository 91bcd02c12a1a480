//! Booms and actors whose true outlines are known: invented ones, drawn in codes at source
//! size and thresholded there, and those of real shots with a boom composited into them,
//! where the shot without it is known.
#![allow(dead_code, reason = "each test file uses a part")]

use platesmith::measure::divider::{Division, Region};
use platesmith::measure::{Mask, Plane};
use std::path::Path;
use std::process::Command;

/// Codes of difference from which a shadow counts, of 255.
pub const SHADOW: f32 = 3.0;
/// Codes of difference from which an actor counts in the invented scenes.
pub const ACTOR: f32 = 8.0;

/// A small generator (xorshift64*, Vigna 2016).
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        let part = (self.0.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 11) as f64 / (1_u64 << 53) as f64;
        low + (high - low) * part
    }
}

/// A round-ended bar: `codes` inside, falling over `soft` pixels at its edge.
#[derive(Clone, Copy)]
struct Bar {
    from: [f64; 2],
    to: [f64; 2],
    radius: f64,
    codes: f64,
    soft: f64,
}

impl Bar {
    fn at(&self, x: f64, y: f64) -> f64 {
        let (dx, dy) = (self.to[0] - self.from[0], self.to[1] - self.from[1]);
        let along = ((x - self.from[0]) * dx + (y - self.from[1]) * dy) / (dx * dx + dy * dy);
        let along = along.clamp(0.0, 1.0);
        let far = (x - self.from[0] - along * dx).hypot(y - self.from[1] - along * dy);
        self.codes / (1.0 + ((far - self.radius) / self.soft).min(60.0).exp())
    }

    /// Draws itself where it is brighter than what is there.
    fn draw(&self, plane: &mut Plane) {
        let reach = self.radius + 8.0 * self.soft;
        let span = |a: f64, b: f64, end: usize| {
            let from = (a.min(b) - reach).max(0.0) as usize;
            from.min(end)..((a.max(b) + reach).max(0.0) as usize).min(end)
        };
        for y in span(self.from[1], self.to[1], plane.height) {
            for x in span(self.from[0], self.to[0], plane.width) {
                let value = &mut plane.data[y * plane.width + x];
                *value = value.max(self.at(x as f64 + 0.5, y as f64 + 0.5) as f32);
            }
        }
    }
}

/// An invented shot: differences from the plate in codes, source size.
pub struct Shot {
    pub boom: Plane,
    pub core: Plane,
    pub actors: Plane,
}

impl Shot {
    /// Draws a boom that swings in from an edge, its soft shadow, and people below, about
    /// `gap` pixels away.
    pub fn new(width: usize, height: usize, seed: u64, gap: f64) -> Shot {
        let mut dice = Dice::new(seed + 1);
        let (w, h) = (width as f64, height as f64);
        let unit = h / 540.0;
        let empty = || Plane { width, height, data: vec![0.0; width * height] };
        let mut shot = Shot { boom: empty(), core: empty(), actors: empty() };
        let from_side = dice.between(0.0, 1.0) < 0.3;
        let root = if from_side {
            [-20.0, dice.between(0.05, 0.25) * h]
        } else {
            [dice.between(0.2, 0.8) * w, -20.0]
        };
        let tip = [dice.between(0.3, 0.7) * w, dice.between(0.12, 0.3) * h];
        let away = [dice.between(-30.0, 30.0) * unit, dice.between(10.0, 25.0) * unit];
        let deep = dice.between(6.0, 30.0);
        let soft = dice.between(2.0, 9.0) * unit;
        let mut lowest = 0.0_f64;
        for swing in 0..4 {
            let by =
                [f64::from(swing) * dice.between(2.0, 9.0) * unit, dice.between(-6.0, 6.0) * unit];
            let tip = [tip[0] + by[0], tip[1] + by[1]];
            let head = [tip[0] + 40.0 * unit, tip[1] + 12.0 * unit];
            for (from, to, radius) in [(root, tip, 3.5 * unit), (tip, head, 13.0 * unit)] {
                let bar = Bar { from, to, radius, codes: 120.0, soft: 0.6 };
                bar.draw(&mut shot.boom);
                bar.draw(&mut shot.core);
                let moved = |p: [f64; 2]| [p[0] + away[0], p[1] + away[1]];
                let shade = Bar { from: moved(from), to: moved(to), codes: deep, soft, radius };
                shade.draw(&mut shot.boom);
            }
            lowest = lowest.max(head[1]);
        }
        // What the shadow reaches at the threshold, so that the gap is about as asked.
        let reach = 13.0 * unit + away[1] + soft * (deep / 3.0).ln();
        for person in 0..2 {
            let x = tip[0] + f64::from(person) * 0.2 * w + dice.between(-60.0, 60.0) * unit;
            let top = lowest + reach + gap + f64::from(person) * dice.between(0.0, 60.0) * unit;
            let radius = dice.between(30.0, 50.0) * unit;
            for step in 0..3 {
                let sway = f64::from(step) * dice.between(-8.0, 8.0) * unit;
                let head = [x + sway, top + radius];
                let (codes, soft) = (dice.between(20.0, 90.0), dice.between(0.5, 1.2));
                Bar { from: head, to: [head[0] + 1.0, head[1] + 12.0 * unit], radius, codes, soft }
                    .draw(&mut shot.actors);
                let body = [head[0], head[1] + 3.4 * radius];
                Bar {
                    from: body,
                    to: [body[0] + 1.0, h + 99.0],
                    radius: 2.0 * radius,
                    codes,
                    soft,
                }
                .draw(&mut shot.actors);
            }
        }
        shot
    }

    /// The sets as they are at source size: boom with shadow, boom alone, actors.
    pub fn truth(&self) -> [Mask; 3] {
        [over(&self.boom, SHADOW), over(&self.core, 60.0), over(&self.actors, ACTOR)]
    }

    /// The sets as they are seen on planes averaged over blocks.
    pub fn seen(&self, by: usize) -> [Mask; 3] {
        let small = |plane: &Plane| plane.view().expect("whole").reduced(by);
        let [boom, core, actors] = [&self.boom, &self.core, &self.actors].map(small);
        [over(&boom, SHADOW), over(&core, 30.0), over(&actors, ACTOR)]
    }
}

/// Pixels of at least so many codes.
pub fn over(plane: &Plane, codes: f32) -> Mask {
    Mask::from_fn(plane.width, plane.height, |x, y| plane.data[y * plane.width + x] >= codes)
}

/// Pixels with a neighbour outside the set: the nearest to anything outside is one of them.
fn rim(set: &Mask) -> Vec<[f64; 2]> {
    let inner = |x: usize, y: usize| {
        x > 0
            && y > 0
            && set.has(x - 1, y)
            && set.has(x + 1, y)
            && set.has(x, y - 1)
            && set.has(x, y + 1)
    };
    let rim = set.pixels().filter(|(x, y)| !inner(*x, *y));
    rim.map(|(x, y)| [x as f64 + 0.5, y as f64 + 0.5]).collect()
}

/// Least distance between the pixels of two sets, by trying all on their rims.
pub fn clearance(a: &Mask, b: &Mask) -> f64 {
    if a.meets(b) {
        return 0.0;
    }
    let (a, b) = (rim(a), rim(b));
    let squared = |p: &[f64; 2], q: &[f64; 2]| (p[0] - q[0]).powi(2) + (p[1] - q[1]).powi(2);
    let near = |p: &[f64; 2]| b.iter().map(|q| squared(p, q)).fold(f64::INFINITY, f64::min);
    a.iter().map(near).fold(f64::INFINITY, f64::min).sqrt()
}

/// Least distance of a set from the sides of a region that are not on the frame's edge, by
/// trying all.
pub fn margin(region: &Region, set: &Mask) -> f64 {
    let (width, height) = (set.width() as f64, set.height() as f64);
    let sides = region.inner_sides(width, height);
    let from = |[x, y]: &[f64; 2]| {
        let one = |(a, b): &([f64; 2], [f64; 2])| {
            let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
            let along = ((x - a[0]) * dx + (y - a[1]) * dy) / (dx * dx + dy * dy).max(1e-12);
            let along = along.clamp(0.0, 1.0);
            (x - a[0] - along * dx).hypot(y - a[1] - along * dy)
        };
        sides.iter().map(one).fold(f64::INFINITY, f64::min)
    };
    rim(set).iter().map(from).fold(f64::INFINITY, f64::min)
}

/// Pixels of a set inside a region, by the definition of inside.
pub fn inside(region: &Region, set: &Mask) -> usize {
    set.pixels().filter(|(x, y)| region.contains([*x as f64 + 0.5, *y as f64 + 0.5])).count()
}

/// Both margins as parts of the ideal of the program's own masks.
pub fn shares(found: &Division) -> Option<f64> {
    let least = found.margin_boom_px?.min(found.margin_actors_px?);
    Some(least / found.ideal_margin_px?)
}

/// Decodes luma of eight bits with the `ffmpeg` program.
pub fn luma(file: &Path, width: usize, height: usize) -> Vec<Vec<u8>> {
    let run = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-i"])
        .arg(file)
        .args(["-vf", "extractplanes=y", "-f", "rawvideo", "-pix_fmt", "gray", "-"])
        .output()
        .expect("ffmpeg was there a moment ago");
    run.stdout.chunks_exact(width * height).map(<[u8]>::to_vec).collect()
}

/// A real shot with a boom composited into it.
pub struct RealShot {
    pub width: usize,
    pub height: usize,
    /// Frames in which anything is changed.
    pub changed: (usize, usize),
    pub take: Vec<Vec<u8>>,
    pub clean: Vec<Vec<u8>>,
}

impl RealShot {
    pub fn read(folder: &Path) -> RealShot {
        let text = std::fs::read_to_string(folder.join("truth.json")).expect("the truth is there");
        let truth: serde_json::Value = serde_json::from_str(&text).expect("it is JSON");
        let number = |value: &serde_json::Value| value.as_u64().expect("a number") as usize;
        let (width, height) = (number(&truth["width"]), number(&truth["height"]));
        RealShot {
            width,
            height,
            changed: (number(&truth["changed_range"][0]), number(&truth["changed_range"][1])),
            take: luma(&folder.join("take_boom.mkv"), width, height),
            clean: luma(&folder.join("clean.mkv"), width, height),
        }
    }

    /// Pixels that the boom or its shadow changes by so many codes in any frame.
    pub fn changed_by(&self, codes: u8) -> Mask {
        let mut set = Mask::new(self.width, self.height);
        for at in self.changed.0..self.changed.1 {
            let pairs = self.take[at].iter().zip(&self.clean[at]).enumerate();
            for (pixel, _) in pairs.filter(|(_, (take, clean))| take.abs_diff(**clean) >= codes) {
                set.set(pixel % self.width, pixel / self.width);
            }
        }
        set
    }

    /// Actors of each frame with boom, against the mean of a plate in the shot without boom:
    /// more than `codes` off after one gain, in squares of three by three.
    pub fn actors(&self, plate: (usize, usize), codes: f64) -> Vec<(i64, Mask)> {
        let count = (plate.1 - plate.0) as f64;
        let mut mean = vec![0.0_f64; self.width * self.height];
        for frame in &self.clean[plate.0..plate.1] {
            mean.iter_mut().zip(frame).for_each(|(mean, value)| *mean += f64::from(*value) / count);
        }
        (self.changed.0..self.changed.1)
            .map(|at| (at as i64, self.actors_in(&self.clean[at], &mean, codes)))
            .collect()
    }

    fn actors_in(&self, frame: &[u8], mean: &[f64], codes: f64) -> Mask {
        let pairs = frame.iter().zip(mean).step_by(7);
        let mut ratios: Vec<f64> =
            pairs.map(|(value, mean)| (f64::from(*value) + 1.0) / (mean + 1.0)).collect();
        ratios.sort_by(f64::total_cmp);
        let gain = ratios[ratios.len() / 2];
        let off = |x: usize, y: usize| {
            let at = y * self.width + x;
            (f64::from(frame[at]) - gain * mean[at]).abs() > codes
        };
        let raw = Mask::from_fn(self.width, self.height, off);
        // Opened by three by three: eroded, then grown.
        let (width, height) = (self.width, self.height);
        Mask::from_fn(width, height, |x, y| {
            (y.saturating_sub(1)..=y + 1)
                .all(|row| (x.saturating_sub(1)..=x + 1).all(|column| raw.has(column, row)))
        })
        .grown(1)
    }
}

/// Union of the actors of frames.
pub fn union<'a>(frames: impl IntoIterator<Item = &'a Mask>) -> Mask {
    let mut frames = frames.into_iter();
    let mut all = frames.next().cloned().unwrap_or_default();
    frames.for_each(|mask| all.add(mask));
    all
}
