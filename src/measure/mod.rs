//! What the pixels say: measures of every frame against its plate.

pub mod light;
pub mod transfer;
