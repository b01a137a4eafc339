//! Numerical tools that several modules use: order statistics, linear interpolation, small linear systems.
//!
//! Pure: no I/O, no clock, no panic on data. Every function gives the same bits for the same input, and has a documented
//! answer for empty input and NaN.

pub mod nonnegative;

/// The element of rank `rank` (from 0) in rising order; `None` where there are fewer elements. NaN sorts last.
///
/// Reorders the values.
pub fn ranked(values: &mut [f64], rank: usize) -> Option<f64> {
    (rank < values.len()).then(|| *values.select_nth_unstable_by(rank, f64::total_cmp).1)
}

/// The upper median, the element of rank n/2; `None` of none. NaN sorts last. Reorders the values.
pub fn upper_median(values: &mut [f64]) -> Option<f64> {
    ranked(values, values.len() / 2)
}

/// The median of the finite values: the mean of the two middle ones where their number is even; `None` of none.
///
/// Removes what is not finite and reorders the rest.
pub fn median(mut values: Vec<f64>) -> Option<f64> {
    values.retain(|v| v.is_finite());
    let even = values.len().is_multiple_of(2);
    let upper = upper_median(&mut values)?;
    // Everything before the upper median is at most as large.
    let below = &values[..values.len() / 2];
    let lower = if even { below.iter().copied().fold(f64::MIN, f64::max) } else { upper };
    Some(0.5 * (lower + upper))
}

/// Where `x` lies on a strictly rising axis: the sample at or below it and the share of the way to the next, 0 to 1.
///
/// The last sample is answered as (last but one, 1). `None` outside the axis, for NaN, and on fewer than two samples.
pub fn locate(axis: &[f64], x: f64) -> Option<(usize, f64)> {
    let (first, last) = (axis.first()?, axis.last()?);
    if axis.len() < 2 || !(x >= *first && x <= *last) {
        return None;
    }
    let i = axis.partition_point(|a| *a <= x).saturating_sub(1).min(axis.len() - 2);
    Some((i, (x - axis[i]) / (axis[i + 1] - axis[i])))
}

/// The value at `x`, linear between samples; `None` outside the axis, for NaN, and where `values` is too short.
pub fn interpolate(axis: &[f64], values: &[f64], x: f64) -> Option<f64> {
    let (i, share) = locate(axis, x)?;
    let (a, b) = (*values.get(i)?, *values.get(i + 1)?);
    // Each end is answered exactly, so that a missing (NaN) neighbour does not affect it.
    Some(match share {
        0.0 => a,
        1.0 => b,
        s => a + (b - a) * s,
    })
}

/// The value at `x`, linear between samples and constant beyond both ends; 0 of an empty table. The axis must rise.
pub fn interpolate_clamped(axis: &[f64], values: &[f64], x: f64) -> f64 {
    let n = axis.len().min(values.len());
    if n == 0 {
        return 0.0;
    }
    let i = axis[..n].partition_point(|v| *v <= x);
    if i == 0 {
        return values[0];
    }
    if i == n {
        return values[n - 1];
    }
    let share = (x - axis[i - 1]) / (axis[i] - axis[i - 1]);
    values[i - 1] + share * (values[i] - values[i - 1])
}

/// The inverse of a symmetric positive definite matrix by elimination, scaled to its diagonal; `None` where it has none.
pub fn inverse<const N: usize>(matrix: [[f64; N]; N]) -> Option<[[f64; N]; N]> {
    /// Relative size below which a pivot is rounding.
    const ROUNDING: f64 = 1e-13;
    let scale: [f64; N] = std::array::from_fn(|i| 1.0 / matrix[i][i].sqrt());
    if !scale.iter().all(|s| s.is_finite()) {
        return None;
    }
    let mut a: [[f64; N]; N] = std::array::from_fn(|i| std::array::from_fn(|j| matrix[i][j] * scale[i] * scale[j]));
    let mut b: [[f64; N]; N] = std::array::from_fn(|i| std::array::from_fn(|j| if i == j { 1.0 } else { 0.0 }));
    for k in 0..N {
        let pivot = a[k][k];
        if !(pivot > ROUNDING) {
            return None;
        }
        for j in 0..N {
            a[k][j] /= pivot;
            b[k][j] /= pivot;
        }
        for i in (0..N).filter(|i| *i != k) {
            let factor = a[i][k];
            for j in 0..N {
                a[i][j] -= factor * a[k][j];
                b[i][j] -= factor * b[k][j];
            }
        }
    }
    Some(std::array::from_fn(|i| std::array::from_fn(|j| b[i][j] * scale[i] * scale[j])))
}

/// The lower triangular L with L·Lᵀ = `matrix` (Cholesky), for a symmetric positive semidefinite matrix.
///
/// A column whose pivot is not above rounding is zero, so that a covariance without full rank has a factor too. NaN in the
/// matrix makes NaN in the factor.
pub fn cholesky<const N: usize>(matrix: &[[f64; N]; N]) -> [[f64; N]; N] {
    /// Share of the diagonal element below which what is left of it is rounding.
    const ROUNDING: f64 = 1e-12;
    let mut factor = [[0.0; N]; N];
    for j in 0..N {
        let left = matrix[j][j] - factor[j][..j].iter().map(|x| x * x).sum::<f64>();
        if left <= ROUNDING * matrix[j][j] {
            continue;
        }
        factor[j][j] = left.sqrt();
        for i in j + 1..N {
            let known: f64 = factor[i][..j].iter().zip(&factor[j][..j]).map(|(a, b)| a * b).sum();
            factor[i][j] = (matrix[i][j] - known) / factor[j][j];
        }
    }
    factor
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Identity: ranks and medians are those of the sorted values.
        #[test]
        fn order_statistics_are_those_of_the_sorted_values(
            values in prop::collection::vec(prop_oneof![-1e6f64..1e6, Just(4.0), 1.0f64..1.1], 1..100),
        ) {
            let mut sorted = values.clone();
            sorted.sort_by(f64::total_cmp);
            let n = sorted.len();
            prop_assert_eq!(upper_median(&mut values.clone()), Some(sorted[n / 2]));
            prop_assert_eq!(median(values.clone()), Some(0.5 * (sorted[(n - 1) / 2] + sorted[n / 2])));
            for rank in [0, n / 4, n - 1] {
                prop_assert_eq!(ranked(&mut values.clone(), rank), Some(sorted[rank]));
            }
        }
    }

    /// Edge set: none has no median, NaN sorts last and is left out of a median.
    #[test]
    fn order_statistics_of_nothing_and_of_nan_have_an_answer() {
        assert_eq!((ranked(&mut [], 0), upper_median(&mut []), median(vec![])), (None, None, None));
        assert_eq!(ranked(&mut [1.0], 1), None);
        assert_eq!(upper_median(&mut [f64::NAN, 2.0, 1.0]), Some(2.0));
        assert_eq!(median(vec![f64::NAN, 2.0, f64::INFINITY, 1.0]), Some(1.5));
        assert_eq!(median(vec![f64::NAN]), None);
    }

    /// Identity: samples come back exactly, the middle is the mean, and nothing is made up outside.
    #[test]
    fn a_position_is_found_between_its_neighbours_and_nowhere_else() {
        let axis = [300.0, 301.0, 303.0];
        assert_eq!(locate(&axis, 300.0), Some((0, 0.0)));
        assert_eq!(locate(&axis, 302.0), Some((1, 0.5)));
        assert_eq!(locate(&axis, 303.0), Some((1, 1.0)));
        for outside in [299.999, 303.001, f64::NAN, f64::INFINITY] {
            assert_eq!(locate(&axis, outside), None);
        }
        assert_eq!(locate(&[300.0], 300.0), None);
        assert_eq!(interpolate(&axis, &[1.0, 2.0, 6.0], 302.0), Some(4.0));
        assert_eq!(interpolate(&axis, &[1.0, 2.0, 6.0], 303.0), Some(6.0));
        assert_eq!(interpolate(&axis, &[1.0, f64::NAN], 300.0), Some(1.0));
        assert_eq!(interpolate(&axis, &[1.0], 302.0), None);
    }

    /// Identity: between samples as [`interpolate`], beyond them the end values.
    #[test]
    fn a_clamped_table_keeps_its_ends() {
        let (axis, values) = ([300.0, 301.0, 303.0], [1.0, 2.0, 6.0]);
        for (x, want) in [(0.0, 1.0), (300.0, 1.0), (300.5, 1.5), (302.0, 4.0), (303.0, 6.0), (9e9, 6.0)] {
            assert_eq!(interpolate_clamped(&axis, &values, x), want, "{x}");
        }
        assert_eq!((interpolate_clamped(&[], &[], 1.0), interpolate_clamped(&[5.0], &[7.0], 1.0)), (0.0, 7.0));
    }

    fn product<const N: usize>(a: &[[f64; N]; N], b: &[[f64; N]; N]) -> [[f64; N]; N] {
        std::array::from_fn(|i| std::array::from_fn(|j| (0..N).map(|k| a[i][k] * b[k][j]).sum()))
    }

    /// Identity: a matrix times its inverse is one; a singular one has none.
    #[test]
    fn a_matrix_times_its_inverse_is_one() {
        let m = [[4.0, 1.0, 0.5], [1.0, 3.0, -0.2], [0.5, -0.2, 2e-6]];
        let m = [[m[0][0], m[0][1], 1e-4], [m[1][0], m[1][1], -1e-4], [1e-4, -1e-4, m[2][2]]];
        let one = product(&m, &inverse(m).unwrap());
        for (i, row) in one.iter().enumerate() {
            for (j, x) in row.iter().enumerate() {
                assert!((x - f64::from(u8::from(i == j))).abs() < 1e-12, "{i} {j}: {x}");
            }
        }
        assert!(inverse([[1.0, 1.0], [1.0, 1.0]]).is_none() && inverse([[0.0]]).is_none());
        assert!(inverse([[f64::NAN]]).is_none());
    }

    /// Identity: the factor times its transpose is the matrix, without full rank too.
    #[test]
    fn a_factor_times_its_transpose_is_the_matrix() {
        let v = [1.0, -2.0, 0.5, 3.0];
        let rank_one: [[f64; 4]; 4] = std::array::from_fn(|i| std::array::from_fn(|j| v[i] * v[j]));
        let mut full = rank_one;
        (0..4).for_each(|i| full[i][i] += 0.1);
        for matrix in [full, rank_one, [[0.0; 4]; 4]] {
            let l = cholesky(&matrix);
            let transposed = std::array::from_fn(|i| std::array::from_fn(|j| l[j][i]));
            for (row, want) in product(&l, &transposed).iter().zip(&matrix) {
                for (x, want) in row.iter().zip(want) {
                    assert!((x - want).abs() < 1e-12, "want {want}, got {x}");
                }
            }
        }
        assert!(cholesky(&[[f64::NAN]])[0][0].is_nan());
    }
}
