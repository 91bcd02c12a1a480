//! Scenes most of which moves by itself: clouds over a skyline, leaves around windows.

use super::{Kind, Scene, Truth};

/// A still scene with something in front or behind that goes its own way.
pub struct Drift {
    still: Scene,
    moving: Vec<Scene>,
    kind: Mover,
    /// Share of the frame that moves by itself.
    share: f64,
}

/// What moves by itself.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Mover {
    /// Clouds above a skyline; they drift one way.
    Clouds,
    /// Leaves in patches all over the frame; they sway, partly together.
    Leaves,
}

impl Drift {
    pub fn new(width: usize, height: usize, kind: Mover, share: f64, seed: u64) -> Self {
        let (count, texture) = match kind {
            Mover::Clouds => (1, Kind::Soft),
            Mover::Leaves => (3, Kind::Busy),
        };
        let scene = |number: u64, kind| Scene::new(width, height, kind, seed + 100 * number);
        Self {
            still: scene(0, Kind::Busy),
            moving: (1..=count).map(|number| scene(number, texture)).collect(),
            kind,
            share,
        }
    }

    /// The scene that holds still, for light and grain.
    pub fn still(&self) -> &Scene {
        &self.still
    }

    /// Renders the frame at `time` (0 to 1 over the take) with the camera at `camera`; what
    /// moves by itself goes `far` pixels over the take, or sways by that.
    pub fn frame(&self, camera: &Truth, time: f64, far: f64) -> Vec<f32> {
        let (width, height) = (self.still.width, self.still.height);
        let mut out = self.still.background(camera);
        for (number, scene) in self.moving.iter().enumerate() {
            let (x, y) = self.way(number, time, far);
            let truth =
                Truth { shift_x: camera.shift_x + x, shift_y: camera.shift_y + y, ..*camera };
            let layer = scene.background(&truth);
            for at in 0..width * height {
                let (x, y) = ((at % width) as f64, (at / width) as f64);
                let cover = self.cover(x - camera.shift_x, y - camera.shift_y, number) as f32;
                out[at] += cover * (layer[at] - out[at]);
            }
        }
        out
    }

    fn way(&self, number: usize, time: f64, far: f64) -> (f64, f64) {
        match self.kind {
            Mover::Clouds => (far * time, 0.2 * far * time),
            Mover::Leaves => {
                // Gusts move all patches; each flutters besides.
                let gust = (time * 40.0).sin() + 0.5 * (time * 17.0 + 1.0).sin();
                let own = (time * (90.0 + 20.0 * number as f64) + number as f64).sin();
                (far * (gust + 0.4 * own) / 1.9, 0.3 * far * own)
            }
        }
    }

    /// How much of a place of the scene a layer covers, 0 to 1, with edges two pixels soft.
    fn cover(&self, x: f64, y: f64, number: usize) -> f64 {
        let (w, h) = (self.still.width as f64, self.still.height as f64);
        match self.kind {
            Mover::Clouds => {
                let roofs = (x / w * 23.0).sin() + 0.6 * (x / w * 57.0 + 1.0).sin();
                let skyline = h * self.share + 0.03 * h * roofs;
                ((skyline - y) / 2.0).clamp(0.0, 1.0)
            }
            Mover::Leaves => {
                // Columns of leaves, taken in turn by the layers, with gaps between.
                let part = x / w * 9.0;
                let mine = part.floor() as usize % 3 == number;
                let inside = (part.fract() - 0.5).abs() * w / 9.0;
                let half = self.share / 2.0 * w / 9.0;
                if mine { ((half - inside) / 2.0).clamp(0.0, 1.0) } else { 0.0 }
            }
        }
    }
}
