//! Deletes old raw frames as configured. Rows of readings, values and darks are never deleted.
//!
//! Invariants: frames are deleted from the oldest on, consecutively, those of some readings per transaction. The same transaction
//! stores the interval as an event, so that a reading without frames lies in such an interval or is damaged. The file does not
//! shrink; SQLite reuses the freed pages.

use super::error::StoreError;
use super::events::put_event;
use super::schema::FRAMES_PER_READING;
use super::{Reader, Store};
use crate::clock::UtcMicros;
use crate::record::{Event, EventKind};
use rusqlite::params;

/// The result of consecutive deletions that share one event.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PurgedFrames {
    /// Row of the event, which the next deletion extends.
    pub event: i64,
    /// Number of readings whose frames were deleted.
    pub readings: u64,
    /// Start of the first of these readings.
    pub from: UtcMicros,
}

/// Consecutive readings.
struct Run {
    first: i64,
    last: i64,
    /// The earliest and the latest start.
    starts: (UtcMicros, UtcMicros),
}

impl Store {
    /// Deletes the raw frames of at most `at_most` of the oldest readings that began before an instant; `None` if there are none.
    ///
    /// `before` is the result of the previous call, whose event is extended.
    pub fn purge_raw_frames(
        &self,
        older_than: UtcMicros,
        at_most: u32,
        before: Option<PurgedFrames>,
    ) -> Result<Option<PurgedFrames>, StoreError> {
        let Some(run) = self.oldest_with_frames(older_than, at_most)? else { return Ok(None) };
        let readings = before.map_or(0, |b| b.readings) + (run.last - run.first + 1) as u64;
        let (from, until) = (before.map_or(run.starts.0, |b| b.from.min(run.starts.0)), run.starts.1);
        let text = format!("raw frames of {readings} readings deleted after their retention time");
        self.transact("deleting old raw frames", |tx| {
            tx.prepare_cached("DELETE FROM frame WHERE id >= ?1 AND id < ?2")?
                .execute([run.first * FRAMES_PER_READING, (run.last + 1) * FRAMES_PER_READING])?;
            let event = match before {
                Some(before) => {
                    tx.prepare_cached("UPDATE event SET time = ?2, until = max(until, ?3), text = ?4 WHERE id = ?1")?
                        .execute(params![before.event, from.0, until.0, text])?;
                    self.sealed().seal(tx, "event", before.event)?;
                    before.event
                }
                None => {
                    let kind = EventKind::RawPurged;
                    put_event(
                        tx,
                        self.sealed(),
                        &Event { time: from, until: Some(until), instrument: None, kind, text },
                    )?
                }
            };
            Ok(Some(PurgedFrames { event, readings, from }))
        })
    }
}

impl Reader {
    /// The oldest readings with frames, up to the first that began at or after an instant.
    fn oldest_with_frames(&self, older_than: UtcMicros, at_most: u32) -> Result<Option<Run>, StoreError> {
        let sql =
            "SELECT id, time_start FROM reading WHERE id >= (SELECT min(id) / ?1 FROM frame) ORDER BY id LIMIT ?2";
        let rows = self.rows("looking for old frames", sql, [FRAMES_PER_READING, i64::from(at_most)], |row| {
            Ok((row.get::<_, i64>(0)?, UtcMicros(row.get(1)?)))
        })?;
        let mut found: Option<Run> = None;
        for (id, start) in rows.into_iter().take_while(|(_, start)| *start < older_than) {
            let run = found.get_or_insert(Run { first: id, last: id, starts: (start, start) });
            run.last = id;
            run.starts = (run.starts.0.min(start), run.starts.1.max(start));
        }
        Ok(found)
    }
}
