//! A mix-up of narrow and full range between plate and frame, which looks like light.
//!
//! Codes of one range taken for the other differ by a factor of 219/255 = .8588 and an offset
//! of 16 of 8 bits, or by 1.164 and -18.6 the other way round (arithmetic of Rec. ITU-R
//! BT.709-6, item 5). The offset is what light never has.

use super::blocks::Blocks;
use super::coded::Coded;
use super::fit::{self, Fit, Ratio};
use super::main_channel;
use super::plate::Plate;
use crate::measure::transfer::{LightTable, Range};

/// How many times more blocks must agree once the mix-up is undone. Ours.
const CLEARLY: f64 = 1.25;

/// Light that may have changed as well, either way. Ours: with more of it, exposure that
/// lifts or crushes the blacks has the gain and offset of a mix-up.
const LIGHT: f64 = 0.06;

/// How far the offset may be from that of a mix-up, relative. Ours: grain and light shift it
/// by a tenth.
const OFFSET: f64 = 0.25;

/// Which of the two the range differs in.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub enum RangeMixUp {
    /// The frame holds full-range codes, the plate narrow ones: gain 1.164, offset below 0.
    FrameIsFull {
        /// Coded gain that is left once the range is undone.
        gain: f64,
    },
    /// The frame holds narrow-range codes, the plate full ones: gain .8588, offset above 0.
    FrameIsNarrow {
        /// Coded gain that is left once the range is undone.
        gain: f64,
    },
}

impl RangeMixUp {
    pub(super) fn same_way(self, other: RangeMixUp) -> bool {
        std::mem::discriminant(&self) == std::mem::discriminant(&other)
    }
}

/// Tells whether gain and offset that were measured are those of a mix-up.
pub fn mix_up_of(coded: &Coded) -> Option<RangeMixUp> {
    let offset = coded.code(0.0, 0.0, 0.0);
    let gain = coded.code(1.0, 0.0, 0.0) - offset;
    let left = |gain_of: f64, offset_of: f64| {
        let left = gain / gain_of;
        let alike = (offset / (offset_of * left) - 1.0).abs() < OFFSET;
        (alike && (left - 1.0).abs() < LIGHT).then_some(left)
    };
    let (wider, black) = (255.0 / 219.0, 16.0);
    left(wider, -wider * black)
        .map(|gain| RangeMixUp::FrameIsFull { gain })
        .or_else(|| left(1.0 / wider, black).map(|gain| RangeMixUp::FrameIsNarrow { gain }))
}

/// Tells whether a frame differs from its plate as narrow from full range. Both were read as
/// `range`, at one bit depth.
///
/// Needs a picture with several levels: on one level gain and offset cannot be told apart,
/// and nothing is named.
pub fn range_mix_up(plate: &Plate, frame: &Blocks, range: Range, depth: u32) -> Option<RangeMixUp> {
    if !plate.is_like(frame) {
        return None;
    }
    let as_read = agreement(plate, frame);
    let likely = |found: &Agreement| (found.fit.gain - 1.0).abs() < LIGHT;
    let full = undone(frame, range, depth, Range::Full, Range::Narrow);
    let full = agreement(plate, &full).filter(likely);
    let narrow = undone(frame, range, depth, Range::Narrow, Range::Full);
    let narrow = agreement(plate, &narrow).filter(likely);
    // One window for all, or a poor fit would widen its own.
    let windows = [&as_read, &full, &narrow].into_iter().flatten().map(|found| found.fit.window);
    let window = windows.fold(f64::INFINITY, f64::min);
    let as_read = as_read.map_or(0.0, |found| found.count(window));
    let counted = |found: Option<Agreement>| {
        found.map_or((0.0, 1.0), |found| (found.count(window), found.fit.gain))
    };
    let ((full_count, full_gain), (narrow_count, narrow_gain)) = (counted(full), counted(narrow));
    if full_count.max(narrow_count) <= CLEARLY * as_read {
        None
    } else if full_count > narrow_count {
        Some(RangeMixUp::FrameIsFull { gain: full_gain })
    } else {
        Some(RangeMixUp::FrameIsNarrow { gain: narrow_gain })
    }
}

/// A coded gain, and the blocks it came from.
struct Agreement {
    fit: Fit,
    blocks: Vec<Ratio>,
}

impl Agreement {
    fn count(&self, window: f64) -> f64 {
        fit::mass(&self.blocks, self.fit.tilt, window, |_| true)
    }
}

fn agreement(plate: &Plate, frame: &Blocks) -> Option<Agreement> {
    let channel = main_channel(frame.channels.len());
    let blocks = plate.ratios(frame, channel, &LightTable::new(None), None);
    let fit = fit::fit(&blocks, plate.noise_range()).ok()?;
    Some(Agreement { fit, blocks })
}

/// Reads codes of range `from` as such, and gives what codes of range `to` would have read
/// as `read`.
fn undone(frame: &Blocks, read: Range, depth: u32, from: Range, to: Range) -> Blocks {
    let (read_black, read_span) = read.black_and_span(depth);
    let (from_black, from_span) = from.black_and_span(depth);
    let (to_black, to_span) = to.black_and_span(depth);
    let scale = to_span / from_span;
    let mut undone = frame.clone();
    for channel in &mut undone.channels {
        for mean in &mut channel.mean {
            let code = f64::from(*mean) * read_span + read_black;
            let code = (code - from_black) * scale + to_black;
            *mean = ((code - read_black) / read_span) as f32;
        }
        for variance in &mut channel.variance {
            *variance *= (scale * scale) as f32;
        }
    }
    undone
}
