//! Rows of calibrations, dark models and events with everything that is stored of them, for exports.

use super::damage::rows_or_damage;
use super::error::StoreError;
use super::events::{COLUMNS, event_of};
use super::row_checksum::COLUMN;
use super::{Provenance, Reader};
use crate::clock::UtcMicros;
use crate::record::Event;
use std::collections::BTreeMap;

/// A stored calibration.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CalibrationRow {
    /// Name, text, checksum, program version, time of activation.
    pub made: Provenance,
    /// Row of `instrument`.
    pub instrument: i64,
    /// Row of `stray_matrix`, if it has one.
    pub stray_matrix: Option<i64>,
}

/// A stored event.
#[derive(Clone, Debug, PartialEq)]
pub struct EventRow {
    /// Row of `event`.
    pub id: i64,
    /// The event.
    pub event: Event,
    /// The quantities that a flagged interval does not affect, as a JSON list.
    pub unaffected: Option<String>,
    /// The pixel that a flagged interval affects, if only one.
    pub pixel: Option<i64>,
}

impl Reader {
    /// All calibrations, by row.
    pub fn calibration_rows(&self) -> Result<Vec<CalibrationRow>, StoreError> {
        let sql = "SELECT id, instrument, stray_matrix FROM calibration";
        let rows = self.rows("reading calibrations", sql, [], |row| Ok((row.get(0)?, (row.get(1)?, row.get(2)?))))?;
        let rows: BTreeMap<i64, (i64, Option<i64>)> = rows.into_iter().collect();
        let row = |made: Provenance| {
            let (instrument, stray_matrix) = *rows.get(&made.id)?;
            Some(CalibrationRow { made, instrument, stray_matrix })
        };
        Ok(self.calibrations()?.into_iter().filter_map(row).collect())
    }

    /// The dark models of an instrument (row of `instrument`) fitted before an instant, by row.
    pub fn dark_models_before(&self, instrument: i64, until: UtcMicros) -> Result<Vec<i64>, StoreError> {
        let sql = "SELECT id FROM dark_model WHERE instrument = ?1 AND fitted_at < ?2 ORDER BY id";
        self.rows("looking for dark models", sql, [instrument, until.0], |row| row.get(0))
    }

    /// The events that overlap `from <= t < to`, by time.
    pub fn event_rows(&self, from: UtcMicros, to: UtcMicros) -> Result<Vec<EventRow>, StoreError> {
        let sql = format!(
            "SELECT {COLUMNS}, {COLUMN} FROM event WHERE time < ?2 AND coalesce(until, time) >= ?1 ORDER BY time, id"
        );
        let events = rows_or_damage(&self.lock(), "reading events", "event", (&sql, [from.0, to.0]), |row| {
            let (id, unaffected, pixel) = (row.get(0)?, row.get(7)?, row.get(8)?);
            Ok(event_of(row)?.map(|event| EventRow { id, event, unaffected, pixel }))
        })?;
        self.damage.intact(events)
    }
}
