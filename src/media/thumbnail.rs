//! Small pictures for people to look at. Never measured, never graded.

use super::open::Media;
use super::picture::Picture;
use super::read::FrameReader;
use crate::error::Faults;
use crate::time::{Frame, FrameRange};

/// A small picture in eight-bit red, green and blue.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Thumbnail {
    /// Width in pixels.
    pub width: usize,
    /// Height in pixels.
    pub height: usize,
    /// `width * height` times red, green, blue, row-major.
    pub rgb: Vec<u8>,
}

impl Media {
    /// Returns what `make` makes of one frame; `None` if it was not shown.
    ///
    /// # Errors
    ///
    /// A frame that is not there or cannot be decoded.
    pub fn at<T>(&self, frame: Frame, make: &dyn Fn(&Picture) -> T) -> Result<Option<T>, Faults> {
        let range = FrameRange::new(frame.0, frame.0.saturating_add(1));
        let mut reader = OneFrame { range, make, made: None };
        self.read(&[range], &mut [&mut reader])?;
        Ok(reader.made)
    }
}

/// Makes something of one frame.
struct OneFrame<'a, T> {
    range: FrameRange,
    make: &'a dyn Fn(&Picture) -> T,
    made: Option<T>,
}

impl<T> FrameReader for OneFrame<'_, T> {
    fn range(&self) -> FrameRange {
        self.range
    }

    fn see(&mut self, _frame: Frame, picture: &Picture) -> Result<(), Faults> {
        self.made = Some((self.make)(picture));
        Ok(())
    }
}

/// One component averaged down, 0 to 1 of its codes.
struct Part {
    values: Vec<f32>,
    peak: f32,
}

impl Picture {
    /// Returns the picture averaged down to at most `most` pixels across.
    ///
    /// Y'CbCr is undone with the tagged matrix, and where there is none as the height
    /// suggests: Rec. ITU-R BT.709 from 720 lines on, BT.601 below. The transfer curve stays
    /// as it is, so that a log picture looks flat. `None` for layouts without luma or RGB.
    pub fn thumbnail(&self, most: usize) -> Option<Thumbnail> {
        let (width, height) = (self.width() as usize, self.height() as usize);
        let by = width.div_ceil(most.max(1)).max(1);
        let size = ((width / by).max(1), (height / by).max(1));
        let parts: Option<Vec<Part>> = (0..3).map(|at| self.part(at, size)).collect();
        let rgb = match parts {
            Some(parts) if self.is_rgb() => parts_as_they_are(&parts, size),
            Some(parts) if self.planes() > 1 => self.undone(&parts, size),
            _ => self.grey(size)?,
        };
        Some(Thumbnail { width: size.0, height: size.1, rgb })
    }

    fn part(&self, at: usize, size: (usize, usize)) -> Option<Part> {
        let mut codes = Vec::new();
        let (width, height) = self.component_u16(at, &mut codes)?;
        let peak = ((1_u32 << self.luma_depth()) - 1) as f32;
        Some(Part { values: averaged(&codes, width, height, size), peak })
    }

    fn grey(&self, size: (usize, usize)) -> Option<Vec<u8>> {
        let mut codes = Vec::new();
        if !self.luma_u16(&mut codes) {
            return None;
        }
        let peak = ((1_u32 << self.luma_depth()) - 1) as f32;
        let grey = averaged(&codes, self.width() as usize, self.height() as usize, size);
        Some(grey.iter().flat_map(|value| [byte(value / peak); 3]).collect())
    }

    /// Undoes Y'CbCr after ITU-T H.273: 219 and 224 steps in narrow range, all in full.
    fn undone(&self, parts: &[Part], size: (usize, usize)) -> Vec<u8> {
        let tags = self.colour();
        let full = matches!(tags.range.as_deref(), Some("pc" | "full" | "jpeg"))
            || self.format().starts_with("yuvj");
        let (red, blue) = match tags.matrix.as_deref() {
            Some("smpte170m" | "bt470bg") => (0.299, 0.114),
            Some("bt2020nc" | "bt2020c") => (0.2627, 0.0593),
            None if self.height() < 720 => (0.299, 0.114),
            _ => (0.2126, 0.0722),
        };
        let (black, luma, chroma) =
            if full { (0.0, 1.0, 1.0) } else { (16.0 / 255.0, 255.0 / 219.0, 255.0 / 224.0) };
        let signed = |part: &Part, at: usize| (part.values[at] / part.peak - 0.501_96) * chroma;
        let pixel = |at: usize| {
            let y = (parts[0].values[at] / parts[0].peak - black) * luma;
            let (cb, cr) = (signed(&parts[1], at), signed(&parts[2], at));
            let (r, b) = (y + 2.0 * (1.0 - red) * cr, y + 2.0 * (1.0 - blue) * cb);
            [r, (y - red * r - blue * b) / (1.0 - red - blue), b].map(byte)
        };
        (0..size.0 * size.1).flat_map(pixel).collect()
    }
}

fn parts_as_they_are(parts: &[Part], size: (usize, usize)) -> Vec<u8> {
    let pixel = |at: usize| [0, 1, 2].map(|part| byte(parts[part].values[at] / parts[part].peak));
    (0..size.0 * size.1).flat_map(pixel).collect()
}

/// A cast of a float saturates, and NaN becomes 0.
fn byte(value: f32) -> u8 {
    (value * 255.0 + 0.5) as u8
}

/// Averages the codes under each pixel of the small picture.
fn averaged(codes: &[u16], width: usize, height: usize, size: (usize, usize)) -> Vec<f32> {
    let span = |at: usize, of: usize, whole: usize| {
        let (from, to) = (at * whole / of, (at + 1) * whole / of);
        from..to.max(from + 1).min(whole.max(1))
    };
    let mut out = Vec::with_capacity(size.0 * size.1);
    for y in 0..size.1 {
        let rows = span(y, size.1, height);
        for x in 0..size.0 {
            let columns = span(x, size.0, width);
            let (mut sum, mut count) = (0_u64, 0_u64);
            for row in rows.clone() {
                let run = codes.get(row * width + columns.start..row * width + columns.end);
                sum += run.unwrap_or(&[]).iter().map(|code| u64::from(*code)).sum::<u64>();
                count += columns.len() as u64;
            }
            out.push(sum as f32 / count.max(1) as f32);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn averages_cover_every_code_once() {
        let codes: Vec<u16> = (0..7 * 5).collect();
        let small = averaged(&codes, 7, 5, (2, 2));
        // Columns 0-2 and 3-6, rows 0-1 and 2-4.
        assert_eq!(small, [4.5, 8.0, 22.0, 25.5]);
        assert_eq!(averaged(&codes, 7, 5, (7, 5)).len(), 35);
    }
}
