//! Second pass: every frame that matters, shown to all measures of all plates.

use super::kept::Kept;
use super::luma::LumaSource;
use super::masks::{FrameMasks, MaskStore};
use super::plates::PlateReader;
use super::survey::no_room;
use super::{Gauge, Row, Wish};
use crate::error::Faults;
use crate::measure::boom::{FinePlate, Foreground, Outlined, Split};
use crate::measure::light::blocks::{Blocks, Codes, Kind};
use crate::measure::light::{FrameLight, Meter};
use crate::measure::lockoff::{LockOff, SteadyLimits, steadiness};
use crate::measure::overlay::TextLimits;
use crate::measure::sharpness::Sharpness;
use crate::measure::stillness::Stillness;
use crate::measure::transfer::Encoding;
use crate::measure::{Mask, Motion, Patterns, Plane, Scales, moved_back};
use crate::media::{FrameReader, MediaInfo, Picture};
use crate::settings::MeasureLimits;
use crate::time::{Frame, FrameRange, joined};
use std::cell::RefCell;
use std::sync::Arc;

/// How far round boom and actors the background is not looked at, in pixels of the middle
/// plane: their soft edge.
const AROUND: usize = 2;

/// Every how many frames of a run each colour's light is measured: colour drifts with the sun and the
/// iris, luma is measured in every frame. Ours: it costs ten times as much.
pub(super) const COLOUR_EVERY: u64 = 8;

/// Shift below which a frame is held against the plate as it lies, in pixels of the middle
/// plane: moving it would cost sharpness for nothing. Ours.
const STAYS_PX: f64 = 0.1;

/// Frames of a plate that have to show a boom against a part of it before the plate itself
/// is doubted. Ours: light and leaves do for a frame or two.
const SUSPECTS: usize = 3;

/// Shows every frame to the measures of every plate.
pub(super) struct GaugeReader<'a> {
    range: FrameRange,
    /// The runs that are read.
    runs: Vec<FrameRange>,
    info: &'a MediaInfo,
    source: LumaSource,
    encoding: Encoding,
    codes: Codes,
    colours: Codes,
    against: Vec<Against>,
    seen: u64,
    tell: &'a mut dyn FnMut(u64),
}

/// A frame in blocks, and the bits of its codes.
type InBlocks = (Blocks, u32);

/// The measures of one plate.
struct Against {
    plate: FrameRange,
    /// The brightest code.
    peak: f32,
    mean: Plane,
    variance: Option<Plane>,
    lock_off: Option<LockOff>,
    light: Meter,
    colour: Meter,
    foreground: Option<Foreground>,
    /// Against the first and the last third of the plate: a plate in which the boom comes or
    /// goes holds half a boom in its mean, and shows none in its frames.
    thirds: Vec<Foreground>,
    /// Frames of the plate in which these see one.
    suspects: usize,
    texture: Option<Texture>,
    masks: MaskStore,
    /// Where masks are drawn on the working plane, twice the middle one.
    outlines: Option<Outlines>,
    /// Pixels that are not picture, at the size of the masks.
    excluded: Mask,
    rows: Vec<Row>,
}

/// What draws outlines at working size.
struct Outlines {
    plate: FinePlate,
    /// Where the boom was seen or is known to be, at middle size.
    around: Mask,
}

/// What looks at the texture of the background.
struct Texture {
    patterns: Arc<Patterns>,
    stillness: Stillness,
    sharpness: Sharpness,
}

impl Against {
    fn new(
        plate: PlateReader<'_>,
        (mid, scales): ((usize, usize), Scales),
        area: Option<&Mask>,
        limits: &MeasureLimits,
    ) -> std::io::Result<Against> {
        let overlays = plate.overlays.finish(&TextLimits::default());
        let mean = plate.work.mean().unwrap_or_default();
        let (width, height) = plate.source.size();
        let out = overlays.excluded(width, height);
        let work_out = overlays.excluded(mean.width, mean.height);
        let patterns = Patterns::new(&plate.work, Some(&work_out)).map(Arc::new);
        let fine = scales.mid == 2 * scales.work;
        let size = if fine { (2 * mid.0, 2 * mid.1) } else { mid };
        let excluded = overlays.mask(size.0, size.1);
        let out_of_mid = overlays.mask(mid.0, mid.1);
        let picture = out_of_mid.inverted();
        let masked = |meter: Meter| {
            if out_of_mid.is_empty() { meter } else { meter.with_mask(&picture) }
        };
        let (light, colour) = (masked(plate.light), masked(plate.colour));
        let variance = plate.work.variance();
        let outlines = fine.then(|| Outlines {
            plate: FinePlate::new(&mean, variance.as_ref()),
            around: area.map_or_else(|| Mask::new(mid.0, mid.1), |area| area.scaled(mid.0, mid.1)),
        });
        Ok(Against {
            plate: plate.plate,
            peak: plate.source.peak,
            mean,
            variance,
            lock_off: LockOff::new(&plate.full, Some(&out), plate.source.peak).ok(),
            light,
            colour,
            foreground: match (plate.clean.finish(limits.boom.into()), area) {
                (Some(meter), Some(area)) => Some(meter.within(area)),
                (meter, _) => meter,
            },
            thirds: plate
                .thirds
                .iter()
                .filter_map(|third| third.finish(limits.boom.into()))
                .collect(),
            suspects: 0,
            texture: patterns.map(|patterns| Texture {
                stillness: Stillness::against(patterns.clone(), limits.background.into()),
                sharpness: Sharpness::against(patterns.clone(), limits.focus.into()),
                patterns,
            }),
            masks: MaskStore::new(size)?,
            outlines,
            excluded,
            rows: Vec::new(),
        })
    }

    /// Shows one frame to all measures, each of which needs what those before it found.
    fn see(
        &mut self,
        frame: Frame,
        source: &LumaSource,
        light: Option<&InBlocks>,
        colour: Option<&InBlocks>,
    ) -> std::io::Result<()> {
        let motion = self.lock_off.as_mut().zip(source.luma()).and_then(|(lock_off, luma)| {
            lock_off.see(frame, luma, self.plate.holds(frame));
            lock_off.last().copied()
        });
        let light = light.map(|(blocks, depth)| self.light.measure_blocks(blocks, *depth));
        let colour = colour.map(|(blocks, depth)| self.colour.measure_blocks(blocks, *depth));
        // A camera that moved makes edges of its own: the frame is laid back onto the plate.
        let back = motion.map(|motion| reduced(motion, source.scales.mid));
        let back = back.filter(|motion| motion.shift_px() > STAYS_PX);
        let back = back.map(|motion| moved_back(&source.planes.mid, &motion));
        let mid = back.as_ref().unwrap_or(&source.planes.mid);
        let split = self.foreground.as_mut().map(|meter| meter.see(frame, mid));
        let boom = split.as_ref().is_some_and(|split| split.present);
        if self.plate.holds(frame) && self.thirds.iter_mut().any(|t| t.see(frame, mid).present) {
            self.suspects += 1;
        }
        if let Some(texture) = &mut self.texture {
            let motion = reduced(motion.unwrap_or_default(), source.scales.work);
            let hidden = split.as_ref().map(hidden);
            texture.see(frame, &source.planes.work, in_codes(light.as_ref()), motion, hidden)?;
        }
        if let Some(split) = split {
            let mut masks = self.drawn(frame, split, source, back.is_some());
            let FrameMasks { boom, core, actors } = &mut masks;
            [boom, core, actors].into_iter().for_each(|mask| mask.take(&self.excluded));
            self.masks.add(frame, &masks)?;
        }
        self.rows.push(Row { frame, motion: None, light, colour, boom });
        Ok(())
    }

    /// Draws the masks of a frame at the size they are kept at.
    fn drawn(
        &mut self,
        frame: Frame,
        split: Split,
        source: &LumaSource,
        laid_back: bool,
    ) -> FrameMasks {
        let (Some(outlines), Some(meter)) = (&mut self.outlines, &self.foreground) else {
            return FrameMasks { boom: split.boom, core: split.core, actors: split.actors };
        };
        outlines.around.add(&split.boom);
        // A plate is only asked whether somebody is in it; a frame that was laid back is
        // there at middle size only.
        let closely = !laid_back && !self.plate.holds(frame);
        let work = &source.planes.work;
        let found = closely
            .then(|| meter.outlined(&split, &outlines.around, work, &outlines.plate))
            .flatten();
        let Outlined { boom, core, actors } = found.unwrap_or_else(|| Outlined::coarsely(&split));
        FrameMasks { boom, core, actors }
    }

    fn finish(
        mut self,
        (info, half, scales): (&MediaInfo, (f64, f64), Scales),
        limits: &SteadyLimits,
    ) -> std::io::Result<Gauge> {
        let mut bounds = self.lock_off.as_ref().map(LockOff::tile_bounds).unwrap_or_default();
        bounds.iter_mut().for_each(|tile| tile.error_codes *= 255.0 / f64::from(self.peak));
        let series = self.lock_off.map(|lock_off| lock_off.series()).unwrap_or_default();
        let steadiness = steadiness(&series, half, limits);
        for (row, motion) in self.rows.iter_mut().zip(series) {
            row.motion = Some(motion);
        }
        // A plate that the camera moved in has every edge of the set on the move.
        let strays = |row: &Row| {
            let told = row.motion.as_ref().filter(|motion| motion.told);
            told.is_some_and(|told| told.motion.shift_px() > STAYS_PX * scales.mid as f64)
        };
        let stood = !self.rows.iter().any(|row| self.plate.holds(row.frame) && strays(row));
        let walked = self.foreground.as_ref().filter(|_| stood).map(|meter| {
            let walked = meter.walked();
            if self.outlines.is_some() { walked.doubled() } else { walked }
        });
        let (stillness, sharpness) = match self.texture {
            Some(texture) => (Some(texture.stillness.finish()?), Some(texture.sharpness)),
            None => (None, None),
        };
        Ok(Gauge {
            plate: self.plate,
            scales,
            mean: self.mean,
            variance: self.variance,
            steadiness,
            bounds,
            rows: self.rows,
            mask_scale: if self.outlines.is_some() { scales.work } else { scales.mid },
            masks: self.masks,
            excluded: self.excluded,
            restless: self.foreground.as_ref().map(Foreground::restless),
            walked,
            swaying: self.foreground.as_ref().and_then(|meter| meter.swaying().cloned()),
            suspect: self.suspects >= SUSPECTS,
            stillness: stillness.map(RefCell::new),
            sharpness: sharpness.map(RefCell::new),
            encoding: self.light.encoding(),
            range_mix_up: self.light.range_mix_up(),
            name: info.name.clone(),
        })
    }
}

impl Texture {
    fn see(
        &mut self,
        frame: Frame,
        work: &Plane,
        light: (f32, f32),
        motion: Motion,
        hidden: Option<Mask>,
    ) -> std::io::Result<()> {
        let Some(sums) = self.patterns.project(work) else { return Ok(()) };
        self.stillness.see_sums(frame, &sums, light, motion, hidden.as_ref())?;
        self.sharpness.see_sums(frame, &sums, light, motion, hidden.as_ref())
    }
}

fn hidden(split: &Split) -> Mask {
    let mut hidden = split.boom.clone();
    hidden.add(&split.actors);
    hidden.grown(AROUND)
}

/// Gain and offset in 8-bit codes; none where they cannot be told.
fn in_codes(light: Option<&FrameLight>) -> (f32, f32) {
    let coded = light.and_then(FrameLight::main_coded);
    coded.map_or((1.0, 0.0), |coded| (coded.gain as f32, coded.offset as f32))
}

fn reduced(motion: Motion, by: usize) -> Motion {
    let by = by.max(1) as f64;
    Motion { shift_x: motion.shift_x / by, shift_y: motion.shift_y / by, ..motion }
}

impl<'a> GaugeReader<'a> {
    pub(super) fn new(
        wish: &Wish<'a>,
        all: &[FrameRange],
        plates: Vec<PlateReader<'_>>,
        tell: &'a mut dyn FnMut(u64),
    ) -> Result<Self, Faults> {
        let info = wish.media.info();
        let encoding = wish.encoding;
        let source = LumaSource::new(info);
        let area = wish.area.as_ref();
        let against: std::io::Result<Vec<Against>> = plates
            .into_iter()
            .map(|plate| {
                Against::new(plate, (source.mid_size(), source.scales), area, &wish.limits)
            })
            .collect();
        Ok(Self {
            range: all.iter().copied().reduce(joined).unwrap_or_default(),
            runs: all.to_vec(),
            info,
            source,
            encoding,
            codes: Codes::default(),
            colours: Codes::default(),
            against: against.map_err(|io| no_room(info, &io))?,
            seen: 0,
            tell,
        })
    }

    /// As [`FrameReader::see`] of a frame that was kept.
    pub(super) fn see_kept(&mut self, frame: Frame, kept: &mut Kept) -> Result<(), Faults> {
        let planes = &mut self.colours.planes;
        let read = |codes: &mut Vec<u16>| kept.read(frame, codes, planes);
        let found = self.source.take_read(read).map_err(|io| no_room(self.info, &io))?;
        let Some((depth, of_colour)) = found else {
            let remedy = "make room in the folder for temporary files and run again";
            return Err(self.source.fault(frame, "it cannot be read back".into(), remedy));
        };
        let range = self.encoding.range;
        let in_blocks = |codes: &Codes| (Blocks::of(codes, range), codes.depth);
        let light = self.source.with_lent(depth, &mut self.codes, in_blocks);
        let colour = of_colour.map(|there| match self.encoding.matrix.filter(|_| there) {
            Some(matrix) => {
                (self.colours.kind, self.colours.depth) = (Kind::YCbCr(matrix), depth);
                in_blocks(&self.colours)
            }
            None => light.clone(),
        });
        self.show(frame, Some(&light), colour.as_ref()).map_err(|io| no_room(self.info, &io))
    }

    fn show(
        &mut self,
        frame: Frame,
        light: Option<&InBlocks>,
        colour: Option<&InBlocks>,
    ) -> std::io::Result<()> {
        for against in &mut self.against {
            against.see(frame, &self.source, light, colour)?;
        }
        self.seen += 1;
        (self.tell)(self.seen);
        Ok(())
    }

    pub(super) fn finish(self, limits: &SteadyLimits) -> Result<Vec<Gauge>, Faults> {
        let about = (self.info, self.source.half(), self.source.scales);
        let gauges = self.against.into_iter().map(|against| against.finish(about, limits));
        gauges.collect::<std::io::Result<_>>().map_err(|io| no_room(self.info, &io))
    }
}

impl FrameReader for GaugeReader<'_> {
    fn range(&self) -> FrameRange {
        self.range
    }

    fn wants_colour(&self, frame: Frame) -> bool {
        let run = self.runs.iter().find(|run| run.holds(frame));
        run.is_some_and(|run| ((frame.0 - run.start.0) as u64).is_multiple_of(COLOUR_EVERY))
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        self.source.take(frame, picture)?;
        let luma = Encoding { matrix: None, ..self.encoding };
        let range = self.encoding.range;
        let in_blocks = |codes: &Codes| (Blocks::of(codes, range), codes.depth);
        let light = self.source.with_codes(picture, &luma, &mut self.codes, in_blocks);
        let of_colour = self.wants_colour(frame);
        let read = of_colour && self.colours.read(picture, &self.encoding);
        let colour = read.then(|| in_blocks(&self.colours));
        self.show(frame, light.as_ref(), colour.as_ref()).map_err(|io| no_room(self.info, &io))
    }
}
