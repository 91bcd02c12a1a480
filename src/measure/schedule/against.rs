//! What every frame is held against: one plate, with its measures.

use super::Gauge;
use super::Row;
use super::masks::MaskStore;
use super::pace::Pace;
use super::parting::{Outlines, Parting, STAYS_PX};
use super::placing::Placing;
use super::plates::PlateReader;
use super::texture::Texture;
use crate::measure::boom::{FinePlate, Foreground};
use crate::measure::light::Meter;
use crate::measure::lockoff::{LockOff, SteadyLimits, steadiness};
use crate::measure::overlay::TextLimits;
use crate::measure::sharpness::Sharpness;
use crate::measure::stillness::Stillness;
use crate::measure::{Mask, Patterns, Plane, Scales};
use crate::media::MediaInfo;
use crate::settings::MeasureLimits;
use std::cell::RefCell;
use std::sync::Arc;

/// One plate and its measures.
pub(super) struct Against {
    pub(super) mean: Plane,
    pub(super) variance: Option<Plane>,
    pub(super) placing: Placing,
    pub(super) parting: Parting,
    pub(super) texture: Option<Texture>,
}

impl Against {
    pub(super) fn new(
        plate: PlateReader<'_>,
        (mid, scales): ((usize, usize), Scales),
        area: Option<&Mask>,
        (limits, every): (&MeasureLimits, u32),
    ) -> std::io::Result<Against> {
        let overlays = plate.overlays.finish(&TextLimits::default());
        let mean = plate.work.mean().unwrap_or_default();
        let (width, height) = plate.source.size();
        let out = overlays.excluded(width, height);
        let work_out = overlays.excluded(mean.width, mean.height);
        let patterns = Patterns::new(&plate.work, Some(&work_out)).map(Arc::new);
        let fine = scales.mid == 2 * scales.work;
        let size = if fine { (2 * mid.0, 2 * mid.1) } else { mid };
        let out_of_mid = overlays.mask(mid.0, mid.1);
        let picture = out_of_mid.inverted();
        let masked = |meter: Meter| {
            if out_of_mid.is_empty() { meter } else { meter.with_mask(&picture) }
        };
        let variance = plate.work.variance();
        let outlines = fine.then(|| Outlines {
            plate: FinePlate::new(&mean, variance.as_ref()),
            around: area.map_or_else(|| Mask::new(mid.0, mid.1), |area| area.scaled(mid.0, mid.1)),
        });
        let peak = plate.source.peak;
        let placing = Placing {
            plate: plate.plate,
            peak,
            lock_off: LockOff::new(&plate.full, Some(&out), peak).ok(),
            light: masked(plate.light),
            colour: masked(plate.colour),
        };
        let limits_of_boom = || limits.boom.into();
        let parting = Parting {
            plate: plate.plate,
            scales,
            foreground: match (plate.clean.finish(limits_of_boom()), area) {
                (Some(meter), Some(area)) => Some(meter.within(area)),
                (meter, _) => meter,
            },
            thirds: plate
                .thirds
                .iter()
                .filter_map(|third| third.finish(limits_of_boom()))
                .collect(),
            suspects: 0,
            masks: MaskStore::new(size)?,
            outlines,
            excluded: overlays.mask(size.0, size.1),
            rows: Vec::new(),
        };
        let texture = patterns.map(|patterns| Texture {
            stillness: Stillness::against(patterns.clone(), limits.background.into()).paced(every),
            sharpness: Sharpness::against(patterns.clone(), limits.focus.into()),
            patterns,
        });
        Ok(Against { mean, variance, placing, parting, texture })
    }

    /// Gathers what all frames came to; `half` is the distance from the middle of a frame to
    /// its corner.
    pub(super) fn finish(
        self,
        (info, half): (&MediaInfo, (f64, f64)),
        limits: &SteadyLimits,
        pace: &Pace,
    ) -> std::io::Result<Gauge> {
        let Against { mean, variance, placing, mut parting, texture } = self;
        let scales = parting.scales;
        let mut bounds = placing.lock_off.as_ref().map(LockOff::tile_bounds).unwrap_or_default();
        bounds.iter_mut().for_each(|tile| tile.error_codes *= 255.0 / f64::from(placing.peak));
        let series = placing.lock_off.map(|lock_off| lock_off.series()).unwrap_or_default();
        let steadiness = steadiness(&series, half, limits);
        for (row, motion) in parting.rows.iter_mut().zip(series) {
            row.motion = Some(motion);
        }
        let of_mix_up = |(at, mix_up)| {
            let row = usize::try_from(at).ok().and_then(|at| parting.rows.get(at));
            row.map(|row| (row.frame, mix_up))
        };
        let range_mix_up = placing.light.range_mix_up().and_then(of_mix_up);
        // A plate that the camera moved in has every edge of the set on the move.
        let strays = |row: &Row| {
            let told = row.motion.as_ref().filter(|motion| motion.told);
            told.is_some_and(|told| told.motion.shift_px() > STAYS_PX * scales.mid as f64)
        };
        let stood = !parting.rows.iter().any(|row| parting.plate.holds(row.frame) && strays(row));
        let walked = parting.foreground.as_ref().filter(|_| stood).map(|meter| {
            let walked = meter.walked();
            if parting.outlines.is_some() { walked.doubled() } else { walked }
        });
        let (stillness, sharpness) = match texture {
            Some(texture) => (Some(texture.stillness.finish()?), Some(texture.sharpness)),
            None => (None, None),
        };
        let rows = pace.fill(std::mem::take(&mut parting.rows), &mut parting.masks)?;
        Ok(Gauge {
            plate: parting.plate,
            scales,
            mean,
            variance,
            steadiness,
            bounds,
            suspect: parting.suspect(),
            rows,
            mask_scale: if parting.outlines.is_some() { scales.work } else { scales.mid },
            masks: parting.masks,
            excluded: parting.excluded,
            restless: parting.foreground.as_ref().map(Foreground::restless),
            walked,
            swaying: parting.foreground.as_ref().and_then(|meter| meter.swaying().cloned()),
            stillness: stillness.map(RefCell::new),
            sharpness: sharpness.map(RefCell::new),
            encoding: placing.light.encoding(),
            range_mix_up,
            name: info.name.clone(),
        })
    }
}
