//! A session with one instrument: who it is, what its detector is, and exposures that can be trusted.
//!
//! Blocking; every wait has a deadline and looks at the stop flag. What must stay true of an [`Exposure`] handed out:
//! - it was taken after the call, with the settings beside it: the instrument answers integration time, shutter and pixel
//!   format in the very message that exposes, so one that started anew in between is found out;
//! - its payload agrees with the checksum the instrument made, or is read again, without exposing again as long as the
//!   block in the instrument is known to be this one;
//! - whatever travels without a checksum (settings, temperature, the detector's description, identity) came twice and was
//!   the same both times.
//!
//! Retries are bounded and counted; a fault ends the call, never the process.

mod connection;
mod exposing;
#[cfg(test)]
mod fake_instrument;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod wakeup_tests;

use super::dialect::{Dialect, PixelFormat};
use super::exchange::{Exchange, LinkCounters};
use super::link::Link;
use crate::clock::{Clock, Stop};
use crate::fault::Fault;
use crate::record::{Detector, Exposure, Shutter};
use exposing::Active;
use std::sync::Arc;
use std::time::Duration;

/// How often one call tries again before its fault is final.
pub const RETRIES: u32 = 3;
/// How much longer each further retry waits than the one before.
const PATIENCE: Duration = Duration::from_secs(1);
/// How long a shutter may need to settle [s].
const SHUTTER_S: f64 = 1.0;

/// Who an instrument says it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Identity {
    /// Its maker.
    pub maker: String,
    /// Its model.
    pub model: String,
    /// Its serial number, which a calibration is bound to.
    pub serial: String,
    /// Its firmware's version.
    pub firmware: String,
}

/// What is known of a connected instrument.
struct Connected {
    identity: Identity,
    detector: Detector,
    format: PixelFormat,
}

/// A session with one instrument.
pub struct Session {
    exchange: Exchange,
    dialect: &'static Dialect,
    stop: Stop,
    connected: Option<Connected>,
    active: Option<Active>,
    rereads: u32,
    last_crc: Option<u32>,
    /// Whether the next exposure is to ask who is there.
    doubted: bool,
}

impl Session {
    /// A session that is not connected yet.
    pub fn new(link: Box<dyn Link>, clock: Arc<dyn Clock>, stop: Stop, baud: u32, dialect: &'static Dialect) -> Self {
        let exchange = Exchange::new(link, clock, stop.clone(), baud, dialect);
        Self { exchange, dialect, stop, connected: None, active: None, rereads: 0, last_crc: None, doubted: false }
    }

    /// Opens the line afresh, brings it in step and learns who is there and what the detector is. On a fault the line is
    /// closed again: wait ([`super::Backoff`]) and call anew.
    pub fn connect(&mut self) -> Result<(Identity, Detector), Fault> {
        self.forget();
        self.exchange.reopen()?;
        match self.retrying(Self::meet) {
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

    /// Whether an instrument is connected, as far as is known.
    pub fn is_connected(&self) -> bool {
        self.connected.is_some()
    }

    /// What has happened on the line so far.
    pub fn counters(&self) -> LinkCounters {
        self.exchange.counters
    }

    /// Asks who is there; a fault when it is another instrument than the one that was connected. Cheap: one exchange.
    pub fn check_identity(&mut self) -> Result<Identity, Fault> {
        self.facts()?;
        self.retrying(Self::same_instrument)
    }

    /// Has the next exposure ask as well who is there, in the message that confirms it: a fault, and no exposure, when it is
    /// another instrument than the one that was connected. Costs no exchange.
    pub fn doubt_identity(&mut self) {
        self.doubted = true;
    }

    /// Exposes once with an integration time [s] and a state of the shutter, and answers with a whole, checked exposure.
    /// Its `start` is the instant at which the command was through.
    pub fn expose(&mut self, integration_s: f64, shutter: Shutter) -> Result<Exposure, Fault> {
        let detector = &self.facts()?.detector;
        let (low, high) = (detector.integration_min_s, detector.integration_max_s);
        if !(integration_s >= low * (1.0 - 1e-9) && integration_s <= high * (1.0 + 1e-9)) {
            return Err(Fault::Refused {
                command: self.dialect.aperture.to(&integration_s.to_string()),
                code: self.dialect.out_of_range,
                text: format!("the instrument takes {low} s to {high} s"),
            });
        }
        if shutter == Shutter::Closed && !detector.has_shutter {
            return Err(Fault::Refused {
                command: self.dialect.shutter.to(&self.dialect.shutter_closed.short()),
                code: self.dialect.hardware_missing,
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
    }

    fn facts(&self) -> Result<&Connected, Fault> {
        self.connected.as_ref().ok_or_else(|| Fault::Absent {
            path: self.exchange.name().to_owned(),
            why: "the instrument is not connected".into(),
        })
    }

    /// Runs an attempt on a line in step, again after a fault that another attempt may cure.
    fn retrying<T>(&mut self, mut attempt: impl FnMut(&mut Self) -> Result<T, Fault>) -> Result<T, Fault> {
        self.rereads = 0;
        loop {
            let fault = match self.make_ready() {
                Ok(()) => match attempt(self) {
                    Ok(value) => return Ok(value),
                    Err(fault) => self.spend_retry(fault).err(),
                },
                // No probe was answered in many attempts: more of the same is no use.
                Err(fault) => Some(fault),
            };
            let Some(fault) = fault else { continue };
            match fault {
                Fault::Absent { .. } => self.disconnect(),
                // The exposure that may be running would delay whoever comes next.
                Fault::Stopped => self.exchange.abort(),
                _ => self.exchange.lose_step(),
            }
            self.active = None;
            return Err(fault);
        }
    }

    /// Lets another attempt follow a fault, unless it would be no use or one too many.
    fn spend_retry(&mut self, fault: Fault) -> Result<(), Fault> {
        let allowed = match fault {
            Fault::NoAnswer { .. } | Fault::Corrupt { .. } => RETRIES,
            // Once more, because noise on the way to the instrument is refused as well.
            Fault::Refused { .. } => 1,
            Fault::Absent { .. } | Fault::Identity { .. } | Fault::Stopped => 0,
        };
        if self.rereads >= allowed || self.stop.requested() {
            return Err(if self.stop.requested() { Fault::Stopped } else { fault });
        }
        tracing::debug!(link = self.exchange.name(), %fault, "trying again");
        self.rereads += 1;
        self.exchange.counters.retries += 1;
        // What a first retry did not cure may be late answers that meet one retry after the other.
        self.exchange.rest(PATIENCE * (self.rereads - 1));
        self.exchange.lose_step();
        self.active = None;
        Ok(())
    }

    /// Brings the line in step, and makes sure that it still leads to the same instrument.
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
