//! What people wear, and what they are made of.

use super::hash::rough;
use super::plane::{Capsule, Place, Rgb, scaled};

/// What a limb is made of.
#[derive(Clone, Copy)]
pub enum Cloth {
    Coat(Rgb),
    Trousers(Rgb),
    Skin(Rgb),
    Hair(Rgb),
    Leather,
}

/// Colour of a limb at a place: weave, folds and roundness.
pub fn dress(cloth: Cloth, place: Place, limb: &Capsule, seed: u32) -> Rgb {
    let (u, v) = place.local;
    let size = limb.ra.max(limb.rb) / 10.0;
    let round = (1.0 - place.across * place.across).max(0.0).sqrt();
    // Light from the upper left, seen across a limb that hangs down.
    let lit = 0.42 + 0.5 * round + 0.18 * place.across * (limb.b.1 - limb.a.1).signum();
    let fold = rough(u / (9.0 * size) + 0.3 * v, v / (5.0 * size), seed, 3);
    let weave = rough(u / 1.7, v / 1.7, seed.wrapping_add(5), 2);
    let (tone, texture) = match cloth {
        Cloth::Coat(tone) => (tone, 0.3 * fold + 0.2 * weave),
        Cloth::Trousers(tone) => (tone, 0.34 * fold + 0.1 * weave),
        Cloth::Skin(tone) => (tone, 0.06 * fold),
        Cloth::Hair(tone) => (tone, 0.5 * rough(u / 1.2, v / 5.0, seed, 3)),
        Cloth::Leather => ([0.045, 0.035, 0.03], 0.3 * fold),
    };
    scaled(tone, (lit * (1.0 + texture)).max(0.02))
}
