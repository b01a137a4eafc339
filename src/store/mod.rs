//! The database: what a station keeps, and the only place that writes it.
//!
//! **Contract.** One SQLite file in WAL mode. [`schema`] names every table and unit. The daemon ([`Store::open_daemon`],
//! one a database, held by a lock beside the file) writes readings with their frames, values, events and state in one
//! transaction each; a reading is durable when [`Store::commit_reading`] returns its id, whatever is killed or cut
//! afterwards (`synchronous=FULL`, and `psow=0` so that a torn sector cannot take a neighbour along). A transaction
//! that fails leaves nothing behind. Other processes may add a note or a dark ([`Store::open_writer`]) and read at any time
//! ([`Reader::open`]); reads are short, so that the write-ahead log can be folded back.
//!
//! Raw first: `reading`, `frame`, `dark` are facts and never change; together with the texts they were made with, they
//! give a reading's values again, bit for bit. Values hang on a *computation*. Which one is in force for a reading is told by
//! runs (`active_values`), so that a recomputation is filled at leisure and switched on by a few rows in one transaction;
//! what was in force before stays. Hours and days are made from values in force and dropped in the transaction that
//! changes those. The schema moves forward only, by the daemon; a newer one is refused.
//!
//! Doubts found out afterwards are *spans*, events with a flag: every reading that is read comes with them applied
//! ([`crate::record::flagged_interval::apply`]), no row is rewritten for them.
//!
//! Frames are coded beside *patterns* of their instrument, learned from its frames, each kept twice and for good ([`patterns`]).
//!
//! Never stored: a number that is not finite (it becomes null, with its reason). Never reused: a reading's id.

pub mod backup;
pub mod codec;
mod computations;
mod error;
mod extent;
mod matrices;
mod open;
mod patterns;
mod query;
mod register;
mod retention;
mod rollups;
mod rows;
mod schema;
mod spans;
mod write;

pub use computations::{Begun, ComputationRow, NewValues, Switch, Switched};
pub use error::StoreError;
pub use query::{Counts, FrameOf, NOT_YET_A_QUANTITY, Readings};
pub use register::{InstrumentRow, NewInstrument, Provenance, sha256};
pub use retention::LetGo;
pub use rollups::{DayRow, Epoch, NewHour};
pub use rows::{DarkModel, FrameRecord, MadeWith, NewReading, SavedState, StoredReading};

use rusqlite::Connection;
use std::collections::HashMap;
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
    inner: Mutex<Inner>,
    path: PathBuf,
    columns: query::Columns,
}

/// The connection and what is remembered of the rows behind it.
#[derive(Debug)]
struct Inner {
    connection: Connection,
    /// Hour of the newest reading, since 1970.
    last_hour: Option<i64>,
    /// Patterns that were read, by their rows.
    patterns: HashMap<i64, codec::learning::Numbers>,
}

/// A database that can be written, and read.
#[derive(Debug)]
pub struct Store {
    reader: Reader,
    insert_value: String,
    insert_window: String,
    /// What is known of the frames of instruments, by their rows.
    learners: Mutex<HashMap<i64, codec::learning::Learner>>,
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
        self.lock().connection.execute_batch(&format!("PRAGMA max_page_count={pages}")).unwrap();
    }
    /// How long to wait for another process that holds the database.
    #[cfg(test)]
    pub(crate) fn wait_at_most(&self, patience: std::time::Duration) {
        self.lock().connection.busy_timeout(patience).unwrap();
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
    /// The same database as a computation (its row) made it, in force or not; `None`: as it is in force. Readings that the
    /// computation made nothing of have no values and say so.
    pub fn with_computation(self, computation: Option<i64>) -> Self {
        let Self { inner, path, columns } = self;
        Self { inner, path, columns: query::Columns::of(columns.quantities, computation) }
    }
    /// The computation it was turned to.
    pub fn named_computation(&self) -> Option<i64> {
        self.columns.computation
    }
    /// Where a quantity stands in the values of a reading.
    pub fn position(&self, id: &str) -> Option<usize> {
        self.quantities().iter().position(|(q, _)| q == id)
    }
    fn lock(&self) -> MutexGuard<'_, Inner> {
        // A thread that panicked ends the process; in tests the connection rolled back whatever was open.
        self.inner.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

#[cfg(test)]
mod archive_tests;
#[cfg(test)]
mod tests;
