//! The weights of all rows on one wavelength axis, computed once for each calibration and temperature.
//!
//! Holds the weights and which quantity uses which row. Invariants: a quantity whose range is not covered has a null reason instead of
//! rows, and building never fails, whatever the axis.

use super::quantity::Quantity;
use super::reason::NullReason;
use super::registry::registry;
use super::rendering::{Fold, draws};
use super::row::{Row, SourceRule};
use crate::spectrum::axis;
use crate::spectrum::bandwidth::BandwidthCorrection;
use crate::spectrum::weights::SparseRow;
use std::ops::Range;

/// The weights of every quantity on one axis.
#[derive(Clone, Debug)]
pub struct Matrix {
    pub(super) samples: usize,
    /// Wavelength of each sample [nm].
    pub(super) axis_nm: Vec<f64>,
    /// The calibrated samples.
    pub(super) calibrated: Range<usize>,
    pub(super) rows: Vec<SparseRow>,
    /// Rows of one formula, whose sums share the noise of the samples that both weigh: the lower index first.
    pub(super) pairs: Vec<(usize, usize)>,
    /// For each quantity of the registry: its rows, in the order of its recipe.
    pub(super) plans: Vec<Result<Vec<usize>, NullReason>>,
    /// The weights of colour rendering; `None` where it is left out or the visible range is not covered.
    pub(super) rendering: Option<RenderingWeights>,
    available_nm: (f64, f64),
    source: SourceRule,
}

/// The weights of colour rendering.
#[derive(Clone, Debug)]
pub(super) struct RenderingWeights {
    /// From samples to the nodes of the test colours' tables.
    pub fold: Fold,
    /// From samples to the points at which errors are drawn.
    pub points: Vec<SparseRow>,
    /// Pairs of adjacent points, which share samples.
    pub neighbours: Vec<(usize, usize)>,
}

impl RenderingWeights {
    fn build(axis_nm: &[f64], available: (f64, f64)) -> Option<Self> {
        let (fold, points) = (Fold::build(axis_nm, available)?, draws::points(axis_nm, available)?);
        let neighbours = (1..points.len()).map(|p| (p - 1, p)).collect();
        Some(Self { fold, points, neighbours })
    }
}

impl Matrix {
    /// The weights of every row on an axis.
    ///
    /// axis_nm: wavelength of each sample [nm], strictly rising; valid: the calibrated range [nm], which may end inside the
    /// axis. On an unusable axis, or outside the range, quantities are null with their reason.
    pub fn build(axis_nm: &[f64], valid: (f64, f64), source: SourceRule) -> Self {
        Self::build_of(axis_nm, valid, source, |_| true)
    }

    /// [`Self::build`] for some quantities; all others are null as not requested.
    pub fn build_of(
        axis_nm: &[f64],
        valid: (f64, f64),
        source: SourceRule,
        wanted: impl Fn(&Quantity) -> bool,
    ) -> Self {
        let ends = (axis_nm.first().copied().unwrap_or(f64::NAN), axis_nm.last().copied().unwrap_or(f64::NAN));
        let available = (ends.0.max(valid.0), ends.1.min(valid.1));
        let usable = axis::is_usable(axis_nm) && !valid.0.is_nan() && !valid.1.is_nan() && available.0 < available.1;
        let mut names: Vec<&'static str> = Vec::new();
        let mut rows: Vec<SparseRow> = Vec::new();
        let mut place = |row: &'static Row| {
            if let Some(at) = names.iter().position(|n| *n == row.name) {
                return Ok(at);
            }
            rows.push(row.fold(axis_nm, available, source)?);
            names.push(row.name);
            Ok(names.len() - 1)
        };
        let plan = |quantity: &Quantity| match (usable, wanted(quantity)) {
            (false, _) => Err(NullReason::Axis),
            (true, false) => Err(NullReason::NotRequested),
            (true, true) => quantity.recipe.rows().iter().map(|row| place(row)).collect(),
        };
        let plans: Vec<Result<Vec<usize>, NullReason>> = registry().iter().map(plan).collect();
        let calibrated = if usable {
            axis_nm.partition_point(|nm| *nm < available.0)..axis_nm.partition_point(|nm| *nm <= available.1)
        } else {
            0..0
        };
        let renders = registry().iter().zip(&plans).any(|(q, plan)| q.recipe.is_rendering() && plan.is_ok());
        Self {
            samples: axis_nm.len(),
            axis_nm: axis_nm.to_vec(),
            calibrated,
            rows,
            pairs: pairs(&plans),
            plans,
            rendering: if renders { RenderingWeights::build(axis_nm, available) } else { None },
            available_nm: available,
            source,
        }
    }

    /// The weights that also correct for the bandwidth of an instrument with a triangular slit, in every row and in the test colours.
    ///
    /// fwhm_nm: full width at half maximum [nm]; without a positive width nothing changes.
    pub fn with_bandwidth(mut self, fwhm_nm: f64) -> Self {
        let Some(correction) = BandwidthCorrection::new(&self.axis_nm, self.calibrated.clone(), fwhm_nm) else {
            return self;
        };
        self.rows.iter_mut().for_each(|row| *row = correction.corrected(row));
        if let Some(rendering) = &mut self.rendering {
            rendering.fold = rendering.fold.with_bandwidth(&correction);
        }
        self
    }

    /// How many samples the axis has.
    pub fn samples(&self) -> usize {
        self.samples
    }

    /// The usable range of wavelengths [nm]: the calibrated part of the axis. NaN on an unusable axis.
    pub fn available_nm(&self) -> (f64, f64) {
        self.available_nm
    }

    /// The source rule it was built for.
    pub fn source(&self) -> SourceRule {
        self.source
    }

    fn rows_of(&self, quantity: usize) -> impl Iterator<Item = &SparseRow> {
        self.plans.get(quantity).and_then(|p| p.as_ref().ok()).into_iter().flatten().map(|r| &self.rows[*r])
    }

    /// Why a quantity never has a value on this axis; `None` where it can have one, or there is no such quantity.
    pub fn missing(&self, quantity: usize) -> Option<&NullReason> {
        self.plans.get(quantity)?.as_ref().err()
    }

    /// First and last sample with a weight in a quantity (by its place in the registry); `None` where it has no value.
    pub fn span(&self, quantity: usize) -> Option<(usize, usize)> {
        self.rows_of(quantity).map(|r| (r.first, r.last())).reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
    }

    /// Whether a sample has a weight in a quantity.
    pub fn uses(&self, quantity: usize, sample: usize) -> bool {
        self.rows_of(quantity).any(|r| r.at(sample) != 0.0)
    }

    /// The share of each quantity's light in each part of a spectrum [1]: `shares[part][quantity]`, the mean over the quantity's
    /// rows. NaN where the quantity has no value.
    ///
    /// parts: on the axis [W m⁻² nm⁻¹]; together they are the spectrum. The effect of a part on a ratio would not do: to first order
    /// a ratio does not change with brightness, so that the effects of two parts are equal and opposite.
    pub fn shares(&self, parts: &[Vec<f64>]) -> Vec<Vec<f64>> {
        let sum = |row: &SparseRow, part: &[f64]| -> f64 {
            row.weights.iter().zip(part.get(row.first..).unwrap_or(&[])).map(|(w, e)| w * e).sum()
        };
        let sums: Vec<Vec<f64>> =
            parts.iter().map(|part| self.rows.iter().map(|row| sum(row, part)).collect()).collect();
        let total = |row: usize| sums.iter().map(|sums| sums[row]).sum::<f64>();
        let share = |sums: &[f64], rows: &[usize]| {
            rows.iter().map(|row| sums[*row] / total(*row)).sum::<f64>() / rows.len() as f64
        };
        let shares_of = |sums: &Vec<f64>| -> Vec<f64> {
            self.plans.iter().map(|rows| rows.as_ref().map_or(f64::NAN, |rows| share(sums, rows))).collect()
        };
        sums.iter().map(shares_of).collect()
    }

    /// The share of a quantity that comes from marked samples [1]: the largest, over its rows, of Σ|w·E| of the marked ones over Σ|w·E|.
    ///
    /// irradiance and marked: one entry a sample. 0 where no marked sample has a weight or the quantity has no value, 1 where a marked
    /// sample with a weight is not finite. Without any light the shares of the weights count.
    pub fn share(&self, quantity: usize, irradiance: &[f64], marked: &[bool]) -> f64 {
        let share_of = |row: &SparseRow, light: &dyn Fn(usize) -> f64| {
            let (mut part, mut whole) = (0.0, 0.0);
            for (i, w) in row.weights.iter().enumerate() {
                let sample = row.first + i;
                let size = (w * light(sample)).abs();
                let counted = *w != 0.0 && marked.get(sample).copied().unwrap_or(false);
                if counted {
                    part += size;
                    if !size.is_finite() {
                        return Some(1.0);
                    }
                }
                // A sample that is not finite and not marked must not make the share NaN.
                if size.is_finite() {
                    whole += size;
                }
            }
            (whole > 0.0).then(|| part / whole)
        };
        self.rows_of(quantity)
            .map(|row| {
                share_of(row, &|s| irradiance.get(s).copied().unwrap_or(0.0))
                    .or_else(|| share_of(row, &|_| 1.0))
                    .unwrap_or(0.0)
            })
            .fold(0.0, f64::max)
    }
}

/// Every pair of different rows of one quantity, once each.
fn pairs(plans: &[Result<Vec<usize>, NullReason>]) -> Vec<(usize, usize)> {
    let mut pairs = Vec::new();
    for rows in plans.iter().flatten() {
        for (i, a) in rows.iter().enumerate() {
            let later = rows[i + 1..].iter().filter(|b| *b != a);
            pairs.extend(later.map(|b| (*a.min(b), *a.max(b))));
        }
    }
    pairs.sort_unstable();
    pairs.dedup();
    pairs
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantities::registry::index_of;

    fn axis(from: f64, to: f64, n: usize) -> Vec<f64> {
        (0..n).map(|i| from + (to - from) * i as f64 / (n - 1) as f64).collect()
    }

    /// Identity: a span reaches from the sample at or below the band to the one at or above it, and no farther.
    #[test]
    fn a_quantity_uses_the_samples_around_its_band_and_no_others() {
        let axis = axis(280.0, 1050.0, 2048);
        let m = Matrix::build(&axis, (280.0, 1050.0), SourceRule::Sun);
        for (id, from, to) in [("ppfd", 400.0, 700.0), ("uv_index", 290.0, 400.0), ("red_far_red_ratio", 655.0, 735.0)]
        {
            let q = index_of(id).unwrap();
            let (first, last) = m.span(q).unwrap();
            assert!(axis[first] <= from && axis[first + 1] > from, "{id}: {}", axis[first]);
            assert!(axis[last] >= to && axis[last - 1] < to, "{id}: {}", axis[last]);
            assert!(m.uses(q, first) && m.uses(q, last) && !m.uses(q, first - 1) && !m.uses(q, last + 1), "{id}");
        }
        let ratio = index_of("red_far_red_ratio").unwrap();
        let between = axis.iter().position(|x| *x > 700.0).unwrap();
        assert!(!m.uses(ratio, between), "the ratio uses nothing between its bands");
        assert_eq!((m.span(999), m.uses(999, 5), m.uses(0, 999_999)), (None, false, false));
    }

    /// Identity: what the range does not cover is missing with needed and available range, never partial; the rest is there.
    #[test]
    fn an_uncovered_band_is_missing_and_says_what_it_needs() {
        let axis = axis(250.0, 1050.0, 2048);
        let m = Matrix::build(&axis, (300.0, 720.0), SourceRule::Sun);
        let missing = |id: &str| m.missing(index_of(id).unwrap()).map(ToString::to_string);
        assert_eq!(missing("uv_index").unwrap(), "needs 290 to 400 nm, but the range is 300 to 720 nm");
        assert_eq!(missing("illuminance").unwrap(), "needs 380 to 780 nm, but the range is 300 to 720 nm");
        assert_eq!(missing("red_far_red_ratio").unwrap(), "needs 725 to 735 nm, but the range is 300 to 720 nm");
        for there in ["ppfd", "uva", "pfd_red", "irradiance"] {
            assert_eq!(missing(there), None, "{there}");
        }
        let lamp = Matrix::build(&axis, (260.0, 1050.0), SourceRule::Lamp);
        assert!(lamp.missing(index_of("uv_index").unwrap()).is_some());
        assert!(lamp.missing(index_of("uvb").unwrap()).is_none());
    }

    /// No axis panics; one that cannot be used leaves every quantity null.
    #[test]
    fn an_axis_that_cannot_be_used_leaves_nothing() {
        let falling = [700.0, 600.0, 500.0];
        for axis in [&[][..], &[500.0], &falling, &[400.0, f64::NAN, 700.0], &[500.0, 500.0]] {
            let m = Matrix::build(axis, (280.0, 1050.0), SourceRule::Sun);
            assert!((0..registry().len()).all(|q| m.missing(q) == Some(&NullReason::Axis)), "{axis:?}");
        }
        let good = axis(280.0, 1050.0, 100);
        for valid in [(f64::NAN, 1050.0), (280.0, f64::NAN), (700.0, 400.0), (1100.0, 1200.0)] {
            let m = Matrix::build(&good, valid, SourceRule::Sun);
            assert!((0..registry().len()).all(|q| m.span(q).is_none()), "{valid:?}");
        }
    }

    /// Identity: shares of the parts of a spectrum are those of the sums of rows, for ratios and colours as well, and add up to 1.
    #[test]
    fn parts_of_a_spectrum_share_ratios_and_colours_as_they_share_the_light() {
        let axis = axis(280.0, 1050.0, 771);
        let m = Matrix::build(&axis, (280.0, 1050.0), SourceRule::Sun);
        let part = |from: f64, to: f64| axis.iter().map(|x| f64::from(u8::from((from..to).contains(x)))).collect();
        let shares = m.shares(&[part(0.0, 680.0), part(680.0, 2000.0)]);
        let at = |part: usize, id: &str| shares[part][index_of(id).unwrap()];
        assert!((at(0, "par_irradiance") - 279.5 / 300.0).abs() < 1e-9, "{}", at(0, "par_irradiance"));
        assert!((at(0, "red_far_red_ratio") - 0.5).abs() < 1e-9, "red is in the one part, far-red in the other");
        for id in ["cct", "sp_ratio", "cri_ra", "dominant_wavelength"] {
            assert!(at(0, id) > 0.95 && (at(0, id) + at(1, id) - 1.0).abs() < 1e-9, "{id}: {}", at(0, id));
        }
        assert!(at(0, "uvc").is_nan());
    }

    /// Identity: the share of marked samples is the part of the sum they carry.
    #[test]
    fn the_share_of_marked_samples_is_their_part_of_the_sum() {
        let axis = axis(280.0, 1050.0, 771);
        let m = Matrix::build(&axis, (280.0, 1050.0), SourceRule::Sun);
        let par = index_of("par_irradiance").unwrap();
        let flat = vec![1.0; axis.len()];
        let marked: Vec<bool> = axis.iter().map(|x| (450.0..480.0).contains(x)).collect();
        assert!((m.share(par, &flat, &marked) - 0.1).abs() < 1e-9);
        assert!((m.share(par, &vec![0.0; axis.len()], &marked) - 0.1).abs() < 1e-9);
        assert_eq!(m.share(index_of("uva").unwrap(), &flat, &marked), 0.0);
        let mut broken = flat.clone();
        broken[200] = f64::NAN;
        let only: Vec<bool> = (0..axis.len()).map(|i| i == 200).collect();
        assert_eq!(m.share(par, &broken, &only), 1.0);
        assert_eq!(m.share(999, &flat, &marked), 0.0);
    }
}
