//! Who answers: connecting, letting go, and everything that is built once an instrument and its calibration are known.
//!
//! No light is taken here. What must stay true: an instrument of another serial number than the calibrations' is never
//! met; a line that is lost is let go at once and asked again no sooner than the back-off says.

use super::super::StationError;
use super::super::context::Observer;
use super::super::{dark_records, monitor_actions};
use super::AcquisitionLoop;
use super::commit::LoopState;
use crate::calibration::Active;
use crate::clock::UtcMicros;
use crate::darks::DarkSet;
use crate::exposure::ExposureSetup;
use crate::fault::Fault;
use crate::processing::pipeline::Pipeline;
use crate::quality::monitor::MonitorSet;
use crate::record::{Detector, Event, EventKind};
use crate::store::NewInstrument;
use std::sync::Arc;

/// Names of persisted state.
pub(super) const EXPOSURE_STATE: &str = "exposure";
pub(super) const SOURCE_EXPOSURE_STATE: &str = "source_exposure";
pub(super) const WARM_UP_STATE: &str = "warm_up";

/// What is known once an instrument has answered.
pub(super) struct Connected {
    pub(super) serial: String,
    pub(super) detector: Detector,
    pub(super) row: i64,
    pub(super) darks: DarkSet,
    pub(super) monitors: MonitorSet,
    /// What readings are planned from; without a calibration, the instrument's own facts and careful guesses.
    pub(super) setup: ExposureSetup,
    pub(super) calibrated: Option<Calibrated>,
}

/// The calibration in force: its row and what is built from it.
pub(super) struct Calibrated {
    pub(super) row: i64,
    pub(super) pipeline: Pipeline,
}

impl AcquisitionLoop {
    /// Why there is no instrument, for the record of a tick that comes while the next attempt is still to wait.
    pub(super) fn absent(&self) -> Fault {
        let path = || self.parts.instrument.link.display().to_string();
        self.last_fault.clone().unwrap_or_else(|| Fault::Absent { path: path(), why: "not connected".to_owned() })
    }

    /// Lets go of the line, so that a replugged device gets its old name back, and names the next attempt.
    pub(super) fn lost(&mut self, fault: &Fault) {
        self.session.disconnect();
        self.met = None;
        let now = self.parts.clock.now();
        if self.retry_at.is_none_or(|at| at <= now) {
            self.retry_at = Some(now + self.backoff.after_failure());
        }
        // A fault that repeats is logged once.
        if !self.last_fault.as_ref().is_some_and(|before| fault.repeats(before)) {
            tracing::warn!(instrument = self.name(), "{fault}; trying again");
        }
        self.last_fault = Some(fault.clone());
        self.parts.status.update(|s| {
            s.serial = None;
            s.last_fault = Some((now, fault.to_string()));
        });
    }

    /// Connects and learns everything that depends on who answers.
    pub(super) fn meet(&mut self, observer: &mut dyn Observer) -> Result<Result<(), Fault>, StationError> {
        let (identity, detector) = match self.session.connect() {
            Ok(met) => met,
            Err(fault) => return Ok(Err(fault)),
        };
        let now = self.parts.clock.now();
        if let Some(expected) = self.parts.calibrations.serial().filter(|s| *s != identity.serial) {
            return Ok(Err(Fault::Identity { expected: expected.to_owned(), found: identity.serial }));
        }
        let idn = format!("{},{},{},{}", identity.maker, identity.model, identity.serial, identity.firmware);
        let name = self.parts.instrument.name.clone();
        let new = NewInstrument { name: &name, serial: &identity.serial, identity: &idn, detector: &detector };
        let row = self.parts.store.register_instrument(&new, now)?;
        self.restore(row)?;
        self.warm_up.connected(now, false);
        let instrument = &self.parts.instrument;
        let setup = ExposureSetup::uncalibrated(instrument, &self.parts.station, &detector);
        let on_record = dark_records::load(&self.parts.store, row, now)?;
        let (config, place) = (instrument.darks.clone(), self.parts.station.place);
        let darks = DarkSet::new(config, place, setup.for_darks(None), on_record, now);
        let monitors = monitor_actions::load_monitors(&self.parts.store, row, &self.parts.station, instrument, now)?;
        self.met = Some(Connected {
            serial: identity.serial.clone(),
            detector,
            row,
            darks,
            monitors,
            setup,
            calibrated: None,
        });
        self.backoff.reset();
        self.retry_at = None;
        self.last_fault = None;
        self.parts.status.update(|s| s.serial = Some(identity.serial.clone()));
        if self.parts.status.snapshot().last_fault.is_some() {
            let text = format!("connected to {idn}");
            self.record(
                Event { time: now, until: None, instrument: Some(name), kind: EventKind::LinkFault, text },
                observer,
            )?;
        }
        tracing::info!(instrument = self.name(), "connected to {idn}");
        Ok(Ok(()))
    }

    /// State from before a restart.
    fn restore(&mut self, row: i64) -> Result<(), StationError> {
        self.saved = LoopState::default();
        if let Some(state) = self.load(row, EXPOSURE_STATE)? {
            self.exposure = state;
        }
        if let Some(state) = self.load(row, SOURCE_EXPOSURE_STATE)? {
            self.source_exposure = state;
        }
        if let Some(state) = self.load(row, WARM_UP_STATE)? {
            self.warm_up = state;
        }
        Ok(())
    }

    /// A persisted state; one that cannot be read any more counts as absent, the instrument finds its way anew.
    fn load<T: serde::de::DeserializeOwned>(&self, row: i64, name: &str) -> Result<Option<T>, StationError> {
        let stored = self.parts.store.load_state(row, name)?;
        Ok(stored.and_then(|t| match serde_json::from_str(&t.json) {
            Ok(state) => Some(state),
            Err(why) => {
                tracing::warn!(
                    instrument = self.name(),
                    "saved state `{name}` cannot be read ({why}); starting it anew"
                );
                None
            }
        }))
    }

    /// Sees to it that what is built fits the calibration in force at an instant.
    pub(super) fn calibrate(&mut self, now: UtcMicros) -> Result<(), StationError> {
        let Some(met) = self.met.as_mut() else { return Ok(()) };
        let calibrations = Arc::clone(&self.parts.calibrations);
        let wanted = match calibrations.active(now, &met.serial) {
            // An expired one goes on serving, with its flag.
            Active::Valid(calibration) | Active::Expired(calibration) => Some(calibration),
            Active::Missing => None,
        };
        if met.calibrated.as_ref().map(|c| c.pipeline.calibration().id.as_str()) == wanted.map(|c| c.id.as_str()) {
            return Ok(());
        }
        (met.setup, met.calibrated) = match wanted {
            None => (ExposureSetup::uncalibrated(&self.parts.instrument, &self.parts.station, &met.detector), None),
            Some(calibration) => {
                let matrix = calibration.stray_light.matrix.as_deref();
                let row =
                    self.parts.store.register_calibration(met.row, &calibration.id, &calibration.text, matrix, now)?;
                met.monitors.observe_calibration(calibration, now);
                let mut pipeline = Pipeline::new(
                    &self.parts.instrument.name,
                    self.parts.station.clone(),
                    self.parts.instrument.limits.clone(),
                    Arc::new(calibration.clone()),
                    met.detector.clone(),
                );
                let in_use = pipeline.axis(None, 0.0).0.valid.clone();
                let (instrument, station) = (&self.parts.instrument, &self.parts.station);
                let setup = ExposureSetup::calibrated(instrument, station, &met.detector, calibration, &in_use);
                (setup, Some(Calibrated { row, pipeline }))
            }
        };
        let calibration = met.calibrated.as_ref().map(|c| Arc::clone(c.pipeline.calibration()));
        met.darks.configure(met.setup.for_darks(calibration));
        Ok(())
    }
}
