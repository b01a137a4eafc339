//! Faults of line, electronics and pixels: selects the faults of each answer.
//!
//! Decides only; the device applies them. There are no faults without a rule. Random faults have a separate generator, so that they
//! never change the noise of an exposure.

use crate::clock::UtcMicros;
use rand::{Rng, SeedableRng};
use rand_pcg::Pcg64Mcg;
use serde::Deserialize;

/// A kind of fault. The first group affects single answers; the lasting kinds hold from `from` until `until`. An example of each is in
/// `config/simulator/faults.toml`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FaultKind {
    /// The answer is `seconds` late.
    LateAnswer,
    /// The answer arrives in `count` pieces, `seconds` apart.
    Pieces,
    /// There is no answer.
    NoAnswer,
    /// The answer is sent twice.
    DoubledAnswer,
    /// The block (or answer) lacks its last byte.
    ShortBlock,
    /// The block (or answer) has one byte too many.
    LongBlock,
    /// One bit of the answer's payload is flipped on the line; the stored block is unchanged.
    FlippedBit,
    /// `count` random bytes precede the answer.
    NoiseBefore,
    /// The instrument restarts instead of answering; settings, stored block and error queue are lost.
    Restart,
    /// `count` errors appear in the error queue.
    ErrorQueueFills,
    /// The line hangs up for `seconds` instead of answering.
    HangUp,
    /// The previous block is sent again, with its CRC.
    RepeatedFrame,
    /// The block of `count` exposures before is sent again, with its CRC; the oldest one where there were fewer.
    ResentBlock,
    /// A particle hits the detector: `count` counts are added to two adjacent random pixels of one exposure, up to full scale; the
    /// checksum is that of the wrong counts.
    Spike,
    /// `count` counts are added to every pixel, up to full scale; the checksum is that of the wrong counts.
    AddedCounts,
    /// Every pixel reads `count` counts; the checksum is that of the wrong counts.
    ConstantCounts,
    /// `count` neighbouring bytes of the answer are lost.
    LostBytes,
    /// The checksum is wrong, the counts are right.
    WrongChecksum,
    /// The answer of the question before is sent instead.
    EarlierAnswer,
    /// Lasting: another serial number answers.
    OtherSerial,
    /// Lasting: the shutter stays open whatever is commanded.
    ShutterStuckOpen,
    /// Lasting: the shutter stays closed whatever is commanded.
    ShutterStuckClosed,
    /// Lasting: the converter clips at `count` counts, below the full scale that the device declares.
    ClipsBelowFullScale,
    /// Lasting: the detector runs freely; each block is that of the exposure that was requested `count` exposures before (1 to 10).
    FrameLag,
}

/// Answers that a rule applies to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum AppliesTo {
    /// Answers to `READ?` only.
    #[default]
    Read,
    /// Answers to `READ?` with the shutter closed only.
    Dark,
    /// Every answer.
    Any,
}

/// One rule of a simulator file (`[[fault]]`).
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FaultRule {
    /// Its kind.
    pub kind: FaultKind,
    /// Probability for each answer that the rule applies to [1]; lasting kinds ignore it.
    #[serde(default)]
    pub probability: f64,
    /// Readings (`READ?`, counted from 1 since the start) that it affects with certainty.
    #[serde(default)]
    pub at_reads: Vec<u64>,
    /// Answers that the rule applies to.
    #[serde(default)]
    pub applies_to: AppliesTo,
    /// Delay, gap or length [s], where the kind has one.
    #[serde(default = "one_second")]
    pub seconds: f64,
    /// Number of pieces, bytes, errors, counts or exposures, where the kind has one.
    #[serde(default = "three")]
    pub count: u32,
    /// Start of the rule (RFC 3339); absent: from the beginning.
    #[serde(default, deserialize_with = "time")]
    pub from: Option<UtcMicros>,
    /// End of the rule (RFC 3339); absent: no end.
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
    /// A rule for the stated readings.
    pub fn at(kind: FaultKind, reads: &[u64]) -> Self {
        Self { at_reads: reads.to_vec(), ..Self::often(kind, 0.0) }
    }

    /// A rule for any reading with a `probability` [1].
    pub fn often(kind: FaultKind, probability: f64) -> Self {
        Self {
            kind,
            probability,
            at_reads: Vec::new(),
            applies_to: AppliesTo::Read,
            seconds: 1.0,
            count: 3,
            from: None,
            until: None,
        }
    }

    /// A rule of a lasting kind.
    pub fn between(kind: FaultKind, from: Option<UtcMicros>, until: Option<UtcMicros>) -> Self {
        Self { from, until, ..Self::often(kind, 0.0) }
    }

    fn active(&self, t: UtcMicros) -> bool {
        self.from.is_none_or(|from| t >= from) && self.until.is_none_or(|until| t < until)
    }
}

/// Removes `count` neighbouring bytes at a random place.
pub fn lose(bytes: &mut Vec<u8>, count: u32, faults: &mut Faults) {
    let count = (count as usize).min(bytes.len());
    let first = faults.random_below(bytes.len() - count + 1);
    bytes.drain(first..first + count);
}

/// A pixel that degrades (`[[pixel_fault]]` of a simulator file).
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PixelFault {
    /// The pixel, from 0.
    pub pixel: usize,
    /// Dead: collects neither light nor dark current.
    #[serde(default)]
    pub dead: bool,
    /// Stuck: always reads this many counts.
    #[serde(default)]
    pub stuck_counts: Option<u32>,
    /// Noisy: standard deviation of additional noise in every exposure [counts].
    #[serde(default)]
    pub noise_counts: f64,
    /// Hot: additional dark current at 20 °C [counts/s].
    #[serde(default)]
    pub hot_counts_per_s: f64,
    /// Start of the fault (RFC 3339); absent: from the beginning.
    #[serde(default, deserialize_with = "time")]
    pub from: Option<UtcMicros>,
}

/// The rules with their random generator.
#[derive(Clone, Debug)]
pub struct Faults {
    rules: Vec<FaultRule>,
    random: Pcg64Mcg,
}

impl Faults {
    /// Rules with a generator from `seed`.
    pub fn new(rules: Vec<FaultRule>, seed: u64) -> Self {
        Self { rules, random: Pcg64Mcg::seed_from_u64(seed ^ 0xfa17) }
    }

    /// Replaces the rules; the generator continues.
    pub fn replace(&mut self, rules: Vec<FaultRule>) {
        self.rules = rules;
    }

    /// The rules that affect the answer at `t`; `read` is the number of the reading, if the answer is one.
    pub fn select(&mut self, t: UtcMicros, read: Option<u64>) -> Vec<FaultRule> {
        let mut selected = Vec::new();
        for rule in &self.rules {
            if !rule.active(t) || (read.is_none() && rule.applies_to != AppliesTo::Any) {
                continue;
            }
            let scripted = read.is_some_and(|n| rule.at_reads.contains(&n));
            if scripted || (rule.probability > 0.0 && self.random.random::<f64>() < rule.probability) {
                selected.push(rule.clone());
            }
        }
        selected
    }

    /// Whether a lasting fault is active.
    pub fn is_active(&self, kind: FaultKind, t: UtcMicros) -> bool {
        self.count_of(kind, t).is_some()
    }

    /// `count` of a lasting fault; `None` while none of its rules is active.
    pub fn count_of(&self, kind: FaultKind, t: UtcMicros) -> Option<u32> {
        self.rules.iter().find(|rule| rule.kind == kind && rule.active(t)).map(|rule| rule.count)
    }

    /// The largest `count` of a kind; 0 without a rule.
    pub fn largest_count(&self, kind: FaultKind) -> u32 {
        self.rules.iter().filter(|rule| rule.kind == kind).map(|rule| rule.count).max().unwrap_or(0)
    }

    /// A random number below `bound`.
    pub fn random_below(&mut self, bound: usize) -> usize {
        self.random.random_range(0..bound.max(1))
    }
}
