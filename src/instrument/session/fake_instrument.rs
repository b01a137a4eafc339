//! A small instrument for the tests of this module: answers in stepped time and alters its answers on demand.
//!
//! Records every exposure it made, so that a test can verify a returned exposure.

use crate::clock::{Clock, Deadline, SteppedClock, Stop, UtcMicros};
use crate::fault::Fault;
use crate::instrument::Link;
use crate::record::{Exposure, Frame, Shutter};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};

/// A piece of an answer and its delay after the previous piece [s].
pub type Piece = (f64, Vec<u8>);
/// The alteration of one answer.
pub type Alteration = Box<dyn FnMut(Vec<u8>) -> Vec<Piece> + Send>;

/// A piece of an answer in transfer.
struct PendingPiece {
    due: UtcMicros,
    /// When the instrument has it ready; an abort before that instant cancels it.
    made: UtcMicros,
    exposing: bool,
    bytes: Vec<u8>,
}

/// The true parameters of one exposure.
#[derive(Clone, Debug)]
pub struct Truth {
    pub start: UtcMicros,
    pub integration_s: f64,
    pub shutter: Shutter,
    pub counts: Vec<u32>,
}

/// State of the instrument.
pub struct FakeState {
    pub clock: Arc<SteppedClock>,
    pub stop: Stop,
    pub serial: String,
    pub pixels: usize,
    pub full_scale: u32,
    pub has_shutter: bool,
    pub temperature: f64,
    pub aperture: f64,
    shutter: Shutter,
    format: String,
    order: String,
    pub errors: VecDeque<String>,
    last: Option<(Vec<u8>, f64)>,
    before_last: Option<(Vec<u8>, f64)>,
    /// Answers a fetch with the block before the last one.
    pub forgets_block: bool,
    pub truth: Vec<Truth>,
    /// Messages received, in order.
    pub received: Vec<String>,
    /// Alterations of the answers to the next messages that contain the word, in order.
    pub alterations: VecDeque<(&'static str, Alteration)>,
    /// Restarts before the next message that contains the word.
    pub restart_before: Option<&'static str>,
    /// The device is unplugged.
    pub unplugged: bool,
    /// Raises the stop flag at the first wait for an answer.
    pub stop_when_waiting: bool,
    busy_until: UtcMicros,
    inbox: Vec<u8>,
    outbox: VecDeque<PendingPiece>,
    pub opened: u32,
}

impl FakeState {
    fn reset(&mut self) {
        (self.aperture, self.shutter) = (0.001, Shutter::Open);
        (self.format, self.order) = ("ASC".into(), "NORM".into());
        self.last = None;
    }

    fn block(&self, payload: &[u8]) -> Vec<u8> {
        if self.format == "ASC" {
            return payload.iter().map(u8::to_string).collect::<Vec<_>>().join(",").into_bytes();
        }
        let length = payload.len().to_string();
        let mut block = format!("#{}{length}", length.len()).into_bytes();
        block.extend(payload);
        block
    }

    fn expose(&mut self) -> Vec<u8> {
        let n = self.truth.len() as u32;
        let counts: Vec<u32> =
            (0..self.pixels as u32).map(|i| (n * 997 + i * 31 + 5) % (self.full_scale.min(60_000) + 1)).collect();
        let start = self.busy_until.max(self.clock.now());
        let (integration_s, shutter) = (self.aperture, self.shutter);
        let payload = counts
            .iter()
            .flat_map(|c| match self.format.as_str() {
                "UINT,32" => c.to_be_bytes().to_vec(),
                _ => (*c as u16).to_be_bytes().to_vec(),
            })
            .collect();
        self.truth.push(Truth { start, integration_s, shutter, counts });
        self.before_last = self.last.replace((payload, integration_s));
        self.last.clone().unwrap_or_default().0
    }

    fn command(&mut self, command: &str) -> Option<Vec<u8>> {
        let (head, value) = command.split_once(' ').unwrap_or((command, ""));
        let word = |s: &str| Some(s.as_bytes().to_vec());
        match (head, value) {
            ("*OPC?", _) => word("1"),
            (":SYST:VERS?", _) => word("1999.0"),
            ("*IDN?", _) => word(&format!("Invented Optics,VS-16,{},1.0", self.serial)),
            ("*CLS", _) => {
                self.errors.clear();
                None
            }
            // Pieces already in transfer still arrive: the command does not reach a queue in between.
            (":ABOR", _) => {
                let now = self.clock.now();
                self.busy_until = now;
                self.outbox.retain(|c| !(c.exposing && c.made > now));
                None
            }
            (":SYST:ERR?", _) => word(&self.errors.pop_front().unwrap_or("0,\"No error\"".into())),
            (":SENS:DET:SIZE?", _) => word(&self.pixels.to_string()),
            (":SENS:DET:FSC?", _) => word(&self.full_scale.to_string()),
            (":SENS:DET:MASK?", _) => word("0,1"),
            (":SENS:APER?", "MIN") => word("0.001"),
            (":SENS:APER?", "MAX") => word("60"),
            (":SENS:APER?", _) => word(&self.aperture.to_string()),
            (":SENS:APER", s) => {
                match s.parse::<f64>() {
                    // Resolution of the instrument: 10 µs.
                    Ok(s) if (0.001..=60.0).contains(&s) => self.aperture = (s * 1e5).round() / 1e5,
                    _ => self.errors.push_back("-222,\"Data out of range;:SENS:APER\"".into()),
                }
                None
            }
            (":INP:SHUT?", _) if self.has_shutter => word(if self.shutter == Shutter::Open { "OPEN" } else { "CLOS" }),
            (":INP:SHUT", s) if self.has_shutter => {
                self.shutter = if s == "OPEN" { Shutter::Open } else { Shutter::Closed };
                None
            }
            (":INP:SHUT" | ":INP:SHUT?", _) => {
                self.errors.push_back("-241,\"Hardware missing\"".into());
                None
            }
            (":MEAS:TEMP?", _) => word(&self.temperature.to_string()),
            (":FORM?", _) => word(&self.format.clone()),
            (":FORM", s) => {
                self.format = s.into();
                None
            }
            (":FORM:BORD?", _) => word(&self.order.clone()),
            (":FORM:BORD", s) => {
                self.order = s.into();
                None
            }
            (":FETC:CRC?", _) => match &self.last {
                Some(last) => word(&crc32fast::hash(&last.0).to_string()),
                None => None,
            },
            (":FETC?", _) if self.forgets_block => {
                self.forgets_block = false;
                self.last = self.before_last.take();
                self.last.clone().map(|last| self.block(&last.0))
            }
            (":FETC?", _) => self.last.clone().map(|last| self.block(&last.0)),
            (":READ?", _) => {
                let payload = self.expose();
                Some(self.block(&payload))
            }
            ("", _) => None,
            _ => {
                self.errors.push_back("-113,\"Undefined header\"".into());
                None
            }
        }
    }

    fn message(&mut self, message: &str) {
        self.received.push(message.to_owned());
        if let Some(word) = self.restart_before
            && message.contains(word)
        {
            self.restart_before = None;
            self.reset();
        }
        let mut busy_s = 0.001;
        let mut answers: Vec<Vec<u8>> = Vec::new();
        for command in message.split(';') {
            if command == ":READ?" {
                busy_s += self.aperture;
            }
            answers.extend(self.command(command));
        }
        if answers.is_empty() {
            return;
        }
        let mut bytes = answers.join(&b';');
        bytes.push(b'\n');
        let spoil = self.alterations.iter().position(|(word, _)| message.contains(word));
        let pieces = match spoil.and_then(|i| self.alterations.remove(i)) {
            Some((_, mut spoil)) => spoil(bytes),
            None => vec![(0.0, bytes)],
        };
        self.busy_until = self.busy_until.max(self.clock.now()).plus_seconds(busy_s);
        let mut due = self.busy_until;
        for (after_s, bytes) in pieces {
            due = due.plus_seconds(after_s);
            // Later pieces may overtake a delayed one.
            let at = self.outbox.partition_point(|c| c.due <= due);
            let (made, exposing) = (self.busy_until, message.contains(":READ?"));
            self.outbox.insert(at, PendingPiece { due, made, exposing, bytes });
        }
    }
}

/// The line to the fake instrument; clones share it.
#[derive(Clone)]
pub struct FakeLink(pub Arc<Mutex<FakeState>>);

impl FakeLink {
    pub fn new(clock: Arc<SteppedClock>, stop: Stop) -> Self {
        let mut state = FakeState {
            clock,
            stop,
            serial: "0042".into(),
            pixels: 16,
            full_scale: 65_535,
            has_shutter: true,
            temperature: 21.5,
            aperture: 0.001,
            shutter: Shutter::Open,
            format: String::new(),
            order: String::new(),
            errors: VecDeque::new(),
            last: None,
            before_last: None,
            forgets_block: false,
            truth: Vec::new(),
            received: Vec::new(),
            alterations: VecDeque::new(),
            restart_before: None,
            unplugged: false,
            stop_when_waiting: false,
            busy_until: UtcMicros(0),
            inbox: Vec::new(),
            outbox: VecDeque::new(),
            opened: 0,
        };
        state.reset();
        Self(Arc::new(Mutex::new(state)))
    }

    /// Alters the answer to the next message that contains `word`.
    pub fn alter(&self, word: &'static str, alteration: impl FnMut(Vec<u8>) -> Vec<Piece> + Send + 'static) {
        self.0.lock().unwrap().alterations.push_back((word, Box::new(alteration)));
    }

    /// Panics unless the exposure happened as returned, after `since`.
    pub fn assert_happened(&self, e: &Exposure, since: UtcMicros) {
        let state = self.0.lock().unwrap();
        let truth = state.truth.iter().find(|t| t.counts == e.counts);
        let truth = truth.unwrap_or_else(|| panic!("these counts were never taken: {:?}", e.counts));
        assert!(truth.start >= since, "an old exposure was returned");
        assert!((truth.start.seconds_since(e.start)).abs() < 0.02, "start {} instead of {}", e.start, truth.start);
        assert!(Frame::same_integration(truth.integration_s, e.integration_s), "{e:?}");
        assert_eq!(truth.shutter, e.shutter);
    }

    fn there(&self) -> Result<std::sync::MutexGuard<'_, FakeState>, Fault> {
        let state = self.0.lock().unwrap();
        match state.unplugged {
            true => Err(Fault::Absent { path: "fake".into(), why: "unplugged".into() }),
            false => Ok(state),
        }
    }
}

impl Link for FakeLink {
    fn write(&mut self, bytes: &[u8], _: Deadline) -> Result<(), Fault> {
        let mut state = self.there()?;
        state.inbox.extend_from_slice(bytes);
        while let Some(end) = state.inbox.iter().position(|b| *b == b'\n') {
            let line: Vec<u8> = state.inbox.drain(..=end).collect();
            state.message(String::from_utf8_lossy(&line).trim_end());
        }
        Ok(())
    }

    fn read(&mut self, buffer: &mut [u8], deadline: Deadline) -> Result<usize, Fault> {
        let mut state = self.there()?;
        let until = state.clock.instant(deadline);
        if state.stop_when_waiting && until > state.clock.now() {
            state.stop.request();
        }
        let ready = state.outbox.front().is_some_and(|c| c.due <= until);
        let Some(mut first) = ready.then(|| state.outbox.pop_front()).flatten() else {
            state.clock.advance_to(until);
            return Ok(0);
        };
        state.clock.advance_to(first.due);
        let n = first.bytes.len().min(buffer.len());
        buffer[..n].copy_from_slice(&first.bytes[..n]);
        first.bytes.drain(..n);
        if !first.bytes.is_empty() {
            state.outbox.push_front(first);
        }
        match n {
            // An empty piece has no bytes to read.
            0 => {
                drop(state);
                self.read(buffer, deadline)
            }
            n => Ok(n),
        }
    }

    fn drain(&mut self) -> Result<(), Fault> {
        loop {
            let soon = Deadline(self.there()?.clock.monotonic() + std::time::Duration::from_millis(100));
            if self.read(&mut [0; 512], soon)? == 0 {
                return Ok(());
            }
        }
    }

    fn reopen(&mut self) -> Result<(), Fault> {
        let mut state = self.there()?;
        state.opened += 1;
        Ok(())
    }

    fn close(&mut self) {}

    fn name(&self) -> &str {
        "fake"
    }
}
