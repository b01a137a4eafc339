//! What a reloaded configuration changes in a running loop.
//!
//! Plain data, shared between the supervision, which sets it, and the loop, which looks at it between two ticks.

use crate::clock::UtcMicros;
use crate::config::{LimitsConfig, ScheduleConfig};
use std::sync::{Arc, Mutex, PoisonError};

/// What a loop adopts.
#[derive(Clone, Debug)]
pub struct Update {
    /// Times of readings.
    pub schedule: ScheduleConfig,
    /// Limits of plausibility, drift and uncertainty.
    pub limits: LimitsConfig,
    /// Row of the configuration that has them.
    pub configuration: i64,
    /// The instant from which on they are active.
    pub since: UtcMicros,
}

/// The newest update for one loop; it stays, so that a restarted loop adopts it, too.
#[derive(Clone, Debug, Default)]
pub struct Updates(Arc<Mutex<Option<Arc<Update>>>>);

impl Updates {
    /// The newest update; `None` before the first.
    pub fn newest(&self) -> Option<Arc<Update>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Replaces it.
    pub fn set(&self, update: Update) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(Arc::new(update));
    }
}
