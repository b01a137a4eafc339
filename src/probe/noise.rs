//! Read noise and electrons per count by the photon-transfer method, and smoothing inside the instrument.
//!
//! The variance of the difference of two equal frames is twice read noise² + signal/(electrons per count): fixed pattern and
//! unequal sensitivity of the pixels cancel. A change of the light between the two frames is common to all pixels and is taken
//! out as a factor. (Janesick, *Photon Transfer*, SPIE 2007, chapter 5; the weights are those of χ²-distributed squares.)
//!
//! An instrument that smooths over pixels lowers the variance, so that electrons per count come out too high; neighbouring
//! differences are then correlated. An average over exposures inside the instrument is not seen here: it looks like more electrons.

use super::estimate::Estimate;

/// Highest level used, as a share of full scale [1].
pub const LEVEL_MAX: f64 = 0.7;
/// Lowest level at which the signal term is considered determined, as a share of full scale [1].
pub const LEVEL_MIN: f64 = 0.1;
/// Squares beyond this multiple of the variance are taken for hits of particles and left out (four standard deviations).
const OUTLIER: f64 = 16.0;
/// Distance of pixels whose correlation is taken for that of the light, not of smoothing.
const FAR: usize = 8;

/// Two frames with equal settings, taken one after the other.
#[derive(Clone, Debug)]
pub struct Pair {
    /// The first frame [counts].
    pub first: Vec<u32>,
    /// The second frame [counts].
    pub second: Vec<u32>,
    /// What each pixel reads without light and dark current [counts].
    pub offset: Vec<f64>,
}

/// What a series of pairs shows.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Noise {
    /// Electrons per count.
    pub electrons_per_count: Option<Estimate>,
    /// Read noise of one exposure [counts]; rounding to whole counts is part of it.
    pub read_noise_counts: Option<Estimate>,
    /// Correlation of neighbouring pixels [1]: 0 unless the instrument smooths.
    pub neighbour_correlation: Option<Estimate>,
    /// Largest relative change of the light within a pair [1].
    pub light_change: f64,
    /// Highest level that was used, as a share of full scale [1].
    pub highest_level: f64,
}

/// One pixel of one pair.
struct Sample {
    pair: usize,
    pixel: usize,
    signal: f64,
    difference: f64,
}

/// Estimates the noise. `usable` excludes bad pixels; `full_scale` in counts; counts / (1 + `coefficient`·counts) is proportional to
/// charge, and shot noise is that of the charge. `None` where fewer than 50 samples are usable.
pub fn noise(pairs: &[Pair], usable: &[bool], full_scale: f64, coefficient: f64) -> Option<Noise> {
    let mut samples = Vec::new();
    let (mut light_change, mut highest_level) = (0.0_f64, 0.0_f64);
    for (index, pair) in pairs.iter().enumerate() {
        let (taken, change) = samples_of(index, pair, usable, (full_scale, coefficient));
        light_change = light_change.max(change);
        highest_level = taken.iter().map(|s| s.signal / full_scale).fold(highest_level, f64::max);
        samples.extend(taken);
    }
    if samples.len() < 50 {
        return None;
    }
    let (fitted, covariance) = fit(&samples)?;
    let [read_variance, per_count] = fitted;
    let reaches = highest_level >= LEVEL_MIN && per_count > 0.0;
    let gain =
        if reaches { Estimate::new(1.0 / per_count, covariance[1].sqrt() / (per_count * per_count)) } else { None };
    let read = (read_variance > 0.0).then(|| read_variance.sqrt());
    Some(Noise {
        electrons_per_count: gain,
        read_noise_counts: read.and_then(|read| Estimate::new(read, covariance[0].sqrt() / (2.0 * read))),
        neighbour_correlation: correlation(&samples, fitted),
        light_change,
        highest_level,
    })
}

/// The usable pixels of a pair, and the relative change of its light.
fn samples_of(index: usize, pair: &Pair, usable: &[bool], (full_scale, coefficient): (f64, f64)) -> (Vec<Sample>, f64) {
    let linear = |count: u32, offset: f64| {
        let signal = f64::from(count) - offset;
        signal / (1.0 + coefficient * signal)
    };
    let signals = |i: usize| (linear(pair.first[i], pair.offset[i]), linear(pair.second[i], pair.offset[i]));
    let highest = LEVEL_MAX * full_scale;
    let in_range =
        |i: &usize| usable.get(*i) == Some(&true) && f64::from(pair.first[*i].max(pair.second[*i])) <= highest;
    let pixels = pair.first.len().min(pair.second.len()).min(pair.offset.len());
    let chosen: Vec<usize> = (0..pixels).filter(in_range).collect();
    let sums = chosen.iter().map(|i| signals(*i)).fold((0.0, 0.0), |sum, s| (sum.0 + s.0, sum.1 + s.1));
    // Without light the two sums are noise, and their ratio means nothing.
    let is_lit = sums.0 > 0.01 * full_scale * chosen.len() as f64 && sums.1 > 0.0;
    let ratio = if is_lit { sums.1 / sums.0 } else { 1.0 };
    let half = ratio.sqrt();
    let sample = |i: usize| {
        let (a, b) = signals(i);
        // Both brought to the light between them.
        let (a, b) = (a * half, b / half);
        Sample { pair: index, pixel: i, signal: (0.5 * (a + b)).max(0.0), difference: a - b }
    };
    (chosen.into_iter().map(sample).collect(), (ratio - 1.0).abs())
}

/// Read variance [counts²] and counts per electron with their variances, by weighted least squares of half the squared
/// differences against the signal.
fn fit(samples: &[Sample]) -> Option<([f64; 2], [f64; 2])> {
    let half_square = |s: &Sample| 0.5 * s.difference * s.difference;
    let total: f64 = samples.iter().map(half_square).sum();
    let signal: f64 = samples.iter().map(|s| s.signal + 1.0).sum();
    let mut fitted = [total / signal, total / signal];
    let mut variance = [f64::NAN; 2];
    for round in 0..20 {
        let [mut s0, mut s1, mut s2, mut t0, mut t1] = [0.0; 5];
        for s in samples {
            let model = (fitted[0] + fitted[1] * s.signal).max(0.02);
            // The first rounds find the order of magnitude from all samples.
            if round > 4 && half_square(s) > 0.5 * OUTLIER * 2.0 * model {
                continue;
            }
            let weight = 0.5 / (model * model);
            s0 += weight;
            s1 += weight * s.signal;
            s2 += weight * s.signal * s.signal;
            t0 += weight * half_square(s);
            t1 += weight * s.signal * half_square(s);
        }
        let determinant = s0 * s2 - s1 * s1;
        if !(determinant > 1e-12 * s0 * s2) {
            // All at one level: the read variance alone.
            fitted = [t0 / s0, 0.0];
            variance = [1.0 / s0, f64::INFINITY];
            continue;
        }
        fitted = [(s2 * t0 - s1 * t1) / determinant, (s0 * t1 - s1 * t0) / determinant];
        variance = [s2 / determinant, s0 / determinant];
    }
    fitted.iter().all(|f| f.is_finite()).then_some((fitted, variance))
}

/// Correlation of neighbouring pixels less that of distant ones, which follows the light.
fn correlation(samples: &[Sample], fitted: [f64; 2]) -> Option<Estimate> {
    let scaled = |s: &Sample| s.difference / (2.0 * (fitted[0] + fitted[1] * s.signal).max(0.02)).sqrt();
    let square: f64 = samples.iter().map(|s| scaled(s).powi(2)).sum::<f64>() / samples.len() as f64;
    let at = |distance: usize| {
        let (mut sum, mut n) = (0.0, 0_usize);
        for (i, a) in samples.iter().enumerate() {
            // Excluded pixels lie between some: the partner is at most `distance` samples on.
            let partner =
                samples[i + 1..].iter().take(distance).find(|b| b.pair == a.pair && b.pixel == a.pixel + distance);
            if let Some(b) = partner {
                sum += scaled(a) * scaled(b);
                n += 1;
            }
        }
        (n > 30).then(|| (sum / n as f64 / square, n))
    };
    let (near, n) = at(1)?;
    let far = at(FAR).map_or(0.0, |(far, _)| far);
    Estimate::new(near - far, (2.0 / n as f64).sqrt())
}

#[cfg(test)]
#[path = "noise_tests.rs"]
mod tests;
