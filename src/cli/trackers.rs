//! What each tracker sees, its limit, when it last passed and how much it could tell: for `show`.
//!
//! Pure: from the trackers' saved state to lines and JSON.

use crate::clock::UtcMicros;
use crate::config::{Config, LimitsConfig};
use crate::quality::DarkDrift;
use crate::quality::Standing;
use crate::quality::covered::{Cover, LIMIT_TEXT};
use crate::quality::dark_pixels::PixelDrift;
use crate::quality::response::ResponseDrift;
use crate::quality::wavelength::WavelengthDrift;
use crate::station::watch::{COVER_TRACKER, DARK_TRACKER, PIXEL_TRACKER, RESPONSE_TRACKER, WAVELENGTH_TRACKER};
use crate::store::{Reader, StoreError};
use serde_json::{Value, json};

/// One tracker as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Sight {
    /// The instrument.
    pub instrument: String,
    /// The flag it raises.
    pub tracker: &'static str,
    /// What it sees, with its unit.
    pub sees: String,
    /// Its limit; `None` without a configuration.
    pub limit: Option<String>,
    /// How much it could tell with the data so far.
    pub could_tell: String,
    /// When it last passed.
    pub last_passed: Option<UtcMicros>,
    /// Since when it is past its limit.
    pub beyond_since: Option<UtcMicros>,
}

impl Sight {
    /// As JSON.
    pub fn json(&self) -> Value {
        json!({
            "instrument": self.instrument, "tracker": self.tracker, "sees": self.sees, "limit": self.limit,
            "could_tell": self.could_tell, "last_passed": self.last_passed.map(|t| t.to_string()),
            "beyond_since": self.beyond_since.map(|t| t.to_string()),
        })
    }
}

/// Every tracker of every instrument on record.
pub fn sights(reader: &Reader, config: Option<&Config>) -> Result<Vec<Sight>, StoreError> {
    let mut all = Vec::new();
    for instrument in reader.instruments()? {
        let limits = config.and_then(|c| c.instruments.iter().find(|i| i.name == instrument.name)).map(|i| &i.limits);
        let mut put = |tracker, standing: Standing, told: Told| {
            all.push(Sight {
                instrument: instrument.name.clone(),
                tracker,
                sees: told.0,
                limit: told.1,
                could_tell: told.2,
                last_passed: standing.last_passed,
                beyond_since: standing.beyond_since,
            });
        };
        if let Some(state) = load::<WavelengthDrift>(reader, instrument.id, WAVELENGTH_TRACKER)? {
            put(WAVELENGTH_TRACKER, state.standing, wavelength(&state, limits));
        }
        if let Some(state) = load::<ResponseDrift>(reader, instrument.id, RESPONSE_TRACKER)? {
            put(RESPONSE_TRACKER, state.doubt(), response(&state, limits));
        }
        if let Some(state) = load::<Cover>(reader, instrument.id, COVER_TRACKER)? {
            put(COVER_TRACKER, state.standing, cover(&state));
        }
        if let Some(state) = load::<DarkDrift>(reader, instrument.id, DARK_TRACKER)? {
            for (offset, watch) in [(true, state.offset), (false, state.rate)] {
                put(DARK_TRACKER, watch.standing(), dark(&state, offset, watch.latest, limits));
            }
        }
        if let Some(state) = load::<PixelDrift>(reader, instrument.id, PIXEL_TRACKER)? {
            put(PIXEL_TRACKER, state.standing(), pixels(&state, limits));
        }
    }
    Ok(all)
}

fn load<T: serde::de::DeserializeOwned>(reader: &Reader, row: i64, name: &str) -> Result<Option<T>, StoreError> {
    // A state of another version of the program is not shown rather than shown wrong.
    Ok(reader.load_tracker(row, name)?.and_then(|t| serde_json::from_str(&t.json).ok()))
}

/// What it sees, its limit, and what it could tell.
type Told = (String, Option<String>, String);

fn wavelength(state: &WavelengthDrift, limits: Option<&LimitsConfig>) -> Told {
    let limit = limits.map(|l| format!("{} nm", l.wavelength_drift_nm));
    let Some((shift, u)) = state.now() else {
        return ("nothing yet: too few spectra with lines".into(), limit, "nothing yet".into());
    };
    let mut sees = format!("{shift:+.3} ± {:.3} nm", 2.0 * u);
    if let Some((slope, u)) = state.told_stretch() {
        sees += &format!(", {slope:+.3} ± {:.3} nm more every 100 nm", 2.0 * u);
    }
    if state.applied_nm != 0.0 {
        sees += &format!(", {:+.3} nm of it applied", state.applied_nm);
    }
    if state.beginning() != 0.0 {
        sees += &format!(" (the scale was off by {:+.2} nm from the beginning)", state.beginning());
    }
    let could_tell = if state.baseline_done {
        format!("{:.3} nm", 2.0 * u)
    } else {
        let spectra = state.marks.iter().map(|m| m.spectra).max().unwrap_or(0);
        format!("0.05 nm more than the limit: the baseline is in the making, {spectra} spectra so far")
    };
    (sees, limit, could_tell)
}

fn response(state: &ResponseDrift, limits: Option<&LimitsConfig>) -> Told {
    let limit = limits.map(|l| format!("{:.0} %", 100.0 * l.response_drift_relative));
    let n = state.levels.len();
    let Some(change) = state.now() else {
        return (format!("nothing yet: {n} of 4 levels of the baseline"), limit, "nothing yet".into());
    };
    let mut sees = format!("{:+.1} % from {n} levels", 100.0 * change);
    if let Some(s) = state.soiling() {
        sees += &format!(", dirt {:+.2} ± {:.2} % a day", 100.0 * s.per_day, 200.0 * s.uncertainty);
    }
    if let Some((when, step)) = state.last_wipe {
        sees += &format!(", a rise of {:.1} % on {}", 100.0 * step, when.to_chrono().format("%Y-%m-%d"));
    }
    if let Some((when, step)) = state.last_cleaning() {
        let step = step.map_or("not yet known".into(), |s| format!("{:+.1} %", 100.0 * s));
        sees += &format!(", cleaned on {}: {step}", when.to_chrono().format("%Y-%m-%d"));
    }
    if let Some(lean) = state.tilt_east_deg() {
        let side = if lean < 0.0 { "west" } else { "east" };
        sees += &format!(", head {:.1}° to the {side}", lean.abs());
    }
    let could_tell =
        state.scatter().map_or("not yet known".into(), |s| format!("{:.1} % on two levels in a row", 200.0 * s));
    (sees, limit, could_tell)
}

fn cover(state: &Cover) -> Told {
    let sees = state.latest.map_or("nothing yet".into(), |s| format!("{:.0} % of a clear sky's light", 100.0 * s));
    (sees, Some(LIMIT_TEXT.into()), "what takes nearly all light; less looks like a cloud".into())
}

fn dark(state: &DarkDrift, offset: bool, latest: Option<f64>, limits: Option<&LimitsConfig>) -> Told {
    let what = if offset { "offset" } else { "dark rate" };
    let sees = match (state.baseline, latest) {
        (None, _) => format!("{what}: nothing yet, the baseline is in the making"),
        (_, None) => format!("{what}: nothing yet"),
        (_, Some(moved)) if offset => format!("{what} {moved:+.1} counts"),
        (_, Some(grown)) => format!("{what} {:+.0} %", 100.0 * grown),
    };
    let limit = limits.map(|l| match offset {
        true => format!("{} counts", l.dark_offset_counts),
        false => format!("{:.0} %", 100.0 * l.dark_rate_relative),
    });
    (sees, limit, if state.baseline.is_some() { "its limit, on two darks in a row" } else { "nothing yet" }.into())
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
    let sees = match odd.len() {
        0 => "every pixel's dark at its baseline".to_owned(),
        n if n <= 5 => format!("pixels off their dark baseline: {}", odd.join(", ")),
        n => format!("{n} pixels off their dark baseline, among them {}", odd[..5].join(", ")),
    };
    (sees, limit, "its limit, on two darks; a pixel that dies in a short dark shows in light only".into())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quality::response::{Level, day};

    /// Identity: what is known is told with unit, limit and reach, and what is not yet known says so.
    #[test]
    fn a_tracker_tells_what_it_sees_and_what_it_could_tell() {
        let limits = crate::quality::drift::test_limits();
        let (sees, limit, could) = wavelength(&WavelengthDrift::default(), Some(&limits));
        assert!(sees.starts_with("nothing yet") && limit.as_deref() == Some("0.1 nm") && could == "nothing yet");
        let mut state = ResponseDrift::default();
        assert_eq!(response(&state, None).0, "nothing yet: 0 of 4 levels of the baseline");
        for d in 0..12 {
            let time = UtcMicros(0).plus_seconds(86_400.0 * f64::from(d));
            let change = if d < 6 { 0.0 } else { -0.04 } + 0.002 * f64::from(d % 2);
            let slope = (-0.1 * day::AT_AIR_MASS, 0.004);
            state.take(Level { time, level: 7.0 + change, slope, east_deg: Some(0.2) }, 0.07);
        }
        let (sees, limit, could) = response(&state, Some(&limits));
        assert!(sees.starts_with("-3.9 % from 12 levels, dirt +0.") && sees.contains("head 0.0° to the"), "{sees}");
        assert_eq!((limit.as_deref(), could.as_str()), (Some("7 %"), "0.4 % on two levels in a row"));
        assert_eq!(cover(&Cover::default()).0, "nothing yet");
        let mut darks = PixelDrift::default();
        assert!(pixels(&darks, Some(&limits)).0.starts_with("nothing yet"));
        darks.baseline = Some(3);
        let (sees, limit, _) = pixels(&darks, Some(&limits));
        assert!(sees == "every pixel's dark at its baseline" && limit.is_some_and(|l| l.starts_with("50 %")));
    }
}
