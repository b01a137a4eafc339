//! Starts of the daemon, and what is known of the time before one.

use super::error::StoreError;
use super::{Reader, Store};
use crate::clock::UtcMicros;
use crate::record::Event;
use rusqlite::params;

/// A start of the daemon.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DaemonStart {
    /// When it began.
    pub time: UtcMicros,
    /// Row of the configuration that is active from then on.
    pub configuration: i64,
}

impl Store {
    /// Records a start of the daemon.
    pub fn record_start(&self, start: DaemonStart) -> Result<(), StoreError> {
        self.transact("recording the start", |tx| {
            let sql = "INSERT INTO daemon_start(time, configuration) VALUES (?1, ?2)";
            tx.execute(sql, params![start.time.0, start.configuration])?;
            self.sealed().seal(tx, "daemon_start", tx.last_insert_rowid())
        })
    }
}

impl Reader {
    /// Every start of the daemon, in the order in which they happened.
    pub fn daemon_starts(&self) -> Result<Vec<DaemonStart>, StoreError> {
        let sql = "SELECT time, configuration FROM daemon_start ORDER BY id";
        self.rows("reading the starts of the daemon", sql, [], |row| {
            Ok(DaemonStart { time: UtcMicros(row.get(0)?), configuration: row.get(1)? })
        })
    }

    /// The start of the light of the newest reading of an instrument (its name).
    pub fn newest_reading_of(&self, instrument: &str) -> Result<Option<UtcMicros>, StoreError> {
        let sql = "SELECT time_start FROM reading WHERE instrument IN (SELECT id FROM instrument WHERE name = ?1) \
             ORDER BY id DESC LIMIT 1";
        Ok(self.rows("reading the newest reading", sql, [instrument], |row| row.get(0))?.pop().map(UtcMicros))
    }

    /// The gap of an instrument (its name) that ended last.
    pub fn newest_gap_of(&self, instrument: &str) -> Result<Option<Event>, StoreError> {
        let condition = "kind = 'gap' AND instrument = ?1 ORDER BY coalesce(until, time) DESC, id DESC LIMIT 1";
        Ok(self.events_where(condition, [instrument])?.pop())
    }

    /// The newest start or stop of the daemon.
    pub fn newest_start_or_stop(&self) -> Result<Option<Event>, StoreError> {
        Ok(self.events_where("kind IN ('started', 'stopped') ORDER BY id DESC LIMIT 1", [])?.pop())
    }
}
