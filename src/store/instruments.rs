//! Stores and reads instruments: one row per name, serial number and detector.

use super::damage::rows_or_damage;
use super::error::StoreError;
use super::row_checksum::{COLUMN, compare, crc32_of_row};
use super::{Reader, Store};
use crate::clock::UtcMicros;
use crate::record::{Detector, PixelRanges};
use rusqlite::{OptionalExtension, params};

/// The columns of `instrument` in the order of the table.
const COLUMNS: [&str; 12] = [
    "id",
    "name",
    "serial",
    "identity",
    "pixels",
    "full_scale",
    "shielded",
    "integration_min",
    "integration_max",
    "has_shutter",
    "transfer",
    "first_seen",
];

/// An instrument as reported on connection.
#[derive(Clone, Copy, Debug)]
pub struct NewInstrument<'a> {
    /// Name in the configuration.
    pub name: &'a str,
    /// Serial number.
    pub serial: &'a str,
    /// Answer to `*IDN?`.
    pub identity: &'a str,
    /// Properties of the detector, as reported by the instrument.
    pub detector: &'a Detector,
}

/// A stored instrument.
#[derive(Clone, Debug, PartialEq)]
pub struct InstrumentRow {
    /// Row of `instrument`.
    pub id: i64,
    /// Name in the configuration.
    pub name: String,
    /// Serial number.
    pub serial: String,
    /// Answer to `*IDN?`.
    pub identity: String,
    /// Properties of the detector, as reported by the instrument.
    pub detector: Detector,
    /// Time of the first connection.
    pub first_seen: UtcMicros,
}

impl Store {
    /// Returns the row of an instrument. A new row is created if name, serial number, pixels, full scale or shielded pixels
    /// differ; other changes update the row.
    pub fn register_instrument(&self, new: &NewInstrument<'_>, when: UtcMicros) -> Result<i64, StoreError> {
        let d = new.detector;
        // Serialising pairs of integers cannot fail.
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
                if tx.changes() > 0 {
                    self.sealed().seal(tx, "instrument", id)?;
                }
                return Ok(id);
            }
            let id = tx
                .prepare(
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
                ])?;
            self.sealed().seal(tx, "instrument", id).map(|()| id)
        })
    }
}

impl Reader {
    /// All instruments, by row; damaged rows are left out and remembered ([`Reader::take_damage`]).
    pub fn instruments(&self) -> Result<Vec<InstrumentRow>, StoreError> {
        let sql = format!("SELECT {}, {COLUMN} FROM instrument ORDER BY id", COLUMNS.join(", "));
        let rows = rows_or_damage(&self.lock(), "reading instruments", "instrument", (&sql, []), |row| {
            let found = crc32_of_row(COLUMNS.into_iter().zip(0..), row)?;
            if let Err(damaged) = compare("instrument", row.get(0)?, row.get(COLUMNS.len())?, found) {
                return Ok(Err(damaged));
            }
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
        self.damage.intact(rows)
    }

    /// The lowest row with this name of an instrument; `None` if there is none.
    pub fn instrument_named(&self, name: &str) -> Result<Option<i64>, StoreError> {
        let sql = "SELECT min(id) FROM instrument WHERE name = ?1";
        Ok(self.rows("looking for an instrument", sql, [name], |row| row.get(0))?.first().copied().flatten())
    }
}
