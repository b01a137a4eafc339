//! What the hand-written devices have in common: station, sending line, exposures with their truth, and faults of answers.
//!
//! Knows no command set. Invariant: a fault of the line never changes the counts that a device holds.

use crate::clock::UtcMicros;
use crate::simulator::faults::{self, AppliesTo, FaultKind, FaultRule};
use crate::simulator::line::Line;
use crate::simulator::simulated_station::SimulatedStation;
use crate::simulator::wrong_counts::WrongCounts;
use rand::{Rng, SeedableRng};
use rand_distr::StandardNormal;
use rand_pcg::Pcg64Mcg;

/// Integration time after power-on of all hand-written devices [s].
pub const POWER_ON_S: f64 = 0.01;

/// What became of an answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reply {
    /// It is on the line.
    Sent,
    /// A fault suppressed it.
    Silent,
    /// The device restarts instead; the caller forgets its own state.
    Restarted,
}

/// The counts of one exposure with the faults of its transfer.
#[derive(Clone, Debug, Default)]
pub struct Frame {
    /// Counts of the pixels.
    pub counts: Vec<u32>,
    /// Integration time [s].
    pub length_s: f64,
    /// Whether the shutter was commanded open.
    pub open: bool,
    /// Its number, as the device counts.
    pub number: u32,
    /// Faults of its first transfer; `None` after that.
    pub faults: Option<Vec<FaultRule>>,
    /// Whether its checksum is sent wrong once.
    pub wrong_checksum: bool,
}

/// The common part of a device.
pub struct Body {
    /// The station.
    pub station: SimulatedStation,
    /// The sending line.
    pub line: Line,
    /// Integration time that is set [s].
    pub integration_s: f64,
    /// Commanded position of the shutter.
    pub open: bool,
    /// Exposures so far.
    pub reads: u64,
    /// The device neither receives nor answers before this.
    pub deaf_until: UtcMicros,
    hang_ups: u64,
    hung_up_until: UtcMicros,
    earlier: Vec<u8>,
    wrong_counts: WrongCounts,
    random: Pcg64Mcg,
}

impl Body {
    /// A device that has been on for a while, on a line with `bits` bits a byte.
    pub fn new(station: SimulatedStation, bits: f64) -> Self {
        let now = station.switched_on();
        let line = Line::new(bits / f64::from(station.settings().baud), now);
        let random = Pcg64Mcg::seed_from_u64(station.settings().seed ^ 0x00b0_d1e5);
        Self {
            station,
            line,
            integration_s: POWER_ON_S,
            open: true,
            reads: 0,
            deaf_until: now,
            hang_ups: 0,
            hung_up_until: now,
            earlier: Vec::new(),
            wrong_counts: WrongCounts::default(),
            random,
        }
    }

    /// Whether the device hears nothing at `now`: it restarts, or the line is hung up.
    pub fn is_deaf(&self, now: UtcMicros) -> bool {
        now < self.deaf_until || now < self.hung_up_until
    }

    /// Number of hang-ups.
    pub fn hang_ups(&self) -> u64 {
        self.hang_ups
    }

    /// End of the latest hang-up.
    pub fn hung_up_until(&self) -> UtcMicros {
        self.hung_up_until
    }

    /// Whether an integration time is one that the device takes [s].
    pub fn takes(&self, seconds: f64) -> bool {
        let device = &self.station.settings().device;
        seconds >= device.aperture_min_s - 1e-9 && seconds <= device.aperture_max_s + 1e-9
    }

    /// Serial number that answers at `now`.
    pub fn serial(&self, now: UtcMicros, other: &str) -> String {
        let is_other = self.station.faults.is_active(FaultKind::OtherSerial, now);
        if is_other { other.to_owned() } else { self.station.settings().identity.serial.clone() }
    }

    /// Temperature of the detector with the noise of its sensor [°C].
    pub fn temperature_c(&mut self, now: UtcMicros) -> f64 {
        let noise: f64 = self.random.sample(StandardNormal);
        self.station.condition(now).temperature_c + self.station.settings().device.temperature_noise_k * noise
    }

    /// Takes an exposure of `length_s` from `start` and records its truth.
    pub fn expose(&mut self, start: UtcMicros, length_s: f64, number: u32) -> Frame {
        let end = start.plus_seconds(length_s);
        self.reads += 1;
        let mut rules = self.station.faults.select(end, Some(self.reads));
        rules.retain(|rule| rule.applies_to != AppliesTo::Dark || !self.open);
        let (counts, truth) = self.station.expose(start, length_s, self.open);
        let counts = self.wrong_counts.apply(counts, &rules, &mut self.station, end);
        let has = |kind| rules.iter().any(|rule| rule.kind == kind);
        if let Some(mut truth) = truth {
            truth.crc32 = crc32(&counts);
            self.station.truth.add(truth);
        }
        let wrong_checksum = has(FaultKind::WrongChecksum);
        Frame { counts, length_s, open: self.open, number, faults: Some(rules), wrong_checksum }
    }

    /// The rules of an answer that is not the first transfer of a frame.
    pub fn rules(&mut self, now: UtcMicros) -> Vec<FaultRule> {
        self.station.faults.select(now, None)
    }

    /// Sends an answer at `at`, with the faults of `rules`.
    pub fn answer(&mut self, at: UtcMicros, bytes: Vec<u8>, rules: &[FaultRule]) -> Reply {
        let earlier = std::mem::replace(&mut self.earlier, bytes.clone());
        let mut bytes = bytes;
        let (mut delay_s, mut pieces, mut gap_s, mut doubled) = (0.0, 1, 0.0, false);
        for rule in rules {
            match rule.kind {
                FaultKind::LateAnswer => delay_s += rule.seconds,
                FaultKind::Pieces => (pieces, gap_s) = (rule.count.max(1) as usize, rule.seconds),
                FaultKind::NoAnswer => return Reply::Silent,
                FaultKind::DoubledAnswer => doubled = true,
                FaultKind::EarlierAnswer => bytes.clone_from(&earlier),
                FaultKind::LostBytes => faults::lose(&mut bytes, rule.count, &mut self.station.faults),
                FaultKind::ShortBlock => {
                    bytes.pop();
                }
                FaultKind::LongBlock => bytes.push(self.station.faults.random_below(256) as u8),
                FaultKind::FlippedBit if !bytes.is_empty() => {
                    let place = self.station.faults.random_below(bytes.len());
                    bytes[place] ^= 1 << self.station.faults.random_below(8);
                }
                FaultKind::NoiseBefore => {
                    let noise: Vec<u8> = (0..rule.count).map(|_| self.station.faults.random_below(256) as u8).collect();
                    bytes.splice(0..0, noise);
                }
                FaultKind::Restart => {
                    self.restart(at);
                    return Reply::Restarted;
                }
                FaultKind::HangUp => {
                    self.hang_ups += 1;
                    self.hung_up_until = at.plus_seconds(rule.seconds);
                    self.line.clear(at);
                    return Reply::Silent;
                }
                _ => {}
            }
        }
        if doubled {
            bytes.extend_from_within(..);
        }
        let size = bytes.len().div_ceil(pieces).max(1);
        for (i, piece) in bytes.chunks(size).enumerate() {
            self.line.send(at.plus_seconds(delay_s + gap_s * i as f64), piece);
        }
        Reply::Sent
    }

    /// A short loss of power: the settings are those of power-on, and the device is deaf while it starts.
    pub fn restart(&mut self, at: UtcMicros) {
        self.integration_s = POWER_ON_S;
        self.open = true;
        self.earlier.clear();
        self.wrong_counts.clear();
        self.line.clear(at);
        self.deaf_until = at.plus_seconds(self.station.settings().device.boot_s);
    }
}

/// CRC-32 of counts as 16-bit words, most significant byte first: joins the truth to a reading.
pub fn crc32(counts: &[u32]) -> u32 {
    let bytes: Vec<u8> = counts.iter().flat_map(|c| ((*c).min(0xffff) as u16).to_be_bytes()).collect();
    crc32fast::hash(&bytes)
}

/// The earlier of two instants that may be absent.
pub fn earlier(a: Option<UtcMicros>, b: Option<UtcMicros>) -> Option<UtcMicros> {
    match (a, b) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    }
}
