//! Writing: one transaction for everything that belongs together.

use super::codec::learning::Fresh;
use super::error::StoreError;
use super::rows::{NewReading, SavedState};
use super::schema::{FRAMES_PER_READING, READING_BITS};
use super::{Store, codec, query, rollups};
use crate::clock::UtcMicros;
use crate::record::{Dark, DarkProvenance, DarkReference, Event, EventKind, QuantityValue, Reading};
use rusqlite::{Connection, Statement, ToSql, Transaction, TransactionBehavior, params};

const INSERT_READING: &str = "INSERT INTO reading(time_start, time_mid, time_end, instrument, configuration, \
     sun_elevation, sun_azimuth, relative_air_mass, detector_temperature, exposures, peak_level, flags, acquisition_context, \
     unsteady_share, wavelength_applied, wavelength_age, response_age) \
     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17)";
const INSERT_FRAME: &str = "INSERT INTO frame(id, dark, dark_model, integration, temperature, exposures, detail, \
     sums, crc32, dark_provenance) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)";
const INSERT_DARK: &str = "INSERT INTO dark(instrument, time, source, integration, temperature, exposures, detail, \
     sums, crc32) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)";
const INSERT_EVENT: &str =
    "INSERT INTO event(time, until, instrument, kind, cause, text) VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
const UPSERT_STATE: &str = "INSERT INTO saved_state(instrument, name, json, time) VALUES (?1, ?2, ?3, ?4) \
     ON CONFLICT DO UPDATE SET json = excluded.json, time = excluded.time";

/// Begins a run where another computation's values were in force so far.
const CONTINUE_RUN: &str = "INSERT OR REPLACE INTO active_values(instrument, first_reading, computation) \
     SELECT ?1, ?2, ?3 WHERE ?3 IS NOT (SELECT computation FROM active_values \
     WHERE instrument = ?1 AND first_reading <= ?2 ORDER BY first_reading DESC LIMIT 1)";

/// Columns of `value` before those of the quantities.
const VALUE_FACTS: [&str; 7] = ["id", "calibration", "flags", "signal_to_noise", "stray_floor", "dark_age", "reasons"];

/// The statement that stores values, for quantities in this order.
pub(super) fn insert_value(ids: &[&str]) -> String {
    let quantities = ids.iter().flat_map(|id| ["", "_uncertainty", "_verdict"].map(|s| format!("\"{id}{s}\"")));
    insert("value", VALUE_FACTS.map(str::to_owned).into_iter().chain(quantities).collect())
}

/// The statement that stores window statistics, for quantities in this order.
pub(super) fn insert_window(ids: &[&str]) -> String {
    let quantities = ids.iter().flat_map(|id| ["minimum", "maximum", "deviation"].map(|s| format!("\"{id}_{s}\"")));
    insert("window_value", std::iter::once("reading".to_owned()).chain(quantities).collect())
}

fn insert(table: &str, columns: Vec<String>) -> String {
    format!("INSERT INTO {table}({}) VALUES ({})", columns.join(", "), vec!["?"; columns.len()].join(", "))
}

impl Store {
    /// Stores a reading with its frames, values, events and state; durable when this returns its id.
    pub fn commit_reading(&self, new: &NewReading<'_>) -> Result<i64, StoreError> {
        let doing = "storing a reading";
        self.check_shape(new)?;
        let reading = new.reading;
        // Coding needs no lock of the database and no transaction.
        let instrument = new.made_with.instrument;
        let (frames, learned) = self.code_all(new)?;
        let mut inner = self.lock();
        let hour = query::hour_of(reading.time_mid);
        let new_hour = inner.last_hour != Some(hour);
        let id = transact(&mut inner.connection, doing, |tx| self.put_reading(tx, new, &frames, new_hour))?;
        inner.last_hour = Some(hour);
        drop(inner);
        learned.into_iter().for_each(|fresh| self.learn(instrument, Some(fresh)));
        Ok(id)
    }

    /// Stores many readings in one transaction, to make a large database for measurements.
    #[doc(hidden)]
    pub fn commit_readings(&self, new: &[NewReading<'_>]) -> Result<(), StoreError> {
        let mut coded = Vec::with_capacity(new.len());
        for new in new {
            self.check_shape(new)?;
            let (frames, learned) = self.code_all(new)?;
            learned.into_iter().for_each(|fresh| self.learn(new.made_with.instrument, Some(fresh)));
            coded.push(frames);
        }
        let mut inner = self.lock();
        let mut last = inner.last_hour;
        transact(&mut inner.connection, "storing readings", |tx| {
            for (new, frames) in new.iter().zip(&coded) {
                let hour = Some(query::hour_of(new.reading.time_mid));
                self.put_reading(tx, new, frames, last != hour)?;
                last = hour;
            }
            Ok(())
        })?;
        inner.last_hour = last;
        Ok(())
    }

    /// The frames of a reading, coded, and the patterns that came of it.
    fn code_all(&self, new: &NewReading<'_>) -> Result<(Vec<codec::Coded>, Vec<Fresh>), StoreError> {
        let (mut frames, mut learned) = (Vec::with_capacity(new.frames.len()), Vec::new());
        for record in new.frames {
            let (coded, fresh) = self.code(new.made_with.instrument, &record.frame, false)?;
            frames.push(coded);
            learned.extend(fresh);
        }
        Ok((frames, learned))
    }

    fn put_reading(
        &self,
        tx: &Transaction<'_>,
        new: &NewReading<'_>,
        frames: &[codec::Coded],
        new_hour: bool,
    ) -> rusqlite::Result<i64> {
        let reading = new.reading;
        let hour = query::hour_of(reading.time_mid);
        let id = insert_reading(tx, new)?;
        if new_hour {
            tx.prepare_cached("INSERT INTO hour(first_reading, hour) VALUES (?1, ?2)")?.execute(params![id, hour])?;
        }
        tx.prepare_cached(CONTINUE_RUN)?.execute(params![new.made_with.instrument, id, new.made_with.computation])?;
        for (bracket, (record, coded)) in new.frames.iter().zip(frames).enumerate() {
            let (dark, model) = match record.dark {
                DarkReference::Matched { dark, model } => (Some(dark), model),
                DarkReference::Model(model) => (None, Some(model)),
                DarkReference::None => (None, None),
            };
            let frame = &record.frame;
            tx.prepare_cached(INSERT_FRAME)?.execute(params![
                id * FRAMES_PER_READING + bracket as i64,
                dark,
                model,
                frame.integration_s,
                finite(frame.temperature_c),
                frame.exposures() as i64,
                coded.detail,
                coded.sums,
                coded.crc32,
                record.dark_provenance.map(DarkProvenance::bits),
            ])?;
        }
        let made_with = new.made_with;
        self.put_values(tx, id, made_with.computation, made_with.calibration, reading)?;
        self.put_window(tx, id, reading)?;
        // One that comes late, or after the clock was set back, falls into what was summed up already.
        rollups::drop_around(tx, new.made_with.instrument, reading.time_mid)?;
        new.events.iter().try_for_each(|e| put_event(tx, e).map(drop))?;
        new.saved_states.iter().try_for_each(|t| put_tracker(tx, t))?;
        Ok(id)
    }

    /// Stores what a computation made of a reading.
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
        for ((name, _), value) in self.quantities().iter().zip(&reading.values) {
            if let Some(why) = why_null(value) {
                reasons.insert(name.clone(), why.into());
            }
        }
        bind.put((!reasons.is_empty()).then(|| serde_json::Value::Object(reasons).to_string()))?;
        for value in &reading.values {
            match value {
                QuantityValue::Value { value: v, uncertainty, verdict } if why_null(value).is_none() => {
                    // Negative zero is zero: SQLite keeps whole numbers as integers.
                    bind.put(v + 0.0)?;
                    bind.put(uncertainty + 0.0)?;
                    bind.put(*verdict as i64)?;
                }
                _ => (0..3).try_for_each(|_| bind.put(None::<f64>))?,
            }
        }
        statement.raw_execute().map(drop)
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

    /// Stores a dark that was accepted; returns its row.
    pub fn add_dark(&self, instrument: i64, dark: &Dark) -> Result<i64, StoreError> {
        let (coded, fresh) = self.code(instrument, &dark.frame, true)?;
        let frame = &dark.frame;
        let id = self.transact("storing a dark", |tx| {
            tx.prepare_cached(INSERT_DARK)?.insert(params![
                instrument,
                frame.start().0,
                dark.source.name(),
                frame.integration_s,
                finite(frame.temperature_c),
                frame.exposures() as i64,
                coded.detail,
                coded.sums,
                coded.crc32,
            ])
        })?;
        self.learn(instrument, fresh);
        Ok(id)
    }

    /// Stores a fitted dark model; returns its row.
    pub fn add_dark_model(&self, instrument: i64, fitted_at: UtcMicros, blob: &[u8]) -> Result<i64, StoreError> {
        self.transact("storing a dark model", |tx| {
            tx.prepare_cached("INSERT INTO dark_model(instrument, fitted_at, blob, crc32) VALUES (?1, ?2, ?3, ?4)")?
                .insert(params![instrument, fitted_at.0, blob, crc32fast::hash(blob)])
        })
    }

    /// Stores an event; returns its row.
    pub fn add_event(&self, event: &Event) -> Result<i64, StoreError> {
        self.transact("storing an event", |tx| put_event(tx, event))
    }

    /// Stores events that belong together; returns their rows.
    pub fn add_events(&self, events: &[Event]) -> Result<Vec<i64>, StoreError> {
        self.transact("storing events", |tx| events.iter().map(|e| put_event(tx, e)).collect())
    }

    /// Moves the end of an event that lasts on, and rewords it. A span is no such event: see [`Store::end_span`].
    pub fn extend_event(&self, id: i64, until: UtcMicros, text: &str) -> Result<(), StoreError> {
        let changed = self.transact("extending an event", |tx| {
            tx.prepare_cached("UPDATE event SET until = ?2, text = ?3 WHERE id = ?1 AND kind <> 'span'")?
                .execute(params![id, until.0, text])
        })?;
        if changed == 1 {
            return Ok(());
        }
        Err(StoreError::Shape { expected: "the row of an event".into(), found: format!("{id}") })
    }

    /// Saves state that has to outlive a restart, in place of what was saved under its name.
    pub fn save_tracker(&self, tracker: &SavedState) -> Result<(), StoreError> {
        self.transact("saving state", |tx| put_tracker(tx, tracker))
    }

    /// Runs `work` in one write transaction, which is rolled back unless all of it succeeds.
    pub(super) fn transact<T>(
        &self,
        doing: &'static str,
        work: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        transact(&mut self.lock().connection, doing, work)
    }
}

fn transact<T>(
    connection: &mut Connection,
    doing: &'static str,
    work: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>,
) -> Result<T, StoreError> {
    // Immediate: a write lock that is taken late cannot wait for another process and fails instead.
    let oops = StoreError::sqlite(doing);
    let tx = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(&oops)?;
    let done = work(&tx).map_err(&oops)?;
    tx.commit().map_err(&oops)?;
    Ok(done)
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
        query::exposures_text(&r.exposures),
        finite(Some(r.peak_level)),
        r.flags.0,
        new.about.bits(),
        finite(Some(new.about.unsteady_share)),
        finite(Some(new.about.tracked.shift_nm)),
        finite(Some(new.about.tracked.wavelength_age_s)),
        finite(Some(new.about.tracked.response_age_s)),
    ])
}

/// Stores an event within a transaction; a span takes with it what was summed up of the readings it covers.
pub(super) fn put_event(tx: &Transaction<'_>, event: &Event) -> rusqlite::Result<i64> {
    if matches!(event.kind, EventKind::FlaggedInterval(_)) {
        let until = event.until.unwrap_or(UtcMicros(i64::MAX));
        rollups::drop_rollups_of(tx, event.instrument.as_deref(), event.time, until)?;
    }
    tx.prepare_cached(INSERT_EVENT)?.insert(params![
        event.time.0,
        event.until.map(|t| t.0),
        event.instrument,
        event.kind.name(),
        event.kind.cause_name(),
        event.text,
    ])
}

fn put_tracker(tx: &Transaction<'_>, t: &SavedState) -> rusqlite::Result<()> {
    tx.prepare_cached(UPSERT_STATE)?.execute(params![t.instrument, t.name, t.json, t.time.0]).map(drop)
}

/// Null for what is not finite.
fn finite(x: Option<f64>) -> Option<f64> {
    x.filter(|x| x.is_finite())
}

/// Why a quantity is stored as null, where it is.
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
