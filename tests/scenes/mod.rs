//! Locked-off shots whose truth is known: invented scenes drawn at twice the size without
//! grain and moved by a windowed sinc, moving actors, light that changes, correlated grain.
//! Nothing here is shared with the measures, neither smoothing nor interpolation.
#![allow(dead_code, reason = "each test file uses a part")]

pub mod drift;

/// A small generator (xorshift64*, Vigna 2016): the same numbers everywhere.
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }

    pub fn next(&mut self) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        self.0.wrapping_mul(0x2545_f491_4f6c_dd1d)
    }

    /// 0 to 1.
    pub fn part(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.part()
    }

    pub fn below(&mut self, count: usize) -> usize {
        (self.next() >> 33) as usize % count.max(1)
    }

    /// Gaussian with variance 1 (Box and Muller 1958).
    pub fn bell(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.part()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.part()).cos()
    }
}

/// Shift, rotation (clockwise, radians) and scale less one about the middle of the frame.
#[derive(Clone, Copy, Default, Debug)]
pub struct Truth {
    pub shift_x: f64,
    pub shift_y: f64,
    pub rotation: f64,
    pub scale: f64,
}

/// Pixels around the frame that the scene also holds.
const PAD: usize = 32;

/// A background without grain, at twice the size of the frame.
pub struct Scene {
    pub width: usize,
    pub height: usize,
    fine_width: usize,
    fine_height: usize,
    fine: Vec<f32>,
    grain: Vec<Vec<f32>>,
    grain_size: (usize, usize),
    actor: Vec<f32>,
    sinc: Vec<[f32; SINC]>,
}

const SINC: usize = 12;
const PHASES: usize = 1024;

/// How much of the frame is plain wall: part of each kind of scene.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// Shapes and fine texture everywhere.
    Busy,
    /// Mostly wall with a few shapes.
    Sparse,
    /// Long straight edges and little else: doors, shelves, blinds.
    Straight,
    /// Soft, out of focus.
    Soft,
}

impl Scene {
    pub fn new(width: usize, height: usize, kind: Kind, seed: u64) -> Self {
        let mut dice = Dice::new(seed);
        let (fine_width, fine_height) = (2 * (width + 2 * PAD), 2 * (height + 2 * PAD));
        let fine = draw(fine_width, fine_height, kind, &mut dice);
        let actor = draw((width / 2) & !1, height & !1, Kind::Busy, &mut dice);
        let (grain_width, grain_height) = (width + 256, height + 256);
        let grain = (0..3).map(|_| grain(grain_width, grain_height, &mut dice)).collect();
        Self {
            width,
            height,
            fine_width,
            fine_height,
            fine,
            grain,
            grain_size: (grain_width, grain_height),
            actor,
            sinc: (0..=PHASES).map(|at| sinc(at as f64 / PHASES as f64)).collect(),
        }
    }

    /// Renders the background moved by `truth`, in codes of 0-1023, without grain.
    ///
    /// Two passes, each along one axis, with places solved so that both together are the
    /// exact similarity (Catmull and Smith 1980).
    pub fn background(&self, truth: &Truth) -> Vec<f32> {
        let (w, h) = (self.width as f64, self.height as f64);
        let (cx, cy) = ((w - 1.0) / 2.0, (h - 1.0) / 2.0);
        // Frame pixel q shows scene point p with q = p + u(p); solved for p about the middle.
        let (a, b) = (1.0 + truth.scale, truth.rotation);
        let det = a * a + b * b;
        let (ia, ib) = (a / det, -b / det);
        // p = M (q - t): px = ia*x' - ib*y', py = ib*x' + ia*y'.
        let mut between = vec![0.0_f32; self.width * self.fine_height];
        for v in 0..self.fine_height {
            let py = v as f64 / 2.0 - PAD as f64 - cy;
            let row = &self.fine[v * self.fine_width..(v + 1) * self.fine_width];
            for x in 0..self.width {
                let qx = x as f64 - cx - truth.shift_x;
                // y' from py at this x, then px.
                let qy = (py - ib * qx) / ia;
                let px = ia * qx - ib * qy;
                let at = 2.0 * (px + cx + PAD as f64);
                between[v * self.width + x] = self.tap(at, |n| row[n.min(self.fine_width - 1)]);
            }
        }
        let mut out = vec![0.0_f32; self.width * self.height];
        for y in 0..self.height {
            let qy = y as f64 - cy - truth.shift_y;
            for x in 0..self.width {
                let qx = x as f64 - cx - truth.shift_x;
                let at = 2.0 * (ib * qx + ia * qy + cy + PAD as f64);
                out[y * self.width + x] =
                    self.tap(at, |n| between[n.min(self.fine_height - 1) * self.width + x]);
            }
        }
        out
    }

    fn tap(&self, at: f64, value: impl Fn(usize) -> f32) -> f32 {
        let whole = at.floor();
        let weights = &self.sinc[((at - whole) * PHASES as f64 + 0.5) as usize];
        let first = whole as i64 - (SINC as i64 / 2 - 1);
        let at = |n: usize| value(usize::try_from(first + n as i64).unwrap_or(0));
        weights.iter().enumerate().map(|(n, weight)| weight * at(n)).sum()
    }

    /// Lays textured actors over about `share` of the frame; they wander with `time`.
    pub fn actors(&self, frame: &mut [f32], share: f64, time: f64, seed: u64) {
        let mut dice = Dice::new(seed);
        let (w, h) = (self.width as f64, self.height as f64);
        let count = 4;
        // Each actor is an ellipse half as high again as wide, from the bottom up; some of
        // it overlaps others or hangs out of frame, hence the fifth more.
        let area = 1.2 * share * w * h / count as f64;
        let (rx, ry) = (
            (area / std::f64::consts::PI / 1.5).sqrt(),
            (area * 1.5 / std::f64::consts::PI).sqrt(),
        );
        let (aw, ah) = ((self.width / 2) & !1, self.height & !1);
        for number in 0..count {
            let home = w * (number as f64 + 0.5) / count as f64;
            let (speed, phase) = (dice.between(0.05, 0.25), dice.between(0.0, 6.0));
            let cx = home + w * 0.06 * (time * speed + phase).sin();
            let cy = h * 0.55 + h * 0.04 * (time * speed * 1.7 + phase).cos();
            let (from_x, from_y) = (dice.below(aw), dice.below(ah));
            let (ox, oy) = (cx.round() as i64, cy.round() as i64);
            for y in (cy - ry).max(0.0) as usize..((cy + ry).max(0.0) as usize).min(self.height) {
                for x in (cx - rx).max(0.0) as usize..((cx + rx).max(0.0) as usize).min(self.width)
                {
                    let r = ((x as f64 - cx) / rx).powi(2) + ((y as f64 - cy) / ry).powi(2);
                    if r < 1.0 {
                        // The texture travels with the actor.
                        let tx = (x as i64 - ox + from_x as i64).rem_euclid(aw as i64) as usize;
                        let ty = (y as i64 - oy + from_y as i64).rem_euclid(ah as i64) as usize;
                        let soft = ((1.0 - r) * 20.0).min(1.0) as f32;
                        let value = &mut frame[y * self.width + x];
                        *value += soft * (self.actor[ty * aw + tx] * 0.8 - *value);
                    }
                }
            }
        }
    }

    /// Applies light, adds grain of `sigma` codes and rounds to ten bits.
    pub fn exposed(&self, frame: &[f32], gain: f32, sigma: f32, dice: &mut Dice) -> Vec<u16> {
        let (gw, gh) = self.grain_size;
        let crop = |dice: &mut Dice| (dice.below(gw - self.width), dice.below(gh - self.height));
        // Three fields, each from another corner, added: no two frames share their grain.
        let corners: Vec<(usize, usize)> = self.grain.iter().map(|_| crop(dice)).collect();
        let sign: Vec<f32> =
            corners.iter().map(|_| if dice.below(2) == 0 { 1.0 } else { -1.0 }).collect();
        let scale = sigma / (self.grain.len() as f32).sqrt();
        let mut out = Vec::with_capacity(frame.len());
        for y in 0..self.height {
            for x in 0..self.width {
                let mut grain = 0.0;
                for ((field, (gx, gy)), sign) in self.grain.iter().zip(&corners).zip(&sign) {
                    grain += sign * field[(y + gy) * gw + x + gx];
                }
                let value = frame[y * self.width + x] * gain + scale * grain;
                out.push(value.round().clamp(0.0, 1023.0) as u16);
            }
        }
        out
    }
}

/// Kaiser-windowed sinc of twelve taps at `phase` right of the sixth. The scene is drawn so
/// soft that half its band is empty, so what the window costs is far below one code.
fn sinc(phase: f64) -> [f32; SINC] {
    let bare: [f64; SINC] = std::array::from_fn(|n| {
        let x = n as f64 - (SINC as f64 / 2.0 - 1.0) - phase;
        let inside = 1.0 - (x / (SINC as f64 / 2.0)).powi(2);
        let window = if inside > 0.0 { bessel(7.0 * inside.sqrt()) / bessel(7.0) } else { 0.0 };
        let arc = std::f64::consts::PI * x;
        window * if arc.abs() < 1e-12 { 1.0 } else { arc.sin() / arc }
    });
    let sum: f64 = bare.iter().sum();
    bare.map(|weight| (weight / sum) as f32)
}

/// Modified Bessel function of order 0.
fn bessel(x: f64) -> f64 {
    let (mut term, mut sum) = (1.0, 1.0);
    for n in 1..40 {
        term *= (x / 2.0 / f64::from(n)).powi(2);
        sum += term;
    }
    sum
}

/// Draws shapes, lines and cloudy texture, softened as a lens and a sensor would.
fn draw(width: usize, height: usize, kind: Kind, dice: &mut Dice) -> Vec<f32> {
    let mut out = vec![0.0_f32; width * height];
    let (w, h) = (width as f64, height as f64);
    let (slope_x, slope_y) = (dice.between(-100.0, 100.0), dice.between(-100.0, 100.0));
    let base = dice.between(350.0, 550.0);
    for (at, value) in out.iter_mut().enumerate() {
        let (x, y) = ((at % width) as f64 / w - 0.5, (at / width) as f64 / h - 0.5);
        *value = (base + slope_x * x + slope_y * y) as f32;
    }
    let (shapes, texture, blur) = match kind {
        Kind::Busy => (220, 30.0, 1.3),
        Kind::Sparse => (30, 5.0, 1.3),
        Kind::Straight => (40, 3.0, 1.5),
        Kind::Soft => (120, 20.0, 4.0),
    };
    for _ in 0..shapes {
        let level = dice.between(80.0, 850.0) as f32;
        let (cx, cy) = (dice.between(0.0, w), dice.between(0.0, h));
        let (mut rx, mut ry) = (dice.between(0.01, 0.08) * w, dice.between(0.01, 0.12) * h);
        if kind == Kind::Straight {
            (rx, ry) = if dice.below(2) == 0 { (0.004 * w, 0.5 * h) } else { (0.4 * w, 0.006 * h) };
        }
        let round = kind != Kind::Straight && dice.below(2) == 0;
        let turn = if kind == Kind::Straight { 0.0 } else { dice.between(0.0, 3.0) };
        let (sin, cos) = turn.sin_cos();
        let reach = rx.hypot(ry);
        for y in (cy - reach).max(0.0) as usize..((cy + reach) as usize).min(height) {
            for x in (cx - reach).max(0.0) as usize..((cx + reach) as usize).min(width) {
                let (dx, dy) = (x as f64 - cx, y as f64 - cy);
                let (u, v) = ((dx * cos + dy * sin) / rx, (dy * cos - dx * sin) / ry);
                let inside = if round { u * u + v * v < 1.0 } else { u.abs().max(v.abs()) < 1.0 };
                if inside {
                    out[y * width + x] = level;
                }
            }
        }
    }
    for size in [3.0, 6.0, 12.0, 24.0] {
        let mut cloud: Vec<f32> = (0..width * height).map(|_| dice.bell() as f32).collect();
        blur_by(&mut cloud, width, height, size);
        let rms = (cloud.iter().map(|v| v * v).sum::<f32>() / cloud.len() as f32).sqrt();
        out.iter_mut().zip(&cloud).for_each(|(value, c)| *value += c / rms * texture);
    }
    blur_by(&mut out, width, height, blur);
    out
}

/// Grain of variance 1 whose neighbours correlate by about .3, as after demosaicing.
fn grain(width: usize, height: usize, dice: &mut Dice) -> Vec<f32> {
    let mut out: Vec<f32> = (0..width * height).map(|_| dice.bell() as f32).collect();
    blur_by(&mut out, width, height, 0.5);
    let rms = (out.iter().map(|v| v * v).sum::<f32>() / out.len() as f32).sqrt();
    out.iter_mut().for_each(|value| *value /= rms);
    out
}

/// Gaussian blur; the edges repeat.
pub fn blur_by(data: &mut [f32], width: usize, height: usize, sigma: f64) {
    let reach = (4.0 * sigma).ceil() as i64;
    let bare: Vec<f64> =
        (-reach..=reach).map(|n| (-0.5 * (n as f64 / sigma).powi(2)).exp()).collect();
    let sum: f64 = bare.iter().sum();
    let taps: Vec<f32> = bare.iter().map(|weight| (weight / sum) as f32).collect();
    let mut padded = Vec::new();
    for row in data.chunks_exact_mut(width) {
        padded.clear();
        padded.extend(
            (-reach..width as i64 + reach).map(|x| row[x.clamp(0, width as i64 - 1) as usize]),
        );
        row.fill(0.0);
        for (n, weight) in taps.iter().enumerate() {
            row.iter_mut().zip(&padded[n..]).for_each(|(out, from)| *out += weight * from);
        }
    }
    let source = data.to_vec();
    for y in 0..height {
        let row = &mut data[y * width..(y + 1) * width];
        row.fill(0.0);
        for (n, weight) in taps.iter().enumerate() {
            let from = (y as i64 + n as i64 - reach).clamp(0, height as i64 - 1) as usize;
            let from = &source[from * width..(from + 1) * width];
            row.iter_mut().zip(from).for_each(|(out, from)| *out += weight * from);
        }
    }
}
