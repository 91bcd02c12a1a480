//! How exact the light measure is, on synthetic shots with known light: a table over many
//! seeds. `accuracy_light [SEEDS]`; `accuracy_light speed` times the passes over a picture.

mod scene;

use platesmith::measure::light::blocks::{Blocks, Codes, Kind, Samples};
use platesmith::measure::light::plate::PlateMean;
use platesmith::measure::light::{LightMeter, Told};
use platesmith::measure::transfer::{Curve, Encoding, Matrix, Range};
use scene::{Dice, Recipe, Scene};
use std::time::Instant;

fn main() {
    let argument = std::env::args().nth(1).unwrap_or_default();
    if argument == "speed" {
        return speed();
    }
    let seeds: u64 = argument.parse().unwrap_or(12);
    println!("linear gain error in per cent over {seeds} seeds; plane error at the corners");
    println!(
        "{:34} {:>6} {:>7} {:>7} {:>7} {:>7} {:>6} {:>6}",
        "scene", "cover", "rms", "worst", "plane", "se", "told", "wrong"
    );
    for (name, make) in cases() {
        row(name, seeds, &make);
    }
}

type Make = Box<dyn Fn(&mut Dice) -> Recipe>;

fn plain(occluded: f64, dice: &mut Dice) -> Recipe {
    let gain = dice.uniform(0.85, 1.15);
    Recipe {
        width: 960,
        height: 540,
        occluded,
        grain: 13.0 / 1023.0,
        soft_grain: false,
        gain: [gain; 3],
        slope: (0.0, 0.0),
        things: 5,
        flat: false,
    }
}

fn cases() -> Vec<(&'static str, Make)> {
    let mut cases: Vec<(&'static str, Make)> = Vec::new();
    cases.push(("nobody in front", Box::new(|d| Recipe { things: 0, ..plain(0.0, d) })));
    for (name, part) in
        [("actors 20 %", 0.2), ("actors 45 %", 0.45), ("actors 60 %", 0.6), ("actors 75 %", 0.75)]
    {
        cases.push((name, Box::new(move |d| plain(part, d))));
    }
    cases.push((
        "actors 45 %, soft grain",
        Box::new(|d| Recipe { soft_grain: true, ..plain(0.45, d) }),
    ));
    cases.push((
        "actors 45 %, gradient",
        Box::new(|d| Recipe {
            slope: (d.uniform(-0.06, 0.06), d.uniform(-0.06, 0.06)),
            ..plain(0.45, d)
        }),
    ));
    cases.push((
        "actors 60 %, gradient",
        Box::new(|d| Recipe {
            slope: (d.uniform(-0.06, 0.06), d.uniform(-0.06, 0.06)),
            ..plain(0.6, d)
        }),
    ));
    cases.push((
        "actors 45 %, colour shift",
        Box::new(|d| {
            let tone = plain(0.45, d);
            Recipe {
                gain: [
                    tone.gain[0] * d.uniform(0.94, 1.06),
                    tone.gain[1],
                    tone.gain[2] * d.uniform(0.94, 1.06),
                ],
                ..tone
            }
        }),
    ));
    cases.push((
        "one bare actor 45 %, bare wall",
        Box::new(|d| Recipe { flat: true, things: 1, ..plain(0.45, d) }),
    ));
    cases.push((
        "one bare actor 60 %, bare wall",
        Box::new(|d| Recipe { flat: true, things: 1, ..plain(0.6, d) }),
    ));
    cases
}

fn row(name: &str, seeds: u64, make: &Make) {
    let (mut errors, mut corners, mut ses) = (Vec::new(), Vec::new(), Vec::new());
    let (mut told, mut asked, mut wrong, mut covered) = (0, 0, 0, 0.0);
    for seed in 0..seeds {
        let mut dice = Dice::new(seed * 31 + 5);
        let recipe = make(&mut dice);
        let scene = Scene::new(seed, recipe);
        let mut meter = meter(&scene);
        // The second of two frames counts: in a shot there is always a frame before.
        meter.measure(&Blocks::of(&scene.frame(100, true), Range::Full));
        let light = meter.measure(&Blocks::of(&scene.frame(101, true), Range::Full));
        covered += scene.covered(101) / seeds as f64;
        for (channel, truth) in light.channels.iter().zip(recipe.gain) {
            asked += 1;
            let Told::Gain(gain) = channel else { continue };
            told += 1;
            let flat = recipe.slope == (0.0, 0.0);
            let found = if flat { gain.gain } else { gain.plane.gain };
            let error = (found / truth - 1.0) * 100.0;
            wrong += usize::from(error.abs() > 1.0);
            errors.push(error);
            ses.push(gain.standard_error / truth * 100.0);
            for (x, y) in [(-0.5, -0.5), (0.5, -0.5), (-0.5, 0.5), (0.5, 0.5)] {
                let fall = 1.0 + recipe.slope.0 * x + recipe.slope.1 * y;
                corners.push((gain.plane.at(x, y) / (truth * fall) - 1.0) * 100.0);
            }
        }
    }
    let worst = errors.iter().fold(0.0_f64, |worst, error| worst.max(error.abs()));
    let told = format!("{told}/{asked}");
    println!(
        "{name:34} {covered:6.2} {:7.3} {worst:7.3} {:7.3} {:7.3} {told:>6} {wrong:>6}",
        rms(&errors),
        rms(&corners),
        rms(&ses)
    );
}

fn meter(scene: &Scene) -> LightMeter {
    let mut mean = PlateMean::new();
    for number in 0..16 {
        mean.add(&Blocks::of(&scene.frame(number, false), Range::Full));
    }
    let encoding = Encoding {
        curve: Some(Curve::Bt709),
        range: Range::Full,
        range_is_claimed: true,
        matrix: None,
    };
    LightMeter::new(mean.finish().expect("a plate of 16 frames"), &encoding)
}

/// NaN where nothing was told.
fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|value| value * value).sum::<f64>() / values.len() as f64).sqrt()
}

fn speed() {
    let mut dice = Dice::new(1);
    let mut plane = |width: usize, height: usize| Samples {
        codes: (0..width * height).map(|_| dice.uniform(400.0, 600.0) as u16).collect(),
        width,
        height,
    };
    let mut codes = Codes {
        kind: Kind::Luma,
        depth: 10,
        planes: [plane(3840, 2160), plane(1920, 2160), plane(1920, 2160)],
    };
    let timed = |what: &str, work: &mut dyn FnMut()| {
        work();
        let begin = Instant::now();
        (0..20).for_each(|_| work());
        println!("{what:44} {:7.2} ms", begin.elapsed().as_secs_f64() * 50.0);
    };
    println!("3840x2160, 10 bit, one thread");
    timed("block sums, luma", &mut || {
        drop(std::hint::black_box(Blocks::of(&codes, Range::Narrow)))
    });
    timed("block sums, luma, plain loops", &mut || {
        drop(std::hint::black_box(Blocks::plain(&codes, Range::Narrow)))
    });
    let mut mean = PlateMean::new();
    mean.add(&Blocks::of(&codes, Range::Narrow));
    let encoding = Encoding {
        curve: Some(Curve::Bt709),
        range: Range::Narrow,
        range_is_claimed: true,
        matrix: None,
    };
    let mut meter = LightMeter::new(mean.finish().expect("a plate"), &encoding);
    let blocks = Blocks::of(&codes, Range::Narrow);
    timed("ratios and fit, luma", &mut || drop(std::hint::black_box(meter.measure(&blocks))));
    codes.kind = Kind::YCbCr(Matrix::Bt709);
    timed("block sums, 4:2:2 to red, green and blue", &mut || {
        drop(std::hint::black_box(Blocks::of(&codes, Range::Narrow)))
    });
}
