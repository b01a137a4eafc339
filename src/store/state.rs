//! Stores and reads state that persists over restarts, by instrument and name.

use super::error::StoreError;
use super::rows::SavedState;
use super::{Reader, Store};
use crate::clock::UtcMicros;
use rusqlite::{Transaction, params};

const UPSERT: &str = "INSERT INTO saved_state(instrument, name, json, time) VALUES (?1, ?2, ?3, ?4) \
     ON CONFLICT DO UPDATE SET json = excluded.json, time = excluded.time";

/// Saves state within a transaction.
pub(super) fn put_state(tx: &Transaction<'_>, state: &SavedState) -> rusqlite::Result<()> {
    tx.prepare_cached(UPSERT)?.execute(params![state.instrument, state.name, state.json, state.time.0]).map(drop)
}

impl Store {
    /// Saves state; replaces the state with the same name.
    pub fn save_state(&self, state: &SavedState) -> Result<(), StoreError> {
        self.transact("saving state", |tx| put_state(tx, state))
    }
}

impl Reader {
    /// The state saved under a name for an instrument (row of `instrument`).
    pub fn load_state(&self, instrument: i64, name: &str) -> Result<Option<SavedState>, StoreError> {
        let sql = "SELECT json, time FROM saved_state WHERE instrument = ?1 AND name = ?2";
        let mut rows = self.rows("reading saved state", sql, params![instrument, name], |row| {
            Ok(SavedState { instrument, name: name.to_owned(), json: row.get(0)?, time: UtcMicros(row.get(1)?) })
        })?;
        Ok(rows.pop())
    }
}
