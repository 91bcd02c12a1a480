//! Text burnt into a picture: white on a darkened ground, along the lower edge.

use crate::media::Retouched;
use noto_sans_mono_bitmap::{FontWeight, RasterHeight, get_raster, get_raster_width};

/// Codes of black, white and no colour in 8 bits of limited range (ITU-R BT.601, BT.709).
const BLACK: f32 = 16.0;
const WHITE: f32 = 235.0;
const NO_COLOUR: f32 = 128.0;

/// How much of the picture shows through the ground under the text. Ours.
const GROUND: f32 = 0.35;

/// What is burnt in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Label<'a> {
    /// In the lower left corner: what is shown.
    pub name: &'a str,
    /// In the lower right corner: where in the take.
    pub at: &'a str,
}

/// A text as coverage, 0 to 1, with its place in the picture; all even, so that chroma that
/// is halved lies under it alike.
struct Laid {
    x: usize,
    y: usize,
    width: usize,
    height: usize,
    coverage: Vec<f32>,
}

/// Burns a label into a picture of 8 bits, 4:2:0, limited range.
///
/// The letters are about a thirtieth of the height. A name too long for the picture loses its
/// middle; where name and place do not fit side by side the name stands above.
pub fn burn_in(picture: &mut Retouched, label: Label<'_>) {
    let (width, height, _) = picture.picture().component_size(0);
    let size = raster(height);
    let margin = even(height / 24);
    let room = width.saturating_sub(2 * margin);
    let letter = get_raster_width(FontWeight::Regular, size).max(1);
    let pad = even(letter / 2);
    let most = room.saturating_sub(2 * pad) / letter;
    let (name, at) = (shortened(label.name, most), shortened(label.at, most));
    let box_height = even(size.val() + 1);
    let bottom = even(height.saturating_sub(margin + box_height));
    let at = laid(&at, size, pad, (0, bottom));
    let right = even(width.saturating_sub(margin + at.width));
    let at = Laid { x: right, ..at };
    let name = laid(&name, size, pad, (margin, bottom));
    let meets = name.x + name.width + pad > at.x;
    let above = bottom.saturating_sub(box_height + pad);
    let name = if meets { Laid { y: above, ..name } } else { name };
    for text in [name, at] {
        draw(picture, &text);
    }
}

/// The letter height that goes with a picture height.
fn raster(height: usize) -> RasterHeight {
    match height {
        0..420 => RasterHeight::Size16,
        420..640 => RasterHeight::Size20,
        640..900 => RasterHeight::Size24,
        _ => RasterHeight::Size32,
    }
}

fn even(size: usize) -> usize {
    size & !1
}

/// Shortens a text to `most` letters; its head and its tail, where the version stands, stay.
fn shortened(text: &str, most: usize) -> String {
    let letters: Vec<char> = text.chars().collect();
    if letters.len() <= most {
        return text.to_owned();
    }
    const DOTS: &str = "...";
    let kept = most.saturating_sub(DOTS.len());
    let (head, tail) = (kept.div_ceil(2), kept / 2);
    let all = letters[..head].iter().chain(&[]).copied();
    let dots = DOTS.chars().take(most);
    all.chain(dots).chain(letters[letters.len() - tail..].iter().copied()).collect()
}

fn laid(text: &str, size: RasterHeight, pad: usize, (x, y): (usize, usize)) -> Laid {
    let letter = get_raster_width(FontWeight::Regular, size);
    let (width, height) = (even(text.chars().count() * letter + 2 * pad + 1), even(size.val() + 1));
    let mut coverage = vec![0.0; width * height];
    for (number, letter_shape) in text.chars().enumerate() {
        let glyph = get_raster(letter_shape, FontWeight::Regular, size)
            .or_else(|| get_raster('?', FontWeight::Regular, size));
        let Some(glyph) = glyph else { continue };
        let left = pad + number * letter;
        for (row, shape) in coverage.chunks_exact_mut(width).zip(glyph.rows()) {
            for (to, covered) in row.iter_mut().skip(left).zip(shape) {
                *to = f32::from(*covered) / 255.0;
            }
        }
    }
    Laid { x, y, width, height, coverage }
}

fn draw(picture: &mut Retouched, text: &Laid) {
    let mut row = Vec::new();
    for component in 0..picture.picture().components() {
        let (width, height, (across, down)) = picture.picture().component_size(component);
        let (dark, light) = if component == 0 { (BLACK, WHITE) } else { (NO_COLOUR, NO_COLOUR) };
        let (x, columns) = (text.x >> across, text.width >> across);
        let end = (x + columns).min(width);
        for line in 0..(text.height >> down) {
            let y = (text.y >> down) + line;
            if y >= height || x >= end || !picture.picture().samples(component, y, x..end, &mut row)
            {
                continue;
            }
            for (number, code) in row.iter_mut().enumerate() {
                let covered = text.covered((number << across, line << down), (across, down));
                let ground = dark + (*code - dark) * GROUND;
                *code = ground + (light - ground) * covered;
            }
            picture.put(component, y, x, &row);
        }
    }
}

impl Laid {
    /// Mean coverage of the pixels that share a sample.
    fn covered(&self, (x, y): (usize, usize), (across, down): (u32, u32)) -> f32 {
        let mut sum = 0.0;
        for line in y..y + (1 << down) {
            for column in x..x + (1 << across) {
                sum += self.coverage.get(line * self.width + column).copied().unwrap_or(0.0);
            }
        }
        sum / (1_u32 << (across + down)) as f32
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_name_keeps_its_head_and_its_version() {
        assert_eq!(shortened("QR_010_TEMP01_v002", 18), "QR_010_TEMP01_v002");
        assert_eq!(shortened("QR_010_TEMP01_v002", 13), "QR_01..._v002");
        assert_eq!(shortened("QR_010", 2), "..");
        assert_eq!(shortened("QR_010", 0), "");
    }

    #[test]
    fn every_letter_a_name_or_a_label_may_hold_has_a_shape() {
        let letters = ('a'..='z').chain('A'..='Z').chain('0'..='9').chain("._-:;# ".chars());
        for letter in letters {
            for size in [raster(100), raster(500), raster(720), raster(1080)] {
                assert!(get_raster(letter, FontWeight::Regular, size).is_some(), "{letter}");
            }
        }
    }
}
