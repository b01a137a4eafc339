//! Registers what the daemon runs with: configuration, computation and its start.
//!
//! While the database cannot be written, for example because the disk is full when the daemon starts, registration waits, and
//! readings are queued without these rows. Invariant: no reading is stored before all of them are.

use crate::clock::UtcMicros;
use crate::store::{DaemonStart, MadeWith, Store, StoreError};
use std::sync::{Mutex, PoisonError};

/// A row that is not registered yet.
const UNKNOWN: i64 = 0;

/// What is registered at the start of the daemon.
#[derive(Debug)]
pub struct Registration {
    configuration: String,
    computation: String,
    started: UtcMicros,
    rows: Mutex<Option<RegisteredRows>>,
}

/// The rows that the readings of this daemon refer to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct RegisteredRows {
    /// Row of `configuration`.
    pub configuration: i64,
    /// Row of `computation`.
    pub computation: i64,
}

impl Registration {
    /// Of a daemon that started at an instant, with the texts of its configuration and computation.
    pub fn new(configuration: &str, computation: String, started: UtcMicros) -> Self {
        Self { configuration: configuration.to_owned(), computation, started, rows: Mutex::default() }
    }

    /// The registered rows; registers them at the first call that succeeds.
    pub fn rows(&self, store: &Store) -> Result<RegisteredRows, StoreError> {
        let mut rows = self.rows.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(rows) = *rows {
            return Ok(rows);
        }
        // Equal texts share one row, so a repetition after a failure registers nothing twice.
        let configuration = store.register_configuration(&self.configuration, self.started)?;
        let computation = store.register_computation(&self.computation, self.started)?;
        store.record_start(DaemonStart { time: self.started, configuration })?;
        let registered = RegisteredRows { configuration, computation };
        *rows = Some(registered);
        Ok(registered)
    }
}

/// The rows that a reading refers to, before computation and configuration are registered; `configuration`: that of a reload, which
/// is registered already.
pub fn unregistered(instrument: i64, calibration: Option<i64>, configuration: Option<i64>) -> MadeWith {
    MadeWith { instrument, calibration, configuration: configuration.unwrap_or(UNKNOWN), computation: UNKNOWN }
}

impl RegisteredRows {
    /// Completes the rows of a reading.
    pub fn complete(self, made_with: MadeWith) -> MadeWith {
        let known = |row: i64, registered: i64| if row == UNKNOWN { registered } else { row };
        MadeWith {
            configuration: known(made_with.configuration, self.configuration),
            computation: known(made_with.computation, self.computation),
            ..made_with
        }
    }
}
