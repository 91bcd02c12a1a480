//! Sharpness of a patch against the plate: focus pulls, breathing, a filter put in.
//!
//! A frame is regressed on the plate's own patterns, tile by tile: slopes, level and the
//! change that a slight blur makes. Grain of the frame is on neither side of that product
//! and cannot pass for sharpness, gain and offset go to the level, a shift to the slopes;
//! what a shift does beyond the slopes, its square, is taken off. The answer is the square of
//! the Gaussian blur that turns the plate into the frame, negative where the frame is sharper.

mod meter;

use super::patterns::{Patterns, Sums};
use super::{Excluded, Mask, Motion, Plane, PlateSum, Spool};
use crate::settings::FocusLimits;
use crate::time::{Frame, FrameRange};
use meter::{Meter, SIDE, interpolated};
use std::io;
use std::sync::Arc;

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
    /// What the frame before showed along the controls.
    #[serde(skip)]
    before: Vec<f32>,
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
        Self {
            patterns,
            meters,
            plate_noise,
            limits,
            frames: Vec::new(),
            spool: None,
            before: Vec::new(),
        }
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
        let mut record = Vec::with_capacity(self.meters.len() * 4 + 8);
        record.extend(self.noise(sums, &hidden).to_le_bytes());
        record.extend(self.fresh(sums, &hidden).to_le_bytes());
        for meter in &self.meters {
            let squared = meter.look(sums, f64::from(light.0), &motion, &hidden);
            let code = squared.map_or(HIDDEN, stepped);
            record.extend(code.to_le_bytes());
            record.extend(stepped(meter.mistaken(sums)).to_le_bytes());
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
            let Some(known) = Record::of(&record) else { continue };
            let told: Vec<(usize, f64)> =
                asked.iter().filter_map(|at| Some((*at, known.square(*at)?))).collect();
            out.extend(self.focus(*frame, &told, known.noise));
        }
        Ok(out)
    }

    /// The same where frames of the plate were seen as well, so that what a codec does to
    /// detail is not taken for a pull.
    ///
    /// Noise that a codec froze is in the plate's mean as if it were detail, and later frames,
    /// coded anew, lack it: they look softer. Where noise is frozen that part is bounded by
    /// what later frames show beyond those of the plate along patterns that neither motion nor
    /// blur makes; medians over time speak for each tile, and of the tiles a quarter may have
    /// changed less; and a change counts only if it is larger than that bound and twice what the
    /// plate does itself.
    ///
    /// # Errors
    ///
    /// As the system says: the notes cannot be read back.
    pub fn within_beside(
        &mut self,
        region: &Mask,
        frames: &[FrameRange],
        plate: FrameRange,
    ) -> io::Result<Vec<Focus>> {
        let inside = self.patterns.touched(region);
        let asked: Vec<usize> =
            (0..self.meters.len()).filter(|at| self.meters[*at].touches(&inside)).collect();
        let mut record = Vec::new();
        let mut rows: Vec<CodedRow> = Vec::new();
        let mut fresh: Vec<f64> = Vec::new();
        for (frame, number) in &self.frames {
            let Some(spool) = self.spool.as_mut() else { break };
            let wanted = |range: &FrameRange| range.grown(SPAN as u64, SPAN as u64).holds(*frame);
            if !plate.holds(*frame) && !frames.iter().any(wanted) {
                continue;
            }
            spool.read(*number, &mut record)?;
            let Some(known) = Record::of(&record) else { continue };
            fresh.push(known.fresh);
            let tiles = asked.iter().map(|at| known.square(*at).map(|s| (s, known.mistaken(*at))));
            rows.push(CodedRow { frame: *frame, noise: known.noise, tiles: tiles.collect() });
        }
        if median(&mut fresh).is_none_or(|fresh| fresh >= FRESH) {
            return self.within(region, frames);
        }
        Ok(self.coded(&asked, &rows, frames, plate))
    }

    /// Joins tiles and frames where a codec froze the noise.
    fn coded(
        &self,
        asked: &[usize],
        rows: &[CodedRow],
        frames: &[FrameRange],
        plate: FrameRange,
    ) -> Vec<Focus> {
        let usual: Vec<f64> = (0..asked.len())
            .map(|tile| {
                let own = rows.iter().filter(|row| plate.holds(row.frame));
                let mut own: Vec<f64> = own.filter_map(|row| Some(row.tiles[tile]?.1)).collect();
                median(&mut own).unwrap_or(0.0)
            })
            .collect();
        let told: Vec<Option<(Focus, f64)>> = (0..rows.len())
            .map(|at| {
                let span =
                    at.saturating_sub(SPAN as usize / 2)..(at + SPAN as usize / 2).min(rows.len());
                self.coded_row(asked, &usual, &rows[span], &rows[at])
            })
            .collect();
        let in_plate = told.iter().flatten().filter(|(focus, _)| plate.holds(focus.frame));
        let spread = in_plate.map(|(focus, _)| focus.squared_px.abs()).fold(0.0, f64::max);
        let asked_for = |focus: &Focus| frames.iter().any(|range| range.holds(focus.frame));
        let own = told.into_iter().flatten().filter(|(focus, _)| asked_for(focus));
        own.map(|(mut focus, mistaken)| {
            focus.changed &= focus.squared_px.abs() > mistaken + 2.0 * spread;
            focus
        })
        .collect()
    }

    /// One frame from those around it, and what frozen noise would feign in it.
    fn coded_row(
        &self,
        asked: &[usize],
        usual: &[f64],
        span: &[CodedRow],
        row: &CodedRow,
    ) -> Option<(Focus, f64)> {
        let (mut told, mut off) = (Vec::new(), Vec::new());
        for (tile, at) in asked.iter().enumerate() {
            let seen = || span.iter().filter_map(|row| row.tiles[tile]);
            let mut squares: Vec<f64> = seen().map(|(square, _)| square).collect();
            let mut mistaken: Vec<f64> = seen().map(|(_, mistaken)| mistaken).collect();
            let (Some(square), Some(mistaken)) = (median(&mut squares), median(&mut mistaken))
            else {
                continue;
            };
            told.push((*at, square));
            off.push((mistaken - usual[tile]).max(0.0));
        }
        let mut focus = self.focus(row.frame, &told, row.noise)?;
        let weigh = |sign: f64| {
            told.iter().map(move |(at, square)| (sign * square, self.meters[*at].error.powi(-2)))
        };
        let softer = weighted_quantile(weigh(1.0), 0.25)?.max(0.0);
        let sharper = weighted_quantile(weigh(-1.0), 0.25)?.max(0.0);
        let least = self.limits.least_px * self.limits.least_px;
        let far = softer.max(sharper);
        focus.changed &= far >= least && far > self.limits.sure * focus.squared_error;
        Some((focus, median(&mut off)?))
    }

    /// Returns how much of the noise is new in this frame: 1 for grain, less where a codec
    /// froze it.
    fn fresh(&mut self, sums: &Sums, hidden: &[bool]) -> f32 {
        let seen = |tile: usize, value: f32| {
            (value.is_finite() && hidden.get(tile) != Some(&true)).then(|| f64::from(value.abs()))
        };
        let now = sums.controls.iter().enumerate();
        let mut sizes: Vec<f64> = now.clone().filter_map(|(tile, now)| seen(tile, *now)).collect();
        let steps =
            now.zip(&self.before).filter_map(|((tile, now), before)| seen(tile, now - before));
        let mut steps: Vec<f64> = steps.collect();
        let told = median(&mut steps).zip(median(&mut sizes)).filter(|(_, size)| *size > 0.0);
        self.before.clear();
        self.before.extend_from_slice(&sums.controls);
        told.map_or(1.0, |(step, size)| (step / size / std::f64::consts::SQRT_2) as f32)
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

const HIDDEN: i16 = i16::MIN;
/// Steps a squared pixel.
const STEPS: f64 = 2000.0;

fn stepped(square: f64) -> i16 {
    (square * STEPS).round().clamp(-32_767.0, 32_767.0) as i16
}

/// Frames of the running median in coded pictures, and how many more are read each side.
/// Ours: half a second, which outlasts the change from one kind of coded frame to the next.
const SPAN: i64 = 12;
/// Share of new noise below which a codec is taken to have frozen it.
const FRESH: f64 = 0.9;

/// What the tiles asked for say in one frame: squared blur and what noise would feign.
struct CodedRow {
    frame: Frame,
    noise: f64,
    tiles: Vec<Option<(f64, f64)>>,
}

/// Notes of one frame as they were kept.
struct Record<'a> {
    noise: f64,
    fresh: f64,
    codes: &'a [u8],
}

impl Record<'_> {
    fn of(bytes: &[u8]) -> Option<Record<'_>> {
        let (noise, rest) = bytes.split_first_chunk::<4>()?;
        let (fresh, codes) = rest.split_first_chunk::<4>()?;
        let [noise, fresh] = [noise, fresh].map(|four| f64::from(f32::from_le_bytes(*four)));
        Some(Record { noise, fresh, codes })
    }

    fn code(&self, at: usize) -> Option<i16> {
        Some(i16::from_le_bytes([*self.codes.get(2 * at)?, *self.codes.get(2 * at + 1)?]))
    }

    /// Squared blur of a tile; `None` if it was hidden.
    fn square(&self, tile: usize) -> Option<f64> {
        let code = self.code(2 * tile)?;
        (code != HIDDEN).then(|| f64::from(code) / STEPS)
    }

    fn mistaken(&self, tile: usize) -> f64 {
        self.code(2 * tile + 1).map_or(0.0, |code| f64::from(code) / STEPS)
    }
}

fn median(values: &mut [f64]) -> Option<f64> {
    let middle = values.len() / 2;
    (!values.is_empty()).then(|| *values.select_nth_unstable_by(middle, f64::total_cmp).1)
}

fn weighted_median(values: impl Iterator<Item = (f64, f64)>) -> Option<f64> {
    weighted_quantile(values, 0.5)
}

fn weighted_quantile(values: impl Iterator<Item = (f64, f64)>, part: f64) -> Option<f64> {
    let mut values: Vec<(f64, f64)> = values.collect();
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let wanted = values.iter().map(|(_, weight)| weight).sum::<f64>() * part;
    let mut sum = 0.0;
    for (at, (value, weight)) in values.iter().enumerate() {
        if sum + weight > wanted {
            return Some(*value);
        }
        if sum + weight == wanted {
            let next = values.get(at + 1).map_or(*value, |next| next.0);
            return Some((value + next) / 2.0);
        }
        sum += weight;
    }
    None
}
