//! Queries of readings. Each query is short, so that no open read transaction blocks a WAL checkpoint.
//!
//! A time range is read page by page. Flagged intervals are applied to all returned readings. Queries of many readings leave
//! damaged ones out and remember them ([`Reader::take_damage`]); a query of one reading returns its error.

use super::connection::rows;
use super::damage::{Damage, rows_or_damage};
use super::error::StoreError;
use super::reading_row::{Columns, reading_of};
use super::row_checksum::Sealed;
use super::rows::StoredReading;
use super::schema::hour_of;
use super::{Reader, flagged_intervals};
use crate::clock::UtcMicros;
use rusqlite::{Connection, Params, Row};
use std::borrow::Cow;
use std::collections::VecDeque;
use std::ops::Range;
use std::sync::Arc;

/// Readings per query.
const PAGE: i64 = 256;

const BETWEEN: &str = "WHERE r.id >= ?1 AND r.id < ?2 AND r.time_mid >= ?3 AND r.time_mid < ?4 ORDER BY r.id";

impl Reader {
    /// The newest `n` intact readings, oldest first.
    pub fn latest(&self, n: usize) -> Result<Vec<StoredReading>, StoreError> {
        let connection = self.lock();
        let mut limit = n;
        loop {
            let sql_limit = i64::try_from(limit).unwrap_or(i64::MAX);
            let rows = fetch_each(&connection, &self.columns, "ORDER BY r.id DESC LIMIT ?1", [sql_limit])?;
            let queried = rows.len();
            let mut readings = self.damage.intact(rows)?;
            if readings.len() < n && queried == limit {
                // As many more as were damaged.
                limit = limit.saturating_add(n - readings.len());
                continue;
            }
            readings.reverse();
            self.source(&connection).apply_intervals(&self.columns, &mut readings)?;
            return Ok(readings);
        }
    }

    /// One reading.
    pub fn reading(&self, id: i64) -> Result<Option<StoredReading>, StoreError> {
        let connection = self.lock();
        let mut found: Vec<StoredReading> =
            fetch_each(&connection, &self.columns, "WHERE r.id = ?1", [id])?.into_iter().collect::<Result<_, _>>()?;
        self.source(&connection).apply_intervals(&self.columns, &mut found)?;
        Ok(found.pop())
    }

    /// The readings with `from <= time_mid < to`, in order of storage, read page by page.
    ///
    /// Readings stored during the iteration are not returned.
    pub fn readings(&self, from: UtcMicros, to: UtcMicros) -> Result<Readings<'_>, StoreError> {
        self.readings_by(Cow::Borrowed(&self.columns), from, to)
    }

    /// As [`Reader::readings`], with the values of these quantities only, in this order; quantities unknown to the database are
    /// omitted ([`Readings::quantities`]). Faster. A flagged interval that affects only other quantities still raises its flag.
    pub fn readings_of(&self, ids: &[&str], from: UtcMicros, to: UtcMicros) -> Result<Readings<'_>, StoreError> {
        self.readings_by(Cow::Owned(self.columns_of(ids)), from, to)
    }

    /// The columns of these quantities, in this order; quantities unknown to the database are omitted.
    pub(super) fn columns_of(&self, ids: &[&str]) -> Columns {
        let known = |id: &&str| self.quantities().iter().find(|q| q.0 == **id).cloned();
        Columns::of(ids.iter().filter_map(known).collect(), self.columns.computation, Arc::clone(&self.columns.sealed))
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

    /// Ranges of ids that contain all readings with `from <= time_mid < to`, and possibly others of the same hours.
    pub fn ids_between(&self, from: UtcMicros, to: UtcMicros) -> Result<Vec<Range<i64>>, StoreError> {
        ids_between(&self.lock(), from, to)
    }

    /// The number of readings with these ids and `from <= time_mid < to`.
    pub fn count_readings(&self, ids: Range<i64>, from: UtcMicros, to: UtcMicros) -> Result<u64, StoreError> {
        let sql = "SELECT count(*) FROM reading WHERE id >= ?1 AND id < ?2 AND time_mid >= ?3 AND time_mid < ?4";
        let found =
            self.rows("counting readings", sql, [ids.start, ids.end, from.0, to.0], |row| row.get::<_, i64>(0))?;
        Ok(found.first().map_or(0, |n| *n as u64))
    }

    /// The readings with these ids and `from <= time_mid < to`, without values; a damaged one is an error in its place.
    pub fn readings_without_values(
        &self,
        ids: Range<i64>,
        from: UtcMicros,
        to: UtcMicros,
    ) -> Result<Vec<Result<StoredReading, StoreError>>, StoreError> {
        fetch_each(&self.lock(), &self.columns_of(&[]), BETWEEN, [ids.start, ids.end, from.0, to.0])
    }

    pub(super) fn source<'a>(&'a self, connection: &'a Connection) -> ReadingSource<'a> {
        ReadingSource { connection, all: self.quantities(), damage: &self.damage }
    }
}

/// What readings are queried from.
#[derive(Clone, Copy)]
pub(super) struct ReadingSource<'a> {
    connection: &'a Connection,
    /// The quantities of the database.
    all: &'a [(String, String)],
    damage: &'a Damage,
}

/// Ranges of ids that contain all readings with `from <= time_mid < to`, and possibly others of the same hours.
fn ids_between(connection: &Connection, from: UtcMicros, to: UtcMicros) -> Result<Vec<Range<i64>>, StoreError> {
    let doing = "finding readings by time";
    // Runs of these hours; each ends where the next run begins.
    let sql = "SELECT first_reading, coalesce((SELECT min(n.first_reading) FROM hour n \
         WHERE n.first_reading > h.first_reading), ?3) FROM hour h WHERE hour BETWEEN ?1 AND ?2 ORDER BY first_reading";
    let (first, last) = (hour_of(from), hour_of(UtcMicros(to.0.saturating_sub(1))));
    let range = |row: &Row<'_>| Ok(row.get(0)?..row.get(1)?);
    let runs: Vec<Range<i64>> = rows(connection, doing, sql, [first, last, i64::MAX], range)?;
    let newest = rows(connection, doing, "SELECT coalesce(max(id), 0) FROM reading", [], |row| row.get::<_, i64>(0))?;
    let newest = newest.first().copied().unwrap_or(0);
    let mut ranges: Vec<Range<i64>> = Vec::new();
    for Range { start, end } in runs {
        let end = end.min(newest + 1);
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

/// Queries readings, without flagged intervals; a damaged one is an error in its place.
fn fetch_each(
    connection: &Connection,
    columns: &Columns,
    tail: &str,
    params: impl Params + Clone,
) -> Result<Vec<Result<StoredReading, StoreError>>, StoreError> {
    let query = |columns: &Columns| {
        let sql = format!("{} {tail}", columns.select);
        rows_or_damage(connection, "reading readings", "reading", (&sql, params.clone()), |row| {
            reading_of(columns, row)
        })
    };
    let found = query(columns)?;
    if found.iter().all(Result::is_ok) {
        return Ok(found);
    }
    // A newer version of the program may have added columns, which the checksums cover, since this database was opened.
    let sealed = Sealed::of(connection).map_err(StoreError::sqlite("reading the columns of tables"))?;
    if sealed == *columns.sealed {
        return Ok(found);
    }
    query(&Columns::of(columns.quantities.clone(), columns.computation, Arc::new(sealed)))
}

impl ReadingSource<'_> {
    /// Applies the flagged intervals.
    fn apply_intervals(self, columns: &Columns, readings: &mut [StoredReading]) -> Result<(), StoreError> {
        flagged_intervals::apply((self.connection, self.damage), &columns.quantities, self.all, readings)
    }

    /// The readings with these ids and `from <= time_mid < to`; damaged ones are left out. Where a page of the file is damaged,
    /// the readings are queried one by one.
    fn page(
        self,
        columns: &Columns,
        ids: Range<i64>,
        from: UtcMicros,
        to: UtcMicros,
    ) -> Result<Vec<StoredReading>, StoreError> {
        let query = |ids: Range<i64>| fetch_each(self.connection, columns, BETWEEN, [ids.start, ids.end, from.0, to.0]);
        let mut page = query(ids.clone())?;
        if page.iter().any(|row| row.as_ref().is_err_and(|error| error.row().is_none())) {
            page.clear();
            for id in ids {
                let named = |error: StoreError| match error.row() {
                    Some(_) => error,
                    None => error.of_row("reading", id),
                };
                // The search goes on after the row, and may end on a damaged page.
                page.extend(query(id..id + 1)?.into_iter().take(1).map(|row| row.map_err(named)));
            }
        }
        let mut readings = self.damage.intact(page)?;
        self.apply_intervals(columns, &mut readings)?;
        Ok(readings)
    }

    /// All readings with `from <= time_mid < to`; damaged ones are left out.
    pub(super) fn between(
        self,
        columns: &Columns,
        from: UtcMicros,
        to: UtcMicros,
    ) -> Result<Vec<StoredReading>, StoreError> {
        let mut readings = Vec::new();
        for ids in ids_between(self.connection, from, to)? {
            readings.extend(self.page(columns, ids, from, to)?);
        }
        Ok(readings)
    }
}

/// An iterator over the intact readings of a time range, read page by page. An error ends it.
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
    /// The quantities, in the order of the values.
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
            match self.reader.source(&self.reader.lock()).page(&self.columns, ids, self.from, self.to) {
                Ok(page) => self.page = page.into(),
                Err(e) => {
                    self.ranges.clear();
                    return Some(Err(e));
                }
            }
        }
    }
}
