//! Two ways to use a connection: rows that are read in one go, and work in one write transaction.
//!
//! Depends on nothing of the store but its errors. Invariants: no statement is left half read, so that no open read
//! transaction blocks a checkpoint; a transaction that fails leaves nothing behind.

use super::error::StoreError;
use rusqlite::{Connection, Params, Row, Transaction, TransactionBehavior};

/// Reads every row of a statement.
pub(super) fn rows<T>(
    connection: &Connection,
    doing: &'static str,
    sql: &str,
    params: impl Params,
    row: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
) -> Result<Vec<T>, StoreError> {
    let read = || -> rusqlite::Result<Vec<T>> { connection.prepare_cached(sql)?.query_map(params, row)?.collect() };
    read().map_err(StoreError::sqlite(doing))
}

/// Runs `work` in one write transaction, which is rolled back unless all of it succeeds.
pub(super) fn transact<T, E>(
    connection: &mut Connection,
    doing: &'static str,
    work: impl FnOnce(&Transaction<'_>) -> Result<T, E>,
) -> Result<T, StoreError>
where
    E: IntoStoreError,
{
    // Immediate: a write lock that is taken late cannot wait for another process and fails instead.
    let oops = StoreError::sqlite(doing);
    let tx = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(&oops)?;
    let done = work(&tx).map_err(|e| e.into_store_error(doing))?;
    tx.commit().map_err(&oops)?;
    Ok(done)
}

/// What the work of a transaction may fail with.
pub(super) trait IntoStoreError {
    fn into_store_error(self, doing: &'static str) -> StoreError;
}

impl IntoStoreError for rusqlite::Error {
    fn into_store_error(self, doing: &'static str) -> StoreError {
        StoreError::sqlite(doing)(self)
    }
}

impl IntoStoreError for StoreError {
    fn into_store_error(self, _doing: &'static str) -> StoreError {
        self
    }
}
