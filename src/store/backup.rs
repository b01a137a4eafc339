//! A copy of a database in use.
//!
//! SQLite makes the copy in one read transaction (`VACUUM INTO`), so the daemon goes on writing meanwhile and the copy is
//! the state of one instant. Invariants: the copy is complete or absent; it is on the disk, with its name, when
//! [`Reader::backup`] returns.

use super::Reader;
use super::error::StoreError;
use std::fs::File;
use std::path::{Path, PathBuf};

impl Reader {
    /// Copies the database beside `target`, has `check` examine the copy, and puts it in the place of `target`.
    ///
    /// If anything fails, the file at `target` stays as it was and no part of the copy is left.
    pub fn backup<E: From<StoreError>>(
        &self,
        target: &Path,
        check: impl FnOnce(&Path) -> Result<(), E>,
    ) -> Result<(), E> {
        let part = part_of(target);
        let attempt = || {
            self.copy_into(&part)?;
            check(&part)?;
            put_in_place(&part, target).map_err(|e| E::from(StoreError::open(target, &e)))
        };
        attempt().inspect_err(|_| {
            // Examining the copy may have made files beside it; any of them may be absent.
            for end in ["", "-journal", "-wal", "-shm"] {
                let _ = std::fs::remove_file(with_end(&part, end));
            }
        })
    }

    fn copy_into(&self, part: &Path) -> Result<(), StoreError> {
        // Remains of an interrupted run: SQLite refuses to write into a database that is not empty.
        let _ = std::fs::remove_file(part);
        let name = part
            .to_str()
            .ok_or_else(|| StoreError::Open { path: part.to_owned(), why: "expected a name in UTF-8".to_owned() })?;
        let oops = StoreError::sqlite("copying the database");
        self.lock().execute("VACUUM INTO ?1", [name]).map(drop).map_err(oops)
    }
}

/// The name under which a copy is made: in the same folder, so that it can be renamed.
pub fn part_of(target: &Path) -> PathBuf {
    with_end(target, ".part")
}

fn with_end(path: &Path, end: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(end);
    PathBuf::from(name)
}

fn put_in_place(part: &Path, target: &Path) -> std::io::Result<()> {
    File::open(part)?.sync_all()?;
    std::fs::rename(part, target)?;
    // The new name is durable with its folder.
    let folder = target.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    File::open(folder)?.sync_all()
}
