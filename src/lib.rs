//! Platesmith tells, for every shot of a locked cut in which a microphone boom was let
//! into a locked-off take on purpose, whether it can be patched from a clean plate over
//! exactly the frames the cut uses, and builds the plates.
//!
//! The job in one pass:
//!
//! 1. [`timeline`] reads the cut without loss and walks it with exact fractions to its uses;
//! 2. [`platelog`] reads what was noted on set, [`matching`] finds the record of each use;
//! 3. [`reach`] holds the patched frames against lock-off and plate, from claims alone;
//! 4. [`media`] finds and reads the pictures;
//! 5. [`measure`] tells from the pictures what the camera, the light and the background did;
//! 6. [`grain`] knows the grain of a take and makes more of it, [`plate`] lays a plate out
//!    over need and copies or encodes it, [`loops`] finds where it turns and renders what
//!    cannot be copied, [`corrections`] match its light and make it follow the camera where
//!    it needs that, [`patch`] makes the matte and lays the plate over the take, [`viewing`]
//!    makes a copy of that to look at, [`gather`] builds a plate where the boom itself moves;
//! 7. [`findings`] gathers what was found, [`marks`] says it in one line, [`annotate`]
//!    writes it onto the timeline and [`report`] into lists and pages; [`review`] runs all
//!    of it;
//! 8. [`compare`] tells what a recut changes, and which renders hold; [`farm`] makes a job of
//!    the renders.
//!
//! A module uses only the modules above it in the list below.

pub mod error;
pub mod whole;
pub mod time;
pub mod settings;
pub mod media;
pub mod reason;
pub mod timeline;
pub mod platelog;
pub mod matching;
pub mod reach;
pub mod measure;
pub mod grain;
pub mod plate;
pub mod loops;
pub mod corrections;
pub mod patch;
pub mod viewing;
pub mod gather;
pub mod findings;
pub mod inspection;
pub mod proof;
pub mod verdict;
pub mod marks;
pub mod annotate;
pub mod report;
pub mod review;
pub mod inspect;
pub mod compare;
pub mod farm;
pub mod cli;

#[cfg(test)]
mod schemas;
