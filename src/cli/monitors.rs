//! What each monitor estimate, its limit, when it last within limit and how much it detection limit: for `show`.
//!
//! Pure: from the saved_states' saved state to lines and JSON.

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

/// One monitor as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct MonitorState {
    /// The instrument.
    pub instrument: String,
    /// The flag it raises.
    pub monitor: &'static str,
    /// What it estimate, with its unit.
    pub estimate: String,
    /// Its limit; `None` without a configuration.
    pub limit: Option<String>,
    /// How much it detection limit with the data so far.
    pub detection_limit: String,
    /// When it last within limit.
    pub last_within_limit: Option<UtcMicros>,
    /// Since when it is past its limit.
    pub exceeded_since: Option<UtcMicros>,
}

impl MonitorState {
    /// As JSON.
    pub fn json(&self) -> Value {
        json!({
            "instrument": self.instrument, "monitor": self.monitor, "estimate": self.estimate, "limit": self.limit,
            "detection_limit": self.detection_limit, "last_within_limit": self.last_within_limit.map(|t| t.to_string()),
            "exceeded_since": self.exceeded_since.map(|t| t.to_string()),
        })
    }
}

/// Every monitor of every instrument on record.
pub fn monitor_states(reader: &Reader, config: Option<&Config>) -> Result<Vec<MonitorState>, StoreError> {
    let mut all = Vec::new();
    for instrument in reader.instruments()? {
        let limits = config.and_then(|c| c.instruments.iter().find(|i| i.name == instrument.name)).map(|i| &i.limits);
        let mut put = |monitor, standing: LimitState, told: Told| {
            all.push(MonitorState {
                instrument: instrument.name.clone(),
                monitor,
                estimate: told.0,
                limit: told.1,
                detection_limit: told.2,
                last_within_limit: standing.last_within_limit,
                exceeded_since: standing.exceeded_since,
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
    // A state of another version of the program is not shown rather than shown wrong.
    Ok(reader.load_state(row, name)?.and_then(|t| serde_json::from_str(&t.json).ok()))
}

/// What it estimate, its limit, and what it detection limit.
type Told = (String, Option<String>, String);

fn wavelength(state: &WavelengthDrift, limits: Option<&LimitsConfig>) -> Told {
    let limit = limits.map(|l| format!("{} nm", l.wavelength_drift_nm));
    let Some((shift, u)) = state.shift() else {
        return ("nothing yet: too few spectra with lines".into(), limit, "nothing yet".into());
    };
    let mut estimate = format!("{shift:+.3} ± {:.3} nm", 2.0 * u);
    if let Some((slope, u)) = state.significant_stretch() {
        estimate += &format!(", {slope:+.3} ± {:.3} nm more every 100 nm", 2.0 * u);
    }
    if state.applied_nm != 0.0 {
        estimate += &format!(", {:+.3} nm of it applied", state.applied_nm);
    }
    if state.initial_offset_nm() != 0.0 {
        estimate += &format!(" (the scale was off by {:+.2} nm from the beginning)", state.initial_offset_nm());
    }
    let detection_limit = if state.baseline_done {
        format!("{:.3} nm", 2.0 * u)
    } else {
        let spectra = state.features.iter().map(|m| m.spectra).max().unwrap_or(0);
        format!("0.05 nm more than the limit: the baseline is in the making, {spectra} spectra so far")
    };
    (estimate, limit, detection_limit)
}

fn response(state: &ResponseDrift, limits: Option<&LimitsConfig>) -> Told {
    let limit = limits.map(|l| format!("{:.0} %", 100.0 * l.response_drift_relative));
    let n = state.levels.len();
    let Some(change) = state.change() else {
        return (format!("nothing yet: {n} of 4 levels of the baseline"), limit, "nothing yet".into());
    };
    let mut estimate = format!("{:+.1} % from {n} levels", 100.0 * change);
    if let Some(s) = state.soiling() {
        estimate += &format!(", dirt {:+.2} ± {:.2} % a day", 100.0 * s.per_day, 200.0 * s.uncertainty);
    }
    if let Some((when, step)) = state.last_cleaning_step {
        estimate += &format!(", a rise of {:.1} % on {}", 100.0 * step, when.utc_date());
    }
    if let Some((when, step)) = state.last_cleaning() {
        let step = step.map_or("not yet known".into(), |s| format!("{:+.1} %", 100.0 * s));
        estimate += &format!(", cleaned on {}: {step}", when.utc_date());
    }
    if let Some(lean) = state.tilt_change_deg() {
        let side = if lean < 0.0 { "west" } else { "east" };
        estimate += &format!(", head {:.1}° to the {side}", lean.abs());
    }
    let detection_limit =
        state.scatter().map_or("not yet known".into(), |s| format!("{:.1} % on two levels in a row", 200.0 * s));
    (estimate, limit, detection_limit)
}

fn obstruction(state: &ObstructionDetector) -> Told {
    let estimate = state.latest.map_or("nothing yet".into(), |s| format!("{:.0} % of a clear sky's light", 100.0 * s));
    (estimate, Some(LIMIT_TEXT.into()), "what takes nearly all light; less looks like a cloud".into())
}

fn dark(state: &DarkDrift, offset: bool, latest: Option<f64>, limits: Option<&LimitsConfig>) -> Told {
    let what = if offset { "offset" } else { "dark rate" };
    let estimate = match (state.baseline, latest) {
        (None, _) => format!("{what}: nothing yet, the baseline is in the making"),
        (_, None) => format!("{what}: nothing yet"),
        (_, Some(moved)) if offset => format!("{what} {moved:+.1} counts"),
        (_, Some(grown)) => format!("{what} {:+.0} %", 100.0 * grown),
    };
    let limit = limits.map(|l| match offset {
        true => format!("{} counts", l.dark_offset_counts),
        false => format!("{:.0} %", 100.0 * l.dark_rate_relative),
    });
    (estimate, limit, if state.baseline.is_some() { "its limit, on two darks in a row" } else { "nothing yet" }.into())
}

fn pixels(state: &PixelDrift, limits: Option<&LimitsConfig>) -> Told {
    let limit = limits.map(|l| {
        let (share, counts) = (100.0 * l.dark_rate_relative, l.dark_offset_counts);
        format!("{share:.0} % of the dark signal and {counts} counts beyond the noise")
    });
    if state.baseline.is_none() {
        return ("nothing yet: the baseline is in the making".into(), limit, "nothing yet".into());
    }
    let odd: Vec<String> = state.confirmed().map(|(i, odd)| format!("{i} by {:+.0} counts", odd.counts)).collect();
    let estimate = match odd.len() {
        0 => "every pixel's dark at its baseline".to_owned(),
        n if n <= 5 => format!("pixels off their dark baseline: {}", odd.join(", ")),
        n => format!("{n} pixels off their dark baseline, among them {}", odd[..5].join(", ")),
    };
    (estimate, limit, "its limit, on two darks; a pixel that dies in a short dark shows in light only".into())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quality::monitor::response::{Level, day};

    /// What is known is told with unit, limit and reach, and what is not yet known says so.
    #[test]
    fn a_tracker_tells_what_it_sees_and_what_it_could_tell() {
        let limits = crate::quality::monitor::test_limits();
        let (estimate, limit, could) = wavelength(&WavelengthDrift::default(), Some(&limits));
        assert!(estimate.starts_with("nothing yet") && limit.as_deref() == Some("0.1 nm") && could == "nothing yet");
        let mut state = ResponseDrift::default();
        assert_eq!(response(&state, None).0, "nothing yet: 0 of 4 levels of the baseline");
        for d in 0..12 {
            let time = UtcMicros(0).plus_seconds(86_400.0 * f64::from(d));
            let change = if d < 6 { 0.0 } else { -0.04 } + 0.002 * f64::from(d % 2);
            let slope = (-0.1 * day::AT_AIR_MASS, 0.004);
            state.observe_level(Level { time, level: 7.0 + change, slope, tilt_east_deg: Some(0.2) }, 0.07);
        }
        let (estimate, limit, could) = response(&state, Some(&limits));
        assert!(
            estimate.starts_with("-3.9 % from 12 levels, dirt +0.") && estimate.contains("head 0.0° to the"),
            "{estimate}"
        );
        assert_eq!((limit.as_deref(), could.as_str()), (Some("7 %"), "0.4 % on two levels in a row"));
        assert_eq!(obstruction(&ObstructionDetector::default()).0, "nothing yet");
        let mut darks = PixelDrift::default();
        assert!(pixels(&darks, Some(&limits)).0.starts_with("nothing yet"));
        darks.baseline = Some(3);
        let (estimate, limit, _) = pixels(&darks, Some(&limits));
        assert!(estimate == "every pixel's dark at its baseline" && limit.is_some_and(|l| l.starts_with("50 %")));
    }
}
