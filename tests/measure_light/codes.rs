//! How codes of a frame follow from those of the plate: on codes changed by known numbers.

use crate::scene::{Recipe, Scene};
use crate::synthetic::{PLAIN, encoding, recoded};
use platesmith::measure::Mask;
use platesmith::measure::light::blocks::Codes;
use platesmith::measure::light::{Domain, FrameLight, Meter, Told, Why};
use platesmith::measure::transfer::Curve;

fn meter(scene: &Scene, curve: Option<Curve>) -> Meter {
    let mut meter = Meter::new(encoding(curve));
    (0..8).for_each(|number| assert!(meter.add_plate(&scene.frame(number, false))));
    meter
}

fn green_blocks(frames: &[Codes]) -> Vec<f64> {
    let green = |frame: &Codes| frame.planes[1].clone();
    let planes: Vec<_> = frames.iter().map(green).collect();
    let (columns, rows) = (planes[0].width / 8, planes[0].height / 8);
    let mean = |at: usize| {
        let (left, top) = (at % columns * 8, at / columns * 8);
        let row = |y: usize| {
            let start = (top + y) * planes[0].width + left;
            planes.iter().flat_map(move |p| p.codes[start..start + 8].iter().map(|c| f64::from(*c)))
        };
        (0..8).flat_map(row).sum::<f64>() / (64 * planes.len()) as f64
    };
    (0..columns * rows).map(mean).collect()
}

#[test]
fn a_gain_and_an_offset_of_codes_are_found() {
    let scene = Scene::new(2, Recipe { things: 0, ..PLAIN });
    for curve in [None, Some(Curve::Bt709)] {
        let mut meter = meter(&scene, curve);
        // 1.05 times the code less 30 of 1023: 7.48 codes of 8 bits.
        let frame = recoded(scene.frame(20, false), |code| 1.05 * code - 30.0);
        let light = meter.measure(&frame);
        let found = light.main_coded().expect("nobody is in front");
        assert!((found.gain - 1.05).abs() < 5.0 * found.gain_error.max(0.0006), "{found:?}");
        assert!((found.offset + 7.478).abs() < 5.0 * found.offset_error.max(0.1), "{found:?}");
        assert!((found.code(100.0, 0.0, 0.0) - 97.522).abs() < 0.1, "{found:?}");
    }
}

#[test]
fn what_a_patch_would_be_off_by_is_what_the_pictures_differ_by() {
    let recipe = Recipe { things: 0, gain: [0.88; 3], slope: (0.12, 0.0), ..PLAIN };
    let scene = Scene::new(5, recipe);
    let plain: Vec<Codes> = (0..8).map(|number| scene.frame(number, false)).collect();
    let lit: Vec<Codes> = (30..38).map(|number| scene.frame(number, true)).collect();
    let (before, after) = (green_blocks(&plain), green_blocks(&lit));
    let differences = before.iter().zip(&after).map(|(before, after)| (before - after).abs());
    let mean = differences.sum::<f64>() / before.len() as f64 * 255.0 / 1023.0;
    let visible = meter(&scene, None).measure(&lit[0]).visible.expect("nobody is in front");
    assert!((visible.as_shot.mean / mean - 1.0).abs() < 0.05, "{visible:?} {mean}");
    assert!(visible.one_gain.mean < 0.5 * visible.as_shot.mean, "{visible:?}");
    assert!(visible.tilt.mean < 0.5 * visible.one_gain.mean, "{visible:?}");
    // Grain of 13 codes of 10 bits in tiles of 1024 samples is .1 code of 8 bits.
    assert!(visible.left < 0.5, "{visible:?}");
}

#[test]
fn a_mask_holds_at_any_size_and_names_what_is_asked() {
    let scene = Scene::new(1, Recipe { flat: true, things: 1, ..PLAIN });
    // Nobody reaches the top of the picture.
    let top = |by: usize| Mask::from_fn(480 / by, 272 / by, |_, y| y < 88 / by);
    let lights: Vec<FrameLight> = [1, 2, 8]
        .map(|by| {
            meter(&scene, Some(Curve::Bt709)).with_mask(&top(by)).measure(&scene.frame(101, true))
        })
        .into();
    assert!(lights.iter().all(|light| *light == lights[0]), "one mask at three sizes");
    let found = lights[0].main().expect("bare wall alone");
    assert!((found.gain / 1.1 - 1.0).abs() < 0.002, "{found:?}");
    let nothing = Mask::new(480, 272);
    let light = meter(&scene, None).with_mask(&nothing).measure(&scene.frame(101, true));
    let why = |told: &Told| matches!(told, Told::CannotTell { why: Why::TooFewBlocks, .. });
    assert!(light.channels.iter().all(why) && light.main_coded().is_none());
}

#[test]
fn without_a_plate_nothing_is_told() {
    let scene = Scene::new(1, PLAIN);
    let light = Meter::new(encoding(None)).measure(&scene.frame(0, false));
    assert_eq!(light.domain, Domain::Coded);
    assert!(matches!(light.channels[..], [Told::CannotTell { why: Why::NoPlate, .. }, ..]));
}

#[test]
fn pictures_of_one_code_are_told_nothing_about() {
    // All black, all white, and no samples at all.
    for code in [0, 1023] {
        let mut meter = Meter::new(encoding(None));
        let scene = Scene::new(1, Recipe { width: 160, height: 96, ..PLAIN });
        let bare = recoded(scene.frame(0, false), |_| f64::from(code));
        assert!(meter.add_plate(&bare));
        let light = meter.measure(&bare);
        assert!(light.main().is_none() && light.main_coded().is_none());
    }
    let mut meter = Meter::new(encoding(None));
    meter.add_plate(&Codes::default());
    assert!(meter.measure(&Codes::default()).main().is_none());
}
