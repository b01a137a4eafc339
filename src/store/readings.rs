//! Queries of readings. Each query is short, so that no open read transaction blocks a WAL checkpoint.
//!
//! A time range is read page by page. Flagged intervals are applied to all returned readings.

use super::connection::rows;
use super::error::StoreError;
use super::reading_row::{Columns, reading_of};
use super::rows::StoredReading;
use super::schema::hour_of;
use super::{Reader, flagged_intervals};
use crate::clock::UtcMicros;
use rusqlite::{Connection, Params, Row};
use std::borrow::Cow;
use std::collections::VecDeque;
use std::ops::Range;

/// Readings per query.
const PAGE: i64 = 256;

const BETWEEN: &str = "WHERE r.id >= ?1 AND r.id < ?2 AND r.time_mid >= ?3 AND r.time_mid < ?4 ORDER BY r.id";

impl Reader {
    /// The newest `n` readings, oldest first.
    pub fn latest(&self, n: usize) -> Result<Vec<StoredReading>, StoreError> {
        let n = i64::try_from(n).unwrap_or(i64::MAX);
        let mut readings = self.fetch(&self.columns, "ORDER BY r.id DESC LIMIT ?1", [n])?;
        readings.reverse();
        Ok(readings)
    }

    /// One reading.
    pub fn reading(&self, id: i64) -> Result<Option<StoredReading>, StoreError> {
        Ok(self.fetch(&self.columns, "WHERE r.id = ?1", [id])?.pop())
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
        Columns::of(ids.iter().filter_map(known).collect(), self.columns.computation)
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

    /// The readings with these ids and `from <= time_mid < to`, without values.
    pub fn readings_without_values(
        &self,
        ids: Range<i64>,
        from: UtcMicros,
        to: UtcMicros,
    ) -> Result<Vec<StoredReading>, StoreError> {
        self.fetch(&self.columns_of(&[]), BETWEEN, [ids.start, ids.end, from.0, to.0])
    }

    fn fetch(&self, columns: &Columns, tail: &str, params: impl Params) -> Result<Vec<StoredReading>, StoreError> {
        fetch(&self.lock(), columns, self.quantities(), tail, params)
    }
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

/// Queries readings and applies the flagged intervals; `all` are the quantities of the database.
fn fetch(
    connection: &Connection,
    columns: &Columns,
    all: &[(String, String)],
    tail: &str,
    params: impl Params,
) -> Result<Vec<StoredReading>, StoreError> {
    let sql = format!("{} {tail}", columns.select);
    let read = rows(connection, "reading readings", &sql, params, |row| reading_of(columns, row))?;
    let mut readings: Vec<StoredReading> = read.into_iter().collect::<Result<_, _>>()?;
    flagged_intervals::apply(connection, &columns.quantities, all, &mut readings)?;
    Ok(readings)
}

/// All readings with `from <= time_mid < to`, for use in a transaction; `all` are the quantities of the database.
pub(super) fn readings_between(
    connection: &Connection,
    columns: &Columns,
    all: &[(String, String)],
    from: UtcMicros,
    to: UtcMicros,
) -> Result<Vec<StoredReading>, StoreError> {
    let mut readings = Vec::new();
    for ids in ids_between(connection, from, to)? {
        readings.extend(fetch(connection, columns, all, BETWEEN, [ids.start, ids.end, from.0, to.0])?);
    }
    Ok(readings)
}

/// An iterator over the readings of a time range, read page by page.
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
            let params = [ids.start, ids.end, self.from.0, self.to.0];
            match self.reader.fetch(&self.columns, BETWEEN, params) {
                Ok(page) => self.page = page.into(),
                Err(e) => {
                    self.ranges.clear();
                    return Some(Err(e));
                }
            }
        }
    }
}
