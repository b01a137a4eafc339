//! A pause between readings, in which darks may be taken.

use super::metadata::darkest_by_lowest_deg;
use crate::clock::UtcMicros;
use crate::sun::{self, Place, Sun};

/// Time kept free before the next tick [s]: the exchange that prepares its reading.
const MARGIN_S: f64 = 2.0;
/// While a gate is closed, darks take at most so long at one tick [s], so that a gate that opens is not missed by much.
pub const CLOSED_GATE_S: f64 = 300.0;

/// The sun of a night.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NightSun {
    /// Apparent elevation now [degrees].
    pub elevation_deg: f64,
    /// The lowest it gets in this night [degrees].
    pub lowest_deg: f64,
}

impl NightSun {
    /// At a place.
    pub fn at(place: Place, sun: Sun) -> Self {
        Self { elevation_deg: sun.elevation_deg, lowest_deg: sun::lowest_of(place, sun) }
    }

    /// Elevation below which this night is as dark as it gets [degrees].
    pub fn darkest_below_deg(self) -> f64 {
        darkest_by_lowest_deg(self.lowest_deg)
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
    /// The sun; `None` when unknown, which is never night.
    pub sun: Option<NightSun>,
    /// Detector temperature [°C]; `None` without a sensor.
    pub temperature_c: Option<f64>,
}

impl DarkPause<'_> {
    /// The pause from now until the next tick, of a schedule whose readings take at most `budget_s` [s] from their tick on;
    /// endless where no tick follows.
    pub fn between(tick: UtcMicros, now: UtcMicros, next: Option<UtcMicros>, budget_s: f64) -> Self {
        let until_next_s = |from: UtcMicros| next.map_or(f64::INFINITY, |n| n.seconds_since(from) - MARGIN_S);
        let (free_s, shortest_s) = (until_next_s(now), until_next_s(tick) - budget_s);
        Self { now, free_s, shortest_s, used_s: &[], sun: None, temperature_c: None }
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

    /// Identity: −18° where the sun sinks below it; in a lighter night the last 1.5° above its lowest.
    #[test]
    fn the_darkest_part_of_a_light_night_is_near_its_lowest_sun() {
        let of = |lowest_deg| NightSun { elevation_deg: 0.0, lowest_deg }.darkest_below_deg();
        assert_eq!((of(-40.0), of(-19.5), of(-16.0), of(-9.0)), (-18.0, -18.0, -14.5, -7.5));
    }
}
