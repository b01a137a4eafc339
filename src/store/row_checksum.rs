//! Checksums of rows: a changed byte is detected in whichever column it lies.
//!
//! The column `row_crc32` of a row is the CRC-32 of its other stored columns. Of each column that is not
//! NULL, in the order of the table, it covers the name, a zero byte, the value (integers and reals as 8 bytes, little-endian; text
//! and blobs as they are) and a zero byte. Generated columns are left out. A column that is added later is NULL in older rows and
//! does not change their checksum.
//!
//! Depends on SQLite only. Invariant: every transaction that changes a row seals it again ([`Sealed::seal`]).

use super::Reader;
use super::damage::rows_or_damage;
use super::error::StoreError;
use rusqlite::types::ValueRef;
use rusqlite::{Connection, Row, Transaction, params};

/// The name of the column of the checksum.
pub(super) const COLUMN: &str = "row_crc32";

/// The sealed tables, with their keys.
const TABLES: [(&str, &str); 15] = [
    ("reading", "id"),
    ("value", "id"),
    ("window_value", "reading"),
    ("event", "id"),
    ("frame", "id"),
    ("dark", "id"),
    ("dark_model", "id"),
    ("instrument", "id"),
    ("calibration", "id"),
    ("configuration", "id"),
    ("computation", "id"),
    ("daemon_start", "id"),
    ("stray_matrix", "id"),
    ("day", "id"),
    ("lamp_shapes", "id"),
];

/// The sealed tables of a database.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct Sealed(Vec<SealedTable>);

/// A table whose rows have a checksum.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct SealedTable {
    pub(super) name: &'static str,
    /// The primary key.
    pub(super) key: &'static str,
    /// The stored columns other than the checksum, in the order of the table.
    pub(super) columns: Vec<String>,
    /// Selects the stored columns, then the checksum; without a condition.
    pub(super) select: String,
    /// Selects the row ?1.
    select_one: String,
    /// Sets the checksum of the row ?1 to ?2.
    update: String,
}

impl Sealed {
    /// The tables of an open database.
    pub(super) fn of(connection: &Connection) -> rusqlite::Result<Self> {
        TABLES.iter().map(|(name, key)| SealedTable::of(connection, name, key)).collect::<Result<_, _>>().map(Self)
    }

    /// The tables.
    pub(super) fn tables(&self) -> &[SealedTable] {
        &self.0
    }

    /// Computes the checksum of a row and stores it. The row must exist.
    pub(super) fn seal(&self, tx: &Transaction<'_>, table: &str, key: i64) -> rusqlite::Result<()> {
        let table = self.0.iter().find(|t| t.name == table).ok_or(rusqlite::Error::QueryReturnedNoRows)?;
        let crc32 = tx.prepare_cached(&table.select_one)?.query_row([key], |row| {
            crc32_of_row(table.columns.iter().enumerate().map(|(at, name)| (name.as_str(), at)), row)
        })?;
        tx.prepare_cached(&table.update)?.execute(params![key, crc32]).map(drop)
    }
}

impl SealedTable {
    fn of(connection: &Connection, name: &'static str, key: &'static str) -> rusqlite::Result<Self> {
        // Generated columns are not listed.
        let mut statement =
            connection.prepare(&format!("SELECT name FROM pragma_table_info('{name}') ORDER BY cid"))?;
        let mut columns: Vec<String> = statement.query_map([], |row| row.get(0))?.collect::<Result<_, _>>()?;
        columns.retain(|column| column != COLUMN);
        let quoted: Vec<String> = columns.iter().map(|column| format!("\"{column}\"")).collect();
        let select = format!("SELECT {}, {COLUMN} FROM {name}", quoted.join(", "));
        Ok(Self {
            name,
            key,
            columns,
            select_one: format!("{select} WHERE {key} = ?1"),
            select,
            update: format!("UPDATE {name} SET {COLUMN} = ?2 WHERE {key} = ?1"),
        })
    }
}

/// Rows that are checked in one query.
const ROWS_PER_QUERY: i64 = 1024;

impl Reader {
    /// Checks every row that has a checksum: those of the sealed tables, saved state, hourly roll-ups and stray-light matrices.
    /// `each` receives every row, or its error.
    pub fn check_rows(&self, each: &mut dyn FnMut(Result<(), StoreError>)) -> Result<(), StoreError> {
        // As they are now: a newer version of the program may have added columns.
        let sealed = Sealed::of(&self.lock()).map_err(StoreError::sqlite("reading the columns of tables"))?;
        for table in sealed.tables() {
            self.check_table(table, each)?;
        }
        let sql = "SELECT instrument, name, json, crc32 FROM saved_state";
        let states = rows_or_damage(&self.lock(), "checking saved state", "saved_state", (sql, []), |row| {
            let (id, want) = (row.get(0)?, row.get(3)?);
            Ok(compare("saved_state", id, want, crc32fast::hash(row.get_ref(2)?.as_bytes().unwrap_or_default())))
        })?;
        states.into_iter().for_each(&mut *each);
        self.check_hours(each)?;
        self.check_matrices(each)
    }

    fn check_table(&self, table: &SealedTable, each: &mut dyn FnMut(Result<(), StoreError>)) -> Result<(), StoreError> {
        // The key is the first column.
        let (select, key) = (&table.select, table.key);
        let sql = format!("{select} WHERE {key} > ?1 ORDER BY {key} LIMIT {ROWS_PER_QUERY}");
        let (mut last, mut more) = (i64::MIN, true);
        while more {
            let before = last;
            let rows = rows_or_damage(&self.lock(), "checking rows", table.name, (&sql, [before]), |row| {
                last = row.get(0)?;
                let columns = table.columns.iter().enumerate().map(|(at, name)| (name.as_str(), at));
                Ok(compare(table.name, last, row.get(table.columns.len())?, crc32_of_row(columns, row)?))
            })?;
            // A damaged page ends the table.
            more = last > before && rows.len() as i64 == ROWS_PER_QUERY;
            rows.into_iter().for_each(&mut *each);
        }
        Ok(())
    }
}

/// An error unless a checksum is as stored.
pub(super) fn compare(table: &'static str, id: i64, want: i64, found: u32) -> Result<(), StoreError> {
    if i64::from(found) == want {
        return Ok(());
    }
    let (expected, found) = (format!("a row with checksum {want:08x}"), format!("{found:08x}"));
    Err(StoreError::Corrupt { table, id, expected, found })
}

/// The CRC-32 of columns of a row, each with its name and its index in the row.
pub fn crc32_of_row<'a>(columns: impl Iterator<Item = (&'a str, usize)>, row: &Row<'_>) -> rusqlite::Result<u32> {
    let values: Vec<(&str, ValueRef<'_>)> =
        columns.map(|(name, at)| Ok((name, row.get_ref(at)?))).collect::<rusqlite::Result<_>>()?;
    Ok(crc32_of_values(values.into_iter()))
}

/// The CRC-32 of named values.
pub(super) fn crc32_of_values<'a>(values: impl Iterator<Item = (&'a str, ValueRef<'a>)>) -> u32 {
    let mut bytes = Vec::with_capacity(4096);
    for (name, value) in values {
        if value == ValueRef::Null {
            continue;
        }
        bytes.extend_from_slice(name.as_bytes());
        bytes.push(0);
        match value {
            ValueRef::Null => {}
            ValueRef::Integer(x) => bytes.extend_from_slice(&x.to_le_bytes()),
            ValueRef::Real(x) => bytes.extend_from_slice(&x.to_le_bytes()),
            ValueRef::Text(text) => bytes.extend_from_slice(text),
            ValueRef::Blob(blob) => bytes.extend_from_slice(blob),
        }
        bytes.push(0);
    }
    crc32fast::hash(&bytes)
}
