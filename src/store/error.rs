//! Errors of the database. Each message states what was expected and found, and where possible what to do.

use rusqlite::ffi;
use std::path::{Path, PathBuf};

/// Errors of the store.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// The database file does not exist.
    #[error("{path}: expected a database, but there is no such file")]
    NotFound {
        /// The file.
        path: PathBuf,
    },
    /// The file could not be opened or created.
    #[error("{path}: {why}")]
    Open {
        /// The file.
        path: PathBuf,
        /// The likely cause.
        why: String,
    },
    /// The file is a database of another program, or no database.
    #[error("{path}: expected a database of vigilux, but found {found}")]
    Foreign {
        /// The file.
        path: PathBuf,
        /// Description of the file found.
        found: String,
    },
    /// The database has the schema of another version of the program.
    #[error(
        "{path}: expected a database of schema {expected}, but found schema {found}, which {} version of vigilux wrote: start a \
         new database at another path, or use the version that wrote it",
        if found < expected { "an earlier" } else { "a later" }
    )]
    OtherSchema {
        /// The file.
        path: PathBuf,
        /// Schema number of the database.
        found: i64,
        /// Schema number of this program.
        expected: i64,
    },
    /// Another daemon has locked the database.
    #[error("{path}: expected no other daemon on this database, but process {pid} holds its lock")]
    DaemonRunning {
        /// The database.
        path: PathBuf,
        /// Process id from the lock file.
        pid: String,
    },
    /// Another process that recomputes readings has locked the database.
    #[error("{path}: expected no other `vigilux recompute` on this database, but process {pid} holds its lock")]
    RecomputeRunning {
        /// The database.
        path: PathBuf,
        /// Process id from the lock file.
        pid: String,
    },
    /// The disk is full. The transaction was rolled back; earlier data is readable.
    #[error("the file system of the database is full while {doing}: {cause}")]
    StorageFull {
        /// The operation.
        doing: &'static str,
        /// The error of SQLite.
        cause: rusqlite::Error,
    },
    /// The disk reported an error, for example when writes were synchronised. What was being stored is not stored; the next
    /// transaction opens the database again first.
    #[error("the disk reported an error while {doing}: {cause}")]
    DiskFailed {
        /// The operation.
        doing: &'static str,
        /// The error of SQLite.
        cause: rusqlite::Error,
    },
    /// Another process held its lock longer than the timeout. Nothing was written.
    #[error("another process held its lock on the database too long while {doing}: {cause}")]
    Busy {
        /// The operation.
        doing: &'static str,
        /// The error of SQLite.
        cause: rusqlite::Error,
    },
    /// The file of the open database was deleted or moved, and cannot be written again now.
    #[error("{path}: the database was deleted or moved while in use, and cannot be written again: {why}")]
    FileMissing {
        /// The file.
        path: PathBuf,
        /// Why it cannot be written again.
        why: String,
    },
    /// Another file was put in place of the open database.
    #[error(
        "{path}: expected the database that was opened, but another file was put in its place; restore it, or restart the \
         daemon to use the new one"
    )]
    FileReplaced {
        /// The file.
        path: PathBuf,
    },
    /// An argument does not fit the database.
    #[error("expected {expected}, but found {found}")]
    Shape {
        /// The expected value.
        expected: String,
        /// The argument.
        found: String,
    },
    /// A stored row is inconsistent or damaged.
    #[error("{table} {id}: expected {expected}, but found {found}")]
    Corrupt {
        /// The table.
        table: &'static str,
        /// Id of the row.
        id: i64,
        /// The expected value.
        expected: String,
        /// The value found.
        found: String,
    },
    /// Any other error of SQLite.
    #[error("the database failed while {doing}: {cause}")]
    Sqlite {
        /// The operation.
        doing: &'static str,
        /// The error of SQLite.
        cause: rusqlite::Error,
    },
}

impl StoreError {
    /// Classifies an error of SQLite: a full disk, an error of the disk and a lock of another process are transient.
    ///
    /// A file-size limit or a full disk can be reported as an I/O error of a write instead of SQLITE_FULL.
    pub(super) fn sqlite(doing: &'static str) -> impl Fn(rusqlite::Error) -> Self {
        move |cause| match cause.sqlite_error() {
            Some(e)
                if e.extended_code & 0xff == ffi::SQLITE_FULL
                    || [ffi::SQLITE_IOERR_WRITE, ffi::SQLITE_IOERR_TRUNCATE, ffi::SQLITE_IOERR_SHMSIZE]
                        .contains(&e.extended_code) =>
            {
                Self::StorageFull { doing, cause }
            }
            Some(e) if e.extended_code & 0xff == ffi::SQLITE_IOERR => Self::DiskFailed { doing, cause },
            Some(e) if [ffi::SQLITE_BUSY, ffi::SQLITE_LOCKED].contains(&(e.extended_code & 0xff)) => {
                Self::Busy { doing, cause }
            }
            _ => Self::Sqlite { doing, cause },
        }
    }

    /// Adds the path and the likely cause to an error of the operating system.
    pub(super) fn open(path: &Path, error: &std::io::Error) -> Self {
        let why = match error.kind() {
            std::io::ErrorKind::NotFound => "its parent folder does not exist".to_owned(),
            std::io::ErrorKind::PermissionDenied => "this user may not write in its folder".to_owned(),
            _ => error.to_string(),
        };
        Self::Open { path: path.to_owned(), why }
    }

    /// The row that is damaged, if it is a single one.
    pub fn row(&self) -> Option<i64> {
        match self {
            Self::Corrupt { id, .. } => Some(*id),
            _ => None,
        }
    }

    /// The damage of the file as damage of the row that was read.
    pub(super) fn of_row(self, table: &'static str, id: i64) -> Self {
        Self::Corrupt { table, id, expected: "an intact page of the file".to_owned(), found: self.to_string() }
    }

    /// Whether the content of the database is damaged: a row, or pages of its file.
    pub fn is_damage(&self) -> bool {
        match self {
            Self::Corrupt { .. } => true,
            Self::Sqlite { cause, .. } => cause.sqlite_error_code() == Some(rusqlite::ErrorCode::DatabaseCorrupt),
            _ => false,
        }
    }

    /// Whether a later attempt may succeed: the disk is full or reports errors, the file is missing, or another process holds a
    /// lock.
    pub fn is_transient(&self) -> bool {
        matches!(
            self,
            Self::StorageFull { .. }
                | Self::DiskFailed { .. }
                | Self::Busy { .. }
                | Self::FileMissing { .. }
                | Self::FileReplaced { .. }
        )
    }
}
