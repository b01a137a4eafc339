//! What can go wrong with the database, in the words of the person who has to act.

use rusqlite::ffi;
use std::path::{Path, PathBuf};

/// Errors of the store.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// There is no database file.
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
        /// The likely cause, in words.
        why: String,
    },
    /// A database of another program, or no database at all.
    #[error("{path}: expected a database of vigilux, but found {found}")]
    Foreign {
        /// The file.
        path: PathBuf,
        /// What it is instead.
        found: String,
    },
    /// Written by another version of the program, whose tables differ.
    #[error(
        "{path}: expected a database of schema {expected}, but found schema {found}, which {} version of vigilux wrote: start a \
         new database at another path, or use the version that wrote it",
        if found < expected { "an earlier" } else { "a later" }
    )]
    OtherSchema {
        /// The file.
        path: PathBuf,
        /// The number of its schema.
        found: i64,
        /// The number this program writes.
        expected: i64,
    },
    /// Another daemon has the database.
    #[error("{path}: expected no other daemon on this database, but process {pid} holds its lock")]
    DaemonRunning {
        /// The database.
        path: PathBuf,
        /// What the lock file says.
        pid: String,
    },
    /// Another process recomputes the readings of the database.
    #[error("{path}: expected no other `vigilux recompute` on this database, but process {pid} holds its lock")]
    RecomputeRunning {
        /// The database.
        path: PathBuf,
        /// What the lock file says.
        pid: String,
    },
    /// No room for what was to be written; nothing of it was kept, and all that was stored before is readable.
    #[error("no room in the database's file system while {doing}: {cause}")]
    StorageFull {
        /// What was being done.
        doing: &'static str,
        /// What SQLite said.
        cause: rusqlite::Error,
    },
    /// Another process holds the database for longer than this one waits; nothing was written.
    #[error("another process held the database for too long while {doing}: {cause}")]
    Held {
        /// What was being done.
        doing: &'static str,
        /// What SQLite said.
        cause: rusqlite::Error,
    },
    /// Something the caller handed over does not fit the database.
    #[error("expected {expected}, but found {found}")]
    Shape {
        /// What would have been right.
        expected: String,
        /// What was handed over.
        found: String,
    },
    /// A stored row does not hold together.
    #[error("{table} {id}: expected {expected}, but found {found}")]
    Corrupt {
        /// The table.
        table: &'static str,
        /// Its row.
        id: i64,
        /// What would have been right.
        expected: String,
        /// What is there.
        found: String,
    },
    /// Anything else SQLite refuses.
    #[error("the database failed while {doing}: {cause}")]
    Sqlite {
        /// What was being done.
        doing: &'static str,
        /// What SQLite said.
        cause: rusqlite::Error,
    },
}

impl StoreError {
    /// Sorts an error of SQLite: no room and a database held by another process are passing conditions.
    ///
    /// A file-size limit or a full disk may come as an i/o error of a write rather than as SQLITE_FULL.
    pub(super) fn sqlite(doing: &'static str) -> impl Fn(rusqlite::Error) -> Self {
        move |cause| match cause.sqlite_error() {
            Some(e)
                if e.extended_code & 0xff == ffi::SQLITE_FULL
                    || [ffi::SQLITE_IOERR_WRITE, ffi::SQLITE_IOERR_TRUNCATE, ffi::SQLITE_IOERR_SHMSIZE]
                        .contains(&e.extended_code) =>
            {
                Self::StorageFull { doing, cause }
            }
            Some(e) if [ffi::SQLITE_BUSY, ffi::SQLITE_LOCKED].contains(&(e.extended_code & 0xff)) => {
                Self::Held { doing, cause }
            }
            _ => Self::Sqlite { doing, cause },
        }
    }

    /// Re-words a bare error of the operating system.
    pub(super) fn open(path: &Path, error: &std::io::Error) -> Self {
        let why = match error.kind() {
            std::io::ErrorKind::NotFound => "its parent folder does not exist".to_owned(),
            std::io::ErrorKind::PermissionDenied => "this user may not write in its folder".to_owned(),
            _ => error.to_string(),
        };
        Self::Open { path: path.to_owned(), why }
    }

    /// Whether it passes by itself, so that what was to be written can wait: no room, or held by another process.
    pub fn can_wait(&self) -> bool {
        matches!(self, Self::StorageFull { .. } | Self::Held { .. })
    }
}
