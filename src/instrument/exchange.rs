//! One exchange on the line: sends a message and receives its answer before a deadline.
//!
//! Handles framing and timing; what is sent and expected is the dialect's. A serial port wakes its reader every few bytes, so an
//! exchange waits once, for the transfer time of the expected answer, before it reads.
//!
//! Invariants:
//! - An answer is never attributed to another message, as far as the dialect ties them (its tag).
//! - After any fault the line is out of step; no message is sent until [`Exchange::resynchronise`] has brought the line to a known
//!   state.

mod arrivals;
mod parse;
mod perform;
mod registers;
mod resynchronise;

use super::link::{Link, LinkKind};
use super::trace::{Exchanged, Trace};
use crate::clock::{Clock, Deadline, Stop, UtcMicros};
use crate::dialect::Dialect;
use crate::dialect::decode::{MAX_TEXT, Parsed, State};
use crate::dialect::malformed::{Malformed, shown, wire};
use crate::dialect::step::Step;
use crate::fault::Fault;
use arrivals::Arrivals;
pub(super) use perform::{ActionFault, Performed, Request};
use resynchronise::Discarded;
use std::sync::Arc;
use std::time::Duration;

/// Allowed delay of an answer beyond integration and transfer, on the monotonic scale.
const MARGIN: Duration = Duration::from_secs(2);
/// Bytes that may accumulate unread: a terminal buffers 4096, and some adapters lose further bytes.
const UNREAD_AT_MOST: usize = 3840;
/// Limit of bytes that are skipped in search of an answer, and of stale bytes [bytes].
const MOST_DISCARDED: usize = 1 << 20;

/// Counters of a line since the start of the session.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LinkCounters {
    /// Messages sent that have an answer.
    pub exchanges: u64,
    /// Attempts repeated after a fault.
    pub retries: u64,
    /// Frames fetched again without a new exposure.
    pub refetches: u64,
    /// Resynchronisations of the line.
    pub resynchronisations: u64,
    /// Occurrences of unsolicited bytes.
    pub unsolicited: u64,
    /// Times the device was reopened.
    pub reconnects: u64,
    /// Bytes received in answers.
    pub bytes_received: u64,
}

fn span(seconds: f64) -> Duration {
    Duration::try_from_secs_f64(seconds).unwrap_or_default()
}

/// An answer that failed, and what was parsed of it.
#[derive(Debug)]
struct Failed {
    fault: Fault,
    parsed: Parsed,
}

/// The line to one instrument.
pub(super) struct Exchange {
    link: Box<dyn Link>,
    clock: Arc<dyn Clock>,
    stop: Stop,
    baud: u32,
    dialect: Arc<Dialect>,
    received: Vec<u8>,
    arrivals: Arrivals,
    /// Number of the last message.
    tag: u32,
    in_step: bool,
    /// The attempt to resynchronise, while there is one.
    attempt: Option<Discarded>,
    opened_before: bool,
    trace: Option<Trace>,
    /// Counters since the start of the session.
    pub counters: LinkCounters,
}

impl Exchange {
    pub fn new(link: Box<dyn Link>, clock: Arc<dyn Clock>, stop: Stop, baud: u32, dialect: Arc<Dialect>) -> Self {
        Self {
            link,
            clock,
            stop,
            baud: baud.max(1),
            dialect,
            received: Vec::new(),
            arrivals: Arrivals::default(),
            tag: 0,
            in_step: false,
            attempt: None,
            opened_before: false,
            trace: None,
            counters: LinkCounters::default(),
        }
    }

    /// Logs every further exchange.
    pub fn trace(&mut self, trace: Trace) {
        self.trace = Some(trace);
    }

    /// Transfer time of a number of bytes [s].
    pub fn wire_s(&self, bytes: usize) -> f64 {
        bytes as f64 * self.dialect.serial.bits() / f64::from(self.baud)
    }

    /// Whether no fault occurred since the last resynchronisation.
    pub fn in_step(&self) -> bool {
        self.in_step
    }

    /// Marks the line as out of step: the next bytes may belong to another answer.
    pub fn lose_step(&mut self) {
        self.in_step = false;
    }

    pub fn name(&self) -> &str {
        self.link.name()
    }

    pub fn baud(&self) -> u32 {
        self.baud
    }

    pub fn now(&self) -> UtcMicros {
        self.clock.now()
    }

    /// Waits for late answers to arrive, which are then discarded.
    pub fn rest(&mut self, span: Duration) {
        // The next exchange detects a stop.
        self.clock.pause(span, &self.stop);
    }

    /// Waits for a simulated duration; ends early if a stop is requested.
    pub fn wait(&mut self, simulated: Duration) {
        self.clock.pause(self.clock.real_for(simulated), &self.stop);
    }

    pub fn reopen(&mut self) -> Result<(), Fault> {
        self.lose_step();
        self.forget_received();
        self.link.reopen()?;
        self.counters.reconnects += u64::from(self.opened_before);
        self.opened_before = true;
        Ok(())
    }

    pub fn close(&mut self) {
        self.lose_step();
        self.link.close();
    }

    fn forget_received(&mut self) {
        self.received.clear();
        self.arrivals.clear();
    }

    /// Discards received bytes: until the line is quiet, or those that are there where an instrument sends without being asked.
    fn drain(&mut self) -> Result<(), Fault> {
        if self.dialect.timing.free_running {
            self.discard()?;
        } else {
            self.link.drain()?;
        }
        self.forget_received();
        Ok(())
    }

    /// Discards the bytes that are there, without waiting.
    pub fn discard(&mut self) -> Result<(), Fault> {
        let mut discarded = 0;
        let mut piece = [0; 4096];
        loop {
            let now = Deadline(self.clock.monotonic());
            let n = self.link.read(&mut piece, now)?;
            discarded += n;
            if n == 0 || discarded > MOST_DISCARDED {
                break;
            }
        }
        self.forget_received();
        Ok(())
    }

    /// Sends a message; returns the deadline of its answer, `busy_s` [s] after its last byte, and the instant at which that byte
    /// leaves the line.
    fn send(&mut self, message: &[u8], busy_s: f64) -> Result<(Deadline, UtcMicros), Fault> {
        if self.stop.requested() {
            return Err(Fault::Stopped);
        }
        let timing = self.dialect.timing;
        if timing.command_delay_s > 0.0 {
            self.wait(span(timing.command_delay_s));
        }
        if self.attempt.is_none() && !timing.free_running {
            if self.has_unsolicited_bytes()? {
                self.counters.unsolicited += 1;
                self.drain()?;
            }
            self.counters.exchanges += 1;
        }
        let outward_s = self.wire_s(message.len()) + timing.byte_delay_s * message.len() as f64;
        let deadline = self.deadline(outward_s + busy_s);
        if timing.byte_delay_s > 0.0 {
            for byte in message {
                self.link.write(&[*byte], self.deadline(outward_s))?;
                self.wait(span(timing.byte_delay_s));
            }
            return Ok((deadline, self.clock.now()));
        }
        self.link.write(message, self.deadline(outward_s))?;
        // The port accepts the bytes at once and transmits them afterwards.
        Ok((deadline, self.clock.now().plus_seconds(outward_s)))
    }

    /// Ends a running exposure without waiting for an answer, when the daemon stops.
    pub fn abort(&mut self) {
        self.lose_step();
        let dialect = Arc::clone(&self.dialect);
        for message in self.abort_messages(&dialect) {
            let soon = self.clock.deadline(Duration::ZERO, Duration::from_millis(500));
            // A failure has no remedy here.
            let _ = self.link.write(&message, soon);
        }
    }

    fn deadline(&self, simulated_s: f64) -> Deadline {
        self.clock.deadline(span(simulated_s), MARGIN)
    }

    fn has_unsolicited_bytes(&mut self) -> Result<bool, Fault> {
        let now = Deadline(self.clock.monotonic());
        Ok(!self.received.is_empty() || self.link.read(&mut [0; 256], now)? > 0)
    }

    /// Waits `light_s` [s] for the start of an answer and then for the transfer of `bytes`, at most of those that may accumulate
    /// unread. The first wait reads the port, so that a disconnected device is detected.
    fn wait_for(&mut self, light_s: f64, bytes: usize) -> Result<(), Fault> {
        if light_s > 0.0 {
            self.read_more(self.clock.deadline(span(light_s), Duration::ZERO))?;
        }
        if self.link.kind() == LinkKind::Serial {
            let transfer = self.clock.real_for(span(self.wire_s(bytes.min(UNREAD_AT_MOST))));
            // The following read detects a stop.
            self.clock.pause(transfer, &self.stop);
        }
        Ok(())
    }

    /// Reads the available bytes, waiting for at least one until the deadline; returns their number.
    fn read_more(&mut self, deadline: Deadline) -> Result<usize, Fault> {
        let mut piece = [0; 4096];
        let n = self.link.read(&mut piece, deadline)?;
        self.counters.bytes_received += n as u64;
        self.arrivals.add(n, self.clock.now());
        self.received.extend_from_slice(&piece[..n]);
        Ok(n)
    }

    fn consume(&mut self, bytes: usize) {
        self.received.drain(..bytes.min(self.received.len()));
        self.arrivals.consume(bytes);
    }

    /// Reads until `parse` returns an answer. Further bytes stay in the buffer and count as unsolicited.
    fn receive(
        &mut self,
        step: &Step,
        sent: &[u8],
        deadline: Deadline,
        most: usize,
        parse: impl Fn(&[u8]) -> Parsed,
    ) -> Result<(Parsed, UtcMicros), Box<Failed>> {
        let started = self.clock.monotonic();
        let command = command(step, sent);
        let mut need = 0;
        loop {
            let parsed = if self.received.len() >= need { parse(&self.received) } else { Parsed::more(need) };
            match &parsed.state {
                State::Done(used) => {
                    let used = *used;
                    let arrived = self.arrival(used);
                    self.log(step, sent, used, None);
                    self.consume(used);
                    return Ok((parsed, arrived));
                }
                State::Malformed(error) => {
                    let skipped = step.search && self.skip(step);
                    if !skipped || self.clock.left(deadline).is_zero() {
                        let fault = corrupt(&command, error.clone());
                        return Err(self.failed(step, sent, fault, parsed));
                    }
                    need = 0;
                    continue;
                }
                State::More(_) if self.received.len() > most => {
                    let expected = format!("at most {most} bytes");
                    let fault = corrupt(&command, Malformed { expected, found: shown(&self.received) });
                    return Err(self.failed(step, sent, fault, parsed));
                }
                // Only counts of a known length allow waiting for more than one further byte.
                State::More(bytes) => need = if parsed.begun { *bytes } else { 0 },
            }
            if self.stop.requested() {
                return Err(Box::new(Failed { fault: Fault::Stopped, parsed }));
            }
            match self.read_more(deadline) {
                Ok(0) => {
                    // The values of a waiting answer are known from its beginning.
                    let parsed = parse(&self.received);
                    let waited = self.clock.monotonic().saturating_sub(started);
                    let fault = Fault::NoAnswer { command, waited, found: self.incomplete() };
                    return Err(self.failed(step, sent, fault, parsed));
                }
                Ok(_) => {}
                Err(fault) => return Err(Box::new(Failed { fault, parsed })),
            }
        }
    }

    /// When the first of `bytes` that have just arrived left the instrument, at the latest: its read, or the last byte's by the line
    /// rate, where a driver delivers several bytes together.
    fn arrival(&self, bytes: usize) -> UtcMicros {
        let now = self.clock.now();
        let first = self.arrivals.of_first().unwrap_or(now);
        match self.link.kind() {
            LinkKind::Serial => first.min(now.plus_seconds(-self.wire_s(bytes))),
            LinkKind::Tcp => first,
        }
    }

    /// What came of an answer.
    fn incomplete(&self) -> String {
        match self.received.len() {
            0 => "nothing came".into(),
            n => format!("only {n} bytes came: {}", shown(&self.received)),
        }
    }

    fn failed(&mut self, step: &Step, sent: &[u8], fault: Fault, parsed: Parsed) -> Box<Failed> {
        self.log(step, sent, self.received.len(), Some(fault.to_string()));
        Box::new(Failed { fault, parsed })
    }

    fn log(&mut self, step: &Step, sent: &[u8], used: usize, fault: Option<String>) {
        let time = self.clock.now();
        if let Some(trace) = &mut self.trace {
            let expected = step.expect().map_or("", |template| template.source.as_str());
            let received = &self.received[..used.min(self.received.len())];
            trace(&Exchanged { time, place: &step.place, sent, expected, received, fault });
        }
    }
}

/// A message with its place in the dialect, for faults.
fn command(step: &Step, sent: &[u8]) -> String {
    if sent.is_empty() { step.place.clone() } else { format!("{} ({})", wire(sent), step.place) }
}

/// The fault for a malformed answer.
pub(super) fn corrupt(command: &str, e: Malformed) -> Fault {
    Fault::Corrupt { command: command.to_owned(), expected: e.expected, found: e.found }
}

/// Longest text answer that is waited for [bytes].
const TEXT_ANSWER: usize = MAX_TEXT;
