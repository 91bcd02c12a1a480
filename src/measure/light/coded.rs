//! How the codes of a frame follow from those of the plate, whatever the encoding.
//!
//! A gain of light is a gain of codes only where the camera's curve is a power. Real curves
//! bend near black and white, so dark and bright parts show gains of their own; a gain with
//! an offset follows most of that, and a plane follows light that changes to one side.

use super::fit::{self, Fit, Ratio, Surface, Terms};
use super::plate::Plate;
use crate::measure::transfer::LightTable;

/// The terms by which codes of a frame are made from those of the plate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub enum Model {
    /// One gain about black.
    Gain,
    /// A gain that may change over the picture.
    Tilt,
    /// One gain and one offset.
    GainAndOffset,
    /// A gain that may change over the picture, and one offset.
    TiltAndOffset,
}

impl Model {
    /// Every model, those with fewer terms first.
    pub const ALL: [Model; 4] =
        [Model::Gain, Model::Tilt, Model::GainAndOffset, Model::TiltAndOffset];

    pub(super) fn terms(self) -> Terms {
        Terms {
            plane: matches!(self, Model::Tilt | Model::TiltAndOffset),
            lift: matches!(self, Model::GainAndOffset | Model::TiltAndOffset),
        }
    }
}

/// How codes of a frame follow from those of the plate in one channel, in codes of 8 bits
/// (code * 255 / highest code).
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Coded {
    /// The terms used.
    pub model: Model,
    /// Frame over plate at the centre of the picture, the offset left aside.
    pub gain: f64,
    /// What is added to gain times plate: frame = gain * plate + offset at the centre.
    pub offset: f64,
    /// Change of the gain over the picture.
    pub tilt: super::Tilt,
    /// Standard error of `gain`.
    pub gain_error: f64,
    /// Standard error of `offset`.
    pub offset_error: f64,
    /// The one gain about black that comes nearest by least squares, over the plate's levels
    /// in the area the gain is for.
    pub as_gain: f64,
    /// Standard error of `as_gain`.
    pub as_gain_error: f64,
    /// Spread of block means about the model.
    pub residual: f64,
    /// Blocks used, as a part of those asked.
    pub share: f64,
    black: f64,
    lift: f64,
}

impl Coded {
    /// Returns the code a code of the plate becomes, both of 8 bits; `x` and `y` from -.5 to
    /// .5 of the picture.
    pub fn code(&self, plate: f64, x: f64, y: f64) -> f64 {
        self.tilt.at(x, y) * (plate - self.black) + self.black + self.lift
    }

    pub(super) fn of(fit: &Fit, model: Model, area: &Levels, of: usize, eight: [f64; 2]) -> Coded {
        let [black, span] = eight;
        let Surface { gain, lift, .. } = fit.tilt;
        Coded {
            model,
            gain,
            offset: black * (1.0 - gain) + lift * span,
            tilt: super::tilt_of(fit),
            gain_error: fit.gain_error,
            offset_error: span * fit.lift_error,
            as_gain: area.as_gain(fit.tilt),
            as_gain_error: fit.error,
            residual: fit.residual * span,
            share: fit.used.len() as f64 / of.max(1) as f64,
            black,
            lift: lift * span,
        }
    }
}

/// Levels and places of the plate in an area, as far as a gain as one number needs them.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Levels {
    squares: f64,
    across: f64,
    down: f64,
    levels: f64,
}

impl Levels {
    /// Gathers the blocks of the plate.
    pub(super) fn of(plate: &Plate, channel: usize, area: Option<&[bool]>) -> Levels {
        let mut sums = Levels::default();
        plate.levels(channel, area).for_each(|place| sums.add(place));
        sums
    }

    pub(super) fn add(&mut self, (x, y, level): (f64, f64, f64)) {
        let square = level * level;
        self.squares += square;
        self.across += square * x;
        self.down += square * y;
        self.levels += level;
    }

    /// Least squares: the sum of frame times plate over the sum of plate times plate.
    pub(super) fn as_gain(&self, surface: Surface) -> f64 {
        let Surface { gain, across, down, lift } = surface;
        let sum = across * self.across + down * self.down + lift * self.levels;
        gain + sum / self.squares.max(f64::MIN_POSITIVE)
    }
}

/// Tiles of this many blocks a side are what a model is judged on: what is left of one block
/// is noise, what is left of a tile shows as a patch of its own level. Ours.
const TILE: u32 = 4;

/// Another model must leave less than this part of what a simpler one leaves. Ours.
const CLEARLY: f64 = 0.9;

/// Least change of light between the kept frames of a plate that tells models apart. Ours.
const LEAST_CHANGE: f64 = 0.01;

/// What each model leaves on the frames of the plate, and which is used.
#[derive(Debug, Clone, PartialEq)]
pub struct Choice {
    /// The model used.
    pub model: Model,
    /// Mean error of a tile in codes of 8 bits, for each of [`Model::ALL`]; `None` if the
    /// light of the plate changed too little to tell.
    pub errors: Option<[f64; 4]>,
}

/// Tries every model on frames of the plate, where the background is known: what is asked
/// outside the patch (or in every other tile) foretells what is inside (or in the others).
pub(super) fn choose(
    plate: &Plate,
    channel: usize,
    mask: Option<&[bool]>,
    patch: Option<&[bool]>,
) -> Choice {
    let unknown = Choice { model: Model::TiltAndOffset, errors: None };
    let table = LightTable::new(None);
    let columns = plate.blocks().columns;
    let in_patch = |at: usize| patch.is_some_and(|patch| patch.get(at) == Some(&true));
    // A patch that is nearly all of what is asked has no surroundings to foretell it from.
    let asked = || {
        (0..plate.blocks().len()).filter(|at| mask.is_none_or(|mask| mask.get(*at) == Some(&true)))
    };
    let has_ring =
        patch.is_some() && 2 * asked().filter(|at| in_patch(*at)).count() < asked().count();
    let is_foretold = |block: &Ratio| {
        let (column, row) = block.at;
        if has_ring {
            in_patch(row as usize * columns + column as usize)
        } else {
            (column / TILE + row / TILE) % 2 == 1
        }
    };
    let (mut errors, mut frames) = ([0.0; 4], 0);
    let (mut darkest, mut brightest) = (f64::INFINITY, 0.0_f64);
    for (others, frame) in plate.tried() {
        let blocks = others.ratios(frame, channel, &table, mask);
        let (foretold, asked): (Vec<Ratio>, Vec<Ratio>) =
            blocks.iter().partition(|b| is_foretold(b));
        let noise = plate.noise_range();
        let fits = Model::ALL.map(|model| fit::settle(&asked, noise, model.terms()));
        let [Some(_), Some(_), Some(_), Some(_)] = &fits else { continue };
        for (error, fit) in errors.iter_mut().zip(fits.iter().flatten()) {
            *error += tile_error(&foretold, fit.tilt) * plate.blocks().eight_bits[1];
            (darkest, brightest) = (darkest.min(fit.gain), brightest.max(fit.gain));
        }
        frames += 1;
    }
    if frames < 2 || brightest - darkest < LEAST_CHANGE {
        return unknown;
    }
    let errors = errors.map(|error| error / f64::from(frames));
    let mut best = 0;
    for at in 1..4 {
        if errors[at] < CLEARLY * errors[best] {
            best = at;
        }
    }
    Choice { model: Model::ALL[best], errors: Some(errors) }
}

/// Middle error of the tiles in signal: an actor in some of them does not count.
fn tile_error(blocks: &[Ratio], surface: Surface) -> f64 {
    let mut tiles = tile_offs(blocks, surface);
    fit::quantile(&mut tiles, 0.5)
}

/// What a surface leaves in every tile that has a quarter of the fullest one's blocks, in signal.
pub(super) fn tile_offs(blocks: &[Ratio], surface: Surface) -> Vec<f64> {
    let tile_of = |block: &Ratio| (block.at.1 / TILE, block.at.0 / TILE);
    let most = blocks.iter().map(tile_of).fold((0, 0), |a, b| (a.0.max(b.0), a.1.max(b.1)));
    let across = most.1 as usize + 1;
    let mut sums = vec![(0.0, 0_u32); (most.0 as usize + 1) * across];
    for block in blocks {
        let (row, column) = tile_of(block);
        let tile = &mut sums[row as usize * across + column as usize];
        tile.0 += (block.ratio - surface.of(block)) / block.slope;
        tile.1 += 1;
    }
    // Of very many blocks only a part is asked, of a tile as well.
    let fullest = sums.iter().map(|(_, count)| *count).max().unwrap_or(0);
    let many = |(_, count): &(f64, u32)| *count > 0 && 4 * count >= fullest;
    sums.into_iter().filter(many).map(|(sum, count)| (sum / f64::from(count)).abs()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_follow_the_model_at_every_place() {
        let fit = Fit {
            gain: 1.1,
            error: 0.0,
            tilt: Surface { gain: 1.1, across: 0.11, down: 0.0, lift: 0.01 },
            slope_errors: (0.0, 0.0),
            gain_error: 0.0,
            lift_error: 0.0,
            residual: 0.0,
            window: 0.0,
            used: Vec::new(),
        };
        let coded = Coded::of(&fit, Model::TiltAndOffset, &Levels::default(), 1, [16.0, 219.0]);
        // At the centre the two ways to say it agree; by hand: 16 + 1.1 * 100 + 2.19.
        assert!((coded.code(116.0, 0.0, 0.0) - 128.19).abs() < 1e-9);
        assert!((coded.gain * 116.0 + coded.offset - 128.19).abs() < 1e-9);
        assert!((coded.code(116.0, 0.5, 0.0) - 133.69).abs() < 1e-9);
    }

    #[test]
    fn one_number_is_that_of_least_squares() {
        // Two blocks, gain 1 and a lift of .1: (.3 * .2 + .9 * .8) / (.04 + .64).
        let levels = Levels { squares: 0.68, across: 0.0, down: 0.0, levels: 1.0 };
        let lifted = Surface { lift: 0.1, ..Surface::flat(1.0) };
        assert!((levels.as_gain(lifted) - 0.78 / 0.68).abs() < 1e-12);
    }
}
