//! Synthetic locked-off shots whose light is known: textured walls and windows, textured
//! things moving in front of them at levels of their own, grain, gradients, colour shifts.

use platesmith::measure::light::blocks::{Codes, Kind, Samples};
use platesmith::measure::transfer::Range;

/// Numbers that look random and are the same everywhere (Vigna 2015, splitmix64).
#[derive(Clone)]
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Dice {
        Dice(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x1234_5678)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub fn uniform(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Normal numbers by the sum of eight uniform 16-bit ones.
    fn grain(&mut self) -> f64 {
        let (a, b) = (self.next(), self.next());
        let parts = |word: u64| (0..4).map(move |n| (word >> (16 * n) & 0xffff) as f64);
        (parts(a).chain(parts(b)).sum::<f64>() / 65536.0 - 4.0) / 0.816_5
    }
}

/// A smooth random field with detail from half the picture down to a few pixels.
struct Texture(Vec<(f64, f64, f64, f64)>);

impl Texture {
    fn new(dice: &mut Dice, waves: usize) -> Texture {
        let wave = |n: usize| {
            let period = 300.0 * 0.82_f64.powi(n as i32) + 4.0;
            let turn = dice.uniform(0.0, std::f64::consts::TAU);
            let (s, c) = turn.sin_cos();
            let size = (period / 300.0).powf(0.4);
            let beat = std::f64::consts::TAU / period;
            (c * beat, s * beat, dice.uniform(0.0, 6.3), size)
        };
        Texture((0..waves).map(wave).collect())
    }

    /// About -1 to 1.
    fn at(&self, x: f64, y: f64) -> f64 {
        let sum: f64 = self.0.iter().map(|(u, v, p, size)| size * (u * x + v * y + p).sin()).sum();
        sum / (self.0.len() as f64).sqrt()
    }
}

/// What a shot is made with.
#[derive(Debug, Clone, Copy)]
pub struct Recipe {
    pub width: usize,
    pub height: usize,
    /// Part of the picture that is covered.
    pub occluded: f64,
    /// Rms of the grain in signal.
    pub grain: f64,
    /// Grain one pixel wide, or about three.
    pub soft_grain: bool,
    /// Light in red, green and blue.
    pub gain: [f64; 3],
    /// Gradient of the light over width and height.
    pub slope: (f64, f64),
    /// Things in front of the wall.
    pub things: usize,
    /// Things have hardly any texture, and neither has the wall: their ratios crowd.
    pub flat: bool,
}

/// A wall and what moves in front of it, in scene light.
pub struct Scene {
    recipe: Recipe,
    wall: Vec<[f32; 3]>,
    things: Vec<Thing>,
    seed: u64,
}

struct Thing {
    level: f64,
    tint: [f64; 3],
    texture: Texture,
    contrast: f64,
    place: (f64, f64),
    size: (f64, f64),
    speed: (f64, f64),
}

impl Scene {
    pub fn new(seed: u64, recipe: Recipe) -> Scene {
        let mut dice = Dice::new(seed);
        let (width, height) = (recipe.width, recipe.height);
        let contrast = if recipe.flat { 0.02 } else { dice.uniform(0.3, 0.7) };
        let (texture, colour) = (Texture::new(&mut dice, 22), Texture::new(&mut dice, 8));
        let base = dice.uniform(0.15, 0.3);
        let window = (dice.uniform(0.0, 0.7), dice.uniform(0.0, 0.5), dice.uniform(1.5, 2.5));
        let mut wall = Vec::with_capacity(width * height);
        for y in 0..height {
            for x in 0..width {
                let (fx, fy) = (x as f64 / width as f64, y as f64 / height as f64);
                let lit = (fx - window.0).abs() < 0.12 && (fy - window.1).abs() < 0.2;
                let level = if lit && !recipe.flat { base * window.2 } else { base };
                let light = level * (contrast * texture.at(x as f64, y as f64)).exp();
                let hue = 0.25 * contrast * colour.at(x as f64, y as f64);
                wall.push([1.0 + hue, 1.0, 0.9 - hue].map(|tint| (light * tint).min(0.8) as f32));
            }
        }
        let things = (0..recipe.things).map(|n| Thing::new(&mut dice, &recipe, n)).collect();
        Scene { recipe, wall, things, seed }
    }

    /// Renders one frame through the BT.709 camera curve to 10 bits of full range. `lit`
    /// false gives the plate: its own light, nobody in front.
    pub fn frame(&self, number: u64, lit: bool) -> Codes {
        let recipe = &self.recipe;
        let (width, height) = (recipe.width, recipe.height);
        let mut dice = Dice::new(self.seed.wrapping_mul(7919) + 2 * number + u64::from(lit));
        let mut grain = Grain::new(recipe, &mut dice);
        let mut codes = Codes { kind: Kind::Rgb, depth: 10, ..Codes::default() };
        for plane in &mut codes.planes {
            *plane = Samples { codes: Vec::with_capacity(width * height), width, height };
        }
        for y in 0..height {
            for x in 0..width {
                let light = self.light(x, y, number, lit);
                let fall = if lit { self.fall(x, y) } else { 1.0 };
                for (channel, plane) in codes.planes.iter_mut().enumerate() {
                    let gain = if lit { recipe.gain[channel] * fall } else { 1.0 };
                    let signal = camera(light[channel] * gain) + grain.next(channel, x, y);
                    let (_, span) = Range::Full.black_and_span(10);
                    plane.codes.push((signal * span + 0.5).clamp(0.0, span) as u16);
                }
            }
        }
        codes
    }

    /// Gain of the light over the picture, without its strength.
    pub fn fall(&self, x: usize, y: usize) -> f64 {
        let part = |at: usize, of: usize| (at as f64 + 0.5) / of as f64 - 0.5;
        let recipe = &self.recipe;
        1.0 + recipe.slope.0 * part(x, recipe.width) + recipe.slope.1 * part(y, recipe.height)
    }

    fn light(&self, x: usize, y: usize, number: u64, occupied: bool) -> [f64; 3] {
        let thing = self.things.iter().rev().find(|thing| occupied && thing.covers(x, y, number));
        match thing {
            Some(thing) => thing.light(x as f64, y as f64, number),
            None => self.wall[y * self.recipe.width + x].map(f64::from),
        }
    }

    /// Part of the picture that something covers in a frame.
    pub fn covered(&self, number: u64) -> f64 {
        let (width, height) = (self.recipe.width, self.recipe.height);
        let step = 4;
        let at = |n: usize| (n % (width / step) * step, n / (width / step) * step);
        let count = (width / step) * (height / step);
        let covers = |n: &usize| {
            let (x, y) = at(*n);
            self.things.iter().any(|thing| thing.covers(x, y, number))
        };
        (0..count).filter(covers).count() as f64 / count as f64
    }
}

impl Thing {
    /// Things stand side by side, each with its part of the width, and sway a little.
    fn new(dice: &mut Dice, recipe: &Recipe, number: usize) -> Thing {
        let slot = recipe.width as f64 / recipe.things as f64;
        let tall = (recipe.occluded + 0.15).clamp(0.6, 1.0);
        let wide = recipe.occluded / tall * slot;
        let left = number as f64 * slot + dice.uniform(0.0, slot - wide);
        let level = dice.uniform(0.03, 0.5);
        Thing {
            level,
            tint: [dice.uniform(0.7, 1.4), 1.0, dice.uniform(0.7, 1.4)],
            contrast: if recipe.flat { 0.02 } else { dice.uniform(0.3, 0.7) },
            texture: Texture::new(dice, 20),
            place: (left, recipe.height as f64 * (1.0 - tall)),
            size: (wide, recipe.height as f64 * tall),
            speed: (dice.uniform(-2.0, 2.0), dice.uniform(-0.5, 0.5)),
        }
    }

    /// A slow sway of at most 24 pixels.
    fn moved(&self, number: u64) -> (f64, f64) {
        let sway = 24.0 * (number as f64 * 0.07 + self.speed.0).sin();
        (sway * self.speed.0 / 2.0, sway * self.speed.1 / 2.0)
    }

    fn covers(&self, x: usize, y: usize, number: u64) -> bool {
        let moved = self.moved(number);
        let (x, y) = (x as f64 - self.place.0 - moved.0, y as f64 - self.place.1 - moved.1);
        x >= 0.0 && y >= 0.0 && x < self.size.0 && y < self.size.1
    }

    fn light(&self, x: f64, y: f64, number: u64) -> [f64; 3] {
        let moved = self.moved(number);
        let light = self.level * (self.contrast * self.texture.at(x - moved.0, y - moved.1)).exp();
        self.tint.map(|tint| (light * tint).min(0.9))
    }
}

/// The camera curve of Rec. ITU-R BT.709-6, item 1.2.
pub fn camera(light: f64) -> f64 {
    if light < 0.018 { 4.5 * light } else { 1.099 * light.powf(0.45) - 0.099 }
}

/// Grain of its own in each channel; soft grain is the mean of a pixel and its neighbours to
/// the left and above, brought back to the same rms.
struct Grain {
    field: Vec<f32>,
    width: usize,
    soft: bool,
    height: usize,
}

impl Grain {
    fn new(recipe: &Recipe, dice: &mut Dice) -> Grain {
        let (width, height) = (recipe.width + 1, recipe.height + 1);
        let strength = recipe.grain * if recipe.soft_grain { 3.0_f64.sqrt() / 3.0 } else { 1.0 };
        let field = (0..width * height * 3).map(|_| (strength * dice.grain()) as f32).collect();
        Grain { field, width, soft: recipe.soft_grain, height }
    }

    fn next(&mut self, channel: usize, x: usize, y: usize) -> f64 {
        let at = (channel * self.height + y + 1) * self.width + x + 1;
        let own = self.field[at];
        let all =
            if self.soft { own + self.field[at - 1] + self.field[at - self.width] } else { own };
        f64::from(all)
    }
}
