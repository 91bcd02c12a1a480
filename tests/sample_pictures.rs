//! The pictures of the sample show: the same on every run, grain as stated, and a truth that
//! says where the boom is. Measured on frames as they leave the generator, before a codec.

mod outside;

#[path = "../examples/sample_show/picture/mod.rs"]
#[allow(dead_code, reason = "the generator uses the rest")]
mod picture;
#[path = "../examples/sample_show/script/mod.rs"]
#[allow(dead_code, reason = "the generator uses the rest")]
mod script;
#[path = "../examples/sample_show/truth.rs"]
mod truth;

use picture::stage::{FrameTruth, Stage};
use script::{Take, takes};

fn take(clip: &str) -> Take {
    takes::named(clip).unwrap_or_else(|| panic!("no take {clip}"))
}

fn shoot(stage: &mut Stage, frame: usize, clean: bool) -> (Vec<u8>, FrameTruth) {
    let mut bytes = Vec::new();
    let truth = stage.shoot(frame, clean, &mut bytes);
    (bytes, truth)
}

/// Luma of a pixel in 10-bit codes.
fn luma(bytes: &[u8], width: usize, x: usize, y: usize) -> i32 {
    let at = 2 * (y * width + x);
    i32::from(u16::from_le_bytes([bytes[at], bytes[at + 1]]))
}

#[test]
fn a_frame_comes_out_the_same_on_every_run_and_in_any_order() {
    let take = take("A002C001");
    let (mut one, mut other) = (Stage::new(&take), Stage::new(&take));
    let first = shoot(&mut one, 150, false).0;
    shoot(&mut other, 12, false);
    assert!(first == shoot(&mut other, 150, false).0);
    assert!(first != shoot(&mut one, 151, false).0, "each frame has its own grain");
}

#[test]
fn the_boom_changes_only_what_the_truth_says() {
    for (clip, frame) in [("A001C003", 150), ("A002C003", 150), ("A003C002", 115)] {
        let take = take(clip);
        let mut stage = Stage::new(&take);
        let (with_boom, truth) = shoot(&mut stage, frame, false);
        let without = shoot(&mut stage, frame, true).0;
        let seen = truth.boom.expect("the boom is in frame").changed;
        let (mut inside, mut outside) = (0, 0);
        for y in 0..take.height {
            for x in 0..take.width {
                let off = luma(&with_boom, take.width, x, y) - luma(&without, take.width, x, y);
                let (px, py) = (x as i32, y as i32);
                let held = (seen.x0..seen.x1).contains(&px) && (seen.y0..seen.y1).contains(&py);
                let worst = if held { &mut inside } else { &mut outside };
                *worst = off.abs().max(*worst);
            }
        }
        // 3 codes of 255 are 12 of 1023; grain follows the level and adds a code or two.
        assert!(inside >= 24, "{clip}: at most {inside} codes inside");
        assert!(outside <= 15, "{clip}: {outside} codes outside {seen:?}");
    }
}

#[test]
fn the_page_of_truth_is_json_with_a_line_for_each_frame() {
    let take = take("A003C004");
    let mut stage = Stage::new(&take);
    let frames: Vec<FrameTruth> = (16..22).map(|frame| shoot(&mut stage, frame, false).1).collect();
    let page = truth::page(&take, &frames, stage.moving(), ("stamp", 1));
    let page: serde_json::Value = serde_json::from_str(&page).expect("JSON");
    assert_eq!(page["boom"], serde_json::json!([[2, 6]]));
    assert_eq!(page["per_frame"].as_array().map(Vec::len), Some(6));
    assert_eq!(page["per_frame"][1]["boom"], serde_json::Value::Null);
    assert_eq!(page["per_frame"][3]["boom"]["shapes"].as_array().map(Vec::len), Some(3));
}

#[test]
fn before_and_after_its_spans_no_boom_is_in_frame() {
    for take in takes::all() {
        let Some(boom) = take.boom else { continue };
        for span in boom.spans {
            let frames = [span[0].wrapping_sub(1), span[1]];
            for frame in frames.into_iter().filter(|frame| *frame < take.frames) {
                let other = boom.spans.iter().any(|other| (other[0]..other[1]).contains(&frame));
                let held = picture::boom::held(&take, frame).is_some();
                assert_eq!(held, other, "{} frame {frame}", take.clip);
            }
        }
    }
}

#[test]
fn grain_is_as_strong_as_stated_and_alike_only_in_neighbours() {
    let take = take("A002C003");
    let mut stage = Stage::new(&take);
    let (one, other) = (shoot(&mut stage, 3, true).0, shoot(&mut stage, 4, true).0);
    let (x0, x1, y0, y1) = (60_usize, 380_usize, 20_usize, 90_usize);
    let off = |x, y| f64::from(luma(&one, take.width, x, y) - luma(&other, take.width, x, y));
    let (mut power, mut pairs, mut far, mut count, mut level) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for y in y0..y1 {
        for x in x0..x1 {
            power += off(x, y) * off(x, y);
            pairs += off(x, y) * off(x + 1, y);
            far += off(x, y) * off(x + 3, y);
            level += f64::from(luma(&one, take.width, x, y) - 64) / 876.0;
            count += 1.0;
        }
    }
    // A difference of two frames has twice the variance of one; the wall is brighter than
    // middle grey, where the curve is flatter, so a tenth less grain is right there.
    let sigma = (power / count / 2.0).sqrt();
    assert!((0.42..0.56).contains(&(level / count)), "level {}", level / count);
    assert!((0.82..1.05).contains(&(sigma / f64::from(take.grain))), "sigma {sigma}");
    let (near, far) = (pairs / power, far / power);
    assert!((0.19..0.29).contains(&near), "neighbours correlate by {near}");
    assert!(far.abs() < 0.03, "three pixels apart correlate by {far}");
}

/// ITU-R BT.709-6, item 1.2: both branches meet at .018 (.081), white is 1; 18 % grey is .409.
#[test]
fn the_curve_is_that_of_the_standard() {
    for (light, code) in [(0.0, 0.0), (0.018, 0.081), (0.18, 0.409), (1.0, 1.0)] {
        let found = picture::code::oetf(light);
        assert!((found - code).abs() < 6e-4, "{light} gives {found}");
    }
}
