//! Loads the saved state of the monitors of an instrument, and executes their actions on the database.
//!
//! Decides nothing. Invariant: an action is applied to the monitor set if and only if it was stored.

use super::{AcquisitionError, dark_records};
use crate::clock::UtcMicros;
use crate::config::{InstrumentConfig, Station};
use crate::quality::monitor::response::levels::LevelSource;
use crate::quality::monitor::sample::Sample;
use crate::quality::monitor::{self, MonitorAction, MonitorInputs, MonitorSet, SavedMonitors};
use crate::record::{Event, FlaggedInterval};
use crate::reduction::DarkModel;
use crate::store::{SavedState, Store, StoreError};

/// Maximum age of loaded samples [s]: those of the current day.
const RECENT_S: f64 = 86_400.0;

/// Loads the monitors of an instrument. row: of `instrument`.
pub fn load_monitors(
    store: &Store,
    row: i64,
    station: &Station,
    instrument: &InstrumentConfig,
    now: UtcMicros,
) -> Result<MonitorSet, AcquisitionError> {
    let saved = load_saved(store, row)?;
    let mut intervals = store.open_flagged_intervals()?;
    if let Some(from) = saved.dark.limit_state().exceeded_since {
        intervals
            .extend(store.flagged_intervals(from, UtcMicros(from.0.saturating_add(1)))?.into_iter().filter(has_ended));
    }
    let collects = LevelSource::of(station, instrument).is_some_and(LevelSource::collects_samples);
    let recent = if collects { recent_samples(store, &instrument.name, now)? } else { Vec::new() };
    Ok(MonitorSet::new(MonitorInputs { station, instrument, saved, intervals, recent, now }))
}

fn has_ended(interval: &FlaggedInterval) -> bool {
    interval.until.is_some()
}

fn load_saved(store: &Store, row: i64) -> Result<SavedMonitors, AcquisitionError> {
    let mut saved = SavedMonitors {
        wavelength: load(store, row, monitor::WAVELENGTH_STATE)?,
        response: load(store, row, monitor::RESPONSE_STATE)?,
        obstruction: load(store, row, monitor::OBSTRUCTION_STATE)?,
        dark: load(store, row, monitor::DARK_STATE)?,
        pixels: load(store, row, monitor::PIXEL_STATE)?,
        pixel_baseline: None,
        below_zero: load(store, row, monitor::BELOW_ZERO_STATE)?,
        reported: load(store, row, monitor::REPORTED_STATE)?,
    };
    if let Some(model) = saved.pixels.baseline {
        let stored = dark_records::unless_damaged(store, store.dark_model(model))?;
        saved.pixel_baseline = stored.and_then(|stored| DarkModel::decode(&stored.blob).ok());
        if saved.pixel_baseline.is_none() {
            tracing::error!(
                "dark model {model}, the baseline of the pixel monitor, cannot be used; a new one is determined"
            );
        }
    }
    Ok(saved)
}

/// Loads a saved state; the default if it is absent, or damaged and so set aside.
fn load<T: serde::de::DeserializeOwned + Default>(store: &Store, row: i64, name: &str) -> Result<T, AcquisitionError> {
    let Some(stored) = store.load_state(row, name)? else { return Ok(T::default()) };
    Ok(serde_json::from_str(&stored.json).unwrap_or_else(|why| {
        store.set_aside_state(row, name, &why.to_string());
        T::default()
    }))
}

fn recent_samples(store: &Store, instrument: &str, now: UtcMicros) -> Result<Vec<Sample>, AcquisitionError> {
    let Some(ppfd) = store.position("ppfd") else { return Ok(Vec::new()) };
    let mut samples = Vec::new();
    for stored in store.readings(now.plus_seconds(-RECENT_S), now)? {
        let stored = stored?;
        let reading = stored.as_computed();
        if reading.instrument == instrument {
            samples.extend(Sample::of(reading, ppfd));
        }
    }
    Ok(samples)
}

/// Passes the notes stored since the last call to the monitors.
pub fn observe_notes(monitors: &mut MonitorSet, store: &Store) -> Result<(), AcquisitionError> {
    let (notes, newest) = store.notes_after(monitors.notes_observed_to())?;
    notes.iter().for_each(|(_, note)| monitors.observe_note(note));
    monitors.set_notes_observed_to(newest);
    Ok(())
}

/// States and events for the transaction of the reading observed last. row: of `instrument`.
pub fn reading_record(monitors: &mut MonitorSet, row: i64, now: UtcMicros) -> (Vec<SavedState>, Vec<Event>) {
    let record = monitors.reading_record(now);
    let state =
        |s: monitor::NamedState| SavedState { instrument: row, name: s.name.to_owned(), json: s.json, time: now };
    (record.states.into_iter().map(state).collect(), record.events)
}

/// Executes the actions of the monitors after a reading was stored; returns the stored events. Actions that cannot be stored are
/// planned again at the next reading.
pub fn execute(monitors: &mut MonitorSet, store: &Store, now: UtcMicros) -> Result<Vec<Event>, AcquisitionError> {
    let mut events = Vec::new();
    for action in monitors.actions(now) {
        let report = action.report().cloned();
        let id = match unless_transient(write(store, &action))? {
            Some(id) => id,
            None => break,
        };
        monitors.applied(action, id);
        if let Some(event) = report {
            match unless_transient(store.add_event(&event))? {
                Some(_) => events.push(event),
                None => monitors.report_with_next_reading(event),
            }
        }
    }
    Ok(events)
}

/// Stores one action; returns the row of its interval.
fn write(store: &Store, action: &MonitorAction) -> Result<i64, StoreError> {
    match action {
        MonitorAction::Open { interval, .. } => store.add_flagged_interval(interval),
        MonitorAction::Widen { id, from, unaffected } => {
            store.widen_flagged_interval(*id, *from, unaffected).map(|()| *id)
        }
        MonitorAction::End { id, until, .. } => store.end_flagged_interval(*id, *until).map(|()| *id),
    }
}

/// `None` for a transient error: a full disk or a locked database.
fn unless_transient<T>(written: Result<T, StoreError>) -> Result<Option<T>, AcquisitionError> {
    match written {
        Err(error) if error.is_transient() => {
            tracing::error!("{error}: actions of the monitors are not stored yet");
            Ok(None)
        }
        other => Ok(Some(other?)),
    }
}
