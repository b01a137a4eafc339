//! One exchange on the line: a message out, its answer in, before a deadline.
//!
//! Knows framing and time, not what the words mean. What must stay true: **an answer is never taken for that of another
//! message.** Messages are numbered: each asks a few queries with known answers before its own, chosen so that they spell its
//! number, and an answer that comes late or twice spells another. (A checksum alone would not do: an old block and its old
//! checksum agree with each other.) After any fault the line is out of step, and nothing is asked before
//! [`Exchange::resynchronise`] has drained it and seen a known answer.

use super::answer::{self, Block, BlockHead, Malformed, Step};
use super::dialect::{Dialect, Probe};
use super::fields::Fields;
use super::link::Link;
use super::session::LinkCounters;
use crate::clock::{Clock, Deadline, STOP_SLICE, Stop, UtcMicros};
use crate::fault::Fault;
use std::sync::Arc;
use std::time::Duration;

/// What an answer may be late beyond light and transfer, on the monotonic scale.
const MARGIN: Duration = Duration::from_secs(2);
/// How long the instrument may think about a message before it answers, light apart [s].
const THINKING_S: f64 = 0.5;
/// Binary digits of a message's number.
const DIGITS: usize = 4;
/// Numbers in turn: a prime, so that the same few messages over and over do not meet the same numbers again.
const NUMBERS: usize = 13;
/// Attempts at seeing a known answer on a drained line; four of them outlast an instrument that starts anew.
const PROBINGS: usize = 4;
/// Share of the time its last like answer took that is slept through before an answer is looked for. It is less than all of it, so
/// that a line that has become faster is found out: what was there when the sleep was over took no longer than the sleep.
const SLEPT: f64 = 0.95;
/// What a text answer has at least [bytes]: nothing is slept through that the line could not take.
const LEAST_TEXT: usize = 40;
/// A shorter nap saves nothing: ports hand over what has come every millisecond or rarer, and who waits for a port wakes no oftener.
const LEAST_NAP: Duration = Duration::from_millis(2);
/// Bytes that may come while nobody reads: a terminal holds 4096 for its reader, and some adapters lose what comes beyond.
const HELD: usize = 3840;
/// Garbage that is read before a line is called babbling [bytes].
const MOST_WASTE: usize = 1 << 20;

fn span(seconds: f64) -> Duration {
    Duration::try_from_secs_f64(seconds).unwrap_or_default()
}

/// What a block's answer held.
#[derive(Debug)]
pub(super) struct BlockAnswer {
    /// The fields in front of the block.
    pub fields: Fields,
    /// The block's payload.
    pub payload: Vec<u8>,
}

/// A fault while a block was waited for.
#[derive(Debug)]
pub(super) struct BlockFault {
    /// The fault.
    pub fault: Fault,
    /// The fields in front of the block, when they and the block's own head had come: the exposure was over and the
    /// block is its.
    pub begun: Option<Box<Fields>>,
}

/// What came while an answer was looked for and was none.
#[derive(Debug, Default)]
struct Waste {
    bytes: usize,
    /// The last whole line of it.
    line: Vec<u8>,
}

/// How long answers take beyond light, by the last one of their kind, on the monotonic scale; unknown before there was one.
///
/// A serial port wakes whoever waits for it every few bytes. An answer that is slept through until it is nearly
/// whole costs one or two wake-ups instead of some hundred.
#[derive(Clone, Copy, Debug, Default)]
struct Pace {
    text: Option<Duration>,
    block: Option<Duration>,
}

/// The line to one instrument.
pub(super) struct Exchange {
    link: Box<dyn Link>,
    clock: Arc<dyn Clock>,
    stop: Stop,
    baud: u32,
    dialect: &'static Dialect,
    received: Vec<u8>,
    number: usize,
    in_step: bool,
    opened_before: bool,
    pace: Pace,
    /// What has happened so far.
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
            number: 0,
            in_step: false,
            opened_before: false,
            pace: Pace::default(),
            counters: LinkCounters::default(),
        }
    }

    /// Time bytes take on the line [s]: ten bits each.
    pub fn wire_s(&self, bytes: usize) -> f64 {
        bytes as f64 * 10.0 / f64::from(self.baud)
    }

    /// Whether nothing went wrong since the last resynchronising.
    pub fn in_step(&self) -> bool {
        self.in_step
    }

    /// Says that what comes next cannot be trusted to be an answer.
    pub fn lose_step(&mut self) {
        self.in_step = false;
    }

    pub fn name(&self) -> &str {
        self.link.name()
    }

    pub fn baud(&self) -> u32 {
        self.baud
    }

    /// Waits, for an answer that is later than its deadline to come and be thrown away.
    pub fn rest(&mut self, span: Duration) {
        // A stop that cuts it short is seen by whatever is asked next.
        self.clock.pause(span, &self.stop);
    }

    pub fn reopen(&mut self) -> Result<(), Fault> {
        self.lose_step();
        self.received.clear();
        self.pace = Pace::default();
        self.link.reopen()?;
        self.counters.reconnects += u64::from(self.opened_before);
        self.opened_before = true;
        Ok(())
    }

    pub fn close(&mut self) {
        self.lose_step();
        self.link.close();
    }

    /// Sends `settings`, asks `queries` and answers one field for each. The instrument may need `busy_s` for them [s].
    pub fn ask(&mut self, settings: &[String], queries: &[&str], busy_s: f64) -> Result<Fields, Fault> {
        let message = self.compose(settings, queries.iter().copied());
        let count = DIGITS + queries.len();
        let sent = self.clock.monotonic();
        let (deadline, _) = self.send(&message, busy_s + self.wire_s(answer::MAX_TEXT))?;
        // Settings may take their time, a shutter's for instance, which says nothing about other messages.
        let plain = settings.is_empty();
        let slept = match plain {
            true => self.sleep_through(sent, self.pace.text, Duration::ZERO, message.len() + LEAST_TEXT),
            false => Ok(()),
        };
        let received = slept.and_then(|()| self.receive(&message, deadline, answer::MAX_TEXT + 2, None, answer::text));
        let result = received.and_then(|fields| {
            self.own(&fields, count).map_err(|e| corrupt(&message, e))?;
            Ok(fields.behind(DIGITS))
        });
        if plain {
            self.pace.text = result.is_ok().then(|| self.since(sent));
        }
        self.in_step &= result.is_ok();
        result
    }

    /// Sends `settings`, asks `queries` and then `last`, whose answer is a block of `length` bytes that needs `light_s` to become,
    /// or so much more at most [s]. Sets `written` to the instant at which the message was through.
    pub fn ask_block(
        &mut self,
        settings: &[String],
        queries: &[&str],
        last: &str,
        length: usize,
        (light_s, more_s): (f64, f64),
        written: &mut UtcMicros,
    ) -> Result<BlockAnswer, BlockFault> {
        let message = self.compose(settings, queries.iter().copied().chain([last]));
        let count = DIGITS + queries.len();
        let most = answer::MAX_TEXT + length + 16;
        let (sent, light) = (self.clock.monotonic(), self.clock.real_for(span(light_s)));
        let deadline;
        (deadline, *written) = self
            .send(&message, light_s + more_s + self.wire_s(length + 256))
            .map_err(|fault| BlockFault { fault, begun: None })?;
        let pace = self.pace.block;
        let slept = self.sleep_through(sent, pace, light, message.len() + length);
        let parse = |bytes: &[u8]| {
            Ok(match answer::block(bytes, count, length)? {
                Step::More => Step::More,
                Step::Done { value: Block { fields, payload }, used } => {
                    Step::Done { value: BlockAnswer { fields, payload: payload.to_vec() }, used }
                }
            })
        };
        let whole = pace.map(|pace| (length, pace));
        let received = slept.and_then(|()| self.receive(&message, deadline, most, whole, parse));
        let result = match received {
            Ok(BlockAnswer { fields, payload }) => match self.own(&fields, count) {
                Ok(()) => Ok(BlockAnswer { fields: fields.behind(DIGITS), payload }),
                Err(e) => Err(BlockFault { fault: corrupt(&message, e), begun: None }),
            },
            Err(fault) => Err(BlockFault { fault, begun: self.begun(count, length) }),
        };
        self.pace.block = result.is_ok().then(|| self.since(sent).saturating_sub(light));
        self.in_step &= result.is_ok();
        result
    }

    /// Sleeps until an answer to what was begun at `sent` is nearly whole, where that is known: after the light, and the time
    /// such answers take, or that `bytes` take on the line where this is shorter. A device that hangs up is let go of
    /// within a slice all the same.
    fn sleep_through(
        &mut self,
        sent: Duration,
        pace: Option<Duration>,
        light: Duration,
        bytes: usize,
    ) -> Result<(), Fault> {
        let Some(pace) = pace else { return Ok(()) };
        let line = self.clock.real_for(span(self.wire_s(bytes)));
        let until = sent + light + pace.min(line).mul_f64(SLEPT).min(self.held());
        if let Some(watched) = until.checked_sub(STOP_SLICE).filter(|t| *t > self.clock.monotonic()) {
            let mut piece = [0; 256];
            let n = self.link.read(&mut piece, Deadline(watched))?;
            self.counters.bytes_received += n as u64;
            self.received.extend_from_slice(&piece[..n]);
        }
        self.nap(until.saturating_sub(self.clock.monotonic()));
        Ok(())
    }

    /// Sleeps for a span, or a slice of it; not where it is hardly worth it.
    fn nap(&self, span: Duration) {
        if span >= LEAST_NAP {
            // A stop that cuts it short is seen by whoever reads.
            self.clock.pause(span.min(STOP_SLICE), &self.stop);
        }
    }

    /// The longest nap while bytes come.
    fn held(&self) -> Duration {
        self.clock.real_for(span(self.wire_s(HELD)))
    }

    fn since(&self, moment: Duration) -> Duration {
        self.clock.monotonic().saturating_sub(moment)
    }

    /// The fields of a block answer that failed after its head had come.
    fn begun(&self, count: usize, length: usize) -> Option<Box<Fields>> {
        match answer::block_head(&self.received, count, length) {
            Ok(Step::Done { value: BlockHead { fields, .. }, .. }) if self.own(&fields, count).is_ok() => {
                Some(Box::new(fields.behind(DIGITS)))
            }
            _ => None,
        }
    }

    /// The digits of the current message's number.
    fn digits(&self) -> [&'static Probe; DIGITS] {
        std::array::from_fn(|i| &self.dialect.digits[self.number >> i & 1])
    }

    /// Whether fields are the answer to the current message, which has `count` of them.
    fn own(&self, fields: &Fields, count: usize) -> Result<(), Malformed> {
        let right = self.digits().map(|d| d.answer.as_ref());
        if fields.len() == count && fields.iter().zip(right).all(|(found, right)| found == right) {
            return Ok(());
        }
        Err(Malformed {
            expected: format!("{count} fields that start with {}", right.join(";")),
            found: format!("{} fields: {}", fields.len(), answer::shown(fields.line().as_bytes())),
        })
    }

    /// The text of the next message. Settings stand on a line of their own, so that a refused one cannot take the
    /// queries with it.
    fn compose<'a>(&mut self, settings: &[String], queries: impl Iterator<Item = &'a str>) -> String {
        self.number = (self.number + 1) % NUMBERS;
        let mut message = String::with_capacity(256);
        let mut line = |parts: &mut dyn Iterator<Item = &str>| {
            for (i, part) in parts.enumerate() {
                message.extend((i > 0).then_some(';'));
                message.push_str(part);
            }
            message.push('\n');
        };
        if !settings.is_empty() {
            line(&mut settings.iter().map(String::as_str));
        }
        let digits = self.digits().map(|d| d.query.as_ref());
        line(&mut digits.into_iter().chain(queries));
        message
    }

    /// Sends a message; answers the deadline of its answer, `busy_s` [s] after its last byte, and the instant at which
    /// that byte leaves the line.
    fn send(&mut self, message: &str, busy_s: f64) -> Result<(Deadline, UtcMicros), Fault> {
        let result = self.send_now(message, busy_s);
        self.in_step &= result.is_ok();
        result
    }

    fn send_now(&mut self, message: &str, busy_s: f64) -> Result<(Deadline, UtcMicros), Fault> {
        if self.stop.requested() {
            return Err(Fault::Stopped);
        }
        if self.something_came()? {
            self.counters.strays += 1;
            self.received.clear();
            self.link.drain()?;
        }
        self.counters.exchanges += 1;
        let outward_s = self.wire_s(message.len());
        let deadline = self.deadline(outward_s + THINKING_S + busy_s);
        self.link.write(message.as_bytes(), self.deadline(outward_s))?;
        // A port takes the bytes at once and shifts them out afterwards.
        Ok((deadline, self.clock.now().plus_seconds(outward_s)))
    }

    fn deadline(&self, simulated_s: f64) -> Deadline {
        self.clock.deadline(span(simulated_s), MARGIN)
    }

    /// Whether bytes are there that nobody has asked for.
    fn something_came(&mut self) -> Result<bool, Fault> {
        let now = Deadline(self.clock.monotonic());
        Ok(!self.received.is_empty() || self.link.read(&mut [0; 256], now)? > 0)
    }

    /// Reads until `parse` has its answer. What follows it stays in the buffer and will be found to be a stray.
    ///
    /// Most of what is still to come of one of `whole` bytes, that takes so long, is slept through before more is looked for.
    fn receive<T>(
        &mut self,
        message: &str,
        deadline: Deadline,
        most: usize,
        whole: Option<(usize, Duration)>,
        parse: impl Fn(&[u8]) -> Result<Step<T>, Malformed>,
    ) -> Result<T, Fault> {
        let started = self.clock.monotonic();
        let mut piece = [0; 4096];
        loop {
            match parse(&self.received).map_err(|e| corrupt(message, e))? {
                Step::Done { value, used } => {
                    self.received.drain(..used);
                    return Ok(value);
                }
                Step::More if self.received.len() > most => {
                    let expected = format!("at most {most} bytes");
                    return Err(corrupt(message, Malformed { expected, found: answer::shown(&self.received) }));
                }
                Step::More => {}
            }
            if self.stop.requested() {
                return Err(Fault::Stopped);
            }
            let n = self.link.read(&mut piece, deadline)?;
            if n == 0 {
                return Err(Fault::NoAnswer {
                    command: message.trim_end().replace('\n', "\\n"),
                    waited: self.clock.monotonic().saturating_sub(started),
                    found: match self.received.len() {
                        0 => "nothing came".into(),
                        n => format!("only {n} bytes came: {}", answer::shown(&self.received)),
                    },
                });
            }
            self.counters.bytes_received += n as u64;
            self.received.extend_from_slice(&piece[..n]);
            if let Some((bytes, pace)) = whole {
                let rest = bytes.saturating_sub(self.received.len());
                let line = self.clock.real_for(span(self.wire_s(rest)));
                let span = line.min(pace.mul_f64(rest as f64 / bytes.max(1) as f64)).mul_f64(SLEPT);
                self.nap(span.min(self.held()));
            }
        }
    }

    /// Ends a running exposure, without waiting for anything; for a daemon that is told to stop.
    pub fn abort(&mut self) {
        self.lose_step();
        let soon = self.clock.deadline(Duration::ZERO, Duration::from_millis(500));
        // Nothing is left to be done where even this does not go through.
        let _ = self.link.write(format!("\n{}\n", self.dialect.abort).as_bytes(), soon);
    }

    /// Brings both ends back in step: throws away what is on its way, ends whatever runs, and asks a query with a known
    /// answer, more often than any message has digits and more often each time, until exactly that answer comes.
    pub fn resynchronise(&mut self) -> Result<(), Fault> {
        self.lose_step();
        self.counters.resynchronisations += 1;
        self.received.clear();
        let started = self.clock.monotonic();
        let mut waste = Waste::default();
        // The first line end closes a message that may have been cut on its way out.
        let calm = format!("\n{}\n{}\n", self.dialect.abort, self.dialect.clear_errors);
        let probe = &self.dialect.digits[0];
        let repeated = |word: &str, times: usize| vec![word; times].join(";") + "\n";
        for probing in 1..=PROBINGS {
            let asked = repeated(&probe.query, DIGITS + probing);
            let right = repeated(&probe.answer, DIGITS + probing);
            self.link.write(calm.as_bytes(), self.deadline(self.wire_s(calm.len())))?;
            self.link.drain()?;
            self.received.clear();
            let deadline = self.deadline(self.wire_s(asked.len() * 2) + THINKING_S);
            self.link.write(asked.as_bytes(), deadline)?;
            if self.comes(right.trim_end(), deadline, &mut waste)? {
                self.received.clear();
                self.in_step = true;
                return Ok(());
            }
        }
        let command = repeated(&probe.query, DIGITS + PROBINGS).trim_end().to_owned();
        let waited = self.clock.monotonic().saturating_sub(started);
        if waste.bytes == 0 {
            return Err(Fault::NoAnswer { command, waited, found: "nothing came".into() });
        }
        let last = if waste.line.is_empty() { &self.received } else { &waste.line };
        let found = format!(
            "{} bytes within {waited:?}, none of them that, the last: {}",
            waste.bytes,
            answer::shown(last.trim_ascii())
        );
        Err(Fault::Corrupt { command, expected: "its answer".into(), found })
    }

    /// Reads lines until the right one comes (true) or the deadline passes (false).
    fn comes(&mut self, right: &str, deadline: Deadline, waste: &mut Waste) -> Result<bool, Fault> {
        let mut piece = [0; 4096];
        loop {
            while let Some(end) = self.received.iter().position(|b| *b == b'\n') {
                if self.received[..end].trim_ascii() == right.as_bytes() {
                    return Ok(true);
                }
                waste.line = self.received.drain(..=end).collect();
            }
            if self.received.len() > answer::MAX_TEXT {
                self.received.clear();
            }
            if self.stop.requested() {
                return Err(Fault::Stopped);
            }
            let n = self.link.read(&mut piece, deadline)?;
            waste.bytes += n;
            if n == 0 || waste.bytes > MOST_WASTE {
                return Ok(false);
            }
            self.received.extend_from_slice(&piece[..n]);
        }
    }
}

/// A fault for an answer that cannot be.
pub(super) fn corrupt(message: &str, e: Malformed) -> Fault {
    let command = message.trim_end().replace('\n', "\\n");
    Fault::Corrupt { command, expected: e.expected, found: e.found }
}
