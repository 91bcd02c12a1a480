//! The frames of a take laid on one another in one light: what is free, and how often.

use super::LEAST_FREE;
use crate::error::Faults;
use crate::measure::Mask;
use crate::media::{FrameReader, Media, Picture};
use crate::time::{Frame, FrameRange};

/// Where Tukey's weight ends, in standard deviations: 95 % efficient where all is grain.
const TUKEY: f32 = 4.685;

/// What hides the set in a frame, and how many source pixels one pixel of it is.
pub type Hidden = (Mask, usize);

/// The light of a frame: codes are `gain` times those of the set above black, and `offset`, in
/// codes of eight bits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lit {
    /// Gain.
    pub gain: f32,
    /// Offset of luma, or of each colour.
    pub offset: f32,
}

/// A clean frame: robust means of the free samples.
#[derive(Debug)]
pub struct Pile {
    /// Means of every component in its own codes, row by row.
    pub clean: Vec<Vec<f32>>,
    /// In how many frames each pixel was free.
    pub counts: Vec<u16>,
    /// Width and height in pixels.
    pub size: (usize, usize),
    /// One picture of the take, for the layout of its samples.
    pub like: Option<Picture>,
}

impl Pile {
    /// Tells whether a pixel was free in too few frames.
    pub fn never_free(&self, x: usize, y: usize) -> bool {
        self.counts.get(y * self.size.0 + x).is_none_or(|count| *count < LEAST_FREE)
    }
}

/// Lays frames on one another, twice: for their mean, then for Tukey's mean round it (Beaton
/// and Tukey 1974). `of` tells what hides the set in a frame and its light; `None`: the frame
/// does not count.
///
/// # Errors
///
/// Frames that cannot be decoded, and what `of` fails with.
pub fn pile(
    media: &Media,
    frames: &[FrameRange],
    of: &dyn Fn(Frame) -> Result<Option<(Hidden, Lit)>, Faults>,
) -> Result<Pile, Faults> {
    let range = FrameRange::new(0, i64::try_from(media.info().frames).unwrap_or(i64::MAX));
    let size = (media.info().width as usize, media.info().height as usize);
    let mut layer = Layer {
        range,
        size,
        of,
        sums: Vec::new(),
        round: None,
        counts: vec![0; size.0 * size.1],
        like: None,
        row: Vec::new(),
        free: Vec::new(),
    };
    media.read(frames, &mut [&mut layer])?;
    let round = layer.means(None);
    let spread = layer.spread();
    layer.round = Some((round, spread));
    layer.sums.clear();
    layer.counts.fill(0);
    media.read(frames, &mut [&mut layer])?;
    let (round, _) = layer.round.take().unwrap_or_default();
    let clean = layer.means(Some(&round));
    Ok(Pile { clean, counts: layer.counts, size, like: layer.like })
}

/// Sums of one component.
#[derive(Default)]
struct Sums {
    weights: Vec<f32>,
    values: Vec<f32>,
    /// Of the first pass alone.
    squares: Vec<f32>,
    /// The code of no light, or of no colour.
    zero: f32,
}

/// Means of the first pass, and the spread of each component round them.
type Round = (Vec<Vec<f32>>, Vec<f32>);

struct Layer<'a> {
    range: FrameRange,
    size: (usize, usize),
    of: &'a dyn Fn(Frame) -> Result<Option<(Hidden, Lit)>, Faults>,
    sums: Vec<Sums>,
    round: Option<Round>,
    counts: Vec<u16>,
    like: Option<Picture>,
    row: Vec<f32>,
    /// Whether each sample of a row is free.
    free: Vec<bool>,
}

impl Layer<'_> {
    /// Means; where nothing was free those of `else_of`, or black.
    fn means(&self, else_of: Option<&Vec<Vec<f32>>>) -> Vec<Vec<f32>> {
        let of = |(component, sums): (usize, &Sums)| {
            let mut means = else_of.and_then(|means| means.get(component)).cloned();
            let means = means.get_or_insert_with(|| vec![sums.zero; sums.weights.len()]);
            for ((mean, weight), value) in means.iter_mut().zip(&sums.weights).zip(&sums.values) {
                if *weight > 0.0 {
                    *mean = value / weight;
                }
            }
            std::mem::take(means)
        };
        self.sums.iter().enumerate().map(of).collect()
    }

    /// The usual standard deviation of each component.
    fn spread(&self) -> Vec<f32> {
        let of = |sums: &Sums| {
            let all = sums.weights.iter().zip(&sums.values).zip(&sums.squares);
            let several = all.filter(|((weight, _), _)| **weight >= f32::from(LEAST_FREE));
            let mut variances: Vec<f32> = several
                .step_by((sums.weights.len() / 65_536).max(1))
                .map(|((weight, value), square)| {
                    (square / weight - (value / weight).powi(2)).max(0.0)
                })
                .collect();
            variances.sort_by(f32::total_cmp);
            // The upper quarter: grain is stronger where the picture is bright.
            variances.get(variances.len() * 3 / 4).copied().unwrap_or(0.0).sqrt().max(1e-4)
        };
        self.sums.iter().map(of).collect()
    }

    /// Adds the free samples of the row that was read, whose first is `first`.
    fn add_row(&mut self, component: usize, first: usize, (zero, lit): (f32, Lit)) {
        let (row, free) = (&self.row, &self.free);
        let Some(sums) = self.sums.get_mut(component) else { return };
        let samples = first..first + row.len();
        let (Some(weights), Some(values)) =
            (sums.weights.get_mut(samples.clone()), sums.values.get_mut(samples.clone()))
        else {
            return;
        };
        let per_gain = 1.0 / lit.gain;
        let value = |code: f32| zero + (code - zero - lit.offset) * per_gain;
        let summed = weights.iter_mut().zip(values).zip(row.iter().zip(free));
        match &self.round {
            None => {
                let squares = sums.squares.get_mut(samples).unwrap_or_default();
                for (((weights, values), (code, free)), squares) in summed.zip(squares) {
                    let (one, value) = if *free { (1.0, value(*code)) } else { (0.0, 0.0) };
                    *weights += one;
                    *values += value;
                    *squares += value * value;
                }
            }
            Some((round, spread)) => {
                let round = round.get(component).and_then(|round| round.get(samples));
                let far = 1.0 / (TUKEY * spread.get(component).copied().unwrap_or(1.0));
                for (((weights, values), (code, free)), round) in summed.zip(round.unwrap_or(&[])) {
                    let value = value(*code);
                    let off = (value - round) * far;
                    let weight = (1.0 - off * off).max(0.0);
                    let (weight, value) = if *free { (weight * weight, value) } else { (0.0, 0.0) };
                    *weights += weight;
                    *values += weight * value;
                }
            }
        }
        if component == 0
            && let Some(counts) = self.counts.get_mut(first..first + free.len())
        {
            for (count, free) in counts.iter_mut().zip(free) {
                *count = count.saturating_add(u16::from(*free));
            }
        }
    }
}

impl FrameReader for Layer<'_> {
    fn range(&self) -> FrameRange {
        self.range
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        let Some(((hidden, scale), lit)) = (self.of)(frame)? else { return Ok(()) };
        let scale = scale.max(1);
        if (picture.width() as usize, picture.height() as usize) != self.size {
            return Ok(());
        }
        if self.like.is_none() {
            self.like = picture.retouched().map(crate::media::Retouched::into_picture);
        }
        for component in 0..picture.components() {
            let (width, height, shift) = picture.component_size(component);
            let zero = zero_of(picture, component);
            let offset = if shift == (0, 0) && !is_difference(picture, component) {
                lit.offset * picture.component_peak(component) / 255.0
            } else {
                0.0
            };
            let lit = Lit { gain: if lit.gain > 0.05 { lit.gain } else { 1.0 }, offset };
            if self.sums.len() <= component {
                let squares = if self.round.is_none() { width * height } else { 0 };
                self.sums.push(Sums {
                    weights: vec![0.0; width * height],
                    values: vec![0.0; width * height],
                    squares: vec![0.0; squares],
                    zero,
                });
            }
            let mut down = usize::MAX;
            for y in 0..height {
                if !picture.samples(component, y, 0..width, &mut self.row) {
                    continue;
                }
                if (y << shift.1) / scale != down {
                    down = (y << shift.1) / scale;
                    self.free.clear();
                    self.free.extend((0..width).map(|x| !hidden.has((x << shift.0) / scale, down)));
                }
                self.add_row(component, y * width, (zero, lit));
            }
        }
        Ok(())
    }
}

/// Tells whether a component is a colour difference.
pub(super) fn is_difference(picture: &Picture, component: usize) -> bool {
    !picture.is_rgb() && picture.components() >= 3 && (component == 1 || component == 2)
}

/// The code of no light, or of no colour.
fn zero_of(picture: &Picture, component: usize) -> f32 {
    let peak = picture.component_peak(component);
    if is_difference(picture, component) {
        return ((peak + 1.0) / 2.0).floor();
    }
    // Narrow range begins at 16 of 256 (ITU-R BT.709, item 5.6).
    let full = matches!(picture.colour().range.as_deref(), Some("pc" | "full" | "jpeg"));
    let narrow = !picture.is_rgb() && !full;
    if narrow { (peak + 1.0) / 16.0 } else { 0.0 }
}
