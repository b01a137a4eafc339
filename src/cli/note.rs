//! `vigilux note`: stores a note of the operator, also about the past.
//!
//! The daemon may be running; it reads notes with its next reading. `servicing` starts a flagged interval in which every value is
//! suspect, `servicing_over` ends it. Invariant: stored readings are not changed.

use super::source::instant;
use super::{Failure, print};
use crate::clock::{Clock, RealClock, UtcMicros};
use crate::record::{Event, EventKind, Flag, FlaggedInterval, NoteClass};
use crate::store::Store;

/// Arguments of `note`.
#[derive(Clone, Debug, clap::Args)]
pub struct NoteArgs {
    /// Text of the note
    #[arg(value_name = "TEXT")]
    text: String,
    #[command(flatten)]
    source: super::source::Source,
    /// Class of the note
    #[arg(long, value_enum, default_value_t = NoteClass::Other)]
    class: NoteClass,
    /// Time it applies to: RFC 3339, or a date in UTC [default: now]
    #[arg(long, value_name = "TIME", value_parser = instant)]
    at: Option<UtcMicros>,
    /// End of the time it applies to; for `servicing`, the end of the flagged interval
    #[arg(long, value_name = "TIME", value_parser = instant)]
    until: Option<UtcMicros>,
    /// The instrument it concerns [default: all]
    #[arg(long, value_name = "NAME")]
    instrument: Option<String>,
}

/// Runs `note`.
pub fn run(args: &NoteArgs) -> Result<(), Failure> {
    let now = RealClock::new().now();
    let at = args.at.unwrap_or(now);
    if args.text.trim().is_empty() {
        return Err(Failure::Usage("TEXT: expected the text of a note, but found nothing".into()));
    }
    if at > now {
        return Err(Failure::Usage(format!("--at: expected an instant in the past, but found {at}")));
    }
    if let Some(until) = args.until.filter(|until| *until <= at) {
        return Err(Failure::Usage(format!("--until: expected an instant after {at}, but found {until}")));
    }
    let store = Store::open_writer(&args.source.database(now)?)?;
    let names: Vec<String> = store.instruments()?.into_iter().map(|i| i.name).collect();
    if let Some(name) = args.instrument.as_ref().filter(|name| !names.contains(name)) {
        let known =
            if names.is_empty() { "the stored instruments (there are none)".to_owned() } else { names.join(", ") };
        return Err(Failure::Usage(format!("--instrument: expected one of {known}, but found `{name}`")));
    }
    print(&store_note(&store, args, at)?)
}

/// Stores the note, with the flagged interval that it starts or ends; returns a report.
fn store_note(store: &Store, args: &NoteArgs, at: UtcMicros) -> Result<String, Failure> {
    let mut report = format!("noted ({}) at {at}\n", args.class.name());
    match args.class {
        NoteClass::Servicing => {
            store.add_flagged_interval(&FlaggedInterval {
                id: 0,
                from: at,
                until: args.until,
                instrument: args.instrument.clone(),
                pixel: None,
                flag: Flag::Servicing,
                unaffected: Vec::new(),
                text: args.text.clone(),
            })?;
            report += &match args.until {
                Some(until) => format!("values from {at} to {until} are suspect\n"),
                None => format!(
                    "values from {at} on are suspect, until `vigilux note --class {}`\n",
                    NoteClass::ServicingOver.name()
                ),
            };
        }
        NoteClass::ServicingOver => {
            let open = store.open_flagged_intervals()?;
            let ended: Vec<&FlaggedInterval> = open
                .iter()
                .filter(|s| s.flag == Flag::Servicing && s.from <= at)
                .filter(|s| args.instrument.is_none() || s.instrument.is_none() || s.instrument == args.instrument)
                .collect();
            if ended.is_empty() {
                return Err(Failure::Failed(format!("expected servicing that started before {at}, but found none")));
            }
            for span in ended {
                store.end_flagged_interval(span.id, at)?;
                report += &format!("servicing from {} to {at}\n", span.from);
            }
        }
        _ => {}
    }
    store.add_event(&Event {
        time: at,
        until: args.until,
        instrument: args.instrument.clone(),
        kind: EventKind::Note(args.class),
        text: args.text.clone(),
    })?;
    Ok(report)
}

#[cfg(test)]
mod tests {
    use super::super::example_archive::archive;
    use super::super::source::Source;
    use super::*;
    use crate::record::QuantityValue;
    use std::path::PathBuf;

    fn note(path: PathBuf, class: NoteClass, at: &str, until: Option<&str>) -> NoteArgs {
        let time = |t: &str| UtcMicros::parse(t).unwrap();
        NoteArgs {
            text: "new gasket".into(),
            source: Source { config: None, database: Some(path) },
            class,
            at: Some(time(at)),
            until: until.map(time),
            instrument: None,
        }
    }

    #[test]
    fn servicing_flags_readings_in_its_interval_without_changing_stored_rows() {
        let (_folder, archive) = archive(false);
        let path = archive.reader.path().to_path_buf();
        // The first of the three readings is good, the next two are suspect by other flags in the fixture.
        let flagged = || -> Vec<bool> {
            let readings = archive.reader.latest(3).unwrap();
            readings.iter().map(|r| r.reading.flags.has(Flag::Servicing)).collect()
        };
        assert_eq!(flagged(), [false, false, false]);
        run(&note(path.clone(), NoteClass::Servicing, "2026-06-21T12:00:30Z", None)).unwrap();
        assert_eq!(flagged(), [false, true, true]);
        run(&note(path.clone(), NoteClass::ServicingOver, "2026-06-21T12:01:30Z", None)).unwrap();
        assert_eq!(flagged(), [false, true, false]);
        let twice = run(&note(path.clone(), NoteClass::ServicingOver, "2026-06-21T12:01:40Z", None)).unwrap_err();
        assert!(twice.to_string().contains("expected servicing that started before"), "{twice}");
        let readings = archive.reader.latest(3).unwrap();
        assert!(!readings[1].flags_when_taken.has(Flag::Servicing), "stored flags are unchanged");
        assert!(matches!(readings[1].reading.values[1], QuantityValue::Null(_)), "null stays null");
        let (notes, _) = archive.reader.notes_after(0).unwrap();
        assert_eq!(notes.iter().map(|n| n.0).collect::<Vec<_>>(), [NoteClass::Servicing, NoteClass::ServicingOver]);
    }

    #[test]
    fn a_note_about_the_future_or_an_unknown_instrument_is_refused() {
        let (_folder, archive) = archive(false);
        let path = archive.reader.path().to_path_buf();
        let future = run(&note(path.clone(), NoteClass::Other, "2999-01-01T00:00:00Z", None)).unwrap_err();
        assert!(future.to_string().starts_with("--at: expected an instant in the past"), "{future}");
        let back = note(path.clone(), NoteClass::Servicing, "2026-06-21T12:00:00Z", Some("2026-06-21T11:00:00Z"));
        assert!(run(&back).unwrap_err().to_string().starts_with("--until: expected an instant after"));
        let mut other = note(path, NoteClass::Cleaned, "2026-06-21T12:00:00Z", None);
        other.instrument = Some("north".into());
        assert!(run(&other).unwrap_err().to_string().contains("expected one of roof, head, but found `north`"));
        assert!(archive.reader.notes_after(0).unwrap().0.is_empty());
    }
}
