//! Drift of the dark: the instrument's offset and dark rate against its own baseline.

use crate::clock::UtcMicros;
use crate::config::LimitsConfig;
use crate::reduction::DarkModel;

/// The tracker, persisted over restarts.
#[derive(Clone, Debug, Default, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct DarkDrift {
    /// What the dark was when the instrument was first known.
    pub baseline: Option<Baseline>,
    /// What it was at the last check.
    pub latest: Option<Baseline>,
    /// When a check last passed.
    pub last_passed: Option<UtcMicros>,
    /// Since when it is past its limit; `None` while it is within.
    pub beyond_since: Option<UtcMicros>,
}

/// Offset and rate at a stated temperature.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Baseline {
    /// Temperature the two are stated at [°C].
    pub temperature_c: f64,
    /// Median offset [counts].
    pub offset: f64,
    /// Median dark rate [counts/s].
    pub rate: f64,
}

/// What a check found that is worth an event.
#[derive(Clone, Debug, PartialEq)]
pub enum Finding {
    /// The limit was passed; the text says by what.
    Beyond(String),
    /// Within limits again.
    Within,
}

impl DarkDrift {
    /// Whether readings are to be flagged.
    pub fn is_beyond(&self) -> bool {
        self.beyond_since.is_some()
    }

    /// Checks a freshly fitted model against the baseline; the first one becomes the baseline.
    pub fn check(&mut self, model: &DarkModel, limits: &LimitsConfig, now: UtcMicros) -> Option<Finding> {
        let Some(base) = self.baseline else {
            let (offset, rate) = model.summary(model.reference_c);
            self.baseline = Some(Baseline { temperature_c: model.reference_c, offset, rate });
            self.latest = self.baseline;
            self.last_passed = Some(now);
            return None;
        };
        // Where the model cannot speak for the baseline's temperature, nothing is learned either way.
        if !model.holds_at(base.temperature_c) {
            return None;
        }
        let (offset, rate) = model.summary(base.temperature_c);
        self.latest = Some(Baseline { temperature_c: base.temperature_c, offset, rate });
        let moved = offset - base.offset;
        let grown = if base.rate > 0.0 { rate / base.rate - 1.0 } else { 0.0 };
        // The exponent's own uncertainty over the distance in temperature is not drift.
        let unsure = 2.0 * model.exponent_uncertainty * (base.temperature_c - model.reference_c).abs();
        let beyond = moved.abs() > limits.dark_offset_counts || grown.abs() > limits.dark_rate_relative + unsure;
        match (beyond, self.beyond_since) {
            (true, None) => {
                self.beyond_since = Some(now);
                Some(Finding::Beyond(format!(
                    "dark at {:.1} °C: offset {moved:+.1} counts (limit {}), rate {:+.0} % (limit {:.0} %) since the baseline",
                    base.temperature_c,
                    limits.dark_offset_counts,
                    grown * 100.0,
                    limits.dark_rate_relative * 100.0
                )))
            }
            (false, was) => {
                self.last_passed = Some(now);
                self.beyond_since = None;
                was.map(|_| Finding::Within)
            }
            (true, Some(_)) => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn model(offset: f32, rate: f32) -> DarkModel {
        DarkModel {
            offset: vec![offset; 64],
            rate: vec![rate; 64],
            reference_c: 20.0,
            offset_per_k: 2.0,
            rate_exponent_per_k: Some(0.1),
            exponent_uncertainty: 1e-3,
            covariance: [0.0; 3],
            temperature_range_c: (15.0, 25.0),
            integration_range_s: (0.01, 10.0),
            newest: UtcMicros(0),
            darks: 8,
        }
    }

    fn limits() -> LimitsConfig {
        LimitsConfig {
            low_sun_deg: 15.0,
            uncertainty: vec![],
            lamp_rating_ppfd: None,
            dark_offset_counts: 20.0,
            dark_rate_relative: 0.5,
        }
    }

    /// Identity: doubled dark current and a moved offset are found once, a return is found once, temperature alone never.
    #[test]
    fn a_doubled_dark_is_found_once_and_temperature_alone_is_not_drift() {
        let mut tracker = DarkDrift::default();
        assert_eq!(tracker.check(&model(1200.0, 20.0), &limits(), UtcMicros(1)), None);
        let warm = DarkModel {
            reference_c: 27.0,
            offset: vec![1214.0; 64],
            rate: vec![20.0 * (0.7_f32).exp(); 64],
            ..model(0.0, 0.0)
        };
        assert_eq!(tracker.check(&warm, &limits(), UtcMicros(2)), None);
        assert!(matches!(tracker.check(&model(1200.0, 40.0), &limits(), UtcMicros(3)), Some(Finding::Beyond(_))));
        assert_eq!(tracker.check(&model(1200.0, 40.0), &limits(), UtcMicros(4)), None);
        assert!(tracker.is_beyond());
        assert_eq!(tracker.check(&model(1200.0, 21.0), &limits(), UtcMicros(5)), Some(Finding::Within));
        assert!(matches!(tracker.check(&model(1230.0, 20.0), &limits(), UtcMicros(6)), Some(Finding::Beyond(_))));
        assert_eq!(tracker.last_passed, Some(UtcMicros(5)));
    }
}
