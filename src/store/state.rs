//! Stores and reads state that persists over restarts, by instrument and name.

use super::damage::rows_or_damage;
use super::error::StoreError;
use super::row_checksum::compare;
use super::rows::SavedState;
use super::{Reader, Store};
use crate::clock::UtcMicros;
use rusqlite::{Transaction, params};

const UPSERT: &str = "INSERT INTO saved_state(instrument, name, json, time, crc32) VALUES (?1, ?2, ?3, ?4, ?5) \
     ON CONFLICT DO UPDATE SET json = excluded.json, time = excluded.time, crc32 = excluded.crc32";

/// Saves state within a transaction.
pub(super) fn put_state(tx: &Transaction<'_>, state: &SavedState) -> rusqlite::Result<()> {
    let crc32 = crc32fast::hash(state.json.as_bytes());
    tx.prepare_cached(UPSERT)?.execute(params![state.instrument, state.name, state.json, state.time.0, crc32]).map(drop)
}

impl Store {
    /// Saves state; replaces the state with the same name.
    pub fn save_state(&self, state: &SavedState) -> Result<(), StoreError> {
        self.transact("saving state", |tx| put_state(tx, state))
    }
}

impl Reader {
    /// The state saved under a name for an instrument (row of `instrument`). A damaged one is left out and remembered
    /// ([`Reader::take_damage`]).
    pub fn load_state(&self, instrument: i64, name: &str) -> Result<Option<SavedState>, StoreError> {
        let sql = "SELECT instrument, json, time, crc32 FROM saved_state WHERE instrument = ?1 AND name = ?2";
        let query = (sql, params![instrument, name]);
        let mut rows = rows_or_damage(&self.lock(), "reading saved state", "saved_state", query, |row| {
            let json = row.get_ref(1)?.as_bytes().unwrap_or_default();
            let intact = compare("saved_state", instrument, row.get(3)?, crc32fast::hash(json));
            let (json, time) = (String::from_utf8_lossy(json).into_owned(), UtcMicros(row.get(2)?));
            Ok(intact.map(|()| SavedState { instrument, name: name.to_owned(), json, time }))
        })?;
        match rows.pop().transpose() {
            Err(error) if error.is_damage() => {
                self.set_aside_state(instrument, name, &error.to_string());
                Ok(None)
            }
            state => state,
        }
    }

    /// Remembers saved state that cannot be used. instrument: its row.
    pub fn set_aside_state(&self, instrument: i64, name: &str, why: &str) {
        self.set_aside(&format!("saved_state `{name}` of instrument"), instrument, why);
    }
}
