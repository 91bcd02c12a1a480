//! Stillness of the background and sharpness of the patch on scenes whose truth is known, on
//! pictures blurred and moved by OpenCV, and on real clips that may lie beside the project.

use crate::outside;
use crate::scenes;

use platesmith::measure::sharpness::{Sharpness, SharpnessLimits};
use platesmith::measure::stillness::{Activity, Kind as Moves, Stillness, StillnessLimits};
use platesmith::measure::{Mask, Motion, Plane, PlateSum, View};
use platesmith::time::{Frame, FrameRange};
use scenes::{Dice, Kind, Scene, Truth};
use std::path::Path;
use std::process::Command;

const SIZE: (usize, usize) = (480, 272);
const GRAIN: f32 = 13.0;

fn work(codes: &[u16]) -> Plane {
    let data = codes.iter().map(|code| f32::from(*code) * (255.0 / 1023.0)).collect();
    Plane { width: SIZE.0, height: SIZE.1, data }
}

fn plate(scene: &Scene, still: &[f32], dice: &mut Dice) -> PlateSum {
    let mut sum = PlateSum::new();
    for _ in 0..24 {
        assert!(sum.add(work(&scene.exposed(still, 1.0, GRAIN, dice)).view().expect("a plane")));
    }
    sum
}

fn area(size: (usize, usize), (left, top, right, bottom): (usize, usize, usize, usize)) -> Mask {
    Mask::from_fn(size.0, size.1, |x, y| (left..right).contains(&x) && (top..bottom).contains(&y))
}

/// Shows 48 frames, each made by `draw` from its number, and asks what moves in a rectangle.
fn watched(
    scene: &Scene,
    still: &[f32],
    place: (usize, usize, usize, usize),
    hidden: Option<&Mask>,
    draw: impl Fn(usize, &mut Vec<f32>),
) -> Activity {
    let mut dice = Dice::new(7);
    let plate = plate(scene, still, &mut dice);
    let mut meter = Stillness::new(&plate, None, StillnessLimits::default()).expect("a plate");
    for t in 0..48 {
        let mut frame = still.to_vec();
        draw(t, &mut frame);
        let plane = work(&scene.exposed(&frame, 1.0, GRAIN, &mut dice));
        let frame = Frame(t as i64);
        assert!(meter.see(frame, &plane, (1.0, 0.0), Motion::default(), hidden).expect("room"));
    }
    let mut map = meter.finish().expect("room");
    map.within(&area(SIZE, place), &[FrameRange::new(0, 48)]).expect("notes")
}

const SWAYING: (usize, usize, usize, usize) = (192, 64, 256, 128);

fn swayed(scene: &Scene, still: &[f32], frame: &mut [f32], by: f64) {
    let moved = scene.background(&Truth { shift_x: by, ..Truth::default() });
    for y in SWAYING.1..SWAYING.3 {
        let row = y * SIZE.0 + SWAYING.0..y * SIZE.0 + SWAYING.2;
        frame[row.clone()].copy_from_slice(&moved[row]);
    }
    assert_eq!(frame.len(), still.len());
}

#[test]
fn a_sway_is_found_where_it_is_and_nowhere_else() {
    let scene = Scene::new(SIZE.0, SIZE.1, Kind::Busy, 3);
    let still = scene.background(&Truth::default());
    let draw = |t: usize, frame: &mut Vec<f32>| {
        swayed(&scene, &still, frame, 0.2 * (t as f64 * 0.3).sin());
    };
    let there = watched(&scene, &still, SWAYING, None, draw);
    assert!((there.worst_sway_px - 0.2).abs() < 0.05, "{there:?}");
    assert!(there.least_sway_px.is_some_and(|least| least < 0.2), "{there:?}");
    assert!(there.moving.iter().any(|m| matches!(m.kind, Moves::Sway { .. }) && m.z > 5.2));
    assert_eq!(there.moving[0].range, FrameRange::new(0, 48));
    let elsewhere = watched(&scene, &still, (0, 128, 480, 272), None, draw);
    assert!(elsewhere.moving.is_empty(), "{elsewhere:?}");
    let mask = area(SIZE, SWAYING);
    let covered = watched(&scene, &still, SWAYING, Some(&mask), draw);
    assert!(covered.moving.is_empty() && covered.least_sway_px.is_none(), "{covered:?}");
}

#[test]
fn a_sway_beside_the_patch_is_not_in_it_because_a_large_tile_holds_both() {
    let scene = Scene::new(SIZE.0, SIZE.1, Kind::Busy, 3);
    let still = scene.background(&Truth::default());
    // The lower left quarter of a tile of 64 pixels sways, and the patch takes its right half.
    let quarter = (192, 96, 224, 128);
    let draw = |t: usize, frame: &mut Vec<f32>| {
        let by = 0.6 * (t as f64 * 0.3).sin();
        let moved = scene.background(&Truth { shift_x: by, ..Truth::default() });
        for y in quarter.1..quarter.3 {
            let row = y * SIZE.0 + quarter.0..y * SIZE.0 + quarter.2;
            frame[row.clone()].copy_from_slice(&moved[row]);
        }
    };
    let beside = watched(&scene, &still, (230, 64, 300, 128), None, draw);
    assert!(beside.moving.is_empty(), "{beside:?}");
    let within = watched(&scene, &still, (200, 64, 300, 128), None, draw);
    assert!(within.moving.iter().any(|m| matches!(m.kind, Moves::Sway { .. })), "{within:?}");
}

#[test]
fn a_camera_that_moves_is_not_a_background_that_moves() {
    let scene = Scene::new(SIZE.0, SIZE.1, Kind::Busy, 4);
    let still = scene.background(&Truth::default());
    let mut dice = Dice::new(8);
    let plate = plate(&scene, &still, &mut dice);
    let mut meter = Stillness::new(&plate, None, StillnessLimits::default()).expect("a plate");
    for t in 0..48 {
        let shift = 0.3 * (f64::from(t) * 0.2).sin();
        let frame = scene.background(&Truth { shift_x: shift, ..Truth::default() });
        let plane = work(&scene.exposed(&frame, 0.9, GRAIN, &mut dice));
        // The lock-off is off by a little.
        let motion = Motion { shift_x: shift + 0.01 * dice.bell(), ..Motion::default() };
        meter.see(Frame(t.into()), &plane, (0.9, 0.0), motion, None).expect("room");
    }
    let mut map = meter.finish().expect("room");
    let whole = area(SIZE, (0, 0, SIZE.0, SIZE.1));
    let told = map.within(&whole, &[FrameRange::new(0, 48)]).expect("notes");
    assert!(told.moving.is_empty(), "{:?}", told.moving);
}

#[test]
fn noise_that_a_codec_froze_is_not_motion() {
    let scene = Scene::new(SIZE.0, SIZE.1, Kind::Busy, 5);
    let still = scene.background(&Truth::default());
    let mut dice = Dice::new(9);
    // Every twelfth frame is coded anew; in between blocks of 16 pixels stay as they are but
    // for one in thirty.
    let mut shown = scene.exposed(&still, 1.0, GRAIN, &mut dice);
    let mut frames = Vec::new();
    for t in 0..120 {
        let next = scene.exposed(&still, 1.0, GRAIN, &mut dice);
        for block in 0..(SIZE.0 / 16) * (SIZE.1 / 16) {
            if t % 12 == 0 || dice.below(30) == 0 {
                let (x, y) = (block % (SIZE.0 / 16) * 16, block / (SIZE.0 / 16) * 16);
                for row in y..y + 16 {
                    let run = row * SIZE.0 + x..row * SIZE.0 + x + 16;
                    shown[run.clone()].copy_from_slice(&next[run]);
                }
            }
        }
        frames.push(work(&shown));
    }
    let mut sum = PlateSum::new();
    frames[..24].iter().for_each(|plane| assert!(sum.add(plane.view().expect("a plane"))));
    let mut meter = Stillness::new(&sum, None, StillnessLimits::default()).expect("a plate");
    for (t, plane) in frames.iter().enumerate() {
        meter.see(Frame(t as i64), plane, (1.0, 0.0), Motion::default(), None).expect("room");
    }
    let mut map = meter.finish().expect("room");
    let whole = area(SIZE, (0, 0, SIZE.0, SIZE.1));
    let told = map.within(&whole, &[FrameRange::new(0, 120)]).expect("notes");
    assert!(told.moving.is_empty(), "{:?}", told.moving);
}

#[test]
fn detail_of_frozen_noise_that_is_coded_anew_is_no_pull() {
    let scene = Scene::new(SIZE.0, SIZE.1, Kind::Busy, 5);
    let still = scene.background(&Truth::default());
    let mut soft = still.clone();
    scenes::blur_by(&mut soft, SIZE.0, SIZE.1, 1.2);
    for (picture, pulled) in [(&still, false), (&soft, true)] {
        let mut dice = Dice::new(9);
        let mut sum = PlateSum::new();
        let mut frames = Vec::new();
        // Noise changes every thirty frames, and the plate ends with the first change.
        for t in 0..90 {
            if t % 30 == 0 {
                let from = if t == 0 { &still } else { picture };
                let noisy = scene.exposed(from, 1.0, 2.5 * GRAIN, &mut dice);
                frames.push(work(&noisy));
            } else {
                frames.push(frames[t - 1].clone());
            }
        }
        frames[..30].iter().for_each(|plane| assert!(sum.add(plane.view().expect("a plane"))));
        let mut meter = Sharpness::new(&sum, None, SharpnessLimits::default()).expect("a plate");
        for (t, plane) in frames.iter().enumerate() {
            let frame = Frame(t as i64);
            meter.see(frame, plane, (1.0, 0.0), Motion::default(), None).expect("room");
        }
        let whole = area(SIZE, (0, 0, SIZE.0, SIZE.1));
        let later = [FrameRange::new(40, 90)];
        let alone = meter.within(&whole, &later).expect("notes");
        assert!(alone.iter().all(|one| one.changed), "alone it looks softer: {:?}", alone[0]);
        let told = meter.within_beside(&whole, &later, FrameRange::new(0, 30)).expect("notes");
        assert_eq!(told.len(), 50);
        assert!(told.iter().all(|one| one.changed == pulled), "{:?}", told[0]);
    }
}

#[test]
fn a_frame_that_lies_far_off_tells_nothing_of_focus() {
    let scene = Scene::new(SIZE.0, SIZE.1, Kind::Busy, 5);
    let still = scene.background(&Truth::default());
    let mut dice = Dice::new(4);
    let plate = plate(&scene, &still, &mut dice);
    let mut meter = Sharpness::new(&plate, None, SharpnessLimits::default()).expect("a plate");
    for (t, shift) in [0.0, 1.0, 12.0].into_iter().enumerate() {
        let frame = scene.background(&Truth { shift_x: shift, ..Truth::default() });
        let plane = work(&scene.exposed(&frame, 1.0, GRAIN, &mut dice));
        let motion = Motion { shift_x: shift, ..Motion::default() };
        meter.see(Frame(t as i64), &plane, (1.0, 0.0), motion, None).expect("room");
    }
    let whole = area(SIZE, (0, 0, SIZE.0, SIZE.1));
    let told = meter.within(&whole, &[FrameRange::new(0, 3)]).expect("notes");
    let frames: Vec<i64> = told.iter().map(|one| one.frame.0).collect();
    assert_eq!(frames, [0, 1], "{told:?}");
    assert!(!told[0].changed, "{told:?}");
}

#[test]
fn an_insect_is_found_and_its_frames_named() {
    let scene = Scene::new(SIZE.0, SIZE.1, Kind::Sparse, 6);
    let still = scene.background(&Truth::default());
    let told = watched(&scene, &still, (0, 0, SIZE.0, SIZE.1), None, |t, frame| {
        if (20..27).contains(&t) {
            let (x, y) = (100 + 9 * (t - 20), 60 + 5 * (t - 20));
            for at in 0..25 {
                frame[(y + at / 5) * SIZE.0 + x + at % 5] *= 0.7;
            }
        }
    });
    let crossing = told.moving.first().expect("it crossed");
    assert!(matches!(crossing.kind, Moves::Crossing { codes } if codes < 0.0), "{told:?}");
    assert!(FrameRange::new(19, 28).contains(crossing.range), "{told:?}");
    assert!(crossing.place.0 >= 80 && crossing.place.2 <= 192, "{told:?}");
}

/// Puts what `at` says of each pixel of a rectangle on top of what is there.
fn laid_over(
    frame: &mut [f32],
    (left, top, right, bottom): Place,
    at: impl Fn(usize, usize) -> f32,
) {
    for y in top..bottom {
        for x in left..right {
            frame[y * SIZE.0 + x] += at(x - left, y - top);
        }
    }
}

type Place = (usize, usize, usize, usize);

#[test]
fn a_screen_that_changes_its_picture_is_motion() {
    let scene = Scene::new(SIZE.0, SIZE.1, Kind::Busy, 13);
    let still = scene.background(&Truth::default());
    // Another picture four times a second, in the plate as in its first frames.
    let draw = |t: usize, frame: &mut Vec<f32>| {
        let mut dice = Dice::new(50 + t as u64 / 6);
        let cells: Vec<f32> =
            (0..16).map(|_| if t < 6 { 0.0 } else { 60.0 * dice.bell() as f32 }).collect();
        laid_over(frame, SWAYING, |x, y| cells[y / 16 * 4 + x / 16]);
    };
    let there = watched(&scene, &still, SWAYING, None, draw);
    assert!(!there.moving.is_empty(), "{there:?}");
    // What crosses is told from its surroundings, so those of a screen are no witness.
    let elsewhere = watched(&scene, &still, (0, 176, 480, 272), None, draw);
    assert!(elsewhere.moving.is_empty(), "{elsewhere:?}");
}

#[test]
fn water_that_ripples_is_motion() {
    let scene = Scene::new(SIZE.0, SIZE.1, Kind::Busy, 14);
    let still = scene.background(&Truth::default());
    // Three trains of waves across each other, of twice the grain, which the plate's mean lost.
    let waves = [(0.50, 0.11, 0.9), (-0.21, 0.43, 0.7), (0.33, 0.29, 1.3)];
    let draw = |t: usize, frame: &mut Vec<f32>| {
        laid_over(frame, SWAYING, |x, y| {
            let wave = |(kx, ky, w): &(f32, f32, f32)| {
                (kx * x as f32 + ky * y as f32 - w * t as f32).sin()
            };
            15.0 * waves.iter().map(wave).sum::<f32>()
        });
    };
    let there = watched(&scene, &still, SWAYING, None, draw);
    assert!(!there.moving.is_empty(), "{there:?}");
    let elsewhere = watched(&scene, &still, (0, 144, 480, 272), None, draw);
    assert!(elsewhere.moving.is_empty(), "{elsewhere:?}");
}

#[test]
fn too_few_frames_and_other_sizes_are_told() {
    let scene = Scene::new(SIZE.0, SIZE.1, Kind::Busy, 7);
    let still = scene.background(&Truth::default());
    let mut dice = Dice::new(1);
    assert!(Stillness::new(&PlateSum::new(), None, StillnessLimits::default()).is_none());
    let plate = plate(&scene, &still, &mut dice);
    let mut meter = Stillness::new(&plate, None, StillnessLimits::default()).expect("a plate");
    let small = Plane { width: 10, height: 10, data: vec![0.0; 100] };
    let none = Motion::default();
    assert!(!meter.see(Frame(0), &small, (1.0, 0.0), none, None).expect("room"));
    let mut map = meter.finish().expect("room");
    let whole = area(SIZE, (0, 0, SIZE.0, SIZE.1));
    let told = map.within(&whole, &[FrameRange::new(0, 9)]).expect("notes");
    assert!(told.moving.is_empty() && told.least_sway_px.is_none());
}

/// Blurs and moves a picture with OpenCV (`GaussianBlur`, and `warpAffine` with Lanczos
/// weights); raw bytes of floats in and out.
const OPENCV: &str = "
import sys, cv2, numpy as np
w, h, sigma, dx, dy = int(sys.argv[2]), int(sys.argv[3]), *map(float, sys.argv[4:7])
p = np.fromfile(sys.argv[1], np.float32).reshape(h, w)
if sigma > 0: p = cv2.GaussianBlur(p, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
if dx or dy:
    m = np.float32([[1, 0, dx], [0, 1, dy]])
    p = cv2.warpAffine(p, m, (w, h), flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
p.astype(np.float32).tofile(sys.argv[1] + '.out')
";

fn by_opencv(python: &Path, picture: &[f32], sigma: f64, shift: (f64, f64)) -> Vec<f32> {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("picture");
    let bytes: Vec<u8> = picture.iter().flat_map(|value| value.to_le_bytes()).collect();
    std::fs::write(&file, bytes).expect("room");
    let numbers = [SIZE.0 as f64, SIZE.1 as f64, sigma, shift.0, shift.1];
    let run = Command::new(python)
        .args(["-c", OPENCV])
        .arg(&file)
        .args(numbers.iter().map(f64::to_string))
        .output()
        .expect("Python runs");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let out = std::fs::read(folder.path().join("picture.out")).expect("written");
    out.chunks_exact(4)
        .map(|four| f32::from_le_bytes([four[0], four[1], four[2], four[3]]))
        .collect()
}

#[test]
fn blur_by_opencv_is_told_and_a_shift_is_not_blur() {
    let Some(python) = outside::python_with("cv2") else { return };
    let scene = Scene::new(SIZE.0, SIZE.1, Kind::Busy, 8);
    let still = scene.background(&Truth::default());
    let mut dice = Dice::new(3);
    let plate = plate(&scene, &still, &mut dice);
    let mut meter = Sharpness::new(&plate, None, SharpnessLimits::default()).expect("a plate");
    let cases =
        [(0.0, 0.0, 1.0), (0.5, 0.0, 1.0), (0.0, 0.3, 0.85), (0.5, 0.3, 0.85), (1.2, 0.0, 1.0)];
    for (t, (sigma, shift, gain)) in cases.into_iter().enumerate() {
        let frame = by_opencv(&python, &still, sigma, (shift, -shift));
        let plane = work(&scene.exposed(&frame, gain, 1.4 * GRAIN, &mut dice));
        let motion = Motion { shift_x: shift, shift_y: -shift, ..Motion::default() };
        meter.see(Frame(t as i64), &plane, (gain, 0.0), motion, None).expect("room");
    }
    let whole = area(SIZE, (0, 0, SIZE.0, SIZE.1));
    let told = meter.within(&whole, &[FrameRange::new(0, 9)]).expect("notes");
    assert_eq!(told.len(), cases.len(), "{told:?}");
    for (one, (sigma, _, _)) in told.iter().zip(cases) {
        assert_eq!(one.changed, sigma > 0.0, "{one:?}");
        let off = one.squared_px - sigma * sigma;
        // OpenCV counts shifts in 1/32 px, so .3 is .3125 there, and its Lanczos weights soften.
        assert!(off.abs() < 0.04 + 0.1 * sigma * sigma, "{sigma}: {one:?}");
        assert!(if sigma > 0.0 { one.ratio < 0.97 } else { (one.ratio - 1.0).abs() < 0.02 });
    }
    assert!(told[4].edge_codes > 2.0 * told[1].edge_codes, "{told:?}");
}

#[test]
fn a_sway_by_opencv_is_told_in_pixels() {
    let Some(python) = outside::python_with("cv2") else { return };
    let scene = Scene::new(SIZE.0, SIZE.1, Kind::Busy, 9);
    let still = scene.background(&Truth::default());
    let steps: Vec<Vec<f32>> = (-2..=2)
        .map(|n| by_opencv(&python, &still, 0.0, (f64::from(n) * 0.075, f64::from(n) * 0.075)))
        .collect();
    let (left, top, right, bottom) = SWAYING;
    let told = watched(&scene, &still, SWAYING, None, |t, frame| {
        let from = &steps[[2, 3, 4, 4, 3, 2, 1, 0, 0, 1][t / 2 % 10]];
        for y in top..bottom {
            let run = y * SIZE.0 + left..y * SIZE.0 + right;
            frame[run.clone()].copy_from_slice(&from[run]);
        }
    });
    // Peak .15 px along both axes.
    assert!((told.worst_sway_px - 0.212).abs() < 0.06, "{told:?}");
}

/// Runs a clip through the measure against a plate of it, light and camera taken as still.
fn clip(below: &str, plate: (i64, i64), place: (usize, usize, usize, usize)) -> Option<Activity> {
    let path = outside::shared(below)?;
    let media = platesmith::media::open(&path).expect("the clip opens");
    let count = media.info().frames as i64;
    let mut luma = Vec::new();
    let mut planes = |range: FrameRange, each: &mut dyn FnMut(Frame, Plane)| {
        let mut frames = media.frames(range).expect("inside");
        while let Some(next) = frames.next_frame() {
            let (frame, picture) = next.expect("decodes");
            assert!(picture.luma_u16(&mut luma));
            let size = (picture.width() as usize, picture.height() as usize);
            each(frame, View::new(size.0, size.1, &luma).expect("whole").reduced(1));
        }
    };
    let mut sum = PlateSum::new();
    planes(FrameRange::new(plate.0, plate.1), &mut |_, plane| {
        assert!(sum.add(plane.view().expect("a plane")));
    });
    let mut meter = Stillness::new(&sum, None, StillnessLimits::default()).expect("a plate");
    let mut size = (0, 0);
    planes(FrameRange::new(0, count), &mut |frame, plane| {
        size = (plane.width, plane.height);
        meter.see(frame, &plane, (1.0, 0.0), Motion::default(), None).expect("room");
    });
    let mut map = meter.finish().expect("room");
    Some(map.within(&area(size, place), &[FrameRange::new(0, count)]).expect("notes"))
}

#[test]
fn wind_in_a_tree_is_motion() {
    let Some(told) = clip("footage/locked/tree_wind.mkv", (0, 40), (0, 0, 320, 240)) else {
        return;
    };
    assert!(told.moving.iter().any(|m| matches!(m.kind, Moves::Sway { px, .. } if px > 0.2)));
}

#[test]
fn a_wall_behind_a_signer_is_still() {
    let wall = (128, 0, 192, 256);
    let Some(told) = clip("footage/locked/signer_book.mkv", (0, 24), wall) else { return };
    assert!(told.moving.is_empty(), "{:?}", told.moving);
}

#[test]
fn a_wall_in_frozen_noise_is_still() {
    let wall = (128, 0, 320, 128);
    let Some(told) = clip("footage/boom/person_wall/clean.mkv", (0, 41), wall) else { return };
    assert!(told.moving.is_empty(), "{:?}", told.moving);
}

#[test]
fn sensor_noise_behind_two_people_is_still() {
    let wall = (96, 0, 184, 64);
    let Some(told) = clip("footage/locked/two_people_uncompressed.y4m", (0, 9), wall) else {
        return;
    };
    assert!(told.moving.is_empty(), "{:?}", told.moving);
}
