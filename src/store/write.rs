//! Stores readings, each with its frames, values, events and state in one transaction.

use super::error::StoreError;
use super::events::put_event;
use super::frame_row::FrameRow;
use super::frames::put_frames;
use super::reading_row::exposures_text;
use super::rows::NewReading;
use super::schema::{FRAMES_PER_READING, READING_BITS, hour_of};
use super::state::put_state;
use super::{Store, invalidation};
use crate::clock::UtcMicros;
use crate::record::{QuantityValue, Reading};
use rusqlite::{Statement, ToSql, Transaction, params};

const INSERT_READING: &str = "INSERT INTO reading(time_start, time_mid, time_end, instrument, configuration, \
     sun_elevation, sun_azimuth, relative_air_mass, detector_temperature, exposures, peak_level, flags, acquisition_context, \
     unsteady_share, wavelength_applied, wavelength_age, response_age, lamp_shapes) \
     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18)";

/// Begins a run of readings in an hour, unless the previous reading lies in the same hour.
const CONTINUE_HOUR: &str = "INSERT INTO hour(first_reading, hour) \
     SELECT ?1, ?2 WHERE ?2 IS NOT (SELECT hour FROM hour ORDER BY first_reading DESC LIMIT 1)";

/// Begins a run of readings with this active computation, unless it is active already.
const CONTINUE_RUN: &str = "INSERT OR REPLACE INTO active_values(instrument, first_reading, computation) \
     SELECT ?1, ?2, ?3 WHERE ?3 IS NOT (SELECT computation FROM active_values \
     WHERE instrument = ?1 AND first_reading <= ?2 ORDER BY first_reading DESC LIMIT 1)";

/// Columns of `value` before those of the quantities.
const VALUE_COLUMNS: [&str; 10] = [
    "id",
    "calibration",
    "flags",
    "signal_to_noise",
    "stray_floor",
    "dark_age",
    "uv_index_stray_share",
    "lamps_ppfd",
    "lamps_uncertainty",
    "reasons",
];

/// The INSERT statement for values of quantities in this order.
pub(super) fn insert_value(ids: &[&str]) -> String {
    let quantities =
        ids.iter().flat_map(|id| ["", "_uncertainty", "_verdict", "_flags"].map(|s| format!("\"{id}{s}\"")));
    insert("value", VALUE_COLUMNS.map(str::to_owned).into_iter().chain(quantities).collect())
}

/// The INSERT statement for window statistics of quantities in this order.
pub(super) fn insert_window(ids: &[&str]) -> String {
    let quantities = ids.iter().flat_map(|id| ["minimum", "maximum", "deviation"].map(|s| format!("\"{id}_{s}\"")));
    insert("window_value", std::iter::once("reading".to_owned()).chain(quantities).collect())
}

fn insert(table: &str, columns: Vec<String>) -> String {
    format!("INSERT INTO {table}({}) VALUES ({})", columns.join(", "), vec!["?"; columns.len()].join(", "))
}

impl Store {
    /// Stores a reading with its frames, values, events and state. The reading is durable when its id is returned.
    pub fn commit_reading(&self, new: &NewReading<'_>) -> Result<i64, StoreError> {
        self.check_shape(new)?;
        // Encoded before the transaction, to keep it short.
        let frames = encode(new)?;
        let id = self.transact("storing a reading", |tx| self.put_reading(tx, new, &frames))?;
        self.disk_failure.stored(id);
        Ok(id)
    }

    /// Stores many readings in one transaction, to create large databases for measurements.
    #[doc(hidden)]
    pub fn commit_readings(&self, new: &[NewReading<'_>]) -> Result<(), StoreError> {
        new.iter().try_for_each(|new| self.check_shape(new))?;
        let frames: Vec<Vec<FrameRow>> = new.iter().map(encode).collect::<Result<_, _>>()?;
        self.transact("storing readings", |tx| {
            new.iter().zip(&frames).try_for_each(|(new, frames)| self.put_reading(tx, new, frames).map(drop))
        })
    }

    fn put_reading(&self, tx: &Transaction<'_>, new: &NewReading<'_>, frames: &[FrameRow]) -> rusqlite::Result<i64> {
        let (reading, made_with) = (new.reading, new.made_with);
        let id = insert_reading(tx, new)?;
        tx.prepare_cached(CONTINUE_HOUR)?.execute(params![id, hour_of(reading.time_mid)])?;
        tx.prepare_cached(CONTINUE_RUN)?.execute(params![made_with.instrument, id, made_with.computation])?;
        self.sealed().seal(tx, "reading", id)?;
        put_frames(tx, self.sealed(), id, new.frames, frames)?;
        self.put_values(tx, id, made_with.computation, made_with.calibration, reading)?;
        self.put_window(tx, id, reading)?;
        // A late reading, or one after the clock was set back, can lie in a range that is already rolled up.
        let mid = reading.time_mid;
        invalidation::delete_rollups(tx, made_with.instrument, mid, UtcMicros(mid.0.saturating_add(1)))?;
        new.events.iter().try_for_each(|e| put_event(tx, self.sealed(), e).map(drop))?;
        new.saved_states.iter().try_for_each(|s| put_state(tx, s))?;
        Ok(id)
    }

    /// Stores the values of a reading in a computation.
    pub(super) fn put_values(
        &self,
        tx: &Transaction<'_>,
        id: i64,
        computation: i64,
        calibration: Option<i64>,
        reading: &Reading,
    ) -> rusqlite::Result<()> {
        let mut reasons = serde_json::Map::new();
        let mut statement = tx.prepare_cached(&self.insert_value)?;
        let mut bind = Binder { statement: &mut statement, next: 1 };
        bind.put(computation << READING_BITS | id)?;
        bind.put(calibration)?;
        bind.put(reading.flags.0)?;
        bind.put(finite(reading.signal_to_noise))?;
        bind.put(finite(reading.stray_floor))?;
        bind.put(finite(reading.dark_age))?;
        bind.put(finite(reading.uv_index_stray_share))?;
        let lamps = reading.lamps.filter(|l| (l.ppfd + l.uncertainty).is_finite());
        bind.put(lamps.map(|l| l.ppfd + 0.0))?;
        bind.put(lamps.map(|l| l.uncertainty + 0.0))?;
        for ((name, _), value) in self.quantities().iter().zip(&reading.values) {
            if let Some(why) = why_null(value) {
                reasons.insert(name.clone(), why.into());
            }
        }
        bind.put((!reasons.is_empty()).then(|| serde_json::Value::Object(reasons).to_string()))?;
        for (k, value) in reading.values.iter().enumerate() {
            match value {
                QuantityValue::Value { value: v, uncertainty, verdict } if why_null(value).is_none() => {
                    // Adding 0 turns negative zero into zero, as SQLite stores integral numbers as integers.
                    bind.put(v + 0.0)?;
                    bind.put(uncertainty + 0.0)?;
                    bind.put(*verdict as i64)?;
                }
                _ => (0..3).try_for_each(|_| bind.put(None::<f64>))?,
            }
            bind.put(reading.flags_of(k).0)?;
        }
        statement.raw_execute()?;
        self.sealed().seal(tx, "value", computation << READING_BITS | id)
    }

    fn put_window(&self, tx: &Transaction<'_>, id: i64, reading: &Reading) -> rusqlite::Result<()> {
        if !reading.window.is_empty() {
            let mut statement = tx.prepare_cached(&self.insert_window)?;
            let mut bind = Binder { statement: &mut statement, next: 1 };
            bind.put(id)?;
            for w in &reading.window {
                let w = w.filter(|w| (w.minimum + w.maximum + w.deviation).is_finite());
                bind.put(w.map(|w| w.minimum + 0.0))?;
                bind.put(w.map(|w| w.maximum + 0.0))?;
                bind.put(w.map(|w| w.deviation + 0.0))?;
            }
            statement.raw_execute()?;
            self.sealed().seal(tx, "window_value", id)?;
        }
        Ok(())
    }

    fn check_shape(&self, new: &NewReading<'_>) -> Result<(), StoreError> {
        let shape = |expected: String, found: usize| Err(StoreError::Shape { expected, found: found.to_string() });
        let (n, reading) = (self.quantities().len(), new.reading);
        if reading.values.len() != n {
            return shape(format!("values of {n} quantities"), reading.values.len());
        }
        if !reading.window.is_empty() && reading.window.len() != n {
            return shape(format!("window statistics of none or {n} quantities"), reading.window.len());
        }
        if new.frames.len() > FRAMES_PER_READING as usize {
            return shape(format!("at most {FRAMES_PER_READING} frames"), new.frames.len());
        }
        Ok(())
    }
}

/// The frames of a reading as rows.
fn encode(new: &NewReading<'_>) -> Result<Vec<FrameRow>, StoreError> {
    new.frames.iter().map(|record| Ok(FrameRow::encode(&record.frame)?)).collect()
}

fn insert_reading(tx: &Transaction<'_>, new: &NewReading<'_>) -> rusqlite::Result<i64> {
    let r: &Reading = new.reading;
    tx.prepare_cached(INSERT_READING)?.insert(params![
        r.time_start.0,
        r.time_mid.0,
        r.time_end.0,
        new.made_with.instrument,
        new.made_with.configuration,
        finite(r.sun_elevation),
        finite(r.sun_azimuth),
        finite(r.relative_air_mass),
        finite(r.detector_temperature),
        exposures_text(&r.exposures),
        finite(Some(r.peak_level)),
        r.flags.0,
        new.about.bits(),
        finite(Some(new.about.unsteady_share)),
        finite(Some(new.about.drift.shift_nm)),
        finite(Some(new.about.drift.wavelength_age_s)),
        finite(Some(new.about.drift.response_age_s)),
        new.about.lamp_shapes,
    ])
}

/// `None` for a number that is not finite.
fn finite(x: Option<f64>) -> Option<f64> {
    x.filter(|x| x.is_finite())
}

/// The reason why a value is stored as null; `None` if it is not.
fn why_null(value: &QuantityValue) -> Option<String> {
    match value {
        QuantityValue::Null(reason) => Some(reason.clone()),
        QuantityValue::Value { value, .. } if !value.is_finite() => Some(format!("the computed value was {value}")),
        QuantityValue::Value { uncertainty, .. } if !(*uncertainty >= 0.0 && uncertainty.is_finite()) => {
            Some(format!("the computed uncertainty was {uncertainty}"))
        }
        QuantityValue::Value { .. } => None,
    }
}

/// Binds parameters in order.
struct Binder<'a, 'c> {
    statement: &'a mut Statement<'c>,
    next: usize,
}

impl Binder<'_, '_> {
    fn put(&mut self, value: impl ToSql) -> rusqlite::Result<()> {
        self.statement.raw_bind_parameter(self.next, value)?;
        self.next += 1;
        Ok(())
    }
}
