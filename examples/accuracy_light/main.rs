//! How exact the measure of light is: one line for each figure, with the figure to reach.
//! Synthetic shots with known light, real takes against NumPy, false alarms, cost.
//!
//! `accuracy_light [SEEDS]`; `accuracy_light speed` gives the cost alone, `alarms [SEEDS]`
//! the alarms that must be found, `table [SEEDS]` a table of more synthetic cases.

#[path = "../../tests/measure_light/boom.rs"]
mod boom;
#[path = "../../tests/measure_light/clips.rs"]
mod clips;
#[path = "../../tests/outside/mod.rs"]
mod outside;
mod scene;

use platesmith::measure::light::blocks::{Blocks, Codes, Kind, Samples};
use platesmith::measure::light::encoding::{EncodingTest, Tested};
use platesmith::measure::light::plate::PlateMean;
use platesmith::measure::light::{FrameLight, LightMeter, Meter, Told};
use platesmith::measure::transfer::{Curve, Encoding, Matrix, Range};
use scene::{Dice, Recipe, Scene};
use std::time::Instant;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let number = words.last().and_then(|word| word.parse().ok());
    match words.first().map(String::as_str) {
        Some("speed") => speed(),
        Some("alarms") => true_alarms(number.unwrap_or(4)),
        Some("table") => table(number.unwrap_or(12)),
        _ => lines(number.unwrap_or(12)),
    }
}

/// Prints one figure: what, measured, to reach, where.
fn line(what: &str, measured: &str, reach: &str, place: &str) {
    println!("light | {what:38} | {measured:34} | {reach:16} | {place}");
}

fn lines(seeds: u64) {
    synthetic(seeds);
    booms();
    step();
    false_alarms();
    true_alarms(seeds.min(4));
    speed();
}

fn synthetic(seeds: u64) {
    let place = format!("{seeds} seeds, 960x540, grain 13/1023");
    let wanted = [("actors 45 %", "rms <= .05 %"), ("actors 60 %", "rms <= .1 %")];
    for (name, make) in cases() {
        let Some((_, reach)) = wanted.iter().find(|(wanted, _)| *wanted == name) else { continue };
        let row = measured(seeds, &make);
        let told = format!("rms {:.3} %, worst {:.3}, told {}", row.rms, row.worst, row.told);
        line(&format!("linear gain, {name}"), &told, reach, &place);
    }
    for (name, make) in cases() {
        if name == "one bare actor 60 %, bare wall" {
            let row = measured(seeds, &make);
            let told = format!("wrong {} of {}, told {}", row.wrong, row.asked, row.told);
            line(&format!("false gain, {name}"), &told, "wrong 0", &place);
        }
    }
}

fn booms() {
    for case in boom::CASES {
        let Some(truth) = boom::truth(case) else { return };
        for (what, errors) in ["area", "patch"].iter().zip(boom::errors(case, &truth)) {
            let [middle, most, worst] = boom::spread(&errors);
            let (told, of) = (errors.len(), truth.gains.len());
            let found = format!("{middle:.3} % median, {most:.3} 95th, {worst:.3} worst");
            let place = format!("told {told} of {of}, plate {:?}", case.plate);
            line(&format!("coded gain, {} {what}", case.name), &found, "<= .3 %", &place);
        }
    }
}

fn step() {
    let Some(clip) = outside::shared("footage/locked/signer_light_step.mkv") else { return };
    let (_, lights) = clips::lights(&clip, (0, 12), |meter| meter);
    let gain = |at: usize| lights.get(at).and_then(FrameLight::main).map(|told| told.gain);
    let step = gain(24).zip(gain(12)).map_or(f64::NAN, |(after, before)| after / before);
    line("coded step of exposure", &format!("{step:.4}"), "1.028 +- .003", "frames 12 to 24");
}

fn false_alarms() {
    let clips = clips::all();
    let (mut ranges, mut encodings, mut frames) = (Vec::new(), Vec::new(), 0);
    for clip in &clips {
        let (meter, lights) = clips::lights(clip, (0, clips::PLATE), |meter| meter);
        frames += lights.len();
        let name = clip.file_name().unwrap_or_default().to_string_lossy().into_owned();
        if meter.range_mix_up().is_some() {
            ranges.push(name.clone());
        }
        if matches!(meter.encoding(), Tested::Doubtful { .. }) {
            encodings.push(name);
        }
    }
    let place = format!("{} real clips, {frames} frames", clips.len());
    line("false range mix-ups", &format!("{} {ranges:?}", ranges.len()), "0", &place);
    line("false encoding-doubtful", &format!("{} {encodings:?}", encodings.len()), "0", &place);
}

/// Clips converted by FFmpeg against themselves, both ways round; false claims of encoding
/// on rendered shots, for every curve but the two that are the same within .1 %.
fn true_alarms(seeds: u64) {
    let (mut found, mut asked) = (0, 0);
    for (clip, wide) in clips::MIXED {
        let Some(clip) = outside::shared(clip) else { return };
        let Some(other) = clips::in_other_range(&clip, wide) else { return };
        for (plate, take) in [(&*clip, &*other), (&*other, &*clip)] {
            asked += 1;
            found += usize::from(clips::mix_up(plate, take).is_some());
        }
    }
    line("range mix-ups found", &format!("{found} of {asked}"), "all", "converted by ffmpeg");
    let (mut found, mut asked, mut held, mut missed) = (0, 0, 0, Vec::new());
    for seed in 0..seeds {
        let mut dice = Dice::new(seed);
        let recipe = Recipe { gain: [0.85; 3], ..plain(0.2, &mut dice) };
        let scene = Scene::new(seed, recipe);
        let plate = meter(&scene).plate().clone();
        for curve in Curve::ALL {
            let mut test = EncodingTest::new(plate.clone(), curve);
            test.add(&Blocks::of(&scene.frame(101, true), Range::Full));
            let is_doubtful = matches!(test.verdict(), Tested::Doubtful { .. });
            if [Curve::Bt709, Curve::Bt2020].contains(&curve) {
                held += usize::from(!is_doubtful);
            } else {
                asked += 1;
                found += usize::from(is_doubtful);
                if !is_doubtful && !missed.contains(&curve.name()) {
                    missed.push(curve.name());
                }
            }
        }
    }
    let held = format!("true ones held {held} of {}", 2 * seeds);
    let told = format!("{found} of {asked}, missed {missed:?}, {held}");
    line("false claims of encoding found", &told, "all", "synthetic, light -15 %");
}

/// Prints a table of all synthetic cases.
fn table(seeds: u64) {
    println!("linear gain error in per cent over {seeds} seeds; plane error at the corners");
    println!(
        "{:34} {:>6} {:>7} {:>7} {:>7} {:>7} {:>6} {:>6}",
        "scene", "cover", "rms", "worst", "plane", "se", "told", "wrong"
    );
    for (name, make) in cases() {
        let Row { covered, rms, worst, corners, error, told, wrong, .. } = measured(seeds, &make);
        println!(
            "{name:34} {covered:6.2} {rms:7.3} {worst:7.3} {corners:7.3} {error:7.3} {told:>6} {wrong:>6}"
        );
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

/// Errors over many seeds, in per cent.
struct Row {
    covered: f64,
    rms: f64,
    worst: f64,
    corners: f64,
    error: f64,
    told: String,
    asked: u32,
    wrong: usize,
}

fn measured(seeds: u64, make: &Make) -> Row {
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
            let found = if flat { gain.gain } else { gain.tilt.gain };
            let error = (found / truth - 1.0) * 100.0;
            wrong += usize::from(error.abs() > 1.0);
            errors.push(error);
            ses.push(gain.standard_error / truth * 100.0);
            for (x, y) in [(-0.5, -0.5), (0.5, -0.5), (-0.5, 0.5), (0.5, 0.5)] {
                let fall = 1.0 + recipe.slope.0 * x + recipe.slope.1 * y;
                corners.push((gain.tilt.at(x, y) / (truth * fall) - 1.0) * 100.0);
            }
        }
    }
    Row {
        covered,
        rms: rms(&errors),
        worst: errors.iter().fold(0.0_f64, |worst, error| worst.max(error.abs())),
        corners: rms(&corners),
        error: rms(&ses),
        told: format!("{told}/{asked}"),
        asked,
        wrong,
    }
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
    let encoding =
        Encoding { curve: None, range: Range::Narrow, range_is_claimed: true, matrix: None };
    let place = "3840x2160, 10 bit, one thread, best of 40";
    for (what, kind, curve, reach) in [
        ("luma, coded", Kind::Luma, None, "1-2 ms"),
        ("luma, known curve", Kind::Luma, Some(Curve::Bt709), "2 ms"),
        ("4:2:2 as RGB", Kind::YCbCr(Matrix::Bt709), Some(Curve::Bt709), "none set"),
    ] {
        codes.kind = kind;
        let sums = timed(|| drop(std::hint::black_box(Blocks::of(&codes, Range::Narrow))));
        let mut meter = Meter::new(Encoding { curve, ..encoding });
        meter.add_plate(&codes);
        meter.measure(&codes);
        let all = timed(|| drop(std::hint::black_box(meter.measure(&codes))));
        line(
            &format!("cost, {what}"),
            &format!("sums {sums:.2} ms, all {all:.2} ms"),
            reach,
            place,
        );
    }
}

/// Shortest of many runs, in milliseconds: what the work costs when nothing else runs.
fn timed(mut work: impl FnMut()) -> f64 {
    let run = |_| {
        let begin = Instant::now();
        work();
        begin.elapsed().as_secs_f64() * 1e3
    };
    (0..40).map(run).fold(f64::INFINITY, f64::min)
}
