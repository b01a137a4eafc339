//! Doubts about stretches of time: events with a flag, applied to every reading that is read.

use super::error::StoreError;
use super::{Reader, Store, StoredReading, rollups, write};
use crate::clock::UtcMicros;
use crate::record::{Event, EventKind, FlaggedInterval, NoteClass, flagged_interval};
use rusqlite::{Connection, OptionalExtension, Row, params};

const SELECT: &str =
    "SELECT id, time, until, instrument, kind, cause, text, unaffected, pixel FROM event WHERE kind = 'span'";

impl Store {
    /// Stores a span; returns its row.
    pub fn add_span(&self, new: &FlaggedInterval) -> Result<i64, StoreError> {
        let unaffected = serde_json::Value::from(new.unaffected.clone()).to_string();
        let event = Event {
            time: new.from,
            until: new.until,
            instrument: new.instrument.clone(),
            kind: EventKind::FlaggedInterval(new.flag),
            text: new.text.clone(),
        };
        self.transact("storing a span", |tx| {
            let id = write::put_event(tx, &event)?;
            tx.prepare_cached("UPDATE event SET unaffected = ?2, pixel = ?3 WHERE id = ?1")?.execute(params![
                id,
                unaffected,
                new.pixel.map(|i| i as i64)
            ])?;
            Ok(id)
        })
    }

    /// Lets a span that lasts touch more: it then begins at `from` where that is earlier, and unaffected only these quantities.
    pub fn widen_span(&self, id: i64, from: UtcMicros, unaffected: &[String]) -> Result<(), StoreError> {
        let unaffected = serde_json::Value::from(unaffected.to_vec()).to_string();
        let changed = self.transact("widening a span", |tx| {
            let lasts = "id = ?1 AND kind = 'span' AND until IS NULL";
            let sql = format!("UPDATE event SET time = min(time, ?2), unaffected = ?3 WHERE {lasts} RETURNING time");
            let begins: Option<i64> =
                tx.prepare_cached(&sql)?.query_row(params![id, from.0, unaffected], |row| row.get(0)).optional()?;
            if let Some(begins) = begins {
                rollups::drop_rollups(tx, None, UtcMicros(begins), UtcMicros(i64::MAX))?;
            }
            Ok(begins)
        })?;
        changed.map(|_| ()).ok_or_else(|| not_lasting(id))
    }

    /// Ends a span that lasts, at an instant no earlier than its beginning.
    pub fn end_span(&self, id: i64, until: UtcMicros) -> Result<(), StoreError> {
        let changed = self.transact("ending a span", |tx| {
            // Readings after its end were under it so far. Whose they are is not asked: this is seldom.
            rollups::drop_rollups(tx, None, until, UtcMicros(i64::MAX))?;
            tx.prepare_cached(
                "UPDATE event SET until = max(time, ?2) WHERE id = ?1 AND kind = 'span' AND until IS NULL",
            )?
            .execute(params![id, until.0])
        })?;
        if changed == 1 {
            return Ok(());
        }
        Err(not_lasting(id))
    }
}

fn not_lasting(id: i64) -> StoreError {
    StoreError::Shape { expected: "the row of a span that lasts".into(), found: format!("{id}") }
}

impl Reader {
    /// The spans that touch `from <= t < to`, by their beginning.
    pub fn spans(&self, from: UtcMicros, to: UtcMicros) -> Result<Vec<FlaggedInterval>, StoreError> {
        let inner = self.lock();
        spans_between(&inner.connection, from, to)
    }

    /// The spans that last, by their beginning.
    pub fn open_spans(&self) -> Result<Vec<FlaggedInterval>, StoreError> {
        let sql = format!("{SELECT} AND until IS NULL ORDER BY time, id");
        self.rows("reading spans", &sql, [], span_of)?.into_iter().collect()
    }

    /// Notes stored after the event `row`, in the order in which they were stored, and the row of the newest event of all.
    pub fn notes_after(&self, row: i64) -> Result<(Vec<(NoteClass, Event)>, i64), StoreError> {
        // What is no note is told by its row alone; there are few of those between two readings.
        let sql = "SELECT id, time, until, instrument, kind = 'note', cause, text FROM event WHERE id > ?1 ORDER BY id";
        let mut newest = row;
        let rows = self.rows("reading notes", sql, [row], |row| {
            newest = row.get(0)?;
            if !row.get::<_, bool>(4)? {
                return Ok(None);
            }
            let cause: Option<String> = row.get(5)?;
            // A class of a later version is a remark like any other.
            let class = NoteClass::ALL.into_iter().find(|c| Some(c.name()) == cause.as_deref());
            let class = class.unwrap_or(NoteClass::Other);
            let event = Event {
                time: UtcMicros(row.get(1)?),
                until: row.get::<_, Option<i64>>(2)?.map(UtcMicros),
                instrument: row.get(3)?,
                kind: EventKind::Note(class),
                text: row.get(6)?,
            };
            Ok(Some((class, event)))
        })?;
        Ok((rows.into_iter().flatten().collect(), newest))
    }
}

/// Applies every span to readings that were just read, with these quantities out of all.
pub(super) fn apply(
    connection: &Connection,
    quantities: &[(String, String)],
    all: &[(String, String)],
    readings: &mut [StoredReading],
) -> Result<(), StoreError> {
    let times = || readings.iter().map(|r| r.reading.time_mid);
    let (Some(first), Some(last)) = (times().min(), times().max()) else { return Ok(()) };
    let spans = spans_between(connection, first, UtcMicros(last.0.saturating_add(1)))?;
    if spans.is_empty() {
        return Ok(());
    }
    for stored in readings {
        let before = stored.reading.clone();
        flagged_interval::apply(&spans, &mut stored.reading, quantities.iter().map(|q| q.0.as_str()));
        if quantities.len() < all.len() {
            let r = &mut stored.reading;
            for span in spans.iter().filter(|s| s.covers(&r.instrument, r.time_mid)) {
                r.flags.raise_if(all.iter().any(|q| span.touches(&q.0)), span.flag);
            }
        }
        stored.before_spans = (before != stored.reading).then(|| Box::new(before));
    }
    Ok(())
}

fn spans_between(connection: &Connection, from: UtcMicros, to: UtcMicros) -> Result<Vec<FlaggedInterval>, StoreError> {
    let read = || -> rusqlite::Result<Vec<Result<FlaggedInterval, StoreError>>> {
        let sql = format!("{SELECT} AND time < ?2 AND (until IS NULL OR until > ?1) ORDER BY time, id");
        connection.prepare_cached(&sql)?.query_map([from.0, to.0], span_of)?.collect()
    };
    read().map_err(StoreError::sqlite("reading spans"))?.into_iter().collect()
}

fn span_of(row: &Row<'_>) -> rusqlite::Result<Result<FlaggedInterval, StoreError>> {
    let (id, kind, cause): (i64, String, Option<String>) = (row.get(0)?, row.get(4)?, row.get(5)?);
    let Some(EventKind::FlaggedInterval(flag)) = EventKind::from_names(&kind, cause.as_deref()) else {
        let (expected, found) = ("the name of a flag".into(), format!("{cause:?}"));
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
