//! Connecting and disconnecting, and what is built once an instrument and its calibration are known.
//!
//! Takes no exposure. Invariants: an instrument of another serial number than the calibrations' is never connected; a line that
//! is lost is closed at once and opened again no sooner than the back-off allows.

use super::AcquisitionLoop;
use crate::acquisition::context::Observer;
use crate::acquisition::{AcquisitionError, dark_records, monitor_actions};
use crate::calibration::{Active, Calibration};
use crate::clock::UtcMicros;
use crate::darks::{DarkSet, FrameWithDark};
use crate::exposure::{AcquiredFrames, ExposureSetup};
use crate::fault::Fault;
use crate::instrument::Identity;
use crate::processing::{Pipeline, ProcessedReading, without_calibration};
use crate::quality::monitor::MonitorSet;
use crate::record::{AcquisitionContext, Detector, Event, EventKind, Frame};
use crate::store::{FrameRecord, NewInstrument};
use crate::sun::Sun;
use std::sync::Arc;

/// What is known once an instrument has answered.
pub(super) struct Connected {
    serial: String,
    detector: Detector,
    /// Row of the instrument.
    pub(super) row: i64,
    pub(super) darks: DarkSet,
    pub(super) monitors: MonitorSet,
    /// What readings are planned from; without a calibration, the detector's own facts and careful guesses.
    pub(super) setup: ExposureSetup,
    pub(super) calibrated: Option<Calibrated>,
}

/// The active calibration: its row and what is built from it.
pub(super) struct Calibrated {
    pub(super) row: i64,
    pub(super) pipeline: Pipeline,
}

impl Connected {
    fn calibration(&self) -> Option<&Arc<Calibration>> {
        self.calibrated.as_ref().map(|c| c.pipeline.calibration())
    }

    /// Processes what a reading acquired, and lets the monitors observe it; answers with the frames as they are stored, too.
    pub(super) fn process(
        &mut self,
        instrument: &str,
        acquired: &AcquiredFrames,
        sun: Option<Sun>,
        context: &AcquisitionContext,
    ) -> (ProcessedReading, Vec<FrameRecord>) {
        let frames: Vec<FrameWithDark<'_>> = acquired.frames.iter().map(|f| self.darks.serve(f)).collect();
        let processed = match &mut self.calibrated {
            Some(calibrated) => {
                let pipeline = &mut calibrated.pipeline;
                let processed = pipeline.process(&frames, &acquired.single_frames(), sun, context);
                if let Some(reduced) = &processed.reduced {
                    let (_, matrix) = pipeline.axis(processed.reading.detector_temperature, context.tracked.shift_nm);
                    self.monitors.observe_reading(&processed.reading, reduced, &matrix);
                }
                processed
            }
            None => without_calibration(instrument, &frames, sun, context),
        };
        let record = |f: &FrameWithDark<'_>| FrameRecord {
            frame: Frame::clone(f.frame),
            dark: f.reference,
            dark_provenance: f.provenance,
        };
        (processed, frames.iter().map(record).collect())
    }
}

impl AcquisitionLoop {
    /// Why there is no instrument, for the gap of a tick at which no attempt to connect is due.
    pub(super) fn absent(&self) -> Fault {
        let path = || self.context.instrument.link.display().to_string();
        let fault = self.line.reconnection.last_fault().cloned();
        fault.unwrap_or_else(|| Fault::Absent { path: path(), why: "not connected".to_owned() })
    }

    /// Closes the line, so that a device that is plugged in again gets its old name back.
    pub(super) fn disconnect(&mut self, fault: &Fault) {
        self.line.session.disconnect();
        self.connected = None;
        let now = self.context.clock.now();
        if self.line.reconnection.failed(fault, now) {
            tracing::warn!(instrument = self.name(), "{fault}; trying again");
        }
        self.context.status.update(|s| {
            s.serial = None;
            s.last_fault = Some((now, fault.to_string()));
        });
    }

    /// Connects where there is no connection and an attempt is due; answers with the fault that prevents one.
    pub(super) fn ensure_connected(&mut self, observer: &mut dyn Observer) -> Result<Option<Fault>, AcquisitionError> {
        if self.connected.is_some() {
            return Ok(None);
        }
        // The back-off holds here, too: a port that cannot be opened is not opened at every tick.
        if !self.line.reconnection.is_due(self.context.clock.now()) {
            return Ok(Some(self.absent()));
        }
        self.connect(observer)
    }

    /// Connects and loads everything that depends on which instrument answers; answers with the fault that prevented it.
    pub(super) fn connect(&mut self, observer: &mut dyn Observer) -> Result<Option<Fault>, AcquisitionError> {
        let (identity, detector) = match self.line.session.connect() {
            Ok(answered) => answered,
            Err(fault) => return Ok(Some(fault)),
        };
        if let Some(expected) = self.context.calibrations.serial().filter(|s| *s != identity.serial) {
            return Ok(Some(Fault::Identity { expected: expected.to_owned(), found: identity.serial }));
        }
        let now = self.context.clock.now();
        let idn = format!("{},{},{},{}", identity.maker, identity.model, identity.serial, identity.firmware);
        self.connected = Some(self.load(&identity, &idn, detector, now)?);
        self.control.warm_up.connected(now, false);
        self.line.reconnection.succeeded();
        self.context.status.update(|s| s.serial = Some(identity.serial.clone()));
        if self.context.status.snapshot().last_fault.is_some() {
            let text = format!("connected to {idn}");
            let instrument = Some(self.name().to_owned());
            let event = Event { time: now, until: None, instrument, kind: EventKind::LinkFault, text };
            self.recorder.event(event, observer)?;
        }
        tracing::info!(instrument = self.name(), "connected to {idn}");
        Ok(None)
    }

    /// Loads what the database has of an instrument.
    fn load(
        &mut self,
        identity: &Identity,
        idn: &str,
        detector: Detector,
        now: UtcMicros,
    ) -> Result<Connected, AcquisitionError> {
        let (store, instrument, station) =
            (&self.context.storage.store, &self.context.instrument, &self.context.station);
        let new =
            NewInstrument { name: &instrument.name, serial: &identity.serial, identity: idn, detector: &detector };
        let row = store.register_instrument(&new, now)?;
        self.control.load(store, row)?;
        let setup = ExposureSetup::uncalibrated(instrument, station, &detector);
        let on_record = dark_records::load(store, row, now)?;
        let darks = DarkSet::new(instrument.darks.clone(), station.place, setup.for_darks(None), on_record, now);
        let monitors = monitor_actions::load_monitors(store, row, station, instrument, now)?;
        let serial = identity.serial.clone();
        Ok(Connected { serial, detector, row, darks, monitors, setup, calibrated: None })
    }

    /// Makes what is built fit the calibration that is active at an instant.
    pub(super) fn calibrate(&self, connected: &mut Connected, now: UtcMicros) -> Result<(), AcquisitionError> {
        let wanted = match self.context.calibrations.active(now, &connected.serial) {
            // An expired one is still used, with its flag.
            Active::Valid(calibration) | Active::Expired(calibration) => Some(calibration),
            Active::Missing => None,
        };
        if connected.calibration().map(|c| &c.id) == wanted.map(|c| &c.id) {
            return Ok(());
        }
        let (instrument, station) = (&self.context.instrument, &self.context.station);
        let Some(calibration) = wanted else {
            connected.setup = ExposureSetup::uncalibrated(instrument, station, &connected.detector);
            connected.calibrated = None;
            connected.darks.configure(connected.setup.for_darks(None));
            return Ok(());
        };
        let matrix = calibration.stray_light.matrix.as_deref();
        let row = self.context.storage.store.register_calibration(
            connected.row,
            &calibration.id,
            &calibration.text,
            matrix,
            now,
        )?;
        connected.monitors.observe_calibration(calibration, now);
        let shared = Arc::new(calibration.clone());
        let mut pipeline = Pipeline::new(
            &instrument.name,
            station.clone(),
            instrument.limits.clone(),
            Arc::clone(&shared),
            connected.detector.clone(),
        );
        let in_use = pipeline.axis(None, 0.0).0.valid.clone();
        connected.setup = ExposureSetup::calibrated(instrument, station, &connected.detector, calibration, &in_use);
        connected.calibrated = Some(Calibrated { row, pipeline });
        connected.darks.configure(connected.setup.for_darks(Some(shared)));
        Ok(())
    }
}
