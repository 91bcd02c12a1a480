//! The cut: read without loss, walked with exact fractions, everything unknown kept as read.
//!
//! [`read_cut`] reads a file or bundle into a [`Cut`]: the uses, and the [`json::Document`]
//! they were read from, which is also what is written back.

mod ratio;
mod span;
pub mod json;
mod bundle;
mod used;
mod times;
mod pace;
mod faults;
mod model;
mod media;
mod view;
mod walk;
mod read;

pub use bundle::{Bundle, BundleKind, MediaPlace};
pub use read::{Cut, ReadOptions, read_cut};
pub use used::{MediaReference, RecordSpan, ReferenceKind, Speed, Use};
pub use walk::Counted;
