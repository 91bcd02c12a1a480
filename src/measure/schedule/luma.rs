//! Luma of decoded frames, with the faults that can be in it.

use crate::error::Faults;
use crate::measure::codes::{luma_codes, of_frame, other_size};
use crate::measure::light::blocks::{Codes, Kind, Samples};
use crate::measure::transfer::Encoding;
use crate::measure::{Planes, Scales, View};
use crate::media::{FieldOrder, MediaInfo, Picture};
use crate::time::Frame;

/// Takes luma out of decoded frames and makes the planes measures work on.
#[derive(Debug, Clone)]
pub(super) struct LumaSource {
    name: String,
    size: (usize, usize),
    pub(super) scales: Scales,
    field: Option<usize>,
    codes: Vec<u16>,
    pub(super) peak: f32,
    pub(super) planes: Planes,
}

impl LumaSource {
    pub(super) fn new(info: &MediaInfo) -> LumaSource {
        let size = (info.width as usize, info.height as usize);
        LumaSource {
            name: info.name.clone(),
            size,
            scales: Scales::of(size.0, size.1),
            field: match info.field_order {
                FieldOrder::TopFirst => Some(0),
                FieldOrder::BottomFirst => Some(1),
                FieldOrder::Unknown | FieldOrder::Progressive => None,
            },
            codes: Vec::new(),
            peak: 255.0,
            planes: Planes::default(),
        }
    }

    /// Reads one frame and makes its planes; `luma` gives the frame itself.
    pub(super) fn take(&mut self, frame: Frame, picture: &Picture) -> Result<(), Faults> {
        let size = (picture.width() as usize, picture.height() as usize);
        if size != self.size {
            let said = format!("and the file says {}x{}", self.size.0, self.size.1);
            return Err(other_size(&self.name, frame, picture, &said));
        }
        self.peak = luma_codes(&self.name, frame, picture, &mut self.codes)?;
        if let Some(first) = self.field {
            double_field(&mut self.codes, size.0, first);
        }
        self.fill();
        Ok(())
    }

    /// As [`LumaSource::take`] from codes of `depth` bits, which `read` puts in their place;
    /// returns what it returns.
    pub(super) fn take_read<T>(
        &mut self,
        read: impl FnOnce(&mut Vec<u16>) -> std::io::Result<Option<(u32, T)>>,
    ) -> std::io::Result<Option<(u32, T)>> {
        let found = read(&mut self.codes)?;
        if let Some((depth, _)) = &found {
            self.peak = ((1_u32 << depth) - 1) as f32;
            self.fill();
        }
        Ok(found)
    }

    fn fill(&mut self) {
        if let Some(luma) = View::new(self.size.0, self.size.1, &self.codes) {
            self.planes.fill(luma, self.peak, self.scales);
        }
    }

    /// Returns the frame taken last, in codes.
    pub(super) fn luma(&self) -> Option<View<'_, u16>> {
        View::new(self.size.0, self.size.1, &self.codes)
    }

    /// Tells whether [`LumaSource::luma`] is what a measure of light would read itself.
    pub(super) fn lends(&self, picture: &Picture) -> bool {
        !picture.is_rgb() && self.field.is_none()
    }

    /// Reads the codes of the frame taken last for a measure of its light; luma that was read
    /// before is lent for as long as `look` takes.
    pub(super) fn with_codes<T>(
        &mut self,
        picture: &Picture,
        luma: &Encoding,
        codes: &mut Codes,
        look: impl FnOnce(&Codes) -> T,
    ) -> Option<T> {
        if !self.lends(picture) {
            return codes.read(picture, luma).then(|| look(codes));
        }
        Some(self.with_lent(picture.luma_depth(), codes, look))
    }

    /// Lends the luma taken last, of `depth` bits, for as long as `look` takes.
    pub(super) fn with_lent<T>(
        &mut self,
        depth: u32,
        codes: &mut Codes,
        look: impl FnOnce(&Codes) -> T,
    ) -> T {
        (codes.kind, codes.depth) = (Kind::Luma, depth);
        let plane = &mut codes.planes[0];
        (plane.width, plane.height) = self.size;
        std::mem::swap(&mut plane.codes, &mut self.codes);
        let seen = look(codes);
        std::mem::swap(&mut codes.planes[0].codes, &mut self.codes);
        codes.planes[0] = Samples::default();
        seen
    }

    /// Returns the distance from the middle of the frame to its corner, in pixels.
    pub(super) fn half(&self) -> (f64, f64) {
        (self.size.0 as f64 / 2.0, self.size.1 as f64 / 2.0)
    }

    /// Returns the size of the frame.
    pub(super) fn size(&self) -> (usize, usize) {
        self.size
    }

    /// Returns the size of the middle plane.
    pub(super) fn mid_size(&self) -> (usize, usize) {
        let work = (self.size.0 / self.scales.work, self.size.1 / self.scales.work);
        let more = self.scales.mid / self.scales.work;
        (work.0 / more, work.1 / more)
    }

    /// Makes a fault of a frame of this file.
    pub(super) fn fault(&self, frame: Frame, fault: String, remedy: &str) -> Faults {
        of_frame(&self.name, frame, fault, remedy)
    }
}

/// Writes every line of one field over the line of the other beside it: interlaced frames
/// are looked at by their first field, and keep their size.
fn double_field(codes: &mut [u16], width: usize, first: usize) {
    for pair in codes.chunks_exact_mut(2 * width.max(1)) {
        let (upper, lower) = pair.split_at_mut(width);
        if first == 0 { lower.copy_from_slice(upper) } else { upper.copy_from_slice(lower) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_field_stands_in_for_both() {
        let lines = || vec![1, 1, 2, 2, 3, 3, 4, 4, 5, 5];
        let (mut top, mut bottom) = (lines(), lines());
        double_field(&mut top, 2, 0);
        double_field(&mut bottom, 2, 1);
        assert_eq!(top, [1, 1, 1, 1, 3, 3, 3, 3, 5, 5]);
        assert_eq!(bottom, [2, 2, 2, 2, 4, 4, 4, 4, 5, 5]);
    }
}
