//! What was noted on set: records of takes, their plates, booms and lock-offs.

mod record;

pub use record::{PlateKind, PlateNote, Point, PointRange, Record, Serves, Unusable};
