//! One exchange on the line: sends a message and receives its answer before a deadline.
//!
//! Handles framing and timing; does not interpret commands or answers. A serial port wakes its reader every few bytes, so an
//! exchange waits once, for the transfer time of the expected answer, before it reads.
//!
//! Invariants:
//! - An answer is never attributed to another message ([`tag`]).
//! - After any fault the line is out of step; no query is sent until [`Exchange::resynchronise`] has drained the line and
//!   received a known answer.

mod resynchronise;
mod tag;

use super::answer::{self, Block, BlockHead, Step};
use super::dialect::Dialect;
use super::fields::Fields;
use super::link::Link;
use super::malformed::{Malformed, shown};
use crate::clock::{Clock, Deadline, Stop, UtcMicros};
use crate::fault::Fault;
use std::sync::Arc;
use std::time::Duration;
use tag::{PROBES, Tag};

/// Allowed delay of an answer beyond integration and transfer, on the monotonic scale.
const MARGIN: Duration = Duration::from_secs(2);
/// Allowed processing time of the instrument for a message, without the integration [s].
const PROCESSING_S: f64 = 0.5;
/// Typical length of a field, for the expected transfer time [bytes].
const FIELD_BYTES: usize = 6;
/// Bytes that may accumulate unread: a terminal buffers 4096, and some adapters lose further bytes.
const UNREAD_AT_MOST: usize = 3840;

/// Counters of a line since the start of the session.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LinkCounters {
    /// Messages sent that have an answer.
    pub exchanges: u64,
    /// Attempts repeated after a fault.
    pub retries: u64,
    /// Blocks fetched again without a new exposure.
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

/// A received answer with a block.
#[derive(Debug)]
pub(super) struct BlockAnswer {
    /// The fields before the block.
    pub fields: Fields,
    /// The block's payload.
    pub payload: Vec<u8>,
}

/// A fault during the reception of a block.
#[derive(Debug)]
pub(super) struct BlockFault {
    /// The fault.
    pub fault: Fault,
    /// The fields before the block, if they and the head of the block had arrived: then the exposure had ended, and the
    /// instrument holds its block.
    pub begun: Option<Box<Fields>>,
}

/// The line to one instrument.
pub(super) struct Exchange {
    link: Box<dyn Link>,
    clock: Arc<dyn Clock>,
    stop: Stop,
    baud: u32,
    dialect: &'static Dialect,
    received: Vec<u8>,
    tag: Tag,
    in_step: bool,
    opened_before: bool,
    /// Counters since the start of the session.
    pub counters: LinkCounters,
}

impl Exchange {
    pub fn new(link: Box<dyn Link>, clock: Arc<dyn Clock>, stop: Stop, baud: u32, dialect: &'static Dialect) -> Self {
        Self {
            link,
            clock,
            stop,
            baud: baud.max(1),
            dialect,
            received: Vec::new(),
            tag: Tag::default(),
            in_step: false,
            opened_before: false,
            counters: LinkCounters::default(),
        }
    }

    /// Transfer time of a number of bytes [s], ten bits each.
    pub fn wire_s(&self, bytes: usize) -> f64 {
        bytes as f64 * 10.0 / f64::from(self.baud)
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
        self.received.clear();
        self.link.reopen()?;
        self.counters.reconnects += u64::from(self.opened_before);
        self.opened_before = true;
        Ok(())
    }

    pub fn close(&mut self) {
        self.lose_step();
        self.link.close();
    }

    /// Sends `settings` and `queries`; returns one field per query. `busy_s`: additional time allowed to the instrument [s].
    pub fn ask(&mut self, settings: &[String], queries: &[&str], busy_s: f64) -> Result<Fields, Fault> {
        let message = self.compose(settings, queries.iter().copied());
        let result = self.ask_text(&message, queries.len(), busy_s);
        self.in_step &= result.is_ok();
        result
    }

    fn ask_text(&mut self, message: &str, queries: usize, busy_s: f64) -> Result<Fields, Fault> {
        let (deadline, _) = self.send(message, busy_s + self.wire_s(answer::MAX_TEXT))?;
        self.wait_for(0.0, message.len() + FIELD_BYTES * (PROBES + queries))?;
        let fields = self.receive(message, deadline, answer::MAX_TEXT + 2, answer::text)?;
        self.tag.answers(self.dialect, &fields, queries).map_err(|e| corrupt(message, e))
    }

    /// Sends `settings`, `queries` and `last`, whose answer is a block of `length` bytes. `light_s`: expected integration time and
    /// the largest additional time [s]. Sets `written` to the instant at which the message has left the line.
    pub fn ask_block(
        &mut self,
        settings: &[String],
        queries: &[&str],
        last: &str,
        length: usize,
        light_s: (f64, f64),
        written: &mut UtcMicros,
    ) -> Result<BlockAnswer, BlockFault> {
        let message = self.compose(settings, queries.iter().copied().chain([last]));
        let result = self.receive_block(&message, queries.len(), length, light_s, written);
        self.in_step &= result.is_ok();
        result.map_err(|fault| BlockFault { begun: self.begun(queries.len(), length), fault })
    }

    fn receive_block(
        &mut self,
        message: &str,
        queries: usize,
        length: usize,
        (light_s, more_s): (f64, f64),
        written: &mut UtcMicros,
    ) -> Result<BlockAnswer, Fault> {
        let deadline;
        (deadline, *written) = self.send(message, light_s + more_s + self.wire_s(length + 256))?;
        self.wait_for(light_s, message.len() + length)?;
        let parse = |bytes: &[u8]| {
            Ok(match answer::block(bytes, PROBES + queries, length)? {
                Step::More => Step::More,
                Step::Done { value: Block { fields, payload }, used } => {
                    Step::Done { value: BlockAnswer { fields, payload: payload.to_vec() }, used }
                }
            })
        };
        let BlockAnswer { fields, payload } = self.receive(message, deadline, answer::MAX_TEXT + length + 16, parse)?;
        let fields = self.tag.answers(self.dialect, &fields, queries).map_err(|e| corrupt(message, e))?;
        Ok(BlockAnswer { fields, payload })
    }

    /// The fields of a block answer that failed after its head had arrived.
    fn begun(&self, queries: usize, length: usize) -> Option<Box<Fields>> {
        match answer::block_head(&self.received, PROBES + queries, length) {
            Ok(Step::Done { value: BlockHead { fields, .. }, .. }) => {
                self.tag.answers(self.dialect, &fields, queries).ok().map(Box::new)
            }
            _ => None,
        }
    }

    fn compose<'a>(&mut self, settings: &[String], queries: impl Iterator<Item = &'a str>) -> String {
        self.tag = self.tag.next();
        self.tag.message(self.dialect, settings, queries)
    }

    /// Sends a message; returns the deadline of its answer, `busy_s` [s] after its last byte, and the instant at which that byte
    /// leaves the line.
    fn send(&mut self, message: &str, busy_s: f64) -> Result<(Deadline, UtcMicros), Fault> {
        if self.stop.requested() {
            return Err(Fault::Stopped);
        }
        if self.has_unsolicited_bytes()? {
            self.counters.unsolicited += 1;
            self.received.clear();
            self.link.drain()?;
        }
        self.counters.exchanges += 1;
        let outward_s = self.wire_s(message.len());
        let deadline = self.deadline(outward_s + PROCESSING_S + busy_s);
        self.link.write(message.as_bytes(), self.deadline(outward_s))?;
        // The port accepts the bytes at once and transmits them afterwards.
        Ok((deadline, self.clock.now().plus_seconds(outward_s)))
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
        let transfer = self.clock.real_for(span(self.wire_s(bytes.min(UNREAD_AT_MOST))));
        // The following read detects a stop.
        self.clock.pause(transfer, &self.stop);
        Ok(())
    }

    /// Reads the available bytes, waiting for at least one until the deadline; returns their number.
    fn read_more(&mut self, deadline: Deadline) -> Result<usize, Fault> {
        let mut piece = [0; 4096];
        let n = self.link.read(&mut piece, deadline)?;
        self.counters.bytes_received += n as u64;
        self.received.extend_from_slice(&piece[..n]);
        Ok(n)
    }

    /// Reads until `parse` returns an answer. Further bytes stay in the buffer and count as unsolicited.
    fn receive<T>(
        &mut self,
        message: &str,
        deadline: Deadline,
        most: usize,
        parse: impl Fn(&[u8]) -> Result<Step<T>, Malformed>,
    ) -> Result<T, Fault> {
        let started = self.clock.monotonic();
        loop {
            match parse(&self.received).map_err(|e| corrupt(message, e))? {
                Step::Done { value, used } => {
                    self.received.drain(..used);
                    return Ok(value);
                }
                Step::More if self.received.len() > most => {
                    let expected = format!("at most {most} bytes");
                    return Err(corrupt(message, Malformed { expected, found: shown(&self.received) }));
                }
                Step::More => {}
            }
            if self.stop.requested() {
                return Err(Fault::Stopped);
            }
            if self.read_more(deadline)? == 0 {
                return Err(Fault::NoAnswer {
                    command: message.trim_end().replace('\n', "\\n"),
                    waited: self.clock.monotonic().saturating_sub(started),
                    found: match self.received.len() {
                        0 => "nothing came".into(),
                        n => format!("only {n} bytes came: {}", shown(&self.received)),
                    },
                });
            }
        }
    }

    /// Ends a running exposure without waiting for an answer, when the daemon stops.
    pub fn abort(&mut self) {
        self.lose_step();
        let soon = self.clock.deadline(Duration::ZERO, Duration::from_millis(500));
        // A failure has no remedy here.
        let _ = self.link.write(format!("\n{}\n", self.dialect.abort).as_bytes(), soon);
    }
}

/// The fault for a malformed answer.
pub(super) fn corrupt(message: &str, e: Malformed) -> Fault {
    let command = message.trim_end().replace('\n', "\\n");
    Fault::Corrupt { command, expected: e.expected, found: e.found }
}
