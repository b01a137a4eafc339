//! Temperature: diurnal course of the air, self-heating of the instrument, and transients after switch-on.
//!
//! Pure: a function of time and settings.

use crate::clock::UtcMicros;
use serde::Deserialize;

/// Air temperature over the day.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Ambient {
    /// Daily mean [°C].
    pub mean_c: f64,
    /// Half the difference between the warmest and the coolest hour [K].
    pub amplitude_k: f64,
    /// Warmest hour, mean solar time [h].
    pub warmest_hour: f64,
}

impl Default for Ambient {
    fn default() -> Self {
        Self { mean_c: 20.0, amplitude_k: 5.0, warmest_hour: 15.0 }
    }
}

impl Ambient {
    /// A constant temperature.
    pub fn constant(mean_c: f64) -> Self {
        Self { mean_c, amplitude_k: 0.0, ..Self::default() }
    }

    /// Air temperature [°C] at longitude [degrees], a sine over the mean solar day.
    pub fn at(&self, longitude_deg: f64, t: UtcMicros) -> f64 {
        let hour = t.seconds() / 3600.0 + longitude_deg / 15.0;
        self.mean_c + self.amplitude_k * (std::f64::consts::TAU * (hour - self.warmest_hour) / 24.0).cos()
    }
}

/// Transients after switch-on.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct WarmUp {
    /// Time until less than one per cent of each transient is left [min]; 0 for an instrument that is always warm.
    pub minutes: f64,
    /// Settled temperature of the detector above the air [K].
    pub self_heating_k: f64,
    /// Transient of the offset at switch-on, independent of the temperature [counts].
    pub extra_offset_counts: f64,
    /// Transient of the wavelength scale at switch-on, independent of the temperature [nm].
    pub extra_shift_nm: f64,
    /// Time since switch-on at the start of the simulation [min].
    pub on_since_min: f64,
}

impl Default for WarmUp {
    fn default() -> Self {
        Self { minutes: 20.0, self_heating_k: 5.0, extra_offset_counts: 40.0, extra_shift_nm: 0.2, on_since_min: 0.0 }
    }
}

/// State of the detector at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Condition {
    /// Detector temperature [°C].
    pub temperature_c: f64,
    /// Offset in addition to that of the temperature [counts].
    pub extra_offset_counts: f64,
    /// Wavelength shift in addition to that of the temperature [nm].
    pub extra_shift_nm: f64,
}

impl WarmUp {
    /// Remaining share of each transient `on_s` seconds after switch-on [1]; e⁻⁵ at the end of the warm-up.
    fn left(&self, on_s: f64) -> f64 {
        if self.minutes > 0.0 { (-5.0 * on_s.max(0.0) / (60.0 * self.minutes)).exp() } else { 0.0 }
    }

    /// State at `t` in air of `ambient_c` [°C], switched on at `switched_on`.
    pub fn condition(&self, ambient_c: f64, switched_on: UtcMicros, t: UtcMicros) -> Condition {
        let left = self.left(t.seconds_since(switched_on) + 60.0 * self.on_since_min);
        Condition {
            temperature_c: ambient_c + self.self_heating_k * (1.0 - left),
            extra_offset_counts: self.extra_offset_counts * left,
            extra_shift_nm: self.extra_shift_nm * left,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: all of each transient at switch-on, less than one per cent of it after the stated warm-up.
    #[test]
    fn everything_settles_within_the_warm_up() {
        let warm = WarmUp::default();
        let start = UtcMicros::parse("2026-06-21T05:00:00Z").unwrap();
        let cold = warm.condition(20.0, start, start);
        assert_eq!((cold.temperature_c, cold.extra_offset_counts, cold.extra_shift_nm), (20.0, 40.0, 0.2));
        let settled = warm.condition(20.0, start, start.plus_seconds(1200.0));
        assert!((settled.temperature_c - 25.0).abs() < 0.05 && settled.extra_offset_counts < 0.4);
        assert!(settled.extra_shift_nm < 0.002 && settled.extra_shift_nm > 0.0);
    }

    /// Identity: the maximum at the stated mean solar time, the minimum twelve hours later.
    #[test]
    fn the_day_is_warmest_at_its_hour() {
        let air = Ambient { mean_c: 10.0, amplitude_k: 5.0, warmest_hour: 15.0 };
        let t = UtcMicros::parse("2026-06-21T14:00:00Z").unwrap();
        assert!((air.at(15.0, t) - 15.0).abs() < 1e-9);
        assert!((air.at(15.0, t.plus_seconds(43_200.0)) - 5.0).abs() < 1e-9);
    }
}
