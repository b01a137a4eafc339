//! Which dark serves a frame.
//!
//! Works on notes about the darks that are on record, never on their counts. What must stay true: a dark that does not
//! match in integration time never counts as matched, and one of unknown or other temperature is never silently good.

use super::plan::{DarkMetadata, age_s, near};
use crate::clock::UtcMicros;
use crate::config::meant::DarksConfig;
use crate::record::{Flag, Frame};

/// The frame a dark is wanted for, and what else could serve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DarkWanted {
    /// When its light was collected.
    pub time: UtcMicros,
    /// Integration time in force [s].
    pub integration_s: f64,
    /// Detector temperature [°C]; `None` without a sensor.
    pub temperature_c: Option<f64>,
    /// When the dark model was last fed with a dark; `None` when no model can serve this frame.
    pub model_fitted: Option<UtcMicros>,
}

/// Which dark serves a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DarkChoice {
    /// This one, taken alike and lately.
    Matched(i64),
    /// The model.
    Model {
        /// Its darks are older than allowed.
        stale: bool,
    },
    /// This one: same integration time, but too old or from another temperature; there is no better.
    Stale(i64),
    /// None.
    Missing,
}

impl DarkChoice {
    /// The flag it raises.
    pub fn flag(self) -> Option<Flag> {
        match self {
            Self::Matched(_) => None,
            Self::Model { stale: false } => Some(Flag::DarkModelled),
            Self::Model { stale: true } | Self::Stale(_) => Some(Flag::DarkStale),
            Self::Missing => Some(Flag::DarkMissing),
        }
    }
}

/// Which dark serves. Matched wins, then a model in date, then a matched dark that is too old or too far in temperature
/// if it is younger than the model's darks, then the old model.
pub fn choose(config: &DarksConfig, notes: &[DarkMetadata], wanted: &DarkWanted) -> DarkChoice {
    let same = || notes.iter().filter(|n| Frame::same_integration(n.integration_s, wanted.integration_s));
    let distance = |n: &DarkMetadata| {
        let kelvin = n.temperature_c.zip(wanted.temperature_c).map_or(0.0, |(a, b)| (a - b).abs());
        age_s(n, wanted.time) / config.max_age_s.max(1.0) + kelvin / config.max_temperature_difference_k.max(1e-3)
    };
    let nearest = |a: &&DarkMetadata, b: &&DarkMetadata| distance(a).total_cmp(&distance(b));
    let serves = |n: &&DarkMetadata| age_s(n, wanted.time) <= config.max_age_s && near(config, n, wanted.temperature_c);
    if let Some(n) = same().filter(serves).min_by(nearest) {
        return DarkChoice::Matched(n.id);
    }
    let model_age = wanted.model_fitted.map(|t| wanted.time.seconds_since(t).abs());
    if model_age.is_some_and(|age| age <= config.model_max_age_s) {
        return DarkChoice::Model { stale: false };
    }
    match (same().min_by(nearest), model_age) {
        (Some(n), Some(model)) if age_s(n, wanted.time) > model => DarkChoice::Model { stale: true },
        (Some(n), _) => DarkChoice::Stale(n.id),
        (None, Some(_)) => DarkChoice::Model { stale: true },
        (None, None) => DarkChoice::Missing,
    }
}

#[cfg(test)]
mod tests {
    use super::super::plan::tests::{NOW, config, note};
    use super::*;
    use crate::record::DarkSource;

    /// Identity: the order of preference, each with the flag that goes with it.
    #[test]
    fn matched_wins_then_the_model_then_what_is_stale() {
        let config = config(&[DarkSource::Shutter]);
        let wanted = |model: Option<f64>| DarkWanted {
            time: NOW,
            integration_s: 0.01,
            temperature_c: Some(20.0),
            model_fitted: model.map(|age| NOW.plus_seconds(-age)),
        };
        let day = 86_400.0;
        let fresh = note(1, 0.01, 20.5, 60.0);
        let older = note(2, 0.01, 20.0, 3000.0);
        let cold = note(3, 0.01, 5.0, 60.0);
        let other = note(4, 0.02, 20.0, 1.0);
        let choice = |notes: &[DarkMetadata], model| choose(&config, notes, &wanted(model));
        assert_eq!(choice(&[older.clone(), fresh.clone()], Some(0.0)), DarkChoice::Matched(1));
        assert_eq!(choice(&[cold.clone(), older], None), DarkChoice::Matched(2));
        assert_eq!(choice(&[cold.clone(), other.clone()], Some(day)), DarkChoice::Model { stale: false });
        assert_eq!(choice(std::slice::from_ref(&cold), Some(40.0 * day)), DarkChoice::Stale(3));
        assert_eq!(choice(&[note(5, 0.01, 20.0, 90.0 * day)], Some(40.0 * day)), DarkChoice::Model { stale: true });
        assert_eq!(choice(&[other], None), DarkChoice::Missing);
        let after = note(6, 0.01, 20.0, -30.0);
        assert_eq!(choice(&[after], None), DarkChoice::Matched(6), "a dark taken right after the reading serves it");
        let flags =
            [DarkChoice::Matched(1), DarkChoice::Model { stale: false }, DarkChoice::Stale(1), DarkChoice::Missing];
        let want = [None, Some(Flag::DarkModelled), Some(Flag::DarkStale), Some(Flag::DarkMissing)];
        assert_eq!(flags.map(DarkChoice::flag), want);
    }
}
