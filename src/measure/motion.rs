//! A small move of the whole picture.

/// Shift, rotation and scale of a frame against the plate.
///
/// A point of the plate at `(x, y)` from the middle of the frame, x right and y down, is
/// found in the frame at `(x, y) + (shift_x + scale*x - rotation*y, shift_y + rotation*x +
/// scale*y)`.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct Motion {
    /// Shift to the right at the middle of the frame, in pixels.
    pub shift_x: f64,
    /// Shift downward at the middle of the frame, in pixels.
    pub shift_y: f64,
    /// Rotation, clockwise as seen, in radians (its sine times the scale, to be exact).
    pub rotation: f64,
    /// Scale less one: 1e-6 is one part in a million larger.
    pub scale: f64,
}

impl Motion {
    /// Returns by how much a point is displaced, in pixels; `x` and `y` from the middle.
    pub fn at(&self, x: f64, y: f64) -> (f64, f64) {
        (
            self.shift_x + self.scale * x - self.rotation * y,
            self.shift_y + self.rotation * x + self.scale * y,
        )
    }

    /// Returns the length of the shift at the middle, in pixels.
    pub fn shift_px(&self) -> f64 {
        self.shift_x.hypot(self.shift_y)
    }

    /// Returns the same move on a plane reduced by `by`.
    pub(super) fn reduced(&self, by: f64) -> Motion {
        Motion { shift_x: self.shift_x / by, shift_y: self.shift_y / by, ..*self }
    }

    /// Returns the parameters in the order of the least-squares fits.
    pub(super) fn parameters(&self) -> [f64; 4] {
        [self.shift_x, self.shift_y, self.rotation, self.scale]
    }

    pub(super) fn from_parameters(p: [f64; 4]) -> Motion {
        Motion { shift_x: p[0], shift_y: p[1], rotation: p[2], scale: p[3] }
    }

    pub(super) fn plus(&self, step: [f64; 4]) -> Motion {
        let p = self.parameters();
        Motion::from_parameters(std::array::from_fn(|at| p[at] + step[at]))
    }
}
