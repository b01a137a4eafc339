//! A number with its standard uncertainty, and the few statistics that the estimates share.

use crate::numeric::median;

/// A number with its standard uncertainty (k = 1), in the same unit.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Its standard uncertainty.
    pub uncertainty: f64,
}

impl Estimate {
    /// An estimate; `None` where either number is not finite.
    pub fn new(value: f64, uncertainty: f64) -> Option<Self> {
        (value.is_finite() && uncertainty.is_finite()).then_some(Self { value, uncertainty })
    }

    /// Whether zero lies outside `k` standard uncertainties.
    pub fn differs_from_zero(&self, k: f64) -> bool {
        self.value.abs() > k * self.uncertainty
    }
}

/// The mean; NaN without values.
pub fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Standard deviation of a sample; NaN with fewer than two values.
pub fn deviation(values: &[f64]) -> f64 {
    let m = mean(values);
    let squares: f64 = values.iter().map(|v| (v - m) * (v - m)).sum();
    if values.len() < 2 { f64::NAN } else { (squares / (values.len() - 1) as f64).sqrt() }
}

/// The median and its standard uncertainty for normally distributed values: 1.2533 σ/√n.
pub fn median_estimate(values: &[f64]) -> Option<Estimate> {
    let middle = median(values.to_vec())?;
    let spread = 1.4826 * median(values.iter().map(|v| (v - middle).abs()).collect())?;
    Estimate::new(middle, 1.2533 * spread / (values.len() as f64).sqrt())
}

/// Mean counts of each pixel over frames; empty without frames.
pub fn mean_frame(frames: &[Vec<u32>]) -> Vec<f64> {
    let pixels = frames.iter().map(Vec::len).min().unwrap_or_default();
    let n = frames.len() as f64;
    (0..pixels).map(|i| frames.iter().map(|f| f64::from(f[i])).sum::<f64>() / n).collect()
}
