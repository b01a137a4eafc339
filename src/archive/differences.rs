//! Where a recomputed reading differs from the stored one.

use crate::quantities;
use crate::record::{QuantityValue, Reading};
use crate::store::NOT_YET_A_QUANTITY;
use std::fmt::Debug;

/// Where a recomputed reading differs from the stored one, in words; empty where every bit is the same.
///
/// quantities: the order of the stored values, as the reader has it; stored: as it was computed; recomputed: in the order of the registry. Window
/// statistics are left out, and quantities that did not exist when the reading was computed.
pub fn differences(quantities: &[(String, String)], stored: &Reading, recomputed: &Reading) -> Vec<String> {
    let mut found = Differences(Vec::new());
    found.of_facts(stored, recomputed);
    for ((id, _), was) in quantities.iter().zip(&stored.values) {
        let Some(is) = quantities::index_of(id).and_then(|q| recomputed.values.get(q)) else { continue };
        found.of_value(id, was, is);
    }
    found.0
}

struct Differences(Vec<String>);

impl Differences {
    fn of_facts(&mut self, stored: &Reading, recomputed: &Reading) {
        let (s, r) = (stored, recomputed);
        self.number("sun_elevation", s.sun_elevation, r.sun_elevation);
        self.number("sun_azimuth", s.sun_azimuth, r.sun_azimuth);
        self.number("relative_air_mass", s.relative_air_mass, r.relative_air_mass);
        self.number("detector_temperature", s.detector_temperature, r.detector_temperature);
        self.number("peak_level", Some(s.peak_level), Some(r.peak_level));
        self.number("signal_to_noise", s.signal_to_noise, r.signal_to_noise);
        self.number("stray_floor", s.stray_floor, r.stray_floor);
        self.number("dark_age", s.dark_age, r.dark_age);
        self.other("flags", &s.flags, &r.flags);
        self.other("time_mid", &s.time_mid, &r.time_mid);
        self.other("time_start", &s.time_start, &r.time_start);
        self.other("time_end", &s.time_end, &r.time_end);
        self.other("exposures", &s.exposures, &r.exposures);
    }

    fn of_value(&mut self, id: &str, was: &QuantityValue, is: &QuantityValue) {
        match (was, is) {
            (
                QuantityValue::Value { value, uncertainty, verdict },
                QuantityValue::Value { value: v, uncertainty: u, verdict: w },
            ) => {
                self.number(id, Some(*value), Some(*v));
                self.number(&format!("{id}_uncertainty"), Some(*uncertainty), Some(*u));
                self.other(&format!("{id}_verdict"), verdict, w);
            }
            (QuantityValue::Null(why), _) if why == NOT_YET_A_QUANTITY => {}
            _ => self.other(id, was, is),
        }
    }

    /// The database keeps no sign of zero and nothing that is not finite.
    fn number(&mut self, what: &str, was: Option<f64>, is: Option<f64>) {
        let bits = |x: Option<f64>| x.filter(|x| x.is_finite()).map(|x| (x + 0.0).to_bits());
        if bits(was) != bits(is) {
            self.0.push(format!("{what}: stored {was:?}, recomputed {is:?}"));
        }
    }

    fn other<T: PartialEq + Debug>(&mut self, what: &str, was: &T, is: &T) {
        if was != is {
            self.0.push(format!("{what}: stored {was:?}, recomputed {is:?}"));
        }
    }
}
