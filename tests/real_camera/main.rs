//! Plates that are to follow a real camera: film that weaves, and a camera that creeps. A boom
//! is drawn into the takes, so that what lies under it is known.

#[path = "../composited/mod.rs"]
mod composited;
#[path = "../little_show/mod.rs"]
mod little_show;
#[path = "../outside/mod.rs"]
mod outside;
mod register;

use composited::{Boom, RealTake, Shot, Show, says};
use register::{Area, off};

fn turned_over(take: &RealTake, boom: &Boom, shot: &Shot<'_>) -> (Show, serde_json::Value) {
    let show = Show::of(&take.rate, take.frames.len() as i64, shot);
    take.write(boom, &show.take());
    let found = show.turned_over();
    (show, found)
}

/// How far two parts of the set move apart while neither moves by itself: root of the mean
/// square over frames, in pixels. No plate that moves as one follows both by half of it.
fn apart(take: &RealTake, frames: std::ops::Range<i64>, plate: i64, parts: [&Area; 2]) -> f64 {
    let count = (frames.end - frames.start) as f64;
    let squares = frames.map(|frame| {
        let [one, two] =
            parts.map(|part| off(take.luma(frame), take.luma(plate), take.size.0, part));
        (one.0 - two.0).powi(2) + (one.1 - two.1).powi(2)
    });
    (squares.sum::<f64>() / count).sqrt()
}

#[test]
fn film_that_does_not_weave_as_one_is_not_followed() {
    let Some(take) = RealTake::read("moving/film_weave.mp4") else { return };
    let boom = Boom { frames: (116, 150), tip: (286.0, 40.0), thick: 12.0 };
    let shot = Shot { used: (122, 142), plates: "#66-#112", boom: "#116-#150" };
    let (_show, found) = turned_over(&take, &boom, &shot);
    // Arches under the boom, and the ball on the pillar: nobody comes near either.
    let (arches, ball) = (Area { x: 250..330, y: 3..60 }, Area { x: 450..500, y: 3..40 });
    let apart = apart(&take, 122..142, 90, [&arches, &ball]);
    println!("parts of the set move apart by {apart:.3} px rms");
    // More than twice what a plate may lie off (.06 px): a plate that moves as one cannot.
    assert!(apart > 0.12, "{apart}");
    assert_eq!(found["verdict"], "by-hand", "{found:#}");
    assert!(found["plate"].is_null() && found["corrections"] == serde_json::json!([]), "{found:#}");
    let refused = found["reasons"].as_array().expect("a list").iter().any(|one| {
        let text = one["text"].as_str().unwrap_or_default();
        one["severity"] == "stop" && text.contains("cannot follow the camera")
    });
    assert!(refused, "{found:#}");
}

#[test]
fn a_camera_that_creeps_is_not_followed_past_three_pixels() {
    // It creeps by 12 px over 377 frames: by 1.9 px and more from the plate after frame 75.
    let Some(take) = RealTake::read("moving/creeping_street.mp4") else { return };
    let boom = Boom { frames: (76, 130), tip: (300.0, 90.0), thick: 24.0 };
    let shot = Shot { used: (82, 126), plates: "#0-#40", boom: "#76-#130" };
    let (_show, found) = turned_over(&take, &boom, &shot);
    assert_eq!(found["verdict"], "by-hand", "{found:#}");
    assert!(found["plate"].is_null() && found["corrections"] == serde_json::json!([]), "{found:#}");
    assert!(says(&found, "camera-moved", "stop"), "{found:#}");
    let texts = found["reasons"].as_array().expect("a list").iter();
    let answered = |one: &serde_json::Value| {
        one["text"].as_str().is_some_and(|text| text.contains("follows the camera answers it"))
    };
    assert_eq!(texts.filter(|one| answered(one)).count(), 0, "{found:#}");
}
