//! One test for each repaired fault.
//! One program: each links anew what it tests, and that takes as long as a short test.

mod contract;
mod faults;

#[path = "../little_show/mod.rs"]
mod little_show;
#[path = "../outside/mod.rs"]
mod outside;
