//! Whether pictures from elsewhere lie over a take everywhere: tile by tile, against parallax.
//!
//! A camera that was put back to within a hand's breadth fits on the whole and not in depth:
//! near things are off against far ones. One movement of the whole picture is taken out, as
//! well as it can be found; what is left in a tile, of the means of many frames, is parallax.

use crate::error::Faults;
use crate::measure::Mask;
use crate::measure::schedule::Gauge;
use crate::media::{Footage, FrameReader, Picture, Wanted};
use crate::time::{Frame, FrameRange};

/// Tiles across and down.
pub const TILES: (usize, usize) = (16, 9);

/// Most frames a mean is made of. Ours: a fifth of the grain is left.
const MOST_FRAMES: u64 = 24;

/// Share of a tile's pixels that have to be seen.
const LEAST_SEEN: f64 = 0.3;

/// Standard error of a tile's shift past which it tells nothing, in source pixels. Ours.
const MOST_ERROR_PX: f64 = 0.05;

/// What smoothing by 1-4-6-4-1 does to the count of independent pixels: the inverse of the
/// sum of its squared weights, both ways (128 / 35 squared, over 2 for grain that is
/// correlated by itself less).
const SMOOTHED: f64 = 7.0;

/// Standard errors past which a shift is none of chance.
const SURE: f64 = 5.0;

/// One tile.
#[derive(Debug, Clone, PartialEq)]
pub struct Tile {
    /// Column and row.
    pub at: (usize, usize),
    /// What is left of its shift once the movement of the whole is taken out, source pixels.
    pub left_px: f64,
    /// Standard error of that.
    pub error_px: f64,
}

/// How two pictures lie over each other.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Alike {
    /// Tiles that tell.
    pub tiles: Vec<Tile>,
    /// Shift of the whole, source pixels.
    pub shift_px: (f64, f64),
}

impl Alike {
    /// Returns the tile that is off most, of those off by more than `limit_px` beyond chance;
    /// a tile counts if it lies in the patch or has such a neighbour.
    pub fn parallax(&self, limit_px: f64, in_patch: impl Fn(&Tile) -> bool) -> Option<&Tile> {
        let off: Vec<&Tile> = self
            .tiles
            .iter()
            .filter(|tile| tile.left_px > limit_px.max(SURE * tile.error_px))
            .collect();
        let near = |a: &Tile, b: &Tile| {
            a.at != b.at && a.at.0.abs_diff(b.at.0) <= 1 && a.at.1.abs_diff(b.at.1) <= 1
        };
        let counts = |tile: &&Tile| in_patch(tile) || off.iter().any(|other| near(tile, other));
        let worst = off.iter().copied().filter(counts);
        worst.max_by(|a, b| a.left_px.total_cmp(&b.left_px))
    }
}

/// Measures how the mean of frames of a take lies over the mean of its plate, where neither
/// boom nor actors were; `frames` and the plate are frames of the footage.
///
/// # Errors
///
/// Frames that cannot be decoded, masks that cannot be read back.
pub fn alike(footage: &Footage<'_>, gauge: &Gauge, frames: &[FrameRange]) -> Result<Alike, Faults> {
    let mean = |ranges: &[FrameRange]| -> Result<Mean, Faults> {
        let wanted = some(ranges);
        let mut mean = Mean::new(gauge, footage);
        footage.read(&wanted, &mut [&mut mean])?;
        Ok(mean)
    };
    let (plate, take) = (mean(&[gauge.plate])?, mean(frames)?);
    Ok(compared(&plate.finish(), &take.finish()))
}

/// Some frames of ranges, evenly spread.
fn some(ranges: &[FrameRange]) -> Vec<FrameRange> {
    let all: Vec<i64> = ranges.iter().flat_map(|run| run.start.0..run.end.0).collect();
    let every = (all.len() as u64).div_ceil(MOST_FRAMES).max(1) as usize;
    all.iter().step_by(every).map(|frame| FrameRange::new(*frame, frame + 1)).collect()
}

/// Gathers the mean of luma where background is seen.
struct Mean<'a> {
    gauge: &'a Gauge,
    range: FrameRange,
    size: (usize, usize),
    sums: Vec<f32>,
    counts: Vec<u16>,
    frames: u16,
    codes: Vec<u16>,
}

/// A smoothed mean in codes of eight bits; pixels that are not seen are NaN.
struct Seen {
    size: (usize, usize),
    data: Vec<f32>,
}

impl<'a> Mean<'a> {
    fn new(gauge: &'a Gauge, footage: &Footage<'_>) -> Mean<'a> {
        let size = (footage.info().width as usize, footage.info().height as usize);
        let count = size.0 * size.1;
        let (sums, counts) = (vec![0.0; count], vec![0; count]);
        Mean { gauge, range: footage.whole(), size, sums, counts, frames: 0, codes: Vec::new() }
    }

    fn finish(self) -> Seen {
        let least = self.frames.div_ceil(2).max(1);
        let seen = self.sums.iter().zip(&self.counts).map(|(sum, count)| match *count >= least {
            true => sum / f32::from(*count),
            false => f32::NAN,
        });
        smoothed(Seen { size: self.size, data: seen.collect() })
    }
}

impl FrameReader for Mean<'_> {
    fn range(&self) -> FrameRange {
        self.range
    }

    fn wants(&self, _frame: Frame) -> Wanted {
        Wanted::Luma
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        let (width, height) = self.size;
        let same = (picture.width() as usize, picture.height() as usize) == self.size;
        if !same || !picture.luma_u16(&mut self.codes) {
            return Ok(());
        }
        let mut hidden = self.gauge.excluded.clone();
        if let Some(masks) = self.gauge.masks_of(frame)? {
            hidden.add(&masks.boom);
            hidden.add(&masks.actors);
        }
        let hidden: Mask = hidden.grown(3);
        let scale = self.gauge.mask_scale.max(1);
        let peak = ((1_u32 << picture.luma_depth()) - 1) as f32;
        for y in 0..height {
            for x in 0..width {
                if !hidden.has(x / scale, y / scale) {
                    let at = y * width + x;
                    self.sums[at] += f32::from(self.codes[at]) * 255.0 / peak;
                    self.counts[at] += 1;
                }
            }
        }
        self.frames += 1;
        Ok(())
    }
}

/// Smooths by 1-4-6-4-1 both ways; next to what is not seen nothing is.
fn smoothed(seen: Seen) -> Seen {
    let (width, height) = seen.size;
    let pass = |data: &[f32], step: usize, along: &dyn Fn(usize) -> usize, length: usize| {
        let mut out = vec![f32::NAN; data.len()];
        for (at, value) in out.iter_mut().enumerate() {
            let place = along(at);
            if place >= 2 && place + 2 < length {
                let part = |by: usize| data[at + by * step - 2 * step];
                let sides = part(0) + part(4) + 4.0 * (part(1) + part(3));
                *value = (sides + 6.0 * part(2)) / 16.0;
            }
        }
        out
    };
    let across = pass(&seen.data, 1, &|at| at % width.max(1), width);
    let both = pass(&across, width, &|at| at / width.max(1), height);
    Seen { size: seen.size, data: both }
}

/// What one tile says: its shift and the error of that.
struct Shift {
    at: (usize, usize),
    middle: (f64, f64),
    by: (f64, f64),
    error_px: f64,
}

fn compared(plate: &Seen, take: &Seen) -> Alike {
    let shifts: Vec<Shift> = (0..TILES.1)
        .flat_map(|row| (0..TILES.0).map(move |column| (column, row)))
        .filter_map(|at| shift(plate, take, at))
        .collect();
    let Some(whole) = whole_movement(&shifts) else { return Alike::default() };
    let tiles = shifts.iter().map(|shift| {
        let (dx, dy) = whole.at(shift.middle);
        let left_px = (shift.by.0 - dx).hypot(shift.by.1 - dy);
        Tile { at: shift.at, left_px, error_px: shift.error_px }
    });
    Alike { tiles: tiles.collect(), shift_px: (whole.0[0], whole.0[1]) }
}

/// Lucas and Kanade 1981 over one tile, with gain and offset of its own.
fn shift(plate: &Seen, take: &Seen, at: (usize, usize)) -> Option<Shift> {
    let (width, height) = plate.size;
    let ends = |n: usize, count: usize, size: usize| (n * size / count, (n + 1) * size / count);
    let ((x0, x1), (y0, y1)) = (ends(at.0, TILES.0, width), ends(at.1, TILES.1, height));
    let mut sums = Sums::<4>::default();
    for y in y0.max(1)..y1.min(height.saturating_sub(1)) {
        for x in x0.max(1)..x1.min(width.saturating_sub(1)) {
            let here = y * width + x;
            let both = |at: usize| f64::from(plate.data[at] + take.data[at]) / 2.0;
            let across = (both(here + 1) - both(here - 1)) / 2.0;
            let down = (both(here + width) - both(here - width)) / 2.0;
            let code = f64::from(plate.data[here]);
            let off = f64::from(take.data[here]) - code;
            if across.is_finite() && down.is_finite() && off.is_finite() {
                // A picture moved by (dx, dy) has the codes of (x - dx, y - dy).
                sums.add([-across, -down, (code - 128.0) / 64.0, 1.0], off);
            }
        }
    }
    let area = (x1 - x0) * (y1 - y0);
    if (sums.count as f64) < LEAST_SEEN * area as f64 {
        return None;
    }
    let (found, errors) = sums.solved()?;
    let error_px = errors[0].hypot(errors[1]) * SMOOTHED.sqrt();
    let middle =
        ((x0 + x1) as f64 / 2.0 / width as f64 - 0.5, (y0 + y1) as f64 / 2.0 / width as f64);
    (error_px <= MOST_ERROR_PX).then_some(Shift { at, middle, by: (found[0], found[1]), error_px })
}

/// Shift, growth and turn of a whole picture; places in widths.
struct Whole([f64; 4]);

impl Whole {
    fn at(&self, (x, y): (f64, f64)) -> (f64, f64) {
        let [dx, dy, grow, turn] = self.0;
        (dx + grow * x - turn * y, dy + grow * y + turn * x)
    }
}

/// The movement most tiles share: least squares with Tukey's weights (Beaton and Tukey 1974).
fn whole_movement(shifts: &[Shift]) -> Option<Whole> {
    let mut weights = vec![1.0; shifts.len()];
    let mut whole = None;
    for _ in 0..8 {
        let mut sums = Sums::<4>::default();
        for (shift, weight) in shifts.iter().zip(&weights) {
            let ((x, y), root) = (shift.middle, f64::sqrt(*weight));
            sums.add([root, 0.0, root * x, -root * y], root * shift.by.0);
            sums.add([0.0, root, root * y, root * x], root * shift.by.1);
        }
        let found = Whole(sums.solved()?.0);
        let off = |shift: &Shift| {
            let (dx, dy) = found.at(shift.middle);
            (shift.by.0 - dx).hypot(shift.by.1 - dy)
        };
        let mut sizes: Vec<f64> = shifts.iter().map(off).collect();
        let all = sizes.clone();
        sizes.sort_by(f64::total_cmp);
        let spread = 4.685 * (1.4826 * sizes.get(sizes.len() / 2)?).max(0.005);
        weights = all.iter().map(|off| (1.0 - (off / spread).powi(2)).max(0.0).powi(2)).collect();
        whole = Some(found);
    }
    whole
}

/// Normal equations of a least-squares fit.
struct Sums<const N: usize> {
    square: [[f64; N]; N],
    side: [f64; N],
    squared: f64,
    count: u64,
}

impl<const N: usize> Default for Sums<N> {
    fn default() -> Self {
        Sums { square: [[0.0; N]; N], side: [0.0; N], squared: 0.0, count: 0 }
    }
}

impl<const N: usize> Sums<N> {
    fn add(&mut self, row: [f64; N], value: f64) {
        for (a, left) in row.iter().enumerate() {
            for (b, right) in row.iter().enumerate() {
                self.square[a][b] += left * right;
            }
            self.side[a] += left * value;
        }
        self.squared += value * value;
        self.count += 1;
    }

    /// Returns the unknowns and their standard errors; `None` where they cannot be told.
    fn solved(&self) -> Option<([f64; N], [f64; N])> {
        let inverse = inverse(self.square)?;
        let mut found = [0.0; N];
        for (value, row) in found.iter_mut().zip(&inverse) {
            *value = row.iter().zip(&self.side).map(|(a, b)| a * b).sum();
        }
        let told: f64 = found.iter().zip(&self.side).map(|(a, b)| a * b).sum();
        let left =
            (self.squared - told).max(0.0) / self.count.saturating_sub(N as u64).max(1) as f64;
        let mut errors = [0.0; N];
        for (at, error) in errors.iter_mut().enumerate() {
            *error = (left * inverse[at][at].max(0.0)).sqrt();
        }
        Some((found, errors))
    }
}

/// Gauss and Jordan with the largest pivot.
fn inverse<const N: usize>(mut square: [[f64; N]; N]) -> Option<[[f64; N]; N]> {
    let mut out = [[0.0; N]; N];
    out.iter_mut().enumerate().for_each(|(at, row)| row[at] = 1.0);
    for at in 0..N {
        let pivot = (at..N).max_by(|a, b| square[*a][at].abs().total_cmp(&square[*b][at].abs()))?;
        square.swap(at, pivot);
        out.swap(at, pivot);
        let by = square[at][at];
        if by.abs() < 1e-9 {
            return None;
        }
        square[at].iter_mut().chain(&mut out[at]).for_each(|value| *value /= by);
        for row in (0..N).filter(|row| *row != at) {
            let by = square[row][at];
            for column in 0..N {
                let (whole, unit) = (square[at][column], out[at][column]);
                square[row][column] -= by * whole;
                out[row][column] -= by * unit;
            }
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wall(shift: impl Fn(f64, f64) -> f64) -> Seen {
        let size = (640, 360);
        let code = |at: usize| {
            let (x, y) = ((at % size.0) as f64, (at / size.0) as f64);
            let x = x - shift(x, y);
            (120.0 + 30.0 * (x / 5.0).sin() * (y / 7.0).cos() + 20.0 * (x / 11.0 + y / 6.0).sin())
                as f32
        };
        smoothed(Seen { size, data: (0..size.0 * size.1).map(code).collect() })
    }

    #[test]
    fn one_movement_of_the_whole_is_no_parallax() {
        let found = compared(&wall(|_, _| 0.0), &wall(|_, _| 0.4));
        assert!(found.tiles.len() > 100, "{}", found.tiles.len());
        assert!((found.shift_px.0 - 0.4).abs() < 0.02, "{:?}", found.shift_px);
        assert_eq!(found.parallax(0.05, |_| true), None);
    }

    #[test]
    fn a_near_thing_that_is_off_is_parallax() {
        let near =
            |x: f64, y: f64| if (200.0..360.0).contains(&x) && y > 160.0 { 0.5 } else { 0.1 };
        let found = compared(&wall(|_, _| 0.0), &wall(near));
        let tile = found.parallax(0.1, |_| false).expect("parallax");
        assert!((tile.left_px - 0.4).abs() < 0.05, "{tile:?}");
        assert!((5..=8).contains(&tile.at.0) && tile.at.1 >= 4, "{tile:?}");
    }
}
