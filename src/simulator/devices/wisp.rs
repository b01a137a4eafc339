//! W9: a free-running stream of frames with sync words and no checksum (`config/dialects/examples/wisp.md`).
//!
//! Frames that nobody can have received any more are not computed.

use super::body::{Body, Reply, earlier};
use crate::clock::UtcMicros;
use crate::simulator::simulated_station::SimulatedStation;
use crate::simulator::wire::Wire;

const SYNC: [u8; 4] = [0xff, 0xff, 0x9a, 0x39];
const IDENTITY_SYNC: [u8; 4] = [0xff, 0xff, 0x9a, 0x3a];
/// Shortest time between two frames [s].
const PERIOD_MIN_S: f64 = 0.1;
/// Units of integration times a second.
const UNITS_PER_S: f64 = 1e4;
/// Frames that wait for the host at most: the buffer of its serial port.
const WAITING_FRAMES: i64 = 8;

/// The device.
pub struct Wisp {
    body: Body,
    typed: Vec<u8>,
    /// Start of the running exposure.
    start: UtcMicros,
    /// Its integration time [s].
    running_s: f64,
    counter: u16,
    identify: bool,
}

impl Wisp {
    /// The device at a station, after its start.
    pub fn new(station: SimulatedStation) -> Self {
        let body = Body::new(station, 10.0);
        let (start, running_s) = (body.deaf_until, body.integration_s);
        Self { body, typed: Vec::new(), start, running_s, counter: 0, identify: false }
    }

    fn period_us(&self) -> i64 {
        (self.running_s.max(PERIOD_MIN_S) * 1e6).round() as i64
    }

    /// End of the running exposure's turn: its frame begins to be sent, and the next exposure begins.
    fn turn_ends(&self) -> UtcMicros {
        UtcMicros(self.start.0 + self.period_us())
    }

    fn run(&mut self, now: UtcMicros) {
        while self.turn_ends() <= now {
            let missed = (now.0 - self.start.0) / self.period_us() - WAITING_FRAMES;
            if missed > 0 && self.running_s == self.body.integration_s {
                self.counter = self.counter.wrapping_add(missed as u16);
                self.start.0 += missed * self.period_us();
                self.body.reads += missed as u64;
                self.body.line.clear(self.start);
                continue;
            }
            let end = self.turn_ends();
            self.send_frame(end);
            self.start = self.start.max(end);
            self.running_s = self.body.integration_s;
        }
    }

    fn send_frame(&mut self, end: UtcMicros) {
        if std::mem::take(&mut self.identify) {
            let serial = self.body.serial(end, "009999");
            let id = &self.body.station.settings().identity;
            let text = format!("{} SN{serial} R{}", id.model, id.firmware);
            self.body.line.send(end, &[&IDENTITY_SYNC[..], text.as_bytes()].concat());
        }
        let mut frame = self.body.expose(self.start, self.running_s, self.counter.into());
        let full_scale = self.body.station.settings().detector.full_scale;
        let clipped = frame.counts.iter().any(|c| *c >= full_scale);
        let units = (self.running_s * UNITS_PER_S).round() as u16;
        let mut bytes = SYNC.to_vec();
        for word in [self.counter, units, u16::from(clipped), 0] {
            bytes.extend(word.to_be_bytes());
        }
        bytes.extend(frame.counts.iter().rev().flat_map(|c| (*c as u16).to_be_bytes()));
        self.counter = self.counter.wrapping_add(1);
        let rules = frame.faults.take().unwrap_or_default();
        self.body.line.keep_at_most((WAITING_FRAMES as usize - 1) * bytes.len());
        if self.body.answer(end, bytes, &rules) == Reply::Restarted {
            self.typed.clear();
            self.counter = 0;
            self.start = self.body.deaf_until;
        }
    }

    fn receive_byte(&mut self, byte: u8) {
        self.typed.push(byte);
        // What is not understood is dropped byte by byte.
        loop {
            match self.typed[..] {
                [] | [b'T' | b'I'] | [b'T', _] | [b'I', 0] => return,
                [b'T', high, low] => {
                    let seconds = f64::from(u16::from_be_bytes([high, low])) / UNITS_PER_S;
                    if self.body.takes(seconds) {
                        self.body.integration_s = seconds;
                    }
                    return self.typed.clear();
                }
                [b'I', 0, 0] => {
                    self.identify = true;
                    return self.typed.clear();
                }
                _ => {
                    self.typed.remove(0);
                }
            }
        }
    }
}

impl Wire for Wisp {
    fn receive(&mut self, bytes: &[u8], now: UtcMicros) {
        self.run(now);
        if !self.body.is_deaf(now) {
            bytes.iter().for_each(|byte| self.receive_byte(*byte));
        }
    }
    fn transmit(&mut self, now: UtcMicros, amount: (usize, usize), out: &mut Vec<u8>) {
        self.run(now);
        self.body.line.transmit(now, amount, out);
    }
    fn next_due(&self, want: usize) -> Option<UtcMicros> {
        earlier(self.body.line.next_due(want), Some(self.turn_ends()))
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
#[path = "wisp_tests.rs"]
mod tests;
