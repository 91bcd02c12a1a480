//! The cut: read without loss, walked with exact fractions, everything unknown kept as read.

mod used;

pub use used::{MediaReference, RecordSpan, ReferenceKind, Speed, Use};
