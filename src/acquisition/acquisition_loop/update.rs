//! Adopts the schedule and the limits of a reloaded configuration between two ticks.
//!
//! Everything else of a configuration needs a restart ([`crate::config::reload`]). Invariant: from the instant at which the reload was
//! recorded, every tick of the new schedule has its reading or its gap.

use super::AcquisitionLoop;
use crate::acquisition::context::Observer;
use crate::acquisition::tick::GapReason;
use crate::acquisition::{AcquisitionError, monitor_actions};
use crate::exposure::{ExposureSetup, Schedule};

impl AcquisitionLoop {
    /// Adopts a newer schedule and limits, if there are any; returns whether there were.
    pub(super) fn adopt_update(&mut self, observer: &mut dyn Observer) -> Result<bool, AcquisitionError> {
        let Some(update) = self.context.updates.newest() else { return Ok(false) };
        if Some(update.configuration) == self.context.storage.configuration {
            return Ok(false);
        }
        self.context = self.context.updated();
        let (instrument, station) = (&self.context.instrument, &self.context.station);
        self.schedule = Schedule::new(&instrument.schedule, station);
        let now = self.context.clock.now();
        if let Some(connected) = &mut self.connected {
            // As after a restart: the monitors continue from their stored state, and the pipeline is built with the next reading.
            connected.monitors =
                monitor_actions::load_monitors(&self.context.storage.store, connected.row, station, instrument, now)?;
            connected.setup = ExposureSetup::uncalibrated(instrument, station, connected.detector());
            connected.calibrated = None;
        }
        tracing::info!(instrument = self.name(), "schedule and limits of the reloaded configuration are active");
        for missed in self.schedule.missed(update.since, now) {
            self.recorder.gap(missed, &GapReason::busy(), observer)?;
        }
        self.ticks.last = now;
        Ok(true)
    }
}
