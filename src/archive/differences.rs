//! Compares a recomputed reading with the stored one.

use crate::quantities;
use crate::record::{Flags, QuantityValue, Reading};
use crate::store::QUANTITY_ADDED_LATER;

/// Lists the differences between a recomputed and the stored reading; empty if all bits are equal.
///
/// quantities: of the stored values, in their order; stored: the reading without flagged intervals; recomputed: values in the
/// order of the registry. Window statistics are excluded, and quantities added after the reading was computed.
pub fn differences(quantities: &[(String, String)], stored: &Reading, recomputed: &Reading) -> Vec<String> {
    let mut found = Differences(Vec::new());
    found.compare_reading(stored, recomputed);
    for (k, ((id, _), was)) in quantities.iter().zip(&stored.values).enumerate() {
        let Some(q) = quantities::index_of(id) else { continue };
        let Some(is) = recomputed.values.get(q) else { continue };
        found.compare_value(id, was, is);
        if !matches!(was, QuantityValue::Null(why) if why == QUANTITY_ADDED_LATER) {
            found.compare_flags(&format!("{id}_flags"), stored.flags_of(k), recomputed.flags_of(q));
        }
    }
    found.0
}

struct Differences(Vec<String>);

impl Differences {
    fn compare_reading(&mut self, stored: &Reading, recomputed: &Reading) {
        let (s, r) = (stored, recomputed);
        self.compare_number("sun_elevation", s.sun_elevation, r.sun_elevation);
        self.compare_number("sun_azimuth", s.sun_azimuth, r.sun_azimuth);
        self.compare_number("relative_air_mass", s.relative_air_mass, r.relative_air_mass);
        self.compare_number("detector_temperature", s.detector_temperature, r.detector_temperature);
        self.compare_number("peak_level", Some(s.peak_level), Some(r.peak_level));
        self.compare_number("signal_to_noise", s.signal_to_noise, r.signal_to_noise);
        self.compare_number("stray_floor", s.stray_floor, r.stray_floor);
        self.compare_number("dark_age", s.dark_age, r.dark_age);
        self.compare_number("lamps_ppfd", s.lamps.map(|l| l.ppfd), r.lamps.map(|l| l.ppfd));
        self.compare_number("lamps_uncertainty", s.lamps.map(|l| l.uncertainty), r.lamps.map(|l| l.uncertainty));
        self.compare_flags("flags", s.flags, r.flags);
        self.compare("time_mid", s.time_mid.to_string(), r.time_mid.to_string());
        self.compare("time_start", s.time_start.to_string(), r.time_start.to_string());
        self.compare("time_end", s.time_end.to_string(), r.time_end.to_string());
        self.compare("exposures", exposures(s), exposures(r));
        self.compare_number("uv_index_stray_share", s.uv_index_stray_share, r.uv_index_stray_share);
    }

    fn compare_value(&mut self, id: &str, was: &QuantityValue, is: &QuantityValue) {
        match (was, is) {
            (
                QuantityValue::Value { value, uncertainty, verdict },
                QuantityValue::Value { value: v, uncertainty: u, verdict: w },
            ) => {
                self.compare_number(id, Some(*value), Some(*v));
                self.compare_number(&format!("{id}_uncertainty"), Some(*uncertainty), Some(*u));
                self.compare(&format!("{id}_verdict"), verdict.name().to_owned(), w.name().to_owned());
            }
            (QuantityValue::Null(why), _) if why == QUANTITY_ADDED_LATER => {}
            _ => self.compare(id, value_or_reason(was), value_or_reason(is)),
        }
    }

    fn compare_flags(&mut self, what: &str, was: Flags, is: Flags) {
        let names = |flags: Flags| if flags == Flags::NONE { "none".to_owned() } else { flags.names().join(" ") };
        self.compare(what, names(was), names(is));
    }

    /// Compares as stored: without the sign of zero, and with null for numbers that are not finite.
    fn compare_number(&mut self, what: &str, was: Option<f64>, is: Option<f64>) {
        let stored = |x: Option<f64>| x.filter(|x| x.is_finite()).map(|x| x + 0.0);
        if stored(was).map(f64::to_bits) != stored(is).map(f64::to_bits) {
            let text = |x: Option<f64>| stored(x).map_or("null".to_owned(), |x| x.to_string());
            self.compare(what, text(was), text(is));
        }
    }

    fn compare(&mut self, what: &str, was: String, is: String) {
        if was != is {
            self.0.push(format!("{what}: stored {was}, recomputed {is}"));
        }
    }
}

/// A value, or why there is none.
fn value_or_reason(value: &QuantityValue) -> String {
    match value {
        QuantityValue::Value { value, .. } => value.to_string(),
        QuantityValue::Null(reason) => format!("null ({reason})"),
    }
}

/// The exposures of each bracket.
fn exposures(reading: &Reading) -> String {
    let brackets = reading.exposures.iter().map(|e| format!("{} x {} s", e.exposures, e.integration_s));
    brackets.collect::<Vec<_>>().join(", ")
}
