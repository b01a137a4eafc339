//! The spectra of lamps: written when one was learned, never changed. Readings refer to the row that they were processed with.

use super::damage::rows_or_damage;
use super::error::StoreError;
use super::rows::LampShapesRow;
use super::{Reader, Store};
use crate::clock::UtcMicros;
use rusqlite::params;

impl Store {
    /// Stores the spectra of lamps that are known to an instrument (row of `instrument`) from a time on; returns their row.
    pub fn add_lamp_shapes(&self, instrument: i64, learned_at: UtcMicros, blob: &[u8]) -> Result<i64, StoreError> {
        self.transact("storing spectra of lamps", |tx| {
            let id = tx
                .prepare_cached("INSERT INTO lamp_shapes(instrument, learned_at, blob, crc32) VALUES (?1, ?2, ?3, ?4)")?
                .insert(params![instrument, learned_at.0, blob, crc32fast::hash(blob)])?;
            self.sealed().seal(tx, "lamp_shapes", id).map(|()| id)
        })
    }
}

impl Reader {
    /// The spectra of lamps in a row.
    pub fn lamp_shapes(&self, id: i64) -> Result<Option<LampShapesRow>, StoreError> {
        self.lamp_shapes_where("id = ?1", id)
    }

    /// The spectra of lamps of an instrument (row of `instrument`) that were stored last.
    pub fn latest_lamp_shapes(&self, instrument: i64) -> Result<Option<LampShapesRow>, StoreError> {
        self.lamp_shapes_where("instrument = ?1 ORDER BY id DESC LIMIT 1", instrument)
    }

    /// The ids of all rows with spectra of lamps, ascending.
    pub fn ids_of_lamp_shapes(&self) -> Result<Vec<i64>, StoreError> {
        self.rows("looking for spectra of lamps", "SELECT id FROM lamp_shapes ORDER BY id", [], |row| row.get(0))
    }

    fn lamp_shapes_where(&self, condition: &str, key: i64) -> Result<Option<LampShapesRow>, StoreError> {
        let sql = format!("SELECT id, blob, crc32 FROM lamp_shapes WHERE {condition}");
        let mut rows = rows_or_damage(&self.lock(), "reading spectra of lamps", "lamp_shapes", (&sql, [key]), |row| {
            Ok(Ok((LampShapesRow { id: row.get(0)?, blob: row.get(1)? }, row.get::<_, u32>(2)?)))
        })?;
        let Some((shapes, want)) = rows.pop().transpose()? else { return Ok(None) };
        let got = crc32fast::hash(&shapes.blob);
        if want != got {
            let (expected, found) = (format!("a blob with checksum {want:08x}"), format!("{got:08x}"));
            return Err(StoreError::Corrupt { table: "lamp_shapes", id: shapes.id, expected, found });
        }
        Ok(Some(shapes))
    }
}
