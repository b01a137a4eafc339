//! Copies a database while it is in use.
//!
//! SQLite makes the copy in one read transaction (`VACUUM INTO`): the daemon can write meanwhile, and the copy shows the state of
//! one instant. Invariants: the copy is complete or absent; file and name are durable when [`Reader::backup`] returns.

use super::error::StoreError;
use super::{Reader, open};
use std::fs::File;
use std::path::{Path, PathBuf};

impl Reader {
    /// Copies the database to a temporary file beside `target`, runs `check` on the copy, and renames it to `target`.
    ///
    /// On an error an existing file at `target` is unchanged and the temporary file is deleted.
    pub fn backup<E: From<StoreError>>(
        &self,
        target: &Path,
        check: impl FnOnce(&Path) -> Result<(), E>,
    ) -> Result<(), E> {
        let part = part_of(target);
        let attempt = || {
            self.copy_into(&part)?;
            check(&part)?;
            rename_durably(&part, target).map_err(|e| E::from(StoreError::open(target, &e)))
        };
        attempt().inspect_err(|_| {
            // `check` may have created journal files beside the copy; each of these may be absent.
            for end in ["", "-journal", "-wal", "-shm"] {
                let _ = std::fs::remove_file(with_end(&part, end));
            }
        })
    }

    pub(super) fn copy_into(&self, part: &Path) -> Result<(), StoreError> {
        // Deletes the file of an interrupted run: SQLite refuses to copy into a database that is not empty.
        let _ = std::fs::remove_file(part);
        let name = part
            .to_str()
            .ok_or_else(|| StoreError::Open { path: part.to_owned(), why: "expected a name in UTF-8".to_owned() })?;
        // Created first, for its mode.
        open::create_file(part).map_err(|e| StoreError::open(part, &e))?;
        let store_error = StoreError::sqlite("copying the database");
        self.lock().execute("VACUUM INTO ?1", [name]).map(drop).map_err(store_error)
    }
}

/// The temporary name of a copy: in the same folder, so that it can be renamed.
pub fn part_of(target: &Path) -> PathBuf {
    with_end(target, ".part")
}

pub(super) fn with_end(path: &Path, end: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(end);
    PathBuf::from(name)
}

pub(super) fn rename_durably(part: &Path, target: &Path) -> std::io::Result<()> {
    File::open(part)?.sync_all()?;
    std::fs::rename(part, target)?;
    // The rename is durable after the folder is synced.
    let folder = target.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    File::open(folder)?.sync_all()
}
