//! Encodes blocks of counts, applies the faults of the line to answers, and sends them.

use super::{Device, Message, State};
use crate::clock::UtcMicros;
use crate::simulator::command_parser::{Format, ScpiError};
use crate::simulator::faults::{self, FaultKind, FaultRule};

/// The last block, as it was sent first.
#[derive(Clone, Debug)]
pub(super) struct Block {
    /// Payload in the format of that time, with its `#` header where the format is binary.
    pub answer: Vec<u8>,
    /// CRC-32 of the payload.
    pub crc32: u32,
}

/// How an answer is sent.
struct Delivery {
    bytes: Vec<u8>,
    delay_s: f64,
    pieces: usize,
    gap_s: f64,
}

impl Device {
    /// Ends a message: sends its answers, if there are any and no fault suppresses them.
    pub(super) fn answer(&mut self, message: Message) {
        if message.answers.is_empty() {
            return;
        }
        let at = self.free_at;
        let faults = match message.faults {
            Some(faults) => faults,
            None => self.station.faults.select(at, None),
        };
        let payload_from = payload_start(&message.answers);
        let mut bytes = message.answers.join(&b';');
        bytes.push(b'\n');
        let right = bytes.clone();
        let delivery = Delivery { bytes, delay_s: 0.0, pieces: 1, gap_s: 0.0 };
        let delivery = self.apply_faults(&faults, delivery, payload_from, at);
        self.earlier = right;
        let Some(delivery) = delivery else { return };
        let size = delivery.bytes.len().div_ceil(delivery.pieces).max(1);
        for (i, piece) in delivery.bytes.chunks(size).enumerate() {
            self.out.send(at.plus_seconds(delivery.delay_s + delivery.gap_s * i as f64), piece);
        }
    }

    /// Applies faults to an answer whose payload starts at `payload_from`; `None` where no answer is sent.
    fn apply_faults(
        &mut self,
        faults: &[FaultRule],
        mut answer: Delivery,
        payload_from: usize,
        at: UtcMicros,
    ) -> Option<Delivery> {
        let bytes = &mut answer.bytes;
        let mut doubled = false;
        for rule in faults {
            match rule.kind {
                FaultKind::LateAnswer => answer.delay_s += rule.seconds,
                FaultKind::Pieces => (answer.pieces, answer.gap_s) = (rule.count.max(1) as usize, rule.seconds),
                FaultKind::NoAnswer => return None,
                FaultKind::EarlierAnswer => bytes.clone_from(&self.earlier),
                FaultKind::LostBytes => faults::lose(bytes, rule.count, &mut self.station.faults),
                FaultKind::DoubledAnswer => doubled = true,
                FaultKind::ShortBlock if bytes.len() > payload_from + 1 => {
                    bytes.remove(bytes.len() - 2);
                }
                FaultKind::LongBlock => bytes.insert(bytes.len() - 1, self.station.faults.random_below(256) as u8),
                FaultKind::FlippedBit if bytes.len() > payload_from + 1 => {
                    let place = payload_from + self.station.faults.random_below(bytes.len() - 1 - payload_from);
                    bytes[place] ^= 1 << self.station.faults.random_below(8);
                }
                FaultKind::NoiseBefore => {
                    let noise: Vec<u8> = (0..rule.count).map(|_| self.station.faults.random_below(256) as u8).collect();
                    bytes.splice(0..0, noise);
                }
                FaultKind::Restart => {
                    self.restart(at);
                    return None;
                }
                FaultKind::HangUp => {
                    self.hang_up(at.plus_seconds(rule.seconds));
                    return None;
                }
                FaultKind::ErrorQueueFills => (0..rule.count).for_each(|_| self.queue_error(ScpiError::System)),
                _ => {}
            }
        }
        if doubled {
            bytes.extend_from_within(..);
        }
        Some(answer)
    }

    fn hang_up(&mut self, until: UtcMicros) {
        self.hang_ups += 1;
        self.hung_up_until = until;
        self.waiting.clear();
        self.line.clear();
        self.discard_outgoing();
    }

    /// A short loss of power: settings, stored block and error queue are lost; the detector keeps its temperature.
    fn restart(&mut self, at: UtcMicros) {
        self.state = State::default_of(&self.station);
        self.free_at = at.plus_seconds(self.station.settings().device.boot_s);
        self.booting_until = self.free_at;
        self.errors.clear();
        self.line.clear();
        self.waiting.clear();
        self.block = None;
        self.wrong_counts.clear();
        self.out.clear(self.free_at);
    }
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

/// Encodes the counts of one exposure.
pub(super) fn encode(counts: &[u32], format: Format, swapped: bool) -> Block {
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
            let numbers: Vec<String> = counts.iter().map(u32::to_string).collect();
            payload = numbers.join(",").into_bytes();
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
