//! What each measure says of pictures whose truth is known.
//! One program: each links anew what it tests, and that takes as long as a short test.

mod boom;
mod divider;
mod kept;
mod lockoff;
mod overlay;
mod ruler;
mod stillness;

#[path = "../divided/mod.rs"]
mod divided;
#[path = "../hung/mod.rs"]
mod hung;
#[path = "../outside/mod.rs"]
mod outside;
#[path = "../pictures/mod.rs"]
mod pictures;
#[path = "../scenes/mod.rs"]
mod scenes;
