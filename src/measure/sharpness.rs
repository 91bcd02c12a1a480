//! Sharpness of a patch against the plate: focus pulls, breathing, a filter put in.
//!
//! A frame is regressed on the plate's own patterns, tile by tile: slopes, level and the
//! change that a slight blur makes. Grain of the frame is on neither side of that product
//! and cannot pass for sharpness, gain and offset go to the level, a shift to the slopes;
//! what a shift does beyond the slopes, its square, is taken off. The answer is the square of
//! the Gaussian blur that turns the plate into the frame, negative where the frame is sharper.

use super::patterns::{BEND, BLURS, FORMS, LEVEL, Patterns, SLOPE_X, SLOPE_Y, Sums, TILE};
use super::small::inverse;
use super::{Excluded, Mask, Motion, Plane, PlateSum, Spool};
use crate::settings::FocusLimits;
use crate::time::{Frame, FrameRange};
use std::io;
use std::sync::Arc;

/// Small tiles along the side of a tile: 64 pixels.
const SIDE: usize = 4;
/// Where the tabulated blurs and the second derivatives stand among the causes.
const FIRST_BLUR: usize = 4;
const FIRST_SECOND: usize = FIRST_BLUR + BLURS.len();

/// Noise of the plate's mean times itself in the products of bend and blur, for one of
/// variance 1: the taps at lag 0 of the bend, and of bend and blur together a squared pixel.
/// Neighbouring grain that is alike by .3 adds a fifth; half of that is taken.
const NOISE_IN_BEND: f64 = 0.16;
const NOISE_IN_BLUR: f64 = 0.18;
const NOISE_IN_SLOPES: f64 = 0.22;

/// What counts as a change of focus.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SharpnessLimits {
    /// Standard errors beyond which sharpness has changed. Ours.
    pub sure: f64,
    /// Least blur that counts, one standard deviation of a Gaussian in pixels of the work
    /// plane. Ours: codecs change sharpness by less from frame to frame.
    pub least_px: f64,
    /// Standard error of the squared blur beyond which a tile is not textured enough, in
    /// squared pixels. Ours: a blur of .5 px is then nine of them.
    pub most_error: f64,
    /// How much noisier sums over textures are than white grain of the same variance. Ours:
    /// grain that went through a lens and a mosaic is alike in neighbours.
    pub alike: f64,
    /// Least noise of a frame in codes of eight bits: a codec freezes grain, so variance in
    /// time may read zero. Ours.
    pub least_noise: f64,
}

impl Default for SharpnessLimits {
    fn default() -> Self {
        Self { sure: 5.0, least_px: 0.3, most_error: 0.028, alike: 1.3, least_noise: 0.5 }
    }
}

impl From<FocusLimits> for SharpnessLimits {
    fn from(limits: FocusLimits) -> Self {
        Self { sure: limits.sure, least_px: limits.least_px, ..Self::default() }
    }
}

/// Sharpness of a patch in one frame against the plate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Focus {
    /// The frame.
    pub frame: Frame,
    /// Contrast of fine detail against the plate: 1 unchanged, below 1 softer.
    pub ratio: f64,
    /// Square of the Gaussian blur that turns plate into frame, in squared pixels of the work
    /// plane; negative where the frame is sharper.
    pub squared_px: f64,
    /// Standard error of that.
    pub squared_error: f64,
    /// Standard deviation of the blur in pixels, with the sign of its square.
    pub blur_px: f64,
    /// Standard error of that.
    pub error_px: f64,
    /// Predicted difference along the edges of the patch in codes of eight bits: rms of the
    /// tile of 16 pixels where it is strongest.
    pub edge_codes: f64,
    /// Tiles with texture that were seen.
    pub tiles: usize,
    /// Whether the change is beyond doubt and beyond the least that counts.
    pub changed: bool,
}

/// What a tile can tell about sharpness.
#[derive(Debug, Clone, serde::Serialize, serde::Deserialize)]
struct Meter {
    members: Vec<u32>,
    row: [f32; FORMS],
    /// Standard error for the plate's noise.
    error: f64,
    second: [f64; 3],
    response: [f64; BLURS.len()],
    ratio: [f64; BLURS.len()],
    codes: [f64; BLURS.len()],
    bias: f64,
    middle: (f64, f64),
}

/// Watches sharpness, one frame after the other. What is found is kept in a file without a
/// name.
#[derive(Debug, serde::Serialize, serde::Deserialize)]
pub struct Sharpness {
    patterns: Arc<Patterns>,
    meters: Vec<Meter>,
    /// Squared noise of a frame of the plate along a pattern, for each small tile.
    plate_noise: Vec<f32>,
    limits: SharpnessLimits,
    frames: Vec<(Frame, usize)>,
    spool: Option<Spool>,
}

impl Sharpness {
    /// Prepares a plate of the work plane; `None` before its second frame.
    pub fn new(
        plate: &PlateSum,
        excluded: Option<&Excluded>,
        limits: SharpnessLimits,
    ) -> Option<Self> {
        Some(Self::against(Arc::new(Patterns::new(plate, excluded)?), limits))
    }

    /// Prepares with patterns that another measure uses as well.
    pub fn against(patterns: Arc<Patterns>, limits: SharpnessLimits) -> Self {
        let (across, down) = patterns.tiles();
        let places =
            (0..down).step_by(SIDE).flat_map(|y| (0..across).step_by(SIDE).map(move |x| (x, y)));
        let meters = places.filter_map(|(x, y)| Meter::new(&patterns, x, y, &limits)).collect();
        let least = limits.least_noise.powi(2);
        let plate_noise = (0..across * down)
            .map(|tile| (patterns.variance(tile).max(least) * limits.alike.powi(2)) as f32)
            .collect();
        Self { patterns, meters, plate_noise, limits, frames: Vec::new(), spool: None }
    }

    /// Looks at a frame of the work plane, in order. See `Stillness::see` for the rest.
    ///
    /// # Errors
    ///
    /// As the system says: no room for the notes.
    pub fn see(
        &mut self,
        frame: Frame,
        work: &Plane,
        light: (f32, f32),
        motion: Motion,
        hidden: Option<&Mask>,
    ) -> io::Result<bool> {
        let Some(sums) = self.patterns.project(work) else { return Ok(false) };
        self.see_sums(frame, &sums, light, motion, hidden)?;
        Ok(true)
    }

    /// Looks at a frame that was projected already.
    ///
    /// # Errors
    ///
    /// As the system says: no room for the notes.
    pub fn see_sums(
        &mut self,
        frame: Frame,
        sums: &Sums,
        light: (f32, f32),
        motion: Motion,
        hidden: Option<&Mask>,
    ) -> io::Result<()> {
        let hidden = hidden.map(|mask| self.patterns.touched(mask)).unwrap_or_default();
        let mut record = Vec::with_capacity(self.meters.len() * 2 + 4);
        record.extend(self.noise(sums, &hidden).to_le_bytes());
        for meter in &self.meters {
            let squared = meter.look(sums, f64::from(light.0), &motion, &hidden);
            let code = squared.map_or(HIDDEN, |square| {
                (square * STEPS).round().clamp(-32_767.0, 32_767.0) as i16
            });
            record.extend(code.to_le_bytes());
        }
        if self.spool.is_none() {
            self.spool = Some(Spool::new()?);
        }
        let number = self.spool.as_mut().map_or(Ok(0), |spool| spool.add(&record))?;
        self.frames.push((frame, number));
        Ok(())
    }

    /// Tells how sharp the patch is in each frame of `frames` that was seen; frames in which
    /// all of its textured tiles are hidden are left out, and so are all if it has none.
    ///
    /// # Errors
    ///
    /// As the system says: the notes cannot be read back.
    pub fn within(&mut self, region: &Mask, frames: &[FrameRange]) -> io::Result<Vec<Focus>> {
        let inside = self.patterns.touched(region);
        let asked: Vec<usize> =
            (0..self.meters.len()).filter(|at| self.meters[*at].touches(&inside)).collect();
        let mut record = Vec::new();
        let mut out = Vec::new();
        for (frame, number) in &self.frames {
            let Some(spool) = self.spool.as_mut() else { break };
            if !frames.iter().any(|range| range.holds(*frame)) {
                continue;
            }
            spool.read(*number, &mut record)?;
            let Some((noise, codes)) = record.split_first_chunk::<4>() else { continue };
            let told: Vec<(usize, f64)> =
                asked.iter().filter_map(|at| Some((*at, unpacked(codes, *at)?))).collect();
            out.extend(self.focus(*frame, &told, f64::from(f32::from_le_bytes(*noise))));
        }
        Ok(out)
    }

    /// Returns how strong the noise of a frame is against that of the plate, from the patterns
    /// that no motion and no blur makes: the median of their squares, so that actors over a
    /// part of the frame do not count.
    fn noise(&self, sums: &Sums, hidden: &[bool]) -> f32 {
        let told = sums.controls.iter().zip(&self.plate_noise).enumerate();
        let mut squares: Vec<f32> = told
            .filter(|(tile, (told, _))| told.is_finite() && hidden.get(*tile) != Some(&true))
            .map(|(_, (told, noise))| told * told / noise)
            .collect();
        if squares.len() < 20 {
            return 1.0;
        }
        let middle = squares.len() / 2;
        let square = *squares.select_nth_unstable_by(middle, f32::total_cmp).1;
        // Median of a squared normal variable of variance 1.
        (square / 0.4549).sqrt().max(0.5)
    }

    /// Joins the tiles of one frame: their weighted median, which an actor in some of them
    /// does not pull.
    fn focus(&self, frame: Frame, told: &[(usize, f64)], noise: f64) -> Option<Focus> {
        let squared_px = weighted_median(
            told.iter().map(|(at, square)| (*square, self.meters[*at].error.powi(-2))),
        )?;
        let weight: f64 = told.iter().map(|(at, _)| self.meters[*at].error.powi(-2)).sum();
        // A median of normal variables is worth 2/pi of their mean.
        let efficiency = if told.len() > 2 { std::f64::consts::FRAC_2_PI } else { 1.0 };
        let squared_error = noise * (1.0 / (weight * efficiency)).sqrt();
        let root = |square: f64| square.abs().sqrt().copysign(square);
        let error_px = (root(squared_px + squared_error) - root(squared_px - squared_error)) / 2.0;
        let ratios: f64 = told
            .iter()
            .map(|(at, _)| {
                let meter = &self.meters[*at];
                meter.error.powi(-2) * (1.0 + interpolated(&meter.ratio, squared_px))
            })
            .sum();
        let worst = told
            .iter()
            .map(|(at, _)| interpolated(&self.meters[*at].codes, squared_px.abs()))
            .fold(0.0, f64::max);
        let limits = &self.limits;
        let changed = squared_px.abs() > limits.sure * squared_error
            && squared_px.abs() >= limits.least_px * limits.least_px;
        Some(Focus {
            frame,
            ratio: ratios / weight,
            squared_px,
            squared_error,
            blur_px: root(squared_px),
            error_px,
            edge_codes: worst,
            tiles: told.len(),
            changed,
        })
    }
}

impl Meter {
    fn new(patterns: &Patterns, x: usize, y: usize, limits: &SharpnessLimits) -> Option<Self> {
        let moments = patterns.block(x, y, SIDE)?;
        let cause = |form: usize, at: usize| moments.response[form][at];
        let mut gram: [[f64; FORMS]; FORMS] = std::array::from_fn(|form| {
            std::array::from_fn(|at| match at {
                BEND => cause(form, FIRST_BLUR) / BLURS[0],
                _ => cause(form, at),
            })
        });
        for (at, share) in [
            (SLOPE_X, NOISE_IN_SLOPES),
            (SLOPE_Y, NOISE_IN_SLOPES),
            (LEVEL, 1.0),
            (BEND, NOISE_IN_BLUR),
        ] {
            let bare = gram[at][at] - share * moments.noise;
            if bare < 0.5 * gram[at][at] && at == BEND {
                return None;
            }
            gram[at][at] = bare.max(0.25 * gram[at][at]);
        }
        let back = inverse(&gram)?;
        let row = back[BEND];
        let along = |at: usize| (0..FORMS).map(|form| row[form] * cause(form, at)).sum::<f64>();
        let response: [f64; BLURS.len()] = std::array::from_fn(|n| along(FIRST_BLUR + n));
        if response.windows(2).any(|two| two[1] <= two[0]) || response[0] <= 0.0 {
            return None;
        }
        let products = &moments.products;
        let square: f64 = (0..FORMS)
            .flat_map(|i| (0..FORMS).map(move |j| (i, j)))
            .map(|(i, j)| row[i] * products[i][j] * row[j])
            .sum();
        let unit = square.max(0.0).sqrt();
        let noise = (moments.variance / moments.pixels).max(limits.least_noise.powi(2)).sqrt();
        let error = unit * noise * limits.alike;
        if !(error.is_finite() && error > 0.0 && error <= limits.most_error) {
            return None;
        }
        let bend = moments.response[BEND];
        let small = patterns.within(x, y, SIDE).filter(|tile| patterns.is_usable(*tile));
        let members: Vec<u32> = small.map(|tile| tile as u32).collect();
        let (width, height) = patterns.size();
        let reach = (SIDE * TILE) as f64 / 2.0;
        Some(Self {
            codes: strongest_codes(patterns, &members),
            members,
            row: row.map(|value| value as f32),
            error,
            second: std::array::from_fn(|n| along(FIRST_SECOND + n)),
            response,
            ratio: std::array::from_fn(|n| bend[FIRST_BLUR + n] / bend[LEVEL]),
            bias: moments.noise * (row[BEND] * NOISE_IN_BEND - row[LEVEL]),
            middle: (
                (x * TILE) as f64 + reach - width as f64 / 2.0,
                (y * TILE) as f64 + reach - height as f64 / 2.0,
            ),
        })
    }

    /// Returns the squared blur of a frame; `None` where a part of the tile is hidden.
    fn look(&self, sums: &Sums, gain: f64, motion: &Motion, hidden: &[bool]) -> Option<f64> {
        let mut forms = [0.0_f32; FORMS];
        for tile in self.members.iter().map(|tile| *tile as usize) {
            if hidden.get(tile) == Some(&true) {
                return None;
            }
            forms.iter_mut().zip(&sums.forms[tile]).for_each(|(sum, form)| *sum += form);
        }
        let told: f32 = self.row.iter().zip(&forms).map(|(row, form)| row * form).sum();
        let (dx, dy) = motion.at(self.middle.0, self.middle.1);
        let [xx, xy, yy] = self.second;
        let by_shift = 0.5 * dx * dx * xx + dx * dy * xy + 0.5 * dy * dy * yy;
        let gain = if gain > 0.0 { gain } else { 1.0 };
        Some(self.squared(f64::from(told) / gain - by_shift - self.bias))
    }

    /// Turns the linear answer into a squared blur: strong blurs change less than in
    /// proportion.
    fn squared(&self, told: f64) -> f64 {
        let (mut before, mut at) = (0.0, 0.0);
        for (response, square) in self.response.iter().zip(BLURS) {
            if told <= *response || square == BLURS[BLURS.len() - 1] {
                return at + (told - before) * (square - at) / (response - before);
            }
            (before, at) = (*response, square);
        }
        at
    }

    fn touches(&self, marked: &[bool]) -> bool {
        self.members.iter().any(|tile| marked.get(*tile as usize) == Some(&true))
    }
}

/// Rms of what each tabulated blur changes, in the small tile where that is most.
fn strongest_codes(patterns: &Patterns, members: &[u32]) -> [f64; BLURS.len()] {
    let mut most = [0.0_f64; BLURS.len()];
    for tile in members {
        let (across, _) = patterns.tiles();
        let (x, y) = (*tile as usize % across, *tile as usize / across);
        let Some(moments) = patterns.block(x, y, 1) else { continue };
        for (most, squares) in most.iter_mut().zip(moments.blur_squares) {
            *most = most.max((squares / moments.pixels).sqrt());
        }
    }
    most
}

/// Reads a table over [`BLURS`] that is 0 at no blur, in proportion below and beyond it.
fn interpolated(table: &[f64; BLURS.len()], square: f64) -> f64 {
    let (mut before, mut at) = (0.0, 0.0);
    for (value, next) in table.iter().zip(BLURS) {
        if square <= next || next == BLURS[BLURS.len() - 1] {
            return before + (value - before) * (square - at) / (next - at);
        }
        (before, at) = (*value, next);
    }
    before
}

const HIDDEN: i16 = i16::MIN;
/// Steps a squared pixel.
const STEPS: f64 = 2000.0;

fn unpacked(record: &[u8], at: usize) -> Option<f64> {
    let code = i16::from_le_bytes([*record.get(2 * at)?, *record.get(2 * at + 1)?]);
    (code != HIDDEN).then(|| f64::from(code) / STEPS)
}

fn weighted_median(values: impl Iterator<Item = (f64, f64)>) -> Option<f64> {
    let mut values: Vec<(f64, f64)> = values.collect();
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = values.iter().map(|(_, weight)| weight).sum::<f64>() / 2.0;
    let mut sum = 0.0;
    for (at, (value, weight)) in values.iter().enumerate() {
        if sum + weight > half {
            return Some(*value);
        }
        if sum + weight == half {
            let next = values.get(at + 1).map_or(*value, |next| next.0);
            return Some((value + next) / 2.0);
        }
        sum += weight;
    }
    None
}
