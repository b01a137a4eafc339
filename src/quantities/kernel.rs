//! The loops that sum rows over samples.
//!
//! Samples are interleaved in *lanes*: one sample of eight columns (an irradiance and what its errors are mixed from, or
//! the irradiances of eight readings) stands in one short array, and the compiler vectorises across lanes. Two rows whose
//! spans are alike run together, since one alone would wait for its own additions. On the way the running sums are noted at
//! the edges of bins, for errors that hang together over a part of the axis only.
//!
//! What must stay true: every output is a left-to-right f64 sum over the row's samples, multiplied then added, never fused
//! and never split into partial sums. So a lane's bits do not depend on its neighbours, on how many there are, on the edges,
//! or on which rows run together, and a value computed live has the same bits as one computed again in a batch. Sums over
//! the variance, which no value comes from, are taken in sixteen fixed strides instead.

use crate::spectrum::bins::Bins;
use crate::spectrum::weights::SparseRow;
use crate::spectrum::wide;
use std::ops::Range;

/// How many lanes are noted at the edges of bins: the irradiance and what the response's shape is taken from.
pub(super) const NOTED: usize = 2;

/// The sums of every row over one block of lanes.
#[derive(Clone, Debug, Default)]
pub(super) struct Sums<const L: usize> {
    /// One entry a row.
    pub rows: Vec<[f64; L]>,
    /// The running sums of the first lanes at the end of every bin that a row reaches into, row by row.
    pub notes: Vec<[f64; NOTED]>,
    /// Where a row's notes stand, and the first bin it reaches into.
    pub noted: Vec<(Range<usize>, usize)>,
}

/// Rows that run together: one, or two of like spans.
pub(super) type Couple = (usize, Option<usize>);

/// Rows in couples of like spans.
pub(super) fn couples(rows: &[SparseRow]) -> Vec<Couple> {
    let mut order: Vec<usize> = (0..rows.len()).collect();
    order.sort_by_key(|r| (rows[*r].first, rows[*r].last()));
    order.chunks(2).map(|c| (c[0], c.get(1).copied())).collect()
}

impl<const L: usize> Sums<L> {
    /// Sums every row over `lanes`, one entry a sample; `bins` may be empty, then nothing is noted.
    pub fn fill(&mut self, rows: &[SparseRow], couples: &[Couple], lanes: &[[f64; L]], bins: &Bins) {
        self.rows.clear();
        self.rows.resize(rows.len(), [0.0; L]);
        self.noted.clear();
        let mut notes = 0;
        for row in rows.iter().filter(|_| !bins.starts.is_empty()) {
            let (first, end) = (bin_of(bins, row.first), bin_of(bins, row.last()) + 1);
            self.noted.push((notes..notes + (end - first), first));
            notes += end - first;
        }
        self.notes.clear();
        self.notes.resize(notes, [0.0; NOTED]);
        wide::run(AllRows { sums: self, rows, couples, lanes, bins });
    }
}

/// The loops over all rows.
struct AllRows<'a, const L: usize> {
    sums: &'a mut Sums<L>,
    rows: &'a [SparseRow],
    couples: &'a [Couple],
    lanes: &'a [[f64; L]],
    bins: &'a Bins,
}

impl<const L: usize> wide::Loops for AllRows<'_, L> {
    type Output = ();

    #[inline(always)]
    fn call(mut self) {
        for (a, b) in self.couples {
            match (b, self.bins.starts.is_empty()) {
                (None, true) => self.one(*a),
                (Some(b), true) => self.two(*a, *b),
                (None, false) => self.one_noted(*a),
                (Some(b), false) => self.two_noted(*a, *b),
            }
        }
    }
}

impl<const L: usize> AllRows<'_, L> {
    #[inline(always)]
    fn one(&mut self, r: usize) {
        let row = &self.rows[r];
        step(&mut self.sums.rows[r], row, row.first..row.last() + 1, self.lanes);
    }

    /// What both rows span runs together; what one of them spans alone before and after does not.
    #[inline(always)]
    fn two(&mut self, a: usize, b: usize) {
        let (row_a, row_b) = (&self.rows[a], &self.rows[b]);
        let (ends_a, ends_b) = (row_a.last() + 1, row_b.last() + 1);
        let (from, to) = (row_a.first.max(row_b.first), ends_a.min(ends_b));
        if from >= to {
            self.one(a);
            self.one(b);
            return;
        }
        let (mut total_a, mut total_b) = ([0.0; L], [0.0; L]);
        step(&mut total_a, row_a, row_a.first..from, self.lanes);
        step(&mut total_b, row_b, row_b.first..from, self.lanes);
        both(&mut total_a, &mut total_b, row_a, row_b, from..to, self.lanes);
        step(&mut total_a, row_a, to..ends_a, self.lanes);
        step(&mut total_b, row_b, to..ends_b, self.lanes);
        (self.sums.rows[a], self.sums.rows[b]) = (total_a, total_b);
    }

    #[inline(always)]
    fn one_noted(&mut self, r: usize) {
        let row = &self.rows[r];
        let mut total = [0.0; L];
        let (noted, first) = self.sums.noted[r].clone();
        for (note, bin) in self.sums.notes[noted].iter_mut().zip(first..) {
            step(&mut total, row, within(row, self.bins, bin), self.lanes);
            note.copy_from_slice(&total[..NOTED]);
        }
        self.sums.rows[r] = total;
    }

    #[inline(always)]
    fn two_noted(&mut self, a: usize, b: usize) {
        let (row_a, row_b) = (&self.rows[a], &self.rows[b]);
        let (mut total_a, mut total_b) = ([0.0; L], [0.0; L]);
        let ((noted_a, first_a), (noted_b, first_b)) = (self.sums.noted[a].clone(), self.sums.noted[b].clone());
        let (end_a, end_b) = (first_a + noted_a.len(), first_b + noted_b.len());
        for bin in first_a.min(first_b)..end_a.max(end_b) {
            let (at_a, at_b) = (within(row_a, self.bins, bin), within(row_b, self.bins, bin));
            if at_a == at_b {
                both(&mut total_a, &mut total_b, row_a, row_b, at_a, self.lanes);
            } else {
                step(&mut total_a, row_a, at_a, self.lanes);
                step(&mut total_b, row_b, at_b, self.lanes);
            }
            if (first_a..end_a).contains(&bin) {
                self.sums.notes[noted_a.start + (bin - first_a)].copy_from_slice(&total_a[..NOTED]);
            }
            if (first_b..end_b).contains(&bin) {
                self.sums.notes[noted_b.start + (bin - first_b)].copy_from_slice(&total_b[..NOTED]);
            }
        }
        (self.sums.rows[a], self.sums.rows[b]) = (total_a, total_b);
    }
}

/// The bin a sample is in.
fn bin_of(bins: &Bins, sample: usize) -> usize {
    bins.starts.partition_point(|s| *s <= sample).saturating_sub(1)
}

/// The samples of a row in a bin; empty, but inside the row's span, where there are none.
#[inline(always)]
fn within(row: &SparseRow, bins: &Bins, bin: usize) -> Range<usize> {
    let end = row.last() + 1;
    let from = bins.starts[bin].clamp(row.first, end);
    from..bins.starts.get(bin + 1).map_or(end, |next| (*next).clamp(from, end))
}

/// Adds w·x of one row over some samples, one after the other.
#[inline(always)]
fn step<const L: usize>(total: &mut [f64; L], row: &SparseRow, at: Range<usize>, lanes: &[[f64; L]]) {
    let mut sums = *total;
    for (w, x) in row.weights[at.start - row.first..at.end - row.first].iter().zip(&lanes[at]) {
        for l in 0..L {
            sums[l] += w * x[l];
        }
    }
    *total = sums;
}

/// [`step`] for two rows over the same samples.
#[inline(always)]
fn both<const L: usize>(
    total_a: &mut [f64; L],
    total_b: &mut [f64; L],
    row_a: &SparseRow,
    row_b: &SparseRow,
    at: Range<usize>,
    lanes: &[[f64; L]],
) {
    let (mut sums_a, mut sums_b) = (*total_a, *total_b);
    let w_a = &row_a.weights[at.start - row_a.first..at.end - row_a.first];
    let w_b = &row_b.weights[at.start - row_b.first..at.end - row_b.first];
    for ((a, b), x) in w_a.iter().zip(w_b).zip(&lanes[at]) {
        for l in 0..L {
            sums_a[l] += a * x[l];
            sums_b[l] += b * x[l];
        }
    }
    (*total_a, *total_b) = (sums_a, sums_b);
}

/// The covariances of the sums of rows by the samples' own noise: of every row with itself, then of the pairs.
pub(super) fn noise(
    rows: &[SparseRow],
    pairs: &[(usize, usize)],
    variance: &[f64],
    own: &mut Vec<f64>,
    shared: &mut Vec<f64>,
) {
    own.clear();
    own.resize(rows.len(), 0.0);
    shared.clear();
    shared.resize(pairs.len(), 0.0);
    wide::run(Noise { rows, pairs, variance, own, shared });
}

struct Noise<'a> {
    rows: &'a [SparseRow],
    pairs: &'a [(usize, usize)],
    variance: &'a [f64],
    own: &'a mut [f64],
    shared: &'a mut [f64],
}

impl wide::Loops for Noise<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        for (own, row) in self.own.iter_mut().zip(self.rows) {
            *own = noise_of(row, row, self.variance);
        }
        for (shared, (a, b)) in self.shared.iter_mut().zip(self.pairs) {
            *shared = noise_of(&self.rows[*a], &self.rows[*b], self.variance);
        }
    }
}

/// Σ a·b·v over the samples that both rows weigh: the covariance of their sums by the samples' own noise.
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

    fn rows() -> Vec<SparseRow> {
        let row = |first: usize, n: usize| SparseRow {
            first,
            weights: (0..n).map(|i| ((first * 7 + i) as f64 * 0.37).sin() + 0.1).collect(),
        };
        vec![row(0, 300), row(3, 200), row(100, 50), row(290, 10), row(20, 1), row(0, 300), row(150, 101)]
    }

    /// Identity: bits are those of the plain left-to-right sum, whatever the bins, the couples and the neighbours.
    #[test]
    fn a_sum_has_the_bits_of_the_plain_one_whatever_runs_beside_it() {
        let rows = rows();
        let lanes: Vec<[f64; 8]> =
            (0..300).map(|i| std::array::from_fn(|l| ((i * 8 + l) as f64 * 0.11).cos())).collect();
        let axis: Vec<f64> = (0..300).map(|i| 300.0 + f64::from(i)).collect();
        let plain = |row: &SparseRow, l: usize, end: usize| {
            let mut total = 0.0;
            for (w, x) in row.weights.iter().zip(&lanes[row.first..]).take(end.saturating_sub(row.first)) {
                total += w * x[l];
            }
            total
        };
        for bins in [Bins::default(), Bins::new(&axis, 50.0, 403.0), Bins::new(&axis, 7.0, 403.0)] {
            let mut sums = Sums::<8>::default();
            sums.fill(&rows, &couples(&rows), &lanes, &bins);
            for (r, row) in rows.iter().enumerate() {
                for l in 0..8 {
                    assert_eq!(sums.rows[r][l].to_bits(), f64::to_bits(plain(row, l, 300)), "row {r}, lane {l}");
                }
                let Some((noted, first)) = sums.noted.get(r).cloned() else { continue };
                for (note, bin) in sums.notes[noted].iter().zip(first..) {
                    let end = bins.starts.get(bin + 1).copied().unwrap_or(300);
                    for (l, got) in note.iter().enumerate() {
                        assert_eq!(got.to_bits(), f64::to_bits(plain(row, l, end)), "row {r}, bin {bin}");
                    }
                }
            }
        }
    }

    /// Identity: compiled for any machine or for wide vectors, noise has the same bits.
    #[test]
    fn wide_vectors_change_no_bit_of_the_noise() {
        let rows = rows();
        let variance: Vec<f64> = (0..300).map(|i| 1.0 + (f64::from(i) * 0.3).sin()).collect();
        let pairs = [(0, 1), (2, 5)];
        let (mut own, mut shared) = (Vec::new(), Vec::new());
        noise(&rows, &pairs, &variance, &mut own, &mut shared);
        let (mut plain_own, mut plain_shared) = (vec![0.0; rows.len()], vec![0.0; 2]);
        let (plain, two) = (&mut plain_own[..], &mut plain_shared[..]);
        wide::Loops::call(Noise { rows: &rows, pairs: &pairs, variance: &variance, own: plain, shared: two });
        assert_eq!((own, shared), (plain_own, plain_shared));
    }

    /// Identity: noise is the plain sum but for rounding, over the samples that both rows weigh.
    #[test]
    fn noise_is_the_sum_over_what_both_rows_weigh() {
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
