//! What a turn at each frame of a plate would show, against what nature does there.

use super::eased::Course;
use super::fits::{Fit, Fits, Moments};

/// Frames on either side whose movement is what nature does there. Ours: half a second.
const NEAR: usize = 12;

/// A block in which the slope over six frames is more than this many times what grain makes
/// of it is taken to move. Ours: the mean over a plate is known to a tenth.
const MOVES: f32 = 2.0;

/// What grain adds to the slope over six frames and to the bend over seven, in its variance.
const SLOPE_NOISE: f32 = 1.0 / 17.5;
const BEND_NOISE: f32 = 84.0 / 1764.0;

/// How a turn is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turning {
    /// The turning frame is shown twice.
    Twice,
    /// The turning frame is shown once.
    Once,
    /// The turn is rendered slow, over so many frames.
    Eased(usize),
}

/// Differences of the frames of a plate, free of what its grain adds to them.
#[derive(Debug, Clone, PartialEq)]
pub struct Visible {
    first: i64,
    /// 95th percentile over the blocks of the movement from frame t to t + 1, squared codes.
    steps: Vec<f64>,
    /// The same of the second differences about frame t, over the frames near it.
    natural: Vec<f64>,
    /// The median over the frames near frame t of what each does of itself: the measure of
    /// eased turns, in which every frame counts by itself.
    usual: Vec<f64>,
    fits: Fits,
    /// What grain may still be in all of these: movement below it is none.
    grain: f64,
    at_rest: bool,
}

impl Visible {
    /// Gathers the powers of [`super::watch::TAPS`] and of a fit about each frame; `None` for
    /// fewer than five frames or no block.
    pub(super) fn of(
        first: i64,
        powers: &[Vec<Vec<f32>>; 6],
        fit: &Fit,
        moments: &[Vec<Moments>],
    ) -> Option<Visible> {
        let [steps, slopes_4, slopes_6, bends_3, bends_7, fourths] = powers;
        let blocks = fourths.first().map_or(0, Vec::len);
        if blocks == 0 {
            return None;
        }
        let mean = |of: &[Vec<f32>], block: usize| {
            of.iter().map(|frame| frame[block]).sum::<f32>() / of.len().max(1) as f32
        };
        // Smooth movement has little of a fourth difference and white noise 70 times its
        // variance: what is left is the most the grain can be taken for.
        let bound = |block: usize| {
            let mut own: Vec<f32> = fourths.iter().map(|frame| frame[block]).collect();
            (median(&mut own) / 70.0).min(mean(bends_3, block) / 6.0)
        };
        let bounds: Vec<f32> = (0..blocks).map(bound).collect();
        let mut sorted = bounds.clone();
        sorted.sort_by(f32::total_cmp);
        let quiet = sorted[sorted.len() / 4];
        let (slopes, noise) = match slopes_6.is_empty() {
            true => (steps, 2.0),
            false => (slopes_6, SLOPE_NOISE),
        };
        let moves = |block: usize| mean(slopes, block) > MOVES * noise * bounds[block];
        let moves: Vec<bool> = (0..blocks).map(moves).collect();
        let grain: Vec<f32> = (bounds.iter().zip(&moves))
            .map(|(bound, moves)| if *moves { bound.min(quiet) } else { *bound })
            .collect();
        let free = |frame: &Vec<f32>, noise: f32| -> Vec<f32> {
            frame.iter().zip(&grain).map(|(all, own)| (all - noise * own).max(0.0)).collect()
        };
        let frames = steps.len() + 1;
        // The slope over six frames about the step from frame t to t + 1, at the ends of the
        // plate the nearest one: over two frames grain hides what moves.
        let step = |at: usize| match (slopes_6.len().checked_sub(1), slopes_4.is_empty()) {
            (Some(last), _) => {
                slopes_6.get(at.saturating_sub(2).min(last)).map(|frame| free(frame, SLOPE_NOISE))
            }
            (None, false) => {
                let nearest = at.saturating_sub(1).min(slopes_4.len() - 1);
                slopes_4.get(nearest).map(|frame| free(frame, 0.2))
            }
            (None, true) => steps.get(at).map(|frame| free(frame, 2.0)),
        };
        let step = |at: usize| step(at).map_or(0.0, top);
        // Bends begin at the second frame, or where seven fit at the fourth.
        let (bends, off, noise) = match bends_7.is_empty() {
            true => (bends_3, 1, 6.0),
            false => (bends_7, 3, BEND_NOISE),
        };
        let bent: Vec<Vec<f32>> = bends.iter().map(|frame| free(frame, noise)).collect();
        let near = |at: usize| {
            let low = at.saturating_sub(NEAR + off).min(bent.len() - 1);
            let high = (at + NEAR + 1).saturating_sub(off).min(bent.len()).max(low + 1);
            top(bent[low..high].concat())
        };
        let fits = Fits::new(fit, moments, &bounds, &moves, fourths);
        let own: Vec<f64> = (0..frames).map(|at| fits.shown(at as f64, 1.0, 0.0)).collect();
        let usual = |at: usize| {
            let mut near = own[at.saturating_sub(NEAR)..(at + NEAR + 1).min(frames)].to_vec();
            near.sort_by(f64::total_cmp);
            near.get(near.len() / 2).copied().unwrap_or(0.0)
        };
        let moving = moves.iter().filter(|moves| **moves).count();
        Some(Visible {
            first,
            steps: (0..frames - 1).map(step).collect(),
            natural: (0..frames).map(near).collect(),
            usual: (0..frames).map(usual).collect(),
            fits,
            grain: f64::from(quiet * SLOPE_NOISE),
            at_rest: moving * 20 <= blocks,
        })
    }

    /// Returns the number of frames of the plate.
    pub fn frames(&self) -> usize {
        self.natural.len()
    }

    /// Returns the first frame of the plate, file clock.
    pub fn first(&self) -> i64 {
        self.first
    }

    /// Tells whether nothing moves in 19 of 20 blocks of the patch.
    pub fn at_rest(&self) -> bool {
        self.at_rest
    }

    /// Returns what a turn shows against what nature does there, both with the same grain
    /// about them; the plate turns at its frame `at`, counted from 0, where it has run
    /// forward if `high` and backward if not. Infinite where the plate has no such frame.
    ///
    /// Shown twice, the second difference at a turn is the step before it; shown once, twice
    /// that. Eased, it is that of a parabola through the picture, and every frame within half
    /// a second counts by itself, also those that are shown as they were shot.
    pub fn turn(&self, at: usize, high: bool, turning: Turning) -> f64 {
        let Some(natural) = self.natural.get(at).copied() else { return f64::INFINITY };
        let nearest = if high { at.checked_sub(1) } else { Some(at) };
        let step = nearest.and_then(|at| self.steps.get(at)).copied();
        match turning {
            Turning::Twice => step.map_or(f64::INFINITY, |power| self.ratio(power, natural)),
            Turning::Once => step.map_or(f64::INFINITY, |power| self.ratio(4.0 * power, natural)),
            Turning::Eased(window) => self.eased(at, high, window),
        }
    }

    fn eased(&self, at: usize, high: bool, window: usize) -> f64 {
        let usual = self.usual.get(at).copied().unwrap_or(0.0);
        let shown = Course::about_turn(window, NEAR + 1).into_iter().map(|[before, own, slope]| {
            let sign = if high { -1.0 } else { 1.0 };
            let place = at as f64 + sign * before;
            self.ratio(self.fits.shown(place, own, sign * slope), usual)
        });
        shown.fold(0.0, f64::max)
    }

    fn ratio(&self, shown: f64, natural: f64) -> f64 {
        let grain = self.grain + f64::from(f32::MIN_POSITIVE);
        ((shown + grain) / (natural + grain)).sqrt()
    }
}

/// The 95th percentile.
fn top(mut values: Vec<f32>) -> f64 {
    let at = (values.len() * 19 / 20).min(values.len().saturating_sub(1));
    values.sort_by(f32::total_cmp);
    values.get(at).map_or(0.0, |value| f64::from(*value))
}

fn median(values: &mut [f32]) -> f32 {
    values.sort_by(f32::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(0.0)
}
