//! Second pass: every frame that matters, shown to all measures of all plates.

use super::luma::LumaSource;
use super::plates::PlateReader;
use super::{Gauge, LockOff, Row, SteadyLimits, steadiness};
use crate::error::Faults;
use crate::measure::light::LightMeter;
use crate::measure::light::blocks::{Blocks, Codes};
use crate::measure::transfer::Encoding;
use crate::measure::{Plane, Scales};
use crate::media::{FrameReader, MediaInfo, Picture};
use crate::time::{Frame, FrameRange, joined};

/// Shows every frame to the measures of every plate.
pub(super) struct GaugeReader<'a> {
    range: FrameRange,
    source: LumaSource,
    encoding: Encoding,
    codes: Codes,
    against: Vec<Against>,
    seen: u64,
    tell: &'a mut dyn FnMut(u64),
}

/// The measures of one plate.
struct Against {
    plate: FrameRange,
    mean: Plane,
    variance: Option<Plane>,
    lock_off: Option<LockOff>,
    light: Option<LightMeter>,
    rows: Vec<Row>,
}

impl Against {
    fn new(plate: PlateReader, encoding: &Encoding) -> Against {
        let lock_off = LockOff::new(&plate.full, None, plate.source.peak).ok();
        Against {
            plate: plate.plate,
            mean: plate.work.mean().unwrap_or_default(),
            variance: plate.work.variance(),
            lock_off,
            light: plate.light.finish().map(|mean| LightMeter::new(mean, encoding)),
            rows: Vec::new(),
        }
    }

    fn finish(self, half: (f64, f64), scales: Scales, limits: &SteadyLimits) -> Gauge {
        let series = self.lock_off.map(|lock_off| lock_off.series()).unwrap_or_default();
        let steadiness = steadiness(&series, half, limits);
        let mut rows = self.rows;
        for (row, motion) in rows.iter_mut().zip(series) {
            row.motion = Some(motion);
        }
        Gauge {
            plate: self.plate,
            scales,
            mean: self.mean,
            variance: self.variance,
            steadiness,
            rows,
        }
    }
}

impl<'a> GaugeReader<'a> {
    pub(super) fn new(
        info: &MediaInfo,
        all: &[FrameRange],
        encoding: Encoding,
        plates: Vec<PlateReader>,
        tell: &'a mut dyn FnMut(u64),
    ) -> Self {
        Self {
            range: all.iter().copied().reduce(joined).unwrap_or_default(),
            source: LumaSource::new(info),
            encoding,
            codes: Codes::default(),
            against: plates.into_iter().map(|plate| Against::new(plate, &encoding)).collect(),
            seen: 0,
            tell,
        }
    }

    pub(super) fn finish(self, limits: &SteadyLimits) -> Vec<Gauge> {
        let (scales, half) = (self.source.scales, self.source.half());
        self.against.into_iter().map(|against| against.finish(half, scales, limits)).collect()
    }
}

impl FrameReader for GaugeReader<'_> {
    fn range(&self) -> FrameRange {
        self.range
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        self.source.take(frame, picture)?;
        let blocks = self
            .codes
            .read(picture, &self.encoding)
            .then(|| Blocks::of(&self.codes, self.encoding.range));
        let Some(luma) = self.source.luma() else { return Ok(()) };
        for against in &mut self.against {
            if let Some(lock_off) = &mut against.lock_off {
                lock_off.see(frame, luma, against.plate.holds(frame));
            }
            let light = against.light.as_mut().zip(blocks.as_ref());
            let light = light.map(|(meter, blocks)| meter.measure(blocks));
            against.rows.push(Row { frame, motion: None, light });
        }
        self.seen += 1;
        (self.tell)(self.seen);
        Ok(())
    }
}
