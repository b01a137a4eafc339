//! Compares the pixels of one dark with their baseline, and tests which deviations exceed what noise and the limits allow.
//!
//! The deviation common to all pixels (drift of the whole dark, a small error of the temperature) is subtracted first. Keeps no state;
//! [`super::pixels`] does. Pure.

use crate::calibration::Noise;
use crate::config::LimitsConfig;
use crate::numeric::median;
use crate::record::Frame;
use crate::reduction::DarkModel;
use crate::reduction::dark_model::mean_counts;

/// Significance of a deviation [standard deviations of its noise].
const SIGNIFICANCE: f64 = 8.0;
/// Range around a clipped pixel in which pixels may hold overflown charge and are not tested [pixels].
const OVERFLOW_RANGE: usize = 8;
/// Share of the pixels above which simultaneous deviations are attributed to the dark rather than to the pixels [1].
const MAX_SHARE: f64 = 0.02;

/// One dark in comparison with the baseline.
#[derive(Debug)]
pub(super) struct PixelComparison<'a> {
    baseline: &'a DarkModel,
    limits: &'a LimitsConfig,
    noise: DeviationNoise,
    /// Pixels that receive light.
    open: Vec<usize>,
    clipped: Vec<bool>,
    /// Integration time at the baseline's temperature with the same dark signal [s].
    pub equivalent_s: f64,
    /// Deviation of every pixel from its baseline, the common deviation subtracted [counts].
    deviation: Vec<f64>,
    /// Deviation common to all pixels [counts].
    common: f64,
    /// Dark signal of a typical pixel [counts].
    typical_signal: f64,
    /// Relative standard uncertainty of the dark signal by that of the temperature law [1].
    signal_uncertainty: f64,
}

/// Noise of a deviation: that of the dark and that of the baseline.
#[derive(Debug)]
struct DeviationNoise {
    electrons_per_count: f64,
    /// Exposures of the dark.
    exposures: f64,
    /// Variance of the read noise [counts²].
    read_variance: f64,
    /// Variance of the baseline's prediction for a pixel without dark signal [counts²].
    model_variance: f64,
}

impl DeviationNoise {
    /// Variance of the deviation of a pixel with a dark signal [counts], in counts².
    fn variance(&self, signal: f64) -> f64 {
        let shot_variance = signal / self.electrons_per_count;
        (self.read_variance + shot_variance) / self.exposures
            + self.model_variance * (1.0 + shot_variance / self.read_variance)
    }
}

impl<'a> PixelComparison<'a> {
    /// Compares a dark. open: pixels that receive light; typical_rate: median dark rate of the baseline [counts/s]. `None` where the
    /// dark cannot be compared: another number of pixels, a temperature outside the baseline's range, no integration time.
    pub fn new(
        baseline: &'a DarkModel,
        dark: &Frame,
        open: impl Fn(usize) -> bool,
        typical_rate: f64,
        noise: &Noise,
        limits: &'a LimitsConfig,
    ) -> Option<Self> {
        let pixels = dark.sums.len();
        let temperature_c = dark.temperature_c.unwrap_or(baseline.reference_c);
        if baseline.offset.len() != pixels || !baseline.holds_at(temperature_c) || !(dark.integration_s > 0.0) {
            return None;
        }
        let equivalent_s = baseline.rate_factor(temperature_c) * dark.integration_s;
        let open: Vec<usize> = (0..pixels).filter(|i| open(*i)).collect();
        let mut deviation = deviation_from(baseline, dark, temperature_c);
        let common = median(open.iter().map(|i| deviation[*i]).collect())?;
        deviation.iter_mut().for_each(|d| *d -= common);
        Some(Self {
            baseline,
            limits,
            noise: DeviationNoise {
                electrons_per_count: noise.electrons_per_count,
                exposures: dark.exposures().max(1) as f64,
                read_variance: noise.read_noise_counts.powi(2).max(1e-6),
                model_variance: baseline.variance(dark.integration_s, temperature_c),
            },
            open,
            clipped: dark.clipped.to_mask(pixels),
            equivalent_s,
            deviation,
            common,
            typical_signal: typical_rate * equivalent_s,
            signal_uncertainty: baseline.exponent_uncertainty * (temperature_c - baseline.reference_c).abs(),
        })
    }

    /// Number of pixels of the detector.
    pub fn pixels(&self) -> usize {
        self.deviation.len()
    }

    /// Whether a pixel is clipped.
    pub fn is_clipped(&self, pixel: usize) -> bool {
        self.clipped[pixel]
    }

    /// Whether a pixel may hold charge that overflowed from a clipped one.
    pub fn is_near_clipped(&self, pixel: usize) -> bool {
        let range = pixel.saturating_sub(OVERFLOW_RANGE)..self.pixels().min(pixel + OVERFLOW_RANGE + 1);
        !self.clipped[pixel] && self.clipped[range].contains(&true)
    }

    /// Pixels whose deviation exceeds what is allowed, with the deviation [counts]; `None` where so many do that the dark itself
    /// deviates.
    pub fn exceeding(&self) -> Option<Vec<(usize, f64)>> {
        let exceeding: Vec<(usize, f64)> =
            self.open.iter().map(|i| (*i, self.deviation[*i])).filter(|(i, d)| self.exceeds(*i, *d)).collect();
        (exceeding.len() as f64 <= MAX_SHARE * self.open.len() as f64).then_some(exceeding)
    }

    fn exceeds(&self, pixel: usize, deviation: f64) -> bool {
        // A clipped pixel reads less than its signal. The first comparison, which is cheap, excludes nearly all pixels.
        deviation.abs() > self.limits.dark_offset_counts
            && deviation.abs() > self.allowed(pixel, deviation > 0.0)
            && !(deviation < 0.0 && self.clipped[pixel])
    }

    /// Largest deviation of a pixel, upwards or downwards, that noise, the uncertainty of the baseline and the limits allow [counts].
    pub fn allowed(&self, pixel: usize, upwards: bool) -> f64 {
        let signal = (f64::from(self.baseline.rate[pixel]) * self.equivalent_s).max(0.0);
        let reference = if upwards { signal.max(self.typical_signal) } else { signal };
        // The common deviation may be in proportion to the dark rate of each pixel.
        let common = self.common.abs() * signal / self.typical_signal.max(1e-9);
        SIGNIFICANCE * self.noise.variance(signal).sqrt()
            + self.limits.dark_offset_counts
            + 2.0 * self.signal_uncertainty * signal
            + self.limits.dark_rate_relative * reference
            + common
    }
}

/// Mean counts of an exposure minus the prediction of the baseline, for every pixel.
fn deviation_from(baseline: &DarkModel, dark: &Frame, temperature_c: f64) -> Vec<f64> {
    let mut deviation = mean_counts(dark);
    let expected = baseline.predict(dark.integration_s, temperature_c);
    deviation.iter_mut().zip(&expected).for_each(|(counts, expected)| *counts -= expected);
    deviation
}
