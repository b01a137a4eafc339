//! Stores flagged intervals (events with a flag) and applies them to the readings that queries return.
//!
//! Stored readings are not changed. Invariant: a change of an interval deletes the roll-ups of the readings it covers in the same
//! transaction.

use super::damage::{Damage, rows_or_damage};
use super::error::StoreError;
use super::events::{COLUMNS, check_event, put_interval};
use super::invalidation::delete_rollups_of;
use super::row_checksum::COLUMN;
use super::{Reader, Store, StoredReading};
use crate::clock::UtcMicros;
use crate::record::{Event, EventKind, FlaggedInterval, flagged_interval};
use rusqlite::{Connection, OptionalExtension, Params, Row, params};

impl Store {
    /// Stores a flagged interval; returns its row.
    pub fn add_flagged_interval(&self, new: &FlaggedInterval) -> Result<i64, StoreError> {
        let event = Event {
            time: new.from,
            until: new.until,
            instrument: new.instrument.clone(),
            kind: EventKind::FlaggedInterval(new.flag),
            text: new.text.clone(),
        };
        let unaffected = list(&new.unaffected);
        self.transact("storing a flagged interval", |tx| {
            put_interval(tx, self.sealed(), &event, Some(&unaffected), new.pixel)
        })
    }

    /// Widens an open interval: its beginning becomes the earlier of its own and `from`; `unaffected` replaces its list of
    /// unaffected quantities.
    pub fn widen_flagged_interval(&self, id: i64, from: UtcMicros, unaffected: &[String]) -> Result<(), StoreError> {
        let begins = self.transact("widening a flagged interval", |tx| {
            let sql = "UPDATE event SET time = min(time, ?2), unaffected = ?3 \
                 WHERE id = ?1 AND kind = 'flagged_interval' AND until IS NULL RETURNING time";
            let begins: Option<i64> = tx
                .prepare_cached(sql)?
                .query_row(params![id, from.0, list(unaffected)], |row| row.get(0))
                .optional()?;
            if let Some(begins) = begins {
                self.sealed().seal(tx, "event", id)?;
                delete_rollups_of(tx, None, UtcMicros(begins), UtcMicros(i64::MAX))?;
            }
            Ok::<_, rusqlite::Error>(begins)
        })?;
        begins.map(|_| ()).ok_or_else(|| not_open(id))
    }

    /// Ends an open interval; `until` before its beginning is replaced by its beginning.
    pub fn end_flagged_interval(&self, id: i64, until: UtcMicros) -> Result<(), StoreError> {
        let changed = self.transact("ending a flagged interval", |tx| {
            // Until now the interval covered the readings after `until`. Roll-ups of all instruments are deleted: this is rare.
            delete_rollups_of(tx, None, until, UtcMicros(i64::MAX))?;
            let sql = "UPDATE event SET until = max(time, ?2) \
                 WHERE id = ?1 AND kind = 'flagged_interval' AND until IS NULL";
            let changed = tx.prepare_cached(sql)?.execute(params![id, until.0])?;
            if changed == 1 {
                self.sealed().seal(tx, "event", id)?;
            }
            Ok(changed)
        })?;
        if changed == 1 { Ok(()) } else { Err(not_open(id)) }
    }
}

/// Identifiers as a JSON list.
fn list(identifiers: &[String]) -> String {
    serde_json::Value::from(identifiers.to_vec()).to_string()
}

fn not_open(id: i64) -> StoreError {
    StoreError::Shape { expected: "the row of an open flagged interval".into(), found: format!("{id}") }
}

impl Reader {
    /// The flagged intervals that overlap `from <= t < to`, by their beginning.
    pub fn flagged_intervals(&self, from: UtcMicros, to: UtcMicros) -> Result<Vec<FlaggedInterval>, StoreError> {
        intervals_between((&self.lock(), &self.damage), from, to)
    }

    /// The open flagged intervals, by their beginning.
    pub fn open_flagged_intervals(&self) -> Result<Vec<FlaggedInterval>, StoreError> {
        let sql = format!("{} AND until IS NULL ORDER BY time, id", select());
        intervals((&self.lock(), &self.damage), &sql, [])
    }
}

/// Applies the flagged intervals to `readings`, whose values are of `quantities`; `all` are all quantities of the database.
///
/// An interval that affects only quantities that were not queried still raises its flag.
pub(super) fn apply(
    source: (&Connection, &Damage),
    quantities: &[(String, String)],
    all: &[(String, String)],
    readings: &mut [StoredReading],
) -> Result<(), StoreError> {
    let times = || readings.iter().map(|r| r.reading.time_mid);
    let (Some(first), Some(last)) = (times().min(), times().max()) else { return Ok(()) };
    let intervals = intervals_between(source, first, UtcMicros(last.0.saturating_add(1)))?;
    if intervals.is_empty() {
        return Ok(());
    }
    for stored in readings {
        let before = stored.reading.clone();
        flagged_interval::apply(&intervals, &mut stored.reading, quantities.iter().map(|q| q.0.as_str()));
        if quantities.len() < all.len() {
            let r = &mut stored.reading;
            for interval in intervals.iter().filter(|s| s.covers(&r.instrument, r.time_mid)) {
                r.flags.raise_if(all.iter().any(|q| interval.affects(&q.0)), interval.flag);
            }
        }
        stored.before_intervals = (before != stored.reading).then(|| Box::new(before));
    }
    Ok(())
}

fn intervals_between(
    source: (&Connection, &Damage),
    from: UtcMicros,
    to: UtcMicros,
) -> Result<Vec<FlaggedInterval>, StoreError> {
    let sql = format!("{} AND time < ?2 AND (until IS NULL OR until > ?1) ORDER BY time, id", select());
    intervals(source, &sql, [from.0, to.0])
}

/// Queries flagged intervals; damaged ones are left out.
fn intervals(
    (connection, damage): (&Connection, &Damage),
    sql: &str,
    params: impl Params,
) -> Result<Vec<FlaggedInterval>, StoreError> {
    let doing = "reading flagged intervals";
    damage.intact(rows_or_damage(connection, doing, "event", (sql, params), interval_of)?)
}

/// Selects flagged intervals, with a condition that further ones can be added to.
fn select() -> String {
    format!("SELECT {COLUMNS}, {COLUMN} FROM event WHERE kind = 'flagged_interval'")
}

fn interval_of(row: &Row<'_>) -> rusqlite::Result<Result<FlaggedInterval, StoreError>> {
    if let Err(damaged) = check_event(row)? {
        return Ok(Err(damaged));
    }
    let (id, kind, cause): (i64, String, Option<String>) = (row.get(0)?, row.get(4)?, row.get(5)?);
    let Some(EventKind::FlaggedInterval(flag)) = EventKind::from_names(&kind, cause.as_deref()) else {
        let (expected, found) = ("the name of a flag".into(), format!("`{}`", cause.as_deref().unwrap_or("")));
        return Ok(Err(StoreError::Corrupt { table: "event", id, expected, found }));
    };
    let unaffected: Option<String> = row.get(7)?;
    let unaffected = match unaffected.as_deref().map(serde_json::from_str::<Vec<String>>) {
        None => Vec::new(),
        Some(Ok(list)) => list,
        Some(Err(why)) => {
            let expected = "a list of identifiers".into();
            return Ok(Err(StoreError::Corrupt { table: "event", id, expected, found: why.to_string() }));
        }
    };
    Ok(Ok(FlaggedInterval {
        id,
        from: UtcMicros(row.get(1)?),
        until: row.get::<_, Option<i64>>(2)?.map(UtcMicros),
        instrument: row.get(3)?,
        pixel: row.get::<_, Option<u32>>(8)?.map(|i| i as usize),
        flag,
        unaffected,
        text: row.get(6)?,
    }))
}
