//! The state of each monitor, for `show`: estimate, limit, detection limit, and times of the last check and of the present
//! excess.
//!
//! Reads the saved states of the monitors and describes them as text and JSON.

use super::format::signed;
use crate::clock::UtcMicros;
use crate::config::{Config, LimitsConfig};
use crate::quality::monitor::obstruction::{LIMIT_TEXT, ObstructionDetector};
use crate::quality::monitor::pixels::PixelDrift;
use crate::quality::monitor::response::ResponseDrift;
use crate::quality::monitor::wavelength::WavelengthDrift;
use crate::quality::monitor::{
    DARK_STATE, DarkDrift, OBSTRUCTION_STATE, PIXEL_STATE, RESPONSE_STATE, WAVELENGTH_STATE,
};
use crate::record::LimitState;
use crate::store::{Reader, StoreError};
use serde_json::{Value, json};

/// The state of one monitor.
#[derive(Clone, Debug, PartialEq)]
pub struct MonitorState {
    /// Name of the instrument.
    pub instrument: String,
    /// Name of the monitor.
    pub monitor: &'static str,
    /// The present estimate, with its unit.
    pub estimate: String,
    /// The limit; `None` without a configuration.
    pub limit: Option<String>,
    /// The smallest change that can be detected with the data so far.
    pub detection_limit: String,
    /// Time of the last check within the limit.
    pub last_within_limit: Option<UtcMicros>,
    /// Start of the present excess; `None` while within the limit.
    pub exceeded_since: Option<UtcMicros>,
}

impl MonitorState {
    /// The state as JSON.
    pub fn json(&self) -> Value {
        json!({
            "instrument": self.instrument, "monitor": self.monitor, "estimate": self.estimate, "limit": self.limit,
            "detection_limit": self.detection_limit, "last_within_limit": self.last_within_limit.map(|t| t.to_string()),
            "exceeded_since": self.exceeded_since.map(|t| t.to_string()),
        })
    }
}

/// The state of all monitors of all stored instruments.
pub fn monitor_states(reader: &Reader, config: Option<&Config>) -> Result<Vec<MonitorState>, StoreError> {
    let mut all = Vec::new();
    for instrument in reader.instruments()? {
        let limits = config.and_then(|c| c.instruments.iter().find(|i| i.name == instrument.name)).map(|i| &i.limits);
        let mut put = |monitor, limit_state: LimitState, (estimate, limit, detection_limit): Description| {
            all.push(MonitorState {
                instrument: instrument.name.clone(),
                monitor,
                estimate,
                limit,
                detection_limit,
                last_within_limit: limit_state.last_within_limit,
                exceeded_since: limit_state.exceeded_since,
            });
        };
        if let Some(state) = load::<WavelengthDrift>(reader, instrument.id, WAVELENGTH_STATE)? {
            put(WAVELENGTH_STATE, state.limit_state, wavelength(&state, limits));
        }
        if let Some(state) = load::<ResponseDrift>(reader, instrument.id, RESPONSE_STATE)? {
            put(RESPONSE_STATE, state.limit_state(), response(&state, limits));
        }
        if let Some(state) = load::<ObstructionDetector>(reader, instrument.id, OBSTRUCTION_STATE)? {
            put(OBSTRUCTION_STATE, state.limit_state, obstruction(&state));
        }
        if let Some(state) = load::<DarkDrift>(reader, instrument.id, DARK_STATE)? {
            for (offset, side) in [(true, state.offset), (false, state.rate)] {
                put(DARK_STATE, side.limit_state(), dark(&state, offset, side.latest, limits));
            }
        }
        if let Some(state) = load::<PixelDrift>(reader, instrument.id, PIXEL_STATE)? {
            put(PIXEL_STATE, state.limit_state(), pixels(&state, limits));
        }
    }
    Ok(all)
}

fn load<T: serde::de::DeserializeOwned>(reader: &Reader, row: i64, name: &str) -> Result<Option<T>, StoreError> {
    // A state that this version of the program cannot parse is omitted.
    Ok(reader.load_state(row, name)?.and_then(|t| serde_json::from_str(&t.json).ok()))
}

/// Text of an estimate or detection limit that is not available yet.
const NONE_YET: &str = "none yet";

/// Estimate, limit and detection limit of a monitor.
type Description = (String, Option<String>, String);

fn wavelength(state: &WavelengthDrift, limits: Option<&LimitsConfig>) -> Description {
    let limit = limits.map(|l| format!("{} nm", l.wavelength_drift_nm));
    let Some((shift, u)) = state.shift() else {
        return ("none yet: too few spectra with lines".into(), limit, NONE_YET.into());
    };
    let mut estimate = format!("{} ± {:.3} nm", signed(shift, 3), 2.0 * u);
    if let Some((slope, u)) = state.significant_stretch() {
        estimate += &format!(", {} ± {:.3} nm per 100 nm", signed(slope, 3), 2.0 * u);
    }
    if state.applied_nm != 0.0 {
        estimate += &format!(", of which {} nm are applied", signed(state.applied_nm, 3));
    }
    if state.initial_offset_nm() != 0.0 {
        estimate += &format!(" (initial offset of the scale {} nm)", signed(state.initial_offset_nm(), 2));
    }
    let detection_limit = if state.baseline_done {
        format!("{:.3} nm", 2.0 * u)
    } else {
        let spectra = state.features.iter().map(|m| m.spectra).max().unwrap_or(0);
        format!("0.05 nm above the limit until the baseline is complete ({spectra} spectra so far)")
    };
    (estimate, limit, detection_limit)
}

fn response(state: &ResponseDrift, limits: Option<&LimitsConfig>) -> Description {
    let limit = limits.map(|l| format!("{:.0} %", 100.0 * l.response_drift_relative));
    let n = state.levels.len();
    let Some(change) = state.change() else {
        return (format!("none yet: {n} of 4 levels of the baseline"), limit, NONE_YET.into());
    };
    let mut estimate = format!("{} % from {n} levels", signed(100.0 * change, 1));
    if let Some(s) = state.soiling() {
        estimate += &format!(", soiling {} ± {:.2} % per day", signed(100.0 * s.per_day, 2), 200.0 * s.uncertainty);
    }
    if let Some((when, step)) = state.last_cleaning_step {
        estimate += &format!(", step of +{:.1} % on {}", 100.0 * step, when.utc_date());
    }
    if let Some((when, step)) = state.last_cleaning() {
        let step = step.map_or("effect not known yet".into(), |s| format!("{} %", signed(100.0 * s, 1)));
        estimate += &format!(", cleaned on {}: {step}", when.utc_date());
    }
    if let Some(tilt) = state.tilt_change_deg() {
        let side = if tilt < 0.0 { "west" } else { "east" };
        estimate += &format!(", head tilted by {:.1}° to the {side}", tilt.abs());
    }
    let detection_limit =
        state.scatter().map_or(NONE_YET.into(), |s| format!("{:.1} % in two consecutive levels", 200.0 * s));
    (estimate, limit, detection_limit)
}

fn obstruction(state: &ObstructionDetector) -> Description {
    let estimate = state.latest.map_or(NONE_YET.into(), |s| format!("{:.0} % of the light of a clear sky", 100.0 * s));
    (
        estimate,
        Some(LIMIT_TEXT.into()),
        "an obstruction of nearly all light; a smaller one cannot be distinguished from clouds".into(),
    )
}

fn dark(state: &DarkDrift, offset: bool, latest: Option<f64>, limits: Option<&LimitsConfig>) -> Description {
    let what = if offset { "offset" } else { "dark rate" };
    let estimate = match (state.baseline, latest) {
        (None, _) => format!("{what}: none yet, the baseline is not complete"),
        (_, None) => format!("{what}: none yet"),
        (_, Some(change)) if offset => format!("{what} {} counts", signed(change, 1)),
        (_, Some(change)) => format!("{what} {} %", signed(100.0 * change, 0)),
    };
    let limit = limits.map(|l| match offset {
        true => format!("{} counts", l.dark_offset_counts),
        false => format!("{:.0} %", 100.0 * l.dark_rate_relative),
    });
    (estimate, limit, if state.baseline.is_some() { "the limit, in two consecutive darks" } else { NONE_YET }.into())
}

fn pixels(state: &PixelDrift, limits: Option<&LimitsConfig>) -> Description {
    let limit = limits.map(|l| {
        let (share, counts) = (100.0 * l.dark_rate_relative, l.dark_offset_counts);
        format!("{share:.0} % of the dark signal and {counts} counts beyond the noise")
    });
    if state.baseline.is_none() {
        return ("none yet: the baseline is not complete".into(), limit, NONE_YET.into());
    }
    let deviating: Vec<String> =
        state.confirmed().map(|(i, anomaly)| format!("{i} by {:+.0} counts", anomaly.counts)).collect();
    let estimate = match deviating.len() {
        0 => "all pixels at their dark baseline".to_owned(),
        n if n <= 5 => format!("pixels deviating from their dark baseline: {}", deviating.join(", ")),
        n => format!("{n} pixels deviating from their dark baseline, among them {}", deviating[..5].join(", ")),
    };
    (estimate, limit, "the limit, in two darks; a dead pixel with a small dark signal is detected in light only".into())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quality::monitor::response::{Level, day};

    /// An estimate is shown with unit, limit and detection limit; a missing estimate with its reason.
    #[test]
    fn a_monitor_shows_estimate_limit_and_detection_limit() {
        let limits = crate::quality::monitor::test_limits();
        let (estimate, limit, detection_limit) = wavelength(&WavelengthDrift::default(), Some(&limits));
        assert!(estimate.starts_with(NONE_YET) && limit.as_deref() == Some("0.1 nm") && detection_limit == NONE_YET);
        let mut state = ResponseDrift::default();
        assert_eq!(response(&state, None).0, "none yet: 0 of 4 levels of the baseline");
        for d in 0..12 {
            let time = UtcMicros(0).plus_seconds(86_400.0 * f64::from(d));
            let change = if d < 6 { 0.0 } else { -0.04 } + 0.002 * f64::from(d % 2);
            let slope = (-0.1 * day::AT_AIR_MASS, 0.004);
            state.observe_level(Level { time, level: 7.0 + change, slope, tilt_east_deg: Some(0.2) }, 0.07);
        }
        let (estimate, limit, detection_limit) = response(&state, Some(&limits));
        assert!(
            estimate.starts_with("-3.9 % from 12 levels, soiling +0.")
                && estimate.contains("head tilted by 0.0° to the"),
            "{estimate}"
        );
        assert_eq!((limit.as_deref(), detection_limit.as_str()), (Some("7 %"), "0.4 % in two consecutive levels"));
        assert_eq!(obstruction(&ObstructionDetector::default()).0, NONE_YET);
        let mut darks = PixelDrift::default();
        assert!(pixels(&darks, Some(&limits)).0.starts_with(NONE_YET));
        darks.baseline = Some(3);
        let (estimate, limit, _) = pixels(&darks, Some(&limits));
        assert!(estimate == "all pixels at their dark baseline" && limit.is_some_and(|l| l.starts_with("50 %")));
    }
}
