//! Small matrices.

/// Inverts a matrix by elimination with full row pivoting after scaling its diagonal to one;
/// `None` where it is singular to about one part in 1e10.
pub(super) fn inverse<const N: usize>(matrix: &[[f64; N]; N]) -> Option<[[f64; N]; N]> {
    let root: [f64; N] = std::array::from_fn(|at| matrix[at][at].abs().sqrt());
    if root.iter().any(|value| !value.is_finite() || *value <= 0.0) {
        return None;
    }
    let mut left: [[f64; N]; N] =
        std::array::from_fn(|i| std::array::from_fn(|j| matrix[i][j] / root[i] / root[j]));
    let mut right: [[f64; N]; N] =
        std::array::from_fn(|i| std::array::from_fn(|j| f64::from(u8::from(i == j))));
    for column in 0..N {
        let pivot =
            (column..N).max_by(|a, b| left[*a][column].abs().total_cmp(&left[*b][column].abs()))?;
        if left[pivot][column].abs() < 1e-10 {
            return None;
        }
        left.swap(column, pivot);
        right.swap(column, pivot);
        let by = 1.0 / left[column][column];
        left[column].iter_mut().chain(&mut right[column]).for_each(|value| *value *= by);
        for row in (0..N).filter(|row| *row != column) {
            let share = left[row][column];
            for at in 0..N {
                left[row][at] -= share * left[column][at];
                right[row][at] -= share * right[column][at];
            }
        }
    }
    Some(std::array::from_fn(|i| std::array::from_fn(|j| right[i][j] / root[i] / root[j])))
}

/// Returns variances and directions of a symmetric 2x2 covariance, smallest variance first.
pub(super) fn axes(covariance: &[[f64; 2]; 2]) -> ([f64; 2], [[f64; 2]; 2]) {
    let (a, b, d) = (covariance[0][0], covariance[0][1], covariance[1][1]);
    let turn = 0.5 * (2.0 * b).atan2(a - d);
    let (sin, cos) = turn.sin_cos();
    let along = a * cos * cos + 2.0 * b * sin * cos + d * sin * sin;
    ([a + d - along, along], [[-sin, cos], [cos, sin]])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_matrix_times_its_inverse_is_one() {
        let matrix = [[0.0001, 3.0, 0.2], [2.0, 4e6, -7.0], [0.1, -5.0, 0.09]];
        let back = inverse(&matrix).expect("it is regular");
        for (i, row) in matrix.iter().enumerate() {
            for j in 0..3 {
                let sum: f64 = row.iter().zip(&back).map(|(left, right)| left * right[j]).sum();
                assert!((sum - f64::from(u8::from(i == j))).abs() < 1e-6, "{i} {j}: {sum}");
            }
        }
        assert!(inverse(&[[1.0, 2.0], [2.0, 4.0]]).is_none());
        assert!(inverse(&[[0.0]]).is_none());
    }

    #[test]
    fn axes_of_a_turned_ellipse() {
        let (sin, cos) = 0.4_f64.sin_cos();
        let covariance = [
            [9.0 * cos * cos + sin * sin, 8.0 * sin * cos],
            [8.0 * sin * cos, 9.0 * sin * sin + cos * cos],
        ];
        let (variance, direction) = axes(&covariance);
        assert!((variance[0] - 1.0).abs() < 1e-9 && (variance[1] - 9.0).abs() < 1e-9);
        assert!((direction[1][0] - cos).abs() < 1e-9 && (direction[1][1] - sin).abs() < 1e-9);
    }
}
