//! The database: what a station records, and the only module that writes it.
//!
//! One SQLite file in WAL mode; `schema` names every table and unit. The daemon ([`Store::open_daemon`], one a
//! database, held by a lock beside the file) writes readings with their frames, values, events and state in one
//! transaction each. Other processes may add a note or a dark ([`Store::open_writer`]) and read at any time ([`Reader::open`]).
//! Nothing is computed here.
//!
//! Invariants:
//! - A reading is durable when [`Store::commit_reading`] returns its id, whatever is killed or cut afterwards
//!   (`synchronous=FULL`, and `psow=0` so that a torn sector cannot take a neighbour along).
//! - A transaction that fails leaves nothing behind. Queries are short, so that no open read transaction blocks a checkpoint.
//! - `reading`, `frame` and `dark` are facts and never change; together with the texts they were made with, they give a
//!   reading's values again, bit for bit. A frame is read without this program ([`frame_row`]).
//! - Values belong to a *computation*. Which one is active for a reading stands in `active_values`, so that a
//!   recomputation is filled at leisure and activated by a few rows in one transaction; earlier values stay.
//! - A *flagged interval* is an event with a flag: every reading that is read comes with it applied
//!   ([`crate::record::flagged_interval::apply`]); no row is rewritten for it.
//! - Hours and days are rolled up from active values, and deleted in the transaction that changes those.
//! - A number that is not finite is never stored: it becomes null, with its reason. A reading's id is never reused.

pub mod backup;
mod computations;
mod connection;
mod contents;
mod daemon_starts;
mod error;
mod events;
mod flagged_intervals;
pub mod frame_row;
mod frames;
mod instruments;
mod invalidation;
mod matrices;
mod open;
mod provenance;
mod quantity_columns;
mod reading_row;
mod readings;
mod retention;
mod rollups;
mod rows;
mod schema;
mod state;
mod write;

pub use computations::{Begun, ComputationRow, NewValues, Switch, Switched};
pub use contents::Counts;
pub use daemon_starts::DaemonStart;
pub use error::StoreError;
pub use frames::FrameOf;
pub use instruments::{InstrumentRow, NewInstrument};
pub use provenance::{Provenance, sha256};
pub use reading_row::NOT_YET_A_QUANTITY;
pub use readings::Readings;
pub use retention::PurgedFrames;
pub use rollups::{DayRow, Hour, RollUp};
pub use rows::{DarkModel, FrameRecord, MadeWith, NewReading, SavedState, StoredReading};

use rusqlite::{Connection, Params, Row, Transaction};
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard};

/// Page size of a new database [bytes].
///
/// Measured with one frame of 2048 pixels and 19 quantities a reading (`benches/store_footprint.rs`).
pub const PAGE_SIZE: u32 = 2048;

/// A database that can be read.
#[derive(Debug)]
pub struct Reader {
    connection: Mutex<Connection>,
    path: PathBuf,
    columns: reading_row::Columns,
}

/// A database that can be written, and read.
#[derive(Debug)]
pub struct Store {
    reader: Reader,
    insert_value: String,
    insert_window: String,
    /// Held as long as this daemon lives.
    _lock: Option<File>,
}

impl std::ops::Deref for Store {
    type Target = Reader;
    fn deref(&self) -> &Reader {
        &self.reader
    }
}

impl Reader {
    /// How many pages there is room for; fewer than there are means no more than these.
    #[cfg(test)]
    pub(crate) fn limit_pages(&self, pages: u32) {
        self.lock().execute_batch(&format!("PRAGMA max_page_count={pages}")).unwrap();
    }
    /// How long to wait for another process that holds the database.
    #[cfg(test)]
    pub(crate) fn wait_at_most(&self, patience: std::time::Duration) {
        self.lock().busy_timeout(patience).unwrap();
    }
    /// The database file.
    pub fn path(&self) -> &Path {
        &self.path
    }
    /// The quantities, as (identifier, unit), in the order in which readings carry them here.
    ///
    /// The daemon's order for the daemon; for everyone else the order in which the database got to know them.
    pub fn quantities(&self) -> &[(String, String)] {
        &self.columns.quantities
    }
    /// The same database as a computation (its row) made it, active or not; `None`: with the active values. Readings that the
    /// computation made nothing of have no values and say so.
    pub fn with_computation(self, computation: Option<i64>) -> Self {
        let columns = reading_row::Columns::of(self.columns.quantities, computation);
        Self { columns, ..self }
    }
    /// The computation it was turned to.
    pub fn named_computation(&self) -> Option<i64> {
        self.columns.computation
    }
    /// Where a quantity stands in the values of a reading.
    pub fn position(&self, id: &str) -> Option<usize> {
        self.quantities().iter().position(|(q, _)| q == id)
    }
    /// Reads every row of a statement.
    fn rows<T>(
        &self,
        doing: &'static str,
        sql: &str,
        params: impl Params,
        row: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, StoreError> {
        connection::rows(&self.lock(), doing, sql, params, row)
    }
    fn lock(&self) -> MutexGuard<'_, Connection> {
        // A thread that panicked ends the process; in tests the connection rolled back whatever was open.
        self.connection.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

impl Store {
    /// Runs `work` in one write transaction, which is rolled back unless all of it succeeds.
    fn transact<T>(
        &self,
        doing: &'static str,
        work: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        connection::transact(&mut self.lock(), doing, work)
    }
}

#[cfg(test)]
mod tests;
