//! One exposure: settings, light, the block, its checksum.
//!
//! Invariant: the instrument exposes again only if its block cannot be attributed with certainty to this exposure.

use super::{SHUTTER_S, Session};
use crate::clock::UtcMicros;
use crate::fault::Fault;
use crate::instrument::answer;
use crate::instrument::dialect::{Dialect, Keyword};
use crate::instrument::exchange::{BlockAnswer, BlockFault, corrupt};
use crate::instrument::fields::Fields;
use crate::instrument::malformed::Malformed;
use crate::record::{Exposure, Frame, Shutter};

/// Allowed deviation of the active integration time from the requested one: the larger of this share [1] …
const ROUNDING_SHARE: f64 = 0.1;
/// … and this step [s].
const ROUNDING_S: f64 = 0.001;
/// Allowed difference between the temperatures before and after an exposure [K].
const SAME_TEMPERATURE_K: f64 = 0.5;

/// Settings the instrument has confirmed.
#[derive(Clone, Copy)]
pub(super) struct Active {
    requested_s: f64,
    integration_s: f64,
    shutter: Shutter,
}

impl Session {
    /// One attempt at an exposure: settings, light, checksum.
    pub(super) fn expose_once(&mut self, integration_s: f64, shutter: Shutter) -> Result<Exposure, Fault> {
        let mut start = UtcMicros::default();
        let (active, answer) = self.read_block(integration_s, shutter, &mut start)?;
        let (payload, crc32, temperature_c) = self.verified(&active, answer)?;
        self.active = Some(active);
        let (format, full_scale) = (self.facts()?.format, self.facts()?.detector.full_scale);
        let counts = format.decode(&payload).map_err(|e| corrupt(&self.dialect.read, e))?;
        if let Some(above) = counts.iter().max().filter(|c| **c > full_scale) {
            let expected = format!("counts up to the full scale of {full_scale}");
            return Err(corrupt(&self.dialect.read, Malformed { expected, found: above.to_string() }));
        }
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

    /// Sends settings and exposure; returns the active settings and the block. Sets `start` to the instant at which the command has
    /// left the line.
    fn read_block(
        &mut self,
        integration_s: f64,
        shutter: Shutter,
        start: &mut UtcMicros,
    ) -> Result<(Active, BlockAnswer), Fault> {
        // If only the integration time changes, it is set in the message of the exposure. After any fault the next attempt sets
        // and confirms everything first.
        let known = match self.active.take() {
            Some(before) if before.shutter == shutter && before.requested_s != integration_s => None,
            before => {
                self.active = before;
                Some(self.apply(integration_s, shutter)?)
            }
        };
        let d = self.dialect;
        let (queries, length) = (self.exposing_queries(), self.payload_bytes()?);
        let asked = match known {
            Some(active) => self.exchange.ask_block(&[], &queries, &d.read, length, (active.integration_s, 0.0), start),
            None => {
                let settings = [d.clear_errors.to_string(), d.aperture.to(&integration_s.to_string())];
                let light_s = (integration_s, rounding_s(integration_s));
                let with_error: Vec<&str> = queries.iter().copied().chain([&*d.next_error]).collect();
                self.exchange.ask_block(&settings, &with_error, &d.read, length, light_s, start)
            }
        };
        let active = |fields: &Fields| match known {
            Some(active) => Ok(active),
            // The oldest error is the last query.
            None => {
                let set = || d.aperture.to(&integration_s.to_string());
                active_settings(d, set, integration_s, shutter, (fields.at(0), fields.at(queries.len())))
            }
        };
        match asked {
            Ok(answer) => Ok((active(&answer.fields)?, answer)),
            // The block is truncated or damaged, but belongs to this exposure, and the instrument still holds it.
            Err(BlockFault {
                fault: fault @ (Fault::NoAnswer { .. } | Fault::Corrupt { .. }),
                begun: Some(fields),
            }) => {
                let active = active(&fields)?;
                self.verify_active(&active, &fields)?;
                self.spend_retry(fault)?;
                Ok((active, self.fetch(&active)?))
            }
            Err(BlockFault { fault, .. }) => Err(fault),
        }
    }

    /// Returns a payload that agrees with the instrument's checksum, fetched again up to the allowed number of times; the checksum;
    /// and the detector's temperature [°C].
    fn verified(&mut self, active: &Active, mut answer: BlockAnswer) -> Result<(Vec<u8>, u32, Option<f64>), Fault> {
        let before = self.verify_active(active, &answer.fields)?;
        loop {
            let crc32 = crc32fast::hash(&answer.payload);
            let (instruments, temperature_c) = match self.confirm(active, before) {
                Ok(confirmed) => confirmed,
                // Only the confirmation was damaged, not necessarily the block.
                Err(fault @ (Fault::NoAnswer { .. } | Fault::Corrupt { .. })) => {
                    self.spend_retry(fault)?;
                    self.make_ready()?;
                    self.confirm(active, before)?
                }
                Err(fault) => return Err(fault),
            };
            if instruments == crc32 {
                return Ok((answer.payload, crc32, temperature_c));
            }
            self.spend_retry(corrupt(
                &self.dialect.read,
                Malformed { expected: format!("a block with CRC-32 {instruments}"), found: crc32.to_string() },
            ))?;
            answer = self.fetch(active)?;
        }
    }

    fn payload_bytes(&self) -> Result<usize, Fault> {
        let facts = self.facts()?;
        Ok(facts.detector.pixels * facts.format.width())
    }

    /// The queries before an exposure: all settings that define the meaning of its block, and the temperature last.
    fn exposing_queries(&self) -> Vec<&'static str> {
        let d = self.dialect;
        let shutter = self.connected.as_ref().is_some_and(|c| c.detector.has_shutter);
        let mut queries: Vec<&'static str> = vec![&d.aperture.query, &d.format.query, &d.byte_order.query];
        queries.extend(shutter.then_some::<&str>(&d.shutter.query));
        queries.push(&d.temperature);
        queries
    }

    /// Sends settings, unless they are known to be active, and reads their confirmation.
    fn apply(&mut self, integration_s: f64, shutter: Shutter) -> Result<Active, Fault> {
        if let Some(active) = self.active
            && active.requested_s == integration_s
            && active.shutter == shutter
        {
            return Ok(active);
        }
        self.active = None;
        let d = self.dialect;
        let (format, has_shutter) = (self.facts()?.format, self.facts()?.detector.has_shutter);
        // Cleared, so that an earlier error is not attributed to these settings.
        let mut settings = vec![
            d.clear_errors.to_string(),
            d.format.to(&format.keyword(d).short()),
            d.byte_order.to(&d.big_endian.short()),
            d.aperture.to(&integration_s.to_string()),
        ];
        settings.extend(has_shutter.then(|| d.shutter.to(&self.shutter_word(shutter).short())));
        let mut queries = self.exposing_queries();
        queries.push(&d.next_error);
        let answers = self.exchange.ask(&settings, &queries, SHUTTER_S)?;
        let told = (answers.at(0), answers.at(queries.len() - 1));
        let active = active_settings(d, || settings[1..].join(";"), integration_s, shutter, told)?;
        self.verify_active(&active, &answers)?;
        self.active = Some(active);
        Ok(active)
    }

    fn shutter_word(&self, shutter: Shutter) -> &'static Keyword {
        match shutter {
            Shutter::Open => &self.dialect.shutter_open,
            Shutter::Closed => &self.dialect.shutter_closed,
        }
    }

    /// Compares the answers to [`Self::exposing_queries`] with the active settings; returns the temperature [°C].
    fn verify_active(&self, active: &Active, answers: &Fields) -> Result<Option<f64>, Fault> {
        let d = self.dialect;
        let connected = self.facts()?;
        let changed = |query: &str, expected: String, found: &str| {
            corrupt(query, Malformed { expected: format!("{expected}, as set"), found: format!("`{found}`") })
        };
        let mut rest = answers.iter();
        let mut next = || rest.next().unwrap_or_default();
        let aperture = next();
        match answer::seconds(aperture) {
            Ok(s) if Frame::same_integration(s, active.integration_s) => {}
            _ => return Err(changed(&d.aperture.query, format!("{} s", active.integration_s), aperture)),
        }
        let words = [(&d.format, connected.format.keyword(d)), (&d.byte_order, &d.big_endian)];
        let shutter = connected.detector.has_shutter.then(|| (&d.shutter, self.shutter_word(active.shutter)));
        for (setting, word) in words.into_iter().chain(shutter) {
            let found = next();
            if !word.matches(found) {
                return Err(changed(&setting.query, word.short(), found));
            }
        }
        answer::temperature(next(), d.not_a_number).map_err(|e| corrupt(&d.temperature, e))
    }

    /// Fetches the last block again, on a line in step, without a new exposure.
    fn fetch(&mut self, active: &Active) -> Result<BlockAnswer, Fault> {
        self.make_ready()?;
        let (queries, length) = (self.exposing_queries(), self.payload_bytes()?);
        self.exchange.counters.refetches += 1;
        let fetch: &str = &self.dialect.fetch;
        let answer = self
            .exchange
            .ask_block(&[], &queries, fetch, length, (0.0, 0.0), &mut UtcMicros::default())
            .map_err(|e| e.fault)?;
        self.verify_active(active, &answer.fields)?;
        // An instrument that lost the block may return the previous one. A new exposure could have the same checksum by chance;
        // then the price is one more exposure.
        if self.last_crc == Some(crc32fast::hash(&answer.payload)) {
            let expected = "the block of this exposure".into();
            return Err(corrupt(fetch, Malformed { expected, found: "that of the previous exposure".into() }));
        }
        Ok(answer)
    }

    /// Reads the instrument's checksum of the last block and the detector's temperature; returns the checksum and the mean of
    /// the temperatures `before` the exposure and now [°C].
    fn confirm(&mut self, active: &Active, before: Option<f64>) -> Result<(u32, Option<f64>), Fault> {
        let d = self.dialect;
        let mut queries: Vec<&str> = vec![&d.aperture.query, &d.temperature, &d.checksum];
        queries.extend(self.identity_pending.then_some::<&str>(&d.identify));
        let answers = self.exchange.ask(&[], &queries, 0.0)?;
        match answer::seconds(answers.at(0)) {
            Ok(s) if Frame::same_integration(s, active.integration_s) => {}
            _ => return Err(self.differs(&d.aperture.query, &active.integration_s.to_string(), answers.at(0))),
        }
        if let Some(found) = answers.get(3) {
            // Damaged in transfer or another instrument: the next attempt decides.
            if self.parse_identity(found).ok().as_ref() != Some(&self.facts()?.identity) {
                self.same_instrument()?;
            }
            self.identity_pending = false;
        }
        let checksum = answer::whole(answers.at(2), 0, u32::MAX).map_err(|e| corrupt(&d.checksum, e))?;
        let read = |field: &str| answer::temperature(field, d.not_a_number).map_err(|e| corrupt(&d.temperature, e));
        let after = read(answers.at(1))?;
        if let Some(same) = agreed(before, after) {
            return Ok((checksum, same));
        }
        // One of the two was damaged in transfer, or the temperature changed: a third query decides.
        let third = read(self.exchange.ask(&[], &[&d.temperature], 0.0)?.at(0))?;
        match agreed(after, third).or(agreed(before, third)) {
            Some(same) => Ok((checksum, same)),
            None => Err(self.differs(&d.temperature, &format!("{before:?} or {after:?}"), &format!("{third:?}"))),
        }
    }
}

/// Allowed deviation of the active integration time from the requested one [s].
fn rounding_s(integration_s: f64) -> f64 {
    (ROUNDING_SHARE * integration_s).max(ROUNDING_S)
}

/// The active settings according to the answers on integration time and oldest error. `settings` is used in messages.
fn active_settings(
    d: &Dialect,
    settings: impl Fn() -> String,
    integration_s: f64,
    shutter: Shutter,
    (aperture, error): (&str, &str),
) -> Result<Active, Fault> {
    let (code, text) = answer::error(error).map_err(|e| corrupt(&d.next_error, e))?;
    if code != 0 {
        return Err(Fault::Refused { command: settings(), code, text });
    }
    let rounded_s = answer::seconds(aperture).map_err(|e| corrupt(&d.aperture.query, e))?;
    if !((rounded_s - integration_s).abs() <= rounding_s(integration_s)) {
        let expected = format!("an integration time near {integration_s} s");
        let set = d.aperture.to(&integration_s.to_string());
        return Err(corrupt(&set, Malformed { expected, found: format!("{rounded_s} s") }));
    }
    Ok(Active { requested_s: integration_s, integration_s: rounded_s, shutter })
}

/// The mean of two temperatures [°C]; `None` if they do not agree.
fn agreed(a: Option<f64>, b: Option<f64>) -> Option<Option<f64>> {
    match (a, b) {
        (None, None) => Some(None),
        (Some(a), Some(b)) if (a - b).abs() <= SAME_TEMPERATURE_K => Some(Some((a + b) / 2.0)),
        _ => None,
    }
}
