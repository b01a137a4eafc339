//! A pause between readings, in which darks may be taken.

use super::metadata::darkest_by_lowest_deg;
use crate::clock::UtcMicros;
use crate::moon;
use crate::night_sky::NightSky;
use crate::sun::{self, Place, Sun};

/// Time kept free before the next tick [s]: the exchange that prepares its reading.
const MARGIN_S: f64 = 2.0;
/// While a gate is closed, darks take at most so long at one tick [s], so that a gate that opens is not missed by much.
pub const CLOSED_GATE_S: f64 = 300.0;

/// Illuminance of the sky up to which a night dark may serve in daylight [lx].
const DAYLIGHT_DARK_LX: f64 = 0.02;

/// Sun and moon of a night.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Night {
    /// Apparent elevation of the sun now [degrees].
    pub sun_deg: f64,
    /// The lowest it gets in this night [degrees].
    pub lowest_deg: f64,
    /// What sun and moon may send to the sky.
    pub sky: NightSky,
}

impl Night {
    /// At a place, by the sun's position at an instant.
    pub fn at(place: Place, sun: Sun, t: UtcMicros) -> Self {
        let sky = NightSky::of(sun.elevation_deg, moon::position(place, t));
        Self { sun_deg: sun.elevation_deg, lowest_deg: sun::lowest_of(place, sun), sky }
    }

    /// Whether a dark may be taken for the readings of the day, with the sun below a limit [degrees].
    pub fn allows_darks(&self, below_deg: f64) -> bool {
        self.sun_deg < below_deg && self.sky.total_lx() <= DAYLIGHT_DARK_LX
    }

    /// Whether this night is as dark as it gets, for the readings of the night: the sun below −18°, or within 1.5° of its lowest in a night that does not
    /// get so dark, and the moon below −1°.
    pub fn is_darkest(&self) -> bool {
        self.sun_deg < darkest_by_lowest_deg(self.lowest_deg) && self.sky.moonless
    }
}

/// A pause between readings.
#[derive(Clone, Copy, Debug)]
pub struct DarkPause<'a> {
    /// The time.
    pub now: UtcMicros,
    /// Time until the next reading [s].
    pub free_s: f64,
    /// The shortest such time on this schedule [s]: after a reading that takes all the time it may.
    pub shortest_s: f64,
    /// Integration times the last reading used [s].
    pub used_s: &'a [f64],
    /// Sun and moon; `None` when unknown, which is never night.
    pub night: Option<Night>,
    /// Detector temperature [°C]; `None` without a sensor.
    pub temperature_c: Option<f64>,
}

impl DarkPause<'_> {
    /// The pause from now until the next tick, of a schedule whose readings take at most `budget_s` [s] from their tick on;
    /// endless where no tick follows.
    pub fn between(tick: UtcMicros, now: UtcMicros, next: Option<UtcMicros>, budget_s: f64) -> Self {
        let until_next_s = |from: UtcMicros| next.map_or(f64::INFINITY, |n| n.seconds_since(from) - MARGIN_S);
        let (free_s, shortest_s) = (until_next_s(now), until_next_s(tick) - budget_s);
        Self { now, free_s, shortest_s, used_s: &[], night: None, temperature_c: None }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TICK: UtcMicros = UtcMicros(1_800_000_000_000_000);

    /// Identity: the time until the next tick less the margin, and less the budget for the shortest pause.
    #[test]
    fn a_pause_ends_before_the_next_tick() {
        let pause = DarkPause::between(TICK, TICK.plus_seconds(9.0), Some(TICK.plus_seconds(60.0)), 20.0);
        assert_eq!((pause.free_s, pause.shortest_s), (49.0, 38.0));
    }

    /// Identity: a reading that overran its tick leaves no time at all, which is not an error.
    #[test]
    fn a_reading_that_overran_leaves_no_pause() {
        let pause = DarkPause::between(TICK, TICK.plus_seconds(61.0), Some(TICK.plus_seconds(60.0)), 20.0);
        assert_eq!(pause.free_s, -3.0);
    }

    /// Identity: after the last tick of a schedule there is time for any dark.
    #[test]
    fn without_a_next_tick_the_pause_is_endless() {
        let pause = DarkPause::between(TICK, TICK, None, 20.0);
        assert_eq!((pause.free_s, pause.shortest_s), (f64::INFINITY, f64::INFINITY));
    }

    /// A night without a moon.
    fn moonless(sun_deg: f64, lowest_deg: f64) -> Night {
        Night { sun_deg, lowest_deg, sky: NightSky { moonless: true, ..NightSky::default() } }
    }

    /// Identity: −18° where the sun sinks below it; in a lighter night the last 1.5° above its lowest; never under the moon.
    #[test]
    fn the_darkest_part_of_a_light_night_is_near_its_lowest_sun() {
        let darkest = |sun_deg, lowest_deg| moonless(sun_deg, lowest_deg).is_darkest();
        for (lowest, limit) in [(-40.0, -18.0), (-19.5, -18.0), (-16.0, -14.5), (-9.0, -7.5)] {
            assert!(darkest(limit - 0.01, lowest) && !darkest(limit + 0.01, lowest), "{lowest}°");
        }
        let moonlit = Night { sky: NightSky { moonless: false, ..NightSky::default() }, ..moonless(-30.0, -40.0) };
        assert!(!moonlit.is_darkest());
    }

    /// Independent: ephem 4.2.1, sun and moon every 10 minutes of 2026 at 52° north, 5° east, without refraction, with the illuminances of
    /// [`crate::night_sky`]: nights without a moment for the darks of the day (21), with the sun below −12° and the moon below −1° (74),
    /// and with the sun below −18° and the moon below −1° (144). Nights that meet a rule for minutes only may differ.
    #[test]
    fn nights_without_a_moment_for_darks_are_as_many_as_by_an_ephemeris() {
        const MINUTES_ONLY: i32 = 3;
        let place = Place { latitude_deg: 52.0, longitude_deg: 5.0, altitude_m: 0.0 };
        let noon = UtcMicros::parse("2026-01-01T12:00:00Z").unwrap();
        let mut without = [0; 3];
        for day in 0..365 {
            let mut met = [false; 3];
            for step in 0..144 {
                let t = noon.plus_seconds(86_400.0 * f64::from(day) + 600.0 * f64::from(step));
                let Some(sun) = sun::position(place, t).filter(|sun| sun.elevation_deg < -12.0) else { continue };
                let night = Night::at(place, sun, t);
                met[0] |= night.allows_darks(-12.0);
                met[1] |= night.sky.moonless;
                met[2] |= night.sky.moonless && night.sun_deg < -18.0;
            }
            without.iter_mut().zip(met).for_each(|(n, met)| *n += i32::from(!met));
        }
        for (found, want) in without.into_iter().zip([21, 74, 144]) {
            assert!((found - want).abs() <= MINUTES_ONLY, "{without:?}");
        }
    }
}
