//! Position of the sun, by a published implementation of NREL's solar position algorithm (SPA).
//!
//! Pure: no clock, no I/O, no state. Outside the algorithm's years (−2000 to 6000) the result is `None`.
//! Source: Reda & Andreas 2004, NREL/TP-560-34302 (crate `solar-positioning`); air mass by Kasten &
//! Young 1989, Appl. Opt. 28:4735; Earth–Sun distance by Spencer 1971 (Search 2(5):172).

use crate::clock::UtcMicros;
use solar_positioning::time::JulianDate;
use solar_positioning::{Location, RefractionCorrection, SolarPositions, delta_t};

/// A place on Earth.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Place {
    /// Geographic latitude [degrees], north positive, −90 to 90.
    pub latitude_deg: f64,
    /// Geographic longitude [degrees], east positive, −180 to 180.
    pub longitude_deg: f64,
    /// Height above sea level [m].
    pub altitude_m: f64,
}

/// Apparent position of the sun at a place and an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sun {
    /// Topocentric elevation with refraction [degrees]; negative below the horizon.
    pub elevation_deg: f64,
    /// Azimuth from north through east [degrees].
    pub azimuth_deg: f64,
}

impl Sun {
    /// Apparent zenith angle [degrees].
    pub fn zenith_deg(&self) -> f64 {
        90.0 - self.elevation_deg
    }
}

/// Mean pressure at a height in the standard atmosphere [hPa].
///
/// altitude_m: [m], −500 to 11 000. Source: the troposphere formula of ISO 2533:1975; pvlib 0.16.1, `alt2pres`, has
/// the same formula with constants rounded differently.
pub fn standard_pressure_hpa(altitude_m: f64) -> f64 {
    1013.25 * (1.0 - 2.25577e-5 * altitude_m.clamp(-500.0, 11_000.0)).powf(5.25588)
}

/// The sun's position, with refraction for the standard pressure at the place's altitude and 10 °C.
pub fn position(place: Place, t: UtcMicros) -> Option<Sun> {
    let date = t.utc_date();
    let delta = delta_t::estimate_from_date(date.year().into(), date.month().unsigned_abs().into()).ok()?;
    let time = julian_date(t, delta)?;
    let location = Location { latitude: place.latitude_deg, longitude: place.longitude_deg };
    let refraction = RefractionCorrection::new(standard_pressure_hpa(place.altitude_m), 10.0).ok()?;
    let p = SolarPositions::new().at_from_julian(time, location, place.altitude_m, Some(refraction)).ok()?;
    Some(Sun { elevation_deg: p.elevation_angle(), azimuth_deg: p.azimuth() })
}

/// The instant as a Julian date, with the difference between terrestrial and universal time [s].
fn julian_date(t: UtcMicros, delta_t_s: f64) -> Option<JulianDate> {
    /// Julian date of 1970-01-01T00:00:00Z.
    const EPOCH: f64 = 2_440_587.5;
    // Whole seconds and the rest apart, to keep the microseconds.
    let (seconds, micros) = (t.0.div_euclid(1_000_000), t.0.rem_euclid(1_000_000));
    JulianDate::new(EPOCH + seconds as f64 / 86_400.0 + (1000 * micros) as f64 / 86_400e9, delta_t_s).ok()
}

/// The sun's lowest elevation in the night around `t`, without refraction [degrees]: its elevation at the lower transit.
///
/// Uses the declination at `t`; its change in half a day moves the result by less than 0.2°.
pub fn lowest_elevation_deg(place: Place, t: UtcMicros) -> Option<f64> {
    position(place, t).map(|sun| lowest_of(place, sun))
}

/// [`lowest_elevation_deg`] from a known position of the sun.
pub fn lowest_of(place: Place, sun: Sun) -> f64 {
    let (h, phi) = (sun.elevation_deg.to_radians(), place.latitude_deg.to_radians());
    let sine = h.sin() * phi.sin() + h.cos() * phi.cos() * sun.azimuth_deg.to_radians().cos();
    (place.latitude_deg + sine.clamp(-1.0, 1.0).asin().to_degrees()).abs() - 90.0
}

/// Relative optical air mass [1] for an apparent elevation [degrees]; `None` below the horizon.
///
/// Source: Kasten & Young 1989, Appl. Opt. 28:4735. The formula gives 0.9997 at the zenith, not 1.
pub fn relative_air_mass(elevation_deg: f64) -> Option<f64> {
    if !(0.0..=90.0).contains(&elevation_deg) {
        return None;
    }
    Some(1.0 / (elevation_deg.to_radians().sin() + 0.50572 * (elevation_deg + 6.07995).powf(-1.6364)))
}

/// Square of (mean distance / distance) between Earth and Sun [1]: 1.035 in January, 0.967 in July.
///
/// Source: Spencer 1971; accurate to 1e-4.
pub fn inverse_distance_squared(t: UtcMicros) -> f64 {
    let x = std::f64::consts::TAU * f64::from(t.utc_date().day_of_year() - 1) / 365.0;
    1.00011 + 0.034221 * x.cos() + 0.00128 * x.sin() + 0.000719 * (2.0 * x).cos() + 0.000077 * (2.0 * x).sin()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: the worked example of NREL/TP-560-34302 (2003-10-17 12:30:30 UTC−7), zenith 50.11162°, azimuth 194.34024°.
    #[test]
    fn the_worked_example_of_the_report_is_reproduced() {
        let when = UtcMicros::parse("2003-10-17T12:30:30-07:00").unwrap();
        let location = Location { latitude: 39.742476, longitude: -105.1786 };
        let refraction = RefractionCorrection::new(820.0, 11.0).unwrap();
        let p = SolarPositions::new()
            .at_from_julian(julian_date(when, 67.0).unwrap(), location, 1830.14, Some(refraction))
            .unwrap();
        assert!((p.zenith_angle() - 50.11162).abs() < 1e-5, "zenith {}", p.zenith_angle());
        assert!((p.azimuth() - 194.34024).abs() < 1e-5, "azimuth {}", p.azimuth());
        // `position` differs in pressure, temperature and ΔT only: standard values and an estimate.
        let place = Place { latitude_deg: 39.742476, longitude_deg: -105.1786, altitude_m: 1830.14 };
        let ours = position(place, when).unwrap();
        assert!((ours.zenith_deg() - 50.11162).abs() < 1e-3, "zenith {}", ours.zenith_deg());
        assert!((ours.azimuth_deg - 194.34024).abs() < 1e-3, "azimuth {}", ours.azimuth_deg);
    }

    /// Independent: the minimum of the positions at every minute of the night, in both hemispheres and inside the polar circle.
    #[test]
    fn the_lowest_elevation_is_that_of_the_lower_transit() {
        for (latitude_deg, date) in
            [(48.0, "2026-08-20"), (58.0, "2026-06-21"), (-33.0, "2026-12-21"), (70.0, "2026-03-01")]
        {
            let place = Place { latitude_deg, longitude_deg: 11.0, altitude_m: 0.0 };
            let noon = UtcMicros::parse(&format!("{date}T11:00:00Z")).unwrap();
            let scan = (0..1440).filter_map(|m| position(place, noon.plus_seconds(60.0 * f64::from(m))));
            let want = scan.map(|s| s.elevation_deg).fold(90.0, f64::min);
            for hours in [6.0, 10.0, 14.0, 18.0] {
                let got = lowest_elevation_deg(place, noon.plus_seconds(3600.0 * hours)).unwrap();
                assert!((got - want).abs() < 0.25, "{latitude_deg}° {date} +{hours} h: want {want}, got {got}");
            }
        }
    }

    /// Independent: pvlib 0.16.1 `alt2pres`.
    #[test]
    fn pressure_falls_as_in_the_standard_atmosphere() {
        /// Both implementations have constants of six digits.
        const ROUNDED: f64 = 2.5e-5;
        for (altitude_m, want) in
            [(0.0, 1013.25), (420.0, 963.802_416), (1830.14, 811.864_656), (3000.0, 701.089_882), (8000.0, 356.004_96)]
        {
            let got = standard_pressure_hpa(altitude_m);
            assert!((got / want - 1.0).abs() < ROUNDED, "{altitude_m} m: want {want} hPa, got {got} hPa");
        }
    }

    /// Independent: pvlib 0.16.1 `get_relative_airmass(z, "kastenyoung1989")`.
    #[test]
    fn air_mass_is_kasten_and_youngs() {
        for (zenith, want) in [(0.0, 0.99971199), (48.236, 1.49932770), (75.0, 3.81291187), (88.0, 19.43324511)] {
            let got = relative_air_mass(90.0 - zenith).unwrap();
            assert!((got - want).abs() < 1e-7 * want, "zenith {zenith}: want {want}, got {got}");
        }
        assert_eq!(relative_air_mass(-0.1), None);
        assert_eq!(relative_air_mass(f64::NAN), None);
    }

    /// Independent: pvlib 0.16.1 `get_extra_radiation(day, 1361, method="spencer")`.
    #[test]
    fn distance_follows_spencer() {
        for (date, want) in [("2026-01-03", 1408.74030642), ("2026-07-04", 1315.52814097)] {
            let got = 1361.0 * inverse_distance_squared(UtcMicros::parse(&format!("{date}T12:00:00Z")).unwrap());
            assert!((got - want).abs() < 0.05, "{date}: want {want}, got {got}");
        }
    }
}
