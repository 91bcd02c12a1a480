//! Small pictures on pages and in lists.

use crate::inspection::Series;
use crate::media::{Picture, Thumbnail};
use crate::time::Frame;
use base64::Engine;

/// Quality of small pictures, of 100: no blocks are seen, and they stay small.
const QUALITY: u8 = 85;
/// Widths a picture is tried at, largest first, until it is small enough.
const WIDTHS: [usize; 6] = [720, 560, 440, 340, 260, 200];

/// What all pictures of a report may weigh together, in bytes. Ours: in the letters of a
/// page they take a third more, and a page of 25 MB still opens at once.
const ALL_PICTURES: usize = 12_000_000;
/// Most and least bytes of one picture.
const ONE_PICTURE: (usize, usize) = (90_000, 7_000);

/// Returns what one picture may weigh in a report that shows so many uses, in bytes.
pub fn most_bytes(shown: usize) -> usize {
    (ALL_PICTURES / (3 * shown.max(1))).clamp(ONE_PICTURE.1, ONE_PICTURE.0)
}

/// What there is to see of one use besides its figures.
#[derive(Debug, Clone, Default)]
pub struct Look {
    /// Its pictures: the take, then what the patch makes of it.
    pub stills: Vec<Still>,
    /// What was measured over need, one entry a frame.
    pub series: Option<Series>,
}

impl Look {
    /// Returns the picture of a kind.
    pub(super) fn still(&self, kind: StillKind) -> Option<&Still> {
        self.stills.iter().find(|still| still.kind == kind)
    }
}

/// What a picture shows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum StillKind {
    /// The frame of the take that would show most, as shot.
    Worst,
    /// The plate at the same frame.
    Plate,
    /// The temp comp at the same frame.
    Patched,
}

/// One small picture, as JPEG.
#[derive(Debug, Clone)]
pub struct Still {
    /// What it shows.
    pub kind: StillKind,
    /// Which frame, take clock.
    pub frame: Frame,
    /// Width and height in pixels.
    pub size: [u32; 2],
    /// The file.
    pub jpeg: Vec<u8>,
}

impl Still {
    /// Makes a small picture of at most `most` bytes, if one of the smallest size is that small.
    pub fn of(kind: StillKind, frame: Frame, picture: &Picture, most: usize) -> Option<Still> {
        WIDTHS.iter().find_map(|width| {
            let small = picture.thumbnail(*width)?;
            let jpeg = jpeg(&small).filter(|jpeg| jpeg.len() <= most)?;
            let size = [u32::try_from(small.width).ok()?, u32::try_from(small.height).ok()?];
            Some(Still { kind, frame, size, jpeg })
        })
    }

    pub(super) fn data(&self) -> String {
        data(&self.jpeg)
    }
}

/// Codes a picture as JPEG.
pub(super) fn jpeg(picture: &Thumbnail) -> Option<Vec<u8>> {
    let (width, height) = (u16::try_from(picture.width).ok()?, u16::try_from(picture.height).ok()?);
    let mut bytes = Vec::new();
    let encoder = jpeg_encoder::Encoder::new(&mut bytes, QUALITY);
    encoder.encode(&picture.rgb, width, height, jpeg_encoder::ColorType::Rgb).ok()?;
    Some(bytes)
}

/// Returns the address of a JPEG that is carried in the page itself.
pub(super) fn data(jpeg: &[u8]) -> String {
    let text = base64::engine::general_purpose::STANDARD.encode(jpeg);
    format!("data:image/jpeg;base64,{text}")
}
