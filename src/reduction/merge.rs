//! The merge of the ladder: each pixel from the rungs that could see it, weighted by the variance its merged rate predicts.
//!
//! A pixel's own noisy rate never sets its weight: that would favour its low draws and bias weak light downwards.

use super::counts::Signal;
use super::scale::Scale;

/// The rungs as one.
#[derive(Clone, Debug)]
pub struct Merged {
    /// Light of every pixel [counts/s].
    pub rate: Vec<f64>,
    /// Variance of `rate`: light's shot noise, read noise and dark [counts²/s²].
    pub variance: Vec<f64>,
    /// Share of each rung in each pixel [1], rung by rung.
    pub served: Vec<Vec<f64>>,
    /// Pixels that see light and are clipped in every rung.
    pub saturated: Vec<bool>,
    /// Relative difference of the light between neighbouring rungs and its standard uncertainty, largest by significance.
    pub disagreement: Option<(f64, f64)>,
}

/// Merges the rungs, shortest first. `shot` is 1 / electrons per count.
pub fn merge(rungs: &[Signal], scale: &Scale, shot: f64) -> Merged {
    let pixels = scale.wavelength_nm.len();
    let mut merged = Merged {
        rate: vec![0.0; pixels],
        variance: vec![0.0; pixels],
        served: vec![vec![0.0; pixels]; rungs.len()],
        saturated: vec![false; pixels],
        disagreement: None,
    };
    let Some(shortest) = rungs.first() else { return merged };
    if rungs.len() == 1 {
        for i in 0..pixels {
            merged.rate[i] = shortest.rate[i];
            merged.variance[i] = shortest.dark_variance[i] + shot * shortest.rate[i].max(0.0) / shortest.total_s;
            merged.served[0][i] = 1.0;
            merged.saturated[i] = shortest.clipped[i] && scale.valid[i];
        }
        return merged;
    }
    for i in 0..pixels {
        let (mut time, mut first_guess) = (0.0, 0.0);
        for rung in rungs.iter().filter(|r| !r.out[i]) {
            time += rung.total_s;
            first_guess += rung.total_s * rung.rate[i];
        }
        if time == 0.0 {
            // Nothing could see it: the shortest rung gives a lower bound, and the pixel is marked.
            merged.rate[i] = shortest.rate[i];
            merged.variance[i] = shortest.dark_variance[i] + shot * shortest.rate[i].max(0.0) / shortest.total_s;
            merged.served[0][i] = 1.0;
            merged.saturated[i] = shortest.clipped[i] && scale.valid[i];
            continue;
        }
        let guess = (first_guess / time).max(0.0);
        let (mut weights, mut sum) = (0.0, 0.0);
        for (rung, served) in rungs.iter().zip(&mut merged.served).filter(|(r, _)| !r.out[i]) {
            let w = 1.0 / (rung.dark_variance[i] + shot * guess / rung.total_s).max(f64::MIN_POSITIVE);
            served[i] = w;
            weights += w;
            sum += w * rung.rate[i];
        }
        merged.served.iter_mut().for_each(|s| s[i] /= weights);
        merged.rate[i] = sum / weights;
        merged.variance[i] = 1.0 / weights;
    }
    merged.disagreement = rungs
        .windows(2)
        .filter_map(|pair| disagreement(&pair[0], &pair[1], scale, shot))
        .max_by(|a, b| (a.0.abs() / a.1).total_cmp(&(b.0.abs() / b.1)));
    merged
}

/// How much brighter the shorter rung saw the pixels that both could see, and the standard uncertainty of that.
fn disagreement(short: &Signal, long: &Signal, scale: &Scale, shot: f64) -> Option<(f64, f64)> {
    let (mut cross, mut square) = (0.0, 0.0);
    for i in (0..scale.valid.len()).filter(|i| scale.valid[*i] && !short.out[*i] && !long.out[*i]) {
        let light = long.rate[i].max(0.0);
        let w = 1.0 / (short.dark_variance[i] + shot * light / short.total_s).max(f64::MIN_POSITIVE);
        cross += w * short.rate[i] * long.rate[i];
        square += w * long.rate[i] * long.rate[i];
    }
    (square > 0.0).then(|| (cross / square - 1.0, (1.0 / square).sqrt()))
}
