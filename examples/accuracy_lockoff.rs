//! Prints how exactly the lock-off is measured, on scenes of known truth and on footage.
//!
//! usage: accuracy_lockoff [scenes N] [frames N] [drift N] [cost] [footage FILE...]
//!
//! Without words: eight scenes of 256 frames, the cost, and the footage beside the project.

#[path = "../tests/scenes/mod.rs"]
mod scenes;

use platesmith::measure::lockoff::{
    FrameMotion, LockOff, LockOffReader, MeanReader, Stand, Steadiness, SteadyLimits, steadiness,
};
use platesmith::measure::{PlateSum, View};
use platesmith::time::{Frame, FrameRange};
use scenes::drift::{Drift, Mover};
use scenes::{Dice, Kind, Scene, Truth};
use std::path::Path;
use std::time::Instant;

const KINDS: [Kind; 4] = [Kind::Busy, Kind::Sparse, Kind::Straight, Kind::Soft];
const FOOTAGE: [&str; 7] = [
    "locked/signer_book.mkv",
    "boom/signer_stable/clean.mkv",
    "boom/person_wall/clean.mkv",
    "moving/creeping_street.mp4",
    "moving/film_weave.mp4",
    "locked/cup_no_texture.mp4",
    "boom/tram_clouds/clean.mkv",
];
const PLATE: usize = 48;
const GRAIN: f32 = 13.0;

/// Errors of many frames.
#[derive(Default)]
struct Errors {
    shift: Vec<f64>,
    corner: Vec<f64>,
    over_predicted: Vec<f64>,
    untold: usize,
}

impl Errors {
    fn add(&mut self, found: &FrameMotion, truth: &Truth, half: (f64, f64)) {
        if !found.told {
            self.untold += 1;
            return;
        }
        let m = found.motion;
        let (x, y) = (m.shift_x - truth.shift_x, m.shift_y - truth.shift_y);
        let (r, s) = (m.rotation - truth.rotation, m.scale - truth.scale);
        self.shift.push(x.hypot(y));
        let corner = [(half.0, half.1), (-half.0, half.1), (half.0, -half.1), (-half.0, -half.1)]
            .map(|(px, py)| (x + s * px - r * py).hypot(y + r * px + s * py));
        self.corner.push(corner.into_iter().fold(0.0, f64::max));
        self.over_predicted.push(
            (x / found.error.shift_x).powi(2) / 2.0 + (y / found.error.shift_y).powi(2) / 2.0,
        );
    }

    fn join(&mut self, other: &Errors) {
        self.shift.extend(&other.shift);
        self.corner.extend(&other.corner);
        self.over_predicted.extend(&other.over_predicted);
        self.untold += other.untold;
    }

    fn print(&self, name: &str) {
        println!(
            "{name:<28} {:>6} frames  rms {:.4} (an axis {:.4})  p99 {:.4}  worst {:.4} px  corner rms {:.4} p99 {:.4}  error/predicted {:.2}  not told {}",
            self.shift.len(),
            rms(&self.shift),
            rms(&self.shift) / 2.0_f64.sqrt(),
            part(&self.shift, 0.99),
            part(&self.shift, 1.0),
            rms(&self.corner),
            part(&self.corner, 0.99),
            (self.over_predicted.iter().sum::<f64>() / self.over_predicted.len().max(1) as f64)
                .sqrt(),
            self.untold,
        );
    }
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|v| v * v).sum::<f64>() / values.len().max(1) as f64).sqrt()
}

fn part(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(((values.len().max(1) - 1) as f64 * share).round() as usize).copied().unwrap_or(0.0)
}

/// One scene: a plate of 48 frames, then frames with actors, light and movement.
fn scene(size: (usize, usize), kind: Kind, seed: u64, frames: usize, share: f64) -> Errors {
    let (width, height) = size;
    let scene = Scene::new(width, height, kind, seed);
    let mut dice = Dice::new(seed + 1000);
    let still = scene.background(&Truth::default());
    let mut sum = PlateSum::new();
    let plate: Vec<Vec<u16>> =
        (0..PLATE).map(|_| scene.exposed(&still, 1.0, GRAIN, &mut dice)).collect();
    for frame in &plate {
        sum.add(View::new(width, height, frame).unwrap());
    }
    let mut lock = LockOff::new(&sum, None, 1023.0).unwrap();
    let mut truths = Vec::new();
    for (at, frame) in plate.iter().enumerate() {
        lock.see(Frame(at as i64), View::new(width, height, frame).unwrap(), true);
    }
    let mut moved: (Truth, Vec<f32>) = Default::default();
    for at in 0..frames {
        // Each move is drawn once and shown in two frames, with other actors and other grain.
        let truth = if at % 2 == 1 {
            moved.0
        } else {
            Truth {
                shift_x: 0.3 * dice.bell(),
                shift_y: 0.3 * dice.bell(),
                rotation: 1e-4 * dice.bell(),
                scale: 1e-4 * dice.bell(),
            }
        };
        if at % 2 == 0 {
            moved = (truth, scene.background(&truth));
        }
        let mut frame = moved.1.clone();
        scene.actors(&mut frame, share, at as f64, seed + 77);
        // Light falls by 15 % in the first quarter and stays there.
        let gain = 1.0 - 0.15 * (at as f32 / (frames as f32 / 4.0)).min(1.0);
        let codes = scene.exposed(&frame, gain, GRAIN, &mut dice);
        lock.see(Frame((PLATE + at) as i64), View::new(width, height, &codes).unwrap(), false);
        truths.push(truth);
    }
    let mut errors = Errors::default();
    let half = ((width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0);
    for (found, truth) in lock.series()[PLATE..].iter().zip(&truths) {
        errors.add(found, truth, half);
    }
    errors
}

/// Measures all scenes, two at a time, and prints them in order.
fn synthetic(scenes: usize, frames: usize) {
    let numbers: Vec<usize> = (0..scenes).collect();
    let mut all = Errors::default();
    for pair in numbers.chunks(2) {
        let found: Vec<Errors> = std::thread::scope(|scope| {
            let one = |at: usize| scene((1920, 1080), KINDS[at % 4], at as u64 + 1, frames, 0.35);
            let threads: Vec<_> = pair.iter().map(|at| scope.spawn(move || one(*at))).collect();
            threads.into_iter().map(|thread| thread.join().expect("measures")).collect()
        });
        for (at, errors) in pair.iter().zip(&found) {
            errors.print(&format!("{:?} {}, actors 35 %", KINDS[at % 4], at + 1));
            all.join(errors);
        }
    }
    if scenes > 0 {
        all.print("all");
        let place = format!("1080p, 35 % moving, -15 % light, grain 13/1023, {scenes} scenes");
        let line = |name: &str, found: f64, reach: f64| {
            let word = if found <= reach { "reached" } else { "MISSED" };
            println!(
                "a  {name}: {found:.4} px, to reach {reach} px, {word}  ({place}, {} frames)",
                all.shift.len()
            );
        };
        line("shift rms", rms(&all.shift), 0.005);
        line("shift 99th percentile", part(&all.shift, 0.99), 0.015);
    }
}

/// One take of a scene most of which moves by itself; the camera goes `creep` px over it.
fn drifting(kind: Mover, share: f64, seed: u64, (creep, far): (f64, f64)) -> Steadiness {
    let (width, height, frames) = (640, 360, 96);
    let drift = Drift::new(width, height, kind, share, seed);
    let mut dice = Dice::new(seed + 5);
    let turn = dice.between(0.0, std::f64::consts::TAU);
    let all: Vec<Vec<u16>> = (0..frames)
        .map(|at| {
            let time = at as f64 / (frames - 1) as f64;
            let camera = Truth {
                shift_x: creep * time * turn.cos(),
                shift_y: creep * time * turn.sin(),
                ..Truth::default()
            };
            let frame = drift.frame(&camera, time, far);
            drift.still().exposed(&frame, 1.0 + 0.05 * time as f32, 6.0, &mut dice)
        })
        .collect();
    let mut sum = PlateSum::new();
    for frame in &all[..24] {
        sum.add(View::new(width, height, frame).unwrap());
    }
    let mut lock = LockOff::new(&sum, None, 1023.0).unwrap();
    for (at, frame) in all.iter().enumerate() {
        lock.see(Frame(at as i64), View::new(width, height, frame).unwrap(), at < 24);
    }
    let half = ((width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0);
    steadiness(&lock.series(), half, &SteadyLimits::default())
}

/// Judges takes of drifting clouds and swaying leaves, camera locked and creeping.
fn drifts(seeds: u64) {
    for (kind, shares) in [(Mover::Clouds, [0.5, 0.65, 0.75]), (Mover::Leaves, [0.4, 0.5, 0.6])] {
        for creep in [0.0, 0.3, 0.6, 2.0] {
            let (mut right, mut all) = (0, 0);
            for (share, seed) in shares.iter().flat_map(|s| (0..seeds).map(move |n| (*s, n))) {
                let far = [1.0, 3.0, 8.0][seed as usize % 3];
                let found = drifting(kind, share, 31 * seed + 3, (creep, far));
                let wanted = if creep > 0.0 { Stand::Moved } else { Stand::Locked };
                all += 1;
                if found.stand == wanted {
                    right += 1;
                } else {
                    println!(
                        "    {kind:?} {share} seed {seed} far {far} creep {creep}: {:?} drift {:.3} slow {:.3} weave {:.3} vibration {:.4}",
                        found.stand,
                        found.drift_px,
                        found.slow_px,
                        found.weave_px,
                        found.vibration_px
                    );
                }
            }
            let word = if right == all { "reached" } else { "MISSED" };
            println!(
                "a  {kind:?} over most of the frame, camera creeps {creep} px: {right} of {all} judged right, to reach all, {word}"
            );
        }
    }
}

/// Measures a file against its own plate: its first frames, or all of it.
fn footage(path: &Path) -> Result<(), Box<dyn std::error::Error>> {
    let media = platesmith::media::open(path)?;
    let info = media.info();
    let count = info.frames as i64;
    let whole = FrameRange::new(0, count);
    let folder = path.parent().and_then(Path::file_name).unwrap_or_default().to_string_lossy();
    let file = path.file_name().unwrap_or_default().to_string_lossy();
    let name = format!("{folder}/{file}");
    let mut halves = Vec::new();
    for plate in [FrameRange::new(0, count / 2), FrameRange::new(count / 2, count)] {
        let mut mean = MeanReader::new(name.clone(), plate);
        media.read(&[plate], &mut [&mut mean])?;
        halves.push(mean);
    }
    let peak = halves[0].peak();
    let mut between = LockOff::new(&halves[0].sum, None, peak).map_err(|why| format!("{why:?}"))?;
    between.see_plate(Frame(0), &halves[1].sum);
    let means = &between.series()[0];

    let parts: Vec<PlateSum> =
        [0, 1].map(|odd| every_other(&media, odd)).into_iter().collect::<Result<_, _>>()?;
    let mut mixed = LockOff::new(&parts[0], None, peak).map_err(|why| format!("{why:?}"))?;
    mixed.see_plate(Frame(0), &parts[1]);
    let mixed = mixed.series()[0].motion.shift_px();

    let plate = FrameRange::new(0, count.min(24).max(count / 4).min(60));
    let mut mean = MeanReader::new(name.clone(), plate);
    media.read(&[plate], &mut [&mut mean])?;
    let lock = LockOff::new(&mean.sum, None, peak).map_err(|why| format!("{why:?}"))?;
    let mut reader = LockOffReader::new(name.clone(), whole, plate, lock);
    media.read(&[whole], &mut [&mut reader])?;
    let series = reader.lock_off.series();
    let told: Vec<&FrameMotion> = series.iter().filter(|frame| frame.told).collect();
    let middle = |frames: &[&FrameMotion]| {
        let n = frames.len().max(1) as f64;
        let x = frames.iter().map(|f| f.motion.shift_x).sum::<f64>() / n;
        (x, frames.iter().map(|f| f.motion.shift_y).sum::<f64>() / n)
    };
    let (a, b) = (middle(&told[..told.len() / 2]), middle(&told[told.len() / 2..]));
    let half = ((f64::from(info.width) - 1.0) / 2.0, (f64::from(info.height) - 1.0) / 2.0);
    let found = steadiness(&series, half, &SteadyLimits::default());
    println!(
        "{name:<24} {count} frames, told {}, calibration {:.2}; half against half: means {:.4} ({:.3} {:.3} +- {:.3}, told {}), frames {:.4} ({:.3} {:.3}), every other frame {mixed:.4} px",
        told.len(),
        reader.lock_off.calibration(),
        means.motion.shift_px(),
        means.motion.shift_x,
        means.motion.shift_y,
        means.error.shift_px(),
        means.told,
        (a.0 - b.0).hypot(a.1 - b.1),
        b.0 - a.0,
        b.1 - a.1,
    );
    let mut scatter: Vec<f64> = told.iter().map(|frame| frame.scatter_px).collect();
    scatter.sort_by(f64::total_cmp);
    println!(
        "    scatter {:.4} {:.4} {:.4}",
        part(&scatter, 0.1),
        part(&scatter, 0.5),
        part(&scatter, 0.9),
    );
    println!(
        "    {:?}: creep {:.3} drift {:.3} about {:.3} slow {:.3} weave {:.3} peak {:.3} vibration {:.4} px, knocks {:?}, lock-offs {:?}",
        found.stand,
        found.creep_px,
        found.drift_px,
        found.about_drift_px,
        found.slow_px,
        found.weave_px,
        found.peak_px,
        found.vibration_px,
        found
            .knocks
            .iter()
            .map(|k| (k.frame.0, (k.size_px * 1e3).round() / 1e3, k.stays))
            .collect::<Vec<_>>(),
        found.lock_offs.iter().map(|r| (r.start.0, r.end.0)).collect::<Vec<_>>(),
    );
    judge(&name, means.motion.shift_px(), mixed, &found);
    if std::env::var_os("SERIES").is_some() {
        for f in &series {
            println!(
                "      {} {:.3} {:.3} {:.1} ppm {:.1} ppm se {:.4} gain {:.3} res {:.2} tiles {}/{} {}",
                f.frame.0,
                f.motion.shift_x,
                f.motion.shift_y,
                f.motion.rotation * 1e6,
                f.motion.scale * 1e6,
                f.error.shift_px(),
                f.gain,
                f.residual,
                f.tiles_used,
                f.tiles_textured,
                f.told
            );
        }
    }
    Ok(())
}

/// Prints what is asked of the clips that are known by name.
///
/// Halves of a clip lie apart by what the camera did in between, too; every other frame of it
/// does not, so the second figure is the error of the measure alone.
fn judge(name: &str, halves: f64, mixed: f64, found: &Steadiness) {
    let word = |right: bool| if right { "reached" } else { "MISSED" };
    let asked = |stand: Stand, says: &str| {
        let right = found.stand == stand;
        println!("a  {name}: {:?}, to be {says}, {}", found.stand, word(right));
    };
    match name {
        "locked/signer_book.mkv" | "signer_stable/clean.mkv" | "person_wall/clean.mkv" => {
            println!(
                "a  {name}: first half against second {halves:.4} px, to reach 0.02 px, {}",
                word(halves <= 0.02)
            );
            println!(
                "a  {name}: even frames against odd {mixed:.4} px, to reach 0.02 px, {}",
                word(mixed <= 0.02)
            );
        }
        "tram_clouds/clean.mkv" => asked(Stand::Locked, "locked"),
        "moving/creeping_street.mp4" => asked(Stand::Moved, "moved"),
        "moving/film_weave.mp4" => asked(Stand::Unsteady, "unsteady"),
        "locked/cup_no_texture.mp4" => asked(Stand::CannotTell(None), "not told"),
        _ => (),
    }
}

/// Sums every other frame: two plates over the same time, so that a camera which moved in
/// between does not count.
fn every_other(
    media: &platesmith::media::Media,
    odd: i64,
) -> Result<PlateSum, Box<dyn std::error::Error>> {
    let count = media.info().frames as i64;
    let mut sum = PlateSum::new();
    let mut frames = media.frames(FrameRange::new(0, count))?;
    let mut luma = Vec::new();
    while let Some(next) = frames.next_frame() {
        let (frame, picture) = next?;
        if frame.0 % 2 != odd {
            continue;
        }
        picture.luma_u16(&mut luma);
        let (width, height) = (picture.width() as usize, picture.height() as usize);
        sum.add(View::new(width, height, &luma).ok_or("size")?);
    }
    Ok(sum)
}

/// Times the two passes on frames of one size.
fn cost(width: usize, height: usize) {
    let scene = Scene::new(width, height, Kind::Busy, 5);
    let mut dice = Dice::new(5);
    let still = scene.background(&Truth::default());
    let frames: Vec<Vec<u16>> =
        (0..6).map(|_| scene.exposed(&still, 1.0, GRAIN, &mut dice)).collect();
    let views = || frames.iter().map(|frame| View::new(width, height, frame).unwrap());
    let mut sum = PlateSum::new();
    let best = |times: Vec<f64>| times.into_iter().skip(1).fold(f64::MAX, f64::min) * 1e3;
    let mut timed = Vec::new();
    for view in views() {
        let start = Instant::now();
        sum.add(view);
        timed.push(start.elapsed().as_secs_f64());
    }
    let adding = best(timed);
    let mut lock = LockOff::new(&sum, None, 1023.0).unwrap();
    let mut timed = Vec::new();
    for view in views().cycle().take(60) {
        let start = Instant::now();
        lock.see(Frame(0), view, true);
        timed.push(start.elapsed().as_secs_f64());
    }
    println!(
        "{width}x{height}: mean {adding:.2} ms a plate frame, lock-off {:.2} ms a frame",
        best(timed)
    );
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let number = |name: &str, default: usize| {
        let at = words.iter().position(|word| word == name);
        at.and_then(|at| words.get(at + 1)?.parse().ok()).unwrap_or(default)
    };
    let whole = words.is_empty();
    let (scenes, frames) = (number("scenes", if whole { 8 } else { 0 }), number("frames", 256));
    synthetic(scenes, frames);
    let seeds = number("drift", if whole { 3 } else { 0 });
    if seeds > 0 {
        drifts(seeds as u64);
    }
    if whole || words.iter().any(|word| word == "cost") {
        cost(1920, 1080);
        cost(3840, 2160);
    }
    if whole {
        let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/footage");
        for file in FOOTAGE {
            if let Err(why) = footage(&beside.join(file)) {
                println!("SKIPPED: {file}: {why}");
            }
        }
    }
    if let Some(at) = words.iter().position(|word| word == "footage") {
        for file in &words[at + 1..] {
            if let Err(why) = footage(Path::new(file)) {
                println!("{file}: {why}");
            }
        }
    }
}
