//! Takes and stores the darks that the set of darks requests.
//!
//! [`crate::darks`] decides which darks to take, whether a frame is dark, and when to fit. Invariants: the exposures of a dark
//! that a fault interrupts are used; a dark is used only after it is stored.

use super::connection::Connected;
use super::{AcquisitionLoop, TickEnd};
use crate::acquisition::context::Observer;
use crate::acquisition::tick::TickOutcome;
use crate::acquisition::{AcquisitionError, dark_records};
use crate::clock::UtcMicros;
use crate::darks::pause::CLOSED_GATE_S;
use crate::darks::{DarkOutcome, DarkPause, DarkRequest, DarkSetState, Night};
use crate::fault::Fault;
use crate::quality::monitor::DarkObservation;
use crate::record::{Dark, DarkSource, Exposure, Frame, Shutter};
use crate::sun::Sun;

impl AcquisitionLoop {
    /// Takes the darks that are due after a reading, within the time before the next tick.
    pub(super) fn take_darks_after(
        &mut self,
        connected: &mut Connected,
        tick: UtcMicros,
        (light, sun): (&[Frame], Option<Sun>),
        observer: &mut dyn Observer,
    ) -> Result<Option<Fault>, AcquisitionError> {
        let used_s: Vec<f64> = light.iter().map(|f| f.integration_s).collect();
        let (now, next) = (self.context.clock.now(), self.schedule.next_tick(tick));
        let pause = DarkPause {
            used_s: &used_s,
            night: self.night(sun),
            temperature_c: light.iter().rev().find_map(|f| f.temperature_c),
            ..DarkPause::between(tick, now, next, connected.setup.budget_s())
        };
        self.take_darks(connected, &pause, observer)
    }

    /// Performs a tick with a closed gate: takes darks only.
    pub(super) fn take_only_darks(
        &mut self,
        connected: &mut Connected,
        tick: UtcMicros,
        observer: &mut dyn Observer,
    ) -> Result<TickEnd, AcquisitionError> {
        if let Err(fault) = self.line.session.check_identity() {
            return Ok(TickEnd { outcome: TickOutcome::NotDue, fault: Some(fault) });
        }
        let now = self.context.clock.now();
        self.calibrate(connected, now)?;
        let end = self.schedule.next_open_within(tick, CLOSED_GATE_S);
        let pause = DarkPause {
            night: self.night(self.context.station.sun_at(now)),
            // The present temperature of the detector is unknown; that of the last dark is the best estimate.
            temperature_c: connected.darks.last_temperature_c(),
            ..DarkPause::between(tick, now, Some(end), connected.setup.budget_s())
        };
        let fault = self.take_darks(connected, &pause, observer)?;
        Ok(TickEnd { outcome: TickOutcome::NotDue, fault })
    }

    fn night(&self, sun: Option<Sun>) -> Option<Night> {
        sun.map(|sun| Night::at(self.context.station.place, sun, self.context.clock.now()))
    }

    /// Takes the darks planned for a pause, then fits the dark model if that is due; returns the fault that ended it early.
    fn take_darks(
        &mut self,
        connected: &mut Connected,
        pause: &DarkPause<'_>,
        observer: &mut dyn Observer,
    ) -> Result<Option<Fault>, AcquisitionError> {
        for request in connected.darks.plan(pause) {
            if let Some(fault) = self.take_dark(connected, &request, observer)? {
                return Ok(Some(fault));
            }
        }
        let now = self.context.clock.now();
        let store = &self.context.storage.store;
        if let Some(fitted) = dark_records::refit(store, connected.row, &mut connected.darks, now)? {
            connected.monitors.observe_dark_model(fitted.row, &fitted.model, now);
        }
        Ok(None)
    }

    fn take_dark(
        &mut self,
        connected: &mut Connected,
        request: &DarkRequest,
        observer: &mut dyn Observer,
    ) -> Result<Option<Fault>, AcquisitionError> {
        let (exposures, fault) = self.expose_dark(connected, request);
        if matches!(fault, Some(Fault::Identity { .. })) {
            return Ok(fault);
        }
        let warming = self.control.warm_up.warming(self.context.clock.now(), self.context.instrument.warm_up_s);
        let before = connected.darks.state().clone();
        let submitted = connected.darks.submit(request.source, &exposures, warming);
        self.save_dark_state(connected, &before)?;
        match submitted {
            None => {}
            Some(DarkOutcome::Accepted(dark)) => self.store_dark(connected, dark, warming, observer)?,
            Some(DarkOutcome::Rejected(rejected)) => {
                self.context.status.update(|s| s.counts.darks_rejected += 1);
                self.recorder.event(rejected.event(&self.context.instrument.name), observer)?;
            }
        }
        Ok(fault)
    }

    fn expose_dark(&mut self, connected: &Connected, request: &DarkRequest) -> (Vec<Exposure>, Option<Fault>) {
        let shutter = if request.source == DarkSource::Shutter { Shutter::Closed } else { Shutter::Open };
        let (discard, clipped_from) = (connected.setup.exposure.discard_frames, connected.setup.clipped_from());
        let mut exposures = Vec::new();
        for n in 0..discard + request.exposures.max(1) {
            match self.line.session.expose(request.integration_s, shutter) {
                // An exposure with the same counts as an earlier one, including the noise, is a repetition and not used.
                Ok(exposure) if self.line.recent.is_repeated(&exposure.counts, clipped_from) => {}
                // The first frames may have the settings of the exposures before: another integration time, an open shutter.
                Ok(_) if n < discard => {}
                Ok(exposure) => exposures.push(exposure),
                Err(fault) => return (exposures, Some(fault)),
            }
        }
        (exposures, None)
    }

    fn save_dark_state(&self, connected: &Connected, before: &DarkSetState) -> Result<(), AcquisitionError> {
        let (store, now) = (&self.context.storage.store, self.context.clock.now());
        Ok(dark_records::save_state(store, connected.row, (before, connected.darks.state()), now)?)
    }

    /// Stores an accepted dark, then adds it to the set. A dark that cannot be stored is discarded; another is taken soon.
    fn store_dark(
        &mut self,
        connected: &mut Connected,
        dark: Dark,
        warming: bool,
        observer: &mut dyn Observer,
    ) -> Result<(), AcquisitionError> {
        self.context.status.update(|s| s.counts.darks_accepted += 1);
        let Some(dark) = dark_records::store_dark(&self.context.storage.store, connected.row, dark)? else {
            return Ok(());
        };
        let event = if warming {
            None
        } else {
            connected.monitors.observe_dark(DarkObservation {
                frame: &dark.frame,
                shielded: &connected.setup.pixels.shielded,
                noise: connected.calibrated.as_ref().map(|c| &c.pipeline.calibration().noise),
            })
        };
        let before = connected.darks.state().clone();
        connected.darks.insert(dark, warming);
        self.save_dark_state(connected, &before)?;
        if let Some(event) = event {
            tracing::warn!(instrument = self.name(), "{}", event.text);
            self.recorder.event(event, observer)?;
        }
        Ok(())
    }
}
