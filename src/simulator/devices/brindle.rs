//! Brindle 3: lines of text with echo and prompt (`config/dialects/examples/brindle.md`).

use super::body::{Body, Frame, Reply, earlier};
use crate::clock::UtcMicros;
use crate::simulator::faults::FaultRule;
use crate::simulator::simulated_station::SimulatedStation;
use crate::simulator::wire::Wire;
use std::fmt::Write as _;

const PROMPT: &str = "b3> ";
/// Longest command [characters].
const COMMAND_MAX: usize = 24;
/// Dummy values before the pixels.
const DUMMIES: usize = 8;
/// Values on a line of a dump.
const ON_A_LINE: usize = 10;
const CONTROL_C: u8 = 3;

/// The device.
pub struct Brindle {
    body: Body,
    typed: Vec<u8>,
    /// When the prompt has left; `None` while a command runs.
    ready_at: Option<UtcMicros>,
    /// Start and end of the running exposure.
    exposing: Option<(UtcMicros, UtcMicros)>,
    /// When the banner is due.
    banner_at: Option<UtcMicros>,
    frame: Option<Frame>,
    number: u32,
}

impl Brindle {
    /// The device at a station, after its start.
    pub fn new(station: SimulatedStation) -> Self {
        let body = Body::new(station, 10.0);
        let ready_at = Some(body.deaf_until);
        Self { body, typed: Vec::new(), ready_at, exposing: None, banner_at: None, frame: None, number: 0 }
    }

    fn run(&mut self, now: UtcMicros) {
        if let Some(at) = self.banner_at.filter(|at| *at <= now) {
            self.banner_at = None;
            self.say(at, "BRINDLE 3 READY");
            self.prompt(at);
        }
        if let Some((start, end)) = self.exposing.filter(|(_, end)| *end <= now) {
            self.exposing = None;
            let frame = self.body.expose(start, end.seconds_since(start), self.number);
            self.frame = Some(frame);
            self.reply(end, &format!("DONE {:05}", self.number), true);
        }
    }

    fn say(&mut self, at: UtcMicros, text: &str) {
        self.body.line.send(at, text.as_bytes());
        self.body.line.send(at, b"\r\n");
    }

    fn prompt(&mut self, at: UtcMicros) {
        self.body.line.send(at, PROMPT.as_bytes());
        self.ready_at = Some(self.body.line.free_at());
    }

    /// Answers a line, with the prompt if the command ends with it.
    fn reply(&mut self, at: UtcMicros, text: &str, prompt: bool) {
        let rules = self.body.rules(at);
        self.reply_with(at, text, prompt, &rules);
    }

    fn reply_with(&mut self, at: UtcMicros, text: &str, prompt: bool, rules: &[FaultRule]) {
        let bytes = format!("{text}\r\n{}", if prompt { PROMPT } else { "" }).into_bytes();
        match self.body.answer(at, bytes, rules) {
            Reply::Sent if prompt => self.ready_at = Some(self.body.line.free_at()),
            Reply::Silent if prompt => self.ready_at = Some(at),
            Reply::Sent | Reply::Silent => {}
            Reply::Restarted => {
                self.typed.clear();
                (self.exposing, self.frame, self.ready_at) = (None, None, None);
                self.banner_at = Some(self.body.deaf_until);
            }
        }
    }

    fn receive_byte(&mut self, byte: u8, now: UtcMicros) {
        if byte == CONTROL_C {
            self.typed.clear();
            self.exposing = None;
            self.body.line.clear(now);
            self.say(now, "^C");
            self.prompt(now);
            return;
        }
        if self.ready_at.is_none_or(|at| now < at) || byte == b'\n' {
            return;
        }
        if byte == b'\r' {
            self.body.line.send(now, b"\r\n");
            let typed = std::mem::take(&mut self.typed);
            self.ready_at = None;
            self.command(&typed, now);
        } else {
            self.body.line.send(now, &[byte]);
            self.typed.push(byte);
        }
    }

    fn command(&mut self, typed: &[u8], now: UtcMicros) {
        let text = String::from_utf8_lossy(typed).to_ascii_uppercase();
        let mut words = text.split_whitespace();
        let (command, value, more) = (words.next(), words.next(), words.next());
        let at = now.max(self.body.line.free_at());
        if typed.len() > COMMAND_MAX || more.is_some() {
            return self.reply(at, "E1 COMMAND", true);
        }
        match (command, value) {
            (None, _) => self.prompt(at),
            (Some("ID"), None) => {
                let serial = self.body.serial(now, "009999");
                let id = &self.body.station.settings().identity;
                let text = format!("{},S/N {serial},FW {}", id.model, id.firmware);
                self.reply(at, &text, true);
            }
            (Some("IT"), None) => self.reply(at, &format!("IT {}", micros(self.body.integration_s)), true),
            (Some("IT"), Some(value)) => self.set_integration(at, value),
            (Some("SH"), None) => self.reply(at, if self.body.open { "SH O" } else { "SH C" }, true),
            (Some("SH"), Some("O")) => self.set_shutter(at, true),
            (Some("SH"), Some("C")) => self.set_shutter(at, false),
            (Some("SH"), Some(_)) => self.reply(at, "E2 RANGE", true),
            (Some("TMP"), None) => {
                let tenths = (self.body.temperature_c(now) * 10.0).round() as i32;
                self.reply(at, &format!("TMP {tenths:+05}"), true);
            }
            (Some("EXP"), None) => self.start(at),
            (Some("DMP"), None) => self.dump(at),
            _ => self.reply(at, "E1 COMMAND", true),
        }
    }

    fn set_integration(&mut self, at: UtcMicros, value: &str) {
        let seconds = value.parse::<u64>().ok().map(|us| (us / 10 * 10) as f64 * 1e-6);
        match seconds.filter(|s| self.body.takes(*s)) {
            Some(seconds) => {
                self.body.integration_s = seconds;
                self.reply(at, &format!("IT {}", micros(seconds)), true);
            }
            None => self.reply(at, "E2 RANGE", true),
        }
    }

    /// The line comes at once, the prompt when the blade rests.
    fn set_shutter(&mut self, at: UtcMicros, open: bool) {
        self.body.open = open;
        let settled = at.plus_seconds(self.body.station.settings().device.shutter_settling_s);
        self.reply(at, if open { "SH O" } else { "SH C" }, false);
        if self.banner_at.is_none() {
            self.prompt(settled);
        }
    }

    fn start(&mut self, at: UtcMicros) {
        self.number = self.number % 99_999 + 1;
        self.reply(at, &format!("EXP {:05}", self.number), false);
        if self.banner_at.is_none() {
            self.exposing = Some((at, at.plus_seconds(self.body.integration_s)));
        }
    }

    fn dump(&mut self, at: UtcMicros) {
        let Some(frame) = &mut self.frame else { return self.reply(at, "E3 NO FRAME", true) };
        let wrong = std::mem::take(&mut frame.wrong_checksum);
        let rules = frame.faults.take();
        let dummies = (0..DUMMIES as u32).map(|i| 38 + (i * 5 + frame.number) % 6);
        let values: Vec<u32> = dummies.chain(frame.counts.iter().copied()).collect();
        let shutter = if frame.open { 'O' } else { 'C' };
        let mut text = format!("DMP {:05} {} {shutter} {}\r\n", frame.number, micros(frame.length_s), values.len());
        for line in values.chunks(ON_A_LINE) {
            let line: Vec<String> = line.iter().map(|v| format!("{v:05}")).collect();
            text.push_str(&line.join(" "));
            text.push_str("\r\n");
        }
        let sum = values.iter().sum::<u32>() & 0xffff;
        // Writing to a string cannot fail.
        let _ = write!(text, "SUM {:04X}", if wrong { sum ^ 0xffff } else { sum });
        let rules = rules.unwrap_or_else(|| self.body.rules(at));
        self.reply_with(at, &text, true, &rules);
    }
}

fn micros(seconds: f64) -> u64 {
    (seconds * 1e6).round() as u64
}

impl Wire for Brindle {
    fn receive(&mut self, bytes: &[u8], now: UtcMicros) {
        self.run(now);
        if !self.body.is_deaf(now) {
            bytes.iter().for_each(|byte| self.receive_byte(*byte, now));
        }
    }
    fn transmit(&mut self, now: UtcMicros, amount: (usize, usize), out: &mut Vec<u8>) {
        self.run(now);
        self.body.line.transmit(now, amount, out);
    }
    fn next_due(&self, want: usize) -> Option<UtcMicros> {
        let event = earlier(self.banner_at, self.exposing.map(|(_, end)| end));
        earlier(self.body.line.next_due(want), event)
    }
    fn byte_s(&self) -> f64 {
        self.body.line.byte_s()
    }
    fn hang_ups(&self) -> u64 {
        self.body.hang_ups()
    }
    fn hung_up_until(&self) -> UtcMicros {
        self.body.hung_up_until()
    }
    fn station(&self) -> &SimulatedStation {
        &self.body.station
    }
    fn station_mut(&mut self) -> &mut SimulatedStation {
        &mut self.body.station
    }
}

#[cfg(test)]
#[path = "brindle_tests.rs"]
mod tests;
