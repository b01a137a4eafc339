//! The device of the instrument: bytes and time in, bytes and the time they are due out.
//!
//! No I/O and no clock: an adapter (pseudo-terminal, in-process link) moves the bytes and tells the time. All times are
//! simulated ones. What must stay true: commands are done one after another; an exposure ends exactly when its
//! integration time is over; bytes leave no faster than the line allows; the stored block stays right whatever is done
//! to the copy on the line.

use super::command_parser::{Command, CommandParser, Format, Number, ScpiError};
use super::faults::{FaultKind, FaultRule};
use super::world::Bench;
use crate::clock::UtcMicros;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use rand_pcg::Pcg64Mcg;
use std::collections::VecDeque;

/// Longest program message [bytes]; a longer one is thrown away with −310.
const MESSAGE_MAX: usize = 4096;
/// Messages that may wait while the instrument is busy; more are thrown away with −310.
const WAITING_MAX: usize = 64;
/// Errors the queue holds.
const ERRORS_MAX: usize = 16;

/// What the commands set.
#[derive(Clone, Copy, Debug)]
struct State {
    aperture_s: f64,
    open: bool,
    format: Format,
    swapped: bool,
}

/// The last block as it was sent first.
#[derive(Clone, Debug)]
struct Block {
    /// Payload in the format of that time, with its `#` header where that is binary.
    answer: Vec<u8>,
    /// Of the payload alone.
    crc32: u32,
}

/// A message being done.
#[derive(Debug)]
struct Message {
    units: VecDeque<String>,
    parser: CommandParser,
    answers: Vec<Vec<u8>>,
    /// Faults that strike a reading's answer, and whether there is a reading in it.
    struck: Option<Vec<FaultRule>>,
    /// `READ?` or `FETCh?` was there: nothing may follow.
    closed: bool,
}

/// Bytes on their way out.
#[derive(Debug)]
struct Outgoing {
    starts: UtcMicros,
    bytes: Vec<u8>,
    sent: usize,
}

/// The device.
pub struct Device {
    bench: Bench,
    state: State,
    errors: VecDeque<ScpiError>,
    line: Vec<u8>,
    overlong: bool,
    waiting: VecDeque<(UtcMicros, Vec<u8>)>,
    message: Option<Message>,
    /// Beginning and end of the running exposure.
    exposure: Option<(UtcMicros, UtcMicros)>,
    /// When the last command was done.
    free_at: UtcMicros,
    deaf_until: UtcMicros,
    gone_until: UtcMicros,
    hang_ups: u64,
    block: Option<Block>,
    outgoing: VecDeque<Outgoing>,
    line_free: UtcMicros,
    byte_s: f64,
    reads: u64,
    random: Pcg64Mcg,
}

impl Device {
    /// A device before a bench.
    pub fn new(bench: Bench) -> Self {
        let began = bench.began();
        Self {
            state: State {
                aperture_s: bench.settings().device.aperture_min_s,
                open: true,
                format: Format::Ascii,
                swapped: false,
            },
            byte_s: 10.0 / f64::from(bench.settings().baud),
            random: Pcg64Mcg::seed_from_u64(bench.settings().seed ^ 0x7e_3b0),
            bench,
            errors: VecDeque::new(),
            line: Vec::new(),
            overlong: false,
            waiting: VecDeque::new(),
            message: None,
            exposure: None,
            free_at: began,
            deaf_until: began,
            gone_until: began,
            hang_ups: 0,
            block: None,
            outgoing: VecDeque::new(),
            line_free: began,
            reads: 0,
        }
    }

    /// The world behind the device, to change while it runs.
    pub fn bench_mut(&mut self) -> &mut Bench {
        &mut self.bench
    }

    /// The world behind the device.
    pub fn bench(&self) -> &Bench {
        &self.bench
    }

    /// Number of exposures asked for so far.
    pub fn reads(&self) -> u64 {
        self.reads
    }

    /// Whether the line is hung up at `now`.
    pub fn gone(&self, now: UtcMicros) -> bool {
        now < self.gone_until
    }

    /// When a hang-up ends; in the past when there is none.
    pub fn gone_until(&self) -> UtcMicros {
        self.gone_until
    }

    /// Number of hang-ups so far, so that an adapter notices one that is already over.
    pub fn hang_ups(&self) -> u64 {
        self.hang_ups
    }

    /// Takes bytes that arrive at `now`.
    pub fn take(&mut self, bytes: &[u8], now: UtcMicros) {
        self.run(now);
        if now < self.deaf_until || self.gone(now) {
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
                self.error(ScpiError::System);
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

    /// Moves to `now` and appends to `out` at most `most` of the bytes that have left by then, in portions of `least` or the rest of
    /// what is on its way.
    pub fn give(&mut self, now: UtcMicros, (least, most): (usize, usize), out: &mut Vec<u8>) {
        self.run(now);
        let mut room = most;
        while let Some(first) = self.outgoing.front_mut() {
            let elapsed = now.seconds_since(first.starts);
            let left = ((elapsed / self.byte_s) + 1e-6).floor().max(0.0) as usize;
            let until = left.min(first.bytes.len()).min(first.sent.saturating_add(room));
            if until == first.bytes.len() || until >= first.sent.saturating_add(least.min(room)) {
                out.extend_from_slice(&first.bytes[first.sent..until]);
                room -= until - first.sent;
                first.sent = until;
            }
            if first.sent < first.bytes.len() {
                break;
            }
            self.outgoing.pop_front();
        }
    }

    /// When something is next to happen: `want` more bytes out (or the end of what is on its way), or a step inside.
    pub fn next_due(&self, want: usize) -> Option<UtcMicros> {
        let out = self.outgoing.front().map(|first| {
            let until = first.sent.saturating_add(want.max(1)).min(first.bytes.len());
            UtcMicros(first.starts.0 + (until as f64 * self.byte_s * 1e6).ceil() as i64)
        });
        let step = if let Some((_, end)) = self.exposure {
            Some(end)
        } else if self.message.is_some() {
            Some(self.free_at)
        } else {
            self.waiting.front().map(|(arrived, _)| self.begins(*arrived))
        };
        match (out, step) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        }
    }

    /// Bytes the line moves in a real span, at least one.
    pub fn bytes_in(&self, clock: &dyn crate::clock::Clock, span: std::time::Duration) -> usize {
        let real = clock.real_for(std::time::Duration::from_secs_f64(self.byte_s)).as_secs_f64();
        if real > 0.0 { ((span.as_secs_f64() / real) as usize).max(1) } else { usize::MAX }
    }

    /// Throws away what is on its way out: the host closed the line.
    pub fn forget_outgoing(&mut self) {
        self.outgoing.clear();
        self.line_free = UtcMicros(self.line_free.0.min(self.free_at.0));
    }

    fn begins(&self, arrived: UtcMicros) -> UtcMicros {
        arrived.max(self.free_at).plus_seconds(self.bench.settings().device.latency_s)
    }

    /// Does everything that is due by `now`.
    fn run(&mut self, now: UtcMicros) {
        loop {
            if let Some((start, end)) = self.exposure {
                if end > now {
                    return;
                }
                self.exposure = None;
                self.free_at = end;
                self.exposed(start, end);
            } else if let Some(mut message) = self.message.take() {
                if self.free_at > now {
                    self.message = Some(message);
                    return;
                }
                match message.units.pop_front() {
                    Some(unit) => {
                        let heard = message.parser.hear(&unit);
                        self.message = Some(message);
                        self.obey(heard);
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
            struck: None,
            closed: false,
        });
    }

    fn obey(&mut self, heard: Result<Command, ScpiError>) {
        let Some(message) = &mut self.message else { return };
        if message.closed {
            return self.error(ScpiError::System);
        }
        match heard.and_then(|command| self.perform(command)) {
            Ok(Some(answer)) => {
                if let Some(message) = &mut self.message {
                    message.answers.push(answer);
                }
            }
            Ok(None) => {}
            Err(error) => self.error(error),
        }
    }

    /// Does one command; `Some` is its answer, if it is a query that answers at once.
    fn perform(&mut self, command: Command) -> Result<Option<Vec<u8>>, ScpiError> {
        let device = &self.bench.settings().device;
        let detector = &self.bench.settings().detector;
        let text = match command {
            Command::Identity => {
                let id = &self.bench.settings().identity;
                let other = self.bench.faults.lasts(FaultKind::OtherSerial, self.free_at);
                let serial = if other { "VB-9999" } else { &id.serial };
                format!("{},{},{serial},{}", id.maker, id.model, id.firmware)
            }
            Command::Reset => {
                self.state =
                    State { aperture_s: device.aperture_min_s, open: true, format: Format::Ascii, swapped: false };
                return Ok(None);
            }
            Command::ClearErrors => {
                self.errors.clear();
                return Ok(None);
            }
            Command::Complete => "1".into(),
            Command::SelfTest => device.self_test.to_string(),
            Command::NextError => {
                let (code, text) = self.errors.pop_front().map_or((0, "No error"), ScpiError::entry);
                format!("{code},\"{text}\"")
            }
            Command::Version => "1999.0".into(),
            Command::SetAperture(number) => {
                let value = match number {
                    Number::Value(value) => value,
                    Number::Min => device.aperture_min_s,
                    Number::Max => device.aperture_max_s,
                };
                if !(device.aperture_min_s..=device.aperture_max_s).contains(&value) {
                    return Err(ScpiError::DataOutOfRange);
                }
                let steps = (value / device.aperture_step_s).round();
                self.state.aperture_s =
                    (steps * device.aperture_step_s).clamp(device.aperture_min_s, device.aperture_max_s);
                return Ok(None);
            }
            Command::Aperture(which) => number(match which {
                None | Some(Number::Value(_)) => self.state.aperture_s,
                Some(Number::Min) => device.aperture_min_s,
                Some(Number::Max) => device.aperture_max_s,
            }),
            Command::Size => detector.pixels.to_string(),
            Command::FullScale => detector.full_scale.to_string(),
            Command::Masked if detector.shielded.is_empty() => "NONE".into(),
            Command::Masked => {
                detector.shielded.iter().map(|r| format!("{},{}", r[0], r[1])).collect::<Vec<_>>().join(",")
            }
            Command::SetShutter(_) | Command::Shutter if !device.shutter => return Err(ScpiError::HardwareMissing),
            Command::SetShutter(open) => {
                if open != self.state.open {
                    self.free_at = self.free_at.plus_seconds(device.shutter_settling_s);
                }
                self.state.open = open;
                return Ok(None);
            }
            Command::Shutter => if self.state.open { "OPEN" } else { "CLOS" }.into(),
            Command::Temperature if !device.temperature_sensor => "9.91E37".into(),
            Command::Temperature => {
                let noise: f64 = self.random.sample(StandardNormal);
                let true_c = self.bench.condition(self.free_at).temperature_c;
                format!("{:.3}", true_c + device.temperature_noise_k * noise)
            }
            Command::SetFormat(format) => {
                self.state.format = format;
                return Ok(None);
            }
            Command::Format => match self.state.format {
                Format::Uint16 => "UINT,16",
                Format::Uint32 => "UINT,32",
                Format::Ascii => "ASC",
            }
            .into(),
            Command::SetBorder(swapped) => {
                self.state.swapped = swapped;
                return Ok(None);
            }
            Command::Border => if self.state.swapped { "SWAP" } else { "NORM" }.into(),
            Command::Read => {
                self.reads += 1;
                self.exposure = Some((self.free_at, self.free_at.plus_seconds(self.state.aperture_s)));
                if let Some(message) = &mut self.message {
                    message.closed = true;
                }
                return Ok(None);
            }
            Command::Fetch => {
                let block = self.block.as_ref().ok_or(ScpiError::DataStale)?;
                if let Some(message) = &mut self.message {
                    message.closed = true;
                }
                return Ok(Some(block.answer.clone()));
            }
            Command::FetchCrc => self.block.as_ref().ok_or(ScpiError::DataStale)?.crc32.to_string(),
            // Nothing is exposing when a command is done, so there is nothing to end.
            Command::Abort => return Ok(None),
            Command::Wavelength => {
                detector.wavelength_coefficients.iter().map(|c| number(*c)).collect::<Vec<_>>().join(",")
            }
        };
        Ok(Some(text.into_bytes()))
    }

    /// An exposure is over: its block becomes the last one and the message's answer.
    fn exposed(&mut self, start: UtcMicros, end: UtcMicros) {
        let struck = self.bench.faults.strike(end, Some(self.reads));
        let length_s = end.seconds_since(start);
        let (counts, mut truth) = self.bench.expose(start, length_s, self.state.open);
        let stuck = struck.iter().any(|rule| rule.kind == FaultKind::RepeatedFrame);
        let block = match &self.block {
            Some(last) if stuck => last.clone(),
            _ => encode(&counts, self.state.format, self.state.swapped),
        };
        if let Some(truth) = &mut truth {
            truth.crc32 = block.crc32;
        }
        if let Some(truth) = truth {
            self.bench.truth.add(truth);
        }
        if let Some(message) = &mut self.message {
            message.answers.push(block.answer.clone());
            message.struck = Some(struck);
        }
        self.block = Some(block);
    }

    /// A message is done: its answers go out, if there are any and no fault forbids it.
    fn answer(&mut self, message: Message) {
        if message.answers.is_empty() {
            return;
        }
        let at = self.free_at;
        let struck = match message.struck {
            Some(struck) => struck,
            None => self.bench.faults.strike(at, None),
        };
        let payload_from = payload_start(&message.answers);
        let mut bytes = message.answers.join(&b';');
        bytes.push(b'\n');
        let (mut delay_s, mut pieces, mut gap_s, mut doubled) = (0.0, 1, 0.0, false);
        for rule in struck {
            match rule.kind {
                FaultKind::LateAnswer => delay_s += rule.seconds,
                FaultKind::Pieces => (pieces, gap_s) = (rule.count.max(1) as usize, rule.seconds),
                FaultKind::NoAnswer => return,
                FaultKind::DoubledAnswer => doubled = true,
                FaultKind::ShortBlock if bytes.len() > payload_from + 1 => {
                    bytes.remove(bytes.len() - 2);
                }
                FaultKind::LongBlock => bytes.insert(bytes.len() - 1, self.bench.faults.below(256) as u8),
                FaultKind::FlippedBit if bytes.len() > payload_from + 1 => {
                    let place = payload_from + self.bench.faults.below(bytes.len() - 1 - payload_from);
                    bytes[place] ^= 1 << self.bench.faults.below(8);
                }
                FaultKind::NoiseBefore => {
                    let noise: Vec<u8> = (0..rule.count).map(|_| self.bench.faults.below(256) as u8).collect();
                    bytes.splice(0..0, noise);
                }
                FaultKind::Restart => return self.restart(at),
                FaultKind::HangUp => {
                    self.hang_ups += 1;
                    self.gone_until = at.plus_seconds(rule.seconds);
                    self.waiting.clear();
                    self.line.clear();
                    return self.forget_outgoing();
                }
                FaultKind::ErrorQueueFills => {
                    for _ in 0..rule.count {
                        self.error(ScpiError::System);
                    }
                }
                _ => {}
            }
        }
        if doubled {
            bytes.extend_from_within(..);
        }
        let size = bytes.len().div_ceil(pieces);
        for (i, piece) in bytes.chunks(size).enumerate() {
            self.send(at.plus_seconds(delay_s + gap_s * i as f64), piece);
        }
    }

    fn send(&mut self, at: UtcMicros, bytes: &[u8]) {
        let starts = at.max(self.line_free);
        self.line_free = starts.plus_seconds(bytes.len() as f64 * self.byte_s);
        self.outgoing.push_back(Outgoing { starts, bytes: bytes.to_vec(), sent: 0 });
    }

    /// Power gone for a moment: everything set or stored is lost; the box stays as warm as it was.
    fn restart(&mut self, at: UtcMicros) {
        let device = &self.bench.settings().device;
        self.state = State { aperture_s: device.aperture_min_s, open: true, format: Format::Ascii, swapped: false };
        self.free_at = at.plus_seconds(device.boot_s);
        self.deaf_until = self.free_at;
        self.errors.clear();
        self.line.clear();
        self.waiting.clear();
        self.block = None;
        self.outgoing.clear();
        self.line_free = self.free_at;
    }

    fn error(&mut self, error: ScpiError) {
        if self.errors.len() < ERRORS_MAX {
            self.errors.push_back(error);
        } else if let Some(last) = self.errors.back_mut() {
            *last = ScpiError::QueueOverflow;
        }
    }
}

/// NR3 with enough digits to be read back exactly.
fn number(value: f64) -> String {
    format!("{value:E}")
}

fn is_abort(line: &[u8]) -> bool {
    let text = String::from_utf8_lossy(line);
    CommandParser::default().hear(&text) == Ok(Command::Abort)
}

/// Where the payload of the last answer begins in the joined message.
fn payload_start(answers: &[Vec<u8>]) -> usize {
    let before: usize = answers.iter().rev().skip(1).map(|a| a.len() + 1).sum();
    let header = match answers.last().map(Vec::as_slice) {
        Some([b'#', digits, ..]) => 2 + usize::from(digits.saturating_sub(b'0')),
        _ => 0,
    };
    before + header
}

fn encode(counts: &[u32], format: Format, swapped: bool) -> Block {
    let mut payload = Vec::with_capacity(counts.len() * 4);
    match format {
        Format::Uint16 => {
            for count in counts {
                // The converter's full scale is at most 65535 (checked in the settings).
                let word = (*count).min(0xffff) as u16;
                payload.extend_from_slice(&if swapped { word.to_le_bytes() } else { word.to_be_bytes() });
            }
        }
        Format::Uint32 => {
            for count in counts {
                payload.extend_from_slice(&if swapped { count.to_le_bytes() } else { count.to_be_bytes() });
            }
        }
        Format::Ascii => {
            let words: Vec<String> = counts.iter().map(u32::to_string).collect();
            payload = words.join(",").into_bytes();
        }
    }
    let mut answer = Vec::with_capacity(payload.len() + 12);
    if format != Format::Ascii {
        let length = payload.len().to_string();
        answer.extend_from_slice(format!("#{}{length}", length.len()).as_bytes());
    }
    answer.extend_from_slice(&payload);
    Block { crc32: crc32fast::hash(&payload), answer }
}

#[cfg(test)]
#[path = "device_tests.rs"]
mod tests;
