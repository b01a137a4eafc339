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
//! the variance, which no value comes from, are taken in eight fixed strides instead.

use crate::spectrum::bins::Bins;
use crate::spectrum::weights::SparseRow;
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
        for (a, b) in couples {
            match b {
                Some(b) => self.two(rows, (*a, *b), lanes, bins),
                None => self.one(rows, *a, lanes, bins),
            }
        }
    }

    fn one(&mut self, rows: &[SparseRow], r: usize, lanes: &[[f64; L]], bins: &Bins) {
        let row = &rows[r];
        let mut total = [[0.0; L]];
        let Some((noted, first)) = self.noted.get(r).cloned() else {
            run(&mut total, [&row.weights], &lanes[row.first..]);
            self.rows[r] = total[0];
            return;
        };
        for (note, bin) in self.notes[noted].iter_mut().zip(first..) {
            let at = within(row, bins, bin);
            run(&mut total, [&row.weights[at.start - row.first..at.end - row.first]], &lanes[at]);
            note.copy_from_slice(&total[0][..NOTED]);
        }
        self.rows[r] = total[0];
    }

    fn two(&mut self, rows: &[SparseRow], (a, b): (usize, usize), lanes: &[[f64; L]], bins: &Bins) {
        let (row_a, row_b) = (&rows[a], &rows[b]);
        let (mut total_a, mut total_b) = ([0.0; L], [0.0; L]);
        let mut step = |at_a: Range<usize>, at_b: Range<usize>| {
            let w_a = &row_a.weights[at_a.start - row_a.first..at_a.end - row_a.first];
            let w_b = &row_b.weights[at_b.start - row_b.first..at_b.end - row_b.first];
            if at_a == at_b {
                let mut totals = [total_a, total_b];
                run(&mut totals, [w_a, w_b], &lanes[at_a]);
                [total_a, total_b] = totals;
            } else {
                let mut total = [total_a];
                run(&mut total, [w_a], &lanes[at_a]);
                [total_a] = total;
                let mut total = [total_b];
                run(&mut total, [w_b], &lanes[at_b]);
                [total_b] = total;
            }
            (total_a, total_b)
        };
        if bins.starts.is_empty() {
            // What both rows span together, and what one of them spans alone before and after.
            let (ends_a, ends_b) = (row_a.last() + 1, row_b.last() + 1);
            let (from, to) = (row_a.first.max(row_b.first), ends_a.min(ends_b));
            if from < to {
                step(row_a.first..from, row_b.first..from);
                step(from..to, from..to);
                step(to..ends_a, to..ends_b);
            } else {
                step(row_a.first..ends_a, row_b.first..ends_b);
            }
        } else {
            let ((noted_a, first_a), (noted_b, first_b)) = (self.noted[a].clone(), self.noted[b].clone());
            let end = (first_a + noted_a.len()).max(first_b + noted_b.len());
            for bin in first_a.min(first_b)..end {
                let (total_a, total_b) = step(within(row_a, bins, bin), within(row_b, bins, bin));
                for (noted, first, total) in [(&noted_a, first_a, &total_a), (&noted_b, first_b, &total_b)] {
                    if let Some(at) = bin.checked_sub(first).filter(|k| *k < noted.len()) {
                        self.notes[noted.start + at].copy_from_slice(&total[..NOTED]);
                    }
                }
            }
        }
        (self.rows[a], self.rows[b]) = (total_a, total_b);
    }
}

/// The bin a sample is in.
fn bin_of(bins: &Bins, sample: usize) -> usize {
    bins.starts.partition_point(|s| *s <= sample).saturating_sub(1)
}

/// The samples of a row in a bin; empty, but inside the row's span, where there are none.
fn within(row: &SparseRow, bins: &Bins, bin: usize) -> Range<usize> {
    let end = row.last() + 1;
    let from = bins.starts[bin].clamp(row.first, end);
    from..bins.starts.get(bin + 1).map_or(end, |next| (*next).clamp(from, end))
}

/// The innermost loop: adds w·x of every row and lane, sample after sample. Weights are as many as samples, or fewer.
#[inline(always)]
fn run<const L: usize, const R: usize>(totals: &mut [[f64; L]; R], weights: [&[f64]; R], lanes: &[[f64; L]]) {
    let n = weights.iter().map(|w| w.len()).min().unwrap_or(0).min(lanes.len());
    let (weights, lanes) = (weights.map(|w| &w[..n]), &lanes[..n]);
    let mut sums = *totals;
    for i in 0..n {
        for r in 0..R {
            for l in 0..L {
                sums[r][l] += weights[r][i] * lanes[i][l];
            }
        }
    }
    *totals = sums;
}

/// Σ a·b·v over the samples that both rows weigh: the covariance of their sums by the samples' own noise.
pub(super) fn noise_of(a: &SparseRow, b: &SparseRow, variance: &[f64]) -> f64 {
    const STRIDES: usize = 8;
    let (from, to) = (a.first.max(b.first), (a.last() + 1).min(b.last() + 1).min(variance.len()));
    if from >= to {
        return 0.0;
    }
    let n = to - from;
    let (a, b, v) = (&a.weights[from - a.first..][..n], &b.weights[from - b.first..][..n], &variance[from..to]);
    let (a8, a_rest) = a.as_chunks::<STRIDES>();
    let (b8, b_rest) = b.as_chunks::<STRIDES>();
    let (v8, v_rest) = v.as_chunks::<STRIDES>();
    let mut partial = [0.0; STRIDES];
    for ((a, b), v) in a8.iter().zip(b8).zip(v8) {
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
