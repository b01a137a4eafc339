//! Takes and stores the darks that the set of darks asks for.
//!
//! Which darks to take, whether a frame is dark and when to fit are decisions of [`crate::darks`]. Invariants: a dark that a
//! fault ends early is used as far as it came; nothing is used that is not stored.

use super::AcquisitionLoop;
use crate::acquisition::StationError;
use crate::acquisition::context::Observer;
use crate::acquisition::dark_records;
use crate::clock::UtcMicros;
use crate::darks::pause::CLOSED_GATE_S;
use crate::darks::{DarkOutcome, DarkPause, DarkRequest, NightSun};
use crate::fault::Fault;
use crate::quality::monitor::DarkObservation;
use crate::record::{Dark, DarkSource, Exposure, Shutter};
use crate::sun::Sun;

impl AcquisitionLoop {
    /// Takes the darks that are due after a tick, as far as time allows before `end`.
    pub(super) fn take_darks(
        &mut self,
        used_s: &[f64],
        (temperature_c, sun): (Option<f64>, Option<Sun>),
        tick: UtcMicros,
        end: Option<UtcMicros>,
        observer: &mut dyn Observer,
    ) -> Result<Result<(), Fault>, StationError> {
        let now = self.parts.clock.now();
        let Some(met) = self.met.as_ref() else { return Ok(Ok(())) };
        let pause = DarkPause {
            used_s,
            sun: sun.map(|sun| NightSun::at(self.parts.station.place, sun)),
            temperature_c,
            ..DarkPause::between(tick, now, end, met.setup.budget_s())
        };
        for order in met.darks.plan(&pause) {
            if let Err(fault) = self.take_dark(&order, observer)? {
                return Ok(Err(fault));
            }
        }
        self.refit(self.parts.clock.now())?;
        Ok(Ok(()))
    }

    /// Fits the dark model anew where that is due, and stores it before it is used.
    fn refit(&mut self, now: UtcMicros) -> Result<(), StationError> {
        let Some(met) = self.met.as_mut() else { return Ok(()) };
        if let Some(fitted) = dark_records::refit(&self.parts.store, met.row, &mut met.darks, now)? {
            met.monitors.observe_dark_model(fitted.row, &fitted.model, now);
        }
        Ok(())
    }

    fn take_dark(
        &mut self,
        order: &DarkRequest,
        observer: &mut dyn Observer,
    ) -> Result<Result<(), Fault>, StationError> {
        let shutter = if order.source == DarkSource::Shutter { Shutter::Closed } else { Shutter::Open };
        let mut exposures: Vec<Exposure> = Vec::new();
        let mut outcome = Ok(());
        for _ in 0..order.exposures.max(1) {
            match self.session.expose(order.integration_s, shutter) {
                // The same counts as the exposure before, noise and all, are no dark of this one.
                Ok(exposure) if self.last_crc.replace(exposure.crc32) == Some(exposure.crc32) => {}
                Ok(exposure) => exposures.push(exposure),
                Err(fault) => {
                    outcome = Err(fault);
                    break;
                }
            }
        }
        if matches!(outcome, Err(Fault::Identity { .. })) {
            return Ok(outcome);
        }
        let warming = self.warm_up.warming(self.parts.clock.now(), self.parts.instrument.warm_up_s);
        let Some(met) = self.met.as_mut() else { return Ok(Ok(())) };
        match met.darks.submit(order.source, &exposures, warming) {
            None => {}
            Some(DarkOutcome::Accepted(dark)) => self.keep_dark(dark, warming, observer)?,
            Some(DarkOutcome::Rejected(rejected)) => {
                self.parts.status.update(|s| s.darks.1 += 1);
                self.record(rejected.event(&self.parts.instrument.name), observer)?;
            }
        }
        Ok(outcome)
    }

    /// Stores an accepted dark, then lets it be used. One that the store cannot take is lost, and another is taken soon.
    fn keep_dark(&mut self, dark: Dark, warming: bool, observer: &mut dyn Observer) -> Result<(), StationError> {
        let Some(met) = self.met.as_mut() else { return Ok(()) };
        self.parts.status.update(|s| s.darks.0 += 1);
        let Some(dark) = dark_records::store_dark(&self.parts.store, met.row, dark)? else { return Ok(()) };
        let event = (!warming)
            .then(|| {
                met.monitors.observe_dark(DarkObservation {
                    frame: &dark.frame,
                    shielded: &met.setup.pixels.shielded,
                    noise: met.calibrated.as_ref().map(|c| &c.pipeline.calibration().noise),
                })
            })
            .flatten();
        met.darks.insert(dark, warming);
        if let Some(event) = event {
            tracing::warn!(instrument = self.name(), "{}", event.text);
            self.record(event, observer)?;
        }
        Ok(())
    }

    /// A tick that the gate closes: only darks are looked after.
    pub(super) fn only_darks(
        &mut self,
        tick: UtcMicros,
        observer: &mut dyn Observer,
    ) -> Result<Result<(), Fault>, StationError> {
        if let Err(fault) = self.session.check_identity() {
            return Ok(Err(fault));
        }
        self.calibrate(self.parts.clock.now())?;
        // Nothing has told the detector's temperature yet: any dark of about the last one's will do as reference.
        let temperature_c = self.met.as_ref().and_then(|m| m.darks.last_temperature_c());
        let end = self.schedule.next_open_within(tick, CLOSED_GATE_S);
        let sun = self.parts.station.sun_at(self.parts.clock.now());
        self.take_darks(&[], (temperature_c, sun), tick, Some(end), observer)
    }
}
