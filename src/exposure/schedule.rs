//! Schedule of one instrument: cron ticks in UTC, and gates that close some of them.
//!
//! Ticks are computed in UTC: a cron expression in local time repeats or skips ticks when the clocks change. Local time is
//! used by a gate only, which compares the local time of a known instant. Pure. Invariants:
//!
//! - a tick that a gate closes is not a gap;
//! - a tick during a reading is missed ([`Schedule::missed`]), which is a gap; it is never queued.

use crate::clock::UtcMicros;
use crate::config::cron as cron_ticks;
use crate::config::{ScheduleConfig, Station, in_window};
use crate::sun::{self, Place};
use jiff::tz::TimeZone;

/// Number of ticks that [`Schedule::next_open`] examines at most.
const MAX_TICKS_EXAMINED: usize = 100_000;

/// Number of missed ticks that are listed at most: a clock that is set by years must not exhaust the memory.
const MAX_MISSED: usize = 100_000;

/// Whether a tick is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gate {
    /// It is read.
    Open,
    /// It is skipped; this is not a gap.
    Closed,
}

/// Ticks and gates of one instrument.
#[derive(Clone, Debug)]
pub struct Schedule {
    cron: cron::Schedule,
    check_source: Option<cron::Schedule>,
    sun_above_deg: Option<f64>,
    sun_below_deg: Option<f64>,
    local_window_s: Option<(u32, u32)>,
    place: Place,
    time_zone: TimeZone,
}

impl Schedule {
    /// The schedule of one instrument at a station.
    pub fn new(config: &ScheduleConfig, station: &Station) -> Self {
        Self {
            cron: config.cron.clone(),
            check_source: config.check_source.clone(),
            sun_above_deg: config.sun_above_deg,
            sun_below_deg: config.sun_below_deg,
            local_window_s: config.local_window_s,
            place: station.place,
            time_zone: station.time_zone.clone(),
        }
    }

    /// The first tick strictly after `after`, with its gate open or closed; `None` after the last tick of the expression.
    pub fn next_tick(&self, after: UtcMicros) -> Option<UtcMicros> {
        self.ticks(after).next()
    }

    /// Ticks after `began` up to and including `now`, with open and closed gates; at most [`MAX_MISSED`].
    fn ticks_between(&self, began: UtcMicros, now: UtcMicros) -> impl Iterator<Item = UtcMicros> + '_ {
        self.ticks(began).take_while(move |t| *t <= now).take(MAX_MISSED)
    }

    /// Whether a tick is one of the check source's. At a tick of both schedules the check source is read.
    pub fn is_check_source(&self, tick: UtcMicros) -> bool {
        self.check_source.as_ref().is_some_and(|r| cron_ticks::is_tick(r, tick))
    }

    /// The first tick strictly after `after` with an open gate; `None` where the next 100 000 are closed.
    pub fn next_open(&self, after: UtcMicros) -> Option<UtcMicros> {
        self.ticks(after).take(MAX_TICKS_EXAMINED).find(|t| self.gate(*t) == Gate::Open)
    }

    /// The first tick strictly after `after` with an open gate, or the end of the next `seconds` [s] where there is none
    /// before. Every tick in between is examined, so `seconds` must not exceed some minutes.
    pub fn next_open_within(&self, after: UtcMicros, seconds: f64) -> UtcMicros {
        let end = after.plus_seconds(seconds);
        self.ticks(after).take_while(|t| *t < end).find(|t| self.gate(*t) == Gate::Open).unwrap_or(end)
    }

    /// The last tick after `began` up to and including `now`, with its gate open or closed; `None` where there is none. The
    /// first 100 000 ticks are examined.
    pub fn last_tick(&self, began: UtcMicros, now: UtcMicros) -> Option<UtcMicros> {
        self.ticks_between(began, now).last()
    }

    /// The next three ticks with an open gate, to be shown to the operator; fewer where there are fewer.
    pub fn next_three(&self, after: UtcMicros) -> Vec<UtcMicros> {
        std::iter::successors(self.next_open(after), |t| self.next_open(*t)).take(3).collect()
    }

    /// Ticks with an open gate after `began` up to and including `now`: those that a reading from `began` to `now` made
    /// impossible. The first 100 000 ticks are examined.
    pub fn missed(&self, began: UtcMicros, now: UtcMicros) -> Vec<UtcMicros> {
        self.ticks_between(began, now).filter(|t| self.gate(*t) == Gate::Open).collect()
    }

    /// Ticks after `from` up to and including `to` that the gate lets through, however many.
    pub fn open_ticks(&self, from: UtcMicros, to: UtcMicros) -> impl Iterator<Item = UtcMicros> + '_ {
        self.ticks(from).take_while(move |t| *t <= to).filter(|t| self.gate(*t) == Gate::Open)
    }

    /// Whether the tick at `t` is read. The gate of the sun compares its apparent elevation; the window compares the local
    /// time, start inclusive, end exclusive, and may extend over midnight (equal ends: all day). Gates concern the station's
    /// light and never close a tick of the check source.
    pub fn gate(&self, t: UtcMicros) -> Gate {
        if self.is_check_source(t) {
            return Gate::Open;
        }
        if let Some(window) = self.local_window_s
            && !in_window(window, t.local_second(&self.time_zone))
        {
            return Gate::Closed;
        }
        if self.sun_above_deg.is_some() || self.sun_below_deg.is_some() {
            // Where the sun's position cannot be computed (years beyond ±6000), the gate stays open.
            if let Some(sun) = sun::position(self.place, t) {
                let low = self.sun_above_deg.is_some_and(|limit| sun.elevation_deg <= limit);
                let high = self.sun_below_deg.is_some_and(|limit| sun.elevation_deg >= limit);
                if low || high {
                    return Gate::Closed;
                }
            }
        }
        Gate::Open
    }

    /// Ticks of both schedules strictly after `after`, in order, each once.
    fn ticks(&self, after: UtcMicros) -> impl Iterator<Item = UtcMicros> + '_ {
        let of_schedule = |schedule| cron_ticks::ticks(schedule, after).peekable();
        let mut light = of_schedule(&self.cron);
        let mut check_source = self.check_source.as_ref().map(of_schedule);
        std::iter::from_fn(move || {
            let next_light = light.peek().copied();
            let next_check = check_source.as_mut().and_then(|ticks| ticks.peek().copied());
            let next = [next_light, next_check].into_iter().flatten().min();
            if next_light == next {
                light.next();
            }
            if next_check == next
                && let Some(ticks) = check_source.as_mut()
            {
                ticks.next();
            }
            next
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{DailyConfig, StationKind};

    fn at(text: &str) -> UtcMicros {
        UtcMicros::parse(text).unwrap()
    }

    fn schedule(cron: &str, sun_above: Option<f64>, sun_below: Option<f64>, window: Option<(u32, u32)>) -> Schedule {
        let config = ScheduleConfig {
            cron: cron.parse().unwrap(),
            check_source: None,
            sun_above_deg: sun_above,
            sun_below_deg: sun_below,
            local_window_s: window,
            window_s: None,
        };
        let station = Station {
            name: "Example station".into(),
            kind: StationKind::Roof,
            place: Place { latitude_deg: 47.5, longitude_deg: 8.7, altitude_m: 440.0 },
            time_zone: crate::clock::time_zone("Europe/Zurich").unwrap(),
            day_starts_at_s: 0,
            mains_hz: 0.0,
            ultraviolet_lamps: false,
            lamps_s: vec![],
            lamp_incidence_deg: None,
            glazing: None,
            days: DailyConfig::default(),
        };
        Schedule::new(&config, &station)
    }

    #[test]
    fn ticks_are_evenly_spaced_in_utc_over_both_changes_of_the_clocks() {
        let s = schedule("0 */10 * * * *", None, None, None);
        for start in ["2026-03-01T00:00:00Z", "2026-10-01T00:00:00Z"] {
            let mut t = at(start);
            for _ in 0..(60 * 144) {
                let next = s.next_tick(t).unwrap();
                assert_eq!(next.0 - t.0, 600_000_000, "after {t}");
                t = next;
            }
        }
    }

    /// Also for instants within a second and on a tick itself.
    #[test]
    fn the_next_tick_is_strictly_later() {
        let s = schedule("*/5 * * * * *", None, None, None);
        for (after, want) in [
            ("2026-06-21T12:00:00Z", "2026-06-21T12:00:05Z"),
            ("2026-06-21T12:00:04.999999Z", "2026-06-21T12:00:05Z"),
            ("2026-06-21T12:00:05.000001Z", "2026-06-21T12:00:10Z"),
            ("2026-12-31T23:59:57Z", "2027-01-01T00:00:00Z"),
        ] {
            assert_eq!(s.next_tick(at(after)), Some(at(want)), "after {after}");
        }
    }

    /// The days of the changes are 23 and 25 hours long; 5 to 21 o'clock is 16 hours on each.
    #[test]
    fn the_local_window_follows_local_time_over_both_changes_of_the_clocks() {
        let s = schedule("0 0 * * * *", None, None, Some((5 * 3600, 21 * 3600)));
        for (day, first, last) in [
            ("2026-03-28", "2026-03-28T04:00:00Z", "2026-03-28T19:00:00Z"),
            ("2026-03-29", "2026-03-29T03:00:00Z", "2026-03-29T18:00:00Z"),
            ("2026-10-25", "2026-10-25T04:00:00Z", "2026-10-25T19:00:00Z"),
        ] {
            let mut open = Vec::new();
            let mut t = at(&format!("{day}T00:00:00Z")).plus_seconds(-1.0);
            while let Some(next) =
                s.next_open(t).filter(|n| *n < at(&format!("{day}T00:00:00Z")).plus_seconds(86_400.0))
            {
                open.push(next);
                t = next;
            }
            assert_eq!((open.len(), open[0], open[15]), (16, at(first), at(last)), "{day}");
        }
    }

    /// Start inclusive, end exclusive.
    #[test]
    fn a_window_may_extend_over_midnight() {
        let s = schedule("0 0 * * * *", None, None, Some((22 * 3600, 3 * 3600)));
        for (t, gate) in [
            ("2026-01-10T20:59:59Z", Gate::Closed),
            ("2026-01-10T21:00:00Z", Gate::Open),
            ("2026-01-11T01:59:59Z", Gate::Open),
            ("2026-01-11T02:00:00Z", Gate::Closed),
        ] {
            assert_eq!(s.gate(at(t)), gate, "{t}");
        }
    }

    /// Both limits together leave twilight only.
    #[test]
    fn the_elevation_of_the_sun_opens_and_closes_the_gate() {
        let noon = at("2026-06-21T11:30:00Z");
        let midnight = at("2026-06-21T23:30:00Z");
        assert_eq!(schedule("0 * * * * *", Some(-6.0), None, None).gate(noon), Gate::Open);
        assert_eq!(schedule("0 * * * * *", Some(-6.0), None, None).gate(midnight), Gate::Closed);
        assert_eq!(schedule("0 * * * * *", None, Some(-12.0), None).gate(noon), Gate::Closed);
        assert_eq!(schedule("0 * * * * *", None, Some(-12.0), None).gate(midnight), Gate::Open);
        let twilight = schedule("0 * * * * *", Some(-6.0), Some(0.0), None);
        let next = twilight.next_three(noon);
        assert_eq!(next.len(), 3);
        for t in next {
            let e = sun::position(twilight.place, t).unwrap().elevation_deg;
            assert!(-6.0 < e && e < 0.0, "{t}: {e}");
        }
        assert_eq!(
            schedule("0 * * * * *", Some(89.0), None, None).next_open(noon),
            None,
            "the sun never rises so high"
        );
    }

    #[test]
    fn ticks_with_an_open_gate_during_a_reading_are_missed() {
        let s = schedule("*/10 * * * * *", None, None, Some((0, 13 * 3600)));
        let began = at("2026-01-10T11:59:30Z");
        assert_eq!(s.missed(began, at("2026-01-10T11:59:39.9Z")), []);
        assert_eq!(
            s.missed(began, at("2026-01-10T12:00:25Z")),
            [at("2026-01-10T11:59:40Z"), at("2026-01-10T11:59:50Z")]
        );
        assert_eq!(s.missed(began, at("2026-01-10T11:59:00Z")), [], "a clock set back misses nothing");
    }
}
