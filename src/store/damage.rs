//! Damaged rows: queries of many rows leave them out and remember them, so that one damaged row stops nothing and none goes
//! unnoticed.
//!
//! Invariants: a damaged row is never returned as an intact one; each is reported once per opened database.

use super::Reader;
use super::error::StoreError;
use rusqlite::{Connection, Params, Row};
use std::collections::BTreeSet;
use std::sync::{Mutex, PoisonError};

/// Rows that are remembered, at most; more are not told apart.
const REMEMBERED: usize = 10_000;

/// The damaged rows that queries of an opened database came upon.
#[derive(Debug, Default)]
pub(super) struct Damage(Mutex<Found>);

#[derive(Debug, Default)]
struct Found {
    known: BTreeSet<(String, i64)>,
    /// Those that were not taken yet.
    new: Vec<String>,
}

impl Damage {
    /// Remembers a damaged row, unless it is known.
    pub(super) fn add(&self, table: &str, id: i64, text: String) {
        let mut found = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if found.known.len() < REMEMBERED && found.known.insert((table.to_owned(), id)) {
            found.new.push(text);
        }
    }

    /// The intact ones of some rows; damaged ones are remembered, and any other error is returned.
    pub(super) fn intact<T>(
        &self,
        rows: impl IntoIterator<Item = Result<T, StoreError>>,
    ) -> Result<Vec<T>, StoreError> {
        let mut intact = Vec::new();
        for row in rows {
            match row {
                Ok(row) => intact.push(row),
                Err(error) => self.tolerate(error)?,
            }
        }
        Ok(intact)
    }

    /// Remembers the damage that an error names; any other error is returned.
    pub(super) fn tolerate(&self, error: StoreError) -> Result<(), StoreError> {
        match &error {
            StoreError::Corrupt { table, id, .. } => self.add(table, *id, error.to_string()),
            StoreError::Sqlite { doing, .. } if error.is_damage() => self.add(doing, 0, error.to_string()),
            _ => return Err(error),
        }
        Ok(())
    }
}

impl Reader {
    /// The damaged rows that queries have left out since the last call, each named once.
    pub fn take_damage(&self) -> Vec<String> {
        std::mem::take(&mut self.damage.0.lock().unwrap_or_else(PoisonError::into_inner).new)
    }

    /// The intact ones of some rows; damaged ones are remembered as those that queries left out, and any other error is returned.
    pub fn intact<T>(&self, rows: impl IntoIterator<Item = Result<T, StoreError>>) -> Result<Vec<T>, StoreError> {
        self.damage.intact(rows)
    }

    /// Remembers something stored that cannot be used. id: of its row in the table.
    pub fn set_aside(&self, table: &str, id: i64, why: &str) {
        self.damage.add(table, id, format!("{table} {id}: {why}"));
    }
}

/// Returns the rows of a query; a row that cannot be converted is an error in its place, and so is a damaged page, after which
/// nothing can be read. Column 0 is the key of the table.
pub(super) fn rows_or_damage<T>(
    connection: &Connection,
    doing: &'static str,
    table: &'static str,
    (sql, params): (&str, impl Params),
    mut convert: impl FnMut(&Row<'_>) -> rusqlite::Result<Result<T, StoreError>>,
) -> Result<Vec<Result<T, StoreError>>, StoreError> {
    let store_error = StoreError::sqlite(doing);
    let mut found = Vec::new();
    let mut statement = connection.prepare_cached(sql).map_err(&store_error)?;
    let mut rows = statement.query(params).map_err(&store_error)?;
    loop {
        let row = match rows.next() {
            Ok(Some(row)) => row,
            Ok(None) => return Ok(found),
            Err(error) => {
                let error = store_error(error);
                if !error.is_damage() {
                    return Err(error);
                }
                found.push(Err(error));
                return Ok(found);
            }
        };
        found.push(match convert(row) {
            Ok(converted) => converted,
            Err(error) if is_of_row(&error) => {
                let (expected, found) = ("values of the types of its columns".to_owned(), error.to_string());
                Err(StoreError::Corrupt { table, id: row.get(0).unwrap_or(0), expected, found })
            }
            Err(error) => return Err(store_error(error)),
        });
    }
}

/// Whether an error says that the content of a row is not what its column holds.
fn is_of_row(error: &rusqlite::Error) -> bool {
    use rusqlite::Error as E;
    matches!(
        error,
        E::FromSqlConversionFailure(..) | E::IntegralValueOutOfRange(..) | E::InvalidColumnType(..) | E::Utf8Error(..)
    )
}
