//! Stores and reads calibrations, configurations and computations, from which the values of readings result.
//!
//! Invariants: equal texts share one row, so registering is idempotent; replacing the active calibration or configuration stores
//! an event.

use super::damage::rows_or_damage;
use super::error::StoreError;
use super::events::put_event;
use super::{Reader, Store};
use crate::clock::UtcMicros;
use crate::record::{Event, EventKind};
use rusqlite::{OptionalExtension, Row, Transaction, params};

/// The version of this program, stored with each row.
pub(super) const VERSION: &str = env!("CARGO_PKG_VERSION");

/// `active_since` of a calibration that was used for recomputation only.
const NEVER_ACTIVE: i64 = i64::MIN;

/// A stored calibration, configuration or computation.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Provenance {
    /// Row of its table.
    pub id: i64,
    /// Name of a calibration; otherwise empty.
    pub name: String,
    /// The text, unmodified.
    pub text: String,
    /// SHA-256 of the text, in hexadecimal.
    pub sha256: String,
    /// Version of the program that stored the row.
    pub program_version: String,
    /// Time of activation (calibration, configuration) or creation (computation).
    pub since: UtcMicros,
}

/// SHA-256 of a text, in hexadecimal.
pub fn sha256(text: &str) -> String {
    hexadecimal(&hmac_sha256::Hash::hash(text.as_bytes()))
}

pub(super) fn hexadecimal(hash: &[u8]) -> String {
    hash.iter().map(|byte| format!("{byte:02x}")).collect()
}

impl Store {
    /// Activates a calibration for an instrument (row of `instrument`) and returns its row; replacing another stores an event. A
    /// stray-light matrix is stored with it, because recomputation needs it.
    pub fn register_calibration(
        &self,
        instrument: i64,
        name: &str,
        text: &str,
        matrix: Option<&[f64]>,
        when: UtcMicros,
    ) -> Result<i64, StoreError> {
        let matrix = self.store_matrix(instrument, name, text, matrix)?;
        self.transact("registering a calibration", |tx| {
            let newest: Option<(i64, String, String, i64)> = tx
                .query_row(
                    "SELECT id, name, text, active_since FROM calibration WHERE instrument = ?1 AND active_since > ?2 \
                     ORDER BY active_since DESC LIMIT 1",
                    [instrument, NEVER_ACTIVE],
                    |row| Ok((row.get(0)?, lossy(row, 1)?, lossy(row, 2)?, row.get(3)?)),
                )
                .optional()?;
            if let Some((id, ..)) = newest.as_ref().filter(|n| n.1 == name && n.2 == text) {
                return Ok(*id);
            }
            // After the clock was set back, the new calibration must still be the latest.
            let since = newest.as_ref().map_or(when.0, |n| when.0.max(n.3 + 1));
            let id = match calibration_row(tx, instrument, name, text)? {
                Some(id) => {
                    tx.execute("UPDATE calibration SET active_since = ?2 WHERE id = ?1", [id, since])?;
                    id
                }
                None => put_calibration(tx, instrument, (name, text), matrix, since)?,
            };
            self.sealed().seal(tx, "calibration", id)?;
            if let Some((_, old, ..)) = newest {
                let instrument_name: String =
                    tx.query_row("SELECT name FROM instrument WHERE id = ?1", [instrument], |row| lossy(row, 0))?;
                let text = format!("calibration `{name}` ({}) active in place of `{old}`", &sha256(text)[..12]);
                let kind = EventKind::CalibrationChanged;
                put_event(
                    tx,
                    self.sealed(),
                    &Event { time: when, until: None, instrument: Some(instrument_name), kind, text },
                )?;
            }
            Ok(id)
        })
    }

    /// Stores a calibration for the recomputation of readings of an instrument (row of `instrument`) and returns its row. It does
    /// not become active for new readings: it is older than any other calibration.
    pub fn register_calibration_for_recomputation(
        &self,
        instrument: i64,
        name: &str,
        text: &str,
        matrix: Option<&[f64]>,
    ) -> Result<i64, StoreError> {
        let matrix = self.store_matrix(instrument, name, text, matrix)?;
        self.transact("registering a calibration", |tx| match calibration_row(tx, instrument, name, text)? {
            Some(id) => Ok(id),
            None => {
                let id = put_calibration(tx, instrument, (name, text), matrix, NEVER_ACTIVE)?;
                self.sealed().seal(tx, "calibration", id).map(|()| id)
            }
        })
    }

    /// Activates a configuration and returns its row; replacing another stores an event.
    pub fn register_configuration(&self, text: &str, when: UtcMicros) -> Result<i64, StoreError> {
        self.transact("registering a configuration", |tx| {
            let newest: Option<(i64, String, String, i64)> = tx
                .query_row(
                    "SELECT id, text, sha256, active_since FROM configuration ORDER BY active_since DESC LIMIT 1",
                    [],
                    |row| Ok((row.get(0)?, lossy(row, 1)?, lossy(row, 2)?, row.get(3)?)),
                )
                .optional()?;
            if let Some((id, ..)) = newest.as_ref().filter(|n| n.1 == text) {
                return Ok(*id);
            }
            let since = newest.as_ref().map_or(when.0, |n| when.0.max(n.3 + 1));
            let hash = sha256(text);
            let sql = "UPDATE configuration SET active_since = ?2 WHERE text = ?1 RETURNING id";
            let id = match tx.query_row(sql, params![text, since], |row| row.get(0)).optional()? {
                Some(id) => id,
                None => {
                    let sql =
                        "INSERT INTO configuration(text, sha256, program_version, active_since) VALUES (?, ?, ?, ?)";
                    tx.prepare(sql)?.insert(params![text, hash, VERSION, since])?
                }
            };
            self.sealed().seal(tx, "configuration", id)?;
            if let Some((_, _, old, _)) = newest {
                let text =
                    format!("configuration {} active in place of {}", &hash[..12], old.get(..12).unwrap_or("unknown"));
                let kind = EventKind::ConfigurationChanged;
                put_event(tx, self.sealed(), &Event { time: when, until: None, instrument: None, kind, text })?;
            }
            Ok(id)
        })
    }

    /// Activates the computation for new readings and returns its row; `text` describes it (registry, settings).
    pub fn register_computation(&self, text: &str, when: UtcMicros) -> Result<i64, StoreError> {
        self.transact("registering a computation", |tx| {
            let known = tx
                .query_row(
                    "SELECT id FROM computation WHERE text = ?1 AND program_version = ?2 AND active IS NOT NULL \
                     ORDER BY id DESC LIMIT 1",
                    [text, VERSION],
                    |row| row.get(0),
                )
                .optional()?;
            if let Some(id) = known {
                return Ok(id);
            }
            let sql = "INSERT INTO computation(text, sha256, program_version, created, active) \
                 VALUES (?, ?, ?, ?, (SELECT coalesce(max(active), 0) + 1 FROM computation))";
            let id = tx.prepare(sql)?.insert(params![text, sha256(text), VERSION, when.0])?;
            self.sealed().seal(tx, "computation", id).map(|()| id)
        })
    }
}

/// A text; damage that makes it no UTF-8 makes it another text, and so another row is registered.
fn lossy(row: &Row<'_>, at: usize) -> rusqlite::Result<String> {
    Ok(String::from_utf8_lossy(row.get_ref(at)?.as_bytes()?).into_owned())
}

fn calibration_row(tx: &Transaction<'_>, instrument: i64, name: &str, text: &str) -> rusqlite::Result<Option<i64>> {
    let sql = "SELECT id FROM calibration WHERE instrument = ?1 AND name = ?2 AND text = ?3";
    tx.query_row(sql, params![instrument, name, text], |row| row.get(0)).optional()
}

fn put_calibration(
    tx: &Transaction<'_>,
    instrument: i64,
    (name, text): (&str, &str),
    matrix: Option<i64>,
    since: i64,
) -> rusqlite::Result<i64> {
    let sql = "INSERT INTO calibration(instrument, name, text, sha256, program_version, active_since, stray_matrix) \
         VALUES (?, ?, ?, ?, ?, ?, ?)";
    tx.prepare(sql)?.insert(params![instrument, name, text, sha256(text), VERSION, since, matrix])
}

impl Reader {
    /// All calibrations, by row.
    pub fn calibrations(&self) -> Result<Vec<Provenance>, StoreError> {
        self.provenance("calibration", "name", "active_since", "WHERE id >= ?1 ORDER BY id", 0)
    }

    /// All configurations, by row.
    pub fn configurations(&self) -> Result<Vec<Provenance>, StoreError> {
        self.provenance("configuration", "''", "active_since", "WHERE id >= ?1 ORDER BY id", 0)
    }

    /// All computations that were activated, by row.
    pub fn computations(&self) -> Result<Vec<Provenance>, StoreError> {
        self.provenance("computation", "''", "created", "WHERE id >= ?1 AND active IS NOT NULL ORDER BY id", 0)
    }

    /// A calibration by its row.
    pub fn calibration(&self, id: i64) -> Result<Option<Provenance>, StoreError> {
        Ok(self.provenance("calibration", "name", "active_since", "WHERE id = ?1", id)?.pop())
    }

    /// A configuration by its row.
    pub fn configuration(&self, id: i64) -> Result<Option<Provenance>, StoreError> {
        Ok(self.provenance("configuration", "''", "active_since", "WHERE id = ?1", id)?.pop())
    }

    /// The configuration that was activated last.
    pub fn current_configuration(&self) -> Result<Option<Provenance>, StoreError> {
        Ok(self.provenance("configuration", "''", "active_since", "ORDER BY active_since DESC LIMIT ?1", 1)?.pop())
    }

    /// A computation by its row.
    pub fn computation(&self, id: i64) -> Result<Option<Provenance>, StoreError> {
        Ok(self.provenance("computation", "''", "created", "WHERE id = ?1", id)?.pop())
    }

    /// Rows of a table whose text has the stored hash; others are left out and remembered ([`Reader::take_damage`]).
    fn provenance(
        &self,
        table: &'static str,
        name: &str,
        since: &str,
        tail: &str,
        key: i64,
    ) -> Result<Vec<Provenance>, StoreError> {
        let sql = format!("SELECT id, {name}, text, sha256, program_version, {since} FROM {table} {tail}");
        let doing = "reading calibrations, configurations or computations";
        let rows = rows_or_damage(&self.lock(), doing, table, (&sql, [key]), |row| {
            let (id, text, stored): (i64, String, String) = (row.get(0)?, row.get(2)?, row.get(3)?);
            let found = sha256(&text);
            if found != stored {
                let expected = format!("a text with SHA-256 {stored}");
                return Ok(Err(StoreError::Corrupt { table, id, expected, found }));
            }
            Ok(Ok(Provenance {
                id,
                name: row.get(1)?,
                text,
                sha256: stored,
                program_version: row.get(4)?,
                since: UtcMicros(row.get(5)?),
            }))
        })?;
        self.damage.intact(rows)
    }
}

#[cfg(test)]
mod tests {
    /// Published: FIPS 180-4's example message "abc" (NIST, Cryptographic Standards and Guidelines, SHA-256 example).
    #[test]
    fn a_hash_is_sha_256() {
        let want = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(super::sha256("abc"), want);
    }
}
