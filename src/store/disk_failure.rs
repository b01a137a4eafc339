//! Remembers an error of the disk until it is recovered from (`recovery`).

use super::error::StoreError;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};

/// Whether an error of the disk has to be recovered from, and the newest reading that was stored.
#[derive(Debug, Default)]
pub(super) struct DiskFailure {
    pending: AtomicBool,
    newest: AtomicI64,
}

impl DiskFailure {
    /// Notes an error of the disk; any other error is ignored.
    pub(super) fn note(&self, error: &StoreError) {
        if matches!(error, StoreError::DiskFailed { .. }) {
            self.pending.store(true, Ordering::Relaxed);
        }
    }

    /// Notes a reading that was stored.
    pub(super) fn stored(&self, id: i64) {
        self.newest.store(id, Ordering::Relaxed);
    }

    /// Whether there was an error since the last recovery.
    pub(super) fn is_pending(&self) -> bool {
        self.pending.load(Ordering::Relaxed)
    }

    /// Notes a recovery.
    pub(super) fn recovered(&self) {
        self.pending.store(false, Ordering::Relaxed);
    }

    /// The newest reading that was stored; 0 for none.
    pub(super) fn newest(&self) -> i64 {
        self.newest.load(Ordering::Relaxed)
    }
}
