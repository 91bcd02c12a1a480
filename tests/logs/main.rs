//! Plate logs, reports and sound files.
//! One program: each links anew what it tests, and that takes as long as a short test.

mod card;
mod plates;
mod sound;

#[path = "../outside/mod.rs"]
mod outside;
#[path = "../waves/mod.rs"]
mod waves;
