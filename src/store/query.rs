//! Reading: short reads only, so that no read mark keeps the write-ahead log from being folded back.

use super::codec::{self, Coded};
use super::error::StoreError;
use super::rows::{DarkModel, FrameRecord, MadeWith, SavedState, StoredReading};
use super::schema::{FRAMES_PER_READING, READING_BITS, VALUE_IN_FORCE};
use super::{Inner, Reader, spans};
use crate::clock::UtcMicros;
use crate::record::{
    AcquisitionContext, Bracket, Dark, DarkProvenance, DarkReference, DarkSource, Event, EventKind, Flags, Frame,
    QuantityValue, Reading, Tracked, Verdict, WindowStatistics,
};
use rusqlite::{Connection, OptionalExtension, Params, Row, params};
use std::borrow::Cow;
use std::collections::VecDeque;
use std::ops::Range;

/// Readings fetched in one go.
const PAGE: i64 = 256;
/// Why a quantity is null that the program did not know when it computed the values.
pub const NOT_YET_A_QUANTITY: &str = "not among the quantities when it was computed";
pub(super) const MICROS_PER_HOUR: i64 = 3_600_000_000;

/// The hour of an instant since 1970.
pub(super) fn hour_of(t: UtcMicros) -> i64 {
    t.0.div_euclid(MICROS_PER_HOUR)
}

/// The hour of the newest reading.
pub(super) fn last_hour(connection: &Connection) -> Result<Option<i64>, StoreError> {
    connection
        .query_row("SELECT time_mid FROM reading ORDER BY id DESC LIMIT 1", [], |row| row.get(0))
        .optional()
        .map(|t| t.map(|t| hour_of(UtcMicros(t))))
        .map_err(StoreError::sqlite("reading the newest reading"))
}

/// Which quantities are read of a reading, as which computation made them, and the statement that does.
#[derive(Clone, Debug)]
pub(super) struct Columns {
    pub(super) quantities: Vec<(String, String)>,
    /// `None`: whichever is in force for the reading.
    pub(super) computation: Option<i64>,
    select: String,
}

impl Columns {
    pub(super) fn of(quantities: Vec<(String, String)>, computation: Option<i64>) -> Self {
        let value = match computation {
            None => VALUE_IN_FORCE.to_owned(),
            Some(id) => format!("({id} << {READING_BITS} | r.id)"),
        };
        let select = select(quantities.iter().map(|(id, _)| id.as_str()), &value);
        Self { quantities, computation, select }
    }
    /// Why there is no value where the computation has made none of the reading.
    fn absence(&self) -> String {
        match self.computation {
            None => "no values are in force".to_owned(),
            Some(id) => format!("not made by computation {id}"),
        }
    }
}

/// The columns of a reading, without a condition; `value` is the id of its row in `value`, as SQL.
fn select<'a>(ids: impl Iterator<Item = &'a str>, value: &str) -> String {
    let mut columns = String::new();
    for id in ids {
        for column in ["v.\"ID\"", "v.\"ID_uncertainty\"", "v.\"ID_verdict\""] {
            columns += &format!(", {}", column.replace("ID", id));
        }
        for column in ["w.\"ID_minimum\"", "w.\"ID_maximum\"", "w.\"ID_deviation\""] {
            columns += &format!(", {}", column.replace("ID", id));
        }
    }
    format!(
        "SELECT r.id, r.time_start, r.time_mid, r.time_end, r.instrument, i.name, r.configuration, r.sun_elevation, \
         r.sun_azimuth, r.relative_air_mass, r.detector_temperature, r.exposures, r.peak_level, r.flags, v.computation, \
         v.calibration, v.flags, v.signal_to_noise, v.stray_floor, v.dark_age, v.reasons, w.reading, r.acquisition_context, \
         r.unsteady_share, r.wavelength_applied, r.wavelength_age, r.response_age{columns} \
         FROM reading r JOIN instrument i ON i.id = r.instrument LEFT JOIN value v ON v.id = {value} \
         LEFT JOIN window_value w ON w.reading = r.id"
    )
}
const BETWEEN: &str = "WHERE r.id >= ?1 AND r.id < ?2 AND r.time_mid >= ?3 AND r.time_mid < ?4 ORDER BY r.id";
const FIRST_QUANTITY: usize = 27;

/// How the brackets are written in `reading.exposures`.
pub(super) fn exposures_text(brackets: &[Bracket]) -> String {
    let pairs: Vec<(f64, u32)> = brackets.iter().map(|r| (r.integration_s, r.exposures)).collect();
    // Numbers and arrays can always be written; what is not finite becomes null.
    serde_json::to_string(&pairs).unwrap_or_else(|_| "[]".into())
}

/// A reading and one of its frames, or why that cannot be read.
pub type FrameOf = (i64, Result<FrameRecord, StoreError>);

/// How much a database holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Counts {
    /// Readings.
    pub readings: i64,
    /// Accepted darks.
    pub darks: i64,
    /// Events of every kind.
    pub events: i64,
    /// Of these, gaps.
    pub gaps: i64,
    /// Size of the database file [bytes], without the write-ahead log.
    pub bytes: i64,
}

impl Reader {
    /// The newest `n` readings, oldest first.
    pub fn latest(&self, n: usize) -> Result<Vec<StoredReading>, StoreError> {
        let inner = self.lock();
        let n = i64::try_from(n).unwrap_or(i64::MAX);
        let mut readings = self.fetch(&inner, &self.columns, "ORDER BY r.id DESC LIMIT ?1", [n])?;
        readings.reverse();
        Ok(readings)
    }

    /// One reading.
    pub fn reading(&self, id: i64) -> Result<Option<StoredReading>, StoreError> {
        Ok(self.fetch(&self.lock(), &self.columns, "WHERE r.id = ?1", [id])?.pop())
    }

    /// The readings with `from <= time_mid < to`, in the order in which they were stored, fetched page by page.
    ///
    /// Readings that are stored while this runs are not seen.
    pub fn readings(&self, from: UtcMicros, to: UtcMicros) -> Result<Readings<'_>, StoreError> {
        self.readings_by(Cow::Borrowed(&self.columns), from, to)
    }

    /// The same with only these quantities, those of them the database knows ([`Readings::quantities`]), in this order: a
    /// fraction of the work. A span that touches none of them, but others, still shows in the flags.
    pub fn readings_of(&self, ids: &[&str], from: UtcMicros, to: UtcMicros) -> Result<Readings<'_>, StoreError> {
        let known = |id: &&str| self.quantities().iter().find(|q| q.0 == **id).cloned();
        let quantities = ids.iter().filter_map(known).collect();
        self.readings_by(Cow::Owned(Columns::of(quantities, self.columns.computation)), from, to)
    }

    fn readings_by<'a>(
        &'a self,
        columns: Cow<'a, Columns>,
        from: UtcMicros,
        to: UtcMicros,
    ) -> Result<Readings<'a>, StoreError> {
        let ranges = self.ids_between(from, to)?.into();
        Ok(Readings { reader: self, columns, from, to, ranges, page: VecDeque::new() })
    }

    /// Runs of ids that hold every reading with `from <= time_mid < to`, and others of the same hours.
    pub fn ids_between(&self, from: UtcMicros, to: UtcMicros) -> Result<Vec<Range<i64>>, StoreError> {
        let inner = self.lock();
        let runs = |c: &Connection| -> rusqlite::Result<(Vec<Range<i64>>, i64)> {
            // Runs that begin in these hours, each up to where the next one begins.
            let sql = "SELECT first_reading, coalesce((SELECT min(n.first_reading) FROM hour n \
                 WHERE n.first_reading > h.first_reading), ?3) FROM hour h WHERE hour BETWEEN ?1 AND ?2 ORDER BY first_reading";
            let mut statement = c.prepare_cached(sql)?;
            let hours = (hour_of(from), hour_of(UtcMicros(to.0.saturating_sub(1))));
            let range = |row: &Row<'_>| Ok(row.get(0)?..row.get(1)?);
            let runs = statement.query_map([hours.0, hours.1, i64::MAX], range)?.collect::<Result<_, _>>()?;
            Ok((runs, c.query_row("SELECT coalesce(max(id), 0) FROM reading", [], |row| row.get(0))?))
        };
        let (runs, last) = runs(&inner.connection).map_err(StoreError::sqlite("finding readings by time"))?;
        let mut ranges: Vec<Range<i64>> = Vec::new();
        for Range { start, end } in runs {
            let end = end.min(last + 1);
            if start >= end {
                continue;
            }
            match ranges.last_mut() {
                Some(range) if range.end == start => range.end = end,
                _ => ranges.push(start..end),
            }
        }
        Ok(ranges)
    }

    /// How many of the readings with these ids have `from <= time_mid < to`.
    pub fn count_readings(&self, ids: Range<i64>, from: UtcMicros, to: UtcMicros) -> Result<u64, StoreError> {
        let sql = "SELECT count(*) FROM reading WHERE id >= ?1 AND id < ?2 AND time_mid >= ?3 AND time_mid < ?4";
        let found =
            self.rows("counting readings", sql, [ids.start, ids.end, from.0, to.0], |row| row.get::<_, i64>(0))?;
        Ok(found.first().map_or(0, |n| *n as u64))
    }

    /// Of the readings with these ids, those with `from <= time_mid < to`: what is known of them without their values.
    pub fn facts(&self, ids: Range<i64>, from: UtcMicros, to: UtcMicros) -> Result<Vec<StoredReading>, StoreError> {
        let columns = Columns::of(Vec::new(), self.columns.computation);
        self.fetch(&self.lock(), &columns, BETWEEN, [ids.start, ids.end, from.0, to.0])
    }

    fn fetch(
        &self,
        inner: &Inner,
        columns: &Columns,
        tail: &str,
        params: impl Params,
    ) -> Result<Vec<StoredReading>, StoreError> {
        let read = || -> rusqlite::Result<Vec<Result<StoredReading, StoreError>>> {
            let mut statement = inner.connection.prepare_cached(&format!("{} {tail}", columns.select))?;
            statement.query_map(params, |row| reading_of(columns, row))?.collect()
        };
        let mut readings: Vec<StoredReading> =
            read().map_err(StoreError::sqlite("reading readings"))?.into_iter().collect::<Result<_, _>>()?;
        spans::apply(&inner.connection, &columns.quantities, self.quantities(), &mut readings)?;
        Ok(readings)
    }

    /// The frames of a reading with the darks that served, shortest bracket first.
    pub fn frames(&self, reading: i64) -> Result<Vec<FrameRecord>, StoreError> {
        let of_one = |(_, frame): FrameOf| frame;
        self.frames_of(reading..reading.saturating_add(1))?.into_iter().map(of_one).collect()
    }

    /// The frames of the readings with these ids, each with its reading, in their order; a damaged one is an error of its own.
    pub fn frames_of(&self, ids: Range<i64>) -> Result<Vec<FrameOf>, StoreError> {
        let sql = "SELECT id, integration, temperature, detail, sums, crc32, dark, dark_model, dark_provenance FROM frame \
             WHERE id >= ?1 AND id < ?2 ORDER BY id";
        let ids = [ids.start, ids.end].map(|id| id.saturating_mul(FRAMES_PER_READING));
        let rows = self.rows("reading frames", sql, ids, |row| {
            let dark = match (row.get(6)?, row.get(7)?) {
                (Some(dark), model) => DarkReference::Matched { dark, model },
                (None, Some(model)) => DarkReference::Model(model),
                (None, None) => DarkReference::None,
            };
            let dark_provenance = row.get::<_, Option<u32>>(8)?.map(DarkProvenance::from_bits);
            Ok((CodedRow::of(row)?, dark, dark_provenance))
        })?;
        let frame = |(coded, dark, dark_provenance): (CodedRow, _, _)| {
            let reading = coded.id.div_euclid(FRAMES_PER_READING);
            (reading, self.frame_of("frame", &coded).map(|frame| FrameRecord { frame, dark, dark_provenance }))
        };
        Ok(rows.into_iter().map(frame).collect())
    }

    /// One dark.
    pub fn dark(&self, id: i64) -> Result<Option<Dark>, StoreError> {
        self.darks_where("id = ?1", [id])?.pop().transpose()
    }

    /// The darks of an instrument (its row) since an instant, oldest first; a damaged one is an error of its own, so that
    /// the others can still serve.
    pub fn darks(&self, instrument: i64, since: UtcMicros) -> Result<Vec<Result<Dark, StoreError>>, StoreError> {
        self.darks_where("instrument = ?1 AND time >= ?2 ORDER BY time, id", [instrument, since.0])
    }

    pub(super) fn darks_where(
        &self,
        condition: &str,
        params: impl Params,
    ) -> Result<Vec<Result<Dark, StoreError>>, StoreError> {
        let sql =
            format!("SELECT id, integration, temperature, detail, sums, crc32, source FROM dark WHERE {condition}");
        let rows =
            self.rows("reading darks", &sql, params, |row| Ok((CodedRow::of(row)?, row.get::<_, String>(6)?)))?;
        let dark = |(coded, source): (CodedRow, String)| {
            let id = coded.id;
            let Some(source) = DarkSource::from_name(&source) else {
                let expected = "shutter, night or covered".into();
                return Err(StoreError::Corrupt { table: "dark", id, expected, found: source });
            };
            Ok(Dark { id, source, frame: self.frame_of("dark", &coded)? })
        };
        Ok(rows.into_iter().map(dark).collect())
    }

    /// One dark model.
    pub fn dark_model(&self, id: i64) -> Result<Option<DarkModel>, StoreError> {
        self.dark_model_where("id = ?1", id)
    }

    /// The dark model of an instrument (its row) that was stored last.
    pub fn latest_dark_model(&self, instrument: i64) -> Result<Option<DarkModel>, StoreError> {
        self.dark_model_where("instrument = ?1 ORDER BY id DESC LIMIT 1", instrument)
    }

    fn dark_model_where(&self, condition: &str, key: i64) -> Result<Option<DarkModel>, StoreError> {
        let sql = format!("SELECT id, instrument, fitted_at, blob, crc32 FROM dark_model WHERE {condition}");
        let mut rows = self.rows("reading a dark model", &sql, [key], |row| {
            let model = DarkModel {
                id: row.get(0)?,
                instrument: row.get(1)?,
                fitted_at: UtcMicros(row.get(2)?),
                blob: row.get(3)?,
            };
            Ok((model, row.get::<_, u32>(4)?))
        })?;
        let Some((model, want)) = rows.pop() else { return Ok(None) };
        let got = crc32fast::hash(&model.blob);
        if want != got {
            let (expected, found) = (format!("a blob with checksum {want:08x}"), format!("{got:08x}"));
            return Err(StoreError::Corrupt { table: "dark_model", id: model.id, expected, found });
        }
        Ok(Some(model))
    }

    /// State saved under a name for an instrument (its row).
    pub fn load_state(&self, instrument: i64, name: &str) -> Result<Option<SavedState>, StoreError> {
        let sql = "SELECT json, time FROM saved_state WHERE instrument = ?1 AND name = ?2";
        let mut rows = self.rows("reading saved state", sql, params![instrument, name], |row| {
            Ok(SavedState { instrument, name: name.to_owned(), json: row.get(0)?, time: UtcMicros(row.get(1)?) })
        })?;
        Ok(rows.pop())
    }

    /// The events that touch `from <= t < to`, by time.
    pub fn events(&self, from: UtcMicros, to: UtcMicros) -> Result<Vec<Event>, StoreError> {
        self.events_where("time < ?2 AND coalesce(until, time) >= ?1 ORDER BY time, id", [from.0, to.0])
    }

    /// The gaps that touch `from <= t < to`, by time.
    pub fn gaps(&self, from: UtcMicros, to: UtcMicros) -> Result<Vec<Event>, StoreError> {
        let condition = "kind = 'gap' AND time < ?2 AND coalesce(until, time) >= ?1 ORDER BY time, id";
        self.events_where(condition, [from.0, to.0])
    }

    /// The newest `n` events, oldest first.
    pub fn latest_events(&self, n: usize) -> Result<Vec<Event>, StoreError> {
        let n = i64::try_from(n).unwrap_or(i64::MAX);
        let mut events = self.events_where("1 ORDER BY time DESC, id DESC LIMIT ?1", [n])?;
        events.reverse();
        Ok(events)
    }

    /// The newest `n` gaps, oldest first.
    pub fn latest_gaps(&self, n: usize) -> Result<Vec<Event>, StoreError> {
        let n = i64::try_from(n).unwrap_or(i64::MAX);
        let mut events = self.events_where("kind = 'gap' ORDER BY time DESC, id DESC LIMIT ?1", [n])?;
        events.reverse();
        Ok(events)
    }

    /// Whether any reading filled a window.
    pub fn has_windows(&self) -> Result<bool, StoreError> {
        let found = self.rows("looking for windows", "SELECT 1 FROM window_value LIMIT 1", [], |_| Ok(()))?;
        Ok(!found.is_empty())
    }

    fn events_where(&self, condition: &str, params: impl Params) -> Result<Vec<Event>, StoreError> {
        let sql = format!("SELECT id, time, until, instrument, kind, cause, text FROM event WHERE {condition}");
        let rows = self.rows("reading events", &sql, params, |row| {
            let (kind, cause): (String, Option<String>) = (row.get(4)?, row.get(5)?);
            let Some(kind) = EventKind::from_names(&kind, cause.as_deref()) else {
                let (expected, found) = ("a known kind of event".into(), format!("{kind} {cause:?}"));
                return Ok(Err(StoreError::Corrupt { table: "event", id: row.get(0)?, expected, found }));
            };
            Ok(Ok(Event {
                time: UtcMicros(row.get(1)?),
                until: row.get::<_, Option<i64>>(2)?.map(UtcMicros),
                instrument: row.get(3)?,
                kind,
                text: row.get(6)?,
            }))
        })?;
        rows.into_iter().collect()
    }

    /// How much there is. Readings are counted by their ids, which have no holes.
    pub fn counts(&self) -> Result<Counts, StoreError> {
        let sql = "SELECT (SELECT coalesce(max(id) - min(id) + 1, 0) FROM reading), (SELECT count(*) FROM dark), \
             (SELECT count(*) FROM event), (SELECT count(*) FROM event WHERE kind = 'gap'), \
             (SELECT page_count FROM pragma_page_count) * (SELECT page_size FROM pragma_page_size)";
        let mut rows = self.rows("counting", sql, [], |row| {
            Ok(Counts {
                readings: row.get(0)?,
                darks: row.get(1)?,
                events: row.get(2)?,
                gaps: row.get(3)?,
                bytes: row.get(4)?,
            })
        })?;
        // A SELECT without FROM has exactly one row.
        Ok(rows.pop().unwrap_or(Counts { readings: 0, darks: 0, events: 0, gaps: 0, bytes: 0 }))
    }

    /// The first and last reading; an empty range where there is none.
    pub fn ids_of_readings(&self) -> Result<std::ops::RangeInclusive<i64>, StoreError> {
        let sql = "SELECT coalesce(min(id), 1), coalesce(max(id), 0) FROM reading";
        let mut rows = self.rows("looking for readings", sql, [], |row| Ok(row.get(0)?..=row.get(1)?))?;
        // An aggregate has exactly one row.
        Ok(rows.pop().unwrap_or(std::ops::RangeInclusive::new(1, 0)))
    }

    /// Every dark, by row.
    pub fn ids_of_darks(&self) -> Result<Vec<i64>, StoreError> {
        self.rows("looking for darks", "SELECT id FROM dark ORDER BY id", [], |row| row.get(0))
    }

    /// Every dark model, by row.
    pub fn ids_of_dark_models(&self) -> Result<Vec<i64>, StoreError> {
        self.rows("looking for dark models", "SELECT id FROM dark_model ORDER BY id", [], |row| row.get(0))
    }

    /// Rows that name a row of another table which is not there; empty when all is well.
    pub fn reference_faults(&self) -> Result<Vec<String>, StoreError> {
        self.rows("checking references", "PRAGMA foreign_key_check", [], |row| {
            let (table, id, other): (String, Option<i64>, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
            Ok(format!("{table} {}: names a row of {other} that is not there", id.unwrap_or(0)))
        })
    }

    /// What SQLite's own check of the whole file finds; empty when all is well.
    pub fn integrity_faults(&self) -> Result<Vec<String>, StoreError> {
        let mut found = self.rows("checking integrity", "PRAGMA integrity_check", [], |row| row.get(0))?;
        found.retain(|line: &String| line != "ok");
        Ok(found)
    }

    fn frame_of(&self, table: &'static str, row: &CodedRow) -> Result<Frame, StoreError> {
        let frame = codec::decode_with(&row.coded, row.integration_s, row.temperature_c, &mut |id| self.pattern(id));
        frame.map_err(|e| StoreError::Corrupt { table, id: row.id, expected: e.expected, found: e.found })
    }

    /// Reads rows in one go, so that no statement is left half read.
    pub(super) fn rows<T>(
        &self,
        doing: &'static str,
        sql: &str,
        params: impl Params,
        row: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        let inner = self.lock();
        let read =
            || -> rusqlite::Result<Vec<T>> { inner.connection.prepare_cached(sql)?.query_map(params, row)?.collect() };
        read().map_err(StoreError::sqlite(doing))
    }
}

fn reading_of(columns: &Columns, row: &Row<'_>) -> rusqlite::Result<Result<StoredReading, StoreError>> {
    let id = row.get(0)?;
    let corrupt = |table, expected: &str, found: String| {
        Ok(Err(StoreError::Corrupt { table, id, expected: expected.into(), found }))
    };
    let exposures: String = row.get(11)?;
    let Ok(pairs) = serde_json::from_str::<Vec<(Option<f64>, u32)>>(&exposures) else {
        return corrupt("reading", "pairs of integration time and count", exposures);
    };
    let bracket = |(t, n): (Option<f64>, u32)| Bracket { integration_s: t.unwrap_or(f64::NAN), exposures: n };
    let reasons: Option<String> = row.get(20)?;
    let reasons: serde_json::Map<String, serde_json::Value> = match &reasons {
        None => serde_json::Map::new(),
        Some(text) => match serde_json::from_str(text) {
            Ok(map) => map,
            Err(_) => return corrupt("value", "reasons by quantity", text.clone()),
        },
    };
    let computation: Option<i64> = row.get(14)?;
    let windowed = row.get::<_, Option<i64>>(21)?.is_some();
    let (mut values, mut window) = (Vec::with_capacity(columns.quantities.len()), Vec::new());
    for (k, (name, _)) in columns.quantities.iter().enumerate() {
        let at = FIRST_QUANTITY + 6 * k;
        let verdict = row.get::<_, Option<i64>>(at + 2)?;
        values.push(match (row.get(at)?, row.get(at + 1)?, verdict.map(Verdict::from_code)) {
            (Some(value), Some(uncertainty), Some(Some(verdict))) => {
                QuantityValue::Value { value, uncertainty, verdict }
            }
            (None, None, None) => QuantityValue::Null(match reasons.get(name).and_then(|r| r.as_str()) {
                Some(reason) => reason.to_owned(),
                None if computation.is_none() => columns.absence(),
                None => NOT_YET_A_QUANTITY.to_owned(),
            }),
            (value, uncertainty, _) => {
                let found: (Option<f64>, Option<f64>, _) = (value, uncertainty, verdict);
                return corrupt("value", "a value with uncertainty and verdict, or none", format!("{found:?}"));
            }
        });
        if windowed {
            window.push(match (row.get(at + 3)?, row.get(at + 4)?, row.get(at + 5)?) {
                (Some(minimum), Some(maximum), Some(deviation)) => {
                    Some(WindowStatistics { minimum, maximum, deviation })
                }
                _ => None,
            });
        }
    }
    let flags_when_taken = Flags(row.get(13)?);
    let reading = Reading {
        id,
        time_start: UtcMicros(row.get(1)?),
        time_mid: UtcMicros(row.get(2)?),
        time_end: UtcMicros(row.get(3)?),
        instrument: row.get(5)?,
        sun_elevation: row.get(7)?,
        sun_azimuth: row.get(8)?,
        relative_air_mass: row.get(9)?,
        detector_temperature: row.get(10)?,
        exposures: pairs.into_iter().map(bracket).collect(),
        peak_level: row.get::<_, Option<f64>>(12)?.unwrap_or(f64::NAN),
        signal_to_noise: row.get(17)?,
        stray_floor: row.get(18)?,
        dark_age: row.get(19)?,
        flags: row.get::<_, Option<u32>>(16)?.map_or(flags_when_taken, Flags),
        values,
        window,
    };
    let made_with = MadeWith {
        instrument: row.get(4)?,
        calibration: row.get(15)?,
        configuration: row.get(6)?,
        computation: computation.unwrap_or(0),
    };
    let about = match (row.get(22)?, row.get(23)?) {
        (Some(bits), Some(unsteady_share)) => {
            let number = |at| row.get::<_, Option<f64>>(at).map(|x| x.unwrap_or(0.0));
            let tracked = Tracked { shift_nm: number(24)?, wavelength_age_s: number(25)?, response_age_s: number(26)? };
            Some(AcquisitionContext {
                tracked,
                ..AcquisitionContext::from_bits(bits, unsteady_share, reading.peak_level)
            })
        }
        _ => None,
    };
    Ok(Ok(StoredReading { reading, before_spans: None, made_with, flags_when_taken, about }))
}

/// A frame as its row has it.
struct CodedRow {
    id: i64,
    integration_s: f64,
    temperature_c: Option<f64>,
    coded: Coded,
}

impl CodedRow {
    /// From columns id, integration, temperature, detail, sums, crc32.
    fn of(row: &Row<'_>) -> rusqlite::Result<Self> {
        let coded = Coded { detail: row.get(3)?, sums: row.get(4)?, crc32: row.get(5)? };
        Ok(Self { id: row.get(0)?, integration_s: row.get(1)?, temperature_c: row.get(2)?, coded })
    }
}

/// Readings of a span, page by page.
#[derive(Debug)]
pub struct Readings<'a> {
    reader: &'a Reader,
    columns: Cow<'a, Columns>,
    from: UtcMicros,
    to: UtcMicros,
    ranges: VecDeque<Range<i64>>,
    page: VecDeque<StoredReading>,
}

impl Readings<'_> {
    /// The quantities in the order in which the readings carry them.
    pub fn quantities(&self) -> &[(String, String)] {
        &self.columns.quantities
    }
}

impl Iterator for Readings<'_> {
    type Item = Result<StoredReading, StoreError>;
    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(reading) = self.page.pop_front() {
                return Some(Ok(reading));
            }
            let range = self.ranges.front_mut()?;
            let ids = range.start..range.end.min(range.start.saturating_add(PAGE));
            range.start = ids.end;
            if range.is_empty() {
                self.ranges.pop_front();
            }
            let params = [ids.start, ids.end, self.from.0, self.to.0];
            match self.reader.fetch(&self.reader.lock(), &self.columns, BETWEEN, params) {
                Ok(page) => self.page = page.into(),
                Err(e) => {
                    self.ranges.clear();
                    return Some(Err(e));
                }
            }
        }
    }
}
