//! From the samples of an axis to the nodes: the 1 nm grid of the tables of colour rendering.
//!
//! The spectrum is linear between its samples and every table linear between its 1 nm entries, so the rule of integration
//! (see [`crate::spectrum::weights`]) is one short row of weights a node, whatever the table: the integral of a table times the spectrum
//! is the sum of its entries times the light at the nodes. About three thousand weights give the three hundred sums of the test colours
//! exactly, in one pass over the spectrum.

use crate::numeric::locate;
use crate::quantities::row::SLACK_NM;
use crate::spectrum::axis;
use crate::spectrum::bandwidth::BandwidthCorrection;
use crate::spectrum::weights::{SparseRow, fold};

/// The first node [nm].
pub const FIRST_NM: f64 = 380.0;
/// The last node [nm].
pub const LAST_NM: f64 = 780.0;
/// How many nodes there are, 1 nm apart.
pub const NODES: usize = 401;

/// The light at the nodes: for each the integral of the spectrum times the hat function that is 1 there and 0 at its neighbours [W m⁻²].
pub type Nodes = [f64; NODES];

/// The weights of the samples of one axis in each node.
#[derive(Clone, Debug, PartialEq)]
pub struct Fold {
    /// The first sample of each node.
    first: Vec<usize>,
    /// Where the weights of each node begin; last, where those of the last node end.
    begins: Vec<usize>,
    weights: Vec<f64>,
}

impl Fold {
    /// The weights of an axis [nm] of which `available` is calibrated.
    ///
    /// `None` where the axis is unusable or 380 to 780 nm are not covered.
    pub fn build(axis_nm: &[f64], available: (f64, f64)) -> Option<Self> {
        if !axis::is_usable(axis_nm) {
            return None;
        }
        if !(available.0 <= FIRST_NM + SLACK_NM && available.1 >= LAST_NM - SLACK_NM) {
            return None;
        }
        // Where the rounding of the wavelength polynomial leaves the range slightly short, the last node is that much narrower.
        let band = (FIRST_NM.max(available.0), LAST_NM.min(available.1));
        let (mut first, mut begins, mut weights) = (Vec::with_capacity(NODES), vec![0], Vec::new());
        for node in 0..NODES {
            let at = FIRST_NM + node as f64;
            let support = ((at - 1.0).max(band.0), (at + 1.0).min(band.1));
            let from = locate(axis_nm, support.0)?.0;
            let to = locate(axis_nm, support.1)?.0 + 1;
            let row = fold(&axis_nm[from..=to], support, &[at], |nm| 1.0 - (nm - at).abs())?;
            first.push(from + row.first);
            weights.extend_from_slice(&row.weights);
            begins.push(weights.len());
        }
        Some(Self { first, begins, weights })
    }

    /// The weights that also correct for the bandwidth of an instrument.
    pub fn with_bandwidth(&self, correction: &BandwidthCorrection) -> Self {
        let (mut first, mut begins, mut weights) = (Vec::with_capacity(NODES), vec![0], Vec::new());
        for (start, span) in self.first.iter().zip(self.begins.windows(2)) {
            let row = SparseRow { first: *start, weights: self.weights[span[0]..span[1]].to_vec() };
            let row = correction.corrected(&row);
            first.push(row.first);
            weights.extend_from_slice(&row.weights);
            begins.push(weights.len());
        }
        Self { first, begins, weights }
    }

    /// A spectrum on the axis at the nodes. Sums run left to right; samples beyond the end of a short slice count as zero.
    pub fn nodes(&self, light: &[f64]) -> Nodes {
        let mut nodes = [0.0; NODES];
        for ((node, first), span) in nodes.iter_mut().zip(&self.first).zip(self.begins.windows(2)) {
            let mut sum = 0.0;
            for (w, x) in self.weights[span[0]..span[1]].iter().zip(light.get(*first..).unwrap_or(&[])) {
                sum += w * x;
            }
            *node = sum;
        }
        nodes
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::weights::Table;

    fn pixels() -> Vec<f64> {
        (0..2048).map(f64::from).map(|p| 280.0 + 0.39 * p - 6.7e-6 * p * p).collect()
    }

    /// Identity: the sum of a table over the nodes is its sum over the samples, on a fine, a coarse and an uneven axis.
    #[test]
    fn the_sum_over_the_nodes_is_the_sum_over_the_samples() {
        /// Rounding of some thousand terms.
        const ROUNDING: f64 = 1e-12;
        let uneven: Vec<f64> = (0..300).map(|i| 370.0 + 1.5 * f64::from(i) + 0.6 * f64::from(i).sin()).collect();
        let coarse: Vec<f64> = (0..90).map(|i| 360.0 + 5.0 * f64::from(i)).collect();
        let table = Table {
            wavelength_nm: (0..NODES).map(|n| FIRST_NM + n as f64).collect(),
            value: (0..NODES).map(|n| (n as f64 * 0.7).sin() + 1.1).collect(),
        };
        for axis in [pixels(), uneven, coarse] {
            let light: Vec<f64> = axis.iter().map(|nm| 1.0 + (nm / 7.0).sin()).collect();
            let row = fold(&axis, (FIRST_NM, LAST_NM), &table.wavelength_nm, |nm| table.at(nm)).unwrap();
            let want: f64 = row.weights.iter().zip(&light[row.first..]).map(|(w, e)| w * e).sum();
            let shared = Fold::build(&axis, (axis[0], axis[axis.len() - 1])).unwrap();
            let got: f64 = shared.nodes(&light).iter().zip(&table.value).map(|(n, v)| n * v).sum();
            assert!((got - want).abs() < ROUNDING * want.abs(), "{} samples: want {want}, got {got}", axis.len());
        }
    }

    /// An unusable axis, or a range that does not cover the visible, has no weights.
    #[test]
    fn a_range_that_does_not_cover_the_visible_has_no_fold() {
        let axis = pixels();
        for available in [(390.0, 1000.0), (300.0, 770.0), (f64::NAN, 800.0), (700.0, 400.0)] {
            assert!(Fold::build(&axis, available).is_none(), "{available:?}");
        }
        assert_eq!(Fold::build(&axis[400..], (300.0, 1000.0)), None);
        assert_eq!(Fold::build(&[500.0], (300.0, 1000.0)), None);
        assert_eq!(Fold::build(&[], (300.0, 1000.0)), None);
        assert!(Fold::build(&axis, (380.000_000_5, 780.0)).is_some());
    }
}
