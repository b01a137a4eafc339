//! A session with one instrument: identity, detector and verified exposures.
//!
//! Blocking; every wait has a deadline and checks the stop flag. Retries are bounded and counted; a fault ends the call, not the
//! process. What the dialect allows is used; what it does not allow is replaced ([`comparison`], [`growth`]).
//!
//! Invariants of a returned [`Exposure`]:
//! - It was taken after the call, with the settings it states: every answer that has settings is compared with them, so a restart of
//!   the instrument is detected.
//! - Its frame agrees with the checksum of the instrument, came in packets with checksums, or was read twice. A damaged frame is fetched
//!   again without a new exposure as long as the frame in the instrument is known to be of this exposure.
//! - Answers without a checksum (settings, temperature, detector, identity) were received twice and agreed.

mod comparison;
mod connection;
mod exposing;
#[cfg(test)]
pub(crate) mod fake_instrument;
mod frame;
mod frame_lag;
mod growth;
#[cfg(test)]
mod random_line_tests;
mod setting;
mod streaming;
mod temperature;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod wakeup_tests;

use super::exchange::{Exchange, LinkCounters, Request};
use super::link::Link;
use super::trace::Trace;
use crate::clock::{Clock, Stop};
use crate::dialect::Dialect;
use crate::fault::Fault;
use crate::record::{Detector, Exposure, Shutter};
use frame::Layout;
use growth::Growth;
use setting::Active;
use std::sync::Arc;
use std::time::Duration;

/// Number of retries of one call.
pub const RETRIES: u32 = 3;
/// Increase of the delay from one retry to the next.
const RETRY_DELAY_STEP: Duration = Duration::from_secs(1);

/// Identity of an instrument, according to its own answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Identity {
    /// Maker.
    pub maker: String,
    /// Model.
    pub model: String,
    /// Serial number; a calibration belongs to one.
    pub serial: String,
    /// Version of the firmware.
    pub firmware: String,
}

/// A connected instrument.
struct Connected {
    identity: Identity,
    detector: Detector,
    layout: Layout,
}

/// A session with one instrument.
pub struct Session {
    exchange: Exchange,
    dialect: Arc<Dialect>,
    stop: Stop,
    connected: Option<Connected>,
    active: Option<Active>,
    growth: Growth,
    rereads: u32,
    last_crc: Option<u32>,
    /// Whether the next exposure also checks the identity.
    identity_pending: bool,
}

impl Session {
    /// An unconnected session.
    pub fn new(link: Box<dyn Link>, clock: Arc<dyn Clock>, stop: Stop, baud: u32, dialect: &Arc<Dialect>) -> Self {
        let exchange = Exchange::new(link, clock, stop.clone(), baud, Arc::clone(dialect));
        Self {
            exchange,
            dialect: Arc::clone(dialect),
            stop,
            connected: None,
            active: None,
            growth: Growth::default(),
            rereads: 0,
            last_crc: None,
            identity_pending: false,
        }
    }

    /// Logs every further exchange.
    pub fn trace(&mut self, trace: Trace) {
        self.exchange.trace(trace);
    }

    /// Reopens the line, resynchronises it and reads identity and detector. After a fault the line is closed; the caller waits
    /// ([`super::Backoff`]) and calls again.
    pub fn connect(&mut self) -> Result<(Identity, Detector), Fault> {
        self.forget();
        self.exchange.reopen()?;
        match self.retrying(Self::identify_connected) {
            Ok(connected) => {
                let facts = (connected.identity.clone(), connected.detector.clone());
                self.connected = Some(connected);
                Ok(facts)
            }
            Err(fault) => {
                self.disconnect();
                let baud = self.exchange.baud();
                Err(match fault {
                    Fault::NoAnswer { command, waited, found } => {
                        let found = format!("{found} (is it switched on, and is {baud} baud its line rate?)");
                        Fault::NoAnswer { command, waited, found }
                    }
                    Fault::Corrupt { command, expected, found } => {
                        let found = format!("{found} (is {baud} baud its line rate, and does it speak this dialect?)");
                        Fault::Corrupt { command, expected, found }
                    }
                    other => other,
                })
            }
        }
    }

    /// Closes the line.
    pub fn disconnect(&mut self) {
        self.forget();
        self.exchange.close();
    }

    /// Whether an instrument is connected, according to the last exchange.
    pub fn is_connected(&self) -> bool {
        self.connected.is_some()
    }

    /// Counters of the line.
    pub fn counters(&self) -> LinkCounters {
        self.exchange.counters
    }

    /// Checks the identity with one exchange; a fault if it is not the connected instrument.
    pub fn check_identity(&mut self) -> Result<Identity, Fault> {
        self.facts()?;
        self.retrying(Self::same_instrument)
    }

    /// Makes the next exposure check the identity, in the message that confirms it where the dialect has one. Another instrument
    /// gives a fault instead of an exposure.
    pub fn check_identity_with_next(&mut self) {
        self.identity_pending = true;
    }

    /// Waits before the next exposure [s], which detects a stop.
    pub fn wait(&mut self, delay_s: f64) {
        if delay_s > 0.0 {
            self.exchange.wait(Duration::from_secs_f64(delay_s));
        }
    }

    /// Exposes once with an integration time [s] and a shutter state; returns a verified exposure. Its `start` is the instant at
    /// which the command has left the line.
    pub fn expose(&mut self, integration_s: f64, shutter: Shutter) -> Result<Exposure, Fault> {
        let detector = &self.facts()?.detector;
        let (low, high) = (detector.integration_min_s, detector.integration_max_s);
        let errors = &self.dialect.checks.errors;
        if !(integration_s >= low * (1.0 - 1e-9) && integration_s <= high * (1.0 + 1e-9)) {
            return Err(Fault::Refused {
                command: format!("integration time {integration_s} s"),
                code: errors.out_of_range,
                text: format!("the instrument takes {low} s to {high} s"),
            });
        }
        if shutter == Shutter::Closed && !detector.has_shutter {
            return Err(Fault::Refused {
                command: "shutter closed".into(),
                code: errors.hardware_missing,
                text: "the instrument has no shutter".into(),
            });
        }
        let exposure = self.retrying(|s| s.expose_once(integration_s.clamp(low, high), shutter))?;
        self.last_crc = Some(exposure.crc32);
        Ok(Exposure { rereads: self.rereads, ..exposure })
    }

    fn forget(&mut self) {
        self.connected = None;
        self.active = None;
        self.last_crc = None;
        self.growth = Growth::default();
    }

    fn facts(&self) -> Result<&Connected, Fault> {
        self.connected.as_ref().ok_or_else(|| Fault::Absent {
            path: self.exchange.name().to_owned(),
            why: "the instrument is not connected".into(),
        })
    }

    /// What an action without settings is performed with.
    fn plain_request(&self) -> Request {
        Request { shutter: self.connected.as_ref().is_some_and(|c| c.detector.has_shutter), ..Request::default() }
    }

    /// Runs an attempt on a line in step, and repeats it after a transient fault.
    fn retrying<T>(&mut self, mut attempt: impl FnMut(&mut Self) -> Result<T, Fault>) -> Result<T, Fault> {
        self.rereads = 0;
        loop {
            let fault = match self.make_ready() {
                Ok(()) => match attempt(self) {
                    Ok(value) => return Ok(value),
                    Err(fault) => self.spend_retry(fault).err(),
                },
                // The resynchronisation has made its own attempts.
                Err(fault) => Some(fault),
            };
            let Some(fault) = fault else { continue };
            match fault {
                Fault::Absent { .. } => self.disconnect(),
                // A running exposure would delay the next program.
                Fault::Stopped => self.exchange.abort(),
                _ => self.exchange.lose_step(),
            }
            self.active = None;
            return Err(fault);
        }
    }

    /// Prepares a retry after a fault; returns the fault if no retry is allowed.
    fn spend_retry(&mut self, fault: Fault) -> Result<(), Fault> {
        let allowed = match fault {
            Fault::NoAnswer { .. } | Fault::Corrupt { .. } => RETRIES,
            // One retry, because a command damaged in transfer is also refused.
            Fault::Refused { .. } => 1,
            Fault::Absent { .. } | Fault::Identity { .. } | Fault::Stopped => 0,
        };
        if self.rereads >= allowed || self.stop.requested() {
            return Err(if self.stop.requested() { Fault::Stopped } else { fault });
        }
        tracing::debug!(link = self.exchange.name(), %fault, "retry");
        self.rereads += 1;
        self.exchange.counters.retries += 1;
        // From the second retry on, wait: late answers may collide with each retry.
        self.exchange.rest(RETRY_DELAY_STEP * (self.rereads - 1));
        self.exchange.lose_step();
        self.active = None;
        Ok(())
    }

    /// Resynchronises the line if needed, and checks that the instrument is still the same.
    fn make_ready(&mut self) -> Result<(), Fault> {
        let mut tries = 0;
        while !self.exchange.in_step() {
            self.active = None;
            self.exchange.resynchronise()?;
            if self.connected.is_none() {
                return Ok(());
            }
            match self.same_instrument() {
                Err(Fault::NoAnswer { .. } | Fault::Corrupt { .. }) if tries < RETRIES => {
                    tries += 1;
                    self.exchange.lose_step();
                }
                other => return other.map(|_| ()),
            }
        }
        Ok(())
    }
}
