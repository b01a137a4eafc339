//! Connects and disconnects the instrument, and loads what depends on instrument and calibration.
//!
//! Takes no exposures. Invariants: an instrument whose serial number differs from that of the calibrations is never connected; a
//! lost connection is closed at once and opened again no sooner than the back-off allows.

use super::AcquisitionLoop;
use crate::acquisition::context::{LoopContext, Observer};
use crate::acquisition::lamp_records::LampRecords;
use crate::acquisition::{AcquisitionError, dark_records, monitor_actions};
use crate::calibration::{Active, Calibration};
use crate::clock::UtcMicros;
use crate::config::InstrumentConfig;
use crate::darks::{DarkSet, FrameWithDark};
use crate::exposure::{AcquiredFrames, ExposureSetup, LearnedDetector};
use crate::fault::Fault;
use crate::instrument::Identity;
use crate::processing::{Pipeline, ProcessedReading, without_calibration};
use crate::quality::monitor::MonitorSet;
use crate::record::{AcquisitionContext, Detector, Event, EventKind, Frame};
use crate::store::{FrameRecord, NewInstrument, Store, StoreError};
use crate::sun::Sun;
use std::sync::Arc;

/// The state of a connected instrument.
pub(super) struct Connected {
    serial: String,
    /// Answer to `*IDN?`.
    pub(super) identity: String,
    /// As the instrument describes it.
    pub(super) detector: Detector,
    /// Row of the instrument.
    pub(super) row: i64,
    pub(super) darks: DarkSet,
    pub(super) monitors: MonitorSet,
    pub(super) lamps: LampRecords,
    /// The basis for planning readings; without a calibration, properties of the detector and conservative defaults.
    pub(super) setup: ExposureSetup,
    pub(super) calibrated: Option<Calibrated>,
}

/// The active calibration: its row, and the pipeline built from it.
pub(super) struct Calibrated {
    pub(super) row: i64,
    pub(super) pipeline: Pipeline,
}

impl Connected {
    /// The detector, by its own answers.
    pub(super) fn detector(&self) -> &Detector {
        &self.detector
    }

    fn calibration(&self) -> Option<&Arc<Calibration>> {
        self.calibrated.as_ref().map(|c| c.pipeline.calibration())
    }

    /// Plans readings and darks for the active calibration and for what was learned of the detector.
    pub(super) fn configure(&mut self, context: &LoopContext, learned: &LearnedDetector) {
        let (detector, exposure) = learned.applied(&self.detector, &context.instrument.exposure);
        let instrument = InstrumentConfig { exposure, ..context.instrument.clone() };
        self.setup = match &mut self.calibrated {
            Some(Calibrated { pipeline, .. }) => {
                let in_use = pipeline.axis(None, 0.0).0.valid.clone();
                let calibration = pipeline.calibration();
                ExposureSetup::calibrated(&instrument, &context.station, &detector, calibration, &in_use)
            }
            None => ExposureSetup::uncalibrated(&instrument, &context.station, &detector),
        };
        self.darks.configure(self.setup.for_darks(self.calibration().cloned()));
    }

    /// Processes the acquired frames of a reading, and passes the result to the monitors; also returns the frames for storage.
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
                    let (_, matrix) = pipeline.axis(processed.reading.detector_temperature, context.drift.shift_nm);
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

    /// Learns the spectra of lamps from a reading that was committed.
    pub(super) fn learn_lamps(
        &mut self,
        store: &Store,
        processed: &ProcessedReading,
        context: &AcquisitionContext,
    ) -> Result<(), StoreError> {
        match &mut self.calibrated {
            Some(c) => self.lamps.observe(store, self.row, processed, context, &mut c.pipeline),
            None => Ok(()),
        }
    }
}

impl AcquisitionLoop {
    /// The last fault of the connection, for the gap of a tick without an attempt to connect.
    pub(super) fn absent(&self) -> Fault {
        let path = || self.context.instrument.link.display().to_string();
        let fault = self.line.reconnection.last_fault().cloned();
        fault.unwrap_or_else(|| Fault::Absent { path: path(), why: "not connected".to_owned() })
    }

    /// Closes the port, so that a device that is plugged in again gets the same name.
    pub(super) fn disconnect(&mut self, fault: &Fault) {
        self.line.session.disconnect();
        self.connected = None;
        let now = self.context.clock.now();
        let new_text = self.line.reconnection.failed(fault, now);
        let text = format!("{fault}; trying again");
        self.line.loss_logged = self.recorder.fault(fault.cause().name(), &text, new_text, now);
        self.context.status.update(|s| {
            s.serial = None;
            s.last_fault = Some((now, fault.to_string()));
        });
    }

    /// Connects if disconnected and an attempt is due; returns the fault that prevents a connection.
    pub(super) fn ensure_connected(&mut self, observer: &mut dyn Observer) -> Result<Option<Fault>, AcquisitionError> {
        if self.connected.is_some() {
            return Ok(None);
        }
        // The back-off applies to ticks, too.
        if !self.line.reconnection.is_due(self.context.clock.now()) {
            return Ok(Some(self.absent()));
        }
        self.connect(observer)
    }

    /// Connects, and loads the data of the connected instrument; returns the fault that prevented the connection.
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
        if let Some(fault) = self.learn_lag(observer)? {
            return Ok(Some(fault));
        }
        self.control.warm_up.connected(now, false);
        self.line.reconnection.succeeded();
        self.context.status.update(|s| s.serial = Some(identity.serial.clone()));
        if self.context.status.snapshot().last_fault.is_some() {
            let text = format!("connected to {idn}");
            let instrument = Some(self.name().to_owned());
            let event = Event { time: now, until: None, instrument, kind: EventKind::LinkFault, text };
            self.recorder.event(event, observer)?;
        }
        if std::mem::take(&mut self.line.loss_logged) {
            tracing::info!(instrument = self.name(), "connected to {idn}");
        }
        Ok(None)
    }

    /// Loads the stored data of an instrument.
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
        let stored = dark_records::load(store, row, now)?;
        let darks = DarkSet::new(instrument.darks.clone(), station.place, setup.for_darks(None), stored, now);
        let monitors = monitor_actions::load_monitors(store, row, station, instrument, now)?;
        let lamps = LampRecords::load(store, row)?;
        let (serial, identity) = (identity.serial.clone(), idn.to_owned());
        let mut connected =
            Connected { serial, identity, detector, row, darks, monitors, lamps, setup, calibrated: None };
        connected.configure(&self.context, &self.control.detector);
        Ok(connected)
    }

    /// Rebuilds pipeline and exposure setup if the calibration active at an instant has changed.
    pub(super) fn calibrate(&self, connected: &mut Connected, now: UtcMicros) -> Result<(), AcquisitionError> {
        let wanted = match self.context.calibrations.active(now, &connected.serial) {
            // An expired calibration is used, with a flag.
            Active::Valid(calibration) | Active::Expired(calibration) => Some(calibration),
            Active::Missing => None,
        };
        if connected.calibration().map(|c| &c.id) == wanted.map(|c| &c.id) {
            return Ok(());
        }
        let (instrument, station) = (&self.context.instrument, &self.context.station);
        let Some(calibration) = wanted else {
            connected.calibrated = None;
            connected.configure(&self.context, &self.control.detector);
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
        let mut pipeline = Pipeline::new(
            &instrument.name,
            station.clone(),
            instrument.limits.clone(),
            Arc::new(calibration.clone()),
            connected.detector.clone(),
        );
        pipeline.set_lamp_shapes(Arc::clone(connected.lamps.shapes()));
        connected.calibrated = Some(Calibrated { row, pipeline });
        connected.configure(&self.context, &self.control.detector);
        Ok(())
    }
}
