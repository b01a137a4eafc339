//! Recovers from an error of the disk, above all one of synchronising writes.
//!
//! After such an error the operating system may drop what it could not write and call it written. What was acknowledged is in the
//! write-ahead log or in the database, synchronised before; whatever was written since is suspect. Therefore the database is opened
//! again, without what the old connection remembers; all of the log is written to the database again and both are synchronised;
//! and what was acknowledged last is read back. Invariant: nothing is stored between an error and the end of its recovery.

use super::error::StoreError;
use super::{Store, open};

impl Store {
    /// Recovers if there was an error of the disk since the last recovery; an error if that is not possible yet.
    pub(super) fn recover_from_disk_failure(&self) -> Result<(), StoreError> {
        if !self.disk_failure.is_pending() {
            return Ok(());
        }
        {
            let mut connection = self.lock();
            // Opened before the old connection is closed: closing the last one would replay the log, with the transaction that
            // failed.
            let fresh = open::reopen_daemon(self.path())?;
            drop(std::mem::replace(&mut *connection, fresh));
            let store_error = StoreError::sqlite("writing the log to the database again");
            let busy: bool =
                connection.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get(0)).map_err(&store_error)?;
            if busy {
                // Another process reads.
                let cause = rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_BUSY);
                return Err(store_error(rusqlite::Error::SqliteFailure(cause, None)));
            }
        }
        self.read_back()?;
        self.disk_failure.recovered();
        tracing::warn!(
            "{}: after an error of the disk the database was opened again, written again and read back",
            self.path().display()
        );
        Ok(())
    }

    /// Reads the newest stored reading with its frames; one that is not intact is reported as damage.
    fn read_back(&self) -> Result<(), StoreError> {
        let id = self.disk_failure.newest();
        if id == 0 {
            return Ok(());
        }
        let lost = |why: String| self.set_aside("reading", id, &format!("{why}, after an error of the disk"));
        match self.reading(id) {
            Ok(Some(_)) => {}
            Ok(None) => lost("expected what was acknowledged, but it is not there".to_owned()),
            Err(error) if error.is_damage() => lost(error.to_string()),
            Err(error) => return Err(error),
        }
        match self.frames(id) {
            Err(error) if error.is_damage() => lost(error.to_string()),
            frames => frames.map(drop)?,
        }
        Ok(())
    }
}
