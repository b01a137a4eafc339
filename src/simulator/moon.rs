//! The simulator's moon: its path over the sky and the brightness of its phases.
//!
//! From other formulas than the program's own moon: orbital elements with the largest perturbations (P. Schlyter, "Computing
//! planetary positions", from memory; good to a few arc minutes) instead of a series of mean arguments, and the magnitudes of
//! Allen's Astrophysical Quantities as in Krisciunas & Schaefer 1991, PASP 103:1033 (equation 9, from memory), instead of a fit of illuminances. How
//! the air weakens and scatters the light is left to the sky that shows the sun.

use crate::clock::UtcMicros;
use crate::sun::Place;

/// 1999-12-31T00:00:00Z, day 0 of the elements [s since 1970].
const EPOCH_S: f64 = 946_598_400.0;
/// Mean distance of the moon [radii of the Earth].
const MEAN_DISTANCE: f64 = 60.2666;

/// The moon at an instant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moon {
    /// Topocentric elevation without refraction [degrees].
    pub elevation_deg: f64,
    /// Light outside the atmosphere relative to the full moon at mean distance [1].
    pub brightness: f64,
}

/// Mean anomaly and argument of perigee of the sun [degrees] on a day.
fn sun_elements(day: f64) -> (f64, f64) {
    (356.0470 + 0.985_600_258_5 * day, 282.9404 + 4.709_35e-5 * day)
}

fn sin(deg: f64) -> f64 {
    deg.to_radians().sin()
}

fn cos(deg: f64) -> f64 {
    deg.to_radians().cos()
}

/// Ecliptic longitude and latitude [degrees] and distance [radii of the Earth] of the moon on a day.
fn ecliptic(day: f64) -> (f64, f64, f64) {
    let node = 125.1228 - 0.052_953_808_3 * day;
    let perigee = 318.0634 + 0.164_357_322_3 * day;
    let (inclination, e, m) = (5.1454, 0.054_900, 115.3654 + 13.064_992_950_9 * day);
    // Kepler's equation, in degrees.
    let mut anomaly = m + (e * sin(m) * (1.0 + e * cos(m))).to_degrees();
    for _ in 0..4 {
        anomaly -= (anomaly - (e * sin(anomaly)).to_degrees() - m) / (1.0 - e * cos(anomaly));
    }
    let (x, y) = (MEAN_DISTANCE * (cos(anomaly) - e), MEAN_DISTANCE * (1.0f64 - e * e).sqrt() * sin(anomaly));
    let (distance, on_orbit) = (x.hypot(y), y.atan2(x).to_degrees() + perigee);
    let flat = [
        cos(node) * cos(on_orbit) - sin(node) * sin(on_orbit) * cos(inclination),
        sin(node) * cos(on_orbit) + cos(node) * sin(on_orbit) * cos(inclination),
        sin(on_orbit) * sin(inclination),
    ];
    let longitude = flat[1].atan2(flat[0]).to_degrees();
    let latitude = flat[2].clamp(-1.0, 1.0).asin().to_degrees();
    let (sun_m, sun_w) = sun_elements(day);
    let mean = node + perigee + m;
    let (d, f) = (mean - (sun_m + sun_w), mean - node);
    let longitude_by = -1.274 * sin(m - 2.0 * d) + 0.658 * sin(2.0 * d)
        - 0.186 * sin(sun_m)
        - 0.059 * sin(2.0 * m - 2.0 * d)
        - 0.057 * sin(m - 2.0 * d + sun_m)
        + 0.053 * sin(m + 2.0 * d)
        + 0.046 * sin(2.0 * d - sun_m)
        + 0.041 * sin(m - sun_m)
        - 0.035 * sin(d)
        - 0.031 * sin(m + sun_m)
        - 0.015 * sin(2.0 * f - 2.0 * d)
        + 0.011 * sin(m - 4.0 * d);
    let latitude_by = -0.173 * sin(f - 2.0 * d) - 0.055 * sin(m - f - 2.0 * d) - 0.046 * sin(m + f - 2.0 * d)
        + 0.033 * sin(f + 2.0 * d)
        + 0.017 * sin(2.0 * m + f);
    let distance_by = -0.58 * cos(m - 2.0 * d) - 0.46 * cos(2.0 * d);
    (longitude + longitude_by, latitude + latitude_by, distance + distance_by)
}

/// Ecliptic longitude of the sun on a day [degrees].
fn sun_longitude(day: f64) -> f64 {
    let (m, w) = sun_elements(day);
    let e = 0.016_709;
    m + w + (2.0 * e * sin(m) + 1.25 * e * e * sin(2.0 * m)).to_degrees()
}

/// The moon over a place.
pub fn moon(place: Place, t: UtcMicros) -> Moon {
    let day = (t.seconds() - EPOCH_S) / 86_400.0;
    let (longitude, latitude, distance) = ecliptic(day);
    let tilt = 23.4393 - 3.563e-7 * day;
    let (x, y0, z0) = (cos(longitude) * cos(latitude), sin(longitude) * cos(latitude), sin(latitude));
    let (y, z) = (y0 * cos(tilt) - z0 * sin(tilt), y0 * sin(tilt) + z0 * cos(tilt));
    let (ascension, declination) = (y.atan2(x).to_degrees(), z.clamp(-1.0, 1.0).asin().to_degrees());
    // Sidereal time from the sun's mean longitude, as these elements have it.
    let (sun_m, sun_w) = sun_elements(day);
    let sidereal = sun_m + sun_w + 180.0 + 360.0 * day.rem_euclid(1.0) + place.longitude_deg;
    let height = (sin(place.latitude_deg) * sin(declination)
        + cos(place.latitude_deg) * cos(declination) * cos(sidereal - ascension))
    .clamp(-1.0, 1.0)
    .asin()
    .to_degrees();
    let parallax = (cos(height) / distance).clamp(-1.0, 1.0).asin().to_degrees();
    let elongation = (cos(latitude) * cos(longitude - sun_longitude(day))).clamp(-1.0, 1.0).acos().to_degrees();
    let phase_angle = 180.0 - elongation;
    let magnitude = 0.026 * phase_angle + 4e-9 * phase_angle.powi(4);
    Moon {
        elevation_deg: height - parallax,
        brightness: 10f64.powf(-0.4 * magnitude) * (MEAN_DISTANCE / distance).powi(2),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Independent: the program's own moon, which has other formulas, over a year: elevations within half a degree (refraction apart), and
    /// the brightness of the half moon about a tenth of the full moon's.
    #[test]
    fn the_path_is_that_of_other_formulas() {
        let place = Place { latitude_deg: 48.0, longitude_deg: 11.0, altitude_m: 300.0 };
        let start = UtcMicros::parse("2026-01-01T00:00:00Z").unwrap();
        for step in 0..2000 {
            let t = start.plus_seconds(4.4 * 3600.0 * f64::from(step));
            let (own, other) = (moon(place, t), crate::moon::position(place, t));
            let apart = own.elevation_deg - other.elevation_deg;
            assert!(
                apart.abs() < 0.2 || (other.elevation_deg < 10.0 && apart.abs() < 0.7),
                "{t}: {own:?} and {other:?}"
            );
            if (other.elongation_deg - 90.0).abs() < 2.0 {
                assert!((0.06..0.14).contains(&own.brightness), "{t}: {own:?}");
            }
            if other.elongation_deg > 178.0 {
                assert!((0.8..1.2).contains(&own.brightness), "{t}: {own:?}");
            }
        }
    }
}
