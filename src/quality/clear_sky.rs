//! Detects the samples of a series that were taken under a clear sky.
//!
//! The response of an instrument outdoors can be compared over time under a clear sky only, because clouds and dirt look alike otherwise. The
//! criteria are those of Reno & Hansen 2016 (Renewable Energy 90:520–531, equations 6 to 14): over a sliding window, the mean, the
//! maximum, the length of the curve, the standard deviation of its slope and its largest step must agree with those of an expected clear
//! day, whose scale is fitted to the clear samples until it no longer changes. Pure. Invariants:
//!
//! - a sample that is missing or not finite makes every window with it unclear;
//! - scaling the measured series, the expected series and the thresholds by one factor does not change the result.

/// Largest differences of a clear window from the expected clear sky.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Thresholds {
    /// Length of the sliding window [min].
    pub window_min: f64,
    /// Largest difference of the means [unit of the series].
    pub mean: f64,
    /// Largest difference of the maxima [unit of the series].
    pub maximum: f64,
    /// Bounds of the difference of the lengths of the curves [as √(Δ² + min²), in the unit of the series].
    pub line_length: (f64, f64),
    /// Largest standard deviation of the slope, divided by the mean [1/min].
    pub slope_scatter: f64,
    /// Largest change of the difference from the expected series between two samples [unit of the series].
    pub step: f64,
    /// Value of the series for a global irradiance of 1 W m⁻².
    pub per_watt: f64,
}

/// Photon flux density 400–700 nm for a global irradiance of 1 W m⁻² [µmol/J]: ASTM G173-03, global.
pub const PPFD_PER_WATT: f64 = 1.98;
/// Illuminance for a global irradiance of 1 W m⁻² [lx m²/W]: ASTM G173-03, global.
pub const ILLUMINANCE_PER_WATT: f64 = 109.0;

impl Thresholds {
    /// For one-minute samples of global irradiance [W m⁻²]: Reno & Hansen 2016, with a slope deviation of 0.005 per minute.
    pub const MINUTES: Self = Self {
        window_min: 10.0,
        mean: 75.0,
        maximum: 75.0,
        line_length: (-5.0, 10.0),
        slope_scatter: 0.005,
        step: 8.0,
        per_watt: 1.0,
    };

    /// For samples at an interval of 1 to 30 min: Jordan & Hansen 2023 (Renewable Energy 209:393–400, table 1),
    /// linear between its entries. `None` outside.
    pub fn for_interval(interval_min: f64) -> Option<Self> {
        const INTERVALS: [f64; 4] = [1.0, 5.0, 15.0, 30.0];
        if !(1.0..=30.0).contains(&interval_min) {
            return None;
        }
        let interpolate = |entries: [f64; 4]| {
            let k = (0..3).find(|k| interval_min <= INTERVALS[k + 1]).unwrap_or(2);
            let share = (interval_min - INTERVALS[k]) / (INTERVALS[k + 1] - INTERVALS[k]);
            entries[k] + share * (entries[k + 1] - entries[k])
        };
        Some(Self {
            window_min: interpolate([50.0, 60.0, 90.0, 120.0]),
            mean: 75.0,
            maximum: interpolate([60.0, 65.0, 75.0, 90.0]),
            line_length: (-45.0, 80.0),
            slope_scatter: interpolate([0.005, 0.01, 0.032, 0.07]),
            step: interpolate([50.0, 60.0, 75.0, 96.0]),
            per_watt: 1.0,
        })
    }

    /// The same for a series in another unit. per_watt: [`PPFD_PER_WATT`], [`ILLUMINANCE_PER_WATT`] or 1.
    pub fn in_unit(self, per_watt: f64) -> Self {
        Self { per_watt, ..self }
    }
}

/// Clear samples of a series.
#[derive(Clone, Debug, PartialEq)]
pub struct ClearSky {
    /// For each sample whether it lies in a clear window.
    pub clear: Vec<bool>,
    /// Factor that fits the expected series to the clear samples [1].
    pub scale: f64,
}

/// Number of fits of the expected series at most (Reno & Hansen 2016 iterate; 20 is common practice).
const MAX_FITS: usize = 20;

/// Global irradiance of a clear sky [W m⁻²], from the elevation of the sun only: 1098 · cos z · exp(−0.059 / cos z)
/// (Haurwitz 1945, J. Meteorology 2:154–166, with the coefficients of Reno et al. 2012, SAND2012-2389).
///
/// elevation_deg: of the sun above the horizon [degrees]; 0 at and below the horizon, and for NaN.
pub fn expected_global(elevation_deg: f64) -> f64 {
    let cos_zenith = elevation_deg.to_radians().sin();
    if cos_zenith > 0.0 { 1098.0 * cos_zenith * (-0.059 / cos_zenith).exp() } else { 0.0 }
}

/// Finds the clear samples of an equally spaced series.
///
/// measured: NaN where a sample is missing; expected: the clear sky at the same times, in the same unit; interval_min: between
/// samples [min]. No sample is clear where a window has fewer than three samples or is longer than the series.
pub fn detect(measured: &[f64], expected: &[f64], interval_min: f64, thresholds: &Thresholds) -> ClearSky {
    let none = || ClearSky { clear: vec![false; measured.len()], scale: 1.0 };
    if !(interval_min > 0.0) || !(thresholds.per_watt > 0.0) || measured.len() != expected.len() {
        return none();
    }
    let width = (thresholds.window_min / interval_min) as usize;
    if width < 3 || width > measured.len() {
        return none();
    }
    let in_watts = |series: &[f64]| series.iter().map(|x| x / thresholds.per_watt).collect::<Vec<f64>>();
    let (measured, expected) = (in_watts(measured), in_watts(expected));
    let windows: Vec<Window> = measured.windows(width).map(|w| Window::of(w, interval_min)).collect();
    let mut scale = 1.0;
    let mut clear = vec![false; measured.len()];
    for _ in 0..MAX_FITS {
        clear.fill(false);
        let scaled: Vec<f64> = expected.iter().map(|x| scale * x).collect();
        for (first, window) in windows.iter().enumerate() {
            let samples = first..first + width;
            if window.agrees(&measured[samples.clone()], &scaled[samples.clone()], interval_min, thresholds) {
                clear[samples].fill(true);
            }
        }
        let last = scale;
        scale = fitted_scale(&measured, &expected, &clear).unwrap_or(last);
        if ((scale - last) * 1e4).abs() < 0.5 {
            break;
        }
    }
    ClearSky { clear, scale }
}

/// The factor that fits the expected to the measured series over the clear samples by least squares; `None` without any.
fn fitted_scale(measured: &[f64], expected: &[f64], clear: &[bool]) -> Option<f64> {
    let (mut product, mut square) = (0.0, 0.0);
    for (i, _) in clear.iter().enumerate().filter(|(_, c)| **c) {
        product += measured[i] * expected[i];
        square += expected[i] * expected[i];
    }
    (square > 0.0).then(|| product / square)
}

/// Properties of a window of the measured series.
struct Window {
    mean: f64,
    maximum: f64,
    length: f64,
    /// Standard deviation of the slope over the mean.
    slope_scatter: f64,
}

impl Window {
    fn of(samples: &[f64], interval_min: f64) -> Self {
        let mean = samples.iter().sum::<f64>() / samples.len() as f64;
        let slopes = || samples.windows(2).map(|p| (p[1] - p[0]) / interval_min);
        let n = (samples.len() - 1) as f64;
        let mean_slope = slopes().sum::<f64>() / n;
        let variance = slopes().map(|s| (s - mean_slope) * (s - mean_slope)).sum::<f64>() / (n - 1.0);
        let slope_scatter = variance.sqrt() / mean;
        Self { mean, maximum: maximum(samples), length: length(samples, interval_min), slope_scatter }
    }

    /// Whether it agrees with the expected samples. Every comparison is written so that NaN fails.
    fn agrees(&self, measured: &[f64], expected: &[f64], interval_min: f64, thresholds: &Thresholds) -> bool {
        let expected_mean = expected.iter().sum::<f64>() / expected.len() as f64;
        let excess_length = self.length - length(expected, interval_min);
        let without_steps = || {
            let difference = |i: usize| measured[i] - expected[i];
            (1..measured.len()).all(|i| (difference(i) - difference(i - 1)).abs() < thresholds.step)
        };
        expected_mean > 0.0
            && (self.mean - expected_mean).abs() < thresholds.mean
            && (self.maximum - maximum(expected)).abs() < thresholds.maximum
            && excess_length > thresholds.line_length.0
            && excess_length < thresholds.line_length.1
            && self.slope_scatter < thresholds.slope_scatter
            && without_steps()
    }
}

/// Length of the curve through the samples, where one minute is as long as 1 W m⁻².
fn length(samples: &[f64], interval_min: f64) -> f64 {
    samples.windows(2).map(|p| (p[1] - p[0]).hypot(interval_min)).sum()
}

fn maximum(samples: &[f64]) -> f64 {
    samples.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Global irradiance of every minute of a clear day, with the sun at up to 60° [W m⁻²].
    fn day() -> Vec<f64> {
        (0..1440)
            .map(|i| expected_global(90.0 * ((i as f64 - 720.0) / 1440.0 * std::f64::consts::TAU).cos() - 30.0))
            .collect()
    }

    fn clear_of(measured: &[f64], expected: &[f64]) -> ClearSky {
        detect(measured, expected, 1.0, &Thresholds::MINUTES)
    }

    /// Identity: the scale is that of the measured series.
    #[test]
    fn a_clear_day_is_detected_and_its_scale_is_fitted() {
        let expected = day();
        let measured: Vec<f64> = expected.iter().map(|x| 0.95 * x).collect();
        let found = clear_of(&measured, &expected);
        assert!((found.scale - 0.95).abs() < 1e-9, "{}", found.scale);
        // Near the horizon the slope varies by more than the threshold.
        assert!(found.clear.iter().zip(&expected).all(|(c, x)| *c || *x < 60.0));
        assert!(!found.clear[0] && !found.clear[1439]);
    }

    #[test]
    fn a_passing_cloud_makes_its_own_minutes_unclear_and_no_others() {
        let expected = day();
        let mut measured = expected.clone();
        measured[700..720].iter_mut().for_each(|x| *x *= 0.4);
        let found = clear_of(&measured, &expected);
        assert!(found.clear[700..720].iter().all(|c| !c));
        assert!(found.clear[600..699].iter().all(|c| *c) && found.clear[721..800].iter().all(|c| *c));
    }

    #[test]
    fn uniformly_overcast_and_fluctuating_skies_are_not_clear() {
        let expected = day();
        let even: Vec<f64> = expected.iter().map(|x| 0.3 * x).collect();
        assert!(clear_of(&even, &expected).clear.iter().zip(&expected).all(|(c, x)| !c || *x < 120.0));
        let fluctuating: Vec<f64> =
            expected.iter().enumerate().map(|(i, x)| x + if i % 2 == 0 { 6.0 } else { -6.0 }).collect();
        assert!(clear_of(&fluctuating, &expected).clear.iter().all(|c| !c));
    }

    /// Missing or infinite samples, short series, no interval.
    #[test]
    fn unusable_samples_are_not_clear() {
        let expected = day();
        let mut incomplete = expected.clone();
        incomplete[700] = f64::NAN;
        incomplete[800] = f64::INFINITY;
        let found = clear_of(&incomplete, &expected);
        assert!(!found.clear[700] && !found.clear[800] && found.clear[690] && found.clear[720], "{}", found.scale);
        assert!((found.scale - 1.0).abs() < 1e-9);
        for (m, e, dt) in [
            (&expected[..5], &expected[..5], 1.0),
            (&expected[..], &expected[..9], 1.0),
            (&[][..], &[][..], 1.0),
            (&expected[..], &expected[..], 0.0),
            (&expected[..], &expected[..], f64::NAN),
            (&expected[..], &expected[..], 5.0),
        ] {
            assert!(detect(m, e, dt, &Thresholds::MINUTES).clear.iter().all(|c| !c), "{} {} {dt}", m.len(), e.len());
        }
    }

    /// Identity: for a series of photon flux density.
    #[test]
    fn the_unit_of_the_series_does_not_change_the_result() {
        let expected = day();
        let mut measured: Vec<f64> = expected.iter().map(|x| 1.03 * x).collect();
        measured[500..530].iter_mut().for_each(|x| *x *= 0.7);
        let watts = clear_of(&measured, &expected);
        let photons = |s: &[f64]| s.iter().map(|x| x * PPFD_PER_WATT).collect::<Vec<_>>();
        let found = detect(&photons(&measured), &photons(&expected), 1.0, &Thresholds::MINUTES.in_unit(PPFD_PER_WATT));
        assert_eq!(found.clear, watts.clear);
        assert!((found.scale - watts.scale).abs() < 1e-12);
    }

    /// Published: table 1 of Jordan & Hansen 2023 at its entries and half-way between two of them.
    #[test]
    fn thresholds_depend_on_the_interval() {
        let at = |minutes| Thresholds::for_interval(minutes).unwrap();
        assert_eq!((at(1.0).window_min, at(5.0).window_min, at(30.0).window_min), (50.0, 60.0, 120.0));
        assert_eq!((at(15.0).slope_scatter, at(15.0).step), (0.032, 75.0));
        assert!((at(10.0).step - 67.5).abs() < 1e-12 && (at(10.0).maximum - 70.0).abs() < 1e-12);
        for outside in [0.5, 31.0, f64::NAN] {
            assert_eq!(Thresholds::for_interval(outside), None);
        }
    }

    /// Published: the Haurwitz model as given in SAND2012-2389, computed by hand.
    #[test]
    fn the_expected_irradiance_is_that_of_the_haurwitz_model() {
        assert!((expected_global(90.0) - 1098.0 * (-0.059f64).exp()).abs() < 1e-9);
        assert!((expected_global(30.0) - 549.0 * (-0.118f64).exp()).abs() < 1e-9);
        assert_eq!((expected_global(-1.0), expected_global(0.0), expected_global(f64::NAN)), (0.0, 0.0, 0.0));
    }
}
