//! The database of a station. No other module writes to it.
//!
//! One SQLite file in WAL mode; `schema` documents every table and unit. The daemon ([`Store::open_daemon`]; a lock file beside
//! the database admits one daemon per database) writes each reading with its frames, values, events and state in one transaction.
//! Other processes may add a note or a dark ([`Store::open_writer`]) and may read at any time ([`Reader::open`]). Nothing is
//! computed here.
//!
//! Invariants:
//! - A reading is durable when [`Store::commit_reading`] returns its id, also after a kill or a power loss (`synchronous=FULL`,
//!   and
//!   `psow=0` because a torn write can damage bytes beside the written ones).
//! - A failed transaction changes nothing. Queries are short, so that no open read transaction blocks a WAL checkpoint.
//! - Rows of `reading`, `frame` and `dark` never change. With the stored calibration, configuration and computation they
//!   reproduce
//!   the values of a reading bit for bit. Frames can be decoded without this program ([`frame_row`]).
//! - Values belong to a *computation*. The table `active_values` states which computation is active for a reading, so that a
//!   recomputation is stored in many transactions and activated by a few rows in one; earlier values are retained.
//! - A *flagged interval* is an event with a flag. Queries apply it to the readings that they return
//!   ([`crate::record::flagged_interval::apply`]); no stored row is changed.
//! - Roll-ups of hours and days are made from active values, and deleted in the transaction that changes these.
//! - Rows of readings, values and events have a checksum ([`row_checksum`]). A damaged row is never returned: queries of many rows
//!   leave it out and remember it ([`Reader::take_damage`]), queries of one row return an error.
//! - A number that is not finite is stored as null, with a reason. The id of a reading is never reused.

pub mod backup;
mod computations;
mod connection;
mod contents;
mod daemon_starts;
mod damage;
mod disk_failure;
mod error;
mod events;
mod flagged_intervals;
pub mod frame_row;
mod frames;
mod instruments;
mod invalidation;
mod lamp_shapes;
mod listings;
mod matrices;
mod missing_file;
mod open;
mod opened_file;
mod provenance;
mod quantity_columns;
mod reading_row;
mod readings;
mod recovery;
mod retention;
mod rollups;
pub mod row_checksum;
mod rows;
mod schema;
mod state;
mod write;

pub use computations::{Activation, ActivationSummary, ComputationRow, NewValues, OpenComputation};
pub use contents::Counts;
pub use daemon_starts::DaemonStart;
pub use error::StoreError;
pub use frames::FrameOf;
pub use instruments::{InstrumentRow, NewInstrument};
pub use listings::{CalibrationRow, EventRow};
pub use open::{COMPANIONS, is_database_file};
pub use provenance::{Provenance, sha256};
pub use reading_row::QUANTITY_ADDED_LATER;
pub use readings::Readings;
pub use retention::PurgedFrames;
pub use rollups::{DayRow, Hour, RollUp};
pub use rows::{DarkModel, FrameRecord, LampShapesRow, MadeWith, NewReading, SavedState, StoredReading};

use rusqlite::{Connection, Params, Row, Transaction};
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard};

/// Page size of a new database [bytes].
///
/// Chosen by measurement with one frame of 2048 pixels and 19 quantities per reading (`benches/store_footprint.rs`).
pub const PAGE_SIZE: u32 = 2048;

/// A database opened for reading.
#[derive(Debug)]
pub struct Reader {
    connection: Mutex<Connection>,
    path: PathBuf,
    columns: reading_row::Columns,
    damage: damage::Damage,
}

/// A database opened for reading and writing.
#[derive(Debug)]
pub struct Store {
    reader: Reader,
    insert_value: String,
    insert_window: String,
    /// The file that the daemon opened.
    opened: opened_file::OpenedFile,
    disk_failure: disk_failure::DiskFailure,
    /// The lock is released when this file is closed.
    _lock: Option<File>,
}

impl std::ops::Deref for Store {
    type Target = Reader;
    fn deref(&self) -> &Reader {
        &self.reader
    }
}

impl Reader {
    /// Limits the size of the database [pages]; a limit below the present size becomes the present size.
    #[cfg(test)]
    pub(crate) fn limit_pages(&self, pages: u32) {
        self.lock().execute_batch(&format!("PRAGMA max_page_count={pages}")).unwrap();
    }
    /// Sets how long an operation waits for a lock held by another process.
    #[cfg(test)]
    pub(crate) fn set_busy_timeout(&self, timeout: std::time::Duration) {
        self.lock().busy_timeout(timeout).unwrap();
    }
    /// The database file.
    pub fn path(&self) -> &Path {
        &self.path
    }
    /// The quantities, as (identifier, unit), in the order of [`crate::record::Reading::values`] in this process.
    ///
    /// For the daemon this is the order of its registry, for other processes the order in which the columns were added.
    pub fn quantities(&self) -> &[(String, String)] {
        &self.columns.quantities
    }
    /// Selects the values of one computation (row of `computation`), active or not; `None` selects the active values. A reading
    /// without values of the computation has nulls with that reason.
    pub fn with_computation(self, computation: Option<i64>) -> Self {
        let columns = reading_row::Columns::of(self.columns.quantities, computation, self.columns.sealed);
        Self { columns, ..self }
    }
    /// The computation selected with [`Reader::with_computation`].
    pub fn named_computation(&self) -> Option<i64> {
        self.columns.computation
    }
    /// The index of a quantity in the values of a reading.
    pub fn position(&self, id: &str) -> Option<usize> {
        self.quantities().iter().position(|(q, _)| q == id)
    }
    /// The tables whose rows have checksums.
    fn sealed(&self) -> &row_checksum::Sealed {
        &self.columns.sealed
    }
    /// Returns all rows of a query.
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
        // A panic ends the process; in tests, the transaction of a panicked thread was rolled back.
        self.connection.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

impl Store {
    /// Runs `work` in one write transaction, which is rolled back if `work` fails. What it wrote is in the file at the path when
    /// this returns.
    fn transact<T>(
        &self,
        doing: &'static str,
        work: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        self.ensure_file()?;
        self.recover_from_disk_failure().inspect_err(|error| self.disk_failure.note(error))?;
        let done = connection::transact(&mut self.lock(), doing, work);
        let done = done.inspect_err(|error| self.disk_failure.note(error))?;
        // The file may have gone during the transaction: only then is what was written not yet in it.
        self.ensure_file()?;
        Ok(done)
    }
}

#[cfg(test)]
mod tests;
