//! When a reading is due: cron ticks in UTC, and gates that close some of them.
//!
//! Ticks are worked out in UTC only: a local-time cron repeats or loses ticks when the clocks change. Local time enters
//! only through the gate, which asks what a wall clock at the station shows at an instant that is already known. A tick
//! that a gate closes is not a gap; a tick that came while a reading ran is one ([`Schedule::missed`]), never queued.

use crate::clock::UtcMicros;
use crate::config::cron as cron_ticks;
use crate::config::{ScheduleConfig, Station, in_window};
use crate::sun::{self, Place};
use jiff::tz::TimeZone;
use std::cell::Cell;

/// How many ticks [`Schedule::next_open`] looks at before it says that none is open.
const TICKS_LOOKED_AT: usize = 100_000;

/// How many missed ticks are listed at most, so that a clock set by years cannot peak_level the memory.
pub const MISSED_AT_MOST: usize = 100_000;

/// Whether a tick is to be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gate {
    /// Read.
    Open,
    /// Let it pass; this is not a gap.
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
    /// The tick that was worked out last, and an instant it is the first after.
    known: Cell<Option<(UtcMicros, UtcMicros)>>,
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
            known: Cell::new(None),
        }
    }

    /// The first tick strictly after `after`, gate or no gate; `None` when the expression fires no more.
    pub fn next_tick(&self, after: UtcMicros) -> Option<UtcMicros> {
        // Every reading asks several times for one tick.
        if let Some((from, tick)) = self.known.get()
            && (from..tick).contains(&after)
        {
            return Some(tick);
        }
        let tick = self.ticks(after).next()?;
        self.known.set(Some((after, tick)));
        Some(tick)
    }

    /// Ticks after `began` up to and including `now`, gate or no gate; at most [`MISSED_AT_MOST`].
    fn ticks_between(&self, began: UtcMicros, now: UtcMicros) -> impl Iterator<Item = UtcMicros> + '_ {
        let any = self.next_tick(began).is_some_and(|t| t <= now);
        let ticks = any.then(|| self.ticks(began));
        ticks.into_iter().flatten().take_while(move |t| *t <= now).take(MISSED_AT_MOST)
    }

    /// Whether a tick is one of the check source's; at a tick of both, the check source is before the head.
    pub fn is_check_source(&self, tick: UtcMicros) -> bool {
        self.check_source.as_ref().is_some_and(|r| cron_ticks::is_tick(r, tick))
    }

    /// The first tick strictly after `after` that the gate lets through; `None` when there is none among the next 100 000.
    pub fn next_open(&self, after: UtcMicros) -> Option<UtcMicros> {
        self.ticks(after).take(TICKS_LOOKED_AT).find(|t| self.gate(*t) == Gate::Open)
    }

    /// The first tick strictly after `after` that the gate lets through, if it comes within `seconds` [s], else the end of
    /// that span. `seconds` must be some minutes at most: every tick in it is looked at.
    pub fn next_open_within(&self, after: UtcMicros, seconds: f64) -> UtcMicros {
        let end = after.plus_seconds(seconds);
        self.ticks(after).take_while(|t| *t < end).find(|t| self.gate(*t) == Gate::Open).unwrap_or(end)
    }

    /// The last tick after `began` up to and including `now`, gate or no gate; `None` where there is none. At most
    /// [`MISSED_AT_MOST`] ticks are looked at.
    pub fn last_tick(&self, began: UtcMicros, now: UtcMicros) -> Option<UtcMicros> {
        self.ticks_between(began, now).last()
    }

    /// The next three ticks that will be read, for people to look at; fewer when there are fewer.
    pub fn next_three(&self, after: UtcMicros) -> Vec<UtcMicros> {
        std::iter::successors(self.next_open(after), |t| self.next_open(*t)).take(3).collect()
    }

    /// Ticks after `began` up to and including `now` that the gate would have let through: what a reading that was
    /// begun by the tick at `began` and ended at `now` made impossible. At most [`MISSED_AT_MOST`] ticks are looked at.
    pub fn missed(&self, began: UtcMicros, now: UtcMicros) -> Vec<UtcMicros> {
        self.ticks_between(began, now).filter(|t| self.gate(*t) == Gate::Open).collect()
    }

    /// Whether a reading at `t` is wanted. The sun's gate compares the apparent elevation; the window compares what a
    /// clock on the station's wall shows, start inclusive, end exclusive, and may wrap midnight (equal ends: all day).
    /// Gates are about the station's light and do not close a tick of the check source.
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
            // Where the sun cannot be computed (years beyond ±6000) a reading too many is better than one too few.
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

    fn ticks(&self, after: UtcMicros) -> impl Iterator<Item = UtcMicros> + '_ {
        let of = |schedule| cron_ticks::ticks(schedule, after).peekable();
        let (mut light, mut source) = (of(&self.cron), self.check_source.as_ref().map(of));
        std::iter::from_fn(move || {
            let (a, b) = (light.peek().copied(), source.as_mut().and_then(|s| s.peek().copied()));
            let next = match (a, b) {
                (Some(a), Some(b)) => Some(a.min(b)),
                (a, b) => a.or(b),
            };
            if a == next {
                light.next();
            }
            if b == next
                && let Some(source) = source.as_mut()
            {
                source.next();
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
            days: DailyConfig::default(),
        };
        Schedule::new(&config, &station)
    }

    /// Identity: a month of ticks over each change of the clocks is evenly spaced in UTC, none twice, none lost.
    #[test]
    fn months_of_ticks_are_even_over_both_changes_of_the_clocks() {
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

    /// Identity: the next tick lies strictly after the instant asked for, also within a second and on a tick itself.
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

    /// Identity: whatever was asked before, and whether time went on or back, the tick is that of a schedule asked for the first time.
    #[test]
    fn a_remembered_tick_is_the_one_that_would_be_worked_out() {
        let asked = schedule("0 */10 * * * *", None, None, None);
        let mut t = at("2026-06-21T12:00:00Z");
        for seconds in [0.0, 1.0, 598.0, 1.0, 0.5, 599.5, 3600.0, -7200.0, -0.000001, 0.000001, 600.0] {
            t = t.plus_seconds(seconds);
            let first = schedule("0 */10 * * * *", None, None, None);
            assert_eq!(asked.next_tick(t), first.next_tick(t), "after {t}");
            let end = t.plus_seconds(1200.0);
            assert_eq!(asked.missed(t, end), first.missed(t, end), "after {t}");
            assert_eq!((asked.last_tick(t, t), asked.missed(t, t)), (None, vec![]), "after {t}");
        }
    }

    /// Identity: on the two days of change the window follows the wall clock: 23 and 25 hours long, 5 to 21 still 16.
    #[test]
    fn the_local_window_follows_the_wall_clock_over_both_changes() {
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

    /// Identity: a window over midnight is open on both of its sides, start inclusive, end exclusive.
    #[test]
    fn a_window_may_wrap_midnight() {
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

    /// Identity: the sun's gates split the day; together they leave twilight only.
    #[test]
    fn the_sun_opens_and_closes_the_gate() {
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
        assert_eq!(schedule("0 * * * * *", Some(89.0), None, None).next_open(noon), None, "the sun never stands there");
    }

    /// Identity: of a reading that ran over, exactly the ticks that came meanwhile and that the gate lets through are missed.
    #[test]
    fn ticks_during_a_reading_are_missed_and_not_queued() {
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
