//! Reads the configuration again on request (HUP), and hands the new schedule and limits to the loops.
//!
//! [`crate::config::reload`] decides what can be adopted; each loop adopts it between two ticks. Invariants:
//! - A file with any fault changes nothing.
//! - What is active is in the database, with its time, before a loop adopts it.

use super::assemble::Daemon;
use super::updates::{Update, Updates};
use crate::calibration::CalibrationSet;
use crate::clock::{Clock, UtcMicros};
use crate::config::reload::plan;
use crate::config::{self, Setup};
use crate::store::{DaemonStart, Store, StoreError};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Reloads the configuration of a running daemon.
pub struct Reloader {
    path: PathBuf,
    /// The active configuration.
    text: String,
    calibrations: Vec<CalibrationSet>,
    /// The loops by the names of their instruments.
    loops: Vec<(String, Updates)>,
    clock: Arc<dyn Clock>,
    store: Arc<Store>,
}

impl Reloader {
    /// For the daemon that was assembled from the file `path`.
    pub fn new(path: &Path, setup: &Setup, daemon: &Daemon, clock: Arc<dyn Clock>) -> Self {
        Self {
            path: path.to_owned(),
            text: setup.config.text.clone(),
            calibrations: setup.calibrations.clone(),
            loops: daemon.loops.iter().map(|l| (l.instrument.name.clone(), l.updates.clone())).collect(),
            clock,
            store: Arc::clone(&daemon.store),
        }
    }

    /// Reloads, and logs what was adopted, what needs a restart, or why nothing changed.
    pub fn reload(&mut self) {
        match self.adopt() {
            Ok((adopted, needs_restart)) => {
                if adopted.is_empty() {
                    tracing::info!("{}: no change of schedules and limits", self.path.display());
                } else {
                    tracing::info!("{}: adopted: {}", self.path.display(), adopted.join(", "));
                }
                if !needs_restart.is_empty() {
                    let keys = needs_restart.join(", ");
                    tracing::warn!("{}: needs a restart and is not active yet: {keys}", self.path.display());
                }
            }
            Err(why) => tracing::error!("the configuration stays as it was: {why}"),
        }
    }

    /// Hands the changes to the loops; returns the keys adopted, and those that need a restart.
    fn adopt(&mut self) -> Result<(Vec<String>, Vec<String>), String> {
        let now = self.clock.now();
        let new = config::load(&self.path, now).map_err(|diagnostics| diagnostics.to_string())?;
        let mut plan = plan(&self.text, &new.config.text)?;
        plan.needs_restart.extend(self.changed_calibrations(&new));
        if plan.adopted.is_empty() {
            return Ok((plan.adopted, plan.needs_restart));
        }
        // The merged text is valid if both files are: each section is checked by itself, and instruments are matched by name.
        let active = config::parse(&self.path, &plan.text, now).map_err(|diagnostics| diagnostics.to_string())?;
        let configuration = self.record(&plan.text, now).map_err(|e| e.to_string())?;
        for (name, updates) in &self.loops {
            if let Some(instrument) = active.instruments.iter().find(|i| i.name == *name) {
                let (schedule, limits) = (instrument.schedule.clone(), instrument.limits.clone());
                updates.set(Update { schedule, limits, configuration, since: now });
            }
        }
        self.text = plan.text;
        Ok((plan.adopted, plan.needs_restart))
    }

    /// Stores the configuration, and that its schedules are active from now on.
    fn record(&self, text: &str, now: UtcMicros) -> Result<i64, StoreError> {
        let configuration = self.store.register_configuration(text, now)?;
        self.store.record_start(DaemonStart { time: now, configuration })?;
        Ok(configuration)
    }

    /// Calibration files whose text has changed.
    fn changed_calibrations(&self, new: &Setup) -> Vec<String> {
        let known = |path: &Path| self.calibrations.iter().flat_map(CalibrationSet::entries).find(|(p, _)| *p == path);
        let entries = new.calibrations.iter().flat_map(CalibrationSet::entries);
        let changed = entries.filter(|(path, c)| known(path).is_some_and(|(_, before)| before.text != c.text));
        changed.map(|(path, _)| path.display().to_string()).collect()
    }
}
