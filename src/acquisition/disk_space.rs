//! Checks the free space of the disk, and deletes raw frames after their retention time.
//!
//! An event is stored when the free space falls below its floor (`free_space_floor_mb`) and when it rises above it; measuring
//! continues. Frames are deleted only with `keep_raw_months` in the configuration, and only while the clock is known to be
//! synchronised, because a wrong year would delete all frames.

use crate::clock::UtcMicros;
use crate::config::StoreConfig;
use crate::record::{Event, EventKind};
use crate::store::{PurgedFrames, Store, StoreError};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// Interval between checks [s].
const CHECK_INTERVAL_S: f64 = 600.0;
/// Readings whose frames are deleted in one transaction, which takes a few milliseconds.
const READINGS_PER_TRANSACTION: u32 = 200;
/// Transactions per check, so that the next tick is not delayed.
const TRANSACTIONS_PER_CHECK: usize = 20;

/// Returns the free space for this user in the file system of a path [bytes].
pub type FreeSpace = fn(&Path) -> Option<u64>;

/// The disk space of one database, shared by all loops that write to it.
#[derive(Debug)]
pub struct DiskSpace {
    path: PathBuf,
    floor: u64,
    keep_raw_months: Option<u32>,
    free_space: FreeSpace,
    state: Mutex<State>,
}

#[derive(Debug, Default)]
struct State {
    checked: Option<UtcMicros>,
    below_floor: bool,
}

/// The result of a check.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct DiskReport {
    /// Free space [bytes], if known.
    pub free: Option<u64>,
    /// Whether the free space is below the floor.
    pub below_floor: bool,
    /// Number of readings whose raw frames were deleted.
    pub raw_purged: u64,
}

impl DiskSpace {
    /// As configured.
    pub fn new(config: &StoreConfig, free_space: FreeSpace) -> Self {
        Self {
            path: config.path.clone(),
            floor: config.free_space_floor_mb.saturating_mul(1_000_000),
            keep_raw_months: config.keep_raw_months,
            free_space,
            state: Mutex::default(),
        }
    }

    /// Runs a check, or returns `None` if the last one was less than the interval ago. `synchronised`: whether the clock is known
    /// to be synchronised.
    pub fn check(&self, store: &Store, now: UtcMicros, synchronised: bool) -> Result<Option<DiskReport>, StoreError> {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        if state.checked.is_some_and(|at| now.seconds_since(at).abs() < CHECK_INTERVAL_S) {
            return Ok(None);
        }
        state.checked = Some(now);
        let free = (self.free_space)(&self.path);
        let below_floor = free.is_some_and(|free| free < self.floor);
        if below_floor != state.below_floor {
            let text = self.floor_text(free.unwrap_or(0), below_floor);
            if below_floor {
                tracing::error!("{text}")
            } else {
                tracing::info!("{text}")
            }
            store.add_event(&Event { time: now, until: None, instrument: None, kind: EventKind::Storage, text })?;
            state.below_floor = below_floor;
        }
        let raw_purged = if synchronised { self.purge_raw(store, now)? } else { 0 };
        Ok(Some(DiskReport { free, below_floor, raw_purged }))
    }

    fn floor_text(&self, free: u64, below_floor: bool) -> String {
        let (free, floor) = (free / 1_000_000, self.floor / 1_000_000);
        if below_floor {
            format!("{free} MB free, below the floor of {floor} MB: free some disk space; measuring continues")
        } else {
            format!("{free} MB free, above the floor of {floor} MB again")
        }
    }

    /// Deletes raw frames after their retention time; returns the number of readings.
    fn purge_raw(&self, store: &Store, now: UtcMicros) -> Result<u64, StoreError> {
        let Some(months) = self.keep_raw_months else { return Ok(0) };
        let Some(limit) = now.months_before(months) else { return Ok(0) };
        let mut purged: Option<PurgedFrames> = None;
        for _ in 0..TRANSACTIONS_PER_CHECK {
            match store.purge_raw_frames(limit, READINGS_PER_TRANSACTION, purged)? {
                Some(more) => purged = Some(more),
                None => break,
            }
        }
        Ok(purged.map_or(0, |p| p.readings))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicU64, Ordering};

    const NOON: UtcMicros = UtcMicros(1_782_043_200_000_000); // 2026-06-21T12:00:00Z
    static FREE: AtomicU64 = AtomicU64::new(0);

    /// One event is stored when the free space falls below the floor, and one when it rises above it.
    #[test]
    fn crossing_the_floor_is_reported_once_in_each_direction() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("v.db");
        let store = Store::open_daemon(&path, &[]).unwrap();
        let config = StoreConfig { path, free_space_floor_mb: 500, keep_raw_months: None };
        let disk = DiskSpace::new(&config, |_| Some(FREE.load(Ordering::Relaxed)));
        let mut reports = Vec::new();
        for (minute, free) in [(0, 900), (5, 100), (10, 100), (20, 90), (30, 600), (40, 600)] {
            FREE.store(free * 1_000_000, Ordering::Relaxed);
            let report = disk.check(&store, NOON.plus_seconds(60.0 * f64::from(minute)), true).unwrap();
            reports.push(report.map(|r| (r.below_floor, r.raw_purged)));
        }
        // Minute 5 is within the interval after the first check.
        assert_eq!(
            reports,
            [Some((false, 0)), None, Some((true, 0)), Some((true, 0)), Some((false, 0)), Some((false, 0))]
        );
        let texts: Vec<String> = store.latest_events(9).unwrap().into_iter().map(|e| e.text).collect();
        assert_eq!(
            texts,
            [
                "100 MB free, below the floor of 500 MB: free some disk space; measuring continues",
                "600 MB free, above the floor of 500 MB again"
            ]
        );
    }
}
