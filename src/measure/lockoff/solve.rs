//! Small symmetric systems.

/// Solves `a x = b` for a symmetric positive definite `a` and returns `x` with the inverse
/// of `a`; `None` if it is not positive definite.
pub(super) fn solve<const N: usize>(
    a: &[[f64; N]; N],
    b: &[f64; N],
) -> Option<([f64; N], [[f64; N]; N])> {
    let lower = cholesky(a)?;
    let mut inverse = [[0.0; N]; N];
    for column in 0..N {
        let unit = std::array::from_fn(|at| if at == column { 1.0 } else { 0.0 });
        let solved = substitute(&lower, &unit);
        for (row, value) in inverse.iter_mut().zip(solved) {
            row[column] = value;
        }
    }
    Some((substitute(&lower, b), inverse))
}

fn cholesky<const N: usize>(a: &[[f64; N]; N]) -> Option<[[f64; N]; N]> {
    let mut lower = [[0.0; N]; N];
    for row in 0..N {
        for column in 0..=row {
            let known: f64 = (0..column).map(|at| lower[row][at] * lower[column][at]).sum();
            let rest = a[row][column] - known;
            if row != column {
                lower[row][column] = rest / lower[column][column];
            } else if rest > a[row][row].abs() * 1e-13 {
                lower[row][row] = rest.sqrt();
            } else {
                return None;
            }
        }
    }
    Some(lower)
}

fn substitute<const N: usize>(lower: &[[f64; N]; N], b: &[f64; N]) -> [f64; N] {
    let mut x = *b;
    for row in 0..N {
        let known: f64 = (0..row).map(|at| lower[row][at] * x[at]).sum();
        x[row] = (x[row] - known) / lower[row][row];
    }
    for row in (0..N).rev() {
        let known: f64 = (row + 1..N).map(|at| lower[at][row] * x[at]).sum();
        x[row] = (x[row] - known) / lower[row][row];
    }
    x
}

/// Returns the value below which a share of the values lies; reorders them. 0 for none.
pub(super) fn quantile(values: &mut [f32], share: f64) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let at = ((values.len() - 1) as f64 * share.clamp(0.0, 1.0)).round() as usize;
    *values.select_nth_unstable_by(at, f32::total_cmp).1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_solution_and_the_inverse_fit_the_system() {
        let a = [[4.0, 1.0, 0.5], [1.0, 3.0, -0.2], [0.5, -0.2, 2.0]];
        let (x, inverse) = solve(&a, &[1.0, 2.0, 3.0]).unwrap();
        for row in 0..3 {
            let product: f64 = (0..3).map(|at| a[row][at] * x[at]).sum();
            assert!((product - [1.0, 2.0, 3.0][row]).abs() < 1e-12);
            for column in [0, 1, 2] {
                let unit: f64 = (0..3).map(|at| a[row][at] * inverse[at][column]).sum();
                assert!((unit - f64::from(u8::from(row == column))).abs() < 1e-12);
            }
        }
        assert!(solve(&[[1.0, 1.0], [1.0, 1.0]], &[1.0, 1.0]).is_none());
        assert!(solve(&[[0.0]], &[1.0]).is_none());
    }

    #[test]
    fn a_quantile_of_nothing_is_zero() {
        assert_eq!(quantile(&mut [], 0.5), 0.0);
        assert_eq!(quantile(&mut [3.0, 1.0, 2.0], 0.5), 2.0);
    }
}
