//! Detects that the file of the open database was deleted, moved or replaced, and writes a deleted one again.
//!
//! SQLite goes on writing to a file that has lost its name, and everything written is lost with the process. Invariants: nothing is
//! reported as stored that is not in the file at the path; a file that another program put there is never overwritten.

use super::backup::{part_of, rename_durably, with_end};
use super::error::StoreError;
use super::opened_file::identity;
use super::{Store, open};
use rusqlite::Connection;

impl Store {
    /// Checks that the file at the path is the one that is open, and writes it again if it was deleted or moved.
    pub(super) fn ensure_file(&self) -> Result<(), StoreError> {
        let Some(opened) = self.opened.get() else { return Ok(()) };
        match identity(self.path()) {
            Some(found) if found == opened => Ok(()),
            Some(_) => Err(StoreError::FileReplaced { path: self.path().to_owned() }),
            None => self.write_again(),
        }
    }

    /// Writes everything that the open connection sees to a new file at the path, and continues there.
    fn write_again(&self) -> Result<(), StoreError> {
        let path = self.path();
        let missing = |why: String| StoreError::FileMissing { path: path.to_owned(), why };
        let part = part_of(path);
        self.copy_into(&part).map_err(|e| missing(e.to_string()))?;
        std::fs::File::open(&part).and_then(|f| f.sync_all()).map_err(|e| missing(e.to_string()))?;
        let mut connection = self.lock();
        // The old connection is closed before the new file has its name: closing deletes the write-ahead log by name, and a
        // log of the old file beside the new one would be replayed into it.
        *connection = Connection::open_in_memory().map_err(StoreError::sqlite("closing the deleted database"))?;
        for end in ["-wal", "-shm"] {
            // Usually absent: deleted with the database.
            let _ = std::fs::remove_file(with_end(path, end));
        }
        rename_durably(&part, path).map_err(|e| StoreError::open(path, &e))?;
        *connection = open::reopen_daemon(path)?;
        self.opened.set(path);
        tracing::error!(
            "{}: the database was deleted or moved while in use; it was written again, complete",
            path.display()
        );
        Ok(())
    }
}
