//! Leaves that move in the wind: layers of painted leaves, each pushed about by its own
//! gusts, seen through the openings of a set.

use super::hash::{Stream, noise, rough, step};
use super::plane::{Bounds, Picture, Rgb, blend};
use crate::script::Wind;

/// One layer: colour and cover of every pixel, and how far it sways.
struct Layer {
    colour: Picture,
    cover: Vec<f32>,
    /// For each pixel, when its gust comes and how limp its branch is.
    gusts: Vec<(f32, f32)>,
}

/// All layers behind the openings of a set.
pub struct Foliage {
    layers: Vec<Layer>,
    open: Vec<f32>,
    wind: Wind,
    scale: f32,
    pub bounds: Bounds,
}

impl Foliage {
    /// Paints the layers for a raster with openings `open`; `None` if nothing is open.
    pub fn new(w: usize, h: usize, open: Vec<f32>, wind: Wind) -> Option<Foliage> {
        let mut bounds = Bounds::EMPTY;
        for (at, share) in open.iter().enumerate() {
            if *share > 0.0 {
                bounds.add((at % w) as i32, (at / w) as i32);
            }
        }
        let scale = w as f32 / 640.0;
        let tones = [
            ([0.055, 0.085, 0.03], 0.5, 900.0),
            ([0.1, 0.165, 0.045], 0.8, 620.0),
            ([0.17, 0.26, 0.07], 1.0, 330.0),
        ];
        let layers = tones
            .iter()
            .enumerate()
            .map(|(at, (tone, sway, density))| {
                layer(w, h, scale, *tone, *sway, *density, at as u32 + wind.seed)
            })
            .collect();
        (!bounds.is_empty()).then_some(Foliage { layers, open, wind, scale, bounds })
    }

    /// Puts the set back where foliage was drawn, so that panes keep their soft edges.
    pub fn restore(&self, base: &Picture, margin: usize, wall: &mut Picture) {
        for y in self.bounds.y0 as usize..self.bounds.y1 as usize {
            for x in self.bounds.x0 as usize..self.bounds.x1 as usize {
                wall.px[y * wall.w + x] = base.px[(y + margin) * base.w + x + margin];
            }
        }
    }

    /// Draws the foliage of one instant into the openings.
    pub fn draw(&self, picture: &mut Picture, seconds: f32) {
        let s = self.scale;
        for y in self.bounds.y0..self.bounds.y1 {
            for x in self.bounds.x0..self.bounds.x1 {
                let at = y as usize * picture.w + x as usize;
                if self.open[at] <= 0.0 {
                    continue;
                }
                let (px, py) = (x as f32 / s, y as f32 / s);
                let mut colour = sky(px, py);
                for layer in &self.layers {
                    let (dx, dy) = self.push(layer.gusts[at], px, seconds);
                    let (tone, cover) = layer.sample(x as f32 + dx * s, y as f32 + dy * s);
                    colour = blend(colour, tone, cover);
                }
                picture.px[at] = blend(picture.px[at], colour, self.open[at]);
            }
        }
    }

    /// How far the wind pushes a layer at a place, in pixels of the drawing.
    fn push(&self, (phase, limp): (f32, f32), x: f32, t: f32) -> (f32, f32) {
        let reach = self.wind.sway * limp;
        let slow = (t * 1.9 + phase).sin() + 0.5 * (t * 3.3 + 1.7 * phase).sin();
        let quick = 0.28 * (t * 8.1 + 3.0 * phase + x / 19.0).sin();
        (reach * (slow + quick), 0.35 * reach * ((t * 2.3 + phase).cos() + quick))
    }
}

fn sky(x: f32, y: f32) -> Rgb {
    let cloud = 0.1 * rough(x / 80.0, y / 40.0, 5, 2);
    let low = y / 360.0;
    [0.55 + 0.15 * low + cloud, 0.62 + 0.1 * low + cloud, 0.72 + cloud]
}

fn layer(w: usize, h: usize, s: f32, tone: Rgb, sway: f32, density: f32, seed: u32) -> Layer {
    let mut colour = Picture::new(w, h);
    colour.px.fill(tone);
    let mut cover = vec![0.0; w * h];
    let mut stream = Stream::new(u64::from(seed) + 4711);
    for _ in 0..(density * 4.0) as usize {
        let (x, y) = (stream.between(-10.0, 650.0), stream.between(-10.0, 320.0));
        // Leaves grow in clumps and leave gaps in which the sky shows.
        if noise(x / 52.0, y / 44.0, seed + 77) < 0.36 + 0.1 * sway {
            continue;
        }
        let (length, turn) = (stream.between(5.0, 11.0), stream.between(-1.2, 1.2));
        let lit = stream.between(0.55, 1.5);
        let warm = stream.between(0.85, 1.3);
        leaf(
            &mut colour,
            &mut cover,
            s,
            (x, y),
            length,
            turn,
            [tone[0] * lit * warm, tone[1] * lit, tone[2] * lit],
        );
    }
    let gust = |at: usize| {
        let (x, y) = ((at % w) as f32 / s, (at / w) as f32 / s);
        let limp = 0.45 + 0.9 * noise(x / 46.0, y / 46.0, seed + 9);
        (6.0 * noise(x / 130.0, y / 110.0, seed), sway * limp)
    };
    Layer { colour, cover, gusts: (0..w * h).map(gust).collect() }
}

fn leaf(
    colour: &mut Picture,
    cover: &mut [f32],
    s: f32,
    (cx, cy): (f32, f32),
    length: f32,
    turn: f32,
    tone: Rgb,
) {
    let (cx, cy, length) = (cx * s, cy * s, length * s);
    let (sin, cos) = turn.sin_cos();
    let reach = length as i32 + 2;
    for y in (cy as i32 - reach).max(0)..(cy as i32 + reach).min(colour.h as i32) {
        for x in (cx as i32 - reach).max(0)..(cx as i32 + reach).min(colour.w as i32) {
            let (dx, dy) = (x as f32 + 0.5 - cx, y as f32 + 0.5 - cy);
            let (u, v) = ((dx * cos + dy * sin) / length, (dy * cos - dx * sin) / length);
            let half = 0.42 * (1.0 - u * u).max(0.0);
            let share = step(-0.06, 0.12, half - v.abs()) * step(1.02, 0.95, u.abs());
            if share > 0.0 {
                let at = y as usize * colour.w + x as usize;
                let rib =
                    1.0 - 0.3 * step(0.09, 0.02, v.abs()) + 0.35 * v.signum() * v.abs().sqrt();
                colour.px[at] = blend(colour.px[at], tone.map(|c| c * rib), share);
                cover[at] += (1.0 - cover[at]) * share;
            }
        }
    }
}

impl Layer {
    /// Colour and cover between pixels, by Catmull-Rom in both directions.
    fn sample(&self, x: f32, y: f32) -> (Rgb, f32) {
        let (ix, iy) = (x.floor(), y.floor());
        let (wx, wy) = (cubic(x - ix), cubic(y - iy));
        let (mut colour, mut cover) = ([0.0; 3], 0.0);
        for (row, weight_y) in wy.iter().enumerate() {
            let py = (iy as i32 + row as i32 - 1).clamp(0, self.colour.h as i32 - 1) as usize;
            for (column, weight_x) in wx.iter().enumerate() {
                let px =
                    (ix as i32 + column as i32 - 1).clamp(0, self.colour.w as i32 - 1) as usize;
                let at = py * self.colour.w + px;
                let weight = weight_x * weight_y;
                for (sum, value) in colour.iter_mut().zip(self.colour.px[at]) {
                    *sum += weight * value;
                }
                cover += weight * self.cover[at];
            }
        }
        (colour.map(|value: f32| value.max(0.0)), cover.clamp(0.0, 1.0))
    }
}

fn cubic(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [
        -0.5 * t + t2 - 0.5 * t3,
        1.0 - 2.5 * t2 + 1.5 * t3,
        0.5 * t + 2.0 * t2 - 1.5 * t3,
        -0.5 * t2 + 0.5 * t3,
    ]
}
