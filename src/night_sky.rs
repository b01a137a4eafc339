//! Illuminance of a clear night sky by twilight and moon, and what of it may be in a dark.
//!
//! Source: Janiczek & DeYoung 1987, U.S. Naval Observatory Circular 171: polynomials of log₁₀ of the horizontal illuminance [lx] in the
//! elevation over 90°, and the law of the moon's phase (from memory; the moon's coefficients also in the public function
//! `celestial.SolarSys.moonlight` by E. O. Ofek). Pure. Clouds, snow and lamps are not in it: the sky's own light and that of lamps is a key of the
//! configuration.

use crate::clock::UtcMicros;
use crate::moon::{self, Moon};
use crate::sun::{self, Place};

/// Ranges of elevation [degrees], from the lower end on, with their coefficients, for the sun.
const SUN: [(f64, [f64; 4]); 6] = [
    (20.0, [3.74, 3.97, -4.07, 1.47]),
    (5.0, [3.05, 13.28, -45.98, 64.33]),
    (-0.8, [2.88, 22.26, -207.64, 1034.30]),
    (-5.0, [2.88, 21.81, -258.11, -858.36]),
    (-12.0, [2.70, 12.17, -431.69, -1899.83]),
    (-18.0, [13.84, 262.72, 1447.42, 2797.93]),
];
/// The same for the full moon at mean distance.
const MOON: [(f64, [f64; 4]); 3] = [
    (20.0, [-1.95, 4.06, -4.24, 1.56]),
    (5.0, [-2.58, 12.58, -42.58, 59.06]),
    (-0.8, [-2.79, 24.27, -252.95, 1321.29]),
];
/// Parallax of the moon at mean distance [degrees].
const MEAN_PARALLAX_DEG: f64 = 0.951;

/// The moon below this sends no light to the sky [degrees].
pub const MOON_DARK_DEG: f64 = -1.0;

/// Illuminance of the clear sky at a night [lx].
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct NightSky {
    /// By the sun below the horizon.
    pub twilight_lx: f64,
    /// By the moon.
    pub moon_lx: f64,
    /// The moon is below −1° and lights nothing.
    pub moonless: bool,
}

impl NightSky {
    /// At a place; `None` where the sun's position is not known.
    pub fn at(place: Place, t: UtcMicros) -> Option<Self> {
        Some(Self::of(sun::position(place, t)?.elevation_deg, moon::position(place, t)))
    }

    /// For an elevation of the sun [degrees] and a moon.
    pub fn of(sun_deg: f64, moon: Moon) -> Self {
        Self {
            twilight_lx: sun_illuminance_lx(sun_deg),
            moon_lx: moon_illuminance_lx(moon),
            moonless: moon.elevation_deg < MOON_DARK_DEG,
        }
    }

    /// Both together [lx].
    pub fn total_lx(&self) -> f64 {
        self.twilight_lx + self.moon_lx
    }
}

/// Horizontal illuminance by the sun at an apparent elevation [degrees] under a clear sky [lx]; 0 below −18°.
pub fn sun_illuminance_lx(elevation_deg: f64) -> f64 {
    polynomial(&SUN, elevation_deg)
}

/// Horizontal illuminance by the moon under a clear sky [lx]; 0 below −0.8°.
pub fn moon_illuminance_lx(moon: Moon) -> f64 {
    let from_full = 180.0 - moon.elongation_deg;
    let phase = 10f64.powf(-8.68e-3 * from_full - 2.2e-9 * from_full.powi(4));
    polynomial(&MOON, moon.elevation_deg) * phase * (moon.parallax_deg / MEAN_PARALLAX_DEG).powi(2)
}

fn polynomial(ranges: &[(f64, [f64; 4])], elevation_deg: f64) -> f64 {
    let x = elevation_deg.min(90.0) / 90.0;
    let range = ranges.iter().find(|(from, _)| elevation_deg >= *from);
    range.map_or(0.0, |(_, c)| 10f64.powf(c[0] + x * (c[1] + x * (c[2] + x * c[3]))))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn full(elevation_deg: f64) -> Moon {
        Moon { elevation_deg, elongation_deg: 180.0, parallax_deg: MEAN_PARALLAX_DEG }
    }

    /// Published: usual illuminances of clear nights (CIE, IES and textbooks, from memory): full moon in the zenith 0.27 lx; 3.4 lx at −6°
    /// (bevy_light 0.20.1, `CIVIL_TWILIGHT`), 0.008 lx at −12°, 0.0006 lx at −18°; within 15 %.
    #[test]
    fn twilight_and_moonlight_are_those_of_textbooks() {
        let close = |got: f64, want: f64| assert!((got / want - 1.0).abs() < 0.15, "want {want} lx, got {got} lx");
        close(moon_illuminance_lx(full(90.0)), 0.27);
        for (deg, want) in [(-6.0, 3.4), (-12.0, 0.008), (-18.0, 0.000_6)] {
            close(sun_illuminance_lx(deg), want);
        }
    }

    /// Identity: the pieces of the polynomials join within 6 %, below their ends there is no light, and more of the disc gives more light.
    #[test]
    fn illuminance_is_continuous_and_grows_with_height_and_phase() {
        let joins = |of: &dyn Fn(f64) -> f64, at: f64| {
            let (below, above) = (of(at - 1e-6), of(at));
            assert!((below / above - 1.0).abs() < 0.06, "{at}°: {below} and {above}");
        };
        for at in [20.0, 5.0, -0.8, -5.0, -12.0] {
            joins(&sun_illuminance_lx, at);
        }
        for at in [20.0, 5.0] {
            joins(&|deg| moon_illuminance_lx(full(deg)), at);
        }
        assert_eq!((sun_illuminance_lx(-18.1), moon_illuminance_lx(full(-0.9))), (0.0, 0.0));
        let rising = |of: &dyn Fn(f64) -> f64, range: std::ops::Range<i32>| {
            range.clone().zip(range.skip(1)).all(|(a, b)| of(f64::from(b)) > of(f64::from(a)))
        };
        assert!(rising(&sun_illuminance_lx, -17..80) && rising(&|deg| moon_illuminance_lx(full(deg)), 0..80));
        let phase = |elongation_deg| moon_illuminance_lx(Moon { elongation_deg, ..full(40.0) });
        assert!(rising(&phase, 0..180));
        assert!((0.05..0.12).contains(&(phase(90.0) / phase(180.0))), "half moon: {}", phase(90.0) / phase(180.0));
        assert_eq!(sun_illuminance_lx(f64::NAN), 0.0);
    }
}
