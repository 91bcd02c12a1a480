//! Plates as files, against the `ffmpeg` program.
//! One program: each links anew what it tests, and that takes as long as a short test.

mod copied;
mod encoded;
mod numbered;

#[path = "../outside/mod.rs"]
mod outside;
#[path = "../pictures/mod.rs"]
mod pictures;
#[path = "../plates/mod.rs"]
mod plates;
