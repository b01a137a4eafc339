//! Room on the disk: the floor below which the owner is told, and raw frames that have had their time.
//!
//! Nothing is deleted unless the configuration has `keep_raw_months`, and nothing while the clock is not known to be
//! right: a clock set to another year must not empty the archive. Below the floor measuring goes on all the same; the
//! owner is told once, and once more when there is room again.

use crate::clock::UtcMicros;
use crate::config::StoreConfig;
use crate::record::{Event, EventKind};
use crate::store::{LetGo, Store, StoreError};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

/// How often it looks [s].
const EVERY_S: f64 = 600.0;
/// Readings a transaction: a few milliseconds.
const AT_ONCE: u32 = 200;
/// Transactions in one look, so that the next tick is not kept waiting.
const TRANSACTIONS: usize = 20;

/// Asks how many bytes are free for this user where a file lies.
pub type FreeSpace = fn(&Path) -> Option<u64>;

/// The upkeep of one database, shared by all roads that write to it.
#[derive(Debug)]
pub struct Upkeep {
    path: PathBuf,
    floor: u64,
    keep_raw_months: Option<u32>,
    free_space: FreeSpace,
    state: Mutex<State>,
}

#[derive(Debug, Default)]
struct State {
    looked: Option<UtcMicros>,
    below: bool,
}

/// What a look found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Room {
    /// Free bytes, where they can be asked for.
    pub free: Option<u64>,
    /// Whether that is below the floor.
    pub below_floor: bool,
    /// Readings whose raw frames were let go.
    pub purged: u64,
}

impl Upkeep {
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

    /// Looks where it is time to; `clock_right` whether the clock is known to be.
    pub fn look(&self, store: &Store, now: UtcMicros, clock_right: bool) -> Result<Option<Room>, StoreError> {
        let mut state = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        if state.looked.is_some_and(|at| now.seconds_since(at).abs() < EVERY_S) {
            return Ok(None);
        }
        state.looked = Some(now);
        let free = (self.free_space)(&self.path);
        let below_floor = free.is_some_and(|free| free < self.floor);
        if below_floor != state.below {
            let (free, floor) = (free.unwrap_or(0) / 1_000_000, self.floor / 1_000_000);
            let text = if below_floor {
                format!("{free} MB free, below the floor of {floor} MB: make room; measuring goes on")
            } else {
                format!("{free} MB free, above the floor of {floor} MB again")
            };
            if below_floor {
                tracing::error!("{text}")
            } else {
                tracing::info!("{text}")
            }
            store.add_event(&Event { time: now, until: None, instrument: None, kind: EventKind::Storage, text })?;
            state.below = below_floor;
        }
        let purged = if clock_right { self.purged(store, now)? } else { 0 };
        Ok(Some(Room { free, below_floor, purged }))
    }

    fn purged(&self, store: &Store, now: UtcMicros) -> Result<u64, StoreError> {
        let Some(months) = self.keep_raw_months else { return Ok(0) };
        let Some(limit) = now.to_chrono().checked_sub_months(chrono::Months::new(months)) else { return Ok(0) };
        let mut gone: Option<LetGo> = None;
        for _ in 0..TRANSACTIONS {
            match store.let_go_of_frames(UtcMicros::from_chrono(limit), AT_ONCE, gone)? {
                Some(more) => gone = Some(more),
                None => break,
            }
        }
        Ok(gone.map_or(0, |g| g.readings))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicU64, Ordering};

    const NOON: UtcMicros = UtcMicros(1_782_043_200_000_000); // 2026-06-21T12:00:00Z
    static FREE: AtomicU64 = AtomicU64::new(0);

    /// Identity: the owner is told once when room runs short and once when it is back; what is free is in the status.
    #[test]
    fn the_floor_is_told_of_once_each_way() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("v.db");
        let store = Store::open_daemon(&path, &[]).unwrap();
        let config = StoreConfig { path, free_space_floor_mb: 500, keep_raw_months: None };
        let upkeep = Upkeep::new(&config, |_| Some(FREE.load(Ordering::Relaxed)));
        let mut said = Vec::new();
        for (minute, free) in [(0, 900), (5, 100), (10, 100), (20, 90), (30, 600), (40, 600)] {
            FREE.store(free * 1_000_000, Ordering::Relaxed);
            let room = upkeep.look(&store, NOON.plus_seconds(60.0 * f64::from(minute)), true).unwrap();
            said.push(room.map(|r| (r.below_floor, r.purged)));
        }
        // Minute 5 comes too soon after the first look.
        assert_eq!(
            said,
            [Some((false, 0)), None, Some((true, 0)), Some((true, 0)), Some((false, 0)), Some((false, 0))]
        );
        let texts: Vec<String> = store.latest_events(9).unwrap().into_iter().map(|e| e.text).collect();
        assert_eq!(
            texts,
            [
                "100 MB free, below the floor of 500 MB: make room; measuring goes on",
                "600 MB free, above the floor of 500 MB again"
            ]
        );
    }
}
