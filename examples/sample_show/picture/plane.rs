//! A picture in linear light, and soft-edged shapes drawn into it.

/// Scene-linear red, green, blue.
pub type Rgb = [f32; 3];

/// A picture in linear light, row-major.
#[derive(Clone)]
pub struct Picture {
    pub w: usize,
    pub h: usize,
    pub px: Vec<Rgb>,
}

impl Picture {
    pub fn new(w: usize, h: usize) -> Picture {
        Picture { w, h, px: vec![[0.0; 3]; w * h] }
    }

    pub fn at(&self, x: i32, y: i32) -> Rgb {
        let x = x.clamp(0, self.w as i32 - 1) as usize;
        let y = y.clamp(0, self.h as i32 - 1) as usize;
        self.px[y * self.w + x]
    }
}

/// A tapered capsule: two circles and what lies between them, in pixels.
#[derive(Debug, Clone, Copy)]
pub struct Capsule {
    pub a: (f32, f32),
    pub b: (f32, f32),
    pub ra: f32,
    pub rb: f32,
}

/// Where a pixel lies in a capsule.
#[derive(Clone, Copy)]
pub struct Place {
    /// Share of the way from `a` to `b`, 0 to 1.
    pub along: f32,
    /// Signed share of the radius across the axis; -1 and 1 at the edges.
    pub across: f32,
    /// Distance to the edge in pixels, negative inside.
    pub distance: f32,
    /// The pixel, relative to `a`, turned so that x runs along the axis.
    pub local: (f32, f32),
}

/// A box in pixels, ends exclusive; empty if `x1 <= x0`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bounds {
    pub x0: i32,
    pub y0: i32,
    pub x1: i32,
    pub y1: i32,
}

impl Bounds {
    pub const EMPTY: Bounds = Bounds { x0: i32::MAX, y0: i32::MAX, x1: i32::MIN, y1: i32::MIN };

    pub fn is_empty(self) -> bool {
        self.x1 <= self.x0 || self.y1 <= self.y0
    }

    pub fn add(&mut self, x: i32, y: i32) {
        self.x0 = self.x0.min(x);
        self.y0 = self.y0.min(y);
        self.x1 = self.x1.max(x + 1);
        self.y1 = self.y1.max(y + 1);
    }

    pub fn join(&mut self, other: Bounds) {
        if !other.is_empty() {
            self.add(other.x0, other.y0);
            self.add(other.x1 - 1, other.y1 - 1);
        }
    }
}

impl Capsule {
    pub fn new(a: (f32, f32), b: (f32, f32), ra: f32, rb: f32) -> Capsule {
        Capsule { a, b, ra, rb }
    }

    pub fn moved(self, dx: f32, dy: f32) -> Capsule {
        Capsule { a: (self.a.0 + dx, self.a.1 + dy), b: (self.b.0 + dx, self.b.1 + dy), ..self }
    }

    /// The whole pixels within `grow` of the capsule and inside a raster.
    pub fn bounds(self, grow: f32, w: usize, h: usize) -> Bounds {
        let (ra, rb) = (self.ra + grow, self.rb + grow);
        let low = |a: f32, b: f32| (a - ra).min(b - rb).floor() as i32;
        let high = |a: f32, b: f32| (a + ra).max(b + rb).ceil() as i32 + 1;
        Bounds {
            x0: low(self.a.0, self.b.0).max(0),
            y0: low(self.a.1, self.b.1).max(0),
            x1: high(self.a.0, self.b.0).min(w as i32),
            y1: high(self.a.1, self.b.1).min(h as i32),
        }
    }

    pub fn place(self, x: f32, y: f32) -> Place {
        let (ex, ey) = (self.b.0 - self.a.0, self.b.1 - self.a.1);
        let length = (ex * ex + ey * ey).sqrt().max(1e-3);
        let (ux, uy) = (ex / length, ey / length);
        let (px, py) = (x - self.a.0, y - self.a.1);
        let local = (px * ux + py * uy, py * ux - px * uy);
        let along = (local.0 / length).clamp(0.0, 1.0);
        let radius = self.ra + (self.rb - self.ra) * along;
        let (qx, qy) = (local.0 - along * length, local.1);
        let off = (qx * qx + qy * qy).sqrt();
        Place { along, across: local.1 / radius.max(0.1), distance: off - radius, local }
    }

    /// Paints the capsule; `paint` gives colour and cover, `grow` is how far cover reaches
    /// past the edge. `seen` hears every pixel: before, after, cover.
    pub fn draw(
        self,
        picture: &mut Picture,
        grow: f32,
        paint: impl Fn(Place) -> (Rgb, f32),
        mut seen: impl FnMut(i32, i32, Rgb, Rgb, f32),
    ) {
        let bounds = self.bounds(grow, picture.w, picture.h);
        for y in bounds.y0..bounds.y1 {
            for x in bounds.x0..bounds.x1 {
                let place = self.place(x as f32 + 0.5, y as f32 + 0.5);
                if place.distance >= grow {
                    continue;
                }
                let (colour, cover) = paint(place);
                if cover <= 0.0 {
                    continue;
                }
                let pixel = &mut picture.px[y as usize * picture.w + x as usize];
                let before = *pixel;
                for channel in 0..3 {
                    pixel[channel] += (colour[channel] - pixel[channel]) * cover;
                }
                seen(x, y, before, *pixel, cover);
            }
        }
    }
}

/// Cover of a soft edge: 1 well inside, 0 `soft` pixels past the edge.
pub fn edge(distance: f32, soft: f32) -> f32 {
    super::hash::smooth(0.5 - distance / (2.0 * soft))
}

pub fn scaled(colour: Rgb, by: f32) -> Rgb {
    colour.map(|value| value * by)
}

pub fn blend(a: Rgb, b: Rgb, share: f32) -> Rgb {
    std::array::from_fn(|channel| a[channel] + (b[channel] - a[channel]) * share)
}
