//! The darks of the road: taking what the dark_set plan_darks, as far as time allows.
//!
//! Which darks, when and how many is the dark_set's decision; whether one may serve, too. What must stay true: a dark that
//! broke off is kept as far as it came, and none is taken beside another instrument's light.

use super::{AcquisitionLoop, CLOSED_S, SPARE_S};
use crate::acquisition::StationError;
use crate::acquisition::context::Observer;
use crate::clock::UtcMicros;
use crate::darks::DarkRequest;
use crate::darks::dark_set::{AcceptedDark, DarkOutcome, Means, Pause};
use crate::fault::Fault;
use crate::quality::monitor::DarkObservation;
use crate::record::{DarkSource, Exposure, Shutter};
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
        let until = |from: UtcMicros| end.map_or(f64::INFINITY, |e| e.seconds_since(from) - SPARE_S);
        let pause = Pause {
            now,
            free_s: until(now),
            shortest_s: until(tick) - met.setup.budget_s(),
            used_s,
            sun,
            temperature_c,
        };
        for order in met.dark_set.plan_darks(&met.means(), &pause) {
            if let Err(fault) = self.take_dark(&order, observer)? {
                return Ok(Err(fault));
            }
        }
        let now = self.parts.clock.now();
        let Some(met) = self.met.as_mut() else { return Ok(Ok(())) };
        let means =
            Means { setup: &met.setup, calibration: met.calibrated.as_ref().map(|c| &**c.pipeline.calibration()) };
        if let Some((row, model)) = met.dark_set.refit(&means, now)? {
            met.monitors.observe_dark_model(row, model, now);
        }
        Ok(Ok(()))
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
        let means =
            Means { setup: &met.setup, calibration: met.calibrated.as_ref().map(|c| &**c.pipeline.calibration()) };
        match met.dark_set.submit(order.source, &exposures, &means, warming)? {
            DarkOutcome::Accepted(dark) => {
                self.parts.status.update(|s| s.darks.0 += 1);
                let observe = |dark: AcceptedDark| {
                    met.monitors.observe_dark(DarkObservation {
                        frame: &dark.frame,
                        shielded: &met.setup.shielded,
                        noise: met.calibrated.as_ref().map(|c| &c.pipeline.calibration().noise),
                    })
                };
                if let Some(event) = dark.filter(|dark| !dark.warming).and_then(observe) {
                    tracing::warn!(instrument = self.name(), "{}", event.text);
                    self.record(event, observer)?;
                }
            }
            DarkOutcome::Refused(event) => {
                self.parts.status.update(|s| s.darks.1 += 1);
                self.record(event, observer)?;
            }
        }
        Ok(outcome)
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
        let temperature_c = self.met.as_ref().and_then(|m| m.dark_set.last_temperature_c());
        let end = self.schedule.next_open_within(tick, CLOSED_S);
        let sun = self.parts.station.sun_at(self.parts.clock.now());
        self.take_darks(&[], (temperature_c, sun), tick, Some(end), observer)
    }
}
