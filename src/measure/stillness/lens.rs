//! What a tile can tell about motion, prepared once for all frames.

use crate::measure::Motion;
use crate::measure::patterns::{LEVEL, Moments, Patterns, SLOPE_X, SLOPE_Y, Sums, TILE};
use crate::measure::small::{axes, inverse};

/// How much of the noise of the plate's mean shows in the product of the two kinds of slope:
/// the overlap of their taps for white noise is .156 of the variance a pixel; grain whose
/// neighbours are alike has up to half as much again.
const NOISE_IN_SLOPES: f64 = 0.22;

/// A tile that has slopes: turns inner products into displacement along its two axes, each
/// in units of the standard deviation that white noise of one code would cause.
#[derive(Debug, Clone, serde::Serialize, serde::Deserialize)]
pub(super) struct Lens {
    /// First small tile and side, in small tiles.
    pub x: usize,
    pub y: usize,
    pub side: usize,
    rows: [[f32; 4]; 2],
    /// Directions of the axes, the one that is measured best first.
    axes: [[f64; 2]; 2],
    /// Displacement of one unit along each axis, in pixels.
    pub unit_px: [f64; 2],
    /// Middle of the tile from the middle of the frame, in pixels.
    middle: (f64, f64),
    /// Pixels of the tile.
    pub pixels: f64,
    members: Vec<u32>,
}

impl Lens {
    /// Prepares a block of `side` small tiles; `None` if it has no slopes beyond the noise
    /// of the plate.
    pub fn new(patterns: &Patterns, x: usize, y: usize, side: usize) -> Option<Self> {
        let moments = patterns.block(x, y, side)?;
        let (back, whole) = covariance(&moments)?;
        let (variances, axes) = axes(&[[whole[0][0], whole[0][1]], [whole[1][0], whole[1][1]]]);
        if !(variances[0] > 0.0 && variances[1].is_finite() && variances[0] < 1e4) {
            return None;
        }
        let unit_px = variances.map(|variance| variance.max(0.0).sqrt());
        let row = |axis: usize| {
            std::array::from_fn(|form| {
                let [u, v] = axes[axis];
                ((u * back[0][form] + v * back[1][form]) / unit_px[axis].max(1e-9)) as f32
            })
        };
        let (width, height) = patterns.size();
        let reach = (side * TILE) as f64 / 2.0;
        Some(Self {
            x,
            y,
            side,
            rows: [row(0), row(1)],
            axes,
            unit_px,
            pixels: moments.pixels,
            middle: (
                (x * TILE) as f64 + reach - width as f64 / 2.0,
                (y * TILE) as f64 + reach - height as f64 / 2.0,
            ),
            members: patterns
                .within(x, y, side)
                .filter(|tile| patterns.is_usable(*tile))
                .map(|tile| tile as u32)
                .collect(),
        })
    }

    /// Returns the displacement along both axes in units, against its sense: a picture that
    /// moves right loses what its slopes rise. `None` where a part of the tile is hidden.
    pub fn look(&self, sums: &Sums, hidden: &[bool]) -> Option<[f32; 2]> {
        let mut forms = [0.0_f32; 4];
        for tile in self.members.iter().map(|tile| *tile as usize) {
            if hidden.get(tile) == Some(&true) {
                return None;
            }
            let of = &sums.forms[tile];
            forms.iter_mut().zip(of).for_each(|(sum, form)| *sum += form);
        }
        Some(std::array::from_fn(|axis| {
            self.rows[axis].iter().zip(&forms).map(|(row, form)| row * form).sum()
        }))
    }

    /// Returns what the motion of the whole picture adds to a displacement told by `look`.
    pub fn back(&self, axis: usize, motion: &Motion, gain: f64) -> f32 {
        let (dx, dy) = motion.at(self.middle.0, self.middle.1);
        let [u, v] = self.axes[axis];
        (gain * (u * dx + v * dy) / self.unit_px[axis].max(1e-9)) as f32
    }

    /// Returns by how much each part of a motion displaces the tile along an axis.
    pub fn factors(&self, axis: usize) -> [f64; 4] {
        let ([u, v], (x, y)) = (self.axes[axis], self.middle);
        [u, v, v * x - u * y, u * x + v * y]
    }
}

type Square = [[f64; 4]; 4];

/// Inverse of the responses and covariance of what it tells, for white noise of variance 1.
fn covariance(moments: &Moments) -> Option<(Square, Square)> {
    let mut gram: Square = std::array::from_fn(|i| std::array::from_fn(|j| moments.response[i][j]));
    for slope in [SLOPE_X, SLOPE_Y] {
        let bare = gram[slope][slope] - NOISE_IN_SLOPES * moments.noise;
        // Slopes that are mostly noise would claim to see what they cannot.
        gram[slope][slope] = bare.max(0.25 * gram[slope][slope]);
    }
    let strongest = (gram[SLOPE_X][SLOPE_X]).max(gram[SLOPE_Y][SLOPE_Y]);
    if strongest <= 3.0 * NOISE_IN_SLOPES * moments.noise || strongest < 1e-3 * moments.pixels {
        return None;
    }
    let bare = gram[LEVEL][LEVEL] - moments.noise;
    gram[LEVEL][LEVEL] = bare.max(0.25 * gram[LEVEL][LEVEL]);
    // A tile without any slope along one axis still tells about the other.
    for slope in [SLOPE_X, SLOPE_Y] {
        gram[slope][slope] += 1e-6 * strongest;
    }
    let back = inverse(&gram)?;
    let half: Square = std::array::from_fn(|i| {
        std::array::from_fn(|j| (0..4).map(|k| back[i][k] * moments.products[k][j]).sum())
    });
    let whole = std::array::from_fn(|i| {
        std::array::from_fn(|j| (0..4).map(|k| half[i][k] * back[j][k]).sum())
    });
    Some((back, whole))
}

impl Lens {
    /// Returns the rectangle of the tile, `(left, top, right, bottom)` in pixels.
    pub fn place(&self) -> (usize, usize, usize, usize) {
        let (left, top, side) = (self.x * TILE, self.y * TILE, self.side * TILE);
        (left, top, left + side, top + side)
    }

    /// Tells whether one of its small tiles is marked.
    pub fn touches(&self, marked: &[bool]) -> bool {
        self.members.iter().any(|tile| marked.get(*tile as usize) == Some(&true))
    }
}
