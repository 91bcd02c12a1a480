//! The pictures: sets, people and booms in linear light, then the camera's code values.

pub mod boom;
pub mod camera;
pub mod cloth;
pub mod code;
pub mod figure;
pub mod foliage;
pub mod hash;
pub mod plane;
pub mod sets;
pub mod stage;
pub mod surfaces;
