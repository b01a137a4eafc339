//! The device of the virtual spectrometer: bytes and times in, bytes and the times at which they are due out.
//!
//! Does no input or output and reads no clock: an adapter (pseudo-terminal or in-process link) moves the bytes and passes the time.
//! All times are simulated. [`commands`] performs commands, [`answers`] encodes blocks and applies faults of the line.
//!
//! Invariants:
//! - Commands are performed one after another.
//! - An exposure ends exactly when its integration time is over.
//! - Bytes leave no faster than the line rate allows.
//! - A fault of the line never changes the stored block.

mod answers;
mod commands;

use super::command_parser::{Command, CommandParser, Format, ScpiError};
use super::faults::{AppliesTo, FaultKind, FaultRule};
use super::line::Line;
use super::simulated_station::SimulatedStation;
use super::wire::Wire;
use super::wrong_counts::WrongCounts;
use crate::clock::UtcMicros;
use answers::{Block, encode};
use rand::SeedableRng;
use rand_pcg::Pcg64Mcg;
use std::collections::VecDeque;

/// Longest program message [bytes]; a longer one is discarded with error −310.
const MESSAGE_MAX: usize = 4096;
/// Most messages that wait while the instrument is busy; further ones are discarded with error −310.
const WAITING_MAX: usize = 64;
/// Length of the error queue.
const ERRORS_MAX: usize = 16;

/// What commands set and `*RST` resets.
#[derive(Clone, Copy, Debug)]
struct State {
    aperture_s: f64,
    shutter_open: bool,
    format: Format,
    swapped: bool,
}

impl State {
    fn default_of(station: &SimulatedStation) -> Self {
        let aperture_s = station.settings().device.aperture_min_s;
        Self { aperture_s, shutter_open: true, format: Format::Ascii, swapped: false }
    }
}

/// A message in progress.
#[derive(Debug)]
struct Message {
    units: VecDeque<String>,
    parser: CommandParser,
    answers: Vec<Vec<u8>>,
    /// Faults of the answer; `None` unless the message contains a reading.
    faults: Option<Vec<FaultRule>>,
    /// Whether the message contained `READ?` or `FETCh?`, after which no unit may follow.
    closed: bool,
}

/// The device.
pub struct Device {
    station: SimulatedStation,
    state: State,
    errors: VecDeque<ScpiError>,
    line: Vec<u8>,
    overlong: bool,
    waiting: VecDeque<(UtcMicros, Vec<u8>)>,
    message: Option<Message>,
    /// Start and end of the running exposure.
    exposure: Option<(UtcMicros, UtcMicros)>,
    /// When the last command was finished.
    free_at: UtcMicros,
    booting_until: UtcMicros,
    hung_up_until: UtcMicros,
    hang_ups: u64,
    block: Option<Block>,
    /// What earlier exposures leave for faults to send.
    wrong_counts: WrongCounts,
    /// What an earlier question was answered.
    earlier: Vec<u8>,
    out: Line,
    reads: u64,
    random: Pcg64Mcg,
}

impl Device {
    /// A device at a station.
    pub fn new(station: SimulatedStation) -> Self {
        let switched_on = station.switched_on();
        Self {
            state: State::default_of(&station),
            out: Line::new(10.0 / f64::from(station.settings().baud), switched_on),
            random: Pcg64Mcg::seed_from_u64(station.settings().seed ^ 0x7e_3b0),
            station,
            errors: VecDeque::new(),
            line: Vec::new(),
            overlong: false,
            waiting: VecDeque::new(),
            message: None,
            exposure: None,
            free_at: switched_on,
            booting_until: switched_on,
            hung_up_until: switched_on,
            hang_ups: 0,
            block: None,
            wrong_counts: WrongCounts::default(),
            earlier: Vec::new(),
            reads: 0,
        }
    }

    /// The station, to be changed while the device runs.
    pub fn station_mut(&mut self) -> &mut SimulatedStation {
        &mut self.station
    }

    /// The station.
    pub fn station(&self) -> &SimulatedStation {
        &self.station
    }

    /// Number of exposures requested so far.
    pub fn reads(&self) -> u64 {
        self.reads
    }

    /// Whether the line is hung up at `now`.
    pub fn hung_up(&self, now: UtcMicros) -> bool {
        now < self.hung_up_until
    }

    /// End of the latest hang-up; in the past where there is none.
    pub fn hung_up_until(&self) -> UtcMicros {
        self.hung_up_until
    }

    /// Number of hang-ups so far, so that an adapter detects one that has already ended.
    pub fn hang_ups(&self) -> u64 {
        self.hang_ups
    }

    /// Receives bytes that arrive at `now`.
    pub fn receive(&mut self, bytes: &[u8], now: UtcMicros) {
        self.run(now);
        if now < self.booting_until || self.hung_up(now) {
            return;
        }
        for &byte in bytes {
            if byte != b'\n' {
                self.overlong |= self.line.len() >= MESSAGE_MAX;
                if !self.overlong {
                    self.line.push(byte);
                }
                continue;
            }
            let line = std::mem::take(&mut self.line);
            if std::mem::take(&mut self.overlong) || self.waiting.len() >= WAITING_MAX {
                self.queue_error(ScpiError::System);
            } else if self.exposure.is_some() && is_abort(&line) {
                self.exposure = None;
                self.message = None;
                self.free_at = now;
            } else {
                self.waiting.push_back((now, line));
            }
        }
        self.run(now);
    }

    /// Advances to `now` and appends to `out` the bytes that have left by then: at most `most`, and at least `least` at a time unless
    /// fewer are left of an answer.
    pub fn transmit(&mut self, now: UtcMicros, amount: (usize, usize), out: &mut Vec<u8>) {
        self.run(now);
        self.out.transmit(now, amount, out);
    }

    /// Time of the next event: `want` more bytes have left (or the rest of an answer), or a command or exposure ends.
    pub fn next_due(&self, want: usize) -> Option<UtcMicros> {
        let step = if let Some((_, end)) = self.exposure {
            Some(end)
        } else if self.message.is_some() {
            Some(self.free_at)
        } else {
            self.waiting.front().map(|(arrived, _)| self.begins(*arrived))
        };
        match (self.out.next_due(want), step) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        }
    }

    /// Discards the bytes being transmitted: the host closed the line.
    pub fn discard_outgoing(&mut self) {
        self.out.clear(self.free_at);
    }

    fn begins(&self, arrived: UtcMicros) -> UtcMicros {
        arrived.max(self.free_at).plus_seconds(self.station.settings().device.latency_s)
    }

    /// Performs everything that is due by `now`.
    fn run(&mut self, now: UtcMicros) {
        loop {
            if let Some((start, end)) = self.exposure {
                if end > now {
                    return;
                }
                self.exposure = None;
                self.free_at = end;
                self.finish_exposure(start, end);
            } else if let Some(mut message) = self.message.take() {
                if self.free_at > now {
                    self.message = Some(message);
                    return;
                }
                match message.units.pop_front() {
                    Some(unit) => {
                        let command = message.parser.parse(&unit);
                        self.message = Some(message);
                        self.execute(command);
                    }
                    None => self.answer(message),
                }
            } else if let Some((arrived, _)) = self.waiting.front() {
                let begins = self.begins(*arrived);
                if begins > now {
                    return;
                }
                self.free_at = begins;
                if let Some((_, line)) = self.waiting.pop_front() {
                    self.open_message(&line);
                }
            } else {
                return;
            }
        }
    }

    fn open_message(&mut self, line: &[u8]) {
        let text = String::from_utf8_lossy(line);
        let text = text.trim();
        if text.is_empty() {
            return;
        }
        self.message = Some(Message {
            units: text.split(';').map(str::to_owned).collect(),
            parser: CommandParser::default(),
            answers: Vec::new(),
            faults: None,
            closed: false,
        });
    }

    fn execute(&mut self, command: Result<Command, ScpiError>) {
        let Some(message) = &mut self.message else { return };
        if message.closed {
            return self.queue_error(ScpiError::System);
        }
        match command.and_then(|command| self.perform(command)) {
            Ok(Some(answer)) => {
                if let Some(message) = &mut self.message {
                    message.answers.push(answer);
                }
            }
            Ok(None) => {}
            Err(error) => self.queue_error(error),
        }
    }

    /// Ends an exposure: its block becomes the stored block and the answer of the message. The truth is the light of this exposure,
    /// also where a fault sends the block of another one.
    fn finish_exposure(&mut self, start: UtcMicros, end: UtcMicros) {
        let open = self.state.shutter_open;
        let mut faults = self.station.faults.select(end, Some(self.reads));
        faults.retain(|rule| rule.applies_to != AppliesTo::Dark || !open);
        let length_s = end.seconds_since(start);
        let (counts, truth) = self.station.expose(start, length_s, open);
        let counts = self.wrong_counts.apply(counts, &faults, &mut self.station, end);
        let mut block = encode(&counts, self.state.format, self.state.swapped);
        let crc32 = block.crc32;
        if faults.iter().any(|rule| rule.kind == FaultKind::WrongChecksum) {
            block.crc32 = !crc32;
        }
        if let Some(mut truth) = truth {
            truth.crc32 = crc32;
            self.station.truth.add(truth);
        }
        if let Some(message) = &mut self.message {
            message.answers.push(block.answer.clone());
            message.faults = Some(faults);
        }
        self.block = Some(block);
    }

    fn queue_error(&mut self, error: ScpiError) {
        if self.errors.len() < ERRORS_MAX {
            self.errors.push_back(error);
        } else if let Some(last) = self.errors.back_mut() {
            *last = ScpiError::QueueOverflow;
        }
    }
}

impl Wire for Device {
    fn receive(&mut self, bytes: &[u8], now: UtcMicros) {
        Device::receive(self, bytes, now);
    }
    fn transmit(&mut self, now: UtcMicros, amount: (usize, usize), out: &mut Vec<u8>) {
        Device::transmit(self, now, amount, out);
    }
    fn next_due(&self, want: usize) -> Option<UtcMicros> {
        Device::next_due(self, want)
    }
    fn byte_s(&self) -> f64 {
        self.out.byte_s()
    }
    fn hang_ups(&self) -> u64 {
        self.hang_ups
    }
    fn hung_up_until(&self) -> UtcMicros {
        self.hung_up_until
    }
    fn station(&self) -> &SimulatedStation {
        &self.station
    }
    fn station_mut(&mut self) -> &mut SimulatedStation {
        &mut self.station
    }
}

fn is_abort(line: &[u8]) -> bool {
    let text = String::from_utf8_lossy(line);
    CommandParser::default().parse(&text) == Ok(Command::Abort)
}

#[cfg(test)]
#[path = "device_tests.rs"]
mod tests;
