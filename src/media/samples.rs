//! Samples of one component read and written in place, in the picture's own codes.
//!
//! Nothing is converted: what is written back unchanged is the same bytes, so a picture that
//! is patched differs from its take only where the patch lies.

use super::ffi::{self, Component};
use super::picture::Picture;
use half::f16;

/// A copy of a picture whose samples may be changed.
#[derive(Debug)]
pub struct Retouched {
    picture: Picture,
}

impl Picture {
    /// Returns the number of components: Y', Cb, Cr or red, green, blue, then alpha; 0 for
    /// layouts whose samples cannot be reached one by one (indexed colours, single bits,
    /// sensor mosaics).
    pub fn components(&self) -> usize {
        let layout = self.layout();
        let reached = !(layout.palette || layout.bitstream || layout.bayer);
        if reached { layout.components.len() } else { 0 }
    }

    /// Returns width and height of a component in its own samples, and by how many bits it
    /// is subsampled across and down.
    pub fn component_size(&self, component: usize) -> (usize, usize, (u32, u32)) {
        let layout = self.layout();
        let halved = !layout.rgb && (component == 1 || component == 2);
        let shift = if halved { layout.chroma_shift } else { (0, 0) };
        let size = |pixels: u32, shift: u32| (pixels as usize).div_ceil(1 << shift);
        (size(self.width(), shift.0), size(self.height(), shift.1), shift)
    }

    /// Returns the brightest code of a component; 1 for floating point.
    pub fn component_peak(&self, component: usize) -> f32 {
        let layout = self.layout();
        let depth = layout.components.get(component).map_or(8, |found| found.depth);
        if layout.float { 1.0 } else { ((1_u64 << depth.clamp(1, 16)) - 1) as f32 }
    }

    /// Reads the samples `x` of row `y` of a component to `out`: codes, or floating point as
    /// it is. False, with `out` empty, where there are none.
    pub fn samples(
        &self,
        component: usize,
        y: usize,
        x: std::ops::Range<usize>,
        out: &mut Vec<f32>,
    ) -> bool {
        out.clear();
        let (width, height, _) = self.component_size(component);
        if component >= self.components() || y >= height || x.start > x.end || x.end > width {
            return false;
        }
        let Some(found) = self.layout().components.get(component).copied() else { return false };
        let Some(row) = self.row(found.plane, y) else { return false };
        let form = Form::of(self, found);
        let bytes = form.bytes;
        let last = found.offset + x.end.saturating_sub(1) * form.step + bytes;
        let whole = x.is_empty() || last <= row.len();
        if whole && form.plain(found.offset) {
            // The same numbers without a detour.
            let mask = form.mask() as u16;
            let bytes = &row[x.start * bytes..x.end * bytes];
            if form.bytes == 1 {
                out.extend(bytes.iter().map(|code| f32::from(u16::from(*code) & mask)));
            } else {
                let codes = bytes.chunks_exact(2).map(|two| u16::from_le_bytes([two[0], two[1]]));
                out.extend(codes.map(|code| f32::from(code & mask)));
            }
        } else if whole {
            out.extend(x.map(|x| form.value(&row[found.offset + x * form.step..][..bytes])));
        }
        whole
    }

    /// Makes the picture one whose samples may be changed: itself where nothing else holds
    /// them, else a copy; `None` without memory for it.
    pub fn into_retouched(self) -> Option<Retouched> {
        if ffi::is_alone(self.frame()) { Some(Retouched::of(self)) } else { self.retouched() }
    }

    /// Makes a copy whose samples may be changed; `None` without memory for it.
    pub fn retouched(&self) -> Option<Retouched> {
        let frame = ffi::copied(self.frame())?;
        Picture::new(frame).map(|picture| Retouched { picture })
    }
}

impl Retouched {
    /// Takes a picture that shares its samples with no other.
    pub(super) fn of(picture: Picture) -> Retouched {
        Retouched { picture }
    }

    /// Writes samples of row `y` of a component from column `x` on, rounded to the nearest
    /// code and held within the codes there are. False where they do not fit, with nothing
    /// written.
    pub fn put(&mut self, component: usize, y: usize, x: usize, values: &[f32]) -> bool {
        let (width, height, _) = self.picture.component_size(component);
        let fits = x.checked_add(values.len()).is_some_and(|end| end <= width) && y < height;
        if component >= self.picture.components() || !fits {
            return false;
        }
        let Some(found) = self.picture.layout().components.get(component).copied() else {
            return false;
        };
        let form = Form::of(&self.picture, found);
        let Some(row) = self.picture.row_mut(found.plane, y) else { return false };
        let start = found.offset + x * form.step;
        let end = start + values.len().saturating_sub(1) * form.step + form.bytes;
        if values.is_empty() || end > row.len() {
            return values.is_empty();
        }
        for (number, value) in values.iter().enumerate() {
            let at = start + number * form.step;
            form.put(*value, &mut row[at..at + form.bytes]);
        }
        true
    }

    /// Mixes samples of another picture in: row `y` of a component from column `x` on, of each
    /// the share that is told times `strength`. Rounded as [`Retouched::put`] does; at a full
    /// share the codes are the other's. False, with nothing written, where samples are missing
    /// or the pictures are not of one kind.
    pub fn mix(
        &mut self,
        (component, y, x): (usize, usize, usize),
        other: &Picture,
        shares: &[f32],
        strength: f32,
    ) -> bool {
        if other.format() != self.picture.format() {
            return false;
        }
        if let Some(done) = self.mix_plain((component, y, x), other, shares, strength) {
            return done;
        }
        let columns = x..x.saturating_add(shares.len());
        let (mut over, mut under) = (Vec::new(), Vec::new());
        let read = other.samples(component, y, columns.clone(), &mut over)
            && self.picture.samples(component, y, columns, &mut under);
        for ((under, over), share) in under.iter_mut().zip(&over).zip(shares) {
            *under = mixed(*under, *over, share * strength);
        }
        read && self.put(component, y, x, &under)
    }

    /// As [`Retouched::mix`] for whole little-endian numbers that fill their bytes alone: the
    /// same numbers without a detour; `None` for other layouts.
    fn mix_plain(
        &mut self,
        (component, y, x): (usize, usize, usize),
        other: &Picture,
        shares: &[f32],
        strength: f32,
    ) -> Option<bool> {
        let found = self.picture.layout().components.get(component).copied()?;
        let form = Form::of(&self.picture, found);
        let (width, height, _) = self.picture.component_size(component);
        let fits = x.checked_add(shares.len()).is_some_and(|end| end <= width) && y < height;
        if component >= self.picture.components() || !fits || !form.plain(found.offset) {
            return None;
        }
        let bytes = x * form.bytes..(x + shares.len()) * form.bytes;
        let over = other.row(found.plane, y)?.get(bytes.clone())?;
        let under = self.picture.row_mut(found.plane, y)?.get_mut(bytes)?;
        let mask = form.mask() as u16;
        let peak = f32::from(mask);
        // Where the other shows in full, nothing has to be worked out.
        let whole = strength >= 1.0 && shares.iter().all(|share| *share >= 1.0);
        if whole && form.bytes == 1 {
            let other = |under: u8, over: u8| under & !(mask as u8) | over & mask as u8;
            under.iter_mut().zip(over).for_each(|(under, over)| *under = other(*under, *over));
            return Some(true);
        }
        if whole {
            let [low, high] = mask.to_le_bytes();
            for (under, over) in under.chunks_exact_mut(2).zip(over.chunks_exact(2)) {
                under[0] = under[0] & !low | over[0] & low;
                under[1] = under[1] & !high | over[1] & high;
            }
            return Some(true);
        }
        let mix = |under: u16, over: u16, share: f32| -> u16 {
            let (take, plate) = (f32::from(under & mask), f32::from(over & mask));
            // A cast of a float saturates, and NaN becomes 0.
            let code = (mixed(take, plate, share) + 0.5).min(peak) as u16;
            under & !mask | code
        };
        if form.bytes == 1 {
            for ((under, over), share) in under.iter_mut().zip(over).zip(shares) {
                *under = mix(u16::from(*under), u16::from(*over), share * strength) as u8;
            }
        } else {
            let pairs = under.chunks_exact_mut(2).zip(over.chunks_exact(2));
            for ((under, over), share) in pairs.zip(shares) {
                let take = u16::from_le_bytes([under[0], under[1]]);
                let plate = u16::from_le_bytes([over[0], over[1]]);
                under.copy_from_slice(&mix(take, plate, share * strength).to_le_bytes());
            }
        }
        Some(true)
    }

    /// Returns the picture as it is now.
    pub fn picture(&self) -> &Picture {
        &self.picture
    }

    /// Ends the retouching.
    pub fn into_picture(self) -> Picture {
        self.picture
    }
}

/// Mixes two samples; `share` of the second. Whole codes up to 16 bits come out exact at 1.
fn mixed(under: f32, over: f32, share: f32) -> f32 {
    if share >= 1.0 { over } else { under * (1.0 - share) + over * share }
}

/// How one sample lies in its bytes.
#[derive(Debug, Clone, Copy)]
struct Form {
    bytes: usize,
    step: usize,
    shift: u32,
    depth: u32,
    big_endian: bool,
    float: bool,
}

impl Form {
    fn of(picture: &Picture, component: Component) -> Form {
        let layout = picture.layout();
        let bytes = match (layout.float, component.depth + component.shift) {
            (true, _) => (component.depth as usize / 8).max(2),
            (false, bits) if bits <= 8 => 1,
            (false, bits) if bits <= 16 => 2,
            _ => 4,
        };
        Form {
            bytes,
            step: component.step.max(bytes),
            shift: component.shift,
            depth: component.depth,
            big_endian: layout.big_endian,
            float: layout.float,
        }
    }

    /// Tells whether samples are whole little-endian numbers that fill their bytes alone.
    fn plain(&self, offset: usize) -> bool {
        let alone = self.shift == 0 && self.step == self.bytes && offset == 0;
        alone && !self.float && (self.bytes == 1 || self.bytes == 2 && !self.big_endian)
    }

    /// Reads the number in the bytes.
    fn word(&self, bytes: &[u8]) -> u32 {
        match (bytes, self.big_endian) {
            ([a], _) => u32::from(*a),
            ([a, b], true) => u32::from(u16::from_be_bytes([*a, *b])),
            ([a, b], false) => u32::from(u16::from_le_bytes([*a, *b])),
            ([a, b, c, d], true) => u32::from_be_bytes([*a, *b, *c, *d]),
            ([a, b, c, d], false) => u32::from_le_bytes([*a, *b, *c, *d]),
            _ => 0,
        }
    }

    fn mask(&self) -> u32 {
        (((1_u64 << self.depth.min(32)) - 1) << self.shift) as u32
    }

    fn value(&self, bytes: &[u8]) -> f32 {
        let word = self.word(bytes);
        match (self.float, self.bytes) {
            (true, 4) => f32::from_bits(word),
            (true, _) => f16::from_bits(word as u16).to_f32(),
            (false, _) => ((word & self.mask()) >> self.shift) as f32,
        }
    }

    fn put(&self, value: f32, bytes: &mut [u8]) {
        let word = match (self.float, self.bytes) {
            (true, 4) => value.to_bits(),
            (true, _) => u32::from(f16::from_f32(value).to_bits()),
            (false, _) => {
                let peak = (1_u64 << self.depth.min(32)) - 1;
                // A cast of a float saturates, and NaN becomes 0.
                let code = ((value + 0.5).floor() as u64).min(peak) as u32;
                // Other components may share the bytes.
                self.word(bytes) & !self.mask() | code << self.shift
            }
        };
        let big = word.to_be_bytes();
        let little = word.to_le_bytes();
        let count = bytes.len();
        match self.big_endian {
            true => bytes.copy_from_slice(&big[4 - count..]),
            false => bytes.copy_from_slice(&little[..count]),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ffmpeg_next as ff;

    fn blank(format: ff::format::Pixel) -> Picture {
        let mut frame = ff::frame::Video::new(format, 18, 10);
        for plane in 0..frame.planes() {
            frame.data_mut(plane).fill(0x5a);
        }
        Picture::new(frame).unwrap()
    }

    #[test]
    fn what_is_written_is_read_back_and_nothing_else_changes() {
        use ff::format::Pixel;
        for format in [
            Pixel::YUV420P,
            Pixel::YUV422P10LE,
            Pixel::YUV444P12BE,
            Pixel::YUVA444P16LE,
            Pixel::GRAY10LE,
            Pixel::RGB24,
            Pixel::BGRA,
            Pixel::RGB48BE,
            Pixel::GBRP10LE,
            Pixel::GBRPF32LE,
            Pixel::P010LE,
            Pixel::NV12,
            Pixel::UYVY422,
            Pixel::RGB565LE,
            Pixel::X2RGB10LE,
        ] {
            let picture = blank(format);
            let mut edited = picture.retouched().unwrap();
            assert!(picture.components() > 0, "{format:?}");
            for component in 0..picture.components() {
                let (width, height, _) = picture.component_size(component);
                let peak = picture.component_peak(component);
                let wanted: Vec<f32> =
                    [0.0, 0.25, 0.5, 1.0].map(|part: f32| (part * peak).round()).to_vec();
                let (y, x) = (height - 1, width - 4);
                assert!(edited.put(component, y, x, &wanted), "{format:?}");
                let mut found = Vec::new();
                assert!(edited.picture().samples(component, y, x..width, &mut found));
                assert_eq!(found, wanted, "{format:?} {component}");
                assert!(!edited.put(component, y, x + 1, &wanted));
                assert!(!edited.picture().samples(component, height, 0..1, &mut found));
                for y in 0..height {
                    let until = if y + 1 == height { x } else { width };
                    let (mut before, mut after) = (Vec::new(), Vec::new());
                    assert!(picture.samples(component, y, 0..until, &mut before));
                    assert!(edited.picture().samples(component, y, 0..until, &mut after));
                    let same = before.iter().zip(&after).all(|(a, b)| a.to_bits() == b.to_bits());
                    assert!(same, "{format:?} {component} row {y}");
                }
            }
        }
    }

    #[test]
    fn a_picture_held_elsewhere_is_copied_and_one_held_alone_is_not() {
        use super::super::ffi_encode::share;
        let picture = blank(ff::format::Pixel::YUV422P10LE);
        let held = Picture::new(share(picture.frame()).unwrap()).unwrap();
        let before = held.row(0, 3).unwrap().to_vec();
        let mut edited = picture.into_retouched().unwrap();
        assert!(edited.put(0, 3, 0, &[1.0, 2.0]));
        assert_eq!(held.row(0, 3).unwrap(), before);
        assert_ne!(edited.picture().row(0, 3).unwrap(), before);
        let alone = edited.into_picture();
        let place = alone.row(0, 3).unwrap().as_ptr();
        let again = alone.into_retouched().unwrap();
        assert_eq!(again.picture().row(0, 3).unwrap().as_ptr(), place);
    }

    #[test]
    fn every_code_of_16_bits_survives_a_full_share() {
        for code in 0..=65_535_u32 {
            assert_eq!(mixed(3.0, code as f32, 1.0), code as f32);
            // A share over two like codes changes neither.
            assert_eq!((mixed(code as f32, code as f32, 0.3) + 0.5).floor(), code as f32);
        }
    }

    #[test]
    fn pictures_are_mixed_alike_with_and_without_a_detour() {
        use ff::format::Pixel;
        let shares: Vec<f32> = (0..9).map(|n| n as f32 / 8.0).collect();
        let formats = [
            Pixel::YUV420P,
            Pixel::YUV422P10LE,
            Pixel::YUVA444P16LE,
            Pixel::GBRP10LE,
            Pixel::GRAY8,
        ];
        for format in formats {
            let (mut under, mut over) = (blank(format), blank(format));
            let numbers = |seed: u32| move |n: u32| (n * 7919 + seed) as u8;
            for (picture, seed) in [(&mut under, 3), (&mut over, 101)] {
                for plane in 0..picture.planes() {
                    for y in 0..picture.plane_height(plane) {
                        let row = picture.row_mut(plane, y).unwrap();
                        let first = (plane * 1000 + y * 31) as u32;
                        let codes = (first..).map(numbers(seed));
                        row.iter_mut().zip(codes).for_each(|(byte, code)| *byte = code);
                    }
                }
            }
            for component in 0..under.components() {
                for (x, strength) in [(0, 1.0), (0, 0.37)] {
                    let mut fast = under.retouched().unwrap();
                    let done = fast.mix_plain((component, 2, x), &over, &shares, strength);
                    assert_eq!(done, Some(true), "{format:?}");
                    let (mut a, mut b) = (Vec::new(), Vec::new());
                    assert!(under.samples(component, 2, x..x + 9, &mut a));
                    assert!(over.samples(component, 2, x..x + 9, &mut b));
                    let mix = |n: usize| mixed(a[n], b[n], shares[n] * strength);
                    let mut plain = under.retouched().unwrap();
                    assert!(plain.put(component, 2, x, &(0..9).map(mix).collect::<Vec<_>>()));
                    for plane in 0..under.planes() {
                        for y in 0..under.plane_height(plane) {
                            assert_eq!(fast.picture().row(plane, y), plain.picture().row(plane, y));
                        }
                    }
                }
            }
        }
        let (under, over) = (blank(Pixel::RGB48BE), blank(Pixel::RGB24));
        let mut edited = under.retouched().unwrap();
        assert!(!edited.mix((0, 0, 0), &over, &shares, 1.0), "not of one kind");
        assert_eq!(edited.mix_plain((0, 0, 0), &under, &shares, 1.0), None);
        assert!(edited.mix((0, 0, 0), &under, &shares, 1.0));
        assert!(!edited.mix((0, 0, 12), &under, &shares, 1.0), "past the edge");
    }

    #[test]
    fn codes_past_the_ends_are_held() {
        let mut edited = blank(ff::format::Pixel::YUV422P10LE).retouched().unwrap();
        assert!(edited.put(0, 0, 0, &[-3.0, 1e9, f32::NAN, 512.49, 512.5]));
        let mut found = Vec::new();
        assert!(edited.picture().samples(0, 0, 0..5, &mut found));
        assert_eq!(found, [0.0, 1023.0, 0.0, 512.0, 513.0]);
    }
}
