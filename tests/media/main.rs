//! What is read of media, against the `ffmpeg` program.
//! One program: each links anew what it tests, and that takes as long as a short test.

mod faults;
mod frames;
mod info;
mod locate;
mod shared;

#[path = "../outside/mod.rs"]
mod outside;
#[path = "../pictures/mod.rs"]
mod pictures;
