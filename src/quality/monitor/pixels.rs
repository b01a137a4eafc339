//! Pixels whose dark has left its own baseline: hot, dead, stuck or restless, told by darks alone.
//!
//! The baseline is a dark model, pixel by pixel, kept since the calibration began. What all pixels have in common (drift of
//! the dark as a whole, a temperature that is a little off) is taken out first; a pixel is odd where what is left is far
//! beyond its noise and matters beside its own dark signal. Light is looked at elsewhere ([`super::pixels`]).
//!
//! Pure. What must stay true: one odd dark turns nothing, since a particle may have crossed it; a dark that holds
//! less than the one that showed a pixel odd, being shorter or colder, clears nothing.

use super::dark::is_sufficient_baseline;
use crate::calibration::Noise;
use crate::clock::UtcMicros;
use crate::config::LimitsConfig;
use crate::numeric::median;
use crate::record::{Frame, LimitState};
use crate::reduction::DarkModel;
use crate::reduction::dark_model::mean_counts;
use std::collections::{BTreeMap, BTreeSet};

/// How far beyond its noise a pixel must stand.
const SIGNIFICANCE: f64 = 8.0;
/// PixelAnomaly darks that make a finding, not necessarily in a row: a restless pixel is odd only at times.
const CONFIRMED_BY: u32 = 2;
/// Darks in a row without anything odd that clear a pixel.
const CLEARED_BY: u32 = 12;
/// A dark can clear a pixel that weighs at least this much of the one that showed it odd, and would show this much of how far
/// it stood [1].
const SHOWN: f64 = 0.7;
/// Darks the baseline rests on, at least.
const BASELINE_DARKS: usize = 24;
/// Pixels that are odd in so long after it was taken [s] were not known well enough, as very hot ones are whose long darks clip:
/// they are left alone.
const SETTLING_S: f64 = 86_400.0;
/// Pixels this near a clipped one hold its overflow and say nothing.
const SPILL: u16 = 8;
/// Pixels odd at the same time from which on it is not they that are odd but the dark [1 of all].
const MOST_ODD: f64 = 0.02;

/// The tracker, persisted over restarts.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct PixelDrift {
    /// The calibration it watches under.
    pub calibration: String,
    /// Row of the dark model that is the baseline.
    pub baseline: Option<i64>,
    /// When it was taken.
    pub adopted: Option<UtcMicros>,
    /// Pixels it does not know well enough.
    pub unfit: BTreeSet<usize>,
    /// Median rate of the baseline [counts/s] at its temperature [°C], and its exponent [1/K].
    pub typical: (f64, f64, f64),
    /// When darks of a length, as it counts at the baseline's temperature, were last checked: by tenths of a decade, without
    /// those after which a longer one came.
    pub checked: BTreeMap<i32, UtcMicros>,
    /// Pixels that were odd lately.
    pub anomalies: BTreeMap<usize, PixelAnomaly>,
}

/// A pixel that was odd lately.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct PixelAnomaly {
    /// How far it stood from its baseline when it was farthest [counts] …
    pub counts: f64,
    /// … in a dark of this length [s] …
    pub integration_s: f64,
    /// … which counts as so long at the baseline's temperature [s].
    pub weighed_s: f64,
    /// The dark rate that explains least [counts/s] at the baseline's temperature.
    pub rate: f64,
    /// PixelAnomaly darks so far.
    pub times: u32,
    /// Darks in a row since then in which it was not.
    pub passed: u32,
    /// When it was last right before it became odd.
    pub last_within_limit: Option<UtcMicros>,
    /// Since when it is in doubt; `None` until it is confirmed.
    pub exceeded_since: Option<UtcMicros>,
}

impl PixelDrift {
    /// Begins anew with another calibration.
    pub fn set_calibration(&mut self, calibration: &str) {
        if self.calibration != calibration {
            *self = Self { calibration: calibration.to_owned(), ..Self::default() };
        }
    }

    /// The first model that rests on enough becomes the baseline; true when it did.
    pub fn take_baseline(&mut self, row: i64, model: &DarkModel, now: UtcMicros) -> bool {
        if self.baseline.is_some() || model.darks < BASELINE_DARKS || !is_sufficient_baseline(model) {
            return false;
        }
        let (_, rate) = model.summary(model.reference_c);
        (self.baseline, self.adopted) = (Some(row), Some(now));
        self.typical = (rate, model.reference_c, model.rate_exponent_per_k.unwrap_or(0.0));
        true
    }

    /// Checks one accepted dark against the baseline. open: pixels that see light.
    pub fn check(
        &mut self,
        baseline: &DarkModel,
        dark: &Frame,
        open: impl Fn(usize) -> bool,
        noise: &Noise,
        limits: &LimitsConfig,
    ) {
        let pixels = dark.sums.len();
        let temperature_c = dark.temperature_c.unwrap_or(baseline.reference_c);
        if baseline.offset.len() != pixels || !baseline.holds_at(temperature_c) || !(dark.integration_s > 0.0) {
            return;
        }
        let x = baseline.rate_factor(temperature_c) * dark.integration_s;
        let left = residuals(baseline, dark, temperature_c);
        let clipped = dark.clipped.to_mask(pixels);
        let spilt = |i: usize| {
            let reach = usize::from(SPILL);
            !clipped[i] && clipped[i.saturating_sub(reach)..pixels.min(i + reach + 1)].contains(&true)
        };
        let usable: Vec<usize> = (0..pixels).filter(|i| open(*i)).collect();
        let typical = self.typical.0 * x;
        let Some(common) = median(usable.iter().map(|i| left[*i]).collect()) else { return };
        let unsure = baseline.exponent_uncertainty * (temperature_c - baseline.reference_c).abs();
        let (n, model_variance) =
            (dark.exposures().max(1) as f64, baseline.variance(dark.integration_s, temperature_c));
        let read = noise.read_noise_counts.powi(2).max(1e-6);
        let signal = |i: usize| (f64::from(baseline.rate[i]) * x).max(0.0);
        let off = |i: usize| left[i] - common;
        let allowed = |i: usize, more: bool| {
            let (signal, shot) = (signal(i), signal(i) / noise.electrons_per_count);
            let sd = ((read + shot) / n + model_variance * (1.0 + shot / read)).sqrt();
            let matters = limits.dark_rate_relative * if more { signal.max(typical) } else { signal };
            // Whether what all have in common goes with their rates is not known.
            let shared = common.abs() * signal / typical.max(1e-9);
            SIGNIFICANCE * sd + limits.dark_offset_counts + 2.0 * unsure * signal + matters + shared
        };
        let beyond = |i: usize| -> Option<f64> {
            let off = off(i);
            // The first comparison unaffected nearly every pixel the rest; a clipped one reads less than it holds.
            let beyond = off.abs() > limits.dark_offset_counts && off.abs() > allowed(i, off > 0.0);
            (beyond && !(off < 0.0 && clipped[i])).then_some(off)
        };
        let found: Vec<(usize, f64)> = usable.iter().filter_map(|i| Some((*i, beyond(*i)?))).collect();
        if found.len() as f64 > MOST_ODD * usable.len() as f64 {
            return;
        }
        if self.adopted.is_none_or(|t| dark.end().seconds_since(t) < SETTLING_S) {
            self.unfit.extend(found.iter().map(|f| f.0));
        }
        let found: Vec<(usize, f64)> = found.into_iter().filter(|f| !self.unfit.contains(&f.0)).collect();
        let last_within_limit = self.checked.range(length_class(x)..).map(|(_, t)| *t).max();
        for (i, off) in found.iter().filter(|(i, _)| !spilt(*i)) {
            self.record(*i, *off, x, clipped[*i], last_within_limit, dark);
        }
        self.anomalies.retain(|i, odd| {
            let quiet = *i < pixels && !found.iter().any(|f| f.0 == *i) && !spilt(*i);
            let shows_it = || allowed(*i, odd.counts > 0.0) <= SHOWN * odd.counts.abs();
            if quiet && x >= SHOWN * odd.weighed_s && shows_it() {
                odd.passed += 1;
            }
            odd.passed < CLEARED_BY
        });
        let class = length_class(x);
        self.checked.retain(|other, _| *other > class);
        self.checked.insert(class, dark.end());
    }

    fn record(
        &mut self,
        i: usize,
        off: f64,
        x: f64,
        clipped: bool,
        last_within_limit: Option<UtcMicros>,
        dark: &Frame,
    ) {
        let new = PixelAnomaly {
            counts: off,
            integration_s: dark.integration_s,
            weighed_s: x,
            rate: off / x,
            times: 0,
            passed: 0,
            last_within_limit,
            exceeded_since: None,
        };
        let odd = self.anomalies.entry(i).or_insert(new);
        odd.times += 1;
        odd.passed = 0;
        if off.abs() > odd.counts.abs() {
            (odd.counts, odd.integration_s, odd.weighed_s) = (off, dark.integration_s, x);
        }
        if !clipped && (off / x).abs() < odd.rate.abs() {
            odd.rate = off / x;
        }
        if odd.times >= CONFIRMED_BY && odd.exceeded_since.is_none() {
            odd.exceeded_since = Some(odd.last_within_limit.map_or(dark.start(), |t| UtcMicros(t.0.saturating_add(1))));
        }
    }

    /// The pixels that are in doubt.
    pub fn confirmed(&self) -> impl Iterator<Item = (usize, &PixelAnomaly)> {
        self.anomalies.iter().filter(|(_, odd)| odd.exceeded_since.is_some()).map(|(i, odd)| (*i, odd))
    }

    /// All pixels together.
    pub fn limit_state(&self) -> LimitState {
        LimitState {
            last_within_limit: self.checked.values().max().copied(),
            exceeded_since: self.confirmed().filter_map(|(_, odd)| odd.exceeded_since).min(),
        }
    }

    /// What a pixel's dark rate is by which it stands off [counts/s], at a temperature [°C].
    pub fn rate_at(&self, anomaly: &PixelAnomaly, temperature_c: Option<f64>) -> f64 {
        let (_, reference_c, exponent) = self.typical;
        anomaly.rate * temperature_c.map_or(1.0, |t| (exponent * (t - reference_c)).exp())
    }
}

/// Mean counts of an exposure less what the baseline says.
fn residuals(baseline: &DarkModel, dark: &Frame, temperature_c: f64) -> Vec<f64> {
    let mut left = mean_counts(dark);
    let expected = baseline.predict(dark.integration_s, temperature_c);
    left.iter_mut().zip(&expected).for_each(|(l, e)| *l -= e);
    left
}

/// Tenths of a decade.
fn length_class(weighed_s: f64) -> i32 {
    (10.0 * weighed_s.log10()).floor() as i32
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
            rate: (0..PIXELS).map(|i| if i % 97 == 5 { 400.0 } else { 20.0 + (i % 7) as f32 }).collect(),
            reference_c: 20.0,
            offset_per_k: 1.5,
            rate_exponent_per_k: Some(0.1),
            exponent_uncertainty: 1e-3,
            covariance: [0.5, 0.0, 0.01],
            temperature_range_c: (15.0, 25.0),
            integration_range_s: (0.01, 60.0),
            newest: UtcMicros(0),
            darks: 24,
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

        /// A dark ten minutes later, with noise that repeats and whatever `change` makes of its counts.
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
                spread: 0.0,
                ripple: Vec::new(),
            };
            self.drift.check(&self.model, &dark, |i| i >= 8, &noise(), &limits());
        }

        fn confirmed(&self) -> Vec<usize> {
            self.drift.confirmed().map(|(i, _)| i).collect()
        }
    }

    /// Identity: noise, a temperature far from the baseline's, a dark current that doubles and an offset that moves are no
    /// pixel's fault.
    #[test]
    fn what_all_pixels_do_is_no_pixels_fault() {
        let mut darks = Darks::new();
        for k in 0..40 {
            let temperature = 20.0 + 12.0 * (f64::from(k) * 0.7).sin();
            for t in [0.005, 0.5, 10.0, 60.0] {
                darks.take(t, temperature, |_, c| c);
                darks.take(t, temperature, |i, c| c + f64::from(darks_rate(i)) * 1.2 * t);
                darks.take(t, temperature, |_, c| c + 90.0);
            }
        }
        assert_eq!(darks.drift.anomalies, BTreeMap::new());
    }

    fn darks_rate(i: usize) -> f32 {
        if i % 97 == 5 { 400.0 } else { 20.0 + (i % 7) as f32 }
    }

    /// Identity: a hot, a dead, a stuck and a restless pixel are each found by the second dark that shows them, in doubt since the
    /// last dark as long as that which passed; a shielded pixel is nobody's.
    #[test]
    fn a_pixel_that_leaves_its_baseline_is_found_by_the_second_dark_that_shows_it() {
        let mut darks = Darks::new();
        for t in [0.005, 10.0, 60.0, 0.005] {
            darks.take(t, 20.0, |_, c| c);
        }
        let passed = |darks: &Darks, t: f64| darks.drift.checked[&length_class(t)];
        let (short, long) = (passed(&darks, 0.005), passed(&darks, 60.0));
        let at_s = darks.at_s;
        let odd = |t: f64, turn: bool| {
            move |i: usize, c: f64| match i {
                3 => 9000.0,
                100 => c + 60.0 * t,
                200 => 1200.0,
                300 => 5000.0,
                400 => c + if turn { 150.0 } else { 0.0 },
                _ => c,
            }
        };
        darks.take(60.0, 20.0, odd(60.0, false));
        assert_eq!(darks.confirmed(), [0usize; 0], "one dark alone");
        darks.take(0.005, 20.0, odd(0.005, true));
        assert_eq!(darks.confirmed(), [300], "any dark shows one that is stuck");
        darks.take(0.005, 20.0, odd(0.005, false));
        darks.take(0.005, 20.0, odd(0.005, true));
        assert_eq!(darks.confirmed(), [300, 400]);
        darks.take(60.0, 20.0, odd(60.0, false));
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

    /// Identity: a particle that crosses one dark leaves no doubt; a pixel that is itself again is cleared by as many darks as
    /// long as the one that showed it, not by short ones; another calibration begins anew.
    #[test]
    fn a_particle_is_no_fault_and_only_darks_as_long_clear_a_pixel() {
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
        assert_eq!(darks.confirmed(), [50], "short darks do not show it");
        let text = serde_json::to_string(&darks.drift).unwrap();
        assert_eq!(serde_json::from_str::<PixelDrift>(&text).unwrap(), darks.drift);
        for _ in 0..CLEARED_BY {
            darks.take(60.0, 20.0, |_, c| c);
        }
        assert_eq!(darks.confirmed(), [0usize; 0]);
        darks.drift.set_calibration("second");
        assert_eq!(darks.drift, PixelDrift { calibration: "second".into(), ..PixelDrift::default() });
    }

    /// Identity: a pixel that is odd from the first day on was never known, and is left alone later.
    #[test]
    fn a_pixel_the_baseline_does_not_know_is_left_alone() {
        let mut darks = Darks::new();
        darks.drift.adopted = Some(UtcMicros(0));
        let odd = |i: usize, c: f64| if i == 50 { c + 900.0 } else { c };
        darks.take(1.0, 20.0, odd);
        darks.drift.adopted = Some(UtcMicros(0).plus_seconds(-SETTLING_S));
        for _ in 0..4 {
            darks.take(1.0, 20.0, |i, c| odd(i, c) + if i == 60 { 900.0 } else { 0.0 });
        }
        assert_eq!((darks.confirmed(), darks.drift.unfit.clone()), (vec![60], BTreeSet::from([50])));
    }

    /// Edge set: another number of pixels, no time and nonsense say nothing and do not panic.
    #[test]
    fn what_cannot_be_compared_says_nothing() {
        let mut darks = Darks::new();
        darks.take(f64::NAN, 20.0, |_, c| c);
        darks.take(0.0, 20.0, |_, c| c + 5000.0);
        darks.take(60.0, f64::NAN, |_, c| c);
        darks.model.offset.push(1200.0);
        darks.take(60.0, 20.0, |_, c| c);
        assert!(darks.drift.anomalies.is_empty() && darks.drift.checked.is_empty());
    }
}
