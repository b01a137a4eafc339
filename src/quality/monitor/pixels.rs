//! Detects pixels whose dark signal deviates from its baseline (hot, dead, stuck, noisy), from dark frames only.
//!
//! The baseline is a dark model, pixel by pixel, taken soon after the calibration became active. [`super::pixel_comparison`] tests one dark
//! against it; which quantities a pixel affects is decided by [`super::pixel_scope`]. Pure. Invariants:
//!
//! - a single dark never changes a pixel's state, because a cosmic-ray hit looks the same;
//! - a dark with less dark signal than the one that showed a deviation, being shorter or colder, does not clear the pixel.

use super::dark::is_sufficient_baseline;
use super::pixel_comparison::PixelComparison;
use crate::calibration::Noise;
use crate::clock::UtcMicros;
use crate::config::LimitsConfig;
use crate::record::{Frame, LimitState};
use crate::reduction::DarkModel;
use std::collections::{BTreeMap, BTreeSet};

/// Darks with a deviation that confirm an anomaly; not necessarily consecutive, because a noisy pixel deviates at times only.
const CONFIRMED_BY: u32 = 2;
/// Consecutive darks without a deviation that clear a pixel.
const CLEARED_BY: u32 = 12;
/// A dark can clear a pixel only if its equivalent integration time is at least this share of that of the dark with the largest
/// deviation, and if it would detect this share of that deviation [1].
const COMPARABLE_SHARE: f64 = 0.7;
/// Number of darks that a baseline is fitted to, at least.
const BASELINE_DARKS: usize = 24;
/// Time after the baseline was taken [s] in which a deviation means that the baseline does not describe the pixel, for instance a very
/// hot pixel that clips in long darks. Such pixels are not tested any more.
const SETTLING_S: f64 = 86_400.0;

/// State of the pixel monitor, saved over restarts.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct PixelDrift {
    /// The calibration that the state belongs to.
    pub calibration: String,
    /// Row of the dark model that is the baseline.
    pub baseline: Option<i64>,
    /// When the baseline was taken.
    pub adopted: Option<UtcMicros>,
    /// Pixels that the baseline does not describe; they are not tested.
    pub unfit: BTreeSet<usize>,
    /// Median dark rate of the baseline [counts/s] at its temperature [°C], and the exponent of its temperature law [1/K].
    pub typical: (f64, f64, f64),
    /// End of the newest dark by class of equivalent integration time, in tenths of a decade. Classes below that of a later dark are
    /// removed.
    pub checked: BTreeMap<i32, UtcMicros>,
    /// Pixels with a recent deviation.
    pub anomalies: BTreeMap<usize, PixelAnomaly>,
}

/// The deviation of a pixel.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct PixelAnomaly {
    /// Largest deviation from the baseline [counts].
    pub counts: f64,
    /// Integration time of the dark with the largest deviation [s].
    pub integration_s: f64,
    /// Integration time at the baseline's temperature with the same dark signal [s].
    #[serde(alias = "weighed_s")]
    pub equivalent_s: f64,
    /// Smallest dark rate that explains the deviation of a dark [counts/s], at the baseline's temperature.
    pub rate: f64,
    /// Number of darks with a deviation.
    pub times: u32,
    /// Consecutive darks without a deviation since.
    pub passed: u32,
    /// Last comparable dark without a deviation before the first with one.
    pub last_within_limit: Option<UtcMicros>,
    /// Instant from which readings are flagged; `None` until the anomaly is confirmed.
    pub exceeded_since: Option<UtcMicros>,
}

impl PixelDrift {
    /// Restarts with another calibration.
    pub fn set_calibration(&mut self, calibration: &str) {
        if self.calibration != calibration {
            *self = Self { calibration: calibration.to_owned(), ..Self::default() };
        }
    }

    /// Takes a model as the baseline, where there is none and the model is sufficient; returns whether it did.
    pub fn take_baseline(&mut self, row: i64, model: &DarkModel, now: UtcMicros) -> bool {
        if self.baseline.is_some() || model.darks < BASELINE_DARKS || !is_sufficient_baseline(model) {
            return false;
        }
        let (_, rate) = model.summary(model.reference_c);
        (self.baseline, self.adopted) = (Some(row), Some(now));
        self.typical = (rate, model.reference_c, model.rate_exponent_per_k.unwrap_or(0.0));
        true
    }

    /// Tests one accepted dark against the baseline. open: pixels that receive light.
    pub fn check(
        &mut self,
        baseline: &DarkModel,
        dark: &Frame,
        open: impl Fn(usize) -> bool,
        noise: &Noise,
        limits: &LimitsConfig,
    ) {
        let Some(comparison) = PixelComparison::new(baseline, dark, open, self.typical.0, noise, limits) else {
            return;
        };
        let Some(mut exceeding) = comparison.exceeding() else { return };
        if self.adopted.is_none_or(|t| dark.end().seconds_since(t) < SETTLING_S) {
            self.unfit.extend(exceeding.iter().map(|(pixel, _)| *pixel));
        }
        exceeding.retain(|(pixel, _)| !self.unfit.contains(pixel));
        let class = length_class(comparison.equivalent_s);
        let last_within_limit = self.checked.range(class..).map(|(_, t)| *t).max();
        for (pixel, deviation) in exceeding.iter().filter(|(pixel, _)| !comparison.is_near_clipped(*pixel)) {
            self.record(*pixel, *deviation, &comparison, last_within_limit, dark);
        }
        self.clear(&comparison, &exceeding);
        self.checked.retain(|other, _| *other > class);
        self.checked.insert(class, dark.end());
    }

    /// Records the deviation of a pixel in a dark.
    fn record(
        &mut self,
        pixel: usize,
        deviation: f64,
        comparison: &PixelComparison<'_>,
        last_within_limit: Option<UtcMicros>,
        dark: &Frame,
    ) {
        let equivalent_s = comparison.equivalent_s;
        let rate = deviation / equivalent_s;
        let anomaly = self.anomalies.entry(pixel).or_insert(PixelAnomaly {
            counts: deviation,
            integration_s: dark.integration_s,
            equivalent_s,
            rate,
            times: 0,
            passed: 0,
            last_within_limit,
            exceeded_since: None,
        });
        anomaly.times += 1;
        anomaly.passed = 0;
        if deviation.abs() > anomaly.counts.abs() {
            (anomaly.counts, anomaly.integration_s, anomaly.equivalent_s) =
                (deviation, dark.integration_s, equivalent_s);
        }
        if !comparison.is_clipped(pixel) && rate.abs() < anomaly.rate.abs() {
            anomaly.rate = rate;
        }
        if anomaly.times >= CONFIRMED_BY && anomaly.exceeded_since.is_none() {
            let since = anomaly.last_within_limit.map_or(dark.start(), |t| UtcMicros(t.0.saturating_add(1)));
            anomaly.exceeded_since = Some(since);
        }
    }

    /// Counts a dark without a deviation for each anomaly, and removes the anomalies that are cleared.
    fn clear(&mut self, comparison: &PixelComparison<'_>, exceeding: &[(usize, f64)]) {
        self.anomalies.retain(|pixel, anomaly| {
            let is_within_limit = *pixel < comparison.pixels()
                && !exceeding.iter().any(|(other, _)| other == pixel)
                && !comparison.is_near_clipped(*pixel);
            let is_as_long = || comparison.equivalent_s >= COMPARABLE_SHARE * anomaly.equivalent_s;
            let would_detect =
                || comparison.allowed(*pixel, anomaly.counts > 0.0) <= COMPARABLE_SHARE * anomaly.counts.abs();
            if is_within_limit && is_as_long() && would_detect() {
                anomaly.passed += 1;
            }
            anomaly.passed < CLEARED_BY
        });
    }

    /// The pixels with a confirmed anomaly.
    pub fn confirmed(&self) -> impl Iterator<Item = (usize, &PixelAnomaly)> {
        self.anomalies.iter().filter(|(_, a)| a.exceeded_since.is_some()).map(|(pixel, a)| (*pixel, a))
    }

    /// The limit state of all pixels together.
    pub fn limit_state(&self) -> LimitState {
        LimitState {
            last_within_limit: self.checked.values().max().copied(),
            exceeded_since: self.confirmed().filter_map(|(_, a)| a.exceeded_since).min(),
        }
    }

    /// Deviation of a pixel's dark rate [counts/s] at a temperature [°C]; at the baseline's temperature where it is unknown.
    pub fn rate_at(&self, anomaly: &PixelAnomaly, temperature_c: Option<f64>) -> f64 {
        let (_, reference_c, exponent) = self.typical;
        anomaly.rate * temperature_c.map_or(1.0, |t| (exponent * (t - reference_c)).exp())
    }
}

/// Class of an equivalent integration time, in tenths of a decade.
fn length_class(equivalent_s: f64) -> i32 {
    (10.0 * equivalent_s.log10()).floor() as i32
}

#[cfg(test)]
mod tests {
    use super::super::test_limits as limits;
    use super::*;
    use crate::record::{PixelRanges, Shutter, Stamp};

    const PIXELS: usize = 512;

    fn noise() -> Noise {
        Noise { electrons_per_count: 3.0, read_noise_counts: 7.0, saturation_fraction: 0.95, blooming_pixels: 4 }
    }

    fn baseline() -> DarkModel {
        DarkModel {
            offset: (0..PIXELS).map(|i| 1200.0 + (i % 13) as f32).collect(),
            rate: (0..PIXELS).map(baseline_rate).collect(),
            reference_c: 20.0,
            offset_per_k: 1.5,
            rate_exponent_per_k: Some(0.1),
            exponent_uncertainty: 1e-3,
            covariance: [0.5, 0.0, 0.01],
            temperature_range_c: (15.0, 25.0),
            integration_range_s: (0.01, 60.0),
            newest: UtcMicros(0),
            darks: 24,
            light_lx: 0.0,
        }
    }

    struct Darks {
        model: DarkModel,
        drift: PixelDrift,
        at_s: f64,
    }

    impl Darks {
        fn new() -> Self {
            let model = baseline();
            let mut drift = PixelDrift::default();
            drift.set_calibration("first");
            let before = UtcMicros(0).plus_seconds(-SETTLING_S);
            assert!(drift.take_baseline(7, &model, before) && !drift.take_baseline(8, &model, before));
            Self { model, drift, at_s: 0.0 }
        }

        /// Takes a dark ten minutes later, with reproducible noise and counts modified by `change`.
        fn take(&mut self, t: f64, temperature_c: f64, change: impl Fn(usize, f64) -> f64) {
            self.at_s += 600.0;
            let even = |i: usize| {
                let x = (i as u64 + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15).wrapping_mul(self.at_s as u64 | 1);
                ((x >> 40) as f64 / f64::from(1u32 << 24) - 0.5) * 24.0
            };
            let counts = self.model.predict(t, temperature_c);
            let sums: Vec<u32> = counts
                .iter()
                .enumerate()
                .map(|(i, c)| (change(i, *c) + even(i)).round().clamp(0.0, 65_535.0) as u32)
                .collect();
            let clipped = PixelRanges::from_mask(&sums.iter().map(|s| *s > 62_000).collect::<Vec<_>>());
            let dark = Frame {
                integration_s: t,
                shutter: Shutter::Closed,
                temperature_c: Some(temperature_c),
                stamps: vec![Stamp { start: UtcMicros(0).plus_seconds(self.at_s), crc32: 0 }],
                sums,
                clipped,
                light_variation: 0.0,
                ripple: Vec::new(),
                rejected: Vec::new(),
            };
            self.drift.check(&self.model, &dark, |i| i >= 8, &noise(), &limits());
        }

        fn confirmed(&self) -> Vec<usize> {
            self.drift.confirmed().map(|(i, _)| i).collect()
        }
    }

    /// Noise, a temperature far from the baseline's, more dark current in proportion, a shifted offset.
    #[test]
    fn changes_common_to_all_pixels_are_no_anomaly() {
        let mut darks = Darks::new();
        for k in 0..40 {
            let temperature = 20.0 + 12.0 * (f64::from(k) * 0.7).sin();
            for t in [0.005, 0.5, 10.0, 60.0] {
                darks.take(t, temperature, |_, c| c);
                darks.take(t, temperature, |i, c| c + f64::from(baseline_rate(i)) * 1.2 * t);
                darks.take(t, temperature, |_, c| c + 90.0);
            }
        }
        assert_eq!(darks.drift.anomalies, BTreeMap::new());
    }

    fn baseline_rate(i: usize) -> f32 {
        if i % 97 == 5 { 400.0 } else { 20.0 + (i % 7) as f32 }
    }

    /// A hot, a dead, a stuck and a noisy pixel; readings are flagged from the last comparable dark without a deviation on. Shielded pixels
    /// are not tested.
    #[test]
    fn an_anomaly_is_confirmed_by_the_second_dark_with_a_deviation() {
        let mut darks = Darks::new();
        for t in [0.005, 10.0, 60.0, 0.005] {
            darks.take(t, 20.0, |_, c| c);
        }
        let passed = |darks: &Darks, t: f64| darks.drift.checked[&length_class(t)];
        let (short, long) = (passed(&darks, 0.005), passed(&darks, 60.0));
        let at_s = darks.at_s;
        let faulty = |t: f64, noisy: bool| {
            move |i: usize, c: f64| match i {
                3 => 9000.0,
                100 => c + 60.0 * t,
                200 => 1200.0,
                300 => 5000.0,
                400 => c + if noisy { 150.0 } else { 0.0 },
                _ => c,
            }
        };
        darks.take(60.0, 20.0, faulty(60.0, false));
        assert_eq!(darks.confirmed(), [0usize; 0], "a single dark");
        darks.take(0.005, 20.0, faulty(0.005, true));
        assert_eq!(darks.confirmed(), [300], "a stuck pixel deviates in darks of any length");
        darks.take(0.005, 20.0, faulty(0.005, false));
        darks.take(0.005, 20.0, faulty(0.005, true));
        assert_eq!(darks.confirmed(), [300, 400]);
        darks.take(60.0, 20.0, faulty(60.0, false));
        assert_eq!(darks.confirmed(), [100, 200, 300, 400]);
        let since = |i: usize| darks.drift.anomalies[&i].exceeded_since.unwrap().0 - 1;
        assert_eq!((since(100), since(200), since(300)), (long.0, long.0, long.0));
        assert!(since(400) >= short.0 && since(400) < UtcMicros(0).plus_seconds(at_s + 1300.0).0);
        let rate = |i: usize| darks.drift.anomalies[&i].rate;
        assert!((rate(100) - 60.0).abs() < 2.0 && (rate(200) + 20.0).abs() < 8.0, "{} {}", rate(100), rate(200));
        assert!(
            (darks.drift.rate_at(&darks.drift.anomalies[&100], Some(30.0)) / rate(100) - 1.0f64.exp()).abs() < 1e-9
        );
        assert_eq!(darks.drift.limit_state().exceeded_since.map(|t| t.0 - 1), Some(long.0));
    }

    /// Another calibration restarts the monitor.
    #[test]
    fn a_deviation_in_a_single_dark_is_no_anomaly_and_only_long_darks_clear_one() {
        let mut darks = Darks::new();
        darks.take(60.0, 20.0, |i, c| if i == 50 { c + 4000.0 } else { c });
        for _ in 0..CLEARED_BY {
            darks.take(60.0, 20.0, |_, c| c);
        }
        assert!(darks.drift.anomalies.is_empty());
        for _ in 0..2 {
            darks.take(60.0, 20.0, |i, c| if i == 50 { c + 4000.0 } else { c });
        }
        assert_eq!(darks.confirmed(), [50]);
        for _ in 0..3 * CLEARED_BY {
            darks.take(0.5, 20.0, |_, c| c);
        }
        assert_eq!(darks.confirmed(), [50], "short darks would not detect it");
        let text = serde_json::to_string(&darks.drift).unwrap();
        assert_eq!(serde_json::from_str::<PixelDrift>(&text).unwrap(), darks.drift);
        for _ in 0..CLEARED_BY {
            darks.take(60.0, 20.0, |_, c| c);
        }
        assert_eq!(darks.confirmed(), [0usize; 0]);
        darks.drift.set_calibration("second");
        assert_eq!(darks.drift, PixelDrift { calibration: "second".into(), ..PixelDrift::default() });
    }

    #[test]
    fn a_pixel_that_deviates_on_the_first_day_is_not_tested_any_more() {
        let mut darks = Darks::new();
        darks.drift.adopted = Some(UtcMicros(0));
        let hot = |i: usize, c: f64| if i == 50 { c + 900.0 } else { c };
        darks.take(1.0, 20.0, hot);
        darks.drift.adopted = Some(UtcMicros(0).plus_seconds(-SETTLING_S));
        for _ in 0..4 {
            darks.take(1.0, 20.0, |i, c| hot(i, c) + if i == 60 { 900.0 } else { 0.0 });
        }
        assert_eq!((darks.confirmed(), darks.drift.unfit.clone()), (vec![60], BTreeSet::from([50])));
    }

    /// NaN, no integration time, another number of pixels.
    #[test]
    fn darks_that_cannot_be_compared_are_ignored() {
        let mut darks = Darks::new();
        darks.take(f64::NAN, 20.0, |_, c| c);
        darks.take(0.0, 20.0, |_, c| c + 5000.0);
        darks.take(60.0, f64::NAN, |_, c| c);
        darks.model.offset.push(1200.0);
        darks.take(60.0, 20.0, |_, c| c);
        assert!(darks.drift.anomalies.is_empty() && darks.drift.checked.is_empty());
    }
}
