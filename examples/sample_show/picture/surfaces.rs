//! What walls and floors are made of. Coordinates are in the 640x360 drawing.

use super::hash::{lattice, noise, rough, step};
use super::plane::{Rgb, blend, scaled};

/// Running-bond brick with mortar, each brick of its own tone.
pub fn brick(x: f32, y: f32, seed: u32, tint: Rgb) -> Rgb {
    const HIGH: f32 = 13.0;
    const WIDE: f32 = 35.0;
    let bend = 0.7 * rough(x / 40.0, y / 40.0, seed, 2);
    let row = ((y + bend) / HIGH).floor();
    let shift = if row as i32 % 2 == 0 { 0.0 } else { WIDE / 2.0 };
    let column = ((x + shift + 2.0 * lattice(row as i32, 3, seed)) / WIDE).floor();
    let (u, v) =
        ((x + shift + 2.0 * lattice(row as i32, 3, seed)) - column * WIDE, y + bend - row * HIGH);
    let own = lattice(column as i32, row as i32, seed);
    let hue = lattice(column as i32, row as i32, seed.wrapping_add(7));
    let grain = rough(x / 3.1, y / 2.7, seed.wrapping_add(11), 4);
    let ragged = 0.7 * rough(x / 4.0, y / 4.0, seed.wrapping_add(5), 2);
    let border = u.min(WIDE - u).min(v.min(HIGH - v)) + ragged;
    let face = scaled(tint, 0.62 + 0.55 * own + 0.28 * grain);
    let face = [face[0], face[1] * (0.86 + 0.25 * hue), face[2] * (0.82 + 0.35 * hue)];
    let mortar = scaled([0.33, 0.31, 0.28], 0.8 + 0.35 * rough(x / 2.0, y / 2.0, seed + 3, 3));
    // Light from above: the upper edge of a brick is bright, the lower throws a thin shadow.
    let lip = 1.0 + 0.22 * step(3.2, 1.2, v) - 0.28 * step(HIGH - 3.0, HIGH - 1.0, v);
    blend(mortar, scaled(face, lip), step(0.6, 1.8, border))
}

/// Boards along x with grain, gaps and knots; `wide` is the width of a board.
pub fn boards(x: f32, y: f32, wide: f32, seed: u32, tint: Rgb) -> Rgb {
    let board = (y / wide).floor();
    let own = lattice(board as i32, 17, seed);
    let v = y - board * wide;
    let shift = 211.0 * own;
    let wave = 2.6 * rough((x + shift) / 60.0, y / 14.0, seed, 3);
    let rings = (((y + wave) * 1.35).sin() + (((y + wave) * 3.1) + 4.0 * own).sin()) * 0.5;
    let fibre = rough((x + shift) / 22.0, y / 1.1, seed.wrapping_add(23), 3);
    let knot_x = 90.0 + 260.0 * lattice(board as i32, 5, seed);
    let (kx, ky) = ((x + shift) % 370.0 - knot_x, v - wide * 0.5);
    let knot = step(5.0, 2.0, (kx * kx * 0.5 + ky * ky).sqrt());
    let tone = (0.72 + 0.42 * own + 0.1 * rings + 0.3 * fibre) * (1.0 - 0.55 * knot);
    let gap = step(0.3, 1.3, v.min(wide - v));
    scaled(tint, tone.max(0.08) * (0.25 + 0.75 * gap))
}

/// Boards that stand upright.
pub fn planks(x: f32, y: f32, wide: f32, seed: u32, tint: Rgb) -> Rgb {
    boards(y, x, wide, seed, tint)
}

/// Hand-trowelled plaster with stains and hairline cracks; `depth` 1 is rough, .05 bare.
pub fn plaster(x: f32, y: f32, seed: u32, tint: Rgb, depth: f32) -> Rgb {
    let stain = rough(x / 90.0, y / 70.0, seed, 3);
    let trowel = rough(x / 17.0 + 0.4 * stain, y / 9.0, seed.wrapping_add(31), 4);
    let grit = rough(x / 2.3, y / 2.3, seed.wrapping_add(37), 2);
    let vein = (noise(x / 38.0, y / 30.0, seed.wrapping_add(41)) - 0.5).abs();
    let crack = step(0.012, 0.003, vein) * step(0.58, 0.7, noise(x / 60.0, y / 60.0, seed + 2));
    let tone = 1.0 + depth * (0.16 * stain + 0.2 * trowel + 0.13 * grit - 0.4 * crack);
    let warm = 1.0 - 0.1 * depth * step(0.0, 0.6, stain);
    [tint[0] * tone, tint[1] * tone * (0.5 + 0.5 * warm), tint[2] * tone * warm]
}

/// Cobbles in perspective below the line `top`.
pub fn cobbles(x: f32, y: f32, top: f32, seed: u32) -> Rgb {
    let depth = 40.0 / (y - top + 22.0);
    let (u, v) = ((x - 320.0) * depth / 14.0, depth * 34.0);
    let row = v.floor();
    let u = u + if row as i32 % 2 == 0 { 0.0 } else { 0.5 };
    let own = lattice(u.floor() as i32, row as i32, seed);
    let (du, dv) = (u - u.floor() - 0.5, v - row - 0.5);
    let dome = step(0.52, 0.3, (du * du + dv * dv).sqrt());
    let tone =
        (0.06 + 0.17 * dome * (0.6 + 0.6 * own)) * (1.0 + 0.5 * rough(x / 2.0, y / 2.0, seed, 3));
    [tone * 1.02, tone, tone * 0.96]
}
