//! Where the camera looks, how the light stands and how sharp the wall is, frame by frame.

use super::hash::{noise, smooth};
use super::plane::Picture;
use crate::script::Take;

/// Shift of the picture in pixels of the raster, turn in radians, enlargement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct View {
    pub dx: f32,
    pub dy: f32,
    pub turn: f32,
    pub scale: f32,
}

impl View {
    pub const STILL: View = View { dx: 0.0, dy: 0.0, turn: 0.0, scale: 1.0 };

    /// Where a point of the set is seen.
    pub fn apply(self, (x, y): (f32, f32), w: usize, h: usize) -> (f32, f32) {
        let (cx, cy) = (w as f32 / 2.0, h as f32 / 2.0);
        let (sin, cos) = self.turn.sin_cos();
        let (ux, uy) = ((x - cx) * self.scale, (y - cy) * self.scale);
        (cx + ux * cos - uy * sin + self.dx, cy + ux * sin + uy * cos + self.dy)
    }

    fn invert(self, (x, y): (f32, f32), w: usize, h: usize) -> (f32, f32) {
        let (cx, cy) = (w as f32 / 2.0, h as f32 / 2.0);
        let (sin, cos) = self.turn.sin_cos();
        let (ux, uy) = (x - cx - self.dx, y - cy - self.dy);
        (cx + (ux * cos + uy * sin) / self.scale, cy + (uy * cos - ux * sin) / self.scale)
    }
}

/// The camera's view at a frame.
pub fn view(take: &Take, frame: usize) -> View {
    let s = take.width as f32 / 640.0;
    let mut view = View::STILL;
    if let Some(creep) = take.creep {
        let t = frame as f32 / take.frames as f32;
        let weave = |seed| (noise(frame as f32 / 3.7, 0.5, seed) - 0.5) * 2.0 * creep.weave_px;
        view.dx = s * (creep.dx * smooth(t) + weave(301));
        view.dy = s * (creep.dy * t + weave(302));
        view.turn = creep.turn * smooth(t);
    }
    if let Some(reframe) = take.reframe {
        let span = (reframe.end - reframe.start) as f32;
        let t = smooth((frame as f32 - reframe.start as f32) / span);
        view.dx += s * reframe.dx * t;
        view.dy += s * reframe.dy * t;
        view.scale *= 1.0 + (reframe.scale - 1.0) * t;
    }
    view
}

/// Light of a frame: gain at the middle and its slopes from edge to edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Light {
    pub gain: f32,
    pub across: f32,
    pub down: f32,
}

pub fn light(take: &Take, frame: usize) -> Light {
    let Some(cloud) = take.cloud else {
        return Light { gain: 1.0, across: 0.0, down: 0.0 };
    };
    let t = smooth((frame as f32 - cloud.start as f32) / (cloud.end - cloud.start) as f32);
    Light { gain: 1.0 + cloud.gain * t, across: cloud.across * t, down: cloud.down * t }
}

/// Blur of the wall at a frame, sigma in pixels of the raster.
pub fn blur_sigma(take: &Take, frame: usize) -> f32 {
    take.focus_pull.map_or(0.0, |pull| {
        let span = (pull.end - pull.start) as f32;
        let t = smooth((frame as f32 - pull.start as f32) / span);
        (pull.sigma * t * 20.0).round() / 20.0 * take.width as f32 / 640.0
    })
}

/// Resamples a set drawn with `margin` more pixels all round, by 6-tap Lagrange: the
/// shorter kernels shift the picture by up to a fiftieth of a pixel.
pub fn look(base: &Picture, margin: usize, view: View, out: &mut Picture) {
    let (w, h) = (out.w, out.h);
    for y in 0..h {
        for x in 0..w {
            let (px, py) = view.invert((x as f32 + 0.5, y as f32 + 0.5), w, h);
            let (px, py) = (px - 0.5 + margin as f32, py - 0.5 + margin as f32);
            let (ix, iy) = (px.floor(), py.floor());
            let (wx, wy) = (lagrange(px - ix), lagrange(py - iy));
            let mut sum = [0.0; 3];
            for (row, weight_y) in wy.iter().enumerate() {
                let mut line = [0.0; 3];
                for (column, weight_x) in wx.iter().enumerate() {
                    let pixel = base.at(ix as i32 + column as i32 - 2, iy as i32 + row as i32 - 2);
                    for channel in 0..3 {
                        line[channel] += weight_x * pixel[channel];
                    }
                }
                for channel in 0..3 {
                    sum[channel] += weight_y * line[channel];
                }
            }
            out.px[y * w + x] = sum.map(|value: f32| value.max(0.0));
        }
    }
}

fn lagrange(t: f32) -> [f32; 6] {
    let node = |k: usize| k as f32 - 2.0;
    std::array::from_fn(|k| {
        (0..6)
            .filter(|j| *j != k)
            .fold(1.0, |product, j| product * (t - node(j)) / (node(k) - node(j)))
    })
}

/// Blurs with a Gaussian of `sigma` pixels.
pub fn blur(picture: &Picture, sigma: f32) -> Picture {
    if sigma < 0.05 {
        return picture.clone();
    }
    let reach = (3.0 * sigma).ceil() as i32;
    let mut kernel: Vec<f32> =
        (-reach..=reach).map(|x| (-0.5 * (x as f32 / sigma).powi(2)).exp()).collect();
    let total: f32 = kernel.iter().sum();
    kernel.iter_mut().for_each(|weight| *weight /= total);
    let pass = |from: &Picture, sx: i32, sy: i32| {
        let mut to = Picture::new(from.w, from.h);
        for y in 0..from.h as i32 {
            for x in 0..from.w as i32 {
                let mut sum = [0.0; 3];
                for (weight, k) in kernel.iter().zip(-reach..) {
                    let pixel = from.at(x + k * sx, y + k * sy);
                    for channel in 0..3 {
                        sum[channel] += weight * pixel[channel];
                    }
                }
                to.px[y as usize * to.w + x as usize] = sum;
            }
        }
        to
    };
    pass(&pass(picture, 1, 0), 0, 1)
}
