//! The atmosphere from day to day: aerosol, ozone, water vapour, and the albedo of the ground.
//!
//! A pure function of seed and time: the values of a day hold at mean solar noon and are interpolated between noons. Unless
//! `variable` is set, the atmosphere is always that of the reference spectra.

use super::hash_noise::{normal, uniform};
use crate::clock::UtcMicros;
use serde::Deserialize;

/// Aerosol optical depth at 500 nm of the reference spectra (ASTM G173-03).
pub const REFERENCE_AEROSOL: f64 = 0.084;
/// Albedo of the ground in the computation of the reference spectra (light soil, from memory: pvlib 0.16.1, `SURFACE_ALBEDOS`, has 0.17 for
/// soil; 0.03 of albedo changes the simulated ultraviolet by about 1 % and no measured value).
pub const REFERENCE_ALBEDO: f64 = 0.2;

/// `[scene.air]` of a simulator file.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct AirSettings {
    /// Whether the atmosphere varies from day to day.
    pub variable: bool,
    /// Median aerosol optical depth at 500 nm [1].
    pub aerosol_median: f64,
    /// Standard deviation of its logarithm [1].
    pub aerosol_spread: f64,
    /// Upper limit of the aerosol optical depth [1].
    pub aerosol_most: f64,
    /// Lowest ozone column, in autumn [DU].
    pub ozone_low_du: f64,
    /// Highest ozone column, in spring [DU].
    pub ozone_high_du: f64,
    /// Standard deviation of the ozone column from day to day [DU].
    pub ozone_spread_du: f64,
    /// Standard deviation of the logarithm of the water vapour [1]; its annual mean is that of the reference spectra.
    pub water_spread: f64,
    /// Albedo of the bare ground [1].
    pub albedo: f64,
    /// Albedo under snow [1].
    pub snow_albedo: f64,
    /// Share of winter days with snow on the ground [1].
    pub snow_share: f64,
    /// Deviation of the solar spectrum from the table: standard deviation of a factor on every node [1].
    pub table_scatter: f64,
}

impl Default for AirSettings {
    fn default() -> Self {
        Self {
            variable: false,
            aerosol_median: 0.12,
            aerosol_spread: 0.6,
            aerosol_most: 0.8,
            ozone_low_du: 270.0,
            ozone_high_du: 380.0,
            ozone_spread_du: 15.0,
            water_spread: 0.35,
            albedo: 0.2,
            snow_albedo: 0.7,
            snow_share: 0.4,
            table_scatter: 0.01,
        }
    }
}

/// The atmosphere at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Air {
    /// Aerosol optical depth at 500 nm [1].
    pub aerosol: f64,
    /// Ozone column [DU].
    pub ozone_du: f64,
    /// Water vapour relative to the reference [1].
    pub water: f64,
    /// Albedo of the ground [1].
    pub albedo: f64,
}

impl AirSettings {
    pub(super) fn check(&self, range: &mut impl FnMut(&str, f64, f64, f64)) {
        range("scene.air.aerosol_median", self.aerosol_median, 1e-3, 2.0);
        range("scene.air.aerosol_spread", self.aerosol_spread, 0.0, 2.0);
        range("scene.air.aerosol_most", self.aerosol_most, self.aerosol_median, 5.0);
        range("scene.air.ozone_low_du", self.ozone_low_du, 50.0, 700.0);
        range("scene.air.ozone_high_du", self.ozone_high_du, self.ozone_low_du, 700.0);
        range("scene.air.ozone_spread_du", self.ozone_spread_du, 0.0, 200.0);
        range("scene.air.water_spread", self.water_spread, 0.0, 2.0);
        range("scene.air.albedo", self.albedo, 0.0, 1.0);
        range("scene.air.snow_albedo", self.snow_albedo, 0.0, 1.0);
        range("scene.air.snow_share", self.snow_share, 0.0, 1.0);
        range("scene.air.table_scatter", self.table_scatter, 0.0, 0.2);
    }

    /// The atmosphere at an instant over a place; `ozone_du` is the constant column of an atmosphere that does not vary [DU].
    pub fn at(&self, seed: u64, latitude_deg: f64, longitude_deg: f64, ozone_du: f64, t: UtcMicros) -> Air {
        if !self.variable {
            return Air { aerosol: REFERENCE_AEROSOL, ozone_du, water: 1.0, albedo: REFERENCE_ALBEDO };
        }
        // Days count from mean solar noon to mean solar noon.
        let days = t.seconds() / 86_400.0 + longitude_deg / 360.0 - 0.5;
        let (day, share) = (days.floor() as i64, days - days.floor());
        let seed = seed ^ 0xa1e5;
        // Each day's value is correlated with that of the day before.
        let drawn = |d: i64, purpose| 0.82 * normal(seed, d, purpose) + 0.57 * normal(seed, d - 1, purpose);
        let between = |purpose| drawn(day, purpose) * (1.0 - share) + drawn(day + 1, purpose) * share;
        let north = if latitude_deg < 0.0 { -1.0 } else { 1.0 };
        let year = |peak_day: f64| {
            let x = (f64::from(t.utc_date().day_of_year() - 1) + share - peak_day) / 365.25;
            north * (std::f64::consts::TAU * x).cos()
        };
        let (low, high) = (self.ozone_low_du, self.ozone_high_du);
        let ozone = 0.5 * (low + high) + 0.38 * (high - low) * year(95.0) + self.ozone_spread_du * between(2);
        // Snow lies from one noon to the next, so the value of the day is not interpolated.
        let winter = year(15.0) > 0.6;
        let snow = winter && uniform(seed, (days + 0.5).floor() as i64, 4) < self.snow_share;
        Air {
            aerosol: (self.aerosol_median * (self.aerosol_spread * between(1)).exp()).min(self.aerosol_most),
            ozone_du: ozone.clamp(low, high),
            water: (0.7 * year(200.0) + self.water_spread * between(3)).exp(),
            albedo: if snow { self.snow_albedo } else { self.albedo },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: over three years the stated median, limits, seasons of ozone, and snow in winter only.
    #[test]
    fn a_variable_atmosphere_stays_within_its_settings() {
        let settings = AirSettings { variable: true, ..AirSettings::default() };
        let start = UtcMicros::parse("2026-01-01T11:00:00Z").unwrap();
        let air: Vec<(i16, Air)> = (0..1095)
            .map(|d| start.plus_seconds(f64::from(d) * 86_400.0))
            .map(|t| (t.utc_date().day_of_year(), settings.at(3, 48.0, 11.0, 300.0, t)))
            .collect();
        let mut aerosol: Vec<f64> = air.iter().map(|a| a.1.aerosol).collect();
        aerosol.sort_by(f64::total_cmp);
        assert!((0.11..0.13).contains(&aerosol[547]), "median {}", aerosol[547]);
        assert!(aerosol[0] > 0.01 && aerosol[1094] <= 0.8, "{} to {}", aerosol[0], aerosol[1094]);
        assert!(air.iter().all(|a| (270.0..=380.0).contains(&a.1.ozone_du)));
        let mean = |from: i16, to: i16| {
            let picked: Vec<f64> = air.iter().filter(|a| (from..to).contains(&a.0)).map(|a| a.1.ozone_du).collect();
            picked.iter().sum::<f64>() / picked.len() as f64
        };
        assert!(mean(80, 110) > 350.0 && mean(265, 295) < 300.0, "{} and {}", mean(80, 110), mean(265, 295));
        let snow = |a: &&(i16, Air)| a.1.albedo == 0.7;
        assert!(air.iter().filter(snow).count() > 40 && air.iter().filter(snow).all(|a| a.0 < 80 || a.0 > 310));
    }

    #[test]
    fn an_atmosphere_that_does_not_vary_is_that_of_the_reference() {
        let want = Air { aerosol: REFERENCE_AEROSOL, ozone_du: 310.0, water: 1.0, albedo: REFERENCE_ALBEDO };
        assert_eq!(AirSettings::default().at(3, 48.0, 11.0, 310.0, UtcMicros(0)), want);
    }
}
