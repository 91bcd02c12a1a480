//! Plates corrected to the take they are laid under, on painted shots whose truth is known.
//! The `ffmpeg` program writes the takes, losslessly; the truth is the painting itself,
//! without boom and without grain.

mod little_show;
mod outside;
mod painted;
mod scenes;

use painted::{Camera, Light, Painted, Show};

/// Root of the mean square, and mean, of what a plate is off by under the boom.
fn off_by(show: &Show, component: usize) -> (f64, f64) {
    let (mut squares, mut sum, mut count) = (0.0, 0.0, 0.0);
    for (frame, plate) in show.plate_frames() {
        let truth = show.shot.truth(frame, component);
        for (at, code) in plate[component].iter().enumerate() {
            if show.shot.is_under_boom(component, at) {
                let off = f64::from(*code) - truth[at];
                (squares, sum, count) = (squares + off * off, sum + off, count + 1.0);
            }
        }
    }
    assert!(count > 0.0, "frames were compared");
    ((squares / count).sqrt(), sum / count)
}

#[test]
fn a_plate_takes_on_light_that_drifts_tilts_and_turns_colour_and_is_the_same_made_twice() {
    let shot = Painted { light: Light::Cloud, ..Painted::default() };
    let Some(show) = Show::made(shot) else { return };
    let found = show.turnover();
    assert_eq!(found["corrections"], serde_json::json!(["match-light"]), "{found:#}");
    assert_eq!(found["plate"]["method"], "encode");
    let why = found["plate"]["encode_reason"].as_str().expect("a reason");
    assert!(why.contains("light"), "{why}");
    for (component, name) in ["Y'", "Cb", "Cr"].iter().enumerate() {
        let (rms, mean) = off_by(&show, component);
        // Grain of the plate frame itself and rounding stay: 1.6 codes, and .29.
        let grain = show.shot.grain_after_light(component);
        assert!(rms <= 1.05 * grain, "{name}: {rms:.3} rms, grain {grain:.3}");
        assert!(mean.abs() < 0.1, "{name}: {mean:.3} off on the whole");
    }
    let bytes = show.plate_bytes(&found);
    let again = show.turnover();
    assert_eq!(found["plate"]["file"], again["plate"]["file"], "no new version");
    assert!(bytes == show.plate_bytes(&again));
}

#[test]
fn a_soft_shadow_that_goes_through_the_patch_is_in_the_plate_too() {
    let shot = Painted { light: Light::CloudAndShadow, ..Painted::default() };
    let Some(show) = Show::made(shot) else { return };
    let found = show.turnover();
    assert_eq!(found["corrections"], serde_json::json!(["match-light"]), "{found:#}");
    let (rms, mean) = off_by(&show, 0);
    let grain = show.shot.grain_after_light(0);
    // Gain and plane alone leave half a code of the shadow in the mean, 1.05 times the grain.
    assert!(rms <= 1.02 * grain && mean.abs() < 0.15, "{rms:.3} rms, {grain:.3}, mean {mean:.3}");
}

#[test]
fn a_step_of_light_is_followed_in_the_frame_it_comes_in() {
    let shot = Painted { light: Light::Step, ..Painted::default() };
    let Some(show) = Show::made(shot) else { return };
    let found = show.turnover();
    assert_eq!(found["corrections"], serde_json::json!(["match-light"]), "{found:#}");
    let step = show.shot.step();
    for (frame, plate) in show.plate_frames() {
        if (step - 3..step + 3).contains(&frame) {
            let truth = show.shot.truth(frame, 0);
            let under = (0..truth.len()).filter(|at| show.shot.is_under_boom(0, *at));
            let offs: Vec<f64> = under.map(|at| f64::from(plate[0][at]) - truth[at]).collect();
            let mean = offs.iter().sum::<f64>() / offs.len() as f64;
            assert!(mean.abs() < 0.3, "frame {frame}: {mean:.3} codes off");
        }
    }
}

#[test]
fn a_plate_in_its_own_light_is_copied() {
    let shot = Painted { light: Light::Steady, ..Painted::default() };
    let Some(show) = Show::made(shot) else { return };
    let found = show.turnover();
    assert_eq!(found["corrections"], serde_json::json!([]), "{found:#}");
    assert_eq!(found["plate"]["method"], "copy");
}

#[test]
fn a_plate_follows_weave_and_creep_and_keeps_its_grain() {
    let shot = Painted { camera: Camera::WeaveAndCreep, ..Painted::default() };
    let Some(show) = Show::made(shot) else { return };
    let found = show.turnover();
    assert_eq!(found["corrections"], serde_json::json!(["follow-motion"]), "{found:#}");
    assert_eq!(found["plate"]["method"], "encode");
    let (rms, most) = show.misregistration();
    let (noise, _) = off_by(&show, 0);
    let grain = show.shot.grain_after_light(0);
    let line = format!("off {rms:.4} px rms, {most:.4} at most; {noise:.3} rms, grain {grain:.3}");
    assert!(rms <= 0.03 && most <= 0.08, "{line}");
    // Squared error 1.05 of what the grain of one frame makes, and no less grain than .97.
    assert!(noise <= 1.025 * grain && noise >= 0.97 * grain, "{line}");
}

#[test]
fn light_and_movement_are_corrected_together() {
    let light = Light::Cloud;
    let shot = Painted { light, camera: Camera::WeaveAndCreep, ..Painted::default() };
    let Some(show) = Show::made(shot) else { return };
    let found = show.turnover();
    let named = serde_json::json!(["follow-motion", "match-light"]);
    assert_eq!(found["corrections"], named, "{found:#}");
    let (rms, most) = show.misregistration();
    let (noise, mean) = off_by(&show, 0);
    let grain = show.shot.grain_after_light(0);
    let line = format!("off {rms:.4} px, {most:.4}; {noise:.3} rms, mean {mean:.3}, {grain:.3}");
    assert!(rms <= 0.03 && most <= 0.08 && mean.abs() < 0.1 && noise <= 1.03 * grain, "{line}");
}
