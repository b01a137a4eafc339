//! Merge of the brackets: each pixel is the weighted mean of the brackets in which it is not clipped, weighted by the inverse of
//! the variance that the merged rate predicts.
//!
//! The weight never depends on the noisy rate of a single bracket: low values would get more weight and weak light would be
//! biased downwards. Clipped pixels come in ranges, so the axis is divided into a few segments with the same unclipped brackets.

use super::counts::Signal;
use super::scale::Scale;
use super::sums::strided;
use std::ops::Range;

/// The merged brackets.
#[derive(Clone, Debug, Default)]
pub struct Merged {
    /// Light of every pixel [counts/s].
    pub rate: Vec<f64>,
    /// Variance of `rate`: light's shot noise, read noise and dark [counts²/s²].
    pub variance: Vec<f64>,
    /// Merge weight of each bracket in each pixel [1], bracket by bracket; the weights of a pixel add up to 1.
    pub merge_weights: Vec<Vec<f64>>,
    /// Calibrated pixels that are clipped in every bracket.
    pub saturated: Vec<bool>,
    /// Relative difference of the light between consecutive brackets and its standard uncertainty; the most significant pair.
    pub disagreement: Option<(f64, f64)>,
}

/// Merges the brackets, shortest first. `shot` is 1 / electrons per count.
#[inline(always)]
pub fn merge(brackets: &[Signal], scale: &Scale, shot: f64) -> Merged {
    let pixels = scale.wavelength_nm.len();
    let mut merged = Merged {
        rate: vec![0.0; pixels],
        variance: vec![0.0; pixels],
        merge_weights: vec![vec![0.0; pixels]; brackets.len()],
        saturated: vec![false; pixels],
        disagreement: None,
    };
    if brackets.is_empty() {
        return merged;
    }
    let segments = segments(brackets, pixels);
    for segment in &segments {
        match unclipped(brackets, segment)[..] {
            [] => {
                // Clipped in every bracket: the shortest gives a lower bound, and the pixels are marked as saturated.
                one(brackets, 0, segment.clone(), shot, &mut merged);
                merged.saturated[segment.clone()].copy_from_slice(&scale.valid[segment.clone()]);
            }
            [only] => one(brackets, only, segment.clone(), shot, &mut merged),
            [a, b] => two(brackets, (a, b), segment.clone(), shot, &mut merged),
            ref many => several(brackets, many, segment.clone(), shot, &mut merged),
        }
    }
    if brackets.len() > 1 {
        merged.disagreement = (0..brackets.len() - 1)
            .filter_map(|k| disagreement(brackets, k, &segments, scale, shot))
            .max_by(|a, b| (a.0.abs() / a.1).total_cmp(&(b.0.abs() / b.1)));
    }
    merged
}

/// Divides the axis into segments of pixels with the same unclipped brackets.
fn segments(brackets: &[Signal], pixels: usize) -> Vec<Range<usize>> {
    let mut edges: Vec<usize> =
        brackets.iter().flat_map(|r| r.clipped.iter().flat_map(|c| [c.start, c.end])).chain([0, pixels]).collect();
    edges.sort_unstable();
    edges.dedup();
    edges.windows(2).map(|w| w[0]..w[1]).collect()
}

/// The brackets in which a segment is not clipped.
fn unclipped(brackets: &[Signal], segment: &Range<usize>) -> Vec<usize> {
    let is_unclipped = |bracket: &Signal| {
        let after = bracket.clipped.partition_point(|c| c.end <= segment.start);
        bracket.clipped.get(after).is_none_or(|c| c.start > segment.start)
    };
    (0..brackets.len()).filter(|k| is_unclipped(&brackets[*k])).collect()
}

#[inline(always)]
fn one(brackets: &[Signal], k: usize, at: Range<usize>, shot: f64, merged: &mut Merged) {
    let bracket = &brackets[k];
    let shot_per_rate = shot / bracket.total_s;
    let (rate, dark) = (&bracket.rate[at.clone()], &bracket.dark_rate[at.clone()]);
    merged.rate[at.clone()].copy_from_slice(rate);
    for ((v, r), d) in merged.variance[at.clone()].iter_mut().zip(rate).zip(dark) {
        *v = bracket.dark_variance(*d) + shot_per_rate * r.max(0.0);
    }
    merged.merge_weights[k][at].fill(1.0);
}

/// Two brackets: the weight of each is the variance of the other divided by the sum, which takes one division.
#[inline(always)]
fn two(brackets: &[Signal], (a, b): (usize, usize), at: Range<usize>, shot: f64, merged: &mut Merged) {
    let (short, long) = (&brackets[a], &brackets[b]);
    let per_total = 1.0 / (short.total_s + long.total_s);
    let (part_a, part_b) = (short.total_s * per_total, long.total_s * per_total);
    let (shot_a, shot_b) = (shot / short.total_s, shot / long.total_s);
    let (before, after) = merged.merge_weights.split_at_mut(b);
    let (weight_a, weight_b) = (&mut before[a][at.clone()], &mut after[0][at.clone()]);
    let n = at.len();
    let (rate_a, rate_b) = (&short.rate[at.clone()][..n], &long.rate[at.clone()][..n]);
    let (dark_a, dark_b) = (&short.dark_rate[at.clone()][..n], &long.dark_rate[at.clone()][..n]);
    let (weight_a, weight_b) = (&mut weight_a[..n], &mut weight_b[..n]);
    let (rate, variance) = (&mut merged.rate[at.clone()][..n], &mut merged.variance[at][..n]);
    for i in 0..n {
        let guess = (part_a * rate_a[i] + part_b * rate_b[i]).max(0.0);
        let v_a = (short.dark_variance(dark_a[i]) + shot_a * guess).max(f64::MIN_POSITIVE);
        let v_b = (long.dark_variance(dark_b[i]) + shot_b * guess).max(f64::MIN_POSITIVE);
        let per_sum = 1.0 / (v_a + v_b);
        let (share_a, share_b) = (v_b * per_sum, v_a * per_sum);
        weight_a[i] = share_a;
        weight_b[i] = share_b;
        rate[i] = share_a * rate_a[i] + share_b * rate_b[i];
        variance[i] = v_a * share_a;
    }
}

fn several(brackets: &[Signal], unclipped: &[usize], at: Range<usize>, shot: f64, merged: &mut Merged) {
    let time: f64 = unclipped.iter().map(|k| brackets[*k].total_s).sum();
    for i in at {
        let guess = unclipped.iter().map(|k| brackets[*k].total_s * brackets[*k].rate[i]).sum::<f64>().max(0.0) / time;
        let (mut weights, mut sum) = (0.0, 0.0);
        for bracket in unclipped.iter().map(|k| &brackets[*k]) {
            let v = bracket.dark_variance(bracket.dark_rate[i]) + shot * guess / bracket.total_s;
            let w = 1.0 / v.max(f64::MIN_POSITIVE);
            weights += w;
            sum += w * bracket.rate[i];
        }
        for k in unclipped {
            let v = brackets[*k].dark_variance(brackets[*k].dark_rate[i]) + shot * guess / brackets[*k].total_s;
            merged.merge_weights[*k][i] = 1.0 / v.max(f64::MIN_POSITIVE) / weights;
        }
        merged.rate[i] = sum / weights;
        merged.variance[i] = 1.0 / weights;
    }
}

/// Relative excess of bracket k over the next one in the pixels that are unclipped in both, and its standard uncertainty.
#[inline(always)]
fn disagreement(
    brackets: &[Signal],
    k: usize,
    segments: &[Range<usize>],
    scale: &Scale,
    shot: f64,
) -> Option<(f64, f64)> {
    let (short, long) = (&brackets[k], &brackets[k + 1]);
    let shot_per_rate = shot / short.total_s;
    let (mut cross, mut square) = (0.0, 0.0);
    for at in segments {
        let unclipped = unclipped(brackets, at);
        if !(unclipped.contains(&k) && unclipped.contains(&(k + 1))) {
            continue;
        }
        let n = at.len();
        let (a, b) = (&short.rate[at.clone()][..n], &long.rate[at.clone()][..n]);
        let (dark, valid) = (&short.dark_rate[at.clone()][..n], &scale.valid[at.clone()][..n]);
        let [c, s] = strided(n, |i| {
            let v = short.dark_variance(dark[i]) + shot_per_rate * b[i].max(0.0);
            let w = if valid[i] { b[i] / v.max(f64::MIN_POSITIVE) } else { 0.0 };
            [w * a[i], w * b[i]]
        });
        cross += c;
        square += s;
    }
    (square > 0.0).then(|| (cross / square - 1.0, (1.0 / square).sqrt()))
}
