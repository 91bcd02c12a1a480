//! A plane moved back to where the plate lies.

use super::motion::Motion;
use super::plane::Plane;

/// Returns `plane` as it would be had the camera not moved by `motion`, in pixels of the
/// plane. What comes from outside repeats the edge. Keys' cubic (1981, a = -1/2): a line
/// between two pixels would blur edges enough to look like a change.
pub fn moved_back(plane: &Plane, motion: &Motion) -> Plane {
    let (width, height) = (plane.width, plane.height);
    let half = ((width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0);
    let mut data = Vec::with_capacity(plane.data.len());
    for y in 0..height {
        for x in 0..width {
            let (dx, dy) = motion.at(x as f64 - half.0, y as f64 - half.1);
            data.push(sample(plane, x as f64 + dx, y as f64 + dy));
        }
    }
    Plane { width, height, data }
}

fn sample(plane: &Plane, x: f64, y: f64) -> f32 {
    let (left, top) = (x.floor(), y.floor());
    let (across, down) = (weights((x - left) as f32), weights((y - top) as f32));
    // A cast of a float saturates; far outside is the edge.
    let (left, top) = (left as i64, top as i64);
    let at = |value: i64, size: usize| value.clamp(0, size as i64 - 1) as usize;
    let mut sum = 0.0;
    for (step, weight) in (-1..3).zip(down) {
        let row = at(top.saturating_add(step), plane.height) * plane.width;
        let mut line = 0.0;
        for (step, weight) in (-1..3).zip(across) {
            line += weight * plane.data[row + at(left.saturating_add(step), plane.width)];
        }
        sum += weight * line;
    }
    sum
}

fn weights(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [
        -0.5 * t3 + t2 - 0.5 * t,
        1.5 * t3 - 2.5 * t2 + 1.0,
        -1.5 * t3 + 2.0 * t2 + 0.5 * t,
        0.5 * t3 - 0.5 * t2,
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn picture(motion: &Motion) -> Plane {
        let (width, height) = (90, 60);
        let half = ((width as f64 - 1.0) / 2.0, (height as f64 - 1.0) / 2.0);
        let mut data = Vec::new();
        for y in 0..height {
            for x in 0..width {
                // Where the camera's move has brought each point from, to first order.
                let (dx, dy) = motion.at(x as f64 - half.0, y as f64 - half.1);
                let (px, py) = (x as f64 - dx, y as f64 - dy);
                data.push((100.0 + 40.0 * (px * 0.4).sin() + 30.0 * (py * 0.3 + 1.0).cos()) as f32);
            }
        }
        Plane { width, height, data }
    }

    #[test]
    fn a_move_is_undone_to_a_code() {
        let moved = Motion { shift_x: 1.37, shift_y: -0.62, rotation: 0.002, scale: 0.001 };
        let (still, back) = (picture(&Motion::default()), moved_back(&picture(&moved), &moved));
        for y in 6..54 {
            for x in 6..84 {
                let off = (still.data[y * 90 + x] - back.data[y * 90 + x]).abs();
                assert!(off < 1.0, "{x} {y}: {off}");
            }
        }
        assert_eq!(moved_back(&still, &Motion::default()), still);
    }
}
