//! The sums of rows over a spectrum and over the columns of its errors.
//!
//! The columns of a spectrum (the irradiance and the basis of its errors) are interleaved in [`Lanes`], so that one pass over the samples
//! of a row sums eight of them. The partial sums at the edges of bins are kept, for errors that are correlated over a length. Does not
//! know the meaning of a sum.
//!
//! Invariants: every sum of which a value is computed runs left to right over the samples of the row, multiplied then added, never
//! fused and never split. A value therefore has the same bits with and without uncertainty, live and recomputed. Sums over the variance
//! run in sixteen fixed strides instead.

use crate::spectrum::errors::{Correlation, ErrorMode, Errors, IRRADIANCE, RESPONSE, SHIFT};
use crate::spectrum::lanes::{LANES, Lanes};
use crate::spectrum::weights::SparseRow;
use crate::spectrum::wide;
use std::ops::Range;

/// The sum of one row over one column.
pub(super) fn sum(row: &SparseRow, column: &[f64]) -> f64 {
    let mut total = 0.0;
    for (w, x) in row.weights.iter().zip(&column[row.first..]) {
        total += w * x;
    }
    total
}

/// The sums of rows over columns: row-major, one entry a column.
pub(super) fn sums(rows: &[SparseRow], columns: &Lanes) -> Vec<f64> {
    wide::run(ColumnSums { rows, columns })
}

/// The loops of [`sums`].
struct ColumnSums<'r> {
    rows: &'r [SparseRow],
    columns: &'r Lanes,
}

impl wide::Loops for ColumnSums<'_> {
    type Output = Vec<f64>;

    #[inline(always)]
    fn call(self) -> Vec<f64> {
        let width = self.columns.columns();
        let mut sums = vec![0.0; self.rows.len() * width];
        for (b, block) in self.columns.blocks().iter().enumerate() {
            let n = (width - b * LANES).min(LANES);
            for (row, to) in self.rows.iter().zip(sums.chunks_exact_mut(width)) {
                let mut total = [0.0; LANES];
                add(&mut total, row, row.first..row.last() + 1, block);
                to[b * LANES..][..n].copy_from_slice(&total[..n]);
            }
        }
        sums
    }
}

/// The sums of a row by bin.
#[derive(Clone, Debug, Default)]
struct BinSums {
    /// The first bin with a sample of the row.
    first: usize,
    /// Of the column [`RESPONSE`]: the sum within each bin.
    response: Vec<f64>,
    /// Of the columns [`IRRADIANCE`] and [`SHIFT`]: the sums up to the end of each bin.
    until: Vec<[f64; 2]>,
}

/// The sums of some rows over one spectrum, and their uncertainty.
#[derive(Clone, Debug)]
pub(super) struct RowSums<'a> {
    errors: &'a Errors,
    pairs: &'a [(usize, usize)],
    /// How many columns there are.
    width: usize,
    /// Row-major, one entry a column.
    columns: Vec<f64>,
    bins: Vec<BinSums>,
    /// Row-major, one entry a component; 0 unless the component has a factor for each bin.
    per_bin: Vec<f64>,
    /// For each row alone, the bin at which the recursion over bins ends.
    recursion_ends: Vec<usize>,
    /// The variance of each row's sum by the noise of the samples, and the covariance of each pair of rows.
    noise2: Vec<f64>,
    pair_noise2: Vec<f64>,
}

impl<'a> RowSums<'a> {
    /// Sums rows over a spectrum with its errors. `pairs`: the pairs of rows, the lower index first, whose covariance is computed.
    pub fn of(rows: &[SparseRow], pairs: &'a [(usize, usize)], variance: &[f64], errors: &'a Errors) -> RowSums<'a> {
        wide::run(Loops { rows, pairs, variance, errors })
    }

    /// The sum of a row over the irradiance.
    pub fn light(&self, row: usize) -> f64 {
        self.columns[row * self.width + IRRADIANCE]
    }

    /// The sum of a row over the column [`RESPONSE`].
    pub fn response(&self, row: usize) -> f64 {
        if self.width > RESPONSE { self.columns[row * self.width + RESPONSE] } else { 0.0 }
    }

    /// The covariance of the sums of two rows by the noise of the samples; 0 where the rows are not one of the pairs.
    pub fn noise2(&self, a: usize, b: usize) -> f64 {
        if a == b {
            return self.noise2[a];
        }
        let pair = (a.min(b), a.max(b));
        self.pairs.iter().position(|p| *p == pair).map_or(0.0, |p| self.pair_noise2[p])
    }

    /// The variance of Σ gᵣ·(sum of row r) by the noise of the samples: gᵀCg with the covariances C of the sums.
    pub fn noise2_of(&self, gradient: &[f64], rows: &[usize]) -> f64 {
        let (mut total, mut size) = (0.0, 0.0);
        let mut add = |term: f64| {
            total += term;
            size += term.abs();
        };
        for (i, (g, a)) in gradient.iter().zip(rows).enumerate().filter(|(_, (g, _))| **g != 0.0) {
            add(g * g * self.noise2[*a]);
            for (h, b) in gradient[i + 1..].iter().zip(&rows[i + 1..]).filter(|(h, _)| **h != 0.0) {
                add(2.0 * g * h * self.noise2(*a, *b));
            }
        }
        // Terms that cancel within rounding give 0, not a negative variance.
        if total < 0.0 && total > -1e-12 * size { 0.0 } else { total }
    }

    /// The effect of one standard deviation of each error on Σ gᵣ·(sum of row r); signed, except for errors with an amplitude per bin.
    pub fn effects_of(&self, gradient: &[f64], rows: &[usize]) -> Vec<f64> {
        let mut combined = vec![0.0; self.width];
        for (g, row) in gradient.iter().zip(rows) {
            for (c, s) in combined.iter_mut().zip(&self.columns[row * self.width..][..self.width]) {
                *c += g * s;
            }
        }
        let modes = self.errors.modes.iter().enumerate();
        modes.map(|(k, mode)| self.effect((k, mode), &combined, gradient, rows)).collect()
    }

    fn effect(&self, (k, mode): (usize, &ErrorMode), combined: &[f64], gradient: &[f64], rows: &[usize]) -> f64 {
        let bins = &self.errors.bins;
        match &mode.mixture {
            Correlation::Common(mix) => mix.iter().map(|(c, k)| k * combined.get(*c).copied().unwrap_or(0.0)).sum(),
            Correlation::PerBin { .. } => {
                let modes = self.errors.modes.len();
                gradient.iter().zip(rows).map(|(g, row)| g * self.per_bin[row * modes + k]).sum()
            }
            Correlation::Shape(factor) => match rows {
                [] => 0.0,
                [row] => {
                    let (BinSums { first, response, .. }, end) = (&self.bins[*row], self.recursion_ends[*row]);
                    let weights: Vec<f64> =
                        std::iter::repeat_n(0.0, first - end).chain(response.iter().copied()).collect();
                    factor * gradient[0].abs() * bins.variance(end, &weights).sqrt()
                }
                _ => {
                    let first = rows.iter().map(|row| self.bins[*row].first).min().unwrap_or(0);
                    let end = rows.iter().map(|row| self.bins[*row].first + self.bins[*row].response.len()).max();
                    let mut weights = vec![0.0; end.unwrap_or(first) - first];
                    for (g, row) in gradient.iter().zip(rows) {
                        let of_row = &self.bins[*row];
                        for (weight, sum) in weights[of_row.first - first..].iter_mut().zip(&of_row.response) {
                            *weight += g * sum;
                        }
                    }
                    factor * bins.variance(first, &weights).sqrt()
                }
            },
        }
    }
}

/// The sums of rows over the components that have a factor for each bin: row-major, one entry a component.
///
/// Eight components at a time; their factors are interleaved for that.
#[inline(always)]
fn sums_per_bin(errors: &Errors, bins: &[BinSums]) -> Vec<f64> {
    let modes = errors.modes.len();
    let mut sums = vec![0.0; bins.len() * modes];
    for (of, column) in [IRRADIANCE, SHIFT].into_iter().enumerate() {
        let found: Vec<(usize, &[f64])> =
            errors.modes.iter().enumerate().filter_map(|(k, mode)| Some((k, factors_of(mode, column)?))).collect();
        for some in found.chunks(LANES) {
            let mut factors = vec![[0.0; LANES]; errors.bins.count()];
            for (lane, (_, of_mode)) in some.iter().enumerate() {
                factors.iter_mut().zip(*of_mode).for_each(|(to, factor)| to[lane] = *factor);
            }
            for (row, BinSums { first, until, .. }) in bins.iter().enumerate() {
                let (mut total, mut before) = ([0.0; LANES], 0.0);
                for (until, factors) in until.iter().zip(factors.iter().skip(*first)) {
                    let within = until[of] - before;
                    for l in 0..LANES {
                        total[l] += factors[l] * within;
                    }
                    before = until[of];
                }
                for ((k, _), total) in some.iter().zip(total) {
                    sums[row * modes + k] = total;
                }
            }
        }
    }
    sums
}

/// The factors of a component that has one for each bin and belongs to a column.
fn factors_of(mode: &ErrorMode, of_column: usize) -> Option<&[f64]> {
    match &mode.mixture {
        Correlation::PerBin { column, factors } if *column == of_column => Some(factors),
        _ => None,
    }
}

/// The loops of [`RowSums::of`].
struct Loops<'a, 'r> {
    rows: &'r [SparseRow],
    pairs: &'a [(usize, usize)],
    variance: &'r [f64],
    errors: &'a Errors,
}

impl<'a> wide::Loops for Loops<'a, '_> {
    type Output = RowSums<'a>;

    #[inline(always)]
    fn call(self) -> RowSums<'a> {
        let Self { rows, pairs, variance, errors } = self;
        let width = errors.lanes.columns();
        let mut columns = vec![0.0; rows.len() * width];
        let mut bins = Vec::with_capacity(rows.len());
        for (b, block) in errors.lanes.blocks().iter().enumerate() {
            let n = (width - b * LANES).min(LANES);
            for (row, to) in rows.iter().zip(columns.chunks_exact_mut(width)) {
                let mut total = [0.0; LANES];
                if b == 0 {
                    bins.push(sum_by_bins(row, block, &errors.bins.starts, &mut total));
                } else {
                    add(&mut total, row, row.first..row.last() + 1, block);
                }
                to[b * LANES..][..n].copy_from_slice(&total[..n]);
            }
        }
        let per_bin = sums_per_bin(errors, &bins);
        let recursion_ends = recursion_ends(rows, &bins);
        let noise2 = rows.iter().map(|row| noise_of(row, row, variance)).collect();
        let pair_noise2 = pairs.iter().map(|(a, b)| noise_of(&rows[*a], &rows[*b], variance)).collect();
        RowSums { errors, pairs, width, columns, bins, per_bin, recursion_ends, noise2, pair_noise2 }
    }
}

/// The bin at which the variance of each row's sum stops being summed: the first bin of four rows with neighbouring spans.
///
/// Before a row's own first bin the weights are zero, so that only rounding depends on where the recursion ends. It is fixed here
/// because the same frames must give the same uncertainty to the last bit (`tests/references/fixed_frames.rs`).
fn recursion_ends(rows: &[SparseRow], bins: &[BinSums]) -> Vec<usize> {
    let mut by_span: Vec<usize> = (0..rows.len()).collect();
    by_span.sort_by_key(|r| (rows[*r].first, rows[*r].last()));
    let mut ends = vec![0; rows.len()];
    for four in by_span.chunks(4) {
        for row in four {
            ends[*row] = bins[four[0]].first;
        }
    }
    ends
}

/// Adds w·x of one row over some samples, one after the other.
#[inline(always)]
fn add(total: &mut [f64; LANES], row: &SparseRow, at: Range<usize>, lanes: &[[f64; LANES]]) {
    let mut sums = *total;
    for (w, x) in row.weights[at.start - row.first..at.end - row.first].iter().zip(&lanes[at]) {
        for l in 0..LANES {
            sums[l] += w * x[l];
        }
    }
    *total = sums;
}

/// Sums a row in total and by bin.
#[inline(always)]
fn sum_by_bins(row: &SparseRow, lanes: &[[f64; LANES]], starts: &[usize], total: &mut [f64; LANES]) -> BinSums {
    let bin_of = |sample: usize| starts.partition_point(|s| *s <= sample).saturating_sub(1);
    let (first, last, end) = (bin_of(row.first), bin_of(row.last()), row.last() + 1);
    let mut sums = BinSums { first, ..BinSums::default() };
    let mut from = row.first;
    for bin in first..=last {
        let to = starts.get(bin + 1).map_or(end, |next| (*next).clamp(from, end));
        let before = total[RESPONSE];
        add(total, row, from..to, lanes);
        sums.response.push(total[RESPONSE] - before);
        sums.until.push([total[IRRADIANCE], total[SHIFT]]);
        from = to;
    }
    sums
}

/// Σ a·b·v over the samples of both rows: the covariance of their sums by the noise of the samples.
#[inline(always)]
fn noise_of(a: &SparseRow, b: &SparseRow, variance: &[f64]) -> f64 {
    const STRIDES: usize = 16;
    let (from, to) = (a.first.max(b.first), (a.last() + 1).min(b.last() + 1).min(variance.len()));
    if from >= to {
        return 0.0;
    }
    let n = to - from;
    let (a, b, v) = (&a.weights[from - a.first..][..n], &b.weights[from - b.first..][..n], &variance[from..to]);
    let (a_many, a_rest) = a.as_chunks::<STRIDES>();
    let (b_many, b_rest) = b.as_chunks::<STRIDES>();
    let (v_many, v_rest) = v.as_chunks::<STRIDES>();
    let mut partial = [0.0; STRIDES];
    for ((a, b), v) in a_many.iter().zip(b_many).zip(v_many) {
        for j in 0..STRIDES {
            partial[j] += (a[j] * b[j]) * v[j];
        }
    }
    let mut total: f64 = partial.iter().sum();
    for ((a, b), v) in a_rest.iter().zip(b_rest).zip(v_rest) {
        total += (a * b) * v;
    }
    total
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::spectrum::bins::Bins;
    use std::sync::Arc;

    fn rows() -> Vec<SparseRow> {
        let row = |first: usize, n: usize| SparseRow {
            first,
            weights: (0..n).map(|i| ((first * 7 + i) as f64 * 0.37).sin() + 0.1).collect(),
        };
        vec![row(0, 300), row(3, 200), row(100, 50), row(290, 10), row(20, 1), row(0, 300), row(150, 101)]
    }

    fn errors(columns: usize, bins: Bins) -> Errors {
        let column = |c: usize| (0..300).map(|i| ((i * 8 + c) as f64 * 0.11).cos()).collect::<Vec<f64>>();
        let columns: Vec<Vec<f64>> = (0..columns).map(column).collect();
        let views: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
        Errors { lanes: Lanes::of(&views), modes: Vec::new(), bins: Arc::new(bins) }
    }

    /// Identity: the bits are those of the plain left-to-right sum, with any bins and any number of columns.
    #[test]
    fn a_sum_has_the_bits_of_the_plain_one_with_any_bins_and_columns() {
        let (rows, variance) = (rows(), vec![1.0; 300]);
        let axis: Vec<f64> = (0..300).map(|i| 300.0 + f64::from(i)).collect();
        for bins in [Bins::default(), Bins::new(&axis, 50.0, 403.0), Bins::new(&axis, 7.0, 403.0)] {
            for width in [2, 8, 11] {
                let errors = errors(width, bins.clone());
                let sums = RowSums::of(&rows, &[], &variance, &errors);
                let plain = super::sums(&rows, &errors.lanes);
                for (r, row) in rows.iter().enumerate() {
                    for c in 0..width {
                        let want = sum(row, &errors.lanes.column(c)).to_bits();
                        assert_eq!(sums.columns[r * width + c].to_bits(), want, "row {r}, column {c}");
                        assert_eq!(plain[r * width + c].to_bits(), want, "row {r}, column {c}");
                    }
                    let of_bins = &sums.bins[r];
                    assert!((of_bins.response.iter().sum::<f64>() - sums.response(r)).abs() < 1e-12, "row {r}");
                    assert_eq!(of_bins.until.last().map(|u| u[0]), Some(sums.light(r)), "row {r}");
                    for (k, [until, _]) in of_bins.until.iter().enumerate() {
                        let end = bins.starts.get(of_bins.first + k + 1).copied().unwrap_or(300);
                        let want = (row.first..end.min(row.last() + 1))
                            .map(|i| row.at(i) * errors.lanes.at(IRRADIANCE, i))
                            .sum::<f64>();
                        assert!((until - want).abs() < 1e-12, "row {r}, bin {k}: want {want}, got {until}");
                    }
                }
            }
        }
    }

    /// Identity: compiled for the baseline or for wide vectors, all sums have the same bits.
    #[test]
    fn wide_vectors_change_no_bit() {
        let (rows, pairs) = (rows(), [(0, 1), (2, 5)]);
        let variance: Vec<f64> = (0..300).map(|i| 1.0 + (f64::from(i) * 0.3).sin()).collect();
        let errors = errors(11, Bins::default());
        let wide = RowSums::of(&rows, &pairs, &variance, &errors);
        let plain = wide::Loops::call(Loops { rows: &rows, pairs: &pairs, variance: &variance, errors: &errors });
        assert_eq!((wide.columns, wide.noise2, wide.pair_noise2), (plain.columns, plain.noise2, plain.pair_noise2));
    }

    /// Identity: noise is the plain sum within rounding, over the samples of both rows.
    #[test]
    fn noise_is_the_sum_over_the_samples_of_both_rows() {
        let rows = rows();
        let variance: Vec<f64> = (0..300).map(|i| 1.0 + f64::from(i % 7)).collect();
        for a in &rows {
            for b in &rows {
                let want: f64 = (0..300).map(|i| a.at(i) * b.at(i) * variance[i]).sum();
                assert!((noise_of(a, b, &variance) - want).abs() < 1e-10 * (1.0 + want.abs()));
            }
        }
    }
}
