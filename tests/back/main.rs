//! What is handed back of a little show.
//! One program: each links anew what it tests, and that takes as long as a short test.

mod compare;
mod rules;
mod temp_cut;

#[path = "../little_show/mod.rs"]
mod little_show;
#[path = "../outside/mod.rs"]
mod outside;
