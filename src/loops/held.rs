//! Held frames: a few clean frames averaged, with grain that goes on moving.

use super::area::Area;
use super::interpolated::{Made, Planes, Rendered, mean_without_grain, planes};
use crate::error::Faults;
use crate::grain::{Check, GrainModel};
use crate::media::{FrameReader, Media, Picture};
use crate::plate::Retouch;
use crate::time::{Frame, FrameRange};

/// A held frame: the mean of clean frames, less the grain that is left in it, with new grain
/// for every frame of the plate.
#[derive(Debug)]
pub struct Held {
    mean: Made,
    area: Area,
    grain: GrainModel,
    check: Option<Check>,
}

impl Held {
    /// Averages `frames` of the take, file frames, in an area. `None` where samples cannot be
    /// reached.
    ///
    /// # Errors
    ///
    /// Frames that cannot be decoded.
    pub fn of(
        media: &Media,
        frames: FrameRange,
        area: Area,
        grain: GrainModel,
    ) -> Result<Option<Held>, Faults> {
        let mut sum = Sum { frames, area, grain: &grain, sum: None, count: 0, mean: None };
        media.read(&[frames], &mut [&mut sum])?;
        let Sum { mean, area, .. } = sum;
        let Some((mean, place)) = mean else { return Ok(None) };
        let left = mean.left.first().map_or(&[][..], Vec::as_slice);
        let check = mean.planes.first().and_then(|plane| grain.check(place, &plane.data, left));
        Ok(Some(Held { mean, area, grain, check }))
    }

    /// Returns how its new grain compares with the take's.
    pub fn check(&self) -> Option<Check> {
        self.check
    }
}

impl Retouch for Held {
    fn why(&self) -> String {
        "a held frame with new grain".into()
    }

    fn retouch(&self, k: u64, picture: &Picture) -> Result<Option<Picture>, Faults> {
        let rendered = Rendered { made: &self.mean, area: &self.area, grain: Some(&self.grain) };
        rendered.over(picture, k).map(Some).ok_or_else(|| {
            let fault = "its samples cannot be written";
            Faults::one("plate", format!("frame {k}"), fault, "hold the frame by hand")
        })
    }
}

struct Sum<'a> {
    frames: FrameRange,
    area: Area,
    grain: &'a GrainModel,
    sum: Option<Planes>,
    count: u64,
    mean: Option<(Made, crate::grain::Place)>,
}

impl FrameReader for Sum<'_> {
    fn range(&self) -> FrameRange {
        self.frames
    }

    fn see(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        let Some(read) = planes(picture, &self.area) else { return Ok(()) };
        match &mut self.sum {
            None => self.sum = Some(read),
            Some(sum) => {
                for (sum, read) in sum.iter_mut().zip(read) {
                    sum.data.iter_mut().zip(read.data).for_each(|(sum, value)| *sum += value);
                }
            }
        }
        self.count += 1;
        if frame.0 + 1 == self.frames.end.0 {
            let mut mean = self.sum.take().unwrap_or_default();
            let values = mean.iter_mut().flat_map(|plane| &mut plane.data);
            values.for_each(|value| *value /= self.count as f32);
            let mean = mean_without_grain(&mean, picture, self.grain, self.count);
            self.mean = Some((mean, self.area.place(picture, 0)));
        }
        Ok(())
    }
}
