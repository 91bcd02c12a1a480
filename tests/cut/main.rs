//! Cuts and their clocks.
//! One program: each links anew what it tests, and that takes as long as a short test.

mod clocks;
mod invalid;
mod opentime;
mod reach;
mod truth;
mod walk;

#[path = "../cuts/mod.rs"]
mod cuts;
#[path = "../outside/mod.rs"]
mod outside;
