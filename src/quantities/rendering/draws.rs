//! The uncertainty of colour rendering: the standard deviation of the indices over a fixed set of drawn errors.
//!
//! An index is a mean of colour differences. Near 100 a difference can only grow, whatever the error, so no first-order formula holds
//! there. Therefore errors are drawn, and the indices of each drawn light are computed as those of the light itself: sums of the test
//! colours, colour temperature, reference illuminant, indices.
//!
//! Errors are drawn at [`POINTS`] wavelengths, 10 nm apart; the error of a sample is divided between the two points around it by linear
//! interpolation. This suffices because the tables of test colours times observer are close to linear over 10 nm. The drawn numbers are
//! computed once from a fixed seed and adjusted so that their mean is exactly 0 and their covariance exactly the unit matrix. A linear
//! effect therefore has its exact standard deviation, and only the nonlinear remainder has a sampling error.
//!
//! Invariant: the same light with the same covariance gives the same bits.

use super::colours::{self, FIDELITY, RENDERING, Sums};
use super::fold::{FIRST_NM, LAST_NM, NODES, Nodes};
use super::{INDICES, indices_of};
use crate::numeric::cholesky;
use crate::quantities::reason::NullReason;
use crate::spectrum::weights::{SparseRow, fold};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use std::sync::LazyLock;

/// Distance of the points [nm], which is also their distance in nodes.
const STEP: usize = 10;
/// Wavelengths at which errors are drawn.
pub const POINTS: usize = (NODES - 1) / STEP + 1;
/// Drawn lights. A standard deviation without any linear part is uncertain by 6 %.
const DRAWS: usize = 128;
/// Least number of draws with a value for a standard deviation to be given.
const LEAST_WITH_VALUE: usize = DRAWS * 3 / 4;

/// Covariance of the errors at the points [(W m⁻²)²].
pub type Covariance = [[f64; POINTS]; POINTS];

/// Distance of two points [nm], from their indices.
pub fn distance_nm(a: usize, b: usize) -> f64 {
    (STEP * a.abs_diff(b)) as f64
}

/// For each point the weights of the samples of an axis [nm]: 1 at the point, decreasing to 0 at its neighbours. `None` where the
/// axis does not cover the points.
pub fn points(axis_nm: &[f64], available: (f64, f64)) -> Option<Vec<SparseRow>> {
    let step = STEP as f64;
    let band = (FIRST_NM.max(available.0), LAST_NM.min(available.1));
    (0..POINTS)
        .map(|p| {
            let at = FIRST_NM + p as f64 * step;
            let support = ((at - step).max(band.0), (at + step).min(band.1));
            fold(axis_nm, support, &[at], |nm| 1.0 - (nm - at).abs() / step)
        })
        .collect()
}

/// Standard normal numbers, draw by draw: the columns have mean 0, variance 1 and no correlation with each other.
static NORMAL: LazyLock<Vec<[f64; POINTS]>> = LazyLock::new(|| {
    let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(1);
    let mut columns: Vec<Vec<f64>> = Vec::with_capacity(POINTS);
    while columns.len() < POINTS {
        let mut column: Vec<f64> = (0..DRAWS).map(|_| StandardNormal.sample(&mut rng)).collect();
        let mean = column.iter().sum::<f64>() / DRAWS as f64;
        column.iter_mut().for_each(|x| *x -= mean);
        // Gram–Schmidt: the projections on the columns before are subtracted.
        for before in &columns {
            let shared = column.iter().zip(before).map(|(x, y)| x * y).sum::<f64>() / DRAWS as f64;
            column.iter_mut().zip(before).for_each(|(x, y)| *x -= shared * y);
        }
        let deviation = (column.iter().map(|x| x * x).sum::<f64>() / DRAWS as f64).sqrt();
        column.iter_mut().for_each(|x| *x /= deviation);
        columns.push(column);
    }
    (0..DRAWS).map(|draw| std::array::from_fn(|p| columns[p][draw])).collect()
});

/// The sums of the test colours of both sets under a light.
#[derive(Clone)]
struct LightSums {
    rendering: Sums<RENDERING>,
    fidelity: Sums<FIDELITY>,
}

impl LightSums {
    fn of(nodes: &Nodes) -> Self {
        Self { rendering: colours::rendering_sums(nodes), fidelity: colours::fidelity_sums(nodes) }
    }
}

/// The sums of a light at one point alone, for each point.
static OF_POINT: LazyLock<Vec<LightSums>> = LazyLock::new(|| {
    let at = |p: usize| std::array::from_fn(|node| f64::from(u8::from(node == STEP * p)));
    (0..POINTS).map(|p| LightSums::of(&at(p))).collect()
});

/// The standard uncertainties of the indices of a light; NaN where too few of the drawn lights have a value.
///
/// nodes: the light at the nodes; xyz: its sums in the rows of the colour temperature; temperature: the colour temperature of such sums
/// [K].
pub fn deviations(
    nodes: &Nodes,
    xyz: [f64; 3],
    covariance: &Covariance,
    temperature: impl Fn([f64; 3]) -> Result<f64, NullReason>,
) -> [f64; INDICES] {
    let (light, factor) = (LightSums::of(nodes), cholesky(covariance));
    let drawn = |normal: &[f64; POINTS]| {
        let (mut sums, mut xyz) = (light.clone(), xyz);
        for (row, point) in factor.iter().enumerate().map(|(p, row)| (&row[..=p], &OF_POINT[p])) {
            let error: f64 = row.iter().zip(normal).map(|(l, z)| l * z).sum();
            sums.rendering.add(error, &point.rendering);
            sums.fidelity.add(error, &point.fidelity);
            // The white of CIE 13.3 is seen by the observer of the colour temperature.
            xyz.iter_mut().zip(point.rendering.white).for_each(|(sum, weight)| *sum += error * weight);
        }
        let values = indices_of(&sums.rendering, &sums.fidelity, temperature(xyz).ok()?).ok()?;
        values.iter().all(|v| v.is_finite()).then_some(values)
    };
    let values: Vec<[f64; INDICES]> = NORMAL.iter().filter_map(drawn).collect();
    if values.len() < LEAST_WITH_VALUE {
        return [f64::NAN; INDICES];
    }
    let n = values.len() as f64;
    std::array::from_fn(|i| {
        let mean = values.iter().map(|v| v[i]).sum::<f64>() / n;
        (values.iter().map(|v| (v[i] - mean).powi(2)).sum::<f64>() / n).sqrt()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantities::rendering::{Fold, of_fidelity};

    /// Identity: the drawn numbers have mean 0 and the unit matrix as covariance, and none is an outlier.
    #[test]
    fn the_drawn_numbers_are_centred_and_uncorrelated() {
        for a in 0..POINTS {
            let mean = NORMAL.iter().map(|z| z[a]).sum::<f64>() / DRAWS as f64;
            assert!(mean.abs() < 1e-12, "{a}: {mean}");
            for b in 0..=a {
                let product = NORMAL.iter().map(|z| z[a] * z[b]).sum::<f64>() / DRAWS as f64;
                assert!((product - f64::from(u8::from(a == b))).abs() < 1e-12, "{a} {b}: {product}");
            }
        }
        assert!(NORMAL.iter().flatten().all(|z| z.abs() < 5.0));
    }

    /// Identity: the weights of the points conserve the integral of a spectrum and its mean wavelength.
    #[test]
    fn the_points_conserve_integral_and_mean_wavelength() {
        /// A spectrum is linear between its samples, which lowers the peak of a line.
        const CHORDS: f64 = 1e-3;
        let axis: Vec<f64> = (0..1200).map(|i| 360.0 + 0.37 * f64::from(i)).collect();
        let rows = points(&axis, (360.0, 803.6)).unwrap();
        let line: Vec<f64> = axis.iter().map(|nm| (-((nm - 553.0) / 1.5).powi(2)).exp()).collect();
        let sums: Vec<f64> =
            rows.iter().map(|r| r.weights.iter().zip(&line[r.first..]).map(|(w, x)| w * x).sum()).collect();
        let total: f64 = sums.iter().sum();
        let mean: f64 = sums.iter().enumerate().map(|(p, s)| s * (380.0 + 10.0 * p as f64)).sum::<f64>() / total;
        assert!((total - 1.5 * std::f64::consts::PI.sqrt()).abs() < CHORDS, "{total}");
        assert!((mean - 553.0).abs() < CHORDS, "{mean}");
        assert!(points(&axis, (400.0, 803.6)).is_none());
    }

    /// Identity: an error of the brightness alone does not change the indices; without errors the deviations are 0.
    #[test]
    fn an_error_of_brightness_changes_no_index() {
        let axis: Vec<f64> = (0..NODES).map(|n| FIRST_NM + n as f64).collect();
        let light = of_fidelity(3500.0).map(|x| 1.0 + x);
        let nodes = Fold::build(&axis, (FIRST_NM, LAST_NM)).unwrap().nodes(&light);
        let none = deviations(&nodes, [1.0, 1.0, 0.5], &[[0.0; POINTS]; POINTS], |_| Ok(3500.0));
        assert!(none.iter().all(|u| *u < 1e-9), "{none:?}");
        // An error in proportion to a flat light, which the points represent exactly.
        let flat = Fold::build(&axis, (FIRST_NM, LAST_NM)).unwrap().nodes(&[1.0; NODES]);
        let share = |p: usize| 0.01 * if p == 0 || p == POINTS - 1 { 5.0 } else { 10.0 };
        let covariance = std::array::from_fn(|a| std::array::from_fn(|b| share(a) * share(b)));
        let moved = deviations(&flat, [1.0, 1.0, 1.0], &covariance, |_| Ok(5455.0));
        assert!(moved.iter().all(|u| *u < 0.01), "{moved:?}");
        let broken = [[f64::NAN; POINTS]; POINTS];
        assert!(deviations(&nodes, [1.0; 3], &broken, |_| Ok(3500.0)).iter().all(|u| u.is_nan()));
        let without = deviations(&nodes, [1.0; 3], &covariance, |_| Err(NullReason::BeyondLocus));
        assert!(without.iter().all(|u| u.is_nan()));
    }
}
