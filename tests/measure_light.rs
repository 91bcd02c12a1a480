//! The measure of light, on rendered shots whose light is known and on real ones that NumPy
//! measures.

mod outside;
#[path = "measure_light/boom.rs"]
mod boom;
#[path = "measure_light/clips.rs"]
mod clips;
#[path = "measure_light/codes.rs"]
mod codes;
#[path = "measure_light/curves.rs"]
mod curves;
#[path = "measure_light/real.rs"]
mod real;
#[path = "measure_light/synthetic.rs"]
mod synthetic;
#[path = "../examples/accuracy_light/scene.rs"]
#[allow(dead_code, reason = "the example uses all of it")]
mod scene;
