//! Counts, time range and integrity of a database.

use super::Reader;
use super::error::StoreError;
use super::schema::MICROS_PER_HOUR;
use crate::clock::UtcMicros;

/// Number of rows by kind, and size of the file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Readings.
    pub readings: i64,
    /// Accepted darks.
    pub darks: i64,
    /// Events of every kind.
    pub events: i64,
    /// Events that are gaps.
    pub gaps: i64,
    /// Size of the database file [bytes], without the write-ahead log.
    pub bytes: i64,
}

impl Reader {
    /// Counts rows. The ids of readings are consecutive, so the first and the last give their number.
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
        // A SELECT without FROM returns one row.
        Ok(rows.pop().unwrap_or_default())
    }

    /// A time range, in whole hours of readings, that contains all readings and darks; `None` without any.
    pub fn extent(&self) -> Result<Option<(UtcMicros, UtcMicros)>, StoreError> {
        let sql = "SELECT min(a), max(b) FROM (SELECT min(hour) * ?1 AS a, (max(hour) + 1) * ?1 AS b FROM hour \
                   UNION ALL SELECT min(time), max(time) + 1 FROM dark)";
        let ends = self.rows("looking for the time range", sql, [MICROS_PER_HOUR], |row| {
            Ok((row.get::<_, Option<i64>>(0)?, row.get::<_, Option<i64>>(1)?))
        })?;
        Ok(ends.first().and_then(|s| Some((UtcMicros(s.0?), UtcMicros(s.1?)))))
    }

    /// Whether any reading has window statistics.
    pub fn has_windows(&self) -> Result<bool, StoreError> {
        let found = self.rows("looking for window statistics", "SELECT 1 FROM window_value LIMIT 1", [], |_| Ok(()))?;
        Ok(!found.is_empty())
    }

    /// The ids of all readings; an empty range without readings.
    pub fn ids_of_readings(&self) -> Result<std::ops::RangeInclusive<i64>, StoreError> {
        let sql = "SELECT coalesce(min(id), 1), coalesce(max(id), 0) FROM reading";
        let mut rows = self.rows("looking for readings", sql, [], |row| Ok(row.get(0)?..=row.get(1)?))?;
        // An aggregate returns one row.
        Ok(rows.pop().unwrap_or(std::ops::RangeInclusive::new(1, 0)))
    }

    /// The ids of all darks, ascending.
    pub fn ids_of_darks(&self) -> Result<Vec<i64>, StoreError> {
        self.rows("looking for darks", "SELECT id FROM dark ORDER BY id", [], |row| row.get(0))
    }

    /// The ids of all dark models, ascending.
    pub fn ids_of_dark_models(&self) -> Result<Vec<i64>, StoreError> {
        self.rows("looking for dark models", "SELECT id FROM dark_model ORDER BY id", [], |row| row.get(0))
    }

    /// Violations of foreign keys; empty for a consistent database.
    pub fn reference_faults(&self) -> Result<Vec<String>, StoreError> {
        self.rows("checking references", "PRAGMA foreign_key_check", [], |row| {
            let (table, id, other): (String, Option<i64>, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
            Ok(format!(
                "{table} {}: expected the row of {other} that it refers to, but there is no such row",
                id.unwrap_or(0)
            ))
        })
    }

    /// The faults that SQLite's integrity check of the file reports; empty for an intact file.
    pub fn integrity_faults(&self) -> Result<Vec<String>, StoreError> {
        let mut found = self.rows("checking integrity", "PRAGMA integrity_check", [], |row| row.get(0))?;
        found.retain(|line: &String| line != "ok");
        Ok(found)
    }
}
