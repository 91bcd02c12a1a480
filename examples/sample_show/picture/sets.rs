//! The sets of the show, drawn at 640x360.

use super::hash::{lattice, rough, step};
use super::plane::{Rgb, blend, scaled};
use super::surfaces::{boards, brick, cobbles, planks, plaster};
use crate::script::Set;

/// Surface colour times light, and how far the place is open to what lies behind (a window).
pub struct Spot {
    pub colour: Rgb,
    pub open: f32,
}

/// Draws one point of a set.
pub fn spot(set: Set, x: f32, y: f32) -> Spot {
    let (colour, open) = match set {
        Set::NetLoft => (net_loft(x, y), 0.0),
        Set::Office => office(x, y),
        Set::Chandlery => (chandlery(x, y), 0.0),
        Set::Lane => lane(x, y),
        Set::Orchard => orchard(x, y),
        Set::Cistern => (cistern(x, y), 0.0),
    };
    Spot { colour: scaled(colour, exposure(set) * light(set, x, y)), open }
}

/// What the stop adds, so that each wall lies near middle grey.
fn exposure(set: Set) -> f32 {
    match set {
        Set::NetLoft => 1.3,
        Set::Chandlery => 1.75,
        Set::Office => 1.25,
        Set::Lane | Set::Orchard | Set::Cistern => 1.0,
    }
}

/// Key light and the fall-off towards the corners.
fn light(set: Set, x: f32, y: f32) -> f32 {
    let (cx, cy, reach, floor) = match set {
        Set::NetLoft => (250.0, 60.0, 420.0, 0.42),
        Set::Office => (470.0, 120.0, 480.0, 0.5),
        Set::Chandlery => (330.0, 90.0, 380.0, 0.4),
        Set::Lane | Set::Orchard => (300.0, -100.0, 900.0, 0.6),
        Set::Cistern => (360.0, 120.0, 700.0, 0.6),
    };
    let far = (((x - cx) / reach).powi(2) + ((y - cy) / reach).powi(2)).min(1.0);
    1.0 - (1.0 - floor) * far
}

/// Cover of a rectangle with slightly soft edges.
fn rect(x: f32, y: f32, [x0, y0, x1, y1]: [f32; 4]) -> f32 {
    let inside = (x - x0).min(x1 - x).min((y - y0).min(y1 - y));
    step(-0.6, 0.6, inside)
}

/// The soft shadow that a thing with this outline throws down and to the right.
fn thrown(x: f32, y: f32, [x0, y0, x1, y1]: [f32; 4]) -> f32 {
    let inside = (x - x0 - 6.0).min(x1 + 6.0 - x).min((y - y0 - 6.0).min(y1 + 7.0 - y));
    1.0 - 0.45 * step(-4.0, 4.0, inside)
}

fn floor_boards(x: f32, y: f32, top: f32, seed: u32, tint: Rgb) -> Rgb {
    let depth = 60.0 / (y - top + 30.0);
    boards(depth * 260.0, (x - 320.0) * depth + 900.0, 21.0, seed, tint)
}

fn net_loft(x: f32, y: f32) -> Rgb {
    let mut wall = brick(x, y, 1, [0.4, 0.225, 0.165]);
    // A hoist door of upright planks with two straps.
    let door = [432.0, 70.0, 582.0, 300.0];
    wall = scaled(wall, thrown(x, y, door));
    let mut leaf = planks(x, y, 19.0, 2, [0.2, 0.135, 0.08]);
    for strap in [112.0, 236.0] {
        let iron = rect(x, y, [440.0, strap, 560.0, strap + 8.0]);
        let bolt = step(2.6, 1.4, ((x % 20.0 - 10.0).powi(2) + (y - strap - 4.0).powi(2)).sqrt());
        leaf = blend(leaf, scaled([0.05, 0.05, 0.055], 1.0 + 1.6 * bolt), iron);
    }
    wall = blend(wall, leaf, rect(x, y, door));
    // A beam across the top and a net hung to the left.
    wall = scaled(wall, thrown(x, y, [-20.0, -20.0, 660.0, 13.0]));
    wall = blend(wall, boards(x, y + 40.0, 60.0, 4, [0.16, 0.1, 0.06]), step(15.0, 13.5, y));
    let sag = y + 16.0 * ((x - 70.0) / 70.0).powi(2);
    let (u, v) = ((x + sag) * 0.11, (x - sag) * 0.11);
    let cord = step(0.11, 0.05, (u - u.round()).abs().min((v - v.round()).abs()));
    let hung = rect(x, sag, [16.0, 60.0, 128.0, 215.0]);
    wall = blend(
        wall,
        scaled([0.3, 0.27, 0.17], 0.8 + 0.5 * rough(x / 2.0, y / 2.0, 8, 2)),
        cord * hung,
    );
    let ground = floor_boards(x, y, 272.0, 5, [0.19, 0.125, 0.075]);
    let shade = 0.5 + 0.5 * step(272.0, 300.0, y);
    let scene = blend(wall, scaled(ground, shade), step(271.0, 273.0, y));
    barrel(x, y, scene)
}

fn barrel(x: f32, y: f32, behind: Rgb) -> Rgb {
    let (u, v) =
        ((x - 612.0) / (34.0 + 6.0 * (1.0 - ((y - 270.0) / 50.0).powi(2))), (y - 270.0) / 52.0);
    let cover = step(1.0, 0.96, u.abs()) * step(1.0, 0.98, v.abs());
    let round = (1.0 - u * u).max(0.0).sqrt() * 0.8 + 0.2 - 0.25 * u;
    let hoop = step(0.07, 0.05, (v.abs() - 0.55).abs());
    let wood = scaled(planks(u.asin_clamped() * 46.0, y, 9.0, 9, [0.22, 0.13, 0.07]), round);
    let body = blend(wood, scaled([0.08, 0.08, 0.085], round), hoop);
    blend(scaled(behind, thrown(x, y, [584.0, 230.0, 650.0, 322.0])), body, cover)
}

trait AsinClamped {
    fn asin_clamped(self) -> f32;
}

impl AsinClamped for f32 {
    fn asin_clamped(self) -> f32 {
        self.clamp(-1.0, 1.0).asin()
    }
}

/// Window frame and panes: colour of the frame, and how open a pane is.
fn window(x: f32, y: f32, [x0, y0, x1, y1]: [f32; 4], columns: f32, wall: Rgb) -> (Rgb, f32) {
    let frame = [x0 - 9.0, y0 - 9.0, x1 + 9.0, y1 + 12.0];
    let mut colour = scaled(wall, thrown(x, y, frame));
    let wood = scaled(boards(x, y, 300.0, 12, [0.42, 0.4, 0.35]), 0.9);
    colour = blend(colour, wood, rect(x, y, frame));
    let (u, v) = ((x - x0) / (x1 - x0) * columns, (y - y0) / (y1 - y0) * 3.0);
    let bar = |t: f32, size: f32| step(1.8, 3.0, (t - t.round()).abs() * size);
    let pane = bar(u, (x1 - x0) / columns) * bar(v, (y1 - y0) / 3.0);
    (colour, pane * rect(x, y, [x0, y0, x1, y1]))
}

fn office(x: f32, y: f32) -> (Rgb, f32) {
    let mut wall = plaster(x, y, 21, [0.36, 0.34, 0.27], 1.0);
    // Two framed charts and a coat rail.
    for (index, chart) in
        [[92.0, 70.0, 172.0, 132.0], [252.0, 52.0, 352.0, 136.0]].iter().enumerate()
    {
        wall = scaled(wall, thrown(x, y, *chart));
        wall = blend(wall, boards(x, y, 90.0, 23, [0.1, 0.06, 0.035]), rect(x, y, *chart));
        let sheet = [chart[0] + 5.0, chart[1] + 5.0, chart[2] - 5.0, chart[3] - 5.0];
        let height = rough(x / 21.0, y / 19.0, 25 + index as u32, 4) * 5.0;
        let line = step(0.16, 0.06, (height - height.round()).abs());
        let sea = step(-0.15, 0.05, height);
        let paper = blend([0.3, 0.34, 0.33], [0.47, 0.42, 0.3], sea);
        wall = blend(wall, blend(paper, [0.09, 0.08, 0.07], line), rect(x, y, sheet));
    }
    let (wall, open) = window(x, y, [432.0, 58.0, 574.0, 204.0], 3.0, wall);
    // Panelling below a rail.
    let u = x / 62.0 - (x / 62.0).floor();
    let panel = step(0.0, 0.03, u.min(1.0 - u) - 0.1) * step(0.0, 2.0, (y - 248.0).min(322.0 - y));
    let shade = 0.72 + 0.28 * panel - 0.25 * step(0.05, 0.0, (u.min(1.0 - u) - 0.1).abs());
    let wood = scaled(planks(x, y, 62.0, 27, [0.15, 0.1, 0.062]), shade);
    let rail = scaled(boards(x, y, 80.0, 28, [0.17, 0.11, 0.066]), 1.1);
    let low = blend(wood, rail, rect(x, y, [-5.0, 229.0, 645.0, 237.0]));
    let low = scaled(low, 1.0 - 0.4 * step(243.0, 237.0, y) * step(236.0, 238.0, y));
    let open = open * (1.0 - step(228.0, 230.0, y));
    (blend(wall, low, step(228.5, 229.5, y)), open)
}

fn chandlery(x: f32, y: f32) -> Rgb {
    let mut wall = boards(x, y, 26.0, 41, [0.23, 0.155, 0.095]);
    for (row, shelf) in [104.0, 176.0, 248.0].iter().enumerate() {
        let run = [398.0, *shelf, 628.0, shelf + 7.0];
        wall = scaled(wall, thrown(x, y, run));
        wall = jars(x, y, *shelf, row as u32, wall);
        wall = blend(wall, boards(x, y, 40.0, 43, [0.13, 0.085, 0.05]), rect(x, y, run));
    }
    // Coils of rope on pegs.
    for (cx, cy) in [(70.0, 120.0), (142.0, 150.0)] {
        let (dx, dy): (f32, f32) = (x - cx, (y - cy) / 1.25);
        let ring = (dx * dx + dy * dy).sqrt();
        let cover = step(0.0, 1.5, (ring - 15.0).min(31.0 - ring));
        let strand =
            0.6 + 0.4 * (ring * 1.6).sin() + 0.3 * (dy.atan2(dx) * 40.0 + ring * 2.0).sin();
        wall = scaled(
            wall,
            1.0 - 0.3 * step(4.0, -4.0, ((dx - 5.0).hypot(dy - 6.0) - 23.0).abs() - 9.0),
        );
        wall = blend(wall, scaled([0.34, 0.27, 0.16], strand.max(0.15)), cover);
    }
    let counter =
        scaled(boards(x, y, 34.0, 45, [0.17, 0.1, 0.055]), 0.55 + 0.6 * step(312.0, 300.0, y));
    blend(wall, counter, step(296.0, 297.5, y))
}

fn jars(x: f32, y: f32, shelf: f32, row: u32, behind: Rgb) -> Rgb {
    let slot = ((x - 402.0) / 25.0).floor();
    let own = |n: u32| lattice(slot as i32, row as i32, 50 + n);
    if !(0.0..9.0).contains(&slot) || own(0) < 0.12 {
        return behind;
    }
    let (tall, half) = (26.0 + 26.0 * own(1), 8.0 + 3.0 * own(2));
    let (u, v) = ((x - 402.0 - slot * 25.0 - 12.5) / half, shelf - y);
    let body = step(1.0, 0.9, u.abs()) * step(0.0, 1.0, v) * step(tall, tall - 1.5, v);
    let grey = 0.06 + 0.16 * own(3);
    let tint = [grey + 0.12 * own(4), grey + 0.07 * own(5), grey + 0.04 * own(4)];
    let round =
        0.35 + 0.65 * (1.0 - u * u).max(0.0).sqrt() + 0.9 * step(0.14, 0.0, (u + 0.45).abs());
    let label = step(0.75, 0.7, u.abs())
        * step(tall * 0.25, tall * 0.27, v)
        * step(tall * 0.7, tall * 0.68, v);
    let words = 0.25 * step(0.55, 0.7, super::hash::noise(x / 1.7, (v / 4.0).floor(), 61));
    let paper = scaled([0.5, 0.46, 0.36], 1.0 - words * 2.0);
    blend(behind, scaled(blend(tint, paper, label), round), body)
}

fn lane(x: f32, y: f32) -> (Rgb, f32) {
    let mut wall = brick(x, y, 71, [0.37, 0.27, 0.2]);
    let door = [466.0, 126.0, 552.0, 290.0];
    wall = scaled(wall, thrown(x, y, door));
    wall = blend(
        wall,
        plaster(x, y, 72, [0.42, 0.4, 0.36], 0.8),
        rect(x, y, [456.0, 110.0, 562.0, 290.0]),
    );
    let leaf = planks(x, y, 21.0, 73, [0.05, 0.11, 0.13]);
    wall = blend(wall, leaf, rect(x, y, door));
    wall = blend(wall, [0.45, 0.38, 0.18], step(4.0, 3.0, (x - 540.0).hypot(y - 214.0)));
    let sill = plaster(x, y, 74, [0.4, 0.38, 0.34], 0.9);
    let glass = [118.0, 80.0, 206.0, 196.0];
    let frame = [glass[0] - 7.0, glass[1] - 7.0, glass[2] + 7.0, glass[3] + 9.0];
    wall = scaled(wall, thrown(x, y, frame));
    wall = blend(wall, sill, rect(x, y, frame));
    let (u, v) = ((x - glass[0]) / 44.0, (y - glass[1]) / 58.0);
    let bar = ((u - u.round()).abs() * 44.0).min((v - v.round()).abs() * 58.0);
    let shine = 0.05 + 0.1 * step(0.1, -0.1, u + v - 1.7 + 0.2 * rough(x / 30.0, y / 30.0, 75, 2));
    let pane = blend([0.4, 0.38, 0.34], [shine, shine * 1.05, shine * 1.15], step(1.8, 2.8, bar));
    wall = blend(wall, pane, rect(x, y, glass));
    wall = scaled(wall, 1.0 - 0.4 * step(262.0, 290.0, y));
    // Ivy grows in from the right above the door; it moves, so it is drawn later.
    let ivy = 500.0 + 30.0 * rough(x / 33.0, y / 33.0, 76, 3) - 0.55 * y;
    let open =
        step(ivy + 52.0, ivy + 62.0, x) * step(112.0, 96.0, y + 12.0 * rough(x / 9.0, 0.0, 77, 2));
    let ground = cobbles(x, y, 288.0, 78);
    (blend(wall, ground, step(287.0, 289.5, y)), open)
}

fn orchard(x: f32, y: f32) -> (Rgb, f32) {
    // A dry-stone wall with trees behind it.
    let top = 214.0 + 5.0 * rough(x / 26.0, 1.0, 81, 3);
    let row = ((y - 200.0) / 15.0 + 0.5 * rough(x / 50.0, y / 50.0, 82, 2)).floor();
    let wide = 26.0 + 14.0 * lattice(row as i32, 1, 83);
    let u = (x + 60.0 * lattice(row as i32, 2, 83)) / wide;
    let own = lattice(u.floor() as i32, row as i32, 84);
    let v = (y - 200.0) / 15.0 + 0.5 * rough(x / 50.0, y / 50.0, 82, 2) - row;
    let border = (u - u.floor()).min(u.ceil() - u) * wide;
    let border = border.min(v.min(1.0 - v) * 15.0) + 1.2 * rough(x / 5.0, y / 5.0, 85, 2);
    let tone = (0.14 + 0.16 * own) * (1.0 + 0.45 * rough(x / 3.0, y / 3.0, 86, 4));
    let stone = scaled([1.0, 0.97, 0.9], tone * (0.25 + 0.75 * step(0.4, 2.6, border)));
    let grass = scaled([0.1, 0.15, 0.045], 0.7 + 0.9 * rough(x / 1.6, y / 7.0, 87, 4));
    let low = blend(stone, grass, step(312.0, 322.0, y + 14.0 * rough(x / 6.0, 2.0, 88, 3)));
    (low, step(top + 1.0, top - 1.0, y))
}

fn cistern(x: f32, y: f32) -> Rgb {
    let wall = plaster(x, y, 91, [0.27, 0.275, 0.27], 0.035);
    let pipe = ((x - 596.0) / 11.0).clamp(-1.0, 1.0);
    let metal = scaled([0.2, 0.19, 0.18], 0.4 + 0.8 * (1.0 - pipe * pipe).sqrt() - 0.3 * pipe);
    let wall = scaled(wall, thrown(x, y, [588.0, -20.0, 606.0, 400.0]));
    let wall = blend(wall, metal, step(1.0, 0.9, pipe.abs()));
    let ground = plaster(x, y * 2.2, 93, [0.16, 0.16, 0.155], 0.4);
    blend(wall, scaled(ground, 0.75 + 0.25 * step(300.0, 320.0, y)), step(298.0, 301.0, y))
}
