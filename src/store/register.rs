//! What readings were made with: instruments, calibrations, configurations, computations.
//!
//! Each is one row for each distinct text, so registering is free to be repeated. What comes in force in place of
//! another is an event.

use super::error::StoreError;
use super::write::put_event;
use super::{Reader, Store};
use crate::clock::UtcMicros;
use crate::record::{Detector, Event, EventKind, PixelRanges};
use rusqlite::{OptionalExtension, params};

/// The version of this program, as it stands in the rows it makes.
pub(super) const VERSION: &str = env!("CARGO_PKG_VERSION");

/// Names the matrix that belongs to a calibration, once it is known.
const KEEP_MATRIX: &str = "UPDATE calibration SET stray_matrix = ?2 WHERE id = ?1 AND stray_matrix IS NULL AND ?2 > 0";

/// `active_since` of a calibration that no reading was ever taken with.
const NEVER_IN_FORCE: i64 = i64::MIN;

/// An instrument as it answered when it was connected.
#[derive(Clone, Copy, Debug)]
pub struct NewInstrument<'a> {
    /// Its name in the configuration.
    pub name: &'a str,
    /// Serial number.
    pub serial: &'a str,
    /// The whole answer to `*IDN?`.
    pub identity: &'a str,
    /// What it says about its detector.
    pub detector: &'a Detector,
}

/// An instrument on record.
#[derive(Clone, Debug, PartialEq)]
pub struct InstrumentRow {
    /// Its row.
    pub id: i64,
    /// Its name in the configuration.
    pub name: String,
    /// Serial number.
    pub serial: String,
    /// The whole answer to `*IDN?`.
    pub identity: String,
    /// What it says about its detector.
    pub detector: Detector,
    /// When it first answered.
    pub first_seen: UtcMicros,
}

/// A calibration, configuration or computation on record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Provenance {
    /// Its row.
    pub id: i64,
    /// Its own name; empty for those that have none.
    pub name: String,
    /// The text as it was.
    pub text: String,
    /// SHA-256 of the text, in hexadecimal.
    pub sha256: String,
    /// Version of the program that made the row.
    pub program_version: String,
    /// In force since, or made at.
    pub since: UtcMicros,
}

/// SHA-256 of a text, in hexadecimal.
pub fn sha256(text: &str) -> String {
    in_hexadecimal(&hmac_sha256::Hash::hash(text.as_bytes()))
}

pub(super) fn in_hexadecimal(hash: &[u8]) -> String {
    hash.iter().map(|byte| format!("{byte:02x}")).collect()
}

impl Store {
    /// The row of an instrument; a new one where name, serial number or what counts mean has changed.
    pub fn register_instrument(&self, new: &NewInstrument<'_>, when: UtcMicros) -> Result<i64, StoreError> {
        let d = new.detector;
        // Pairs of whole numbers can always be written.
        let shielded = serde_json::to_string(&d.shielded.0).unwrap_or_default();
        self.transact("registering an instrument", |tx| {
            let known: Option<i64> = tx
                .query_row(
                    "SELECT id FROM instrument WHERE name = ?1 AND serial = ?2 AND pixels = ?3 AND full_scale = ?4 \
                     AND shielded = ?5 ORDER BY id DESC LIMIT 1",
                    params![new.name, new.serial, d.pixels as i64, d.full_scale, shielded],
                    |row| row.get(0),
                )
                .optional()?;
            if let Some(id) = known {
                tx.execute(
                    "UPDATE instrument SET identity = ?2, integration_min = ?3, integration_max = ?4, \
                     has_shutter = ?5, transfer = ?6 WHERE id = ?1 AND (identity, integration_min, integration_max, \
                     has_shutter, transfer) IS NOT (?2, ?3, ?4, ?5, ?6)",
                    params![id, new.identity, d.integration_min_s, d.integration_max_s, d.has_shutter, d.transfer_s],
                )?;
                return Ok(id);
            }
            tx.prepare(
                "INSERT INTO instrument(name, serial, identity, pixels, full_scale, shielded, integration_min, \
                 integration_max, has_shutter, transfer, first_seen) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            )?
            .insert(params![
                new.name,
                new.serial,
                new.identity,
                d.pixels as i64,
                d.full_scale,
                shielded,
                d.integration_min_s,
                d.integration_max_s,
                d.has_shutter,
                d.transfer_s,
                when.0
            ])
        })
    }

    /// The row of the calibration that is in force for an instrument (its row) from now on; replacing another is an event.
    /// Its stray-light matrix, where it has one, is kept whole with it: the text alone cannot give values again.
    pub fn register_calibration(
        &self,
        instrument: i64,
        name: &str,
        text: &str,
        matrix: Option<&[f64]>,
        when: UtcMicros,
    ) -> Result<i64, StoreError> {
        let matrix = self.matrix_to_keep(instrument, name, text, matrix)?;
        self.transact("registering a calibration", |tx| {
            let newest: Option<(i64, String, String, i64)> = tx
                .query_row(
                    "SELECT id, name, text, active_since FROM calibration WHERE instrument = ?1 AND active_since > ?2 \
                     ORDER BY active_since DESC LIMIT 1",
                    [instrument, NEVER_IN_FORCE],
                    |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)),
                )
                .optional()?;
            if let Some((id, ..)) = newest.as_ref().filter(|n| n.1 == name && n.2 == text) {
                tx.execute(KEEP_MATRIX, params![id, matrix])?;
                return Ok(*id);
            }
            // A clock that was set back must not bring the old one in force again.
            let since = newest.as_ref().map_or(when.0, |n| when.0.max(n.3 + 1));
            let hash = sha256(text);
            let again = tx
                .query_row(
                    "UPDATE calibration SET active_since = ?4 WHERE instrument = ?1 AND name = ?2 AND text = ?3 \
                     RETURNING id",
                    params![instrument, name, text, since],
                    |row| row.get(0),
                )
                .optional()?;
            let id = match again {
                Some(id) => id,
                None => tx
                    .prepare(
                        "INSERT INTO calibration(instrument, name, text, sha256, program_version, active_since) \
                         VALUES (?, ?, ?, ?, ?, ?)",
                    )?
                    .insert(params![instrument, name, text, hash, VERSION, since])?,
            };
            tx.execute(KEEP_MATRIX, params![id, matrix])?;
            if let Some((_, old, ..)) = newest {
                let holder: String =
                    tx.query_row("SELECT name FROM instrument WHERE id = ?1", [instrument], |row| row.get(0))?;
                let text = format!("calibration `{name}` ({}) in force in place of `{old}`", &hash[..12]);
                let kind = EventKind::CalibrationChanged;
                put_event(tx, &Event { time: when, until: None, instrument: Some(holder), kind, text })?;
            }
            Ok(id)
        })
    }

    /// The row of a calibration that readings of an instrument (its row) are made again with. It is not in force for readings
    /// to come: to the daemon it is older than any other.
    pub fn register_calibration_beside(
        &self,
        instrument: i64,
        name: &str,
        text: &str,
        matrix: Option<&[f64]>,
    ) -> Result<i64, StoreError> {
        let matrix = self.matrix_to_keep(instrument, name, text, matrix)?;
        self.transact("registering a calibration", |tx| {
            let sql = "SELECT id FROM calibration WHERE instrument = ?1 AND name = ?2 AND text = ?3";
            let known = tx.query_row(sql, params![instrument, name, text], |row| row.get(0)).optional()?;
            let id = match known {
                Some(id) => id,
                None => {
                    let sql = "INSERT INTO calibration(instrument, name, text, sha256, program_version, active_since) \
                         VALUES (?, ?, ?, ?, ?, ?)";
                    tx.prepare(sql)?.insert(params![instrument, name, text, sha256(text), VERSION, NEVER_IN_FORCE])?
                }
            };
            tx.execute(KEEP_MATRIX, params![id, matrix])?;
            Ok(id)
        })
    }

    /// The row of the configuration that is in force from now on; replacing another is an event.
    pub fn register_configuration(&self, text: &str, when: UtcMicros) -> Result<i64, StoreError> {
        self.transact("registering a configuration", |tx| {
            let newest: Option<(i64, String, String, i64)> = tx
                .query_row(
                    "SELECT id, text, sha256, active_since FROM configuration ORDER BY active_since DESC LIMIT 1",
                    [],
                    |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?)),
                )
                .optional()?;
            if let Some((id, ..)) = newest.as_ref().filter(|n| n.1 == text) {
                return Ok(*id);
            }
            let since = newest.as_ref().map_or(when.0, |n| when.0.max(n.3 + 1));
            let hash = sha256(text);
            let again = tx
                .query_row(
                    "UPDATE configuration SET active_since = ?2 WHERE text = ?1 RETURNING id",
                    params![text, since],
                    |row| row.get(0),
                )
                .optional()?;
            let id = match again {
                Some(id) => id,
                None => tx
                    .prepare(
                        "INSERT INTO configuration(text, sha256, program_version, active_since) VALUES (?, ?, ?, ?)",
                    )?
                    .insert(params![text, hash, VERSION, since])?,
            };
            if let Some((_, _, old, _)) = newest {
                let text = format!("configuration {} in force in place of {}", &hash[..12], &old[..12.min(old.len())]);
                let kind = EventKind::ConfigurationChanged;
                put_event(tx, &Event { time: when, until: None, instrument: None, kind, text })?;
            }
            Ok(id)
        })
    }

    /// The row of the computation that readings are made with from now on; `text` says what it does (registry, settings).
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
            tx.prepare(
                "INSERT INTO computation(text, sha256, program_version, created, active) \
                 VALUES (?, ?, ?, ?, (SELECT coalesce(max(active), 0) + 1 FROM computation))",
            )?
            .insert(params![text, sha256(text), VERSION, when.0])
        })
    }
}

impl Reader {
    /// Every instrument on record, by row.
    pub fn instruments(&self) -> Result<Vec<InstrumentRow>, StoreError> {
        let sql = "SELECT id, name, serial, identity, pixels, full_scale, shielded, integration_min, integration_max, \
             has_shutter, transfer, first_seen FROM instrument ORDER BY id";
        let rows = self.rows("reading instruments", sql, [], |row| {
            let (id, shielded): (i64, String) = (row.get(0)?, row.get(6)?);
            let Ok(ranges) = serde_json::from_str::<Vec<(u16, u16)>>(&shielded) else {
                let expected = "ranges of shielded pixels".into();
                return Ok(Err(StoreError::Corrupt { table: "instrument", id, expected, found: shielded }));
            };
            Ok(Ok(InstrumentRow {
                id,
                name: row.get(1)?,
                serial: row.get(2)?,
                identity: row.get(3)?,
                detector: Detector {
                    pixels: row.get::<_, u32>(4)? as usize,
                    full_scale: row.get(5)?,
                    shielded: PixelRanges(ranges),
                    integration_min_s: row.get(7)?,
                    integration_max_s: row.get(8)?,
                    has_shutter: row.get(9)?,
                    transfer_s: row.get(10)?,
                },
                first_seen: UtcMicros(row.get(11)?),
            }))
        })?;
        rows.into_iter().collect()
    }

    /// Every calibration on record, by row.
    pub fn calibrations(&self) -> Result<Vec<Provenance>, StoreError> {
        self.provenance("calibration", "name", "active_since", "WHERE id >= ?1 ORDER BY id", 0)
    }

    /// Every configuration on record, by row.
    pub fn configurations(&self) -> Result<Vec<Provenance>, StoreError> {
        self.provenance("configuration", "''", "active_since", "WHERE id >= ?1 ORDER BY id", 0)
    }

    /// Every computation that is in force for some readings, by row.
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

    /// The configuration that came in force last.
    pub fn current_configuration(&self) -> Result<Option<Provenance>, StoreError> {
        Ok(self.provenance("configuration", "''", "active_since", "ORDER BY active_since DESC LIMIT ?1", 1)?.pop())
    }

    /// A computation by its row.
    pub fn computation(&self, id: i64) -> Result<Option<Provenance>, StoreError> {
        Ok(self.provenance("computation", "''", "created", "WHERE id = ?1", id)?.pop())
    }

    fn provenance(
        &self,
        table: &str,
        name: &str,
        since: &str,
        tail: &str,
        key: i64,
    ) -> Result<Vec<Provenance>, StoreError> {
        let sql = format!("SELECT id, {name}, text, sha256, program_version, {since} FROM {table} {tail}");
        self.rows("reading what readings were made with", &sql, [key], |row| {
            Ok(Provenance {
                id: row.get(0)?,
                name: row.get(1)?,
                text: row.get(2)?,
                sha256: row.get(3)?,
                program_version: row.get(4)?,
                since: UtcMicros(row.get(5)?),
            })
        })
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
