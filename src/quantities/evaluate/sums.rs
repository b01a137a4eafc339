//! The sums of rows over a spectrum with its errors.
//!
//! Knows rows and columns, not what quantities make of them. What must stay true: memory is used again, so that a spectrum
//! of a known kind allocates nothing.

use crate::quantities::kernel::{Couple, Sums, noise};
use crate::spectrum::bins::Bins;
use crate::spectrum::errors::{Correlation, Errors, RESPONSE};
use crate::spectrum::lanes::LANES;
use crate::spectrum::weights::SparseRow;

/// What an evaluation takes from some rows of weights: their sums, and how far these are uncertain.
#[derive(Clone, Debug, Default)]
pub(super) struct RowSums {
    /// Over the first block of columns, with its notes; over the other blocks.
    pub sums: Sums<LANES>,
    more: Sums<LANES>,
    /// How many columns there are.
    pub width: usize,
    /// Row-major, one entry a column.
    columns: Vec<f64>,
    /// The variance of each row's sum by the samples' own noise, and the covariance of each pair of rows.
    pub noise2: Vec<f64>,
    pub shared_noise2: Vec<f64>,
    /// The variance of each row's sum by the shape of the response, before its factor.
    pub shapes: Vec<f64>,
}

impl RowSums {
    /// Sums over a spectrum with its errors; `four` is memory.
    pub fn fill(
        &mut self,
        rows: &[SparseRow],
        couples: &[Couple],
        pairs: &[(usize, usize)],
        variance: &[f64],
        errors: &Errors,
        four: &mut Vec<[f64; 4]>,
    ) {
        let Self { sums, more, columns, .. } = self;
        self.width = errors.lanes.columns();
        fill_columns(rows, couples, errors, sums, more, columns);
        noise(rows, pairs, variance, &mut self.noise2, &mut self.shared_noise2);
        row_shapes(couples, errors, &self.sums, rows.len(), &mut self.shapes, four);
    }

    /// The sums of a row, one a column.
    pub fn row(&self, row: usize) -> &[f64] {
        &self.columns[row * self.width..][..self.width]
    }
}

/// Sums every row over every column of the errors: row-major, one entry a column; `sums` keeps the first block and its notes.
fn fill_columns(
    rows: &[SparseRow],
    couples: &[Couple],
    errors: &Errors,
    sums: &mut Sums<LANES>,
    more: &mut Sums<LANES>,
    columns: &mut Vec<f64>,
) {
    let width = errors.lanes.columns();
    columns.clear();
    columns.resize(rows.len() * width, 0.0);
    for (b, block) in errors.lanes.blocks().iter().enumerate() {
        // Bins are about the first columns only.
        let (sums, bins) = if b == 0 { (&mut *sums, &*errors.bins) } else { (&mut *more, &Bins::default()) };
        sums.fill(rows, couples, block, bins);
        let n = (width - b * LANES).min(LANES);
        for (row, from) in columns.chunks_exact_mut(width).zip(&sums.rows) {
            row[b * LANES..][..n].copy_from_slice(&from[..n]);
        }
    }
}

/// The variance of the sums of the first `count` rows by the shape of the response, before its factor; 0 where no mode has a shape.
fn row_shapes(
    couples: &[Couple],
    errors: &Errors,
    sums: &Sums<LANES>,
    count: usize,
    shapes: &mut Vec<f64>,
    four: &mut Vec<[f64; 4]>,
) {
    shapes.clear();
    shapes.resize(count, 0.0);
    if !errors.modes.iter().any(|mode| matches!(mode.mixture, Correlation::Shape(_))) {
        return;
    }
    // Rows of like spans stand next to each other among the couples.
    for couples in couples.chunks(2) {
        let (mut rows, mut n) = ([0; 4], 0);
        for row in couples.iter().flat_map(|(a, b)| [Some(*a), *b]).flatten() {
            rows[n] = row;
            n += 1;
        }
        let rows = &rows[..n];
        let noted = || rows.iter().map(|row| &sums.noted[*row]);
        let first = noted().map(|(_, bin)| *bin).min().unwrap_or(0);
        let end = noted().map(|(notes, bin)| bin + notes.len()).max().unwrap_or(first);
        four.clear();
        four.resize(end - first, [0.0; 4]);
        for (j, (notes, bin)) in noted().enumerate() {
            let mut before = 0.0;
            for (loads, note) in four[bin - first..].iter_mut().zip(&sums.notes[notes.clone()]) {
                loads[j] = note[RESPONSE] - before;
                before = note[RESPONSE];
            }
        }
        for (row, shape) in rows.iter().zip(errors.bins.variances(first, four)) {
            shapes[*row] = shape;
        }
    }
}
