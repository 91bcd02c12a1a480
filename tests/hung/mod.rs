//! Booms of known place, contrast and time, laid over drawn sets or over frames of footage.
//! Planes are luma in 8-bit codes, row-major; the truth is what a pixel is changed by before
//! grain and rounding.
#![allow(dead_code, reason = "each user takes a part")]

/// A fixed sequence of numbers (a 64-bit linear congruence, Knuth's multiplier).
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Dice {
        Dice(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x1234_5678)
    }

    /// Returns a number from 0 to 1.
    pub fn even(&mut self) -> f32 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_041);
        (self.0 >> 40) as f32 / (1_u64 << 24) as f32
    }

    /// Returns a nearly normal number of variance one.
    pub fn bell(&mut self) -> f32 {
        ((0..4).map(|_| self.even()).sum::<f32>() - 2.0) * 3.0_f32.sqrt()
    }
}

/// The edge a boom comes through.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum From {
    Top,
    Left,
    Right,
}

/// A microphone on a pole, and its soft shadow.
#[derive(Debug, Clone, Copy)]
pub struct Hung {
    pub from: From,
    /// Middle of the microphone at rest, as shares of width and height.
    pub at: (f32, f32),
    /// Half the length and half the thickness of the microphone, as shares of the height.
    pub size: (f32, f32),
    /// How far the pole leans from the straight way in.
    pub lean: f32,
    /// Codes it differs from what is behind it; or its own level.
    pub tone: HungTone,
    /// Share of the light its shadow takes, and where it falls, in shares of the height.
    pub shadow: f32,
    pub falls: (f32, f32),
    /// Frames with any of it in the picture.
    pub frames: (usize, usize),
    /// Frames of a slide through the edge; it does not slide at the ends of the take.
    pub slide: usize,
    /// Frames of the take.
    pub take: usize,
    /// Peak sway in shares of the height, and its period in frames.
    pub sway: (f32, f32),
}

/// What a boom looks like.
#[derive(Debug, Clone, Copy)]
pub enum HungTone {
    Differs(f32),
    Fur(f32),
}

impl Hung {
    /// A boom of fur with a shadow, at rest in the upper middle.
    pub fn usual(frames: (usize, usize), take: usize) -> Hung {
        Hung {
            from: From::Top,
            at: (0.5, 0.2),
            size: (0.09, 0.04),
            lean: 0.5,
            tone: HungTone::Fur(110.0),
            shadow: 0.15,
            falls: (0.06, 0.06),
            frames,
            slide: 8,
            take,
            sway: (0.006, 45.0),
        }
    }

    /// Lays the boom over a frame; returns the change of each pixel.
    pub fn lay(&self, frame: usize, width: usize, height: usize, codes: &mut [f32]) -> Vec<f32> {
        let mut change = vec![0.0; width * height];
        let (start, end) = self.frames;
        if !(start..end).contains(&frame) {
            return change;
        }
        let h = height as f32;
        let steps = self.slide.max(1) as f32;
        let near = |left: usize| (1.0 - left as f32 / steps).max(0.0);
        let enters = if start > 0 { near(frame - start + 1) } else { 0.0 };
        let leaves = if end < self.take { near(end - frame) } else { 0.0 };
        let turn = std::f32::consts::TAU * frame as f32 / self.sway.1.max(1.0);
        let sway = (self.sway.0 * h * turn.sin(), 0.6 * self.sway.0 * h * (0.7 * turn).cos());
        let way = self.way();
        let rest = (self.at.0 * width as f32, self.at.1 * h);
        let out = self.distance_out(rest, way, width as f32, h);
        let away = out * enters.max(leaves);
        let mic = (rest.0 + sway.0 - way.0 * away, rest.1 + sway.1 - way.1 * away);
        let (long, thick) = (self.size.0 * h, self.size.1 * h);
        let axis = (way.1 * 0.5 + way.0, way.1 - way.0 * 0.5);
        let norm = axis.0.hypot(axis.1);
        let (ax, ay) = (axis.0 / norm * long, axis.1 / norm * long);
        let parts = [
            ((mic.0 - ax, mic.1 - ay), (mic.0 + ax, mic.1 + ay), thick),
            (
                (mic.0 - ax, mic.1 - ay),
                (mic.0 - way.0 * 4.0 * h, mic.1 - way.1 * 4.0 * h),
                0.009 * h,
            ),
        ];
        let fall = (self.falls.0 * h, self.falls.1 * h);
        for y in 0..height {
            for x in 0..width {
                let p = (x as f32 + 0.5, y as f32 + 0.5);
                let at = y * width + x;
                let far = |p: (f32, f32)| {
                    let gap =
                        |part: &((f32, f32), (f32, f32), f32)| distance(p, part.0, part.1) - part.2;
                    parts.iter().map(gap).fold(f32::MAX, f32::min)
                };
                let before = codes[at];
                let soft = 0.02 * h;
                let dark = (0.5 - far((p.0 - fall.0, p.1 - fall.1)) / (2.0 * soft)).clamp(0.0, 1.0);
                let shaded = before * (1.0 - self.shadow * dark * dark * (3.0 - 2.0 * dark));
                let cover = (0.5 - far(p)).clamp(0.0, 1.0);
                let own = match self.tone {
                    HungTone::Differs(codes) => before + codes,
                    HungTone::Fur(level) => level + 18.0 * fur(p.0 - mic.0, p.1 - mic.1, h),
                };
                codes[at] = shaded + cover * (own - shaded);
                change[at] = codes[at] - before;
            }
        }
        change
    }

    fn way(&self) -> (f32, f32) {
        let (x, y) = match self.from {
            From::Top => (self.lean, 1.0),
            From::Left => (1.0, self.lean),
            From::Right => (-1.0, self.lean),
        };
        (x / x.hypot(y), y / x.hypot(y))
    }

    /// How far back along its way nothing of it nor of its shadow is in the picture.
    fn distance_out(&self, rest: (f32, f32), way: (f32, f32), width: f32, height: f32) -> f32 {
        let edge = match self.from {
            From::Top => rest.1 / way.1,
            From::Left => rest.0 / way.0,
            From::Right => (rest.0 - width) / way.0,
        };
        let reach =
            (self.size.0 + self.size.1 + self.falls.0.max(self.falls.1).max(0.0) + 0.03) * height;
        let straight = if self.from == From::Top { way.1 } else { way.0.abs() };
        edge + reach / straight
    }
}

fn distance(p: (f32, f32), a: (f32, f32), b: (f32, f32)) -> f32 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let along = ((p.0 - a.0) * dx + (p.1 - a.1) * dy) / (dx * dx + dy * dy).max(1e-6);
    let along = along.clamp(0.0, 1.0);
    (p.0 - a.0 - along * dx).hypot(p.1 - a.1 - along * dy)
}

/// Streaks that move with the microphone.
fn fur(x: f32, y: f32, height: f32) -> f32 {
    let (x, y) = (x * 240.0 / height, y * 240.0 / height);
    ((x * 0.9 + 2.0 * (y * 0.21).sin()).sin() + (x * 0.37 - y * 0.83).sin()) * 0.5
}

/// A drawn set: a wall with a slope of light, a door frame, a picture, a floor.
pub struct Room {
    pub width: usize,
    pub height: usize,
    wall: Vec<f32>,
}

impl Room {
    /// Draws a room; the wall is about `level` codes.
    pub fn new(width: usize, height: usize, level: f32, seed: u64) -> Room {
        let mut dice = Dice::new(seed);
        let mut wall = vec![0.0; width * height];
        let (w, h) = (width as f32, height as f32);
        let door = 0.12 + 0.1 * dice.even();
        for y in 0..height {
            for x in 0..width {
                let (u, v) = (x as f32 / w, y as f32 / h);
                let mut value = level * (0.9 + 0.2 * u - 0.12 * v);
                value += 2.5 * ((u * 40.0 + 3.0 * (v * 17.0).sin()).sin() * (v * 31.0).cos());
                if (u - door).abs() < 0.012 || (u < door && (v - 0.12).abs() < 0.015) {
                    value *= 0.45;
                }
                if (0.74..0.9).contains(&u) && (0.25..0.42).contains(&v) {
                    value =
                        0.5 * level + 40.0 * (((u * 60.0) as i32 + (v * 40.0) as i32) % 2) as f32;
                }
                if v > 0.78 {
                    value = 0.4 * level + 14.0 * (u * 70.0 + v * 20.0).sin();
                }
                wall[y * width + x] = value;
            }
        }
        Room { width, height, wall }
    }

    /// Returns the empty set.
    pub fn empty(&self) -> Vec<f32> {
        self.wall.clone()
    }
}

/// Puts a standing person into a frame: feet below the picture, a head that nods. The middle
/// and the top as shares of width and height.
pub fn stand(codes: &mut [f32], width: usize, height: usize, at: (f32, f32), frame: usize) {
    let h = height as f32;
    let sway = 0.012 * h * (frame as f32 / 9.0).sin();
    let (x0, top) = (at.0 * width as f32 + sway, at.1 * h);
    let head = (x0 + 0.3 * sway, top + 0.07 * h);
    for y in 0..height {
        for x in 0..width {
            let p = (x as f32 + 0.5, y as f32 + 0.5);
            let body = distance(p, (x0, top + 0.26 * h), (x0 - sway, 1.3 * h)) - 0.1 * h;
            let skull = distance(p, head, (x0, top + 0.14 * h)) - 0.055 * h;
            let cover = (0.5 - body.min(skull)).clamp(0.0, 1.0);
            if cover > 0.0 {
                let own = if skull < body { 150.0 } else { 52.0 + 12.0 * (p.1 * 40.0 / h).sin() };
                let value = &mut codes[y * width + x];
                *value += cover * (own - *value);
            }
        }
    }
}

/// Adds grain of a standard deviation and rounds to whole codes of `peak` (255 or 1023).
pub fn grained(codes: &[f32], sigma: f32, peak: f32, dice: &mut Dice) -> Vec<u16> {
    let share = peak / 255.0;
    codes
        .iter()
        .map(|code| ((code + sigma * dice.bell()) * share + 0.5).clamp(0.0, peak) as u16)
        .collect()
}
