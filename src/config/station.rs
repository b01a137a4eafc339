//! Reads `[station]`, `[store]` and `[daily]`.

use super::{DailyConfig, GlazingConfig, Station, StationKind, StoreConfig};
use crate::clock;
use crate::document::{Range, Section};
use crate::sun::Place;
use std::path::Path;

/// Default height above sea level [m].
const DEFAULT_ALTITUDE_M: f64 = 0.0;
/// Transmission and haze of glazing that are assumed, each with its standard uncertainty [1]: from old or whitewashed to new glass, and
/// from clear glass to such that scatters most of the beam.
const ASSUMED_TRANSMISSION: (f64, f64) = (0.8, 0.1);
const ASSUMED_HAZE: (f64, f64) = (0.35, 0.25);
/// Standard uncertainty of what is stated without one [1]: dirt, condensation and the frame change both.
const STATED_TRANSMISSION_UNCERTAINTY: f64 = 0.05;
const STATED_HAZE_UNCERTAINTY: f64 = 0.1;
/// Default path of the database, relative to the configuration file's folder.
const DEFAULT_STORE_PATH: &str = "vigilux.db";
/// Default free space below which a warning is logged and stored [MB].
const DEFAULT_FREE_SPACE_FLOOR_MB: u32 = 500;

/// Description of a valid window, for messages.
pub(super) const WINDOW_RULE: &str = "a window of local time such as `05:00-21:00`, with different ends";

/// Reads `[station]`. Returns the kind separately, since rules of other sections depend on it even if this section has faults.
pub fn read_station(s: &Section) -> (Option<StationKind>, Option<Station>) {
    let name = s.text("name", None, "a name");
    let kind = s.parse_with("kind", None, "one of `roof`, `glasshouse`, `lamp`", |text| {
        [StationKind::Roof, StationKind::Glasshouse, StationKind::Lamp].into_iter().find(|k| k.name() == text)
    });
    let latitude_deg = s.number("latitude_deg", None, Range::between(-90.0, 90.0, "degrees, north positive"));
    let longitude_deg = s.number("longitude_deg", None, Range::between(-180.0, 180.0, "degrees, east positive"));
    let altitude_m = s.number("altitude_m", Some(DEFAULT_ALTITUDE_M), Range::between(-500.0, 9000.0, "m"));
    let zone = "an IANA time zone such as `Europe/Dublin`";
    let time_zone = s.parse_with("time_zone", None, zone, clock::time_zone);
    let day = "a local standard time such as `00:00`";
    let day_starts_at_s = s.parse_with("day_starts_at", Some("00:00"), day, time_of_day_s);
    // A roof sees no lamps. Elsewhere there is no default: a wrong one would leave ripple in every value.
    let default_mains = (kind == Some(StationKind::Roof)).then_some(0.0);
    let mains_hz = read_mains(s, default_mains, kind.is_none());
    let lamps_s = read_lamps(s, kind);
    let ultraviolet_lamps = read_ultraviolet_lamps(s, kind);
    let lamp_incidence_deg = read_lamp_incidence(s, kind);
    let glazing = read_glazing(s, kind);
    s.close();
    let station = || {
        let place = Place { latitude_deg: latitude_deg?, longitude_deg: longitude_deg?, altitude_m: altitude_m? };
        Some(Station {
            name: name?,
            kind: kind?,
            place,
            time_zone: time_zone?,
            day_starts_at_s: day_starts_at_s?,
            mains_hz: mains_hz?,
            ultraviolet_lamps,
            lamps_s,
            lamp_incidence_deg,
            glazing: glazing?,
            days: DailyConfig::default(),
        })
    };
    (kind, station())
}

fn read_mains(s: &Section, default: Option<f64>, kind_unknown: bool) -> Option<f64> {
    if kind_unknown && !s.has("mains_hz") {
        s.ignore("mains_hz");
        return None;
    }
    let mains = s.number("mains_hz", default, Range::between(0.0, 70.0, "Hz; 0 where no mains-driven light is seen"));
    mains.filter(|hz| {
        let valid = *hz == 0.0 || (40.0..=70.0).contains(hz);
        if !valid {
            s.refuse("mains_hz", "0, or a mains frequency from 40 to 70 [Hz]");
        }
        valid
    })
}

/// Local times at which lamps are on; empty where unknown.
fn read_lamps(s: &Section, kind: Option<StationKind>) -> Vec<(u32, u32)> {
    let rule = "a list of windows of local time such as `[\"05:00-21:00\"]`, each with different ends";
    let texts = s.texts("lamps", false, rule).unwrap_or_default();
    let windows: Option<Vec<_>> = texts.iter().map(|text| window_s(text)).collect();
    if windows.is_none() {
        s.refuse("lamps", rule);
    }
    if kind == Some(StationKind::Roof) && !texts.is_empty() {
        s.refuse("lamps", "no such key under kind `roof`, where no lamp is seen");
    }
    windows.unwrap_or_default()
}

/// Whether lamps under the glazing emit ultraviolet.
fn read_ultraviolet_lamps(s: &Section, kind: Option<StationKind>) -> bool {
    let given = s.has("ultraviolet_lamps");
    let present = s.boolean("ultraviolet_lamps", false);
    if given && matches!(kind, Some(StationKind::Roof | StationKind::Lamp)) {
        let expected = "no such key but under kind `glasshouse`: the rule of the sun holds under `roof`, the rule of lamps under `lamp`";
        s.refuse("ultraviolet_lamps", expected);
    }
    present
}

/// Angle between the light of the lamps and the vertical.
fn read_lamp_incidence(s: &Section, kind: Option<StationKind>) -> Option<f64> {
    let incidence = s.optional_number("lamp_incidence_deg", Range::between(0.0, 85.0, "degrees from the vertical"));
    if kind == Some(StationKind::Roof) && s.has("lamp_incidence_deg") {
        s.refuse("lamp_incidence_deg", "no such key under kind `roof`, where no lamp is seen");
    }
    incidence
}

/// The glazing; the inner `None` where the kind of the station has none.
fn read_glazing(s: &Section, kind: Option<StationKind>) -> Option<Option<GlazingConfig>> {
    let share = || Range::between(0.0, 1.0, "share of the light");
    let uncertainty = || Range::between(0.0, 0.5, "standard uncertainty of the share");
    // What is stated is known better than what is assumed.
    let or = |given: bool, stated: f64, assumed: f64| Some(if given { stated } else { assumed });
    let (transmitted, hazy) = (s.has("glazing_transmission"), s.has("glazing_haze"));
    let transmission_range = Range::between(0.05, 1.0, "share of the light");
    let transmission = s.number("glazing_transmission", Some(ASSUMED_TRANSMISSION.0), transmission_range);
    let default = or(transmitted, STATED_TRANSMISSION_UNCERTAINTY, ASSUMED_TRANSMISSION.1);
    let transmission_uncertainty = s.number("glazing_transmission_uncertainty", default, uncertainty());
    let haze = s.number("glazing_haze", Some(ASSUMED_HAZE.0), share());
    let default = or(hazy, STATED_HAZE_UNCERTAINTY, ASSUMED_HAZE.1);
    let haze_uncertainty = s.number("glazing_haze_uncertainty", default, uncertainty());
    let keys = ["glazing_transmission", "glazing_transmission_uncertainty", "glazing_haze", "glazing_haze_uncertainty"];
    if matches!(kind, Some(StationKind::Roof | StationKind::Lamp)) {
        let given = keys.into_iter().filter(|key| s.has(key));
        given.for_each(|key| s.refuse(key, "no such key but under kind `glasshouse`, which has glazing"));
        return Some(None);
    }
    Some(Some(GlazingConfig {
        transmission: transmission?,
        transmission_uncertainty: transmission_uncertainty?,
        haze: haze?,
        haze_uncertainty: haze_uncertainty?,
    }))
}

/// Reads `[daily]`: the rules of daily figures. Every key has a default.
pub fn read_daily(s: &Section) -> Option<DailyConfig> {
    let default = DailyConfig::default();
    let gap = Range::above(0.0, "min").up_to(60.0);
    let level = || Range::above(0.0, "umol m-2 s-1").up_to(5000.0);
    let interpolate_up_to_min = s.number("interpolate_up_to_min", Some(default.interpolate_up_to_s / 60.0), gap);
    let photoperiod_ppfd = s.number("photoperiod_ppfd", Some(default.photoperiod_ppfd), level());
    let hours_above_ppfd = s.number("hours_above_ppfd", Some(default.hours_above_ppfd), level());
    s.close();
    Some(DailyConfig {
        interpolate_up_to_s: interpolate_up_to_min? * 60.0,
        photoperiod_ppfd: photoperiod_ppfd?,
        hours_above_ppfd: hours_above_ppfd?,
    })
}

/// `HH:MM-HH:MM` as seconds after midnight; the window may cross midnight.
pub(super) fn window_s(text: &str) -> Option<(u32, u32)> {
    let (start, end) = text.split_once('-')?;
    let (start, end) = (time_of_day_s(start.trim())?, time_of_day_s(end.trim())?);
    (start != end).then_some((start, end))
}

/// `HH:MM` as seconds after midnight, 00:00 to 23:59.
pub(super) fn time_of_day_s(text: &str) -> Option<u32> {
    let (hours, minutes) = text.split_once(':')?;
    let digits =
        |part: &str| (part.len() == 2 && part.bytes().all(|b| b.is_ascii_digit())).then(|| part.parse::<u32>().ok())?;
    let (hours, minutes) = (digits(hours)?, digits(minutes)?);
    (hours < 24 && minutes < 60).then_some(hours * 3600 + minutes * 60)
}

/// Reads `[store]`; a relative path refers to `folder`.
pub fn read_store(s: &Section, folder: &Path) -> Option<StoreConfig> {
    let path = s.text("path", Some(DEFAULT_STORE_PATH), "the path of the database file");
    let floor = s.integer("free_space_floor_mb", Some(DEFAULT_FREE_SPACE_FLOOR_MB), Range::at_least(0.0, "MB"));
    let keep_raw_months = if s.has("keep_raw_months") {
        s.integer(
            "keep_raw_months",
            None,
            Range::between(1.0, 1200.0, "months; omit the key to keep raw frames without limit"),
        )
    } else {
        s.ignore("keep_raw_months");
        None
    };
    s.close();
    Some(StoreConfig { path: folder.join(path?), free_space_floor_mb: u64::from(floor?), keep_raw_months })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_time_of_day_is_two_digits_colon_two_digits() {
        for (text, want) in [("00:00", Some(0)), ("05:30", Some(19_800)), ("23:59", Some(86_340))] {
            assert_eq!(time_of_day_s(text), want, "{text}");
        }
        for text in ["", "24:00", "12:60", "5:00", "+5:00", "05:0", "05:00:00", "0５:00", "-1:00"] {
            assert_eq!(time_of_day_s(text), None, "{text}");
        }
    }
}
