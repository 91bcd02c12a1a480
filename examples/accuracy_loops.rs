//! Loops and grain on painted leaves whose truth is known at every moment: one line a figure,
//! with what is to be reached.
//!
//! `cargo run --release --example accuracy_loops` takes some minutes and needs the ffmpeg
//! program, which writes the painted takes. With a number, the turns of so many painted shots of
//! each sway alone (4 without).

use platesmith::grain::GrainModel;
use platesmith::loops::{Area, Choice, Course, Eased, Held, Watch, choose};
use platesmith::media::{Media, Picture};
use platesmith::plate::{FrameMap, Retouch};
use platesmith::settings::Turns;
use platesmith::time::FrameRange;
use std::f64::consts::TAU;
use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

const WIDE: usize = 480;
const HIGH: usize = 270;
const PLATE: i64 = 48;
const NEED: u64 = 336;
/// Strength of the painted grain in 10-bit codes.
const GRAIN: f64 = 13.0;
/// A turn is seen by its second differences in blocks of this side.
const BLOCK: usize = 8;

/// Numbers from a congruential generator, normal after Box and Muller 1958.
struct Dice(u64);

impl Dice {
    fn even(&mut self) -> f64 {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (-2.0 * self.even().ln()).sqrt() * (TAU * self.even()).cos()
    }
}

/// Leaves: waves of many directions, pushed about by a sway whose phase runs over the frame.
struct Leaves {
    waves: Vec<[f64; 4]>,
    sway: f64,
    periods: [f64; 3],
    phases: [f64; 3],
}

impl Leaves {
    fn new(seed: u64, sway: f64) -> Leaves {
        let mut dice = Dice(seed.wrapping_mul(977) + 3);
        let waves = (0..14)
            .map(|_| {
                let (length, turn) = (7.0 + 50.0 * dice.even().powi(2), TAU * dice.even());
                let strength = 14.0 + 4.0 * length.sqrt();
                [TAU * turn.cos() / length, TAU * turn.sin() / length, TAU * dice.even(), strength]
            })
            .collect();
        let periods = [31.0 + 25.0 * dice.even(), 17.0 + 9.0 * dice.even(), 90.0];
        let phases = [dice.even(), dice.even(), dice.even()].map(|part| part * TAU);
        Leaves { waves, sway, periods, phases }
    }

    /// The clean picture at any moment, 10-bit codes.
    fn at(&self, moment: f64) -> Vec<f64> {
        let wind =
            |at: usize, lag: f64| (TAU * moment / self.periods[at] + self.phases[at] + lag).sin();
        let mut all = Vec::with_capacity(WIDE * HIGH);
        for y in 0..HIGH {
            for x in 0..WIDE {
                let (fx, fy) = (x as f64, y as f64);
                let lag = fx / 140.0 + fy / 90.0;
                let dx = self.sway
                    * (0.7 * wind(0, lag) + 0.25 * wind(1, 2.0 * lag) + 0.2 * wind(2, 0.0));
                let dy = 0.3 * self.sway * wind(1, lag + 1.0);
                let (fx, fy) = (fx - dx, fy - dy);
                let sum: f64 = self
                    .waves
                    .iter()
                    .map(|[u, v, phase, strength]| strength * (u * fx + v * fy + phase).sin())
                    .sum();
                all.push((480.0 + sum).clamp(70.0, 930.0));
            }
        }
        all
    }
}

/// Writes a take of 10-bit luma, losslessly.
fn take(folder: &Path, name: &str, frames: impl Iterator<Item = Vec<f64>>) -> Media {
    let path = folder.join(name);
    let size = format!("{WIDE}x{HIGH}");
    let mut ffmpeg = Command::new("ffmpeg")
        .args(["-v", "error", "-nostdin", "-f", "rawvideo", "-pix_fmt", "gray10le", "-s", &size])
        .args(["-r", "24", "-i", "-", "-c:v", "ffv1", "-g", "1"])
        .arg(&path)
        .stdin(Stdio::piped())
        .spawn()
        .expect("ffmpeg runs");
    let mut pipe = ffmpeg.stdin.take().expect("a pipe");
    for frame in frames {
        let bytes: Vec<u8> = frame.iter().flat_map(|v| (v.round() as u16).to_le_bytes()).collect();
        pipe.write_all(&bytes).expect("ffmpeg reads");
    }
    drop(pipe);
    assert!(ffmpeg.wait().expect("ends").success());
    platesmith::media::open(&path).expect("opens")
}

fn grainy(
    leaves: &Leaves,
    frames: i64,
    strength: f64,
    seed: u64,
) -> impl Iterator<Item = Vec<f64>> {
    let mut dice = Dice(seed + 77);
    (0..frames).map(move |frame| {
        let mut clean = leaves.at(frame as f64);
        clean.iter_mut().for_each(|code| *code += strength * dice.normal());
        clean
    })
}

fn codes(picture: &Picture) -> Vec<f64> {
    let (mut row, mut all) = (Vec::new(), Vec::new());
    for y in 0..HIGH {
        assert!(picture.samples(0, y, 0..WIDE, &mut row));
        all.extend(row.iter().map(|code| f64::from(*code)));
    }
    all
}

fn chosen(media: &Media, turns: Turns) -> Choice {
    let plate = FrameRange::new(0, PLATE);
    let area = Area::of(None, WIDE as u32, HIGH as u32);
    let mut watch = Watch::over(plate, &area, WIDE as u32, HIGH as u32);
    media.read(&[plate], &mut [&mut watch]).expect("reads");
    choose(plate, NEED, 5, turns, &watch.visible().expect("watched")).expect("a loop")
}

/// 95th percentile over blocks of the mean second difference.
fn bend(three: [&[f64]; 3]) -> f64 {
    let mut all: Vec<f64> = Vec::new();
    for y in (0..HIGH - BLOCK + 1).step_by(BLOCK) {
        for x in (0..WIDE).step_by(BLOCK) {
            let places = (0..BLOCK * BLOCK).map(|at| (y + at / BLOCK) * WIDE + x + at % BLOCK);
            all.push(
                places.map(|at| (three[0][at] - 2.0 * three[1][at] + three[2][at]).abs()).sum(),
            );
        }
    }
    all.sort_by(f64::total_cmp);
    all[all.len() * 19 / 20]
}

/// What the worst turn shows, on clean pictures: `at` gives plate frame k. What nature does
/// there is the median of its own bends within half a second.
fn worst_turn(leaves: &Leaves, map: &FrameMap, at: &dyn Fn(u64) -> Vec<f64>) -> f64 {
    let clean: Vec<Vec<f64>> = (-1..=PLATE).map(|frame| leaves.at(frame as f64)).collect();
    let natural: Vec<f64> =
        (1..=PLATE as usize).map(|t| bend([&clean[t - 1], &clean[t], &clean[t + 1]])).collect();
    let mut worst = 0.0_f64;
    let mut seen = std::collections::BTreeSet::new();
    for run in map.runs().iter().take(map.runs().len() - 1) {
        let turn = run.last();
        if !seen.insert(turn) {
            continue;
        }
        let k = map.frames().enumerate().position(|(k, frame)| {
            frame == turn
                && k > 0
                && map.frame_at(k as u64 - 1) != Some(turn)
                && map.frame_at(k as u64 + 1) != map.frame_at(k as u64).map(|f| f + run.step())
        });
        let Some(k) = k.map(|k| k as u64) else { continue };
        let low = (turn - 12).max(0) as usize;
        let mut near: Vec<f64> = natural[low..(turn as usize + 13).min(PLATE as usize)].to_vec();
        near.sort_by(f64::total_cmp);
        for k in k.saturating_sub(13).max(1)..=(k + 14).min(map.len() - 2) {
            let shown = bend([&at(k - 1), &at(k), &at(k + 1)]);
            worst = worst.max(shown / near[near.len() / 2]);
        }
    }
    worst
}

fn psnr(one: &[f64], two: &[f64]) -> f64 {
    let inner = (20..HIGH - 20).flat_map(|y| (20..WIDE - 20).map(move |x| y * WIDE + x));
    let (sum, count) =
        inner.fold((0.0, 0.0), |(sum, count), at| (sum + (one[at] - two[at]).powi(2), count + 1.0));
    10.0 * (1023.0_f64.powi(2) / (sum / count)).log10()
}

fn line(what: &str, figure: String, reach: &str) {
    println!("{what:<58} {figure:>24}   reach {reach}");
}

fn turns(folder: &Path, shots: u64) {
    for sway in [1.5, 5.0] {
        let (mut plain, mut best, mut eased) = (vec![], vec![], vec![]);
        let (mut auto, mut told) = (vec![], vec![]);
        for seed in 0..shots {
            let leaves = Leaves::new(seed, sway);
            let name = format!("s{seed}_{sway}.mkv");
            let media = take(folder, &name, grainy(&leaves, PLATE, GRAIN, seed));
            let map_of = |choice: &Choice| {
                let at = |k: u64| leaves.at(choice.map.frame_at(k).expect("within") as f64);
                worst_turn(&leaves, &choice.map, &at)
            };
            plain.push(map_of(&chosen(&media, Turns::Twice)));
            let choice = chosen(&media, Turns::Auto);
            auto.push(format!("{:?} {:.2}", choice.turns, choice.visibility));
            if choice.turns == Turns::Twice {
                best.push(map_of(&choice));
            }
            // Rendered from clean frames, so that only the turn is measured.
            let clean = take(folder, &format!("c{name}"), grainy(&leaves, PLATE, 0.0, seed));
            let choice = chosen(&media, Turns::Eased);
            let area = Area::of(None, WIDE as u32, HIGH as u32);
            let render = Eased::new(&clean, &choice.map, choice.window.expect("eased"), area, None)
                .expect("eased");
            let mut read = clean.frames(FrameRange::new(0, PLATE)).expect("reads");
            let pictures: Vec<Picture> =
                std::iter::from_fn(|| read.next_frame()).map(|one| one.expect("reads").1).collect();
            let at = |k: u64| {
                let picture = &pictures[choice.map.frame_at(k).expect("within") as usize];
                let made = render.retouch(k, picture).expect("renders");
                codes(made.as_ref().unwrap_or(picture))
            };
            let worst = worst_turn(&leaves, &choice.map, &at);
            let over = choice.window.expect("eased");
            told.push(format!("{:.2} for {worst:.2} (over {over})", choice.visibility));
            eased.push(worst);
        }
        let shown = |all: &[f64]| {
            let mean = all.iter().sum::<f64>() / all.len().max(1) as f64;
            format!(
                "{mean:.2} ({:.2}) of {}",
                all.iter().fold(0.0_f64, |a, b| a.max(*b)),
                all.len()
            )
        };
        println!("  chosen: {}", auto.join(", "));
        println!("  eased turns, told for measured: {}", told.join(", "));
        line(&format!("sway {sway} px: whole plate, turns twice, mean (max)"), shown(&plain), "-");
        line(&format!("sway {sway} px: turning points, copied"), shown(&best), "<= 1.1");
        line(&format!("sway {sway} px: eased"), shown(&eased), "<= 1.0");
    }
}

/// Frames between frames, the leaves at 1.5 px a frame.
fn between(folder: &Path) {
    let leaves = Leaves { periods: [40.0, 23.0, 90.0], ..Leaves::new(9, 11.0) };
    let clean = take(folder, "between.mkv", grainy(&leaves, PLATE, 0.0, 1));
    let map = FrameMap::looped(FrameRange::new(0, PLATE), 90, Turns::Twice).expect("a map");
    let course = Course::of(&map, 13).expect("a course");
    let eased = Eased::new(&clean, &map, 13, Area::of(None, WIDE as u32, HIGH as u32), None)
        .expect("eased");
    let mut pictures = clean.frames(FrameRange::new(0, 1)).expect("reads");
    let (_, picture) = pictures.next_frame().expect("one").expect("reads");
    let mut found = Vec::new();
    for k in (0..90).filter(|k| course.between_frames(*k).is_some()) {
        let made = eased.retouch(k, &picture).expect("renders").expect("rendered");
        found.push(psnr(&codes(&made), &leaves.at(course.between_frames(k).expect("between"))));
    }
    let least = found.iter().fold(f64::INFINITY, |a, b| a.min(*b));
    let mean = found.iter().sum::<f64>() / found.len() as f64;
    line(
        "frames between frames: mean (least) PSNR",
        format!("{mean:.1} ({least:.1}) dB"),
        ">= 50 dB at 1.5 px a frame",
    );
}

/// Level and lags of what a rendered run differs from the truth by.
fn grain_of(rest: &[Vec<f64>]) -> (f64, [f64; 2]) {
    let inner: Vec<usize> =
        (20..HIGH - 20).flat_map(|y| (20..WIDE - 20).map(move |x| y * WIDE + x)).collect();
    let power = |one: &[f64], two: &[f64]| {
        inner.iter().map(|at| one[*at] * two[*at]).sum::<f64>() / inner.len() as f64
    };
    let own = rest.iter().map(|one| power(one, one)).sum::<f64>() / rest.len() as f64;
    let lag = |by: usize| {
        rest.iter().zip(&rest[by..]).map(|(a, b)| power(a, b)).sum::<f64>()
            / (rest.len() - by) as f64
            / own
    };
    (own.sqrt(), [lag(1), lag(2)])
}

fn grain(folder: &Path) {
    let whole = || Area::of(None, WIDE as u32, HIGH as u32);
    let leaves = Leaves::new(2, 3.0);
    let media = take(folder, "grain.mkv", grainy(&leaves, PLATE, GRAIN, 4));
    // Where the grain is measured something must be at rest.
    let still = Leaves::new(3, 0.0);
    let rest = take(folder, "rest.mkv", grainy(&still, 24, GRAIN, 5));
    let model = || GrainModel::of(&rest, FrameRange::new(0, 24)).expect("reads").expect("a model");
    let map = FrameMap::looped(FrameRange::new(4, 44), 90, Turns::Twice).expect("a map");
    let course = Course::of(&map, 13).expect("a course");
    let eased = Eased::new(&media, &map, 13, whole(), Some(model())).expect("eased");
    let (_, picture) = media
        .frames(FrameRange::new(0, 1))
        .expect("reads")
        .next_frame()
        .expect("one")
        .expect("reads");
    let run: Vec<Vec<f64>> = (0..90)
        .filter_map(|k| Some((k, course.between_frames(k)?)))
        .take(12)
        .map(|(k, position)| {
            let made = codes(&eased.retouch(k, &picture).expect("renders").expect("rendered"));
            made.iter().zip(leaves.at(position)).map(|(made, truth)| made - truth).collect()
        })
        .collect();
    let told = |what: &str, (own, lags): (f64, [f64; 2])| {
        let figure = format!("{:.3}, {:.3}, {:.3}", own / GRAIN, lags[0], lags[1]);
        line(&format!("{what}: grain level, lag 1, lag 2"), figure, ".97-1.03, <= .05");
    };
    told("eased turns", grain_of(&run));
    for count in [3, 5] {
        let held = Held::of(&rest, FrameRange::new(0, count), whole(), model())
            .expect("reads")
            .expect("held");
        let truth = still.at(0.0);
        let run: Vec<Vec<f64>> = (0..12)
            .map(|k| {
                let made = codes(&held.retouch(k, &picture).expect("renders").expect("rendered"));
                made.iter().zip(&truth).map(|(made, truth)| made - truth).collect()
            })
            .collect();
        told(&format!("held, {count} frames averaged"), grain_of(&run));
    }
}

fn main() {
    let folder = tempfile::tempdir().expect("a folder");
    let shots = std::env::args().nth(1).map(|count| count.parse().expect("a number of shots"));
    if shots.is_none() {
        grain(folder.path());
        between(folder.path());
    }
    turns(folder.path(), shots.unwrap_or(4));
}
