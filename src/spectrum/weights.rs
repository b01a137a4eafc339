//! Integration of a weighted spectrum, as one weight per sample.
//!
//! A spectrum is linear between its samples. A weighting function is evaluated at the samples, at its own nodes (the entries
//! of a table, or every 0.1 nm for a formula) and at the edges of the band; the product is integrated by the trapezoid
//! rule on the union of these points. The result is linear in the spectrum, so [`fold`] reduces it to one weight per sample.
//! Pure.
//!
//! Invariant: the weights of a constant weighting 1 add up to the width of the band.

use super::axis;
use crate::numeric;

/// Nodes per nanometre for weightings given by a formula [1/nm]: every 0.1 nm.
const NODES_PER_NM: f64 = 10.0;

/// A tabulated weighting function: linear between its entries and zero outside.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// [nm], strictly rising.
    pub wavelength_nm: Vec<f64>,
    /// The weight at each wavelength.
    pub value: Vec<f64>,
}

impl Table {
    /// The weight at a wavelength [nm]; zero outside the table and for NaN.
    pub fn at(&self, wavelength_nm: f64) -> f64 {
        numeric::interpolate(&self.wavelength_nm, &self.value, wavelength_nm).unwrap_or(0.0)
    }
}

/// Weights of consecutive samples from `first` on; all other weights are zero.
#[derive(Clone, Debug, PartialEq)]
pub struct SparseRow {
    /// First sample with a weight.
    pub first: usize,
    /// The weights [nm × unit of the weighting], never empty.
    pub weights: Vec<f64>,
}

impl SparseRow {
    /// Last sample with a weight.
    pub fn last(&self) -> usize {
        self.first + self.weights.len().saturating_sub(1)
    }
    /// The weight of a sample.
    pub fn at(&self, sample: usize) -> f64 {
        sample.checked_sub(self.first).and_then(|i| self.weights.get(i)).copied().unwrap_or(0.0)
    }
}

/// The nodes of a formula inside a band [nm]: the multiples of 0.1 nm strictly between its edges.
pub fn formula_nodes((from, to): (f64, f64)) -> Vec<f64> {
    if !(from.is_finite() && to.is_finite() && from < to) {
        return Vec::new();
    }
    let last = (to * NODES_PER_NM).ceil() as i64;
    let first = (from * NODES_PER_NM).floor() as i64;
    (first..=last).map(|k| k as f64 / NODES_PER_NM).filter(|x| *x > from && *x < to).collect()
}

/// Folds a weighting over a band into weights on the samples of an axis.
///
/// axis: [nm], usable in the sense of [`axis::is_usable`]; band: [nm], inside the axis, from < to; nodes: further points at
/// which the weighting is evaluated, in any order (nodes outside the band are ignored); weight: the weighting function.
/// Σ weights·E is the integral of weight·E over the band. `None` for an unusable axis or an invalid band.
pub fn fold(axis: &[f64], band: (f64, f64), nodes: &[f64], weight: impl Fn(f64) -> f64) -> Option<SparseRow> {
    let (from, to) = band;
    // `partial_cmp` also refuses a band that contains NaN.
    if !axis::is_usable(axis) || from.partial_cmp(&to) != Some(std::cmp::Ordering::Less) {
        return None;
    }
    let (first, _) = numeric::locate(axis, from)?;
    let (last, share) = numeric::locate(axis, to)?;
    let last = if share > 0.0 { last + 1 } else { last };

    let mut union = Vec::with_capacity(nodes.len() + last - first + 3);
    union.push(from);
    union.extend(axis[first..=last].iter().copied().filter(|x| *x > from && *x < to));
    union.push(to);
    union.extend(nodes.iter().copied().filter(|x| *x > from && *x < to));
    // The stable sort merges the sorted runs it finds, so this is close to linear.
    union.sort_by(f64::total_cmp);
    union.dedup();

    let mut weights = vec![0.0; last - first + 1];
    let mut below = first;
    for (j, &x) in union.iter().enumerate() {
        let before = if j > 0 { union[j - 1] } else { x };
        let after = union.get(j + 1).copied().unwrap_or(x);
        let w = 0.5 * (after - before) * weight(x);
        while below + 1 < last && axis[below + 1] <= x {
            below += 1;
        }
        let share = (x - axis[below]) / (axis[below + 1] - axis[below]);
        weights[below - first] += w * (1.0 - share);
        weights[below - first + 1] += w * share;
    }
    Some(SparseRow { first, weights })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Rounding of some thousand terms.
    const ROUNDING: f64 = 1e-12;

    fn integral(row: &SparseRow, spectrum: &[f64]) -> f64 {
        row.weights.iter().zip(&spectrum[row.first..]).map(|(w, e)| w * e).sum()
    }

    fn uneven_axis() -> Vec<f64> {
        (0..400).map(|i| 300.0 + f64::from(i) * 1.3 + 0.4 * (f64::from(i) * 0.7).sin()).collect()
    }

    /// Identity: the weights of a constant weighting add up to the width of the band, wherever its edges are.
    #[test]
    fn flat_weights_add_up_to_the_width_of_the_band() {
        let axis = uneven_axis();
        for band in [(400.0, 700.0), (axis[0], axis[399]), (axis[7], axis[8]), (500.1, 500.2), (axis[3], 333.3)] {
            let row = fold(&axis, band, &[], |_| 1.0).unwrap();
            let sum: f64 = row.weights.iter().sum();
            assert!((sum - (band.1 - band.0)).abs() < ROUNDING * 300.0, "{band:?}: {sum}");
        }
    }

    /// Independent: for a linear spectrum and a linear weighting, the closed integral of their product (a parabola), within the
    /// error h²/12·f″ per nanometre of the trapezoid rule with nodes every 0.1 nm.
    #[test]
    fn a_linear_spectrum_under_a_linear_weight_gives_the_integral_of_the_parabola() {
        let axis = uneven_axis();
        let e: Vec<f64> = axis.iter().map(|x| x / 500.0).collect();
        let (a, b) = (412.34, 655.5);
        let want = (b * b * b - a * a * a) / 1500.0;
        let got = integral(&fold(&axis, (a, b), &formula_nodes((a, b)), |x| x).unwrap(), &e);
        let trapezoid = 0.01 / 12.0 * 2.0 / 500.0 * (b - a);
        assert!((got - want).abs() <= trapezoid, "want {want}, got {got}, allowed {trapezoid}");
        let coarse = integral(&fold(&axis, (a, b), &[], |x| x).unwrap(), &e);
        assert!((coarse - want).abs() > 10.0 * trapezoid, "the nodes of the formula make no difference");
    }

    /// Identity: for samples at the entries of the table the weights are those of the plain trapezoid sum.
    #[test]
    fn on_the_tables_own_grid_the_rule_is_the_trapezoid_sum() {
        let axis: Vec<f64> = (0..=10).map(|i| 500.0 + f64::from(i)).collect();
        let table = Table { wavelength_nm: axis.clone(), value: (0..=10).map(|i| f64::from(i * i)).collect() };
        let row = fold(&axis, (500.0, 510.0), &table.wavelength_nm, |x| table.at(x)).unwrap();
        let want: Vec<f64> = (0..=10).map(|i| f64::from(i * i) * if i == 0 || i == 10 { 0.5 } else { 1.0 }).collect();
        assert_eq!((row.first, row.weights), (0, want));
        assert_eq!((table.at(499.0), table.at(f64::NAN), table.at(501.5)), (0.0, 0.0, 2.5));
    }

    /// An unusable axis or an invalid band gives `None`.
    #[test]
    fn unusable_axes_and_invalid_bands_give_none() {
        let axis = [300.0, 310.0, 320.0];
        for band in
            [(299.0, 310.0), (310.0, 321.0), (310.0, 310.0), (315.0, 305.0), (f64::NAN, 310.0), (305.0, f64::NAN)]
        {
            assert_eq!(fold(&axis, band, &[], |_| 1.0), None, "{band:?}");
        }
        assert_eq!(fold(&[300.0], (300.0, 300.0), &[], |_| 1.0), None);
        assert_eq!(fold(&[300.0, 290.0], (290.0, 300.0), &[], |_| 1.0), None);
        assert!(formula_nodes((f64::NEG_INFINITY, 3.0)).is_empty());
    }

    proptest! {
        /// Identity: additional nodes do not change the weights of a constant weighting, and no weight is negative.
        #[test]
        fn weights_of_a_flat_band_are_never_negative(a in 300.0f64..800.0, width in 0.01f64..200.0) {
            let axis = uneven_axis();
            let b = (a + width).min(axis[399]);
            prop_assume!(a >= axis[0] && a < b);
            let plain = fold(&axis, (a, b), &[], |_| 1.0).unwrap();
            let fine = fold(&axis, (a, b), &formula_nodes((a, b)), |_| 1.0).unwrap();
            prop_assert!(plain.weights.iter().all(|w| *w >= 0.0));
            prop_assert_eq!(plain.first, fine.first);
            for (p, f) in plain.weights.iter().zip(&fine.weights) {
                prop_assert!((p - f).abs() < 1e-10, "{p} {f}");
            }
        }
    }
}
