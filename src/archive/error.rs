//! Why a stored reading cannot be recomputed.

use crate::store::StoreError;

/// Errors of the archive.
#[derive(Debug, thiserror::Error)]
pub enum ArchiveError {
    /// The database.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// Its raw frames are purged.
    #[error("reading {0}: expected its raw frames, but none are stored any more")]
    NoFrames(i64),
    /// A row it was computed with is not there.
    #[error("reading {reading}: expected {what} {row}, but there is no such row")]
    Missing {
        /// The reading.
        reading: i64,
        /// Which table.
        what: &'static str,
        /// Which row.
        row: i64,
    },
    /// A row it was computed with cannot be used.
    #[error("{what} {row} in the database cannot be used: {why}")]
    Unusable {
        /// Which table.
        what: &'static str,
        /// Which row.
        row: i64,
        /// What is wrong with it.
        why: String,
    },
}

impl ArchiveError {
    /// Whether only this reading is concerned: its frames are purged or damaged, or a row it needs is.
    pub fn is_of_one_reading(&self) -> bool {
        match self {
            Self::NoFrames(_) | Self::Missing { .. } | Self::Unusable { .. } => true,
            Self::Store(error) => matches!(error, StoreError::Corrupt { .. }),
        }
    }
}
