//! Compares a recomputed reading with the stored one.

use crate::quantities;
use crate::record::{QuantityValue, Reading};
use crate::store::QUANTITY_ADDED_LATER;
use std::fmt::Debug;

/// Lists the differences between a recomputed and the stored reading; empty if all bits are equal.
///
/// quantities: of the stored values, in their order; stored: the reading without flagged intervals; recomputed: values in the
/// order of the registry. Window statistics are excluded, and quantities added after the reading was computed.
pub fn differences(quantities: &[(String, String)], stored: &Reading, recomputed: &Reading) -> Vec<String> {
    let mut found = Differences(Vec::new());
    found.compare_reading(stored, recomputed);
    for ((id, _), was) in quantities.iter().zip(&stored.values) {
        let Some(is) = quantities::index_of(id).and_then(|q| recomputed.values.get(q)) else { continue };
        found.compare_value(id, was, is);
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
        self.compare("flags", &s.flags, &r.flags);
        self.compare("time_mid", &s.time_mid, &r.time_mid);
        self.compare("time_start", &s.time_start, &r.time_start);
        self.compare("time_end", &s.time_end, &r.time_end);
        self.compare("exposures", &s.exposures, &r.exposures);
    }

    fn compare_value(&mut self, id: &str, was: &QuantityValue, is: &QuantityValue) {
        match (was, is) {
            (
                QuantityValue::Value { value, uncertainty, verdict },
                QuantityValue::Value { value: v, uncertainty: u, verdict: w },
            ) => {
                self.compare_number(id, Some(*value), Some(*v));
                self.compare_number(&format!("{id}_uncertainty"), Some(*uncertainty), Some(*u));
                self.compare(&format!("{id}_verdict"), verdict, w);
            }
            (QuantityValue::Null(why), _) if why == QUANTITY_ADDED_LATER => {}
            _ => self.compare(id, was, is),
        }
    }

    /// Compares as stored: without the sign of zero, and with null for numbers that are not finite.
    fn compare_number(&mut self, what: &str, was: Option<f64>, is: Option<f64>) {
        let bits = |x: Option<f64>| x.filter(|x| x.is_finite()).map(|x| (x + 0.0).to_bits());
        if bits(was) != bits(is) {
            self.0.push(format!("{what}: stored {was:?}, recomputed {is:?}"));
        }
    }

    fn compare<T: PartialEq + Debug>(&mut self, what: &str, was: &T, is: &T) {
        if was != is {
            self.0.push(format!("{what}: stored {was:?}, recomputed {is:?}"));
        }
    }
}
