//! The shared fold: from the samples of an axis to the nodes on which the tables of colour rendering stand.
//!
//! The spectrum is linear between its samples and every table linear between its 1 nm entries, so the rule of integration
//! (see [`crate::spectrum::weights`]) is one short row of weights a node, whatever the table: the integral of a table over
//! the spectrum is the sum of its entries times what the nodes hold. Some three thousand weights so serve the three hundred
//! sums of the test colours exactly, in one pass over the spectrum.

use crate::numeric::locate;
use crate::quantities::row::SLACK_NM;
use crate::spectrum::axis;
use crate::spectrum::weights::fold;
use crate::spectrum::wide;

/// The first node [nm].
pub const FIRST_NM: f64 = 380.0;
/// The last node [nm].
pub const LAST_NM: f64 = 780.0;
/// How many nodes there are, 1 nm apart.
pub const NODES: usize = 401;

/// What the nodes hold: for each the integral of the spectrum times the hat that is 1 there and 0 at its neighbours [W m⁻²].
pub type Nodes = [f64; NODES];

/// The weights of one axis' samples in each node.
#[derive(Clone, Debug, PartialEq)]
pub struct Fold {
    /// The first sample of each node.
    first: Vec<usize>,
    /// Where the weights of each node begin, and where the last one's end.
    begins: Vec<usize>,
    weights: Vec<f64>,
    /// First and last sample that weigh in a node.
    span: (usize, usize),
    /// What each sample of the span weighs in all nodes together.
    whole: Vec<f64>,
}

impl Fold {
    /// Folds the nodes onto an axis [nm] of which `available` is calibrated.
    ///
    /// `None` where the axis cannot be used or 380 to 780 nm are not covered.
    pub fn build(axis_nm: &[f64], available: (f64, f64)) -> Option<Self> {
        if !axis::is_usable(axis_nm) {
            return None;
        }
        if !(available.0 <= FIRST_NM + SLACK_NM && available.1 >= LAST_NM - SLACK_NM) {
            return None;
        }
        // Where rounding of a wavelength polynomial leaves a hair of the range open, the end node is that hair narrower.
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
        let lasts = first.iter().zip(begins.windows(2)).map(|(first, ends)| first + ends[1] - ends[0] - 1);
        let span = (first.iter().copied().min().unwrap_or(0), lasts.max().unwrap_or(0));
        let mut made = Self { first, begins, weights, span, whole: Vec::new() };
        let mut whole = vec![[0.0]; span.1 + 1 - span.0];
        made.add_by_sample(&[[1.0]; NODES], span.0, &mut whole);
        made.whole = whole.into_iter().map(|[sum]| sum).collect();
        Some(made)
    }

    /// Memory of the weights and their places [bytes].
    pub fn size(&self) -> usize {
        8 * (self.first.len() + self.begins.len() + self.weights.len() + self.whole.len())
    }

    /// What the nodes hold of a spectrum on the axis. Left-to-right sums; samples beyond a short slice count as absent.
    pub fn nodes(&self, light: &[f64], nodes: &mut Nodes) {
        for ((node, first), span) in nodes.iter_mut().zip(&self.first).zip(self.begins.windows(2)) {
            let mut sum = 0.0;
            for (w, x) in self.weights[span[0]..span[1]].iter().zip(light.get(*first..).unwrap_or(&[])) {
                sum += w * x;
            }
            *node = sum;
        }
    }

    /// What one node holds of columns that stand side by side, summed as [`Self::nodes`] sums.
    #[inline(always)]
    pub fn node_of_lanes<const L: usize>(&self, node: usize, light: &[[f64; L]]) -> [f64; L] {
        let mut sums = [0.0; L];
        for (w, lanes) in self.weights_of(node).iter().zip(light.get(self.first[node]..).unwrap_or(&[])) {
            for (sum, x) in sums.iter_mut().zip(lanes) {
                *sum += w * x;
            }
        }
        sums
    }

    /// The variance of what one node holds by that of the samples: what nodes share of a sample is shared out between them, so
    /// that the variance of the light's whole sum is the sum of all nodes'.
    #[inline(always)]
    pub fn node_of_variance(&self, node: usize, variance: &[f64]) -> [f64; 1] {
        let first = self.first[node];
        let samples = variance.get(first..).unwrap_or(&[]).iter().zip(&self.whole[first - self.span.0..]);
        [self.weights_of(node).iter().zip(samples).fold(0.0, |total, (w, (v, sum))| total + w * sum * v)]
    }

    #[inline(always)]
    fn weights_of(&self, node: usize) -> &[f64] {
        &self.weights[self.begins[node]..self.begins[node + 1]]
    }

    /// First and last sample that weigh in a node.
    pub fn span(&self) -> (usize, usize) {
        self.span
    }

    /// The other way round: from the derivatives of L things by each node to those by each sample, added to what is there.
    ///
    /// by_sample: from the sample `first` on; what lies outside it is left out.
    pub fn add_by_sample<const L: usize>(&self, by_node: &[[f64; L]; NODES], first: usize, by_sample: &mut [[f64; L]]) {
        wide::run(BySample { fold: self, by_node, first, by_sample });
    }
}

/// The loops of [`Fold::add_by_sample`].
struct BySample<'a, const L: usize> {
    fold: &'a Fold,
    by_node: &'a [[f64; L]; NODES],
    first: usize,
    by_sample: &'a mut [[f64; L]],
}

impl<const L: usize> wide::Loops for BySample<'_, L> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { fold, by_node, first, by_sample } = self;
        for (node, (by, from)) in by_node.iter().zip(&fold.first).enumerate() {
            let here = from.checked_sub(first).and_then(|from| by_sample.get_mut(from..)).unwrap_or(&mut []);
            for (sample, w) in here.iter_mut().zip(fold.weights_of(node)) {
                for (sum, g) in sample.iter_mut().zip(by) {
                    *sum += g * w;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::weights::Table;

    fn pixels() -> Vec<f64> {
        (0..2048).map(f64::from).map(|p| 280.0 + 0.39 * p - 6.7e-6 * p * p).collect()
    }

    /// Identity: a table summed over the nodes is the table folded onto the samples, on a fine, a coarse and an uneven axis.
    #[test]
    fn a_table_over_the_nodes_is_the_table_folded_onto_the_samples() {
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
            let mut nodes = [0.0; NODES];
            shared.nodes(&light, &mut nodes);
            let got: f64 = nodes.iter().zip(&table.value).map(|(n, v)| n * v).sum();
            assert!((got - want).abs() < ROUNDING * want.abs(), "{} samples: want {want}, got {got}", axis.len());

            let by_node = std::array::from_fn(|n| [table.value[n]]);
            let (first, last) = shared.span();
            assert_eq!((first, last), (row.first, row.last()));
            let mut back = vec![[0.0]; last + 1 - first];
            shared.add_by_sample(&by_node, first, &mut back);
            for (i, (w, [got])) in row.weights.iter().zip(back).enumerate() {
                assert!((got - w).abs() < 1e-11, "sample {i}: want {w}, got {got}");
            }
        }
    }

    /// Identity: the weights of an array's axis are small beside a megabyte.
    #[test]
    fn the_fold_is_small() {
        let shared = Fold::build(&pixels(), (280.0, 1050.0)).unwrap();
        assert!(shared.size() < 50_000, "{} bytes", shared.size());
    }

    /// Edge set: an axis or a range that does not cover the visible, or cannot be used, has no fold.
    #[test]
    fn what_does_not_cover_the_visible_has_no_fold() {
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
