//! Offset, dark current, and pixels that are hot, noisy or stuck, from dark frames of several integration times.
//!
//! The counts of each pixel without light are offset + dark rate × integration time; a change of temperature during the series
//! would enter the rate, so the series reports the temperatures it saw.

use super::estimate::{Estimate, deviation, mean, mean_frame, median_estimate};
use crate::numeric::median;

/// Dark rate beyond this multiple of the median makes a pixel hot.
const HOT_FACTOR: f64 = 5.0;
/// Variance beyond this multiple of the median makes a pixel noisy.
const NOISY_FACTOR: f64 = 9.0;

/// Longest integration time of the frames that show a pixel's noise, if there are such [s].
const NOISE_MAX_S: f64 = 0.15;

/// Dark frames of one integration time.
#[derive(Clone, Debug)]
pub struct DarkFrames {
    /// Integration time [s].
    pub integration_s: f64,
    /// The frames [counts].
    pub frames: Vec<Vec<u32>>,
}

/// What a series of darks shows.
#[derive(Clone, Debug, PartialEq, serde::Serialize)]
pub struct Dark {
    /// Mean offset over the pixels [counts].
    pub offset_counts: Option<Estimate>,
    /// Standard deviation of the offset over the pixels [counts].
    pub offset_pattern_counts: f64,
    /// Median dark rate [counts/s]; `None` with one integration time only.
    pub rate_counts_per_s: Option<Estimate>,
    /// Pixels with a dark rate of more than five times the median.
    pub hot: Vec<usize>,
    /// Pixels with more than three times the noise of the median.
    pub noisy: Vec<usize>,
    /// Pixels that read the same in every frame.
    pub stuck: Vec<usize>,
    /// Offset of each pixel [counts].
    #[serde(skip)]
    pub offset: Vec<f64>,
    /// Dark rate of each pixel [counts/s].
    #[serde(skip)]
    pub rate: Vec<f64>,
}

impl Dark {
    /// Mean counts of each pixel without light.
    pub fn at(&self, integration_s: f64) -> Vec<f64> {
        self.offset.iter().zip(&self.rate).map(|(offset, rate)| offset + rate * integration_s).collect()
    }
}

/// Evaluates a series of darks; `None` without frames.
pub fn dark(series: &[DarkFrames]) -> Option<Dark> {
    let means: Vec<(f64, f64, Vec<f64>)> = series
        .iter()
        .filter(|s| !s.frames.is_empty())
        .map(|s| (s.integration_s, s.frames.len() as f64, mean_frame(&s.frames)))
        .collect();
    let pixels = means.iter().map(|m| m.2.len()).min()?;
    let weight: f64 = means.iter().map(|m| m.1).sum();
    let middle_s = means.iter().map(|m| m.0 * m.1).sum::<f64>() / weight;
    let spread = means.iter().map(|m| m.1 * (m.0 - middle_s).powi(2)).sum::<f64>();
    let has_rate = spread > 1e-12;
    let line = |i: usize| {
        let level = means.iter().map(|m| m.1 * m.2[i]).sum::<f64>() / weight;
        let slope = means.iter().map(|m| m.1 * (m.0 - middle_s) * m.2[i]).sum::<f64>();
        let rate = if has_rate { slope / spread } else { 0.0 };
        (level - rate * middle_s, rate)
    };
    let (offset, rate): (Vec<f64>, Vec<f64>) = (0..pixels).map(line).unzip();
    // The noise of a hot pixel at long times is that of its dark current.
    let shortest_s = means.iter().map(|m| m.0).fold(f64::INFINITY, f64::min);
    let short: Vec<&DarkFrames> = series.iter().filter(|s| s.integration_s <= NOISE_MAX_S.max(shortest_s)).collect();
    let variances: Vec<f64> = (0..pixels).map(|i| variance(&short, i)).collect();
    let first = series.iter().find_map(|s| s.frames.first())?;
    let is_stuck = |i: usize| series.iter().flat_map(|s| &s.frames).all(|f| f[i] == first[i]);
    let median_rate = median(rate.clone())?;
    let scatter = 1.4826 * median(rate.iter().map(|r| (r - median_rate).abs()).collect())?;
    let typical = median(variances.clone())?;
    let pick = |test: &dyn Fn(usize) -> bool| (0..pixels).filter(|i| test(*i)).collect::<Vec<usize>>();
    Some(Dark {
        offset_counts: Estimate::new(mean(&offset), deviation(&offset) / (pixels as f64).sqrt()),
        offset_pattern_counts: deviation(&offset),
        rate_counts_per_s: if has_rate { median_estimate(&rate) } else { None },
        hot: pick(&|i| {
            has_rate && rate[i] > HOT_FACTOR * median_rate.max(0.0) && rate[i] > median_rate + 6.0 * scatter
        }),
        noisy: pick(&|i| variances[i] > NOISY_FACTOR * typical.max(0.1)),
        stuck: pick(&|i| typical > 0.1 && is_stuck(i)),
        offset,
        rate,
    })
}

/// Variance of a pixel within equal frames [counts²].
fn variance(series: &[&DarkFrames], pixel: usize) -> f64 {
    let (mut squares, mut freedom) = (0.0, 0_usize);
    for s in series.iter().filter(|s| s.frames.len() > 1) {
        let values: Vec<f64> = s.frames.iter().map(|f| f64::from(f[pixel])).collect();
        let m = mean(&values);
        squares += values.iter().map(|v| (v - m).powi(2)).sum::<f64>();
        freedom += values.len() - 1;
    }
    if freedom == 0 { f64::NAN } else { squares / freedom as f64 }
}

#[cfg(test)]
#[path = "dark_tests.rs"]
mod tests;
