//! K-1024: binary packets with byte stuffing, CRC-16, acknowledgement and polling (`config/dialects/examples/karnaby.md`).

use super::body::{Body, Frame, Reply, earlier};
use crate::clock::UtcMicros;
use crate::simulator::simulated_station::SimulatedStation;
use crate::simulator::wire::Wire;

const START: u8 = 0xa5;
const ESCAPE: u8 = 0x5a;
const ACK: u8 = 0x06;
const NAK: u8 = 0x15;
/// Most data bytes of a packet.
const DATA_MAX: usize = 300;
/// A packet whose bytes stop for longer is dropped [s].
const PATIENCE_S: f64 = 0.5;
/// Ticks a second of integration times.
const TICKS_PER_S: f64 = 2e6;
/// Integration times are multiples of this [ticks].
const STEP: u32 = 20;
/// Dummy values before the pixels.
const DUMMIES: usize = 10;
const BLOCKS: usize = 9;

const UNKNOWN: u8 = 1;
const RANGE: u8 = 2;
const BUSY: u8 = 3;
const NO_FRAME: u8 = 4;

/// CRC-16/IBM-SDLC.
pub fn crc16(bytes: &[u8]) -> u16 {
    let step = |crc: u16, _| if crc & 1 == 1 { (crc >> 1) ^ 0x8408 } else { crc >> 1 };
    !bytes.iter().fold(0xffff, |crc, byte| (0..8).fold(crc ^ u16::from(*byte), step))
}

/// A packet with its start byte, stuffed.
pub fn packet(seq: u8, command: u8, data: &[u8]) -> Vec<u8> {
    let mut body = ((data.len() + 2) as u16).to_le_bytes().to_vec();
    body.extend([seq, command]);
    body.extend_from_slice(data);
    stuffed(&body, crc16(&body))
}

fn stuffed(body: &[u8], crc: u16) -> Vec<u8> {
    let mut out = vec![START];
    for byte in body.iter().copied().chain(crc.to_le_bytes()) {
        match byte {
            START => out.extend([ESCAPE, 1]),
            ESCAPE => out.extend([ESCAPE, 2]),
            other => out.push(other),
        }
    }
    out
}

/// A packet being received.
#[derive(Debug, Default)]
struct Partial {
    bytes: Vec<u8>,
    escaped: bool,
}

/// The device.
pub struct Karnaby {
    body: Body,
    partial: Option<Partial>,
    last_byte: UtcMicros,
    /// Start and end of the running exposures, and how many are averaged.
    exposing: Option<(UtcMicros, UtcMicros, u8)>,
    frame: Option<(Frame, u8)>,
    number: u16,
}

impl Karnaby {
    /// The device at a station, after its start.
    pub fn new(station: SimulatedStation) -> Self {
        let body = Body::new(station, 10.0);
        let last_byte = body.deaf_until;
        Self { body, partial: None, last_byte, exposing: None, frame: None, number: 0 }
    }

    fn run(&mut self, now: UtcMicros) {
        let Some((start, _, averages)) = self.exposing.filter(|(_, end, _)| *end <= now) else { return };
        self.exposing = None;
        let length_s = self.body.integration_s;
        let mut frame = self.body.expose(start, length_s, self.number.into());
        for i in 1..averages {
            let more = self.body.expose(start.plus_seconds(length_s * f64::from(i)), length_s, self.number.into());
            frame.counts.iter_mut().zip(&more.counts).for_each(|(sum, count)| *sum += count);
        }
        let n = u32::from(averages);
        frame.counts.iter_mut().for_each(|sum| *sum = (*sum + n / 2) / n);
        self.frame = Some((frame, averages));
    }

    fn receive_byte(&mut self, byte: u8, now: UtcMicros) {
        if byte == START {
            self.partial = Some(Partial::default());
            return;
        }
        let Some(partial) = &mut self.partial else { return };
        match (partial.escaped, byte) {
            (false, ESCAPE) => return partial.escaped = true,
            (false, byte) => partial.bytes.push(byte),
            (true, 1) => partial.bytes.push(START),
            (true, 2) => partial.bytes.push(ESCAPE),
            (true, _) => return self.refuse(now),
        }
        partial.escaped = false;
        let [low, high, rest @ ..] = &partial.bytes[..] else { return };
        let length = usize::from(u16::from_le_bytes([*low, *high]));
        if !(2..=DATA_MAX + 2).contains(&length) {
            return self.refuse(now);
        }
        if rest.len() < length + 2 {
            return;
        }
        let (checked, crc) = partial.bytes.split_at(length + 2);
        if crc != crc16(checked).to_le_bytes() {
            return self.refuse(now);
        }
        let (seq, command, data) = (checked[2], checked[3], checked[4..].to_vec());
        self.partial = None;
        self.body.line.send(now, &[ACK]);
        self.execute(seq, command, &data, now);
    }

    fn refuse(&mut self, now: UtcMicros) {
        self.partial = None;
        self.body.line.send(now, &[NAK]);
    }

    fn execute(&mut self, seq: u8, command: u8, data: &[u8], now: UtcMicros) {
        let mut at = now;
        if command == 0x22 {
            return self.fetch(seq, data, now);
        }
        let answer = self.perform(command, data, now);
        let answer = match answer {
            Ok(data) => [&[0], &data[..]].concat(),
            Err(status) => vec![status],
        };
        if command == 0x12 && answer[0] == 0 {
            at = at.plus_seconds(self.body.station.settings().device.shutter_settling_s);
        }
        let rules = self.body.rules(now);
        let reply = self.body.answer(at, packet(seq, command | 0x80, &answer), &rules);
        if command == 0x7e && answer[0] == 0 && reply != Reply::Restarted {
            let left = self.body.line.free_at();
            self.power_on();
            self.body.integration_s = super::body::POWER_ON_S;
            self.body.open = true;
            self.body.deaf_until = left.plus_seconds(self.body.station.settings().device.boot_s);
        }
        if reply == Reply::Restarted {
            self.power_on();
        }
    }

    fn power_on(&mut self) {
        (self.exposing, self.frame, self.number, self.partial) = (None, None, 0, None);
    }

    fn perform(&mut self, command: u8, data: &[u8], now: UtcMicros) -> Result<Vec<u8>, u8> {
        let known = [1, 2, 0x10, 0x11, 0x12, 0x13, 0x14, 0x20, 0x21, 0x22, 0x23, 0x7e, 0x7f].contains(&command);
        if !known {
            return Err(UNKNOWN);
        }
        let length = match command {
            0x10 => 4,
            0x12 | 0x20 => 1,
            _ => 0,
        };
        if data.len() != length {
            return Err(RANGE);
        }
        if self.exposing.is_some() && ![0x01, 0x14, 0x21, 0x7f].contains(&command) {
            return Err(BUSY);
        }
        match command {
            0x01 => Ok(self.identity(now)),
            0x02 => Ok(self.limits()),
            0x10 => self.set_integration(data),
            0x11 => Ok(ticks(self.body.integration_s).to_le_bytes().to_vec()),
            0x12 if data[0] > 1 => Err(RANGE),
            0x12 => {
                self.body.open = data[0] == 1;
                Ok(vec![data[0]])
            }
            0x13 => Ok(vec![u8::from(self.body.open)]),
            0x14 => {
                let hundredths = (self.body.temperature_c(now) + 273.15) * 100.0;
                Ok((hundredths.round().clamp(0.0, 65_535.0) as u16).to_le_bytes().to_vec())
            }
            0x20 => self.start(data[0], now),
            0x21 => {
                let state = if self.exposing.is_some() { 1 } else { u8::from(self.frame.is_some()) * 2 };
                let [low, high] = self.number.to_le_bytes();
                Ok(vec![state, low, high])
            }
            0x23 => self.information(),
            0x7f => {
                if self.exposing.take().is_some() {
                    self.frame = None;
                }
                Ok(Vec::new())
            }
            _ => Ok(Vec::new()),
        }
    }

    fn identity(&self, now: UtcMicros) -> Vec<u8> {
        let id = &self.body.station.settings().identity;
        let mut out = format!("{:<12.12}", id.model).into_bytes();
        let serial: u32 = self.body.serial(now, "99999").parse().unwrap_or_default();
        out.extend(serial.to_le_bytes());
        // Two digits before and two behind the point, one byte each.
        out.extend(id.firmware.split('.').map(|part| u8::from_str_radix(part, 16).unwrap_or_default()).take(2));
        out
    }

    /// The only answer with the most significant byte first.
    fn limits(&self) -> Vec<u8> {
        let (device, detector) = (&self.body.station.settings().device, &self.body.station.settings().detector);
        let mut out = ((detector.pixels + DUMMIES) as u16).to_be_bytes().to_vec();
        out.extend(ticks(device.aperture_min_s).to_be_bytes());
        out.extend(ticks(device.aperture_max_s).to_be_bytes());
        out.extend((detector.full_scale as u16).to_be_bytes());
        out
    }

    fn set_integration(&mut self, data: &[u8]) -> Result<Vec<u8>, u8> {
        let asked = data.try_into().map(u32::from_le_bytes).map_err(|_| RANGE)?;
        let seconds = f64::from(asked / STEP * STEP) / TICKS_PER_S;
        if !self.body.takes(seconds) {
            return Err(RANGE);
        }
        self.body.integration_s = seconds;
        Ok(ticks(seconds).to_le_bytes().to_vec())
    }

    fn start(&mut self, averages: u8, now: UtcMicros) -> Result<Vec<u8>, u8> {
        if !(1..=16).contains(&averages) {
            return Err(RANGE);
        }
        self.number = self.number % u16::MAX + 1;
        let end = now.plus_seconds(self.body.integration_s * f64::from(averages));
        self.exposing = Some((now, end, averages));
        self.frame = None;
        Ok(self.number.to_le_bytes().to_vec())
    }

    fn information(&self) -> Result<Vec<u8>, u8> {
        let (frame, averages) = self.frame.as_ref().ok_or(NO_FRAME)?;
        let mut out = (frame.number as u16).to_le_bytes().to_vec();
        out.extend(ticks(frame.length_s).to_le_bytes());
        out.extend([u8::from(frame.open), *averages]);
        Ok(out)
    }

    /// One block of the frame. The faults of the frame affect one of its blocks, once.
    fn fetch(&mut self, seq: u8, data: &[u8], now: UtcMicros) {
        let reads = self.body.reads as usize;
        let status = match (data, &self.frame) {
            ([block], _) if usize::from(*block) >= BLOCKS => RANGE,
            ([_], _) if self.exposing.is_some() => BUSY,
            ([_], None) => NO_FRAME,
            ([_], Some(_)) => 0,
            _ => RANGE,
        };
        let (Some((frame, _)), 0) = (&mut self.frame, status) else {
            let rules = self.body.rules(now);
            self.body.answer(now, packet(seq, 0xa2, &[status]), &rules);
            return;
        };
        let block = usize::from(data[0]);
        let values = |i: usize| i.checked_sub(DUMMIES).map_or(3, |pixel| frame.counts[pixel]) as u16;
        let size = (frame.counts.len() + DUMMIES) / BLOCKS;
        let mut answer = vec![0];
        answer.extend((frame.number as u16).to_le_bytes());
        answer.push(data[0]);
        answer.extend((block * size..(block + 1) * size).flat_map(|i| values(i).to_le_bytes()));
        let its_turn = block == reads % BLOCKS;
        let rules = if its_turn { frame.faults.take() } else { None };
        let mut bytes = packet(seq, 0xa2, &answer);
        if its_turn && std::mem::take(&mut frame.wrong_checksum) {
            let mut body = ((answer.len() + 2) as u16).to_le_bytes().to_vec();
            body.extend([seq, 0xa2]);
            body.extend_from_slice(&answer);
            bytes = stuffed(&body, !crc16(&body));
        }
        let rules = rules.unwrap_or_else(|| self.body.rules(now));
        if self.body.answer(now, bytes, &rules) == Reply::Restarted {
            self.power_on();
        }
    }
}

fn ticks(seconds: f64) -> u32 {
    (seconds * TICKS_PER_S).round() as u32
}

impl Wire for Karnaby {
    fn receive(&mut self, bytes: &[u8], now: UtcMicros) {
        self.run(now);
        if now.seconds_since(self.last_byte) > PATIENCE_S {
            self.partial = None;
        }
        self.last_byte = now;
        for byte in bytes {
            if self.body.is_deaf(now) {
                return;
            }
            self.receive_byte(*byte, now);
        }
    }
    fn transmit(&mut self, now: UtcMicros, amount: (usize, usize), out: &mut Vec<u8>) {
        self.run(now);
        self.body.line.transmit(now, amount, out);
    }
    fn next_due(&self, want: usize) -> Option<UtcMicros> {
        earlier(self.body.line.next_due(want), self.exposing.map(|(_, end, _)| end))
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
        self.partial = None;
    }
    fn station(&self) -> &SimulatedStation {
        &self.body.station
    }
    fn station_mut(&mut self) -> &mut SimulatedStation {
        &mut self.body.station
    }
}

#[cfg(test)]
#[path = "karnaby_tests.rs"]
mod tests;
