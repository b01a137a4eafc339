//! Whether every tick of a schedule ended in a reading or in something on record that says why not.
//!
//! Pure: readings go in one by one as they were stored, with the schedule in force; out come spans of ticks that nothing
//! accounts for. What must stay true: a tick that a gate closes, that a gap names, or that fell into a time without a
//! running daemon is accounted for.

use crate::clock::UtcMicros;
use crate::exposure::{Gate, Schedule};
use crate::record::{Event, EventKind};

/// A daemon that has just started needs so long before it minds its schedule [s].
const START_S: f64 = 120.0;
/// So many ticks are looked at between two readings: a year of minutes.
const TICKS_AT_MOST: usize = 600_000;

/// Ticks in a row that nothing accounts for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Unaccounted {
    /// The first.
    pub from: UtcMicros,
    /// The last.
    pub until: UtcMicros,
    /// How many.
    pub ticks: u64,
}

/// The account of one instrument.
#[derive(Debug)]
pub struct Completeness {
    /// What is on record: spans without readings, ascending by their begin.
    explained: Vec<(UtcMicros, UtcMicros)>,
    /// Starts of the daemon.
    starts: Vec<UtcMicros>,
    last: Option<UtcMicros>,
}

impl Completeness {
    /// For an instrument, with the events of the station by time.
    pub fn new(instrument: &str, events: &[Event]) -> Self {
        let (mut explained, mut starts) = (Vec::new(), Vec::new());
        let mut life = None;
        for event in events {
            let until = event.until.unwrap_or(event.time);
            match event.kind {
                EventKind::Gap(_) if event.instrument.as_deref().is_none_or(|i| i == instrument) => {
                    explained.push((event.time, until));
                }
                // From the last sign of life until it minds its schedule again.
                EventKind::Started => {
                    explained.push((life.unwrap_or(UtcMicros(i64::MIN)), event.time.plus_seconds(START_S)));
                    starts.push(event.time);
                }
                _ => {}
            }
            life = life.max(Some(until));
        }
        explained.sort_unstable();
        let last = starts.first().copied();
        Self { explained, starts, last }
    }

    /// The reading that came next, by its first light: the ticks before it that nothing accounts for.
    ///
    /// `before` is the schedule that was in force until the daemon was last started, `now` the reading's own.
    pub fn reading(&mut self, start: UtcMicros, before: &Schedule, now: &Schedule) -> Vec<Unaccounted> {
        let Some(last) = self.last.replace(start) else { return Vec::new() };
        let turn = self.starts.iter().rev().find(|s| **s <= start).copied().filter(|t| *t > last).unwrap_or(last);
        let mut open = Vec::new();
        self.ticks(before, last, turn, &mut open);
        let earlier = open.len();
        self.ticks(now, turn, start, &mut open);
        // The last tick before the light is the reading's own.
        if open.len() > earlier {
            open.pop();
        }
        spans(&open, now)
    }

    /// Ticks after `from` up to `to` that the gate lets through and nothing explains.
    fn ticks(&self, schedule: &Schedule, from: UtcMicros, to: UtcMicros, open: &mut Vec<UtcMicros>) {
        let mut after = from;
        for _ in 0..TICKS_AT_MOST {
            let Some(tick) = schedule.next_tick(after).filter(|t| *t <= to) else { return };
            after = match self.explained_until(tick) {
                Some(until) => until.max(tick),
                None => {
                    if schedule.gate(tick) == Gate::Open {
                        open.push(tick);
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

/// Ticks that follow each other as one span.
fn spans(ticks: &[UtcMicros], schedule: &Schedule) -> Vec<Unaccounted> {
    let mut spans: Vec<Unaccounted> = Vec::new();
    for &tick in ticks {
        match spans.last_mut() {
            Some(span) if schedule.next_tick(span.until).is_some_and(|next| next >= tick) => {
                span.until = tick;
                span.ticks += 1;
            }
            _ => spans.push(Unaccounted { from: tick, until: tick, ticks: 1 }),
        }
    }
    spans
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
        let (mut account, schedule) = (Completeness::new("south", events), every_minute());
        let spans = readings.iter().flat_map(|m| account.reading(at(*m), &schedule, &schedule)).collect::<Vec<_>>();
        spans.into_iter().map(|s| (s.from, s.ticks)).collect()
    }

    /// Identity: a reading a minute is complete, and so is one whose light was late; a hole is found with its span.
    #[test]
    fn a_tick_without_reading_or_gap_is_found() {
        assert_eq!(missing(&[], &[0.1, 1.1, 2.9, 3.1]), []);
        assert_eq!(missing(&[], &[0.1, 1.1, 5.1, 6.1]), [(at(2.0), 3)]);
    }

    /// Identity: gaps, a daemon that was away, and its start account for ticks; a gap of another span does not.
    #[test]
    fn what_is_on_record_accounts_for_ticks() {
        let gap = |from, until| event(EventKind::Gap(GapCause::NoAnswer), from, Some(until));
        assert_eq!(missing(&[gap(2.0, 4.0)], &[0.1, 1.1, 5.1]), []);
        assert_eq!(missing(&[gap(2.0, 3.0)], &[0.1, 1.1, 5.1]), [(at(4.0), 1)]);
        let away = [event(EventKind::Stopped, 1.5, None), event(EventKind::Started, 30.0, None)];
        assert_eq!(missing(&away, &[33.1]), []);
        let killed = [gap(2.0, 2.0), event(EventKind::Started, 30.0, None)];
        assert_eq!(missing(&killed, &[0.1, 1.1, 33.1, 35.1]), [(at(34.0), 1)]);
    }

    /// Identity: light that began after the next tick belongs to the tick before it, where that next one is a gap `busy`.
    #[test]
    fn late_light_belongs_to_the_tick_that_asked_for_it() {
        let busy = event(EventKind::Gap(GapCause::Busy), 2.0, Some(2.0));
        assert_eq!(missing(&[busy], &[0.1, 2.4, 3.1]), []);
    }
}
