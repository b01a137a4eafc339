//! The one loop that sums rows over samples.
//!
//! Samples are interleaved in blocks of *lanes*: one sample of up to eight columns (an irradiance and its modes, or the
//! irradiances of eight readings) stands in one short array. A row runs over its own span once and serves all lanes, so a
//! narrow row costs what it weighs and the compiler vectorises across lanes.
//!
//! What must stay true: every output is a left-to-right f64 sum over the row's samples, multiplied then added, never fused
//! and never split into partial sums. So a lane's bits do not depend on its neighbours or on how many there are, and a value
//! computed live has the same bits as one computed again in a batch.

use crate::spectrum::weights::SparseRow;

/// The most columns summed in one pass.
pub(super) const MOST_LANES: usize = 8;

/// The span of samples that any row uses, as (first, one past the last).
pub(super) type Span = (usize, usize);

/// Sums of every row over a block of columns: `sums[row][lane]`, with the variance sums Σ w²·v where `variance` is given.
///
/// columns: at most [`MOST_LANES`], each at least as long as the axis; block: scratch.
pub(super) fn sum_block(
    rows: &[SparseRow],
    span: Span,
    columns: &[&[f64]],
    variance: Option<&[f64]>,
    block: &mut Vec<f64>,
    sums: &mut Vec<[f64; MOST_LANES]>,
    noise2: &mut Vec<f64>,
) {
    match columns.len() {
        0 => {}
        1 => sum_lanes::<1>(rows, span, columns, variance, block, sums, noise2),
        2 => sum_lanes::<2>(rows, span, columns, variance, block, sums, noise2),
        3 | 4 => sum_lanes::<4>(rows, span, columns, variance, block, sums, noise2),
        5 | 6 => sum_lanes::<6>(rows, span, columns, variance, block, sums, noise2),
        _ => sum_lanes::<MOST_LANES>(rows, span, columns, variance, block, sums, noise2),
    }
}

fn sum_lanes<const L: usize>(
    rows: &[SparseRow],
    (start, end): Span,
    columns: &[&[f64]],
    variance: Option<&[f64]>,
    block: &mut Vec<f64>,
    sums: &mut Vec<[f64; MOST_LANES]>,
    noise2: &mut Vec<f64>,
) {
    block.clear();
    block.resize((end - start) * L, 0.0);
    let (lanes, _) = block.as_chunks_mut::<L>();
    for (l, column) in columns.iter().take(L).enumerate() {
        for (sample, x) in lanes.iter_mut().zip(&column[start..end]) {
            sample[l] = *x;
        }
    }
    sums.clear();
    noise2.clear();
    for row in rows {
        let here = &lanes[row.first - start..];
        let mut total = [0.0; L];
        let mut squares = 0.0;
        if let Some(variance) = variance {
            for ((w, x), v) in row.weights.iter().zip(here).zip(&variance[row.first..]) {
                for l in 0..L {
                    total[l] += w * x[l];
                }
                squares += (w * w) * v;
            }
        } else {
            for (w, x) in row.weights.iter().zip(here) {
                for l in 0..L {
                    total[l] += w * x[l];
                }
            }
        }
        let mut wide = [0.0; MOST_LANES];
        wide[..L].copy_from_slice(&total);
        sums.push(wide);
        noise2.push(squares);
    }
}

/// The variance of Σ gᵣ·(sum of row r) by the adjoint: the weights are combined first, Σ (Σ gᵣ wᵣ)²·v.
pub(super) fn adjoint_noise2<'a>(
    parts: impl Iterator<Item = (f64, &'a SparseRow)> + Clone,
    variance: &[f64],
    combined: &mut Vec<f64>,
) -> f64 {
    let first = parts.clone().map(|(_, row)| row.first).min().unwrap_or(0);
    let last = parts.clone().map(|(_, row)| row.last()).max().unwrap_or(0);
    combined.clear();
    combined.resize(last + 1 - first, 0.0);
    for (g, row) in parts {
        for (c, w) in combined[row.first - first..].iter_mut().zip(&row.weights) {
            *c += g * w;
        }
    }
    let mut total = 0.0;
    for (c, v) in combined.iter().zip(&variance[first..]) {
        // Where no row weighs, a missing variance must not count.
        if *c != 0.0 {
            total += (c * c) * v;
        }
    }
    total
}
