//! Runs queries and write transactions on a connection.
//!
//! Depends on the errors of the store only. Invariants: a query reads all its rows, so that no open read transaction blocks a WAL
//! checkpoint; a failed transaction changes nothing.

use super::error::StoreError;
use rusqlite::{Connection, Params, Row, Transaction, TransactionBehavior};

/// Returns all rows of a query.
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

/// Runs `work` in one write transaction, which is rolled back if `work` fails.
pub(super) fn transact<T, E>(
    connection: &mut Connection,
    doing: &'static str,
    work: impl FnOnce(&Transaction<'_>) -> Result<T, E>,
) -> Result<T, StoreError>
where
    E: IntoStoreError,
{
    // Immediate: a read transaction that is upgraded to a write transaction fails at once if another process writes.
    let store_error = StoreError::sqlite(doing);
    let tx = connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(&store_error)?;
    let done = work(&tx).map_err(|e| e.into_store_error(doing))?;
    tx.commit().map_err(&store_error)?;
    Ok(done)
}

/// An error of the work within a transaction.
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
