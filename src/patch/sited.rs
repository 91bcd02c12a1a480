//! The matte where the samples of a component lie.
//!
//! A chroma sample that is shared by several pixels stands at one point among them, and takes
//! the matte at that point (Rec. ITU-T H.273, 8.7; SMPTE ST 125 and ITU-R BT.601 for 4:2:2).

use super::matte::Matte;

/// Where the first sample of a component lies, in pixels right of and below the first pixel's
/// middle; every further one is a whole step on.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Offset {
    /// To the right.
    pub x: f32,
    /// Down.
    pub y: f32,
}

/// Returns where chroma lies, by the name of its siting and by how many bits it is subsampled
/// across and down.
///
/// Untagged chroma is taken as `left`: beside the left pixels and midway between rows, which
/// is what H.273 infers for 4:2:0 and BT.601 asks of 4:2:2.
pub fn chroma_offset(siting: Option<&str>, (across, down): (u32, u32)) -> Offset {
    let last = |shift: u32| ((1_u32 << shift.min(8)) - 1) as f32;
    let middle = |shift: u32| last(shift) / 2.0;
    let x = match siting {
        Some("center" | "top" | "bottom") => middle(across),
        _ => 0.0,
    };
    let y = match siting {
        Some("topleft" | "top") => 0.0,
        Some("bottomleft" | "bottom") => last(down),
        _ => middle(down),
    };
    Offset { x, y }
}

/// A piece of a row over which the plate shows: in full throughout, or nowhere in full.
#[derive(Debug, Clone, PartialEq)]
pub struct Strip {
    /// The row.
    pub y: usize,
    /// The first column.
    pub x: usize,
    /// How much of the plate shows at each sample, never 0.
    pub shares: Vec<f32>,
}

/// The matte at the samples of one component: the strips where it is not black.
#[derive(Debug, Clone, PartialEq)]
pub struct Sited {
    /// From the top down, in each row from left to right.
    pub strips: Vec<Strip>,
}

impl Sited {
    /// Reads the matte where the samples lie, between pixels as the mean of its neighbours
    /// weighted by how near they are. No pixel farther away has a say, so a sample among
    /// black pixels stays the take's and one among white ones is the plate's.
    pub fn new(
        matte: &Matte,
        (width, height): (usize, usize),
        (across, down): (u32, u32),
        offset: Offset,
    ) -> Sited {
        let mut strips = Vec::new();
        for y in 0..height {
            let (top, below) = neighbour(y, down, offset.y);
            let mut open: Option<Strip> = None;
            for x in 0..width {
                let (left, right) = neighbour(x, across, offset.x);
                let row = |y| between(matte.share(left, y), matte.share(left + 1, y), right);
                let share = between(row(top), row(top + 1), below);
                // Where the plate shows in full it is laid over in one go.
                let goes_on = |strip: &Strip| (strip.shares[0] >= 1.0) == (share >= 1.0);
                if !open.as_ref().is_none_or(goes_on) {
                    strips.extend(open.take());
                }
                if share > 0.0 {
                    let strip = open.get_or_insert_with(|| Strip { y, x, shares: Vec::new() });
                    strip.shares.push(share);
                } else {
                    strips.extend(open.take());
                }
            }
            strips.extend(open);
        }
        Sited { strips }
    }
}

/// The pixel at or before a sample, and how far on towards the next one the sample lies.
fn neighbour(at: usize, shift: u32, offset: f32) -> (usize, f32) {
    let whole = offset.floor().max(0.0);
    ((at << shift.min(8)) + whole as usize, offset - whole)
}

fn between(a: f32, b: f32, part: f32) -> f32 {
    if part == 0.0 || a == b { a } else { a + (b - a) * part }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn strips_part_where_the_plate_begins_to_show_in_full() {
        let row = [0, 9, 65_535, 65_535, 300, 0, 65_535, 0_u16];
        let matte = Matte::from_codes(8, 1, row.to_vec()).unwrap();
        let sited = Sited::new(&matte, (8, 1), (0, 0), Offset::default());
        let found: Vec<(usize, usize)> =
            sited.strips.iter().map(|strip| (strip.x, strip.shares.len())).collect();
        assert_eq!(found, [(1, 1), (2, 2), (4, 1), (6, 1)]);
        let whole = |strip: &&Strip| strip.shares.iter().all(|share| *share >= 1.0);
        assert_eq!(sited.strips.iter().filter(whole).count(), 2);
    }
}
