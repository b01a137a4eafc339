//! `vigilux note`: the owner's remark on the record, also about the past.
//!
//! The daemon may be running; it takes notice with its next reading. `servicing` begins a span in which every value is
//! suspect, `servicing_over` ends it; nothing that was stored is changed.

use super::source::instant;
use super::{Failure, print};
use crate::clock::{Clock, RealClock, UtcMicros};
use crate::record::{Event, EventKind, Flag, FlaggedInterval, NoteClass};
use crate::store::Store;

/// Arguments of `note`.
#[derive(Clone, Debug, clap::Args)]
pub struct NoteArgs {
    /// What there is to say
    #[arg(value_name = "TEXT")]
    text: String,
    #[command(flatten)]
    source: super::source::Source,
    /// What it is about
    #[arg(long, value_enum, default_value_t = NoteClass::Other)]
    class: NoteClass,
    /// When it was so: RFC 3339, or a date in UTC; now without it
    #[arg(long, value_name = "TIME", value_parser = instant)]
    at: Option<UtcMicros>,
    /// Until when it was so; of `servicing`, the end of the span
    #[arg(long, value_name = "TIME", value_parser = instant)]
    until: Option<UtcMicros>,
    /// The instrument it is about, where the station has several
    #[arg(long, value_name = "NAME")]
    instrument: Option<String>,
}

/// Runs `note`.
pub fn run(args: &NoteArgs) -> Result<(), Failure> {
    let now = RealClock::new().now();
    let at = args.at.unwrap_or(now);
    if args.text.trim().is_empty() {
        return Err(Failure::Usage("TEXT: expected a remark, but found nothing".into()));
    }
    if at > now {
        return Err(Failure::Usage(format!("--at: expected an instant that has passed, but found {at}")));
    }
    if let Some(until) = args.until.filter(|until| *until <= at) {
        return Err(Failure::Usage(format!("--until: expected an instant after {at}, but found {until}")));
    }
    let store = Store::open_writer(&args.source.database(now)?)?;
    let names: Vec<String> = store.instruments()?.into_iter().map(|i| i.name).collect();
    if let Some(name) = args.instrument.as_ref().filter(|name| !names.contains(name)) {
        let known = if names.is_empty() { "none on record yet".to_owned() } else { names.join(", ") };
        return Err(Failure::Usage(format!("--instrument: expected one of {known}, but found `{name}`")));
    }
    let said = record(&store, args, at)?;
    print(&said)
}

/// Puts the note on record, with the span it begins or ends; says what was done.
fn record(store: &Store, args: &NoteArgs, at: UtcMicros) -> Result<String, Failure> {
    let mut said = format!("noted ({}) at {at}\n", args.class.name());
    match args.class {
        NoteClass::Servicing => {
            store.add_span(&FlaggedInterval {
                id: 0,
                from: at,
                until: args.until,
                instrument: args.instrument.clone(),
                pixel: None,
                flag: Flag::Servicing,
                unaffected: Vec::new(),
                text: args.text.clone(),
            })?;
            said += &match args.until {
                Some(until) => format!("values from {at} to {until} are suspect\n"),
                None => format!(
                    "values from {at} on are suspect, until `vigilux note --class {}`\n",
                    NoteClass::ServicingOver.name()
                ),
            };
        }
        NoteClass::ServicingOver => {
            let open = store.open_spans()?;
            let ended: Vec<&FlaggedInterval> = open
                .iter()
                .filter(|s| s.flag == Flag::Servicing && s.from <= at)
                .filter(|s| args.instrument.is_none() || s.instrument.is_none() || s.instrument == args.instrument)
                .collect();
            if ended.is_empty() {
                return Err(Failure::Failed(format!("expected servicing that had begun by {at}, but found none")));
            }
            for span in ended {
                store.end_span(span.id, at)?;
                said += &format!("servicing from {} to {at}\n", span.from);
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
    Ok(said)
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

    /// Identity: servicing makes what lies in it suspect, and only that, whoever reads; no stored row changes.
    #[test]
    fn maintenance_makes_what_lies_in_it_suspect_and_changes_no_row() {
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
        let again = run(&note(path.clone(), NoteClass::ServicingOver, "2026-06-21T12:01:40Z", None)).unwrap_err();
        assert!(again.to_string().contains("expected servicing that had begun"), "{again}");
        let readings = archive.reader.latest(3).unwrap();
        assert!(!readings[1].flags_when_taken.has(Flag::Servicing), "what was stored stands");
        assert!(matches!(readings[1].reading.values[1], QuantityValue::Null(_)), "null stays null");
        let (notes, _) = archive.reader.notes_after(0).unwrap();
        assert_eq!(notes.iter().map(|n| n.0).collect::<Vec<_>>(), [NoteClass::Servicing, NoteClass::ServicingOver]);
    }

    /// Identity: what cannot be meant is refused before anything is written.
    #[test]
    fn a_note_of_the_future_or_about_nobody_is_refused() {
        let (_folder, archive) = archive(false);
        let path = archive.reader.path().to_path_buf();
        let future = run(&note(path.clone(), NoteClass::Other, "2999-01-01T00:00:00Z", None)).unwrap_err();
        assert!(future.to_string().starts_with("--at: expected an instant that has passed"), "{future}");
        let back = note(path.clone(), NoteClass::Servicing, "2026-06-21T12:00:00Z", Some("2026-06-21T11:00:00Z"));
        assert!(run(&back).unwrap_err().to_string().starts_with("--until: expected an instant after"));
        let mut other = note(path, NoteClass::Cleaned, "2026-06-21T12:00:00Z", None);
        other.instrument = Some("north".into());
        assert!(run(&other).unwrap_err().to_string().contains("expected one of roof, head, but found `north`"));
        assert!(archive.reader.notes_after(0).unwrap().0.is_empty());
    }
}
