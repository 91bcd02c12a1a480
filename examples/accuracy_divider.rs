//! Prints how well boom and actors are divided, on invented shots and on truth masks of
//! footage.
//!
//! usage: accuracy_divider [seeds N] [footage FOLDER]
//!
//! FOLDER holds `signer_stable`, `person_wall` and `tram_clouds`.

#[path = "../tests/divided/mod.rs"]
mod divided;

use divided::{RealShot, Shot, clearance, inside, margin, shares, union};
use platesmith::measure::Mask;
use platesmith::measure::divider::{DividerLimits, Division, Standing, crossings, divide};
use std::path::Path;
use std::time::Instant;

fn value(name: &str) -> Option<String> {
    let mut words = std::env::args().skip_while(|word| word != name);
    words.nth(1)
}

fn main() {
    let seeds = value("seeds").and_then(|text| text.parse().ok()).unwrap_or(100);
    for by in [1, 2, 4] {
        invented(by, seeds / if by == 4 { 5 } else { 1 });
    }
    if let Some(folder) = value("footage") {
        for (case, plate, quoted) in [
            ("signer_stable", (70, 89), 1.4),
            ("person_wall", (0, 41), 26.6),
            ("tram_clouds", (181, 232), 47.0),
        ] {
            real(&Path::new(&folder).join(case), case, plate, quoted);
        }
    }
}

/// Invented shots of 960 x 540 masks, `by` source pixels to a pixel of the mask.
fn invented(by: usize, seeds: u64) {
    let (mut over, mut under) = (f64::NEG_INFINITY, f64::NEG_INFINITY);
    let (mut own, mut true_share, mut true_wide) = (f64::INFINITY, f64::INFINITY, f64::INFINITY);
    let (mut free, mut actors_in, mut boom_out, mut slowest) = (0, 0, 0, 0.0_f64);
    let mut sides = 0;
    for seed in 0..seeds {
        let unit = by as f64;
        let gap = unit * (6.0 + (seed * 37 % 100) as f64 * 0.8);
        let shot = Shot::new(960 * by, 540 * by, seed, gap);
        let [boom, core, actors] = shot.seen(by);
        let none = Mask::new(boom.width(), boom.height());
        let start = Instant::now();
        let found = divide(&boom, &core, &actors, &none, unit, &DividerLimits::default());
        slowest = slowest.max(start.elapsed().as_secs_f64());
        let found = found.expect("masks of one size");
        let [true_boom, _, true_actors] = shot.truth();
        let truth = clearance(&true_boom, &true_actors);
        let told = found.clearance_px.unwrap_or(f64::NAN);
        over = over.max(told - truth);
        under = under.max(truth - told);
        if found.standing != Standing::Free {
            continue;
        }
        free += 1;
        sides += found.region.sides().count();
        own = own.min(shares(&found).unwrap_or(f64::NAN));
        actors_in += inside(&found.region, &true_actors);
        boom_out += true_boom.count() - inside(&found.region, &true_boom);
        let ideal = (truth / 2.0).min(24.0);
        let share =
            margin(&found.region, &true_boom).min(margin(&found.region, &true_actors)) / ideal;
        true_share = true_share.min(share);
        if truth >= 20.0 * unit {
            true_wide = true_wide.min(share);
        }
    }
    println!(
        "invented, {by} source px a mask px, {seeds} shots, {free} divided: clearance over truth by {over:.2} px (0), under by {under:.2} px ({}), margin {:.1} % of ideal on own masks (95), {:.1} % of the true ideal (95; {:.1} from 20 mask px of clearance), actor px inside {actors_in} (0), boom px outside {boom_out} (0), {} sides, slowest {:.0} ms",
        4 * by,
        own * 100.0,
        true_share * 100.0,
        true_wide * 100.0,
        sides / free.max(1),
        slowest * 1e3
    );
}

fn real(folder: &Path, case: &str, plate: (usize, usize), quoted: f64) {
    let shot = RealShot::read(folder);
    let (boom, core) = (shot.changed_by(3), shot.changed_by(40));
    let none = Mask::new(shot.width, shot.height);
    for codes in [8.0, 12.0, 20.0] {
        let frames = shot.actors(plate, codes);
        let actors = union(frames.iter().map(|(_, mask)| mask));
        let start = Instant::now();
        let found = divide(&boom, &core, &actors, &none, 1.0, &DividerLimits::default());
        let found = found.expect("one size");
        let took = start.elapsed().as_secs_f64() * 1e3;
        let met = crossings(&found, 24.0, frames.iter().map(|(at, mask)| (*at, mask)));
        print_real(&format!("{case}, actors from {codes} codes"), &found, quoted, took);
        for crossing in met {
            println!(
                "    frames {}-{}: {:?}, {:.1} px deep, {} px",
                crossing.frames.start.0,
                crossing.frames.end.0 - 1,
                crossing.entered,
                crossing.px,
                crossing.cells
            );
        }
        let held = inside(&found.region, &actors);
        assert!(held == found.specks.iter().map(|speck| speck.cells).sum::<usize>() || held == 0);
    }
}

fn print_real(name: &str, found: &Division, quoted: f64, took: f64) {
    println!(
        "{name}: {:?}, clearance {:.1} px (quoted {quoted}), boom alone {:.1} px, margin {:.1} % of ideal (95), {} shadow px left out, {} specks, {} sides, {took:.0} ms",
        found.standing,
        found.clearance_px.unwrap_or(f64::NAN),
        found.core_clearance_px.unwrap_or(f64::NAN),
        shares(found).unwrap_or(f64::NAN) * 100.0,
        found.left_out,
        found.specks.len(),
        found.region.sides().count(),
    );
}
