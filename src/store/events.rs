//! Stores and reads events: gaps, notes, restarts, changes. `flagged_intervals` has what is specific to flagged intervals.

use super::damage::rows_or_damage;
use super::error::StoreError;
use super::invalidation;
use super::row_checksum::{COLUMN, Sealed, compare, crc32_of_row};
use super::{Reader, Store};
use crate::clock::UtcMicros;
use crate::record::{Event, EventKind, NoteClass};
use rusqlite::{Params, Row, Transaction, params};

const INSERT: &str = "INSERT INTO event(time, until, instrument, kind, cause, text, unaffected, pixel) \
     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)";

/// The columns of `event` in the order of the table.
pub(super) const COLUMNS: &str = "id, time, until, instrument, kind, cause, text, unaffected, pixel";

/// Stores an event within a transaction.
pub(super) fn put_event(tx: &Transaction<'_>, sealed: &Sealed, event: &Event) -> rusqlite::Result<i64> {
    put_interval(tx, sealed, event, None, None)
}

/// Stores an event with the columns of a flagged interval. A flagged interval deletes the roll-ups of the readings it covers.
pub(super) fn put_interval(
    tx: &Transaction<'_>,
    sealed: &Sealed,
    event: &Event,
    unaffected: Option<&str>,
    pixel: Option<usize>,
) -> rusqlite::Result<i64> {
    if matches!(event.kind, EventKind::FlaggedInterval(_)) {
        let until = event.until.unwrap_or(UtcMicros(i64::MAX));
        invalidation::delete_rollups_of(tx, event.instrument.as_deref(), event.time, until)?;
    }
    let id = tx.prepare_cached(INSERT)?.insert(params![
        event.time.0,
        event.until.map(|t| t.0),
        event.instrument,
        event.kind.name(),
        event.kind.cause_name(),
        event.text,
        unaffected,
        pixel.map(|i| i as i64),
    ])?;
    sealed.seal(tx, "event", id)?;
    Ok(id)
}

impl Store {
    /// Stores an event; returns its row.
    pub fn add_event(&self, event: &Event) -> Result<i64, StoreError> {
        self.transact("storing an event", |tx| put_event(tx, self.sealed(), event))
    }

    /// Stores events in one transaction; returns their rows.
    pub fn add_events(&self, events: &[Event]) -> Result<Vec<i64>, StoreError> {
        self.transact("storing events", |tx| events.iter().map(|e| put_event(tx, self.sealed(), e)).collect())
    }

    /// Moves the end of an event and replaces its text. Flagged intervals are excluded (see [`Store::end_flagged_interval`]).
    pub fn extend_event(&self, id: i64, until: UtcMicros, text: &str) -> Result<(), StoreError> {
        let changed = self.transact("extending an event", |tx| {
            let sql = "UPDATE event SET until = ?2, text = ?3 WHERE id = ?1 AND kind <> 'flagged_interval'";
            let changed = tx.prepare_cached(sql)?.execute(params![id, until.0, text])?;
            if changed == 1 {
                self.sealed().seal(tx, "event", id)?;
            }
            Ok(changed)
        })?;
        if changed == 1 {
            return Ok(());
        }
        Err(StoreError::Shape { expected: "the row of an event".into(), found: format!("{id}") })
    }
}

impl Reader {
    /// The events that overlap `from <= t < to`, by time.
    pub fn events(&self, from: UtcMicros, to: UtcMicros) -> Result<Vec<Event>, StoreError> {
        self.events_where("time < ?2 AND coalesce(until, time) >= ?1 ORDER BY time, id", [from.0, to.0])
    }

    /// The gaps that overlap `from <= t < to`, by time.
    pub fn gaps(&self, from: UtcMicros, to: UtcMicros) -> Result<Vec<Event>, StoreError> {
        let condition = "kind = 'gap' AND time < ?2 AND coalesce(until, time) >= ?1 ORDER BY time, id";
        self.events_where(condition, [from.0, to.0])
    }

    /// The newest `n` events, oldest first.
    pub fn latest_events(&self, n: usize) -> Result<Vec<Event>, StoreError> {
        self.latest_events_where("1", n)
    }

    /// The newest `n` gaps, oldest first.
    pub fn latest_gaps(&self, n: usize) -> Result<Vec<Event>, StoreError> {
        self.latest_events_where("kind = 'gap'", n)
    }

    fn latest_events_where(&self, condition: &str, n: usize) -> Result<Vec<Event>, StoreError> {
        let n = i64::try_from(n).unwrap_or(i64::MAX);
        let mut events = self.events_where(&format!("{condition} ORDER BY time DESC, id DESC LIMIT ?1"), [n])?;
        events.reverse();
        Ok(events)
    }

    pub(super) fn events_where(&self, condition: &str, params: impl Params) -> Result<Vec<Event>, StoreError> {
        let sql = format!("SELECT {COLUMNS}, {COLUMN} FROM event WHERE {condition}");
        let events = rows_or_damage(&self.lock(), "reading events", "event", (&sql, params), event_of)?;
        self.damage.intact(events)
    }

    /// The notes stored after the event `row`, in order of storage, and the row of the newest event of any kind.
    pub fn notes_after(&self, row: i64) -> Result<(Vec<(NoteClass, Event)>, i64), StoreError> {
        let newest = "SELECT coalesce(max(id), 0) FROM event";
        let newest = self.rows("reading notes", newest, [], |row| row.get(0))?.first().copied().unwrap_or(0);
        let condition = "kind = 'note' AND id > ?1 AND id <= ?2 ORDER BY id";
        let class = |event: Event| match event.kind {
            EventKind::Note(class) => Some((class, event)),
            _ => None,
        };
        let notes = self.events_where(condition, [row, newest])?.into_iter().filter_map(class).collect();
        Ok((notes, newest.max(row)))
    }
}

/// An error unless a row with [`COLUMNS`] and the checksum is intact.
pub(super) fn check_event(row: &Row<'_>) -> rusqlite::Result<Result<(), StoreError>> {
    let found = crc32_of_row(COLUMNS.split(", ").zip(0..), row)?;
    Ok(compare("event", row.get(0)?, row.get(9)?, found))
}

/// Converts a row with [`COLUMNS`] and the checksum.
pub(super) fn event_of(row: &Row<'_>) -> rusqlite::Result<Result<Event, StoreError>> {
    if let Err(damaged) = check_event(row)? {
        return Ok(Err(damaged));
    }
    let (kind, cause): (String, Option<String>) = (row.get(4)?, row.get(5)?);
    let Some(kind) = EventKind::from_names(&kind, cause.as_deref()) else {
        let (expected, found) =
            ("a known kind of event".into(), format!("`{kind}` with cause `{}`", cause.as_deref().unwrap_or("")));
        return Ok(Err(StoreError::Corrupt { table: "event", id: row.get(0)?, expected, found }));
    };
    Ok(Ok(Event {
        time: UtcMicros(row.get(1)?),
        until: row.get::<_, Option<i64>>(2)?.map(UtcMicros),
        instrument: row.get(3)?,
        kind,
        text: row.get(6)?,
    }))
}
