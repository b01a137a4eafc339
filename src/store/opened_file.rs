//! Which file the daemon opened, as distinct from the one that is at its path now.

use std::os::unix::fs::MetadataExt;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

/// The file that was opened: device and inode; `None` for a store that does not watch it.
#[derive(Debug, Default)]
pub(super) struct OpenedFile(Mutex<Option<(u64, u64)>>);

impl OpenedFile {
    /// The file at a path.
    pub(super) fn at(path: &Path) -> Self {
        Self(Mutex::new(identity(path)))
    }

    pub(super) fn get(&self) -> Option<(u64, u64)> {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn set(&self, path: &Path) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = identity(path);
    }
}

/// Device and inode; `None` where there is no such file.
pub(super) fn identity(path: &Path) -> Option<(u64, u64)> {
    std::fs::metadata(path).ok().map(|m| (m.dev(), m.ino()))
}
