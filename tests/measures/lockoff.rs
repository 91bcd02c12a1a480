//! The lock-off on scenes of known truth, against OpenCV, and on real footage. The scenes
//! are drawn by `tests/scenes` and share no code with the measure.

use crate::outside;
use crate::scenes;

use platesmith::measure::lockoff::{
    FrameMotion, LockOff, LockOffReader, MeanReader, NoTemplate, Stand, Steadiness, SteadyLimits,
    steadiness,
};
use platesmith::measure::{Excluded, Mask, PlateSum, Sample, View};
use platesmith::time::{Frame, FrameRange};
use scenes::drift::{Drift, Mover};
use scenes::{Dice, Kind, Scene, Truth};
use std::process::Command;

const WIDTH: usize = 640;
const HEIGHT: usize = 360;
const HALF: (f64, f64) = ((WIDTH as f64 - 1.0) / 2.0, (HEIGHT as f64 - 1.0) / 2.0);
const GRAIN: f32 = 13.0;

fn view<S: Sample>(frame: &[S]) -> View<'_, S> {
    View::new(WIDTH, HEIGHT, frame).expect("the size fits")
}

/// A plate of 24 frames of a scene, its sum and the frames.
fn plate(scene: &Scene, dice: &mut Dice) -> (PlateSum, Vec<Vec<u16>>) {
    let still = scene.background(&Truth::default());
    let frames: Vec<Vec<u16>> = (0..24).map(|_| scene.exposed(&still, 1.0, GRAIN, dice)).collect();
    let mut sum = PlateSum::new();
    assert!(frames.iter().all(|frame| sum.add(view(frame))));
    (sum, frames)
}

/// A lock-off that has seen its plate.
fn seen(sum: &PlateSum, frames: &[Vec<u16>], excluded: Option<&Excluded>) -> LockOff {
    let mut lock = LockOff::new(sum, excluded, 1023.0).expect("a template");
    for (at, frame) in frames.iter().enumerate() {
        assert!(lock.see(Frame(at as i64), view(frame), true));
    }
    lock
}

fn off(found: &FrameMotion, truth: &Truth) -> (f64, f64) {
    let m = found.motion;
    let shift = (m.shift_x - truth.shift_x).hypot(m.shift_y - truth.shift_y);
    let turn = (m.rotation - truth.rotation).hypot(m.scale - truth.scale);
    (shift, turn * HALF.0.hypot(HALF.1))
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|value| value * value).sum::<f64>() / values.len() as f64).sqrt()
}

#[test]
fn known_moves_are_found_behind_actors_under_falling_light() {
    for (kind, seed) in [(Kind::Busy, 1), (Kind::Straight, 3), (Kind::Soft, 4)] {
        let scene = Scene::new(WIDTH, HEIGHT, kind, seed);
        let mut dice = Dice::new(seed);
        let (sum, frames) = plate(&scene, &mut dice);
        let mut lock = seen(&sum, &frames, None);
        let mut truths = Vec::new();
        for at in 0..24 {
            let truth = Truth {
                shift_x: 0.3 * dice.bell(),
                shift_y: 0.3 * dice.bell(),
                rotation: 3e-4 * dice.bell(),
                scale: 3e-4 * dice.bell(),
            };
            let mut frame = scene.background(&truth);
            scene.actors(&mut frame, 0.35, f64::from(at), seed + 7);
            let light = 1.0 - 0.15 * (at as f32 / 10.0).min(1.0);
            let codes = scene.exposed(&frame, light, GRAIN, &mut dice);
            assert!(lock.see(Frame(24 + i64::from(at)), view(&codes), false));
            let last = lock.last().expect("told at once");
            assert!((last.shift_x - truth.shift_x).hypot(last.shift_y - truth.shift_y) < 0.06);
            truths.push(truth);
        }
        let series = lock.series();
        let errors = series[24..].iter().zip(&truths).map(|(found, truth)| {
            assert!(found.told, "{kind:?} {found:?}");
            off(found, truth)
        });
        let (shift, corner): (Vec<f64>, Vec<f64>) = errors.unzip();
        println!("{kind:?}: shift {:.4} px, corner {:.4} px rms", rms(&shift), rms(&corner));
        // A ninth of the pixels of 1080p, so three times its .005 px.
        assert!(rms(&shift) < 0.015 && rms(&corner) < 0.04, "{kind:?}");
        let light = series[47].gain;
        assert!((light - 0.85).abs() < 0.02, "{kind:?}: light {light}");
    }
}

#[test]
fn the_vision_library_finds_the_same() {
    let Some(python) = outside::python_with("cv2") else { return };
    let scene = Scene::new(WIDTH, HEIGHT, Kind::Busy, 12);
    let mut dice = Dice::new(12);
    let truths: Vec<Truth> = [(0.0, 0.0, 0.0), (0.31, -0.22, 2e-4), (-1.2, 0.7, -4e-4)]
        .map(|(shift_x, shift_y, rotation)| Truth { shift_x, shift_y, rotation, scale: 0.0 })
        .to_vec();
    let frames: Vec<Vec<u16>> = truths
        .iter()
        .map(|truth| scene.exposed(&scene.background(truth), 1.0, 3.0, &mut dice))
        .collect();
    let folder = tempfile::tempdir().expect("made");
    let raw = folder.path().join("frames.raw");
    // ECC takes floats; eight bits would cost it accuracy.
    let bytes = frames.iter().flatten().flat_map(|code| f32::from(*code).to_le_bytes());
    std::fs::write(&raw, bytes.collect::<Vec<u8>>()).expect("written");
    let run = Command::new(python)
        .arg(outside::project().join("tests/oracle/euclidean_ecc.py"))
        .arg(&raw)
        .args([WIDTH.to_string(), HEIGHT.to_string()])
        .output()
        .expect("Python runs");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let text = String::from_utf8(run.stdout).expect("numbers");
    let mut sum = PlateSum::new();
    assert!(sum.add(view(&frames[0])));
    let mut lock = LockOff::new(&sum, None, 1023.0).expect("a template");
    for (at, frame) in frames.iter().enumerate() {
        assert!(lock.see(Frame(at as i64), view(frame), at == 0));
    }
    let series = lock.series();
    for ((line, ours), truth) in text.lines().zip(&series[1..]).zip(&truths[1..]) {
        let theirs: Vec<f64> =
            line.split(' ').map(|word| word.parse().expect("a number")).collect();
        let m = ours.motion;
        let apart = (m.shift_x - theirs[0]).hypot(m.shift_y - theirs[1]);
        println!("{apart:.4} px from the library, {:.4} px from the truth", off(ours, truth).0);
        assert!(apart < 0.02 && (m.rotation - theirs[2]).abs() < 5e-5, "{ours:?} {theirs:?}");
        assert!(off(ours, truth).0 < 0.01, "{ours:?} {truth:?}");
    }
    assert_eq!(text.lines().count(), 2);
}

#[test]
fn a_big_move_is_found_and_the_way_back_too() {
    let scene = Scene::new(WIDTH, HEIGHT, Kind::Busy, 5);
    let mut dice = Dice::new(5);
    let (sum, frames) = plate(&scene, &mut dice);
    let mut lock = seen(&sum, &frames, None);
    let moves = [(20.3, -11.6), (0.0, 0.0), (-6.4, 17.9), (1.7, 0.2)];
    for (at, (shift_x, shift_y)) in moves.into_iter().enumerate() {
        let truth = Truth { shift_x, shift_y, ..Truth::default() };
        let codes = scene.exposed(&scene.background(&truth), 1.0, GRAIN, &mut dice);
        assert!(lock.see(Frame(24 + at as i64), view(&codes), false));
        let found = lock.series()[24 + at].clone();
        assert!(found.told && off(&found, &truth).0 < 0.03, "{found:?} {truth:?}");
    }
}

#[test]
fn a_clock_burnt_in_does_not_hold_the_picture_once_left_out() {
    let scene = Scene::new(WIDTH, HEIGHT, Kind::Sparse, 6);
    let mut dice = Dice::new(6);
    let burn = Mask::from_fn(WIDTH, HEIGHT, |x, y| y > 300 || (x < 200 && y < 80));
    let stamp = |codes: &mut Vec<u16>| {
        for (x, y) in burn.pixels() {
            codes[y * WIDTH + x] = if (x / 6 + y / 9) % 2 == 0 { 64 } else { 940 };
        }
    };
    let (_, mut frames) = plate(&scene, &mut dice);
    frames.iter_mut().for_each(stamp);
    let mut sum = PlateSum::new();
    assert!(frames.iter().all(|frame| sum.add(view(frame))));
    let mut out = Excluded::nothing(WIDTH, HEIGHT);
    out.mask(&burn);
    let truth = Truth { shift_x: 0.4, shift_y: -0.3, ..Truth::default() };
    let mut codes = scene.exposed(&scene.background(&truth), 1.0, GRAIN, &mut dice);
    stamp(&mut codes);
    let mut lock = seen(&sum, &frames, Some(&out));
    assert!(lock.see(Frame(24), view(&codes), false));
    let found = lock.series()[24].clone();
    assert!(found.told && off(&found, &truth).0 < 0.06, "{found:?}");
}

#[test]
fn codes_of_any_depth_give_one_motion() {
    let scene = Scene::new(WIDTH, HEIGHT, Kind::Busy, 8);
    let mut dice = Dice::new(8);
    let (sum, frames) = plate(&scene, &mut dice);
    let truth = Truth { shift_x: -0.27, shift_y: 0.41, ..Truth::default() };
    let codes = scene.exposed(&scene.background(&truth), 0.95, GRAIN, &mut dice);
    let mut ten = seen(&sum, &frames, None);
    assert!(ten.see(Frame(24), view(&codes), false));
    let ten = ten.series()[24].motion;

    let eight = |frame: &[u16]| -> Vec<u8> {
        frame.iter().map(|code| (f32::from(*code) * 255.0 / 1023.0).round() as u8).collect()
    };
    let mut sum_8 = PlateSum::new();
    assert!(frames.iter().all(|frame| sum_8.add(view(&eight(frame)))));
    let mut lock = LockOff::new(&sum_8, None, 255.0).expect("a template");
    assert!(lock.see(Frame(0), view(&eight(&codes)), false));
    let low = lock.series()[0].motion;

    let sixteen = |frame: &[u16]| -> Vec<u16> { frame.iter().map(|code| code * 64).collect() };
    let mut sum_16 = PlateSum::new();
    assert!(frames.iter().all(|frame| sum_16.add(view(&sixteen(frame)))));
    let mut lock = LockOff::new(&sum_16, None, 1023.0 * 64.0).expect("a template");
    assert!(lock.see(Frame(0), view(&sixteen(&codes)), false));
    let high = lock.series()[0].motion;
    for other in [low, high] {
        let apart = (other.shift_x - ten.shift_x).hypot(other.shift_y - ten.shift_y);
        assert!(apart < 0.01, "{other:?} {ten:?}");
    }
    assert!((ten.shift_x - truth.shift_x).hypot(ten.shift_y - truth.shift_y) < 0.02);
}

#[test]
fn nothing_one_frame_black_and_white_are_answered() {
    assert_eq!(LockOff::new(&PlateSum::new(), None, 1023.0).err(), Some(NoTemplate::NoFrames));
    let mut small = PlateSum::new();
    assert!(small.add(View::new(8, 4, &[0_u16; 32]).expect("fits")));
    assert_eq!(LockOff::new(&small, None, 1023.0).err(), Some(NoTemplate::TooSmall));

    for code in [0_u16, 1023] {
        let flat = vec![code; WIDTH * HEIGHT];
        let mut sum = PlateSum::new();
        assert!(sum.add(view(&flat)) && sum.add(view(&flat)));
        let mut lock = LockOff::new(&sum, None, 1023.0).expect("large enough");
        assert!(lock.see(Frame(0), view(&flat), true));
        assert!(lock.last().is_none());
        let series = lock.series();
        let found = steadiness(&series, HALF, &SteadyLimits::default());
        assert_eq!(found.stand, Stand::CannotTell(None));
        assert!(!lock.see(Frame(1), View::new(2, 2, &[0_u16; 4]).expect("fits"), false));
        assert_eq!(lock.series().len(), 1);
    }
    let scene = Scene::new(WIDTH, HEIGHT, Kind::Busy, 9);
    let mut dice = Dice::new(9);
    let one = scene.exposed(&scene.background(&Truth::default()), 1.0, GRAIN, &mut dice);
    let mut sum = PlateSum::new();
    assert!(sum.add(view(&one)));
    let mut lock = LockOff::new(&sum, None, 1023.0).expect("a template");
    assert!(lock.series().is_empty());
    for frame in [&one, &vec![0; WIDTH * HEIGHT], &vec![1023; WIDTH * HEIGHT], &one] {
        assert!(lock.see(Frame(0), view(frame), false));
    }
    let told: Vec<bool> = lock.series().iter().map(|frame| frame.told).collect();
    assert_eq!(told, [true, false, false, true]);
}

#[test]
fn a_bare_wall_cannot_tell_but_shows_that_nothing_would_show() {
    let mut dice = Dice::new(11);
    let scene = Scene::new(WIDTH, HEIGHT, Kind::Soft, 11);
    let wall: Vec<f32> = (0..WIDTH * HEIGHT).map(|at| 500.0 + (at % WIDTH) as f32 / 8.0).collect();
    let mut sum = PlateSum::new();
    let frames: Vec<Vec<u16>> =
        (0..24).map(|_| scene.exposed(&wall, 1.0, GRAIN, &mut dice)).collect();
    assert!(frames.iter().all(|frame| sum.add(view(frame))));
    let lock = seen(&sum, &frames, None);
    let found = steadiness(&lock.series(), HALF, &SteadyLimits::default());
    assert!(matches!(found.stand, Stand::CannotTell(_)), "{found:?}");
    let bounds = lock.tile_bounds();
    assert_eq!(bounds.len(), 144);
    for bound in &bounds {
        // The shift is not bounded to anything useful, what it would change is: well below
        // the grain of 13 codes.
        assert!(bound.shift_px > 0.1 && bound.error_codes < 0.5 * f64::from(GRAIN), "{bound:?}");
        assert_eq!((bound.frames, bound.covered), (24, 0));
    }
}

/// Measures a file against its first frames; also the shift between the means of two sets.
fn footage(below: &str) -> Option<(Vec<FrameMotion>, Steadiness)> {
    let path = outside::shared(below)?;
    let media = platesmith::media::open(&path).expect("opens");
    let info = media.info();
    let count = i64::try_from(info.frames).expect("not that long");
    let half = ((f64::from(info.width) - 1.0) / 2.0, (f64::from(info.height) - 1.0) / 2.0);
    let plate = FrameRange::new(0, (count / 4).clamp(12, 60).min(count));
    let mut mean = MeanReader::new(below, plate);
    media.read(&[plate], &mut [&mut mean]).expect("reads");
    let lock = LockOff::new(&mean.sum, None, mean.peak()).expect("a template");
    let whole = FrameRange::new(0, count);
    let mut reader = LockOffReader::new(below, whole, plate, lock);
    media.read(&[whole], &mut [&mut reader]).expect("reads");
    let series = reader.lock_off.series();
    let found = steadiness(&series, half, &SteadyLimits::default());
    println!("{below}: {found:?}");
    Some((series, found))
}

#[test]
fn real_cameras_are_told_apart() {
    let cases = [
        ("footage/moving/creeping_street.mp4", Stand::Moved),
        ("footage/moving/film_weave.mp4", Stand::Unsteady),
        ("footage/locked/cup_no_texture.mp4", Stand::CannotTell(None)),
        ("footage/boom/signer_stable/clean.mkv", Stand::Locked),
        ("footage/boom/person_wall/clean.mkv", Stand::Locked),
        ("footage/boom/tram_clouds/clean.mkv", Stand::Locked),
        ("footage/boom/tram_clouds/take_boom.mkv", Stand::Locked),
        ("footage/boom/tram_clouds/take_boom_cam.mp4", Stand::Locked),
    ];
    for (below, right) in cases {
        let Some((_, found)) = footage(below) else { return };
        assert_eq!(found.stand, right, "{below}: {found:?}");
    }
}

/// What is told of 48 frames of which `share` moves by itself, `far` pixels over the take, while
/// the camera creeps.
fn drifting(kind: Mover, share: f64, far: f64, creep: f64) -> Stand {
    let drift = Drift::new(WIDTH, HEIGHT, kind, share, 34);
    let mut dice = Dice::new(17);
    let all: Vec<Vec<u16>> = (0..48)
        .map(|at| {
            let time = f64::from(at) / 47.0;
            let camera = Truth {
                shift_x: 0.8 * creep * time,
                shift_y: -0.6 * creep * time,
                ..Truth::default()
            };
            let frame = drift.frame(&camera, time, far);
            drift.still().exposed(&frame, 1.0 + 0.05 * time as f32, 6.0, &mut dice)
        })
        .collect();
    let mut sum = PlateSum::new();
    assert!(all[..12].iter().all(|frame| sum.add(view(frame))));
    let mut lock = LockOff::new(&sum, None, 1023.0).expect("a template");
    for (at, frame) in all.iter().enumerate() {
        assert!(lock.see(Frame(at as i64), view(frame), at < 12));
    }
    steadiness(&lock.series(), HALF, &SteadyLimits::default()).stand
}

#[test]
fn clouds_and_leaves_over_most_of_the_frame_are_no_camera() {
    for (kind, share) in [(Mover::Clouds, 0.75), (Mover::Leaves, 0.6)] {
        assert_eq!(drifting(kind, share, 3.0, 0.0), Stand::Locked, "{kind:?}");
        // With three quarters of clouds it may come out as not told; never as locked.
        assert_ne!(drifting(kind, share, 3.0, 1.0), Stand::Locked, "{kind:?}");
    }
    assert_eq!(drifting(Mover::Clouds, 0.5, 3.0, 1.0), Stand::Moved);
    for share in [0.5, 0.65] {
        assert_eq!(drifting(Mover::Clouds, share, 3.0, 0.0), Stand::Locked, "{share}");
    }
}

#[test]
fn a_table_that_is_bumped_is_not_steady() {
    // Panel, screen and skirting board, each registered on its own by least squares in NumPy,
    // all lie 1.10 to 1.24 px higher in frame 52 than in frame 50.
    let Some((series, found)) = footage("footage/locked/signer_book.mkv") else { return };
    let down = |at: usize| series[at].motion.shift_y;
    let jump = down(50) - down(52);
    assert!((1.05..1.3).contains(&jump), "{jump}");
    assert_eq!(found.stand, Stand::Unsteady);
    assert!(found.lock_offs.iter().any(|run| run.start == Frame(0) && run.count().0 >= 20));
}
