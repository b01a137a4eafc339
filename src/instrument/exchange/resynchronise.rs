//! Resynchronisation of the line after a fault, by the steps of the dialect.

use super::perform::Request;
use super::{Exchange, MOST_DISCARDED};
use crate::dialect::decode::MAX_TEXT;
use crate::dialect::malformed::shown;
use crate::dialect::step::{Action, Step};
use crate::fault::Fault;

/// Attempts to read a known answer from the drained line; four of them take longer than an instrument's restart.
const ATTEMPTS: usize = 4;

/// Received bytes that were not the known answer.
#[derive(Debug, Default)]
pub(super) struct Discarded {
    /// Number of the attempt, counted from 1.
    pub number: usize,
    bytes: usize,
    /// Their last line.
    line: Vec<u8>,
}

impl Exchange {
    /// Runs the steps of the action `resynchronise` until they succeed; without them, drains the line.
    pub fn resynchronise(&mut self) -> Result<(), Fault> {
        self.lose_step();
        self.counters.resynchronisations += 1;
        if !self.dialect.has(Action::Resynchronise) {
            self.drain()?;
            self.in_step = true;
            return Ok(());
        }
        let started = self.clock.monotonic();
        self.attempt = Some(Discarded::default());
        let result = self.attempts();
        let discarded = self.attempt.take().unwrap_or_default();
        let fault = match result {
            Ok(()) => {
                self.forget_received();
                self.in_step = true;
                return Ok(());
            }
            Err(fault @ (Fault::NoAnswer { .. } | Fault::Corrupt { .. })) => fault,
            Err(fault) => return Err(fault),
        };
        let command = match fault {
            Fault::NoAnswer { command, .. } | Fault::Corrupt { command, .. } => command,
            _ => String::new(),
        };
        let waited = self.clock.monotonic().saturating_sub(started);
        if discarded.bytes == 0 && self.received.is_empty() {
            return Err(Fault::NoAnswer { command, waited, found: "nothing came".into() });
        }
        let last = if discarded.line.is_empty() { &self.received } else { &discarded.line };
        let bytes = discarded.bytes + self.received.len();
        let found = format!("{bytes} other bytes within {waited:?}, the last: {}", shown(last.trim_ascii()));
        Err(Fault::Corrupt { command, expected: "its answer".into(), found })
    }

    fn attempts(&mut self) -> Result<(), Fault> {
        let mut last = Fault::Stopped;
        for number in 1..=ATTEMPTS {
            if let Some(attempt) = &mut self.attempt {
                attempt.number = number;
            }
            self.forget_received();
            match self.perform(Action::Resynchronise, &Request::default()) {
                Ok(_) => return Ok(()),
                Err(error) => match error.fault {
                    fault @ (Fault::NoAnswer { .. } | Fault::Corrupt { .. }) => last = fault,
                    fault => return Err(fault),
                },
            }
        }
        Err(last)
    }

    /// Skips a line, packet or byte that is not the expected answer; false where the search has to end.
    pub(super) fn skip(&mut self, step: &Step) -> bool {
        let binary = step.expect().is_some_and(|template| template.binary);
        let length = if binary { self.next_start(step) } else { self.line_length() };
        let most = self.attempt.as_ref().map_or(0, |attempt| attempt.bytes);
        if most > MOST_DISCARDED {
            return false;
        }
        if let Some(attempt) = &mut self.attempt {
            attempt.bytes += length;
            attempt.line = self.received[..length].to_vec();
        }
        self.consume(length);
        length > 0
    }

    fn line_length(&self) -> usize {
        let last = self.dialect.text.answer_end.last().copied().unwrap_or(b'\n');
        let line_end = self.received.iter().position(|b| *b == last).map(|at| at + 1);
        // A prompt has no line end.
        let prompt = &self.dialect.text.prompt;
        let prompt_end = match prompt.len() {
            0 => None,
            length => self.received.windows(length).position(|window| window == prompt).map(|at| at + length),
        };
        let end = [line_end, prompt_end].into_iter().flatten().min();
        end.unwrap_or(if self.received.len() > MAX_TEXT { self.received.len() } else { self.received.len().min(1) })
    }

    /// The distance to the next byte that may begin the answer.
    fn next_start(&self, step: &Step) -> usize {
        let first = match &self.dialect.packet {
            Some(packet) if step.framing.packet => packet.start.first().copied(),
            _ => step.expect().and_then(|template| template.first_byte()),
        };
        let rest = self.received.get(1..).unwrap_or_default();
        let next = first.and_then(|first| rest.iter().position(|b| *b == first));
        1 + if first.is_some() { next.unwrap_or(rest.len()) } else { 0 }
    }
}
