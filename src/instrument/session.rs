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

use super::answer::{self, Malformed};
use super::dialect::{Dialect, Keyword, PixelFormat};
use super::exchange::{BlockAnswer, BlockFault, Exchange, corrupt};
use super::link::Link;
use crate::clock::{Clock, Stop, UtcMicros};
use crate::fault::Fault;
use crate::record::{Detector, Exposure, Frame, Shutter};
use std::sync::Arc;
use std::time::Duration;

/// How often one call tries again before its fault is final.
pub const RETRIES: u32 = 3;
/// How much longer each further retry waits than the one before.
const PATIENCE: Duration = Duration::from_secs(1);
/// How long a shutter may need to settle [s].
const SHUTTER_S: f64 = 1.0;
/// How far the integration time in force may be from the one asked for: the larger of this share [1] …
const ROUNDING_SHARE: f64 = 0.1;
/// … and this step [s].
const ROUNDING_S: f64 = 0.001;
/// How far the temperatures before and after an exposure may be apart [K].
const SAME_TEMPERATURE_K: f64 = 0.5;

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

/// What has happened on a line since the session began.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LinkCounters {
    /// Messages sent that wait for an answer.
    pub exchanges: u64,
    /// Attempts repeated after a fault.
    pub retries: u64,
    /// Blocks asked for again without a new exposure.
    pub refetches: u64,
    /// Times the line was brought back in step.
    pub resynchronisations: u64,
    /// Times bytes were there that nobody had asked for.
    pub strays: u64,
    /// Times the device was opened anew.
    pub reconnects: u64,
    /// Bytes received in answers.
    pub bytes_received: u64,
}

/// What is known of a connected instrument.
struct Connected {
    identity: Identity,
    detector: Detector,
    format: PixelFormat,
}

/// Settings the instrument has confirmed.
#[derive(Clone, Copy)]
struct InForce {
    requested_s: f64,
    integration_s: f64,
    shutter: Shutter,
}

/// A session with one instrument.
pub struct Session {
    exchange: Exchange,
    dialect: &'static Dialect,
    stop: Stop,
    connected: Option<Connected>,
    in_force: Option<InForce>,
    rereads: u32,
    last_crc: Option<u32>,
}

impl Session {
    /// A session that is not connected yet.
    pub fn new(link: Box<dyn Link>, clock: Arc<dyn Clock>, stop: Stop, baud: u32, dialect: &'static Dialect) -> Self {
        let exchange = Exchange::new(link, clock, stop.clone(), baud, dialect);
        Self { exchange, dialect, stop, connected: None, in_force: None, rereads: 0, last_crc: None }
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
                Err(match fault {
                    Fault::NoAnswer { command, waited, found } => {
                        let hint =
                            format!("{found} (is it switched on, and is {} baud its line rate?)", self.exchange.baud());
                        Fault::NoAnswer { command, waited, found: hint }
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
        self.in_force = None;
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
            self.in_force = None;
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
        self.in_force = None;
        Ok(())
    }

    /// Brings the line in step, and makes sure that it still leads to the same instrument.
    fn make_ready(&mut self) -> Result<(), Fault> {
        let mut tries = 0;
        while !self.exchange.in_step() {
            self.in_force = None;
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

    /// Asks who is there and compares; a stranger has to say it twice.
    fn same_instrument(&mut self) -> Result<Identity, Fault> {
        let expected = self.facts()?.identity.serial.clone();
        let first = self.identify()?;
        if first.serial == expected {
            return Ok(first);
        }
        let second = self.identify()?;
        if second.serial != first.serial {
            return Err(self.differs(&self.dialect.identify, &first.serial, &second.serial));
        }
        Err(Fault::Identity { expected, found: second.serial })
    }

    fn identify(&mut self) -> Result<Identity, Fault> {
        let dialect = self.dialect;
        let answer = self.exchange.ask(&[], &[&dialect.identify], 0.0)?;
        let parts: Vec<&str> = answer[0].split(',').map(str::trim).collect();
        match parts[..] {
            [maker, model, serial, firmware] if !serial.is_empty() => Ok(Identity {
                maker: maker.into(),
                model: model.into(),
                serial: serial.into(),
                firmware: firmware.into(),
            }),
            _ => Err(corrupt(
                &dialect.identify,
                Malformed { expected: "maker,model,serial,firmware".into(), found: format!("`{}`", answer[0]) },
            )),
        }
    }

    fn differs(&self, command: &str, first: &str, second: &str) -> Fault {
        corrupt(command, Malformed { expected: format!("`{first}` again"), found: format!("`{second}`") })
    }

    /// Learns who is there and what the detector is, each twice.
    fn meet(&mut self) -> Result<Connected, Fault> {
        let (first, identity) = (self.identify()?, self.identify()?);
        if first != identity {
            return Err(self.differs(&self.dialect.identify, &format!("{first:?}"), &format!("{identity:?}")));
        }
        let (first, mut detector) = (self.describe()?, self.describe()?);
        if first != detector {
            return Err(self.differs(&self.dialect.pixels, &format!("{first:?}"), &format!("{detector:?}")));
        }
        let format = PixelFormat::for_full_scale(detector.full_scale);
        detector.transfer_s = self.exchange.wire_s(detector.pixels * format.width() + 64);
        Ok(Connected { identity, detector, format })
    }

    fn describe(&mut self) -> Result<Detector, Fault> {
        let d = self.dialect;
        let queries: [&str; 5] = [&d.pixels, &d.full_scale, &d.aperture_min, &d.aperture_max, &d.masked];
        let answers = self.exchange.ask(&[], &queries, 0.0)?;
        let understood = || -> Result<Detector, Malformed> {
            let pixels = answer::whole(&answers[0], 1, answer::MAX_PIXELS as u32)? as usize;
            let (low, high) = (answer::seconds(&answers[2])?, answer::seconds(&answers[3])?);
            if low > high {
                let expected = "a shortest integration time below the longest".into();
                return Err(Malformed { expected, found: format!("{low} s and {high} s") });
            }
            Ok(Detector {
                pixels,
                full_scale: answer::whole(&answers[1], 1, u32::MAX)?,
                masked: answer::masked(&answers[4], &d.masked_none, pixels)?,
                integration_min_s: low,
                integration_max_s: high,
                has_shutter: false,
                transfer_s: 0.0,
            })
        };
        let detector = understood().map_err(|e| corrupt(&queries.join(";"), e))?;
        Ok(Detector { has_shutter: self.probe_shutter()?, ..detector })
    }

    /// Opens the shutter and looks whether that was possible.
    fn probe_shutter(&mut self) -> Result<bool, Fault> {
        let d = self.dialect;
        let open = d.shutter.to(&d.shutter_open.short());
        let answer = self.exchange.ask(&[d.clear_errors.to_string(), open.clone()], &[&d.next_error], SHUTTER_S)?;
        match answer::error(&answer[0]).map_err(|e| corrupt(&d.next_error, e))? {
            (0, _) => Ok(true),
            (code, _) if code == d.hardware_missing => Ok(false),
            (code, text) => Err(Fault::Refused { command: open, code, text }),
        }
    }

    /// One attempt at an exposure: settings, light, checksum.
    fn expose_once(&mut self, integration_s: f64, shutter: Shutter) -> Result<Exposure, Fault> {
        let force = self.apply(integration_s, shutter)?;
        let (format, pixels) = (self.facts()?.format, self.facts()?.detector.pixels);
        let length = pixels * format.width();
        let mut start = UtcMicros::default();
        let queries = self.exposing_queries();
        let queries: Vec<&str> = queries.iter().map(String::as_str).collect();
        let read: &str = &self.dialect.read;
        let answer =
            self.exchange.ask_block(&queries, read, length, force.integration_s, &mut |written| start = written);
        let mut answer = match answer {
            Ok(answer) => answer,
            // The block is cut or damaged, but it is this exposure's, and the instrument still has it.
            Err(BlockFault {
                fault: fault @ (Fault::NoAnswer { .. } | Fault::Corrupt { .. }),
                begun: Some(fields),
            }) => {
                self.verify_force(&force, &fields)?;
                self.spend_retry(fault)?;
                self.fetch(&force, &queries, length)?
            }
            Err(BlockFault { fault, .. }) => return Err(fault),
        };
        let before = self.verify_force(&force, &answer.fields)?;
        let (crc32, temperature_c) = loop {
            let crc32 = crc32fast::hash(&answer.payload);
            let (instruments, temperature) = match self.confirm(&force, before) {
                Ok(confirmed) => confirmed,
                // What confirms it was damaged, which says nothing about the block.
                Err(fault @ (Fault::NoAnswer { .. } | Fault::Corrupt { .. })) => {
                    self.spend_retry(fault)?;
                    self.make_ready()?;
                    self.confirm(&force, before)?
                }
                Err(fault) => return Err(fault),
            };
            if instruments == crc32 {
                break (crc32, temperature);
            }
            self.spend_retry(corrupt(
                &self.dialect.read,
                Malformed { expected: format!("a block with CRC-32 {instruments}"), found: crc32.to_string() },
            ))?;
            answer = self.fetch(&force, &queries, length)?;
        };
        self.in_force = Some(force);
        let counts = format.decode(&answer.payload).map_err(|e| corrupt(&self.dialect.read, e))?;
        let full_scale = self.facts()?.detector.full_scale;
        if let Some(above) = counts.iter().find(|c| **c > full_scale) {
            let expected = format!("counts up to the full scale of {full_scale}");
            return Err(corrupt(&self.dialect.read, Malformed { expected, found: above.to_string() }));
        }
        Ok(Exposure {
            start,
            integration_s: force.integration_s,
            shutter,
            temperature_c,
            counts,
            crc32,
            rereads: self.rereads,
        })
    }

    /// The queries in front of an exposure: all that decides what its block means, and the temperature last.
    fn exposing_queries(&self) -> Vec<String> {
        let d = self.dialect;
        let shutter = self.connected.as_ref().is_some_and(|c| c.detector.has_shutter);
        let mut queries =
            vec![d.aperture.query.to_string(), d.format.query.to_string(), d.byte_order.query.to_string()];
        queries.extend(shutter.then(|| d.shutter.query.to_string()));
        queries.push(d.temperature.to_string());
        queries
    }

    /// Makes settings, unless they are known to be in force, and has the instrument confirm them.
    fn apply(&mut self, integration_s: f64, shutter: Shutter) -> Result<InForce, Fault> {
        if let Some(force) = self.in_force
            && force.requested_s == integration_s
            && force.shutter == shutter
        {
            return Ok(force);
        }
        self.in_force = None;
        let d = self.dialect;
        let (format, has_shutter) = (self.facts()?.format, self.facts()?.detector.has_shutter);
        let aperture = d.aperture.to(&integration_s.to_string());
        // Old errors, of another host or of noise, must not be taken for an answer to these.
        let mut settings = vec![
            d.clear_errors.to_string(),
            d.format.to(&format.word(d).short()),
            d.byte_order.to(&d.big_endian.short()),
            aperture.clone(),
        ];
        settings.extend(has_shutter.then(|| d.shutter.to(&self.shutter_word(shutter).short())));
        let mut queries = self.exposing_queries();
        queries.push(d.next_error.to_string());
        let queries: Vec<&str> = queries.iter().map(String::as_str).collect();
        let mut answers = self.exchange.ask(&settings, &queries, SHUTTER_S)?;
        let error = answers.pop().unwrap_or_default();
        let (code, text) = answer::error(&error).map_err(|e| corrupt(&d.next_error, e))?;
        if code != 0 {
            return Err(Fault::Refused { command: settings[1..].join(";"), code, text });
        }
        let rounded_s = answer::seconds(&answers[0]).map_err(|e| corrupt(&d.aperture.query, e))?;
        let near = (rounded_s - integration_s).abs() <= (ROUNDING_SHARE * integration_s).max(ROUNDING_S);
        if !near {
            let expected = format!("an integration time near {integration_s} s");
            return Err(corrupt(&aperture, Malformed { expected, found: format!("{rounded_s} s") }));
        }
        let force = InForce { requested_s: integration_s, integration_s: rounded_s, shutter };
        self.verify_force(&force, &answers)?;
        self.in_force = Some(force);
        Ok(force)
    }

    fn shutter_word(&self, shutter: Shutter) -> &'static Keyword {
        match shutter {
            Shutter::Open => &self.dialect.shutter_open,
            Shutter::Closed => &self.dialect.shutter_closed,
        }
    }

    /// Compares the answers to [`Self::exposing_queries`] with what must be in force; answers the temperature [°C].
    fn verify_force(&self, force: &InForce, answers: &[String]) -> Result<Option<f64>, Fault> {
        let d = self.dialect;
        let connected = self.facts()?;
        let changed = |query: &str, expected: String, found: &str| {
            corrupt(query, Malformed { expected: format!("{expected}, as set"), found: format!("`{found}`") })
        };
        let mut rest = answers.iter();
        let mut next = || rest.next().map_or("", String::as_str);
        let aperture = next();
        match answer::seconds(aperture) {
            Ok(s) if Frame::same_integration(s, force.integration_s) => {}
            _ => return Err(changed(&d.aperture.query, format!("{} s", force.integration_s), aperture)),
        }
        let mut words = vec![(&d.format, connected.format.word(d)), (&d.byte_order, &d.big_endian)];
        if connected.detector.has_shutter {
            words.push((&d.shutter, self.shutter_word(force.shutter)));
        }
        for (setting, word) in words {
            let found = next();
            if !word.matches(found) {
                return Err(changed(&setting.query, word.short(), found));
            }
        }
        answer::temperature(next(), d.not_a_number).map_err(|e| corrupt(&d.temperature, e))
    }

    /// Asks for the last block again, on a line in step, without a new exposure.
    fn fetch(&mut self, force: &InForce, queries: &[&str], length: usize) -> Result<BlockAnswer, Fault> {
        self.make_ready()?;
        self.exchange.counters.refetches += 1;
        let fetch: &str = &self.dialect.fetch;
        let answer = self.exchange.ask_block(queries, fetch, length, 0.0, &mut |_| {}).map_err(|e| e.fault)?;
        self.verify_force(force, &answer.fields)?;
        // An instrument that lost the block may offer the one before. A new exposure with the very same noise is not
        // impossible, but here it costs only another exposure to be sure.
        if self.last_crc == Some(crc32fast::hash(&answer.payload)) {
            let expected = "the block of this exposure".into();
            return Err(corrupt(fetch, Malformed { expected, found: "that of the exposure before".into() }));
        }
        Ok(answer)
    }

    /// The instrument's checksum of the last block, and the detector's temperature [°C] as the mean of the one `before`
    /// the exposure and the one now.
    fn confirm(&mut self, force: &InForce, before: Option<f64>) -> Result<(u32, Option<f64>), Fault> {
        let d = self.dialect;
        let answers = self.exchange.ask(&[], &[&d.aperture.query, &d.temperature, &d.checksum], 0.0)?;
        match answer::seconds(&answers[0]) {
            Ok(s) if Frame::same_integration(s, force.integration_s) => {}
            _ => return Err(self.differs(&d.aperture.query, &force.integration_s.to_string(), &answers[0])),
        }
        let checksum = answer::whole(&answers[2], 0, u32::MAX).map_err(|e| corrupt(&d.checksum, e))?;
        let read = |field: &str| answer::temperature(field, d.not_a_number).map_err(|e| corrupt(&d.temperature, e));
        let after = read(&answers[1])?;
        if let Some(same) = agreed(before, after) {
            return Ok((checksum, same));
        }
        // One of the two was damaged on its way, or the temperature really moved: a third decides.
        let third = read(&self.exchange.ask(&[], &[&d.temperature], 0.0)?[0])?;
        match agreed(after, third).or(agreed(before, third)) {
            Some(same) => Ok((checksum, same)),
            None => Err(self.differs(&d.temperature, &format!("{before:?} or {after:?}"), &format!("{third:?}"))),
        }
    }
}

/// The temperature two answers agree on [°C], their mean; `None` when they do not agree.
fn agreed(a: Option<f64>, b: Option<f64>) -> Option<Option<f64>> {
    match (a, b) {
        (None, None) => Some(None),
        (Some(a), Some(b)) if (a - b).abs() <= SAME_TEMPERATURE_K => Some(Some((a + b) / 2.0)),
        _ => None,
    }
}
