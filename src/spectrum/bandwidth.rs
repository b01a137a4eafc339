//! Correction of weighted sums for the bandwidth of the instrument.
//!
//! A triangular slit of full width F turns a spectrum f into g = f + F²/12·f″ + F⁴/360·f⁗ …; with the second difference
//! Dg = [g(λ − F) − 2g(λ) + g(λ + F)]/12 the inverse is f = g − Dg + 8/5·DDg to fourth order. Applied to each sample this would multiply
//! the noise of sums over few samples. Applied to the weights, w̃ = w − Dw + 8/5·DDw, it only changes them where the weighting is
//! curved: to second order w̃(λ) = 7/6·w(λ) − [w(λ − F) + w(λ + F)]/12. Pure.
//!
//! Invariants: the weights of a row keep their sum, and a spectrum that is linear over twice the width keeps its sums.

use super::weights::SparseRow;
use crate::numeric::locate;
use std::ops::Range;

/// Share of the second difference over one width that is the bandwidth error of a triangular slit [1].
const TRIANGLE: f64 = 1.0 / 12.0;
/// Factor of the twice applied difference: 1/144 + 1/240, the terms of fourth order of the difference and of the slit, over 1/144 [1].
const FOURTH_ORDER: f64 = 1.6;

/// For each sample, the samples one step below and above it: the lower of two neighbours, and the part of the way to the next.
type Place = (usize, f64);

/// The correction for one axis and one slit.
#[derive(Clone, Debug)]
pub struct BandwidthCorrection {
    first: usize,
    /// Places below and above each calibrated sample, and the factor of their second difference; `None` near the ends of the range.
    places: Vec<Option<(Place, Place, f64)>>,
}

impl BandwidthCorrection {
    /// axis: [nm], strictly rising; calibrated: the samples that have light; fwhm_nm: full width at half maximum [nm]. `None` without a
    /// positive width, or with fewer than three samples.
    pub fn new(axis: &[f64], calibrated: Range<usize>, fwhm_nm: f64) -> Option<Self> {
        let nm = axis.get(calibrated.clone())?;
        if !(fwhm_nm > 0.0 && fwhm_nm.is_finite()) || nm.len() < 3 {
            return None;
        }
        let place = |i: usize| {
            // Samples farther apart than the width say nothing between them.
            let pitch = (nm[(i + 1).min(nm.len() - 1)] - nm[i]).max(nm[i] - nm[i.saturating_sub(1)]);
            let step = fwhm_nm.max(pitch);
            let (below, above) = (locate(nm, nm[i] - step)?, locate(nm, nm[i] + step)?);
            Some((below, above, TRIANGLE * (fwhm_nm / step).powi(2)))
        };
        Some(Self { first: calibrated.start, places: (0..nm.len()).map(place).collect() })
    }

    /// The corrected row: its sum over a spectrum seen through the slit is that of the row over the spectrum itself, to fourth order.
    pub fn corrected(&self, row: &SparseRow) -> SparseRow {
        let once = self.difference(row);
        let mut corrected = self.difference(&once);
        corrected.weights.iter_mut().for_each(|w| *w *= FOURTH_ORDER);
        // A difference reaches farther than its row.
        for (from, sign) in [(&once, -1.0), (row, 1.0)] {
            let to = &mut corrected.weights[from.first - corrected.first..];
            to.iter_mut().zip(&from.weights).for_each(|(to, w)| *to += sign * w);
        }
        corrected
    }

    /// The row whose sum over a spectrum is that of `row` over the spectrum's second differences.
    fn difference(&self, row: &SparseRow) -> SparseRow {
        let places = |sample: usize| sample.checked_sub(self.first).and_then(|i| self.places.get(i).copied().flatten());
        let samples = row.first..=row.last();
        let reached = samples.clone().filter_map(places);
        let (low, high) = reached.fold((row.first, row.last()), |(low, high), (below, above, _)| {
            (low.min(below.0 + self.first), high.max(above.0 + self.first + 1))
        });
        let mut weights = vec![0.0; high + 1 - low];
        for (sample, w) in samples.zip(&row.weights) {
            let Some((below, above, factor)) = places(sample) else { continue };
            weights[sample - low] -= 2.0 * factor * w;
            for (place, share) in [below, above] {
                let at = place + self.first - low;
                weights[at] += factor * w * (1.0 - share);
                weights[at + 1] += factor * w * share;
            }
        }
        SparseRow { first: low, weights }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::weights::{fold, formula_nodes};
    use proptest::prelude::*;

    fn axis() -> Vec<f64> {
        (0..1500).map(|i| 280.0 + 0.39 * f64::from(i) - 6e-6 * f64::from(i) * f64::from(i)).collect()
    }

    fn sum(row: &SparseRow, light: impl Fn(f64) -> f64, axis: &[f64]) -> f64 {
        row.weights.iter().zip(&axis[row.first..]).map(|(w, nm)| w * light(*nm)).sum()
    }

    fn row(axis: &[f64], band: (f64, f64), weight: impl Fn(f64) -> f64) -> SparseRow {
        fold(axis, band, &formula_nodes(band), weight).unwrap()
    }

    /// Independent: closed forms. A triangle of width F turns a normal curve of deviation s into about one with the variance s² + F²/6;
    /// the corrected sum under a weighting is that of the original curve.
    #[test]
    fn the_sum_of_a_corrected_row_is_that_of_the_light_before_the_slit() {
        let axis = axis();
        let fwhm = 2.0;
        let correction = BandwidthCorrection::new(&axis, 0..axis.len(), fwhm).unwrap();
        let (at, s) = (500.0, 6.0);
        let normal = |nm: f64, variance: f64| (-(nm - at).powi(2) / (2.0 * variance)).exp() / variance.sqrt();
        let seen = |nm: f64| normal(nm, s * s + fwhm * fwhm / 6.0);
        // A band that cuts the curve at its flank, where the slit carries light over the edge.
        for (band, before) in [((480.0, 506.0), 2e-3), ((506.0, 530.0), 5e-3)] {
            let plain = row(&axis, band, |_| 1.0);
            let want = sum(&plain, |nm| normal(nm, s * s), &axis);
            let (uncorrected, got) = (sum(&plain, seen, &axis), sum(&correction.corrected(&plain), seen, &axis));
            assert!((uncorrected / want - 1.0).abs() > before, "{band:?}: {}", uncorrected / want - 1.0);
            assert!(
                (got / want - 1.0).abs() < 0.05 * (uncorrected / want - 1.0).abs(),
                "{band:?}: {}",
                got / want - 1.0
            );
        }
    }

    /// Identity: light that is linear in wavelength keeps its sums, also at the ends of the range and with samples wider apart than the slit.
    #[test]
    fn linear_light_keeps_its_sums() {
        for (axis, fwhm) in [(axis(), 2.0), ((0..80).map(|i| 280.0 + 7.0 * f64::from(i)).collect(), 2.0)] {
            let correction = BandwidthCorrection::new(&axis, 5..axis.len() - 5, fwhm).unwrap();
            for band in [(axis[5], axis[axis.len() - 6]), (400.0, 700.0), (axis[5], axis[30]), (655.0, 665.0)] {
                let plain = row(&axis, band, |nm| (nm / 40.0).sin());
                let corrected = correction.corrected(&plain);
                for light in [|_: f64| 1.0, |nm: f64| nm - 300.0] {
                    let (want, got) = (sum(&plain, light, &axis), sum(&corrected, light, &axis));
                    assert!((got - want).abs() < 1e-7 * want.abs().max(1.0), "{band:?}: want {want}, got {got}");
                }
                assert!(corrected.first >= 5 && corrected.last() <= axis.len() - 6, "{band:?}");
            }
        }
    }

    /// Identity: the noise of a broad sum does not grow, where correcting each sample would multiply that of a single one by 1.2 and more.
    #[test]
    fn a_broad_sum_keeps_its_noise() {
        let axis = axis();
        let correction = BandwidthCorrection::new(&axis, 0..axis.len(), 2.0).unwrap();
        let plain = row(&axis, (400.0, 700.0), |nm| nm);
        let noise = |row: &SparseRow| row.weights.iter().map(|w| w * w).sum::<f64>().sqrt();
        assert!((noise(&correction.corrected(&plain)) / noise(&plain) - 1.0).abs() < 5e-3);
    }

    /// No width, no samples and an unusable width give no correction, and nothing panics.
    #[test]
    fn without_a_width_there_is_no_correction() {
        let axis = axis();
        for fwhm in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(BandwidthCorrection::new(&axis, 0..axis.len(), fwhm).is_none());
        }
        assert!(BandwidthCorrection::new(&axis, 3..5, 2.0).is_none());
        assert!(BandwidthCorrection::new(&axis, 0..axis.len() + 1, 2.0).is_none());
    }

    proptest! {
        /// Identity: any row keeps the sum of its weights.
        #[test]
        fn any_row_keeps_the_sum_of_its_weights(from in 281.0f64..800.0, width in 0.1f64..30.0, fwhm in 0.1f64..20.0) {
            let axis = axis();
            let correction = BandwidthCorrection::new(&axis, 0..axis.len(), fwhm).unwrap();
            let plain = row(&axis, (from, from + width), |nm| 1.0 + (nm / 3.0).sin());
            let (want, got) = (sum(&plain, |_| 1.0, &axis), sum(&correction.corrected(&plain), |_| 1.0, &axis));
            prop_assert!((got - want).abs() < 1e-9 * want.abs().max(1.0));
        }
    }
}
