//! `vigilux events`: gaps, notes, flagged intervals, starts, stops and other events of a range of time, as a table with durations or JSON.
//!
//! The output is formatted by pure functions of the events.

use super::format::{duration, put};
use super::source::Source;
use super::when::{self, When};
use super::{Failure, WIDTH, print};
use crate::clock::{Clock, RealClock, UtcMicros};
use crate::record::{Event, EventKind};
use jiff::tz::TimeZone;
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// Where the column of kind and text begins.
const TEXT_AT: usize = 28;
/// Without `--from`, the table begins so long ago.
const USUAL_DAYS: f64 = 7.0;

/// Arguments of `events`.
#[derive(Clone, Debug, clap::Args)]
pub struct EventsArgs {
    #[command(flatten)]
    source: Source,
    /// From this time on: RFC 3339, a date, today, yesterday, or a time ago as in 12h or 7d [default: 7d]
    #[arg(long, value_name = "TIME", value_parser = When::parse)]
    from: Option<When>,
    /// Before this time
    #[arg(long, value_name = "TIME", value_parser = When::parse)]
    to: Option<When>,
    /// Only this kind (gap, note, flagged_interval, started, …), cause of a gap, flag of an interval, or class of a note
    #[arg(long, value_name = "KIND")]
    kind: Option<String>,
    /// Only events of this instrument and of the whole station
    #[arg(long, value_name = "NAME")]
    instrument: Option<String>,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

/// Runs `events`.
pub fn run(args: &EventsArgs) -> Result<(), Failure> {
    let now = RealClock::new().now();
    let archive = args.source.open(now)?;
    let zone = archive.config.as_ref().map_or(TimeZone::UTC, |c| c.station.time_zone.clone());
    // The newest event may be older than a week, or of a clock that runs ahead; then the week ends with it.
    let newest = archive.reader.latest_events(1)?.first().map(|e| e.until.unwrap_or(e.time).max(e.time));
    let usual = When::Instant(newest.unwrap_or(now).min(now).plus_seconds(-86_400.0 * USUAL_DAYS));
    let (from, to) = when::range(args.from.or(Some(usual)), args.to, &zone, now)?;
    if args.instrument.is_some() {
        archive.instruments(args.instrument.as_deref())?;
    }
    let mut events = archive.reader.events(from, to)?;
    if let Some(name) = &args.instrument {
        events.retain(|e| e.instrument.as_ref().is_none_or(|of| of == name));
    }
    if let Some(kind) = &args.kind {
        let known = |e: &Event| e.kind.name() == kind || e.kind.cause_name() == Some(kind);
        if !EventKind::names().any(|name| name == kind) {
            let expected = EventKind::names().collect::<Vec<_>>().join(", ");
            return Err(Failure::Usage(format!("--kind: expected one of {expected}, but found `{kind}`")));
        }
        events.retain(known);
    }
    if args.json {
        super::print_json(&json!({"events": events.iter().map(json_of).collect::<Vec<_>>()}))?;
    } else {
        print(&table(&events, &zone))?;
    }
    archive.finish()
}

fn json_of(event: &Event) -> Value {
    json!({
        "time": event.time.to_string(), "until": event.until.map(|t| t.to_string()), "instrument": event.instrument,
        "kind": event.kind.name(), "cause": event.kind.cause_name(), "text": event.text,
    })
}

/// The table, with a summary by kind.
fn table(events: &[Event], zone: &TimeZone) -> String {
    if events.is_empty() {
        return "no events in this range\n".into();
    }
    let mut out = String::new();
    let name = zone.iana_name().unwrap_or("UTC");
    put(&mut out, format_args!("{:<16}  {:>8}  event (times: {name})", "from", "duration"));
    for event in events {
        let from = event.time.in_zone(zone).strftime("%Y-%m-%d %H:%M").to_string();
        let text = super::wrapped_to(&described(event), 0, WIDTH - TEXT_AT);
        let mut lines = text.lines();
        put(&mut out, format_args!("{from:<16}  {:>8}  {}", lasted(event), lines.next().unwrap_or_default()));
        for line in lines {
            put(&mut out, format_args!("{:TEXT_AT$}{line}", ""));
        }
    }
    out.push('\n');
    for (kind, (number, seconds)) in summary(events) {
        let lasted = if seconds > 0.0 { format!(", {} in all", duration(seconds)) } else { String::new() };
        put(&mut out, format_args!("{number} × {kind}{lasted}"));
    }
    out
}

/// Kind, instrument and text of an event.
fn described(event: &Event) -> String {
    let instrument = event.instrument.as_deref().map(|name| format!(" [{name}]")).unwrap_or_default();
    let text = if event.text.is_empty() { String::new() } else { format!(": {}", event.text) };
    format!("{}{instrument}{text}", kind_of(event))
}

/// The kind with its cause, flag or class.
fn kind_of(event: &Event) -> String {
    event.kind.cause_name().map_or(event.kind.name().to_owned(), |cause| format!("{} {cause}", event.kind.name()))
}

fn lasted(event: &Event) -> String {
    match (event.until, event.kind) {
        (Some(until), _) => duration(until.seconds_since(event.time).max(0.0)),
        (None, EventKind::FlaggedInterval(_)) => "open".into(),
        (None, _) => String::new(),
    }
}

/// Number and total duration [s] of the events of each kind. Durations are added; of two instruments both count.
fn summary(events: &[Event]) -> BTreeMap<String, (usize, f64)> {
    let mut all = BTreeMap::new();
    for event in events {
        let (number, seconds) = all.entry(kind_of(event)).or_insert((0, 0.0));
        *number += 1;
        *seconds += event.until.map_or(0.0, |until: UtcMicros| until.seconds_since(event.time).max(0.0));
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fault::GapCause;
    use crate::record::{Flag, NoteClass};

    fn event(time: &str, minutes: Option<f64>, kind: EventKind, text: &str) -> Event {
        let time = UtcMicros::parse(time).unwrap();
        Event {
            time,
            until: minutes.map(|m| time.plus_seconds(60.0 * m)),
            instrument: Some("south".into()),
            kind,
            text: text.into(),
        }
    }

    #[test]
    fn the_table_has_durations_local_time_and_a_summary_within_80_columns() {
        let long =
            "3 readings missed: expected the answer to `*IDN?` within 2 s, but nothing came from the line at all";
        let events = [
            event("2026-06-21T22:10:00Z", Some(3.0), EventKind::Gap(GapCause::NoAnswer), long),
            event("2026-06-21T23:00:00Z", None, EventKind::Note(NoteClass::Cleaned), "wiped"),
            event("2026-06-22T00:00:00Z", None, EventKind::FlaggedInterval(Flag::DarkDrift), "offset"),
            event("2026-06-22T01:00:00Z", Some(150.0), EventKind::Gap(GapCause::NoAnswer), ""),
        ];
        let text = table(&events, &TimeZone::get("Europe/Berlin").unwrap());
        assert!(text.lines().all(|line| line.chars().count() <= WIDTH), "{text}");
        for want in [
            "(times: Europe/Berlin)\n",
            "2026-06-22 00:10     3 min  gap no_answer [south]: 3 readings missed:",
            "2026-06-22 01:00            note cleaned [south]: wiped\n",
            "2026-06-22 02:00      open  flagged_interval dark_drift [south]: offset\n",
            "2026-06-22 03:00     2.5 h  gap no_answer [south]\n",
            "2 × gap no_answer, 2.5 h in all\n",
        ] {
            assert!(text.contains(want), "{want}\n{text}");
        }
        assert_eq!(table(&[], &TimeZone::UTC), "no events in this range\n");
    }
}
