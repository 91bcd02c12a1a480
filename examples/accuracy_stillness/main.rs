//! Prints how surely motion in the background and changes of focus are found, on scenes of
//! known truth and on footage.
//!
//! usage: accuracy_stillness [footage FOLDER] [explore CLIP PLATE_FROM PLATE_TO]

#[path = "../../tests/scenes/mod.rs"]
mod scenes;
mod footage;

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

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    if words.first().is_some_and(|word| word == "explore") {
        explore(&words[1], words[2].parse().expect("number"), words[3].parse().expect("number"));
    }
    let _ = scenes::Dice::new(1);
}
