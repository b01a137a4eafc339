//! What goes wrong: which fault strikes which answer.
//!
//! Decides only; the device carries it out. Off unless a rule says otherwise. Random faults have a generator of their
//! own, so that they never change the noise of an exposure.

use crate::clock::UtcMicros;
use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;
use serde::Deserialize;

/// A kind of fault. The first group strikes single answers; the second lasts from `from` until `until`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FaultKind {
    /// The answer comes `seconds` late.
    LateAnswer,
    /// The answer comes in `count` pieces, `seconds` apart.
    Pieces,
    /// No answer at all.
    NoAnswer,
    /// The answer comes twice.
    DoubledAnswer,
    /// The block (or answer) lacks its last byte.
    ShortBlock,
    /// The block (or answer) has one byte too many.
    LongBlock,
    /// One bit of the answer's payload is flipped on the line; what is stored stays right.
    FlippedBit,
    /// `count` random bytes come before the answer.
    NoiseBefore,
    /// The instrument restarts instead of answering: settings, last block and error queue are gone.
    Restart,
    /// `count` errors appear in the error queue.
    ErrorQueueFills,
    /// The line hangs up for `seconds`, instead of an answer.
    HangUp,
    /// The block sent is the last one once more, with its CRC.
    RepeatedFrame,
    /// Lasting: another serial number answers.
    OtherSerial,
    /// Lasting: the shutter stays open whatever is commanded.
    ShutterStuckOpen,
    /// Lasting: the shutter stays closed whatever is commanded.
    ShutterStuckClosed,
}

/// Which answers a rule may strike.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Strikes {
    /// Answers to `READ?` only.
    #[default]
    Read,
    /// Every answer.
    Any,
}

/// One rule of a bench file's `[[fault]]`.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FaultRule {
    /// What happens.
    pub kind: FaultKind,
    /// How often it strikes an answer that it may strike [1]; lasting faults ignore it.
    #[serde(default)]
    pub probability: f64,
    /// Readings (`READ?`, counted from 1 since the bench began) it strikes for certain.
    #[serde(default)]
    pub at_reads: Vec<u64>,
    /// Which answers it may strike.
    #[serde(default)]
    pub strikes: Strikes,
    /// Delay, gap or length [s], where the kind has one.
    #[serde(default = "one_second")]
    pub seconds: f64,
    /// Number of pieces, bytes or errors, where the kind has one.
    #[serde(default = "three")]
    pub count: u32,
    /// Strikes from then on (RFC 3339); absent: from the beginning.
    #[serde(default, deserialize_with = "time")]
    pub from: Option<UtcMicros>,
    /// Strikes until then (RFC 3339); absent: for ever.
    #[serde(default, deserialize_with = "time")]
    pub until: Option<UtcMicros>,
}

fn one_second() -> f64 {
    1.0
}

fn three() -> u32 {
    3
}

/// RFC 3339 text, or a TOML time with offset.
pub(super) fn time<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Option<UtcMicros>, D::Error> {
    let text = match toml::Value::deserialize(from)? {
        toml::Value::String(text) => text,
        toml::Value::Datetime(time) => time.to_string(),
        other => return Err(serde::de::Error::custom(format!("expected an RFC 3339 time, but found `{other}`"))),
    };
    UtcMicros::parse(&text)
        .map(Some)
        .map_err(|why| serde::de::Error::custom(format!("expected an RFC 3339 time, but found `{text}`: {why}")))
}

impl FaultRule {
    /// A rule that strikes the stated readings.
    pub fn at(kind: FaultKind, reads: &[u64]) -> Self {
        Self { at_reads: reads.to_vec(), ..Self::often(kind, 0.0) }
    }

    /// A rule that strikes a reading with `probability` [1].
    pub fn often(kind: FaultKind, probability: f64) -> Self {
        Self {
            kind,
            probability,
            at_reads: Vec::new(),
            strikes: Strikes::Read,
            seconds: 1.0,
            count: 3,
            from: None,
            until: None,
        }
    }

    /// A lasting fault.
    pub fn between(kind: FaultKind, from: Option<UtcMicros>, until: Option<UtcMicros>) -> Self {
        Self { from, until, ..Self::often(kind, 0.0) }
    }

    fn active(&self, t: UtcMicros) -> bool {
        self.from.is_none_or(|from| t >= from) && self.until.is_none_or(|until| t < until)
    }
}

/// A pixel that changes for the worse (bench file: `[[pixel_fault]]`).
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PixelFault {
    /// Which pixel, from 0.
    pub pixel: usize,
    /// Dead pixels collect nothing, neither light nor dark current.
    #[serde(default)]
    pub dead: bool,
    /// It reads so many counts, whatever happens.
    #[serde(default)]
    pub stuck_counts: Option<u32>,
    /// Further noise of every exposure, standard deviation [counts]: a restless pixel.
    #[serde(default)]
    pub noise_counts: f64,
    /// Added dark current [counts/s] at 20 °C: a hot pixel.
    #[serde(default)]
    pub hot_counts_per_s: f64,
    /// From then on (RFC 3339); absent: from the beginning.
    #[serde(default, deserialize_with = "time")]
    pub from: Option<UtcMicros>,
}

/// The rules and their generator.
#[derive(Clone, Debug)]
pub struct Faults {
    rules: Vec<FaultRule>,
    random: Pcg64Mcg,
}

impl Faults {
    /// Rules with a generator of their own.
    pub fn new(rules: Vec<FaultRule>, seed: u64) -> Self {
        Self { rules, random: Pcg64Mcg::seed_from_u64(seed ^ 0xfa17) }
    }

    /// Other rules from now on; the generator goes on.
    pub fn replace(&mut self, rules: Vec<FaultRule>) {
        self.rules = rules;
    }

    /// The rules that strike the answer given at `t`; `read` is the number of the reading, if it is one.
    pub fn strike(&mut self, t: UtcMicros, read: Option<u64>) -> Vec<FaultRule> {
        let mut struck = Vec::new();
        for rule in &self.rules {
            if !rule.active(t) || (read.is_none() && rule.strikes == Strikes::Read) {
                continue;
            }
            let scripted = read.is_some_and(|n| rule.at_reads.contains(&n));
            if scripted || (rule.probability > 0.0 && self.random.random::<f64>() < rule.probability) {
                struck.push(rule.clone());
            }
        }
        struck
    }

    /// Whether a lasting fault is in force.
    pub fn lasts(&self, kind: FaultKind, t: UtcMicros) -> bool {
        self.rules.iter().any(|rule| rule.kind == kind && rule.active(t))
    }

    /// A random number below `bound`, for where a bit flips and what noise looks like.
    pub fn below(&mut self, bound: usize) -> usize {
        self.random.random_range(0..bound.max(1))
    }
}
