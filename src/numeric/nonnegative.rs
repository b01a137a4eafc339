//! Least squares with coefficients that cannot be negative.
//!
//! The active-set method of Lawson & Hanson (1974, *Solving Least Squares Problems*, chapter 23), on the normal equations: columns are
//! few and scaled to unit length, so that squaring the condition costs nothing that matters beside the noise of a spectrum.

/// Largest gradient of an inactive column that counts as zero, with columns and right-hand side scaled to unit length [1].
const ROUNDING: f64 = 1e-12;

/// A solution.
#[derive(Clone, Debug, PartialEq)]
pub struct NonNegative {
    /// Coefficients, zero or positive.
    pub coefficients: Vec<f64>,
    /// Inverse of the normal matrix of the positive coefficients, zero elsewhere: their covariance for unit variance of the rows.
    pub covariance: Vec<Vec<f64>>,
}

/// Coefficients x ≥ 0 that make |Σ xⱼ·columnⱼ − target|² least; columns of zeros have the coefficient 0.
///
/// Every column has as many rows as `target`. NaN anywhere makes all coefficients 0.
pub fn solve(columns: &[Vec<f64>], target: &[f64]) -> NonNegative {
    let n = columns.len();
    let dot = |a: &[f64], b: &[f64]| -> f64 { a.iter().zip(b).map(|(a, b)| a * b).sum() };
    let lengths: Vec<f64> = columns.iter().map(|c| dot(c, c).sqrt()).collect();
    let size = dot(target, target).sqrt();
    let mut solution = NonNegative { coefficients: vec![0.0; n], covariance: vec![vec![0.0; n]; n] };
    if !(size > 0.0 && size.is_finite() && lengths.iter().all(|l| l.is_finite())) {
        return solution;
    }
    let scale = |j: usize| if lengths[j] > 0.0 { 1.0 / lengths[j] } else { 0.0 };
    let normal: Vec<Vec<f64>> =
        (0..n).map(|i| (0..n).map(|j| dot(&columns[i], &columns[j]) * scale(i) * scale(j)).collect()).collect();
    let right: Vec<f64> = (0..n).map(|j| dot(&columns[j], target) * scale(j) / size).collect();
    let (x, positive) = active_set(&normal, &right);
    solution.coefficients = x.iter().enumerate().map(|(j, x)| x * size * scale(j)).collect();
    for (k, j) in positive.iter().enumerate() {
        let mut unit = vec![0.0; positive.len()];
        unit[k] = 1.0;
        if let Some(column) = solve_positive_definite(&normal, &positive, &unit) {
            for (i, value) in positive.iter().zip(column) {
                solution.covariance[*i][*j] = value * scale(*i) * scale(*j);
            }
        }
    }
    solution
}

/// Solution of the scaled problem, and the columns whose coefficients are positive, in order.
fn active_set(normal: &[Vec<f64>], right: &[f64]) -> (Vec<f64>, Vec<usize>) {
    let n = right.len();
    let (mut x, mut positive) = (vec![0.0; n], Vec::<usize>::new());
    // Each pass adds a column; a bound on their number stands against cycling through rounding.
    for _ in 0..3 * n {
        let gradient = |j: usize| right[j] - normal[j].iter().zip(&x).map(|(a, x)| a * x).sum::<f64>();
        let steepest = (0..n)
            .filter(|j| !positive.contains(j) && normal[*j][*j] > 0.0)
            .max_by(|a, b| gradient(*a).total_cmp(&gradient(*b)))
            .filter(|j| gradient(*j) > ROUNDING);
        let Some(added) = steepest else { break };
        positive.push(added);
        positive.sort_unstable();
        loop {
            let reduced: Vec<f64> = positive.iter().map(|j| right[*j]).collect();
            let Some(z) = solve_positive_definite(normal, &positive, &reduced) else {
                // Not independent of the columns that are in already.
                positive.retain(|j| *j != added);
                return (x, positive);
            };
            if z.iter().all(|z| *z > 0.0) {
                x.fill(0.0);
                positive.iter().zip(&z).for_each(|(j, z)| x[*j] = *z);
                break;
            }
            // As far towards z as all stay positive; what becomes zero leaves.
            let step = positive
                .iter()
                .zip(&z)
                .filter(|(_, z)| **z <= 0.0)
                .map(|(j, z)| x[*j] / (x[*j] - z))
                .fold(1.0, f64::min);
            positive.iter().zip(&z).for_each(|(j, z)| x[*j] += step * (z - x[*j]));
            let leaves = |j: usize, z: f64| z <= 0.0 && x[j] <= ROUNDING;
            let left: Vec<usize> =
                positive.iter().zip(&z).filter(|(j, z)| !leaves(**j, **z)).map(|(j, _)| *j).collect();
            if left.len() == positive.len() || left.is_empty() {
                return (x, positive);
            }
            (0..n).filter(|j| !left.contains(j)).for_each(|j| x[j] = 0.0);
            positive = left;
        }
    }
    (x, positive)
}

/// Solves the rows and columns `of` of a symmetric matrix by Cholesky's method; `None` unless they are positive definite.
fn solve_positive_definite(matrix: &[Vec<f64>], of: &[usize], right: &[f64]) -> Option<Vec<f64>> {
    let n = of.len();
    let mut factor = vec![vec![0.0; n]; n];
    for j in 0..n {
        let left = matrix[of[j]][of[j]] - factor[j][..j].iter().map(|x| x * x).sum::<f64>();
        if !(left > 1e-11) {
            return None;
        }
        factor[j][j] = left.sqrt();
        for i in j + 1..n {
            let known: f64 = (0..j).map(|k| factor[i][k] * factor[j][k]).sum();
            factor[i][j] = (matrix[of[i]][of[j]] - known) / factor[j][j];
        }
    }
    let mut y = right.to_vec();
    for i in 0..n {
        let known: f64 = (0..i).map(|k| factor[i][k] * y[k]).sum();
        y[i] = (y[i] - known) / factor[i][i];
    }
    for i in (0..n).rev() {
        let known: f64 = (i + 1..n).map(|k| factor[k][i] * y[k]).sum();
        y[i] = (y[i] - known) / factor[i][i];
    }
    Some(y)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Identity: the conditions of Karush, Kuhn & Tucker, which a least sum of squares without negative coefficients fulfils and
        /// nothing else does: zero gradient where a coefficient is positive, and none that asks for more where it is zero.
        #[test]
        fn the_solution_fulfils_the_conditions_of_a_minimum(
            rows in prop::collection::vec(prop::collection::vec(-1.0f64..1.0, 7), 12..30),
        ) {
            let column = |j: usize| rows.iter().map(|r| r[j]).collect::<Vec<f64>>();
            let columns: Vec<Vec<f64>> = (0..6).map(column).collect();
            let target = column(6);
            let x = solve(&columns, &target).coefficients;
            for (j, c) in columns.iter().enumerate() {
                let residual = |i: usize| target[i] - columns.iter().zip(&x).map(|(c, x)| c[i] * x).sum::<f64>();
                let gradient: f64 = (0..target.len()).map(|i| c[i] * residual(i)).sum();
                prop_assert!(x[j] >= 0.0 && gradient < 1e-8 && (x[j] == 0.0 || gradient > -1e-8), "{j}: {} {gradient}", x[j]);
            }
        }
    }

    /// Independent: scipy 1.17.1 `optimize.nnls` of the same numbers, and NumPy's inverse of the normal matrix of what is positive.
    #[test]
    fn a_small_problem_has_the_known_solution() {
        let columns = [vec![1.0, 2.0, 3.0, 4.0], vec![1.0, 0.0, 1.0, 0.0], vec![0.5, 1.0, 1.5, 2.5]];
        let s = solve(&columns, &[2.0, 1.9, 4.1, 3.9]);
        for (got, want) in s.coefficients.iter().zip([0.977_272_727_272_727, 1.095_454_545_454_545, 0.0]) {
            assert!((got - want).abs() < 1e-9, "{:?}", s.coefficients);
        }
        // Inverse of [[30, 4], [4, 2]].
        assert!((s.covariance[0][0] - 2.0 / 44.0).abs() < 1e-12 && (s.covariance[0][1] + 4.0 / 44.0).abs() < 1e-12);
        assert_eq!(s.covariance[2], [0.0; 3]);
    }

    /// Edge set: nothing, zeros, equal columns and NaN have answers.
    #[test]
    fn odd_input_has_an_answer() {
        assert!(solve(&[], &[1.0]).coefficients.is_empty());
        assert_eq!(solve(&[vec![0.0, 0.0]], &[1.0, 1.0]).coefficients, [0.0]);
        assert_eq!(solve(&[vec![f64::NAN, 1.0]], &[1.0, 1.0]).coefficients, [0.0]);
        assert_eq!(solve(&[vec![1.0, 1.0]], &[f64::NAN, 1.0]).coefficients, [0.0]);
        let twice = solve(&[vec![1.0, 1.0], vec![1.0, 1.0]], &[2.0, 2.0]).coefficients;
        assert!((twice[0] + twice[1] - 2.0).abs() < 1e-9, "{twice:?}");
    }
}
