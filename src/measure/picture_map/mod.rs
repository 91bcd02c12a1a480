//! Where a proxy's picture lies in the original: scale across and down, and offset.
//!
//! ```text
//!   original px = scale * proxy px + offset      from picture edge to picture edge
//! ```
//!
//! A proxy may be smaller, cropped, squeezed or desqueezed, in another encoding, with
//! burn-ins and mattes. So the two are compared after each was made even: less its local
//! mean, over its local spread. That leaves no tone curve that rises, and no level.
//!
//! ```text
//!   small pictures: every scale of a grid, place by cross correlation (FFT)
//!     -> the best few: Gauss-Newton with both pictures' slopes, Tukey weights
//!     -> the best one: the same on larger and larger pictures
//! ```
//!
//! Sources: Lucas & Kanade 1981; Baker & Matthews, IJCV 56(3) 2004; Malis, ICRA 2004 (mean of
//! both slopes); Beaton & Tukey 1974 (weights).

mod coarse;
mod even;
mod fine;

use super::{Excluded, Plane};
use serde::{Deserialize, Serialize};

/// Least part of the proxy's picture that must lie in the original. Ours.
const LEAST_OVERLAP: f64 = 0.4;

/// Least correlation of the two pictures made even, once fitted. Ours: other pictures of the
/// same set stay below .3, the same picture after heavy coding above .6.
const LEAST_LIKENESS: f64 = 0.4;

/// Correlation from which on no other place is looked for. Ours.
const SURE_LIKENESS: f64 = 0.75;

/// How many of the coarse places are looked at more closely. Ours.
const FOLLOWED_UP: usize = 8;

/// Largest side of the smallest level, in pixels.
const SMALLEST: usize = 160;

/// Where a proxy's picture lies in the original.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema), schemars(deny_unknown_fields))]
pub struct PictureMap {
    /// Original pixels for a proxy pixel, across and down.
    pub scale: [f64; 2],
    /// Where the proxy's upper left corner lies in the original, in original pixels.
    pub offset: [f64; 2],
}

impl PictureMap {
    /// Returns the map by which each picture fills the other.
    pub fn full((width, height): (usize, usize), (wide, high): (usize, usize)) -> PictureMap {
        let share = |a: usize, b: usize| a as f64 / b.max(1) as f64;
        PictureMap { scale: [share(wide, width), share(high, height)], offset: [0.0; 2] }
    }

    /// Returns where a point of the proxy lies in the original.
    pub fn at(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        [self.scale[0] * x + self.offset[0], self.scale[1] * y + self.offset[1]]
    }

    /// Returns where a point of the original lies in the proxy.
    pub fn back(&self, [x, y]: [f64; 2]) -> [f64; 2] {
        [(x - self.offset[0]) / self.scale[0], (y - self.offset[1]) / self.scale[1]]
    }

    /// Returns the largest distance at a corner of the proxy's picture between this map and
    /// another one, in original pixels.
    pub fn apart(&self, other: &PictureMap, (width, height): (usize, usize)) -> f64 {
        let corners = [0.0, width as f64].into_iter().flat_map(|x| [[x, 0.0], [x, height as f64]]);
        let apart = corners.map(|corner| {
            let (a, b) = (self.at(corner), other.at(corner));
            (a[0] - b[0]).hypot(a[1] - b[1])
        });
        apart.fold(0.0, f64::max)
    }
}

/// A map that was measured.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(test, derive(schemars::JsonSchema), schemars(deny_unknown_fields))]
pub struct Fitted {
    /// The map.
    pub map: PictureMap,
    /// Correlation of the two pictures made even, 0 to 1.
    pub likeness: f64,
    /// What the corners may be off by, in original pixels: half of what fits on either half of
    /// the picture's blocks differ by.
    pub error_px: f64,
}

/// Finds where the picture of `proxy` lies in `original`; both in codes of any encoding.
/// `left_out` are pixels of the proxy that are not picture. `None` if the two do not show the
/// same.
///
/// A scale of a third to three times that of pictures that fill each other is found, each way
/// by itself.
pub fn picture_map(proxy: &Plane, left_out: Option<&Excluded>, original: &Plane) -> Option<Fitted> {
    let size = (proxy.width, proxy.height);
    let levels = levels(size);
    let smallest = *levels.first()?;
    let first = fine::Level::new(proxy, left_out, original, smallest)?;
    let fitted = |starts: &[PictureMap]| {
        let fits = starts.iter().filter_map(|start| first.fit(start, fine::ALL));
        fits.max_by(|a, b| a.likeness.total_cmp(&b.likeness))
    };
    let whole = PictureMap::full(size, (original.width, original.height));
    let usual = fitted(&usual(&whole, size)).filter(|fit| fit.likeness >= SURE_LIKENESS);
    let searched = || fitted(&coarse::places(proxy, left_out, original));
    let mut best = usual.or_else(searched)?;
    for by in &levels[1..] {
        let level = fine::Level::new(proxy, left_out, original, *by)?;
        best = level.fit(&best.map, fine::ALL)?;
    }
    if best.likeness < LEAST_LIKENESS {
        return None;
    }
    let last = fine::Level::new(proxy, left_out, original, *levels.last()?)?;
    let halves = fine::HALVES.map(|half| last.fit(&best.map, half));
    let [Some(a), Some(b)] = halves else { return None };
    let error_px = a.map.apart(&b.map, size) / 2.0;
    Some(Fitted { map: best.map, likeness: best.likeness, error_px })
}

/// The ways proxies are usually made: each picture fills the other, or only across or down, in
/// the middle.
fn usual(whole: &PictureMap, size: (usize, usize)) -> [PictureMap; 3] {
    let [across, down] = whole.scale;
    let middle = |scale: f64, own: f64, length: usize| (own - scale) * length as f64 / 2.0;
    [
        *whole,
        PictureMap { scale: [across; 2], offset: [0.0, middle(across, down, size.1)] },
        PictureMap { scale: [down; 2], offset: [middle(down, across, size.0), 0.0] },
    ]
}

/// Proxy pixels averaged into one at each level, from the smallest picture to the full one.
fn levels((width, height): (usize, usize)) -> Vec<usize> {
    let side = width.max(height);
    let mut levels = vec![1];
    while side / levels[levels.len() - 1] > SMALLEST {
        levels.push(levels[levels.len() - 1] * 2);
    }
    levels.reverse();
    levels
}

#[cfg(test)]
mod tests;
