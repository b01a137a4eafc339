//! Position and phase of the moon, to some arc minutes, by short series.
//!
//! Pure: no clock, no I/O, no state. Good for a century about the year 2000; only the light of the moon depends on it, to which a tenth of a
//! degree means less than 1 %. Sources: longitude and latitude by the fourteen and seven largest terms of Brown's theory as in
//! Montenbruck & Pfleger, Astronomy on the Personal Computer ("MiniMoon", from memory); horizontal parallax and the sun's longitude by the
//! low-precision formulas of the Astronomical Almanac (from memory); refraction by Saemundsson 1986 (from memory). Their coefficients
//! are held against an outside ephemeris in `tests/references`.

use crate::clock::UtcMicros;
use crate::sun::Place;
use std::f64::consts::TAU;

/// 2000-01-01T12:00:00Z [s since 1970].
const J2000_S: f64 = 946_728_000.0;
/// Days in a Julian century.
const CENTURY_DAYS: f64 = 36_525.0;
/// Arc seconds in a radian.
const ARC_SECONDS: f64 = 206_264.806_247;
/// Obliquity of the ecliptic in 2000 [degrees], and its change [degrees/century].
const OBLIQUITY_DEG: (f64, f64) = (23.439_291, -0.013_004);

/// The moon as seen from a place at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moon {
    /// Apparent topocentric elevation [degrees]: with parallax and, from −1° on, refraction in a standard atmosphere.
    pub elevation_deg: f64,
    /// Geocentric angle between moon and sun [degrees]: 0 at new moon, 180 at full moon.
    pub elongation_deg: f64,
    /// Equatorial horizontal parallax [degrees]: 0.90 far away to 1.02 near.
    pub parallax_deg: f64,
}

impl Moon {
    /// Illuminated share of the disc [1], from the elongation: within 0.003.
    pub fn illuminated(&self) -> f64 {
        0.5 * (1.0 - self.elongation_deg.to_radians().cos())
    }
}

/// Mean arguments of the moon's motion [rad].
struct Arguments {
    /// Mean longitude of the moon.
    longitude: f64,
    /// Mean anomaly of the moon.
    l: f64,
    /// Mean anomaly of the sun.
    sun: f64,
    /// Mean elongation of the moon from the sun.
    d: f64,
    /// Distance of the moon from its ascending node.
    f: f64,
}

impl Arguments {
    /// At Julian centuries since 2000.
    fn at(t: f64) -> Self {
        let turns = |x: f64| TAU * x.rem_euclid(1.0);
        Self {
            longitude: turns(0.606_433 + 1_336.855_225 * t),
            l: turns(0.374_897 + 1_325.552_410 * t),
            sun: turns(0.993_133 + 99.997_361 * t),
            d: turns(0.827_361 + 1_236.853_086 * t),
            f: turns(0.259_086 + 1_342.227_825 * t),
        }
    }

    /// Ecliptic longitude and latitude of the moon [rad].
    fn ecliptic(&self) -> (f64, f64) {
        let Self { l, sun, d, f, .. } = *self;
        let longitude_terms = [
            (22_640.0, l),
            (-4_586.0, l - 2.0 * d),
            (2_370.0, 2.0 * d),
            (769.0, 2.0 * l),
            (-668.0, sun),
            (-412.0, 2.0 * f),
            (-212.0, 2.0 * l - 2.0 * d),
            (-206.0, l + sun - 2.0 * d),
            (192.0, l + 2.0 * d),
            (-165.0, sun - 2.0 * d),
            (-125.0, d),
            (-110.0, l + sun),
            (148.0, l - sun),
            (-55.0, 2.0 * f - 2.0 * d),
        ];
        let sum = |terms: &[(f64, f64)]| terms.iter().map(|(a, x)| a * x.sin()).sum::<f64>();
        let shift = sum(&longitude_terms);
        let h = f - 2.0 * d;
        let latitude_terms = [
            (-526.0, h),
            (44.0, l + h),
            (-31.0, h - l),
            (-23.0, sun + h),
            (11.0, h - sun),
            (-25.0, f - 2.0 * l),
            (21.0, f - l),
        ];
        let node = f + (shift + 412.0 * (2.0 * f).sin() + 541.0 * sun.sin()) / ARC_SECONDS;
        let latitude = (18_520.0 * node.sin() + sum(&latitude_terms)) / ARC_SECONDS;
        (self.longitude + shift / ARC_SECONDS, latitude)
    }

    /// Equatorial horizontal parallax [degrees].
    fn parallax_deg(&self) -> f64 {
        let Self { l, d, .. } = *self;
        0.9508 + 0.0518 * l.cos() + 0.0095 * (l - 2.0 * d).cos() + 0.0078 * (2.0 * d).cos() + 0.0028 * (2.0 * l).cos()
    }
}

/// Ecliptic longitude of the sun [rad] at days since 2000.
fn sun_longitude(days: f64) -> f64 {
    let g = (357.528 + 0.985_600_3 * days).to_radians();
    (280.460 + 0.985_647_4 * days + 1.915 * g.sin() + 0.020 * (2.0 * g).sin()).to_radians()
}

/// The moon at a place and an instant.
pub fn position(place: Place, t: UtcMicros) -> Moon {
    // The difference between universal and dynamical time, a minute, moves the moon by half an arc minute.
    let days = (t.seconds() - J2000_S) / 86_400.0;
    let centuries = days / CENTURY_DAYS;
    let arguments = Arguments::at(centuries);
    let (longitude, latitude) = arguments.ecliptic();
    let obliquity = (OBLIQUITY_DEG.0 + OBLIQUITY_DEG.1 * centuries).to_radians();
    let x = latitude.cos() * longitude.cos();
    let y = obliquity.cos() * latitude.cos() * longitude.sin() - obliquity.sin() * latitude.sin();
    let z = obliquity.sin() * latitude.cos() * longitude.sin() + obliquity.cos() * latitude.sin();
    let sidereal = (280.460_618_37 + 360.985_647_366_29 * days + place.longitude_deg).to_radians();
    let hour_angle = sidereal - y.atan2(x);
    let phi = place.latitude_deg.to_radians();
    let sine = phi.sin() * z + phi.cos() * z.clamp(-1.0, 1.0).asin().cos() * hour_angle.cos();
    let geocentric_deg = sine.clamp(-1.0, 1.0).asin().to_degrees();
    let parallax_deg = arguments.parallax_deg();
    let topocentric_deg = geocentric_deg - parallax_deg * geocentric_deg.to_radians().cos();
    let elongation = (latitude.cos() * (longitude - sun_longitude(days)).cos()).clamp(-1.0, 1.0).acos();
    Moon {
        elevation_deg: topocentric_deg + refraction_deg(topocentric_deg),
        elongation_deg: elongation.to_degrees(),
        parallax_deg,
    }
}

/// Refraction at a true elevation [degrees]; 0 below −1°.
fn refraction_deg(true_deg: f64) -> f64 {
    if true_deg < -1.0 {
        return 0.0;
    }
    1.02 / (true_deg + 10.3 / (true_deg + 5.11)).to_radians().tan() / 60.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Independent: ephem 4.2.1, `next_full_moon` and `next_new_moon` of 2026.
    #[test]
    fn full_and_new_moons_are_those_of_an_ephemeris() {
        let place = Place { latitude_deg: 48.0, longitude_deg: 11.0, altitude_m: 0.0 };
        let elongation = |t: &str| position(place, UtcMicros::parse(t).unwrap()).elongation_deg;
        assert!(elongation("2026-08-28T04:18:00Z") > 179.0, "partly eclipsed: {}", elongation("2026-08-28T04:18:00Z"));
        assert!(elongation("2026-08-12T17:37:00Z") < 1.0, "total eclipse of the sun");
    }

    /// Identity: elevations stay in range, and a moon below the horizon is not refracted above it.
    #[test]
    fn elevations_are_finite_everywhere() {
        for latitude_deg in [-90.0, -30.0, 0.0, 66.0, 90.0] {
            let place = Place { latitude_deg, longitude_deg: -120.0, altitude_m: 0.0 };
            for hour in 0..700 {
                let moon = position(
                    place,
                    UtcMicros::parse("2026-01-01T00:00:00Z").unwrap().plus_seconds(3600.0 * f64::from(hour)),
                );
                assert!(moon.elevation_deg.abs() <= 90.5 && (0.0..=180.0).contains(&moon.elongation_deg), "{moon:?}");
                assert!((0.88..1.04).contains(&moon.parallax_deg), "{moon:?}");
            }
        }
    }
}
