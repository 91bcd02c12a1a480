//! From linear light to the camera's code values: the BT.709 curve, narrow-range 10-bit
//! Y'CbCr 4:2:2, and sensor grain.

use super::hash::Stream;
use super::plane::{Picture, Rgb};

/// Entries of the curve's table; at its steepest one entry is a quarter of a code.
const STEPS: usize = 16_384;
/// Weights of the grain's small kernel: neighbours correlate by .24.
const NEIGHBOUR: f32 = 0.1;

/// Curve and grain tables of one take.
pub struct Coder {
    curve: Vec<f32>,
    /// Sigma in 10-bit codes for each 64th of the luma range.
    sigma: [f32; 65],
    noise: Vec<f32>,
    rows: Vec<f32>,
}

/// The opto-electronic transfer of ITU-R BT.709-6, item 1.2.
pub fn oetf(light: f64) -> f64 {
    if light < 0.018 { 4.5 * light } else { 1.099 * light.powf(0.45) - 0.099 }
}

impl Coder {
    /// `grain` is sigma at middle grey in 10-bit codes.
    pub fn new(grain: f32) -> Coder {
        let curve = (0..=STEPS).map(|at| oetf(at as f64 / STEPS as f64) as f32).collect();
        // A sensor's variance in linear light is read noise plus photon noise.
        let in_code = |v: f64| {
            let light = if v < 0.081 { v / 4.5 } else { ((v + 0.099) / 1.099).powf(1.0 / 0.45) };
            let slope = (oetf(light + 1e-4) - oetf((light - 1e-4).max(0.0))) / 2e-4;
            (0.004 + light).sqrt() * slope
        };
        let middle = in_code(0.41);
        let sigma = std::array::from_fn(|at| grain * (in_code(at as f64 / 64.0) / middle) as f32);
        Coder { curve, sigma, noise: Vec::new(), rows: Vec::new() }
    }

    fn coded(&self, light: f32) -> f32 {
        self.curve[(light.clamp(0.0, 1.0) * STEPS as f32 + 0.5) as usize]
    }

    /// Luma of a linear pixel, 0 to 1.
    pub fn luma(&self, pixel: Rgb) -> f32 {
        let [r, g, b] = pixel.map(|value| self.coded(value));
        0.2126 * r + 0.7152 * g + 0.0722 * b
    }

    /// Tells whether a change is 3 codes of 255 or more in luma.
    pub fn shows(&self, before: Rgb, after: Rgb) -> bool {
        (self.luma(before) - self.luma(after)).abs() * 219.0 >= 3.0
    }

    /// Writes a frame as planar 10-bit 4:2:2, little-endian, with grain of its own.
    pub fn encode(&mut self, picture: &Picture, seed: u64, out: &mut Vec<u8>) {
        let (w, h) = (picture.w, picture.h);
        let mut planes = [vec![0.0_f32; w * h], vec![0.0; w * h / 2], vec![0.0; w * h / 2]];
        let (mut cb, mut cr) = (vec![0.0; w + 2], vec![0.0; w + 2]);
        for y in 0..h {
            for x in 0..w {
                let [r, g, b] = picture.px[y * w + x].map(|value| self.coded(value));
                let luma = 0.2126 * r + 0.7152 * g + 0.0722 * b;
                planes[0][y * w + x] = luma;
                cb[x + 1] = (b - luma) / 1.8556;
                cr[x + 1] = (r - luma) / 1.5748;
            }
            for line in [&mut cb, &mut cr] {
                line[0] = line[1];
                line[w + 1] = line[w];
            }
            // Chroma is sited on even columns: 1-2-1 around them.
            for half in 0..w / 2 {
                let mean = |line: &[f32]| {
                    (line[2 * half] + 2.0 * line[2 * half + 1] + line[2 * half + 2]) / 4.0
                };
                planes[1][y * w / 2 + half] = mean(&cb);
                planes[2][y * w / 2 + half] = mean(&cr);
            }
        }
        out.clear();
        for (at, plane) in planes.iter().enumerate() {
            let wide = if at == 0 { w } else { w / 2 };
            self.grain(wide, h, seed.wrapping_mul(3).wrapping_add(at as u64));
            for (index, value) in plane.iter().enumerate() {
                let sigma = if at == 0 {
                    self.sigma[(value.clamp(0.0, 1.0) * 64.0) as usize]
                } else {
                    let luma = planes[0][index / wide * w + index % wide * 2];
                    0.6 * self.sigma[(luma.clamp(0.0, 1.0) * 64.0) as usize]
                };
                let (scale, offset) = if at == 0 { (876.0, 64.0) } else { (896.0, 512.0) };
                let code = (offset + scale * value + sigma * self.noise[index] + 0.5) as i32;
                out.extend_from_slice(&(code.clamp(4, 1019) as u16).to_le_bytes());
            }
        }
    }

    /// Fills `noise` with unit-variance grain in which neighbours correlate a little.
    fn grain(&mut self, w: usize, h: usize, seed: u64) {
        let mut stream = Stream::new(seed);
        self.noise.clear();
        self.noise.extend((0..w * h).map(|_| stream.normal()));
        let (side, middle) = (NEIGHBOUR, 1.0 - 2.0 * NEIGHBOUR);
        let unit = middle * middle + 2.0 * side * side;
        self.rows.clear();
        for row in self.noise.chunks_exact(w) {
            self.rows.extend((0..w).map(|x| {
                let (left, right) = (row[x.saturating_sub(1)], row[(x + 1).min(w - 1)]);
                side * (left + right) + middle * row[x]
            }));
        }
        for y in 0..h {
            let (up, down) = (y.saturating_sub(1) * w, (y + 1).min(h - 1) * w);
            for x in 0..w {
                let sum = side * (self.rows[up + x] + self.rows[down + x])
                    + middle * self.rows[y * w + x];
                self.noise[y * w + x] = sum / unit;
            }
        }
    }
}
