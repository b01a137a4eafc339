//! Errors of operations on stored readings.

use crate::store::StoreError;

/// Errors of the archive.
#[derive(Debug, thiserror::Error)]
pub enum ArchiveError {
    /// An error of the database.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The raw frames were purged.
    #[error("reading {0}: expected its raw frames, but they were purged")]
    NoFrames(i64),
    /// A row that the reading depends on does not exist.
    #[error("reading {reading}: expected {what} {row}, but there is no such row")]
    Missing {
        /// The reading.
        reading: i64,
        /// The table.
        what: &'static str,
        /// The row.
        row: i64,
    },
    /// A row that the reading depends on cannot be used.
    #[error("{what} {row} in the database cannot be used: {why}")]
    Unusable {
        /// The table.
        what: &'static str,
        /// The row.
        row: i64,
        /// The reason.
        why: String,
    },
}

impl ArchiveError {
    /// Whether the error affects single readings only: frames purged or damaged, or a row missing or unusable.
    pub fn is_of_one_reading(&self) -> bool {
        match self {
            Self::NoFrames(_) | Self::Missing { .. } | Self::Unusable { .. } => true,
            Self::Store(error) => matches!(error, StoreError::Corrupt { .. }),
        }
    }
}
