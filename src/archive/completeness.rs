//! Checks that every tick of a schedule has a reading or an event that explains its absence. Pure.
//!
//! Receives readings one by one in order of storage and returns runs of unexplained ticks. From each start of the daemon on, the
//! schedule of its configuration applies.
//!
//! Invariant: a tick is explained only by a closed gate or by a gap that contains it. A time without a daemon is a gap, too.

use crate::clock::UtcMicros;
use crate::exposure::{Gate, Schedule};
use crate::record::{Event, EventKind};

/// Maximum number of ticks examined between two readings: a year of minutes.
const MAX_TICKS: usize = 600_000;

/// Consecutive unexplained ticks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MissingTicks {
    /// The first tick.
    pub from: UtcMicros,
    /// The last tick.
    pub until: UtcMicros,
    /// Number of ticks.
    pub ticks: u64,
}

/// The schedule that became active with a start of the daemon.
#[derive(Clone, Debug)]
pub struct ActiveSchedule {
    /// Start of the daemon.
    pub from: UtcMicros,
    /// Schedule of the instrument; `None` if it had none, or if it is unknown.
    pub schedule: Option<Schedule>,
}

/// The ticks of one instrument, up to its last reading.
#[derive(Debug)]
pub struct Completeness {
    /// Time ranges of gaps, ascending by start.
    explained: Vec<(UtcMicros, UtcMicros)>,
    /// Ascending by time.
    schedules: Vec<ActiveSchedule>,
    last: Option<UtcMicros>,
}

impl Completeness {
    /// For an instrument, with the events of the station and the schedules of the instrument in order of time.
    pub fn new(instrument: &str, events: &[Event], schedules: Vec<ActiveSchedule>) -> Self {
        let of_instrument = |e: &&Event| {
            matches!(e.kind, EventKind::Gap(_)) && e.instrument.as_deref().is_none_or(|name| name == instrument)
        };
        let gaps = events.iter().filter(of_instrument);
        let mut explained: Vec<_> = gaps.map(|e| (e.time, e.until.unwrap_or(e.time))).collect();
        explained.sort_unstable();
        let last = schedules.first().map(|s| s.from);
        Self { explained, schedules, last }
    }

    /// Receives the start of the next reading and returns the unexplained ticks before it.
    pub fn reading(&mut self, start: UtcMicros) -> Vec<MissingTicks> {
        let Some(last) = self.last.replace(start) else { return Vec::new() };
        let mut found = Vec::new();
        for (i, active) in self.schedules.iter().enumerate() {
            let next = self.schedules.get(i + 1).map(|s| s.from).filter(|next| *next < start);
            let (from, to) = (last.max(active.from), next.unwrap_or(start));
            let Some(schedule) = active.schedule.as_ref().filter(|_| from < to && active.from < start) else {
                continue;
            };
            let mut missing = self.unexplained(schedule, from, to);
            if next.is_none() {
                // The last tick before the first exposure is the tick of the reading.
                missing.pop();
            }
            found.extend(runs(&missing, schedule));
        }
        found
    }

    /// The unexplained ticks in `from < tick <= to` with an open gate.
    fn unexplained(&self, schedule: &Schedule, from: UtcMicros, to: UtcMicros) -> Vec<UtcMicros> {
        let mut missing = Vec::new();
        let mut after = from;
        for _ in 0..MAX_TICKS {
            let Some(tick) = schedule.next_tick(after).filter(|t| *t <= to) else { break };
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
        missing
    }

    /// The end of the time range that explains a tick.
    fn explained_until(&self, tick: UtcMicros) -> Option<UtcMicros> {
        let begun = self.explained.partition_point(|(from, _)| *from <= tick);
        self.explained[..begun].iter().map(|(_, until)| *until).filter(|until| *until >= tick).max()
    }
}

/// Groups ticks into runs of consecutive ticks.
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

    fn every(cron: &str) -> Schedule {
        let config = ScheduleConfig {
            cron: cron.parse().unwrap(),
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
            lamp_incidence_deg: None,
            glazing: None,
            days: DailyConfig::default(),
        };
        Schedule::new(&config, &station)
    }

    fn event(kind: EventKind, from: f64, until: Option<f64>) -> Event {
        Event { time: at(from), until: until.map(at), instrument: None, kind, text: String::new() }
    }

    fn missing(events: &[Event], readings: &[f64]) -> Vec<(UtcMicros, u64)> {
        missing_after(&[(-10.0, "0 * * * * *")], events, readings)
    }

    /// With starts of the daemon at minutes, each with its schedule.
    fn missing_after(starts: &[(f64, &str)], events: &[Event], readings: &[f64]) -> Vec<(UtcMicros, u64)> {
        let active = |(minute, cron): &(f64, &str)| ActiveSchedule { from: at(*minute), schedule: Some(every(cron)) };
        let mut ticks = Completeness::new("south", events, starts.iter().map(active).collect());
        ticks.last = None;
        let runs = readings.iter().flat_map(|m| ticks.reading(at(*m))).collect::<Vec<_>>();
        runs.into_iter().map(|s| (s.from, s.ticks)).collect()
    }

    /// A series of readings per minute is complete, also with late exposures; missing ticks are found with their number.
    #[test]
    fn a_tick_without_reading_or_gap_is_found() {
        assert_eq!(missing(&[], &[0.1, 1.1, 2.9, 3.1]), []);
        assert_eq!(missing(&[], &[0.1, 1.1, 5.1, 6.1]), [(at(2.0), 3)]);
    }

    /// A gap explains its ticks and no others; a start or a stop of the daemon explains none.
    #[test]
    fn only_gaps_explain_ticks() {
        let gap = |from, until| event(EventKind::Gap(GapCause::NoAnswer), from, Some(until));
        assert_eq!(missing(&[gap(2.0, 4.0)], &[0.1, 1.1, 5.1]), []);
        assert_eq!(missing(&[gap(2.0, 3.0)], &[0.1, 1.1, 5.1]), [(at(4.0), 1)]);
        let restart = [event(EventKind::Stopped, 1.5, None), event(EventKind::Started, 30.2, None)];
        assert_eq!(missing(&restart, &[1.1, 31.1]), [(at(2.0), 29)]);
        let absent = [event(EventKind::Gap(GapCause::DaemonAbsent), 2.0, Some(30.0))];
        assert_eq!(missing(&absent, &[1.1, 31.1]), []);
    }

    /// From a start of the daemon on, ticks are those of the schedule that it was started with.
    #[test]
    fn a_restart_may_change_the_schedule() {
        let starts = [(-10.0, "0 * * * * *"), (2.5, "0 */10 * * * *")];
        assert_eq!(missing_after(&starts, &[], &[1.1, 2.1, 10.1, 20.1]), []);
        assert_eq!(missing_after(&starts, &[], &[0.1, 10.1, 40.1]), [(at(1.0), 2), (at(20.0), 2)]);
        let back = [(-10.0, "0 */10 * * * *"), (2.5, "0 * * * * *")];
        assert_eq!(missing_after(&back, &[], &[0.1, 5.1]), [(at(3.0), 2)]);
    }

    /// Ticks from the first start of the daemon on are checked.
    #[test]
    fn ticks_before_the_first_reading_are_checked() {
        let start = ActiveSchedule { from: at(0.5), schedule: Some(every("0 * * * * *")) };
        let mut ticks = Completeness::new("south", &[], vec![start]);
        let found = ticks.reading(at(4.1));
        assert_eq!(found, [MissingTicks { from: at(1.0), until: at(3.0), ticks: 3 }]);
    }

    /// Exposures that began after the next tick belong to the tick before it, if the next tick is a gap `busy`.
    #[test]
    fn late_exposures_belong_to_the_tick_that_caused_them() {
        let busy = event(EventKind::Gap(GapCause::Busy), 2.0, Some(2.0));
        assert_eq!(missing(&[busy], &[0.1, 2.4, 3.1]), []);
    }
}
