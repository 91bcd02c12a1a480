//! Luma as 16-bit numbers, straight from the planes.

use super::ffi::{self, Component};
use super::picture::Picture;
use half::f16;

/// Luma weights of Rec. ITU-R BT.709 in 1/65536.
const RED: u64 = 13_933;
const GREEN: u64 = 46_871;
const BLUE: u64 = 4_732;

impl Picture {
    /// Returns the bits of the values [`Picture::luma_u16`] gives: the depth of the samples,
    /// 16 for floating point.
    pub fn luma_depth(&self) -> u32 {
        if self.is_float() { 16 } else { self.bit_depth().clamp(1, 16) }
    }

    /// Writes the luma of the picture to `out`, row-major, width times height values of
    /// [`Picture::luma_depth`] bits.
    ///
    /// Where there is a luma plane its codes are given as they are. Red, green and blue are
    /// weighed after Rec. ITU-R BT.709, whatever their encoding. Floating point is clipped
    /// to 0-1 and stands for 0-65535. Returns false, with `out` empty, for sample layouts
    /// that have neither (sensor mosaics).
    pub fn luma_u16(&self, out: &mut Vec<u16>) -> bool {
        out.clear();
        let layout = self.layout();
        let (width, height) = (self.width() as usize, self.height() as usize);
        out.reserve(width.saturating_mul(height));
        let whole = if layout.bayer {
            false
        } else if layout.palette {
            self.palette_luma(out)
        } else if layout.rgb && layout.components.len() >= 3 {
            self.rgb_luma(out)
        } else {
            self.plane_luma(out)
        };
        if !whole || out.len() != width * height {
            out.clear();
            return false;
        }
        true
    }

    /// Writes one component (Y', Cb, Cr or red, green, blue, in this order) to `out` at its
    /// own size, row-major, and returns width and height; `None`, with `out` empty, where
    /// the layout has no such component.
    ///
    /// Floating point is clipped to 0-1 and stands for 0-65535.
    pub fn component_u16(&self, component: usize, out: &mut Vec<u16>) -> Option<(usize, usize)> {
        out.clear();
        let layout = self.layout();
        if layout.bayer || layout.palette {
            return None;
        }
        let found = layout.components.get(component).copied()?;
        let halved = !layout.rgb && (component == 1 || component == 2);
        let (across, down) = if halved { layout.chroma_shift } else { (0, 0) };
        let width = (self.width() as usize).div_ceil(1 << across);
        let height = (self.height() as usize).div_ceil(1 << down);
        out.reserve(width.saturating_mul(height));
        if (0..height).all(|y| self.sized_row(found, y, width, out)) {
            return Some((width, height));
        }
        out.clear();
        None
    }

    fn plane_luma(&self, out: &mut Vec<u16>) -> bool {
        // XYZ carries luminance second; everything else carries luma first.
        let at = usize::from(self.format().starts_with("xyz"));
        let Some(luma) = self.layout().components.get(at).copied() else { return false };
        (0..self.height() as usize).all(|y| self.component_row(luma, y, out))
    }

    fn rgb_luma(&self, out: &mut Vec<u16>) -> bool {
        let components: Vec<Component> = self.layout().components[..3].to_vec();
        let mut rows = [Vec::new(), Vec::new(), Vec::new()];
        for y in 0..self.height() as usize {
            for (row, component) in rows.iter_mut().zip(&components) {
                row.clear();
                if !self.component_row(*component, y, row) {
                    return false;
                }
            }
            let depths = [components[0].depth, components[1].depth, components[2].depth];
            let [reds, greens, blues] = &rows;
            for ((red, green), blue) in reds.iter().zip(greens).zip(blues) {
                out.push(weighed([*red, *green, *blue], depths));
            }
        }
        true
    }

    fn palette_luma(&self, out: &mut Vec<u16>) -> bool {
        let Some(palette) = ffi::palette(self.frame()) else { return false };
        let lumas: Vec<u16> = palette
            .iter()
            .map(|argb| {
                let [_, red, green, blue] = argb.to_be_bytes().map(u16::from);
                weighed([red, green, blue], [8; 3])
            })
            .collect();
        (0..self.height() as usize).all(|y| match self.row(0, y) {
            Some(row) => {
                out.extend(row.iter().filter_map(|index| lumas.get(usize::from(*index))));
                true
            }
            None => false,
        })
    }

    /// Appends one row of one component at full width.
    fn component_row(&self, component: Component, y: usize, out: &mut Vec<u16>) -> bool {
        self.sized_row(component, y, self.width() as usize, out)
    }

    fn sized_row(&self, component: Component, y: usize, width: usize, out: &mut Vec<u16>) -> bool {
        let Some(row) = self.row(component.plane, y) else { return false };
        let before = out.len();
        let layout = self.layout();
        let mask = ((1_u32 << component.depth.min(16)) - 1) as u16;
        let samples = row.get(component.offset..).unwrap_or(&[]);
        if layout.float {
            float_row(samples, component, layout.big_endian, width, out);
        } else if layout.bitstream {
            bit_row(row, component, width, out);
        } else if component.depth + component.shift <= 8 {
            byte_row(samples, component, mask, width, out);
        } else {
            word_row(samples, component, (mask, layout.big_endian), width, out);
        }
        out.len() - before == width
    }
}

fn byte_row(row: &[u8], component: Component, mask: u16, width: usize, out: &mut Vec<u16>) {
    let step = component.step.max(1);
    if step == 1 && component.shift == 0 {
        out.extend(row.iter().take(width).map(|byte| u16::from(*byte)));
    } else {
        let values = row.iter().step_by(step).take(width);
        out.extend(values.map(|byte| (u16::from(*byte) >> component.shift) & mask));
    }
}

fn word_row(
    row: &[u8],
    component: Component,
    (mask, big_endian): (u16, bool),
    width: usize,
    out: &mut Vec<u16>,
) {
    let shift = component.shift.min(15);
    if component.step == 2 && !big_endian {
        // The usual case, kept plain so that it is done several samples at a time.
        let words = &row[..row.len().min(width * 2)];
        let value = |word: &[u8]| (u16::from_le_bytes([word[0], word[1]]) >> shift) & mask;
        out.extend(words.chunks_exact(2).map(value));
        return;
    }
    let step = component.step.max(2);
    for x in 0..width {
        let Some(word) = row.get(x * step..x * step + 2) else { return };
        let bytes = [word[0], word[1]];
        let value = if big_endian { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) };
        out.push((value >> shift) & mask);
    }
}

/// Components that are smaller than a byte; step and offset count bits.
fn bit_row(row: &[u8], component: Component, width: usize, out: &mut Vec<u16>) {
    for x in 0..width {
        let mut value = 0_u16;
        for bit in 0..component.depth.min(16) as usize {
            let at = x * component.step + component.offset + bit;
            let Some(byte) = row.get(at / 8) else { return };
            value = value << 1 | u16::from(byte >> (7 - at % 8) & 1);
        }
        out.push(value);
    }
}

fn float_row(row: &[u8], component: Component, big_endian: bool, width: usize, out: &mut Vec<u16>) {
    let step = component.step.max(component.depth as usize / 8);
    for x in 0..width {
        let Some(bytes) = row.get(x * step..x * step + component.depth as usize / 8) else {
            return;
        };
        let value = match *bytes {
            [a, b, c, d] if big_endian => f32::from_be_bytes([a, b, c, d]),
            [a, b, c, d] => f32::from_le_bytes([a, b, c, d]),
            [a, b] if big_endian => f16::from_be_bytes([a, b]).to_f32(),
            [a, b] => f16::from_le_bytes([a, b]).to_f32(),
            _ => return,
        };
        // A cast of a float saturates, and NaN becomes 0.
        out.push((value.clamp(0.0, 1.0) * 65535.0 + 0.5) as u16);
    }
}

/// Weighs red, green and blue of perhaps unlike depths; the result has the depth of the first.
fn weighed(rgb: [u16; 3], depths: [u32; 3]) -> u16 {
    let full = |depth: u32| (1_u64 << depth.clamp(1, 16)) - 1;
    let top = full(depths[0]);
    let scaled = |at: usize| {
        let value = u64::from(rgb[at]);
        if depths[at] == depths[0] { value } else { value * top / full(depths[at]) }
    };
    let sum = RED * scaled(0) + GREEN * scaled(1) + BLUE * scaled(2);
    ((sum + 32_768) >> 16).min(top) as u16
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_weights_are_those_of_bt_709_and_keep_white_white() {
        // Rec. ITU-R BT.709-6, item 3.2: 0.2126, 0.7152, 0.0722.
        for (weight, value) in [(RED, 0.2126), (GREEN, 0.7152), (BLUE, 0.0722)] {
            assert!((weight as f64 / 65536.0 - value).abs() < 1e-5);
        }
        assert_eq!(RED + GREEN + BLUE, 65_536);
        assert_eq!(weighed([255; 3], [8; 3]), 255);
        assert_eq!(weighed([65_535; 3], [16; 3]), 65_535);
        assert_eq!(weighed([31, 63, 31], [5, 6, 5]), 31);
    }
}
