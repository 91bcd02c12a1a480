//! Prints how surely motion in the background and changes of focus are found, on scenes of
//! known truth; `explore` shows what is found in a clip.
//!
//! `million` with `grain` judges a million tiles at each strength of grain, and takes long.
//! `first=N` leaves the first N runs out: they were judged before.
//!
//! usage: accuracy_stillness [long] [million] [first=N] [grain] [sway] [insects] [focus] [pulls]
//!                           [cost]
//!        accuracy_stillness explore CLIP PLATE_FROM PLATE_TO

#[path = "../../tests/scenes/mod.rs"]
mod scenes;
mod footage;
mod synthetic;

use platesmith::measure::stillness::Kind;
use platesmith::time::FrameRange;
use std::path::Path;

/// Prints which tiles of a clip move, where and how much.
fn explore(clip: &str, from: i64, to: i64) {
    let mut seen = footage::see(Path::new(clip), FrameRange::new(from, to), None).expect("clip");
    let (width, height) = seen.size;
    println!("{clip} {width}x{height}, {} frames", seen.frames);
    for y in (0..height).step_by(64) {
        let mut line = String::new();
        let mut crossings = String::new();
        let mut focus = String::new();
        for x in (0..width).step_by(64) {
            let area = (x, y, (x + 64).min(width), (y + 64).min(height));
            let found = seen.activity(area);
            let z = found.series.iter().map(|s| s.z).fold(0.0, f64::max);
            let crossing =
                found.moving.iter().filter(|m| matches!(m.kind, Kind::Crossing { .. })).count();
            line += &format!(
                " {:5.1}/{:5.3}/{:4.1}/{:5.3}",
                z,
                found.worst_sway_px,
                found.series.iter().map(|s| s.sway_codes).fold(0.0, f64::max),
                found.least_sway_px.unwrap_or(9.0)
            );
            crossings += &format!(" {crossing:3}");
            let told = seen.focus(area);
            let changed = told.iter().filter(|f| f.changed).count();
            let most = told.iter().map(|f| f.blur_px.abs()).fold(0.0, f64::max);
            focus += &format!(" {changed:3}/{most:4.2}");
        }
        println!("{line}   |{crossings}   |{focus}");
    }
}

/// Prints a figure, what to reach, and where.
fn line(figure: &str, reach: &str, place: &str) {
    println!("{figure:<34} to reach {reach:<22} {place}");
}

/// How many runs are judged: at least so many, from the first, and until there are so many tiles.
#[derive(Clone, Copy)]
struct Runs {
    first: u64,
    least: u64,
    tiles: u64,
}

/// Runs after which no more tiles are waited for.
const MOST_RUNS: u64 = 60;

/// Grain of four strengths as it is and two after a codec; each run has its own grain.
fn grain(runs: Runs) {
    for (at, sigma) in [2.0_f32, 6.0, 13.0, 26.0].into_iter().enumerate() {
        let grain = |run, seed, kind| {
            let seed = 1000 * run + (10 * at + seed) as u64 + 1;
            Some(synthetic::grain(kind, seed, sigma, FRAMES))
        };
        flags(runs, &format!("grain {sigma}/1023"), grain);
    }
    for (sigma, crf) in [(26.0, 30), (13.0, 23)] {
        let coded = |run, seed, kind| {
            synthetic::coded_grain(kind, 1000 * run + seed as u64 + 91, sigma, FRAMES, crf)
        };
        flags(runs, &format!("grain {sigma}/1023 after x264 at crf {crf}"), coded);
    }
}

/// Frames of one run.
const FRAMES: usize = 240;

fn flags(
    runs: Runs,
    place: &str,
    look: impl Fn(u64, usize, scenes::Kind) -> Option<synthetic::Flags>,
) {
    let mut sum = synthetic::Flags::default();
    for run in runs.first..runs.first + MOST_RUNS {
        if run >= runs.first + runs.least && sum.tiles >= runs.tiles {
            break;
        }
        for (seed, kind) in synthetic::KINDS.into_iter().enumerate() {
            let Some(found) = look(run, seed, kind) else {
                println!("no ffmpeg with x264: {place} is left out");
                return;
            };
            sum.tiles += found.tiles;
            sum.sways += found.sways;
            sum.crossings += found.crossings;
        }
    }
    print_flags(&sum, place);
}

fn print_flags(sum: &synthetic::Flags, place: &str) {
    let share = (sum.sways + sum.crossings) as f64 * 1e6 / sum.tiles.max(1) as f64;
    let figure = format!("c flags {share:.1} in 1e6 tiles");
    let counts =
        format!("{place} ({} tiles: {} sway, {} pass)", sum.tiles, sum.sways, sum.crossings);
    line(&figure, "<= 3", &counts);
}

fn sways(seeds: u64) {
    for peak in [0.05, 0.1] {
        let (mut all, mut wrong) = (synthetic::Rate::default(), synthetic::Rate::default());
        for (n, kind) in synthetic::KINDS.into_iter().enumerate() {
            for seed in 0..seeds {
                let (found, other) = synthetic::sway(kind, seed * 4 + n as u64 + 200, 13.0, peak);
                all.join(found);
                wrong.join(other);
            }
        }
        let figure = format!("c sway {peak} px found {:.1} %", all.percent());
        let place = format!(
            "{} patches of 64 px, sd <= .02 px, grain 13/1023; next to them wrong {} of {}",
            all.of, wrong.found, wrong.of
        );
        line(&figure, ">= 95 %", &place);
    }
}

fn insects(seeds: u64) {
    for in_light in [false, true] {
        let mut all = synthetic::Rate::default();
        for (n, kind) in synthetic::KINDS.into_iter().enumerate() {
            for seed in 0..seeds {
                all.join(synthetic::insects(kind, seed * 4 + n as u64 + 300, 13.0, in_light, 12));
            }
        }
        let figure = format!("c insects found {:.1} %", all.percent());
        let of = if in_light { "light" } else { "codes" };
        let place = format!("{} flights, 24 px, Weber contrast -.3 in {of}, grain 13/1023", all.of);
        line(&figure, ">= 95 %", &place);
    }
}

fn focus(seeds: u64) {
    let (mut all, mut wrong, mut errors) =
        (synthetic::Rate::default(), synthetic::Rate::default(), Vec::new());
    for (n, kind) in synthetic::KINDS.into_iter().enumerate() {
        for seed in 0..seeds {
            let (found, false_ones, off) =
                synthetic::focus(kind, seed * 4 + n as u64 + 400, 13.0, 0.5);
            println!("    {kind:?}: {found:?} {false_ones:?}");
            all.join(found);
            wrong.join(false_ones);
            errors.extend(off);
        }
    }
    let rms = (errors.iter().map(|e| e * e).sum::<f64>() / errors.len().max(1) as f64).sqrt();
    let figure = format!("d blur .5 px found {:.1} %", all.percent());
    let place = format!("{} textured tiles, shift to .3 px, gain to -15 %, other grain", all.of);
    line(&figure, ">= 95 %", &place);
    let figure = format!("d false changes {}", wrong.found);
    line(&figure, "0", &format!("of {}; squared blur off by {rms:.4} px^2 rms", wrong.of));
}

/// Pulls of focus through coders, none of them included.
fn pulls() {
    let whole = [FrameRange::new(0, synthetic::PULL_FRAMES)];
    let plate = FrameRange::new(0, synthetic::PULL_PLATE);
    let (left, top, right, bottom) = synthetic::PATCH;
    let patch = platesmith::measure::Mask::from_fn(960, 540, |x, y| {
        (left..right).contains(&x) && (top..bottom).contains(&y)
    });
    for coder in &synthetic::CODERS {
        for blur in [0.0, 0.5, 0.7, 1.0] {
            let (mut found, mut wrong) = (synthetic::Rate::default(), synthetic::Rate::default());
            for (n, kind) in synthetic::KINDS.into_iter().enumerate() {
                let Some(mut meter) = synthetic::pulled(kind, 500 + n as u64, 13.0, blur, coder)
                else {
                    println!("no ffmpeg with {}: left out", coder.0);
                    return;
                };
                for one in meter.within_beside(&patch, &whole, plate).expect("notes") {
                    if blur == 0.0 || one.frame.0 < synthetic::PULLED {
                        wrong.add(one.changed);
                    } else if one.frame.0 >= synthetic::PULLED + 12 {
                        found.add(one.changed && one.squared_px > 0.0);
                    }
                }
            }
            let figure = format!("d pull {blur} px found {:.0} %", found.percent());
            let place = format!(
                "{}, {} frames; false in {} of {}",
                coder.0, found.of, wrong.found, wrong.of
            );
            line(&figure, "0 false", &place);
        }
    }
}

/// Processor time of this thread in seconds where the system tells, else the time of day:
/// other work on the machine does not count.
fn spent_here() -> f64 {
    static START: std::sync::OnceLock<std::time::Instant> = std::sync::OnceLock::new();
    let told = std::fs::read_to_string("/proc/thread-self/schedstat").ok();
    let nanos = told.and_then(|text| text.split(' ').next()?.parse::<f64>().ok());
    let since = START.get_or_init(std::time::Instant::now).elapsed();
    nanos.map_or(since.as_secs_f64(), |nanos| nanos * 1e-9)
}

/// Times one frame of high definition, the work plane of twice that.
fn cost() {
    let size = (1920, 1080);
    let scene = scenes::Scene::new(size.0, size.1, scenes::Kind::Busy, 5);
    let mut dice = scenes::Dice::new(5);
    let still = scene.background(&scenes::Truth::default());
    let frames: Vec<_> = (0..8)
        .map(|_| synthetic::work(size, &scene.exposed(&still, 1.0, 13.0, &mut dice)))
        .collect();
    let mut meter = platesmith::measure::stillness::Stillness::new(
        &synthetic::plate_of(frames.iter()),
        None,
        Default::default(),
    )
    .expect("a plate");
    let patterns = meter.patterns().clone();
    let mut focus =
        platesmith::measure::sharpness::Sharpness::against(patterns.clone(), Default::default());
    let mut spent = [0.0_f64; 3];
    let count = 120;
    for t in 0..count {
        let plane = &frames[t % frames.len()];
        let frame = platesmith::time::Frame(t as i64);
        let start = spent_here();
        let sums = patterns.project(plane).expect("one size");
        spent[0] += spent_here() - start;
        let start = spent_here();
        let none = platesmith::measure::Motion::default();
        meter.see_sums(frame, &sums, (1.0, 0.0), none, None).expect("room");
        spent[1] += spent_here() - start;
        let start = spent_here();
        focus.see_sums(frame, &sums, (1.0, 0.0), none, None).expect("room");
        spent[2] += spent_here() - start;
    }
    let [project, stillness, sharpness] = spent.map(|all| all / count as f64 * 1e3);
    let figure = format!("cost {:.2} ms a frame", project + stillness + sharpness);
    let place = format!(
        "1920x1080: projection {project:.2}, stillness {stillness:.2}, sharpness {sharpness:.2}"
    );
    line(&figure, "2.5 ms", &place);
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    if words.first().is_some_and(|word| word == "explore") {
        explore(&words[1], words[2].parse().expect("number"), words[3].parse().expect("number"));
        return;
    }
    let wants = |name: &str| words.is_empty() || words.iter().any(|word| word == name);
    let long = words.iter().any(|word| word == "long");
    let million = words.iter().any(|word| word == "million");
    let times = if long { 5 } else { 1 };
    if wants("grain") {
        let first = words.iter().find_map(|word| word.strip_prefix("first=")?.parse().ok());
        let tiles = if million { 1_000_000 } else { 0 };
        grain(Runs { first: first.unwrap_or(0), least: times as u64, tiles });
    }
    if wants("sway") {
        sways(2 * times as u64);
    }
    if wants("insects") {
        insects(times as u64);
    }
    if wants("focus") {
        focus(times as u64);
    }
    if wants("pulls") {
        pulls();
    }
    if wants("cost") {
        cost();
    }
}
