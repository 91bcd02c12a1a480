//! Prints how near patches come to the truth: on painted takes with grain that is independent
//! from frame to frame, and on real footage with a composited boom where it lies beside the
//! project. One line each: the figure, what is to be reached, where.
//!
//! usage: accuracy_patch [FOLDER of boom cases] [case NAME] [frames]

mod boom;
#[path = "../../tests/divided/mod.rs"]
mod divided;
mod painted;
#[path = "../../tests/scenes/mod.rs"]
mod scenes;

use std::path::PathBuf;

/// Prints one figure and whether it lies within what is to be reached.
pub fn told(what: &str, figure: f64, (least, most): (f64, f64), place: &str) {
    let reached = (least..=most).contains(&figure);
    let mark = if reached { "ok" } else { "MISSED" };
    let goal = match (least, most) {
        (least, most) if least == most => format!("{most}"),
        (0.0, most) => format!("<= {most}"),
        (least, most) => format!("{least} to {most}"),
    };
    println!("{what}: {figure:.3} (to reach: {goal}) {mark}: {place}");
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let only = words.iter().skip_while(|word| *word != "case").nth(1).map(String::as_str);
    let frames = words.iter().any(|word| word == "frames");
    if only.is_none() {
        painted::measured();
    }
    let beside = || {
        let root = std::env::var_os("PLATESMITH_SHARED").map_or("../shared".into(), PathBuf::from);
        root.join("footage/boom")
    };
    let named = words.first().filter(|word| !["case", "frames"].contains(&word.as_str()));
    let folder = named.map_or_else(beside, PathBuf::from);
    if folder.is_dir() {
        boom::measured(&folder, only, frames);
    } else {
        println!("boom cases: left out, {} is not there", folder.display());
    }
}
