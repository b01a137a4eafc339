//! Letting go of old raw frames, where the configuration asks for it: values, facts and darks stay for ever.
//!
//! The oldest go first, without holes, some readings a transaction, and in the same transaction the span is put on record: a
//! reading without frames is either in such a span or damaged. The file does not shrink; its room is used again.

use super::error::StoreError;
use super::events::put_event;
use super::schema::FRAMES_PER_READING;
use super::{Reader, Store};
use crate::clock::UtcMicros;
use crate::record::{Event, EventKind};
use rusqlite::params;

/// What was let go in one transaction.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LetGo {
    /// The event on record; to be lengthened by the next transaction.
    pub event: i64,
    /// Readings whose frames went.
    pub readings: u64,
    /// Begin of the first of them, over all transactions of the event.
    pub from: UtcMicros,
}

impl Store {
    /// Lets go of the raw frames of at most `at_most` of the oldest readings that began before an instant; `None` where there is none.
    ///
    /// `before` is what the transaction before this one answered, so that both are one event.
    pub fn let_go_of_frames(
        &self,
        older_than: UtcMicros,
        at_most: u32,
        before: Option<LetGo>,
    ) -> Result<Option<LetGo>, StoreError> {
        let Some((first, last, from, until)) = self.oldest_with_frames(older_than, at_most)? else { return Ok(None) };
        let gone = before.map_or(0, |b| b.readings) + (last - first + 1) as u64;
        let from = before.map_or(from, |b| b.from.min(from));
        let text = format!("raw frames of {gone} readings let go: older than the configuration keeps them");
        self.transact("letting go of raw frames", |tx| {
            tx.prepare_cached("DELETE FROM frame WHERE id >= ?1 AND id < ?2")?
                .execute([first * FRAMES_PER_READING, (last + 1) * FRAMES_PER_READING])?;
            let event = match before {
                Some(before) => {
                    tx.prepare_cached("UPDATE event SET time = ?2, until = max(until, ?3), text = ?4 WHERE id = ?1")?
                        .execute(params![before.event, from.0, until.0, text])?;
                    before.event
                }
                None => {
                    let kind = EventKind::RawLetGo;
                    put_event(tx, &Event { time: from, until: Some(until), instrument: None, kind, text })?
                }
            };
            Ok(Some(LetGo { event, readings: gone, from }))
        })
    }
}

impl Reader {
    /// The first and last of the oldest readings with frames that all began before an instant, and when they began.
    fn oldest_with_frames(
        &self,
        older_than: UtcMicros,
        at_most: u32,
    ) -> Result<Option<(i64, i64, UtcMicros, UtcMicros)>, StoreError> {
        let sql =
            "SELECT id, time_start FROM reading WHERE id >= (SELECT min(id) / ?1 FROM frame) ORDER BY id LIMIT ?2";
        let rows = self.rows("looking for old frames", sql, [FRAMES_PER_READING, i64::from(at_most)], |row| {
            Ok((row.get::<_, i64>(0)?, UtcMicros(row.get(1)?)))
        })?;
        let old: Vec<_> = rows.into_iter().take_while(|(_, start)| *start < older_than).collect();
        let starts = old.iter().map(|(_, start)| *start);
        Ok(match (old.first(), old.last(), starts.clone().min(), starts.max()) {
            (Some(first), Some(last), Some(from), Some(until)) => Some((first.0, last.0, from, until)),
            _ => None,
        })
    }
}
