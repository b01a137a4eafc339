//! Drift of the dark: the instrument's offset and dark rate against its own baseline.
//!
//! Every accepted dark is a check of its own: a short one of the offset, a long one of the rate. A model fitted to darks
//! from before and after a change would blur what one dark shows at once.

use crate::clock::UtcMicros;
use crate::config::LimitsConfig;
use crate::numeric::upper_median;
use crate::record::{Frame, LimitState};
use crate::reduction::DarkModel;
use crate::reduction::dark_model::mean_counts;

/// Dark signal below which a dark tells the offset and nothing of the rate [counts].
const OFFSET_ONLY: f64 = 1.0;
/// Dark signal from which on a dark tells the rate [counts].
const RATE_FROM: f64 = 6.0;
/// The longest darks of a baseline show at least this dark signal [counts].
const BASELINE_SIGNAL: f64 = 20.0;
/// Darks that a baseline rests on, at least.
const BASELINE_DARKS: usize = 8;
/// Standard uncertainty up to which the temperature law counts as known [1/K]: a fifth of the rate over forty kelvin.
const KNOWN_EXPONENT: f64 = 0.005;
/// Without a known temperature law, darks are compared within this of the baseline's temperature only [K].
const SAME_TEMPERATURE_K: f64 = 1.0;

/// The tracker, persisted over restarts.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct DarkDrift {
    /// The calibration it watches under; empty before it knows one.
    pub calibration: String,
    /// What the dark was when the instrument was first known.
    pub baseline: Option<Baseline>,
    /// The offset.
    pub offset: DarkLimit,
    /// The rate.
    pub rate: DarkLimit,
}

/// One side of the dark against its limit.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub struct DarkLimit {
    /// What the last check found: counts for the offset, a relative change for the rate.
    pub latest: Option<f64>,
    /// When a check last passed.
    pub last_within_limit: Option<UtcMicros>,
    /// Since when readings are flagged: right after the last check within the limit; `None` while the limit is not exceeded.
    pub exceeded_since: Option<UtcMicros>,
    /// A first dark past the limit, which another has to confirm.
    pub unconfirmed: Option<UtcMicros>,
}

/// The dark as a function of temperature, for the middle pixel.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Baseline {
    /// Temperature the rest is stated at [°C].
    pub temperature_c: f64,
    /// Median offset [counts].
    pub offset: f64,
    /// Its change [counts/K].
    pub offset_per_k: f64,
    /// Median dark rate [counts/s].
    pub rate: f64,
    /// Its exponent [1/K]; `None` where it is not known.
    pub exponent_per_k: Option<f64>,
    /// Standard uncertainty of the exponent [1/K].
    pub exponent_uncertainty: f64,
}

impl Baseline {
    /// From a model.
    pub fn of(model: &DarkModel) -> Self {
        let (offset, rate) = model.summary(model.reference_c);
        Self {
            temperature_c: model.reference_c,
            offset,
            offset_per_k: model.offset_per_k,
            rate,
            exponent_per_k: model.rate_exponent_per_k,
            exponent_uncertainty: model.exponent_uncertainty,
        }
    }

    /// Offset [counts] and rate [counts/s] at a temperature [°C], and the rate's relative standard uncertainty there;
    /// `None` where nothing can be said.
    fn at(&self, temperature_c: f64) -> Option<(f64, f64, f64)> {
        let dt = temperature_c - self.temperature_c;
        if self.exponent_per_k.is_none() && !(dt.abs() <= SAME_TEMPERATURE_K) {
            return None;
        }
        let rate = self.rate * (self.exponent_per_k.unwrap_or(0.0) * dt).exp();
        Some((self.offset + self.offset_per_k * dt, rate, self.exponent_uncertainty * dt.abs()))
    }
}

/// What a check found that is worth an event.
#[derive(Clone, Debug, PartialEq)]
pub enum Finding {
    /// A limit was passed; the text says by what.
    Exceeded(String),
    /// Everything is within limits again.
    Cleared,
}

impl DarkDrift {
    /// Whether readings are to be flagged.
    pub fn is_exceeded(&self) -> bool {
        self.offset.exceeded_since.is_some() || self.rate.exceeded_since.is_some()
    }

    /// Begins anew with another calibration.
    pub fn set_calibration(&mut self, calibration: &str) {
        if self.calibration == calibration {
            return;
        }
        // What an earlier version kept names none: it goes on.
        if !self.calibration.is_empty() {
            *self = Self::default();
        }
        calibration.clone_into(&mut self.calibration);
    }

    /// Offset and rate together.
    pub fn limit_state(&self) -> LimitState {
        self.offset.limit_state().combined_with(self.rate.limit_state())
    }

    /// The first model that rests on enough becomes the baseline.
    pub fn take_baseline(&mut self, model: &DarkModel, now: UtcMicros) {
        if self.baseline.is_none() && is_sufficient_baseline(model) {
            self.baseline = Some(Baseline::of(model));
            self.offset.last_within_limit = Some(now);
            self.rate.last_within_limit = Some(now);
        }
    }

    /// Checks one accepted dark, `level` being the median of its pixels [counts per exposure].
    pub fn check(&mut self, dark: &Frame, level: f64, limits: &LimitsConfig) -> Option<Finding> {
        let temperature_c = dark.temperature_c.or(self.baseline.map(|b| b.temperature_c))?;
        let (offset, rate, unsure) = self.baseline?.at(temperature_c)?;
        let now = dark.end();
        let expected = rate * dark.integration_s;
        let was_beyond = self.is_exceeded();
        let beyond = if expected < OFFSET_ONLY {
            let moved = level - offset - expected;
            self.offset
                .record(moved, moved.abs() > limits.dark_offset_counts, now)
                .then(|| format!("offset {moved:+.1} counts (limit {})", limits.dark_offset_counts))
        } else if expected >= RATE_FROM && self.offset.exceeded_since.is_none() {
            // A moved offset would pass for a changed rate, so the rate is judged only while the offset stands.
            let known = self.offset.latest.unwrap_or(0.0);
            let grown = (level - offset - known) / expected - 1.0;
            let beyond = grown.abs() > limits.dark_rate_relative + 2.0 * unsure;
            self.rate.record(grown, beyond, now).then(|| {
                format!("dark rate {:+.0} % (limit {:.0} %)", grown * 100.0, limits.dark_rate_relative * 100.0)
            })
        } else {
            None
        };
        match beyond {
            Some(text) => Some(Finding::Exceeded(format!("{text} against the baseline, at {temperature_c:.1} °C"))),
            None => (was_beyond && !self.is_exceeded()).then_some(Finding::Cleared),
        }
    }
}

/// Whether a model rests on enough to be held against for years: darks long enough to show the rate plainly, at temperatures
/// far enough apart to know its law, or so many that the instrument evidently keeps one temperature.
pub fn is_sufficient_baseline(model: &DarkModel) -> bool {
    let (_, rate) = model.summary(model.reference_c);
    let plain = rate * model.integration_range_s.1 >= BASELINE_SIGNAL;
    let lawful = model.rate_exponent_per_k.is_some()
        && model.exponent_uncertainty <= KNOWN_EXPONENT
        && model.darks >= BASELINE_DARKS;
    plain && (lawful || model.darks >= 3 * BASELINE_DARKS)
}

/// Median of the pixels that see light [counts per exposure].
pub fn median_level(dark: &Frame, shielded: &[bool]) -> f64 {
    let counts = mean_counts(dark);
    let mut open: Vec<f64> = counts.iter().zip(shielded).filter(|(_, s)| !**s).map(|(c, _)| *c).collect();
    upper_median(&mut open).unwrap_or(0.0)
}

impl DarkLimit {
    /// Against its limit.
    pub fn limit_state(&self) -> LimitState {
        LimitState { last_within_limit: self.last_within_limit, exceeded_since: self.exceeded_since }
    }

    /// Takes a check; true when it has just passed its limit.
    fn record(&mut self, found: f64, beyond: bool, now: UtcMicros) -> bool {
        self.latest = Some(found);
        if !beyond {
            self.last_within_limit = Some(now);
            self.exceeded_since = None;
            self.unconfirmed = None;
            return false;
        }
        if self.exceeded_since.is_some() {
            return false;
        }
        // A single dark may be wrong for another reason; readings are flagged from right after the last check within the limit.
        match self.unconfirmed.take() {
            Some(first) => {
                self.exceeded_since = Some(self.last_within_limit.map_or(first, |t| UtcMicros(t.0.saturating_add(1))));
            }
            None => self.unconfirmed = Some(now),
        }
        self.exceeded_since.is_some()
    }
}

#[cfg(test)]
mod tests {
    use super::super::test_limits as limits;
    use super::*;
    use crate::record::{PixelRanges, Shutter, Stamp};

    fn baseline() -> DarkDrift {
        let mut drift = DarkDrift::default();
        drift.take_baseline(
            &DarkModel {
                offset: vec![1200.0; 64],
                rate: vec![20.0; 64],
                reference_c: 20.0,
                offset_per_k: 2.0,
                rate_exponent_per_k: Some(0.1),
                exponent_uncertainty: 1e-3,
                covariance: [0.0; 3],
                temperature_range_c: (15.0, 25.0),
                integration_range_s: (0.01, 10.0),
                newest: UtcMicros(0),
                darks: 8,
                light_lx: 0.0,
            },
            UtcMicros(1),
        );
        drift
    }

    /// A dark at 7 K above the baseline, where the law gives 1214 counts and e^0.7 times the rate.
    fn dark(t: f64) -> Frame {
        Frame {
            integration_s: t,
            shutter: Shutter::Closed,
            temperature_c: Some(27.0),
            stamps: vec![Stamp { start: UtcMicros(9), crc32: 0 }],
            sums: vec![],
            clipped: PixelRanges::default(),
            light_variation: 0.0,
            ripple: Vec::new(),
            rejected: Vec::new(),
        }
    }

    /// Identity: temperature alone is no drift; a doubled rate and a moved offset are found once each, and a return too.
    #[test]
    fn a_doubled_dark_is_found_once_and_temperature_alone_is_not_drift() {
        let mut drift = baseline();
        let rate = 20.0 * 0.7_f64.exp();
        assert_eq!(drift.check(&dark(0.001), 1214.0, &limits()), None);
        assert_eq!(drift.check(&dark(10.0), 1214.0 + 10.0 * rate, &limits()), None);
        let doubled = 1214.0 + 20.0 * rate;
        assert_eq!(drift.check(&dark(10.0), doubled, &limits()), None, "one dark alone");
        assert!(
            matches!(drift.check(&dark(10.0), doubled, &limits()), Some(Finding::Exceeded(t)) if t.contains("rate +100 %"))
        );
        assert_eq!(drift.check(&dark(10.0), doubled, &limits()), None);
        assert!(drift.is_exceeded());
        assert_eq!(drift.check(&dark(10.0), 1214.0 + 10.5 * rate, &limits()), Some(Finding::Cleared));
        assert_eq!(drift.check(&dark(0.001), 1250.0, &limits()), None, "one dark alone");
        assert!(
            matches!(drift.check(&dark(0.001), 1250.0, &limits()), Some(Finding::Exceeded(t)) if t.contains("offset +36"))
        );
        assert_eq!(
            drift.limit_state().exceeded_since,
            Some(UtcMicros(dark(0.001).end().0 + 1)),
            "since the last that passed"
        );
        // While the offset stands off, nothing is said of the rate.
        assert_eq!(drift.check(&dark(10.0), doubled, &limits()), None);
        assert!(drift.rate.exceeded_since.is_none());
    }

    /// Identity: another calibration ends the flagged interval and begins with another baseline; the same one changes nothing.
    #[test]
    fn another_calibration_begins_anew() {
        let mut drift = baseline();
        drift.set_calibration("first");
        (0..2).for_each(|_| assert!(drift.check(&dark(0.001), 1300.0, &limits()).is_none() || drift.is_exceeded()));
        drift.set_calibration("first");
        assert!(drift.is_exceeded() && drift.baseline.is_some());
        drift.set_calibration("second");
        assert_eq!(drift, DarkDrift { calibration: "second".into(), ..DarkDrift::default() });
    }

    /// Identity: without a temperature law nothing is compared at another temperature, and no baseline checks nothing.
    #[test]
    fn what_cannot_be_compared_is_not() {
        let mut drift = baseline();
        if let Some(b) = drift.baseline.as_mut() {
            b.exponent_per_k = None;
        }
        assert_eq!(drift.check(&dark(10.0), 9000.0, &limits()), None);
        assert_eq!(DarkDrift::default().check(&dark(10.0), 9000.0, &limits()), None);
    }
}
