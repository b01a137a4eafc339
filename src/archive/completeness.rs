//! Whether every tick of a schedule ended in a reading or in an event that says why not.
//!
//! Pure: readings go in one by one as they were stored, with the active schedule; out come runs of ticks that nothing explains.
//!
//! Invariant: a tick that a gate closes, that a gap names, or that fell into a time without a running daemon is explained.

use crate::clock::UtcMicros;
use crate::exposure::{Gate, Schedule};
use crate::record::{Event, EventKind};

/// Time from the start of a daemon until it keeps its schedule, at most [s].
const START_S: f64 = 120.0;
/// Ticks that are followed between two readings, at most: a year of minutes.
const MAX_TICKS: usize = 600_000;

/// Consecutive ticks that nothing explains.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MissingTicks {
    /// The first.
    pub from: UtcMicros,
    /// The last.
    pub until: UtcMicros,
    /// How many.
    pub ticks: u64,
}

/// The ticks of one instrument, up to its last reading.
#[derive(Debug)]
pub struct Completeness {
    /// Time ranges that events explain, ascending by their beginning.
    explained: Vec<(UtcMicros, UtcMicros)>,
    /// Starts of the daemon.
    starts: Vec<UtcMicros>,
    last: Option<UtcMicros>,
}

impl Completeness {
    /// For an instrument, with the events of the station in order of time.
    pub fn new(instrument: &str, events: &[Event]) -> Self {
        let (mut explained, mut starts) = (Vec::new(), Vec::new());
        let mut last_event = None;
        for event in events {
            let until = event.until.unwrap_or(event.time);
            match event.kind {
                EventKind::Gap(_) if event.instrument.as_deref().is_none_or(|i| i == instrument) => {
                    explained.push((event.time, until));
                }
                // From the last event of the process before until this one keeps its schedule.
                EventKind::Started => {
                    explained.push((last_event.unwrap_or(UtcMicros(i64::MIN)), event.time.plus_seconds(START_S)));
                    starts.push(event.time);
                }
                _ => {}
            }
            last_event = last_event.max(Some(until));
        }
        explained.sort_unstable();
        let last = starts.first().copied();
        Self { explained, starts, last }
    }

    /// Takes the next reading, by the start of its light; answers with the ticks before it that nothing explains.
    ///
    /// `before` is the schedule that was active until the daemon was last started, `now` that of the reading.
    pub fn reading(&mut self, start: UtcMicros, before: &Schedule, now: &Schedule) -> Vec<MissingTicks> {
        let Some(last) = self.last.replace(start) else { return Vec::new() };
        let restart = self.starts.iter().rev().find(|s| **s <= start).copied().filter(|t| *t > last).unwrap_or(last);
        let mut missing = Vec::new();
        self.unexplained(before, last, restart, &mut missing);
        let earlier = missing.len();
        self.unexplained(now, restart, start, &mut missing);
        // The last tick before the light is that of the reading.
        if missing.len() > earlier {
            missing.pop();
        }
        runs(&missing, now)
    }

    /// Ticks after `from` up to `to` that the gate lets through and nothing explains.
    fn unexplained(&self, schedule: &Schedule, from: UtcMicros, to: UtcMicros, missing: &mut Vec<UtcMicros>) {
        if from >= to {
            return;
        }
        let mut after = from;
        for _ in 0..MAX_TICKS {
            let Some(tick) = schedule.next_tick(after).filter(|t| *t <= to) else { return };
            after = match self.explained_until(tick) {
                Some(until) => until.max(tick),
                None => {
                    if schedule.gate(tick) == Gate::Open {
                        missing.push(tick);
                    }
                    tick
                }
            };
        }
    }

    /// The end of what explains a tick.
    fn explained_until(&self, tick: UtcMicros) -> Option<UtcMicros> {
        let begun = self.explained.partition_point(|(from, _)| *from <= tick);
        self.explained[..begun].iter().map(|(_, until)| *until).filter(|until| *until >= tick).max()
    }
}

/// Ticks as runs of consecutive ones.
fn runs(ticks: &[UtcMicros], schedule: &Schedule) -> Vec<MissingTicks> {
    let mut runs: Vec<MissingTicks> = Vec::new();
    for &tick in ticks {
        match runs.last_mut() {
            Some(run) if schedule.next_tick(run.until).is_some_and(|next| next >= tick) => {
                run.until = tick;
                run.ticks += 1;
            }
            _ => runs.push(MissingTicks { from: tick, until: tick, ticks: 1 }),
        }
    }
    runs
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{DailyConfig, ScheduleConfig, Station, StationKind};
    use crate::fault::GapCause;
    use crate::sun::Place;

    fn at(minute: f64) -> UtcMicros {
        UtcMicros::parse("2026-06-21T10:00:00Z").unwrap().plus_seconds(60.0 * minute)
    }

    fn every_minute() -> Schedule {
        let config = ScheduleConfig {
            cron: "0 * * * * *".parse().unwrap(),
            sun_above_deg: None,
            sun_below_deg: None,
            local_window_s: None,
            window_s: None,
            check_source: None,
        };
        let station = Station {
            name: "roof".into(),
            kind: StationKind::Roof,
            place: Place { latitude_deg: 48.0, longitude_deg: 11.0, altitude_m: 0.0 },
            time_zone: jiff::tz::TimeZone::UTC,
            day_starts_at_s: 0,
            mains_hz: 0.0,
            ultraviolet_lamps: false,
            lamps_s: vec![],
            days: DailyConfig::default(),
        };
        Schedule::new(&config, &station)
    }

    fn event(kind: EventKind, from: f64, until: Option<f64>) -> Event {
        Event { time: at(from), until: until.map(at), instrument: None, kind, text: String::new() }
    }

    fn missing(events: &[Event], readings: &[f64]) -> Vec<(UtcMicros, u64)> {
        let (mut ticks, schedule) = (Completeness::new("south", events), every_minute());
        let runs = readings.iter().flat_map(|m| ticks.reading(at(*m), &schedule, &schedule)).collect::<Vec<_>>();
        runs.into_iter().map(|s| (s.from, s.ticks)).collect()
    }

    /// A reading a minute is complete, and so is one whose light was late; a hole is found with its length.
    #[test]
    fn a_tick_without_reading_or_gap_is_found() {
        assert_eq!(missing(&[], &[0.1, 1.1, 2.9, 3.1]), []);
        assert_eq!(missing(&[], &[0.1, 1.1, 5.1, 6.1]), [(at(2.0), 3)]);
    }

    /// Gaps, a time without a daemon, and its start explain ticks; a gap of another time does not.
    #[test]
    fn events_explain_ticks() {
        let gap = |from, until| event(EventKind::Gap(GapCause::NoAnswer), from, Some(until));
        assert_eq!(missing(&[gap(2.0, 4.0)], &[0.1, 1.1, 5.1]), []);
        assert_eq!(missing(&[gap(2.0, 3.0)], &[0.1, 1.1, 5.1]), [(at(4.0), 1)]);
        let away = [event(EventKind::Stopped, 1.5, None), event(EventKind::Started, 30.0, None)];
        assert_eq!(missing(&away, &[33.1]), []);
        let killed = [gap(2.0, 2.0), event(EventKind::Started, 30.0, None)];
        assert_eq!(missing(&killed, &[0.1, 1.1, 33.1, 35.1]), [(at(34.0), 1)]);
    }

    /// Light that began after the next tick belongs to the tick before it, where that next one is a gap `busy`.
    #[test]
    fn late_light_belongs_to_the_tick_that_asked_for_it() {
        let busy = event(EventKind::Gap(GapCause::Busy), 2.0, Some(2.0));
        assert_eq!(missing(&[busy], &[0.1, 2.4, 3.1]), []);
    }
}
