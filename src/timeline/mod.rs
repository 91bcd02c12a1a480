//! The cut: read without loss, walked with exact fractions, everything unknown kept as read.

pub mod json;
mod used;

pub use used::{MediaReference, RecordSpan, ReferenceKind, Speed, Use};
