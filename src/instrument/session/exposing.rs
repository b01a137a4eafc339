//! One exposure: settings, light, the frame, its proof.
//!
//! Invariant: the instrument exposes again only if its frame cannot be attributed with certainty to this exposure, or if the dialect
//! has no way to read it again.

use super::frame::identity_crc;
use super::setting::{Active, rounding_s};
use super::{Session, comparison};
use crate::clock::UtcMicros;
use crate::dialect::malformed::Malformed;
use crate::dialect::step::Action;
use crate::dialect::values::Values;
use crate::fault::Fault;
use crate::instrument::exchange::{ActionFault, Performed, Request, corrupt};
use crate::record::{Exposure, Shutter};

/// A frame as received, and what came with it.
pub(super) struct Received {
    pub values: Values,
    pub start: UtcMicros,
}

/// What confirms an exposure.
struct Confirmation {
    checksum: Option<u64>,
    temperature: Option<Option<f64>>,
}

impl Session {
    /// One attempt at an exposure.
    pub(super) fn expose_once(&mut self, integration_s: f64, shutter: Shutter) -> Result<Exposure, Fault> {
        if !self.dialect.echoes_integration() && self.growth.needs_reference(shutter) {
            self.take_reference(integration_s, shutter)?;
        }
        let exposure = self.expose_unproven(integration_s, shutter)?;
        if !self.dialect.echoes_integration() {
            let full_scale = self.facts()?.detector.full_scale;
            self.growth.prove(&exposure, full_scale).map_err(|error| corrupt(self.command(Action::Expose), error))?;
        }
        Ok(exposure)
    }

    /// An exposure with another integration time, from which the signal must grow or shrink to the one with the requested time.
    fn take_reference(&mut self, integration_s: f64, shutter: Shutter) -> Result<(), Fault> {
        let detector = &self.facts()?.detector;
        let (low, high) = (detector.integration_min_s, detector.integration_max_s);
        let other_s = if integration_s * 2.0 <= high { integration_s * 2.0 } else { (integration_s / 2.0).max(low) };
        let reference = self.expose_unproven(other_s, shutter)?;
        self.growth.set_reference(&reference);
        Ok(())
    }

    /// An exposure with a proven frame, but an integration time that may not be proven.
    fn expose_unproven(&mut self, integration_s: f64, shutter: Shutter) -> Result<Exposure, Fault> {
        let first = self.expose_single(integration_s, shutter)?;
        if self.dialect.proves_frame() || self.dialect.has(Action::Fetch) {
            return Ok(first);
        }
        // Without a checksum and without a second reading of the same frame, two exposures are compared.
        let second = self.expose_single(integration_s, shutter)?;
        match comparison::outlier(&first.counts, &second.counts) {
            None => Ok(second),
            Some(pixel) => {
                let (a, b) = (first.counts[pixel], second.counts[pixel]);
                let expected = format!("pixel {pixel} near {a} in a second exposure");
                Err(corrupt(self.command(Action::Expose), Malformed { expected, found: b.to_string() }))
            }
        }
    }

    fn expose_single(&mut self, integration_s: f64, shutter: Shutter) -> Result<Exposure, Fault> {
        let (active, received) = match self.dialect.timing.free_running {
            true => self.next_frame(integration_s, shutter)?,
            false => self.read_frame(integration_s, shutter)?,
        };
        let start = received.start;
        let (values, temperature_c) = self.proven(&active, received)?;
        self.active = Some(active);
        let connected = self.facts()?;
        let command = || self.command(Action::Expose);
        let counts = connected.layout.pixels_of(values.counts.values).map_err(|e| corrupt(command(), e))?;
        let crc32 = identity_crc(&counts, connected.detector.full_scale);
        Ok(Exposure {
            start,
            integration_s: active.integration_s,
            shutter,
            temperature_c,
            counts,
            crc32,
            rereads: self.rereads,
        })
    }

    /// Sends settings and exposure; returns the active settings and the frame.
    fn read_frame(&mut self, integration_s: f64, shutter: Shutter) -> Result<(Active, Received), Fault> {
        // If only the integration time changes, it may be set in the message of the exposure. After any fault the next attempt sets
        // and confirms everything first.
        let joint = self.dialect.has(Action::SetAndExpose) && self.dialect.detector.frame_lag == 0;
        let known = match self.active.take() {
            Some(before) if joint && before.shutter == shutter && before.requested_s != integration_s => None,
            before => {
                self.active = before;
                Some(self.apply(integration_s, shutter)?)
            }
        };
        let request = self.request(integration_s, shutter)?;
        let (action, more_s) = match known {
            Some(_) => (Action::Expose, 0.0),
            None => (Action::SetAndExpose, rounding_s(integration_s)),
        };
        let light_s = known.map_or(integration_s, |active| active.integration_s) / integration_s * request.light_s.0;
        let asked = self.exchange.perform(action, &Request { light_s: (light_s, more_s), ..request });
        let active = |session: &Self, values: &Values| match known {
            Some(active) => Ok(active),
            None => session.active_by(values, action, integration_s, shutter),
        };
        match asked {
            Ok(performed) => Ok((active(self, &performed.values)?, received(performed))),
            // The frame did not arrive whole, but the exposure had ended, and the instrument still holds it.
            Err(ActionFault { fault: fault @ (Fault::NoAnswer { .. } | Fault::Corrupt { .. }), held: Some(held) })
                if self.dialect.has(Action::Fetch) =>
            {
                let active = active(self, &held.values)?;
                self.verify_active(&active, &held.values, action)?;
                self.spend_retry(fault)?;
                let values = self.fetch(&active, &held.values)?;
                Ok((active, Received { values, ..received(*held) }))
            }
            Err(error) => Err(error.fault),
        }
    }

    /// Returns a frame that is proven by the instrument's checksum or by a second reading, fetched again up to the allowed number of
    /// times; and the detector's temperature [°C].
    fn proven(&mut self, active: &Active, received: Received) -> Result<(Values, Option<f64>), Fault> {
        let mut values = received.values;
        self.verify_active(active, &values, Action::Expose)?;
        let before = self.temperature_in(&values, Action::Expose)?;
        let mut confirmed = self.confirm_twice(active)?;
        while let Some(error) = self.damage(&values, confirmed.checksum) {
            let fault = corrupt(self.command(Action::Expose), error);
            if !self.dialect.has(Action::Fetch) {
                return Err(fault);
            }
            self.spend_retry(fault)?;
            values = self.fetch(active, &values)?;
            confirmed = self.confirm_twice(active)?;
        }
        if !self.dialect.proves_frame() && self.dialect.has(Action::Fetch) {
            values = self.read_twice(active, values)?;
        }
        let temperature_c = self.agreed_temperature(before, confirmed.temperature)?;
        Ok((values, temperature_c))
    }

    /// [`Self::confirm`], once more where only the confirmation was damaged and not necessarily the frame.
    fn confirm_twice(&mut self, active: &Active) -> Result<Confirmation, Fault> {
        match self.confirm(active) {
            Err(fault @ (Fault::NoAnswer { .. } | Fault::Corrupt { .. })) => {
                self.spend_retry(fault)?;
                self.make_ready()?;
                self.confirm(active)
            }
            other => other,
        }
    }

    /// Whether the checksum of the instrument differs from that of the frame.
    fn damage(&self, values: &Values, confirmed: Option<u64>) -> Option<Malformed> {
        let check = self.dialect.checks.frame?;
        let told = values.number("checksum").map(|sum| sum as u64).or(confirmed)?;
        let found = match check.over_values {
            true => check.checksum.of_values(&values.counts.values)?,
            false => check.checksum.of(&values.counts.payload),
        };
        let expected = format!("a frame with checksum {told}");
        (found != told).then(|| Malformed { expected, found: found.to_string() })
    }

    /// Fetches the frame again until two readings are equal.
    fn read_twice(&mut self, active: &Active, first: Values) -> Result<Values, Fault> {
        let mut before = first;
        loop {
            let after = self.fetch_any(active, &before)?;
            if after.counts == before.counts {
                return Ok(after);
            }
            let differ = before.counts.values.iter().zip(&after.counts.values).filter(|(a, b)| a != b).count();
            let error =
                Malformed { expected: "the same frame twice".into(), found: format!("{differ} values that differ") };
            self.spend_retry(corrupt(self.command(Action::Fetch), error))?;
            before = after;
        }
    }

    /// Fetches the last frame again, on a line in step, without a new exposure; refuses that of the previous exposure.
    fn fetch(&mut self, active: &Active, known: &Values) -> Result<Values, Fault> {
        let values = self.fetch_any(active, known)?;
        // An instrument that lost the frame may return the previous one. A new exposure could have the same checksum by chance;
        // then the price is one more exposure.
        let connected = self.facts()?;
        let counts = connected.layout.pixels_of(values.counts.values.clone());
        let crc = counts.map(|counts| identity_crc(&counts, connected.detector.full_scale));
        if self.last_crc.is_some() && self.last_crc == crc.ok() {
            let expected = "the frame of this exposure".into();
            let found = "that of the previous exposure".into();
            return Err(corrupt(self.command(Action::Fetch), Malformed { expected, found }));
        }
        Ok(values)
    }

    fn fetch_any(&mut self, active: &Active, known: &Values) -> Result<Values, Fault> {
        self.make_ready()?;
        self.exchange.counters.refetches += 1;
        let request = Request { light_s: (0.0, 0.0), ..self.request(active.requested_s, active.shutter)? };
        let values = self.exchange.perform(Action::Fetch, &request)?.values;
        self.verify_active(active, &values, Action::Fetch)?;
        if let (Some(expected), Some(found)) = (known.get("frame"), values.get("frame"))
            && expected != found
        {
            return Err(self.differs(Action::Fetch, &format!("frame {expected}"), &format!("frame {found}")));
        }
        Ok(values)
    }

    /// Reads what confirms an exposure, and the identity where that is pending.
    fn confirm(&mut self, active: &Active) -> Result<Confirmation, Fault> {
        if !self.dialect.has(Action::Confirm) {
            if self.identity_pending {
                self.same_instrument()?;
                self.identity_pending = false;
            }
            return Ok(Confirmation { checksum: None, temperature: None });
        }
        let joint = self.dialect.answers(Action::Confirm, "serial");
        let identity = self.identity_pending && joint;
        let request = Request { identity, light_s: (0.0, 0.0), ..self.request(active.requested_s, active.shutter)? };
        let values = self.exchange.perform(Action::Confirm, &request)?.values;
        self.verify_active(active, &values, Action::Confirm)?;
        if identity {
            // Damaged in transfer or another instrument: the next attempt decides.
            if self.identity_of(&values).ok().as_ref() != Some(&self.facts()?.identity) {
                self.same_instrument()?;
            }
            self.identity_pending = false;
        } else if self.identity_pending {
            self.same_instrument()?;
            self.identity_pending = false;
        }
        let temperature = self.temperature_in(&values, Action::Confirm)?;
        Ok(Confirmation { checksum: values.number("checksum").map(|sum| sum as u64), temperature })
    }
}

fn received(performed: Performed) -> Received {
    Received { start: performed.written.unwrap_or_default(), values: performed.values }
}
