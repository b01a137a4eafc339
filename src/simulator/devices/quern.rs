//! QS-M256: Modbus holding and input registers over RTU and TCP (`config/dialects/examples/quern.md`).

use super::body::{Body, Frame, Reply, earlier};
use crate::clock::UtcMicros;
use crate::simulator::faults::{FaultKind, FaultRule};
use crate::simulator::simulated_station::SimulatedStation;
use crate::simulator::wire::Wire;

/// Unit address on the serial line.
const UNIT: u8 = 17;
/// Most registers a request.
const REGISTERS_MAX: u16 = 64;
/// Silence that ends a message on the serial line [s].
const SILENCE_S: f64 = 0.02;
/// Units of integration times a second.
const UNITS_PER_S: f64 = 1e5;
/// First pixel register.
const PIXELS: u16 = 0x100;

const ILLEGAL_FUNCTION: u8 = 1;
const ILLEGAL_ADDRESS: u8 = 2;
const ILLEGAL_VALUE: u8 = 3;
const BUSY: u8 = 6;

/// How messages are framed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Transport {
    /// Unit address, message, CRC-16.
    Rtu,
    /// Header with transaction number and length, message.
    Tcp,
}

/// CRC-16 of Modbus.
pub fn crc16(bytes: &[u8]) -> u16 {
    let step = |crc: u16, _| if crc & 1 == 1 { (crc >> 1) ^ 0xa001 } else { crc >> 1 };
    bytes.iter().fold(0xffff, |crc, byte| (0..8).fold(crc ^ u16::from(*byte), step))
}

/// The device.
pub struct Quern {
    body: Body,
    transport: Transport,
    buffer: Vec<u8>,
    last_byte: UtcMicros,
    shutter_rests_at: UtcMicros,
    /// Start and end of the running exposure.
    exposing: Option<(UtcMicros, UtcMicros)>,
    frame: Option<Frame>,
    number: u16,
}

impl Quern {
    /// The device at a station, after its start.
    pub fn new(station: SimulatedStation, transport: Transport) -> Self {
        let baud = f64::from(station.settings().baud);
        // Even parity makes eleven bits a byte; a network is faster than anything here.
        let bits = if transport == Transport::Rtu { 11.0 } else { 1e-6 * baud };
        let body = Body::new(station, bits);
        let now = body.deaf_until;
        Self {
            body,
            transport,
            buffer: Vec::new(),
            last_byte: now,
            shutter_rests_at: now,
            exposing: None,
            frame: None,
            number: 0,
        }
    }

    fn run(&mut self, now: UtcMicros) {
        if let Some((start, end)) = self.exposing.filter(|(_, end)| *end <= now) {
            self.exposing = None;
            self.number = self.number % u16::MAX + 1;
            self.frame = Some(self.body.expose(start, end.seconds_since(start), self.number.into()));
        }
    }

    /// Takes the next whole message from the buffer: its header (transaction number and unit) and the message.
    fn next_message(&mut self) -> Option<(Vec<u8>, Vec<u8>)> {
        match self.transport {
            Transport::Rtu => {
                let length = match self.buffer[..] {
                    [_, 16, _, _, _, _, bytes, ..] => 9 + usize::from(bytes),
                    [_, 16, ..] => return None,
                    _ => 8,
                };
                if self.buffer.len() < length {
                    return None;
                }
                let message: Vec<u8> = self.buffer.drain(..length).collect();
                let (checked, crc) = message.split_at(length - 2);
                if crc != crc16(checked).to_le_bytes() {
                    // Out of step: what follows is ignored up to a silence.
                    self.buffer.clear();
                    return None;
                }
                Some((vec![checked[0]], checked[1..].to_vec()))
            }
            Transport::Tcp => {
                let [_, _, p0, p1, high, low, ..] = self.buffer[..] else { return None };
                let length = usize::from(u16::from_be_bytes([high, low]));
                if [p0, p1] != [0, 0] || !(2..=254).contains(&length) {
                    self.buffer.clear();
                    return None;
                }
                if self.buffer.len() < 6 + length {
                    return None;
                }
                let message: Vec<u8> = self.buffer.drain(..6 + length).collect();
                Some((vec![message[0], message[1], message[6]], message[7..].to_vec()))
            }
        }
    }

    fn framed(&self, header: &[u8], answer: &[u8]) -> Vec<u8> {
        match self.transport {
            Transport::Rtu => {
                let mut out = [header, answer].concat();
                out.extend(crc16(&out).to_le_bytes());
                out
            }
            Transport::Tcp => {
                let length = (answer.len() + 1) as u16;
                let [high, low] = length.to_be_bytes();
                [&[header[0], header[1], 0, 0, high, low, header[2]], answer].concat()
            }
        }
    }

    fn handle(&mut self, header: &[u8], message: &[u8], now: UtcMicros) {
        if self.transport == Transport::Rtu && header[0] != UNIT {
            return;
        }
        let function = message[0];
        let rules = self.rules_of(message, now);
        let answer = self.perform(message, now).unwrap_or_else(|exception| vec![function | 0x80, exception]);
        let bytes = self.framed(header, &answer);
        if self.body.answer(now, bytes, &rules) == Reply::Restarted {
            (self.exposing, self.frame, self.number) = (None, None, 0);
            self.buffer.clear();
        }
    }

    /// Faults of an answer. Those of a frame affect one of the requests for its pixels, once; TCP delivers what it delivers
    /// undamaged.
    fn rules_of(&mut self, message: &[u8], now: UtcMicros) -> Vec<FaultRule> {
        let turn = (self.body.reads % 4) as u16;
        let first = if let [4, high, low, ..] = message { u16::from_be_bytes([*high, *low]) } else { 0 };
        let its_turn = first >= PIXELS && (first - PIXELS) / REGISTERS_MAX == turn;
        let of_frame = self.frame.as_mut().filter(|_| its_turn).and_then(|frame| frame.faults.take());
        let mut rules = of_frame.unwrap_or_else(|| self.body.rules(now));
        if self.transport == Transport::Tcp {
            use FaultKind::{FlippedBit, LongBlock, LostBytes, NoiseBefore, ShortBlock};
            rules.retain(|rule| ![FlippedBit, LongBlock, LostBytes, NoiseBefore, ShortBlock].contains(&rule.kind));
        }
        rules
    }

    fn perform(&mut self, message: &[u8], now: UtcMicros) -> Result<Vec<u8>, u8> {
        match *message {
            [function @ (3 | 4), a1, a0, n1, n0] => {
                let (first, count) = (u16::from_be_bytes([a1, a0]), u16::from_be_bytes([n1, n0]));
                if !(1..=REGISTERS_MAX).contains(&count) {
                    return Err(ILLEGAL_VALUE);
                }
                let mut out = vec![function, (count * 2) as u8];
                for address in u32::from(first)..u32::from(first) + u32::from(count) {
                    let value = if function == 3 { self.holding(address) } else { self.input(address, now) };
                    out.extend(value.ok_or(ILLEGAL_ADDRESS)?.to_be_bytes());
                }
                if function == 4
                    && first <= 0x16
                    && first + count > 0x16
                    && let Some(frame) = &mut self.frame
                {
                    frame.wrong_checksum = false;
                }
                Ok(out)
            }
            [6, a1, a0, v1, v0] => {
                self.write(u16::from_be_bytes([a1, a0]), &[u16::from_be_bytes([v1, v0])], now)?;
                Ok(message.to_vec())
            }
            [16, a1, a0, n1, n0, bytes, ref data @ ..] => {
                let count = usize::from(u16::from_be_bytes([n1, n0]));
                if count == 0
                    || count > usize::from(REGISTERS_MAX)
                    || data.len() != count * 2
                    || usize::from(bytes) != count * 2
                {
                    return Err(ILLEGAL_VALUE);
                }
                let values: Vec<u16> = data.as_chunks().0.iter().map(|b| u16::from_be_bytes(*b)).collect();
                self.write(u16::from_be_bytes([a1, a0]), &values, now)?;
                Ok(message[..5].to_vec())
            }
            [3 | 4 | 6 | 16, ..] => Err(ILLEGAL_VALUE),
            _ => Err(ILLEGAL_FUNCTION),
        }
    }

    fn holding(&self, address: u32) -> Option<u16> {
        let units = (self.body.integration_s * UNITS_PER_S).round() as u32;
        match address {
            0 => Some(units as u16),
            1 => Some((units >> 16) as u16),
            2 => Some(u16::from(self.body.open)),
            3 => Some(0),
            _ => None,
        }
    }

    fn input(&mut self, address: u32, now: UtcMicros) -> Option<u16> {
        let settings = self.body.station.settings();
        let frame = self.frame.as_ref();
        let units = frame.map_or(0, |f| (f.length_s * UNITS_PER_S).round() as u32);
        Some(match address {
            0 => u16::from_be_bytes(*b"QS"),
            // Digits of the version, as binary coded decimal.
            1 => u16::from_str_radix(&settings.identity.firmware.replace('.', ""), 16).unwrap_or_default(),
            2..=5 => {
                let serial = format!("{:<8.8}", self.body.serial(now, "Q9999999")).into_bytes();
                let i = (address as usize - 2) * 2;
                u16::from_be_bytes([serial[i], serial[i + 1]])
            }
            6 => settings.detector.pixels as u16,
            7 => settings.detector.full_scale as u16,
            0x10 if self.exposing.is_some() => 1,
            0x10 => {
                if frame.is_some() {
                    2
                } else {
                    0
                }
            }
            0x11 => frame.map_or(0, |f| f.number as u16),
            0x12 => units as u16,
            0x13 => (units >> 16) as u16,
            0x14 => frame.map_or(0, |f| u16::from(f.open)),
            0x15 if !settings.device.temperature_sensor => 0x8000,
            0x15 => (self.body.temperature_c(now) * 10.0).round() as i16 as u16,
            0x16 => {
                frame.map_or(0, |f| (f.counts.iter().sum::<u32>() as u16) ^ (if f.wrong_checksum { 0xffff } else { 0 }))
            }
            0x100..=0x1ff => frame.map_or(0, |f| f.counts[address as usize - 0x100] as u16),
            _ => return None,
        })
    }

    fn write(&mut self, first: u16, values: &[u16], now: UtcMicros) -> Result<(), u8> {
        if usize::from(first) + values.len() > 4 {
            return Err(ILLEGAL_ADDRESS);
        }
        let abandons = (first, values) == (3, &[2]);
        if self.exposing.is_some() && !abandons {
            return Err(BUSY);
        }
        match (first, values) {
            (0, [low, high]) => {
                let seconds = f64::from(u32::from(*high) << 16 | u32::from(*low)) / UNITS_PER_S;
                if !self.body.takes(seconds) {
                    return Err(ILLEGAL_VALUE);
                }
                self.body.integration_s = seconds;
            }
            (2, [position @ (0 | 1)]) => {
                let open = *position == 1;
                if open != self.body.open {
                    self.shutter_rests_at = now.plus_seconds(self.body.station.settings().device.shutter_settling_s);
                }
                self.body.open = open;
            }
            (3, [1]) => {
                let start = now.max(self.shutter_rests_at);
                self.exposing = Some((start, start.plus_seconds(self.body.integration_s)));
            }
            (3, [2]) => self.exposing = None,
            _ => return Err(ILLEGAL_VALUE),
        }
        Ok(())
    }
}

impl Wire for Quern {
    fn receive(&mut self, bytes: &[u8], now: UtcMicros) {
        self.run(now);
        if self.transport == Transport::Rtu && now.seconds_since(self.last_byte) > SILENCE_S {
            self.buffer.clear();
        }
        self.last_byte = now;
        if self.body.is_deaf(now) {
            return;
        }
        self.buffer.extend_from_slice(bytes);
        while let Some((header, message)) = self.next_message() {
            self.handle(&header, &message, now);
        }
    }
    fn transmit(&mut self, now: UtcMicros, amount: (usize, usize), out: &mut Vec<u8>) {
        self.run(now);
        self.body.line.transmit(now, amount, out);
    }
    fn next_due(&self, want: usize) -> Option<UtcMicros> {
        earlier(self.body.line.next_due(want), self.exposing.map(|(_, end)| end))
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
    fn disconnected(&mut self) {
        self.buffer.clear();
    }
    fn station(&self) -> &SimulatedStation {
        &self.body.station
    }
    fn station_mut(&mut self) -> &mut SimulatedStation {
        &mut self.body.station
    }
}

#[cfg(test)]
#[path = "quern_tests.rs"]
mod tests;
