//! Corrections of plate frames: the light of the take frame each is laid under, and the place
//! the camera had there.
//!
//! ```text
//!   Gauge, Division -> Setting    what was seen round the patch, as small as it can be kept
//!   plate frames    -> Reference  mean and noise of blocks round the patch
//!   every frame     -> Light      how its codes follow from the mean, in a model for all
//!   frame, Light    -> Rest       what that leaves over, as a smooth sheet
//!   plate frame k   -> Corrected  light of need frame k in place of its own
//! ```
//!
//! Everything is measured in the picture's own samples, in codes of eight bits (code times 255
//! over the brightest), component by component.

mod blocks;
mod choice;
mod corrected;
mod course;
mod fit;
mod follow;
mod light;
mod reader;
mod reference;
mod rest;
mod ring;
mod setting;
mod spline;

pub use corrected::{Corrected, Refused, Wish};
pub use fit::Model;
pub use light::Light;
pub use setting::Setting;
