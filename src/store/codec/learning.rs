//! Which patterns an instrument's frames are told by, learned from the frames themselves; pure.
//!
//! Darks give up to two, one of the shortest and one of the longest exposures, each the mean of [`DARK_EXPOSURES`]. Lights are
//! tried: the mean of [`LIGHT_FRAMES`] frames is a candidate, the [`TRIAL_FRAMES`] that follow are coded with and without it, and only one
//! whose rows would be paid for within [`PAID_AFTER`] such frames joins; the oldest of more than [`MAX_LIGHTS`] leaves. Frames in which
//! something clips have lights of their own: their dark ends are seen much better there. So no noise figure and no calendar is needed, a light
//! that is known costs nothing, and a changed instrument is learned anew. What must stay true: a pattern serves only once its
//! row is stored, told by [`Learner::stored`].

use super::prediction::PATTERN_BITS;
use super::{CodecError, Coded, encode_with};
use crate::record::Frame;
use std::collections::BTreeMap;
use std::sync::Arc;

const _: () = assert!(2 + MAX_LIGHTS <= super::prediction::MAX_WHOLE);

/// Exposures of which the mean is taken for a dark: their noise is then a sixth of that of one.
const DARK_EXPOSURES: usize = 32;
/// By how much a dark has to be shorter or longer than those that are known [1].
const APART: f64 = 8.0;
/// Frames of which the mean is a candidate: their common noise adds 4 % of a bit.
const LIGHT_FRAMES: usize = 16;
/// Frames on which a candidate is tried.
const TRIAL_FRAMES: usize = 8;
/// Frames that are passed over at most after trials that gave nothing: each frame of a trial is coded twice.
const MOST_REST: usize = 24;
/// Frames like those it was tried on that have to save what a pattern's rows take.
const PAID_AFTER: usize = 100;
/// Bytes that both rows of a pattern take for a pixel, roughly.
const ROW_BYTES: usize = 4;
/// Most lights of a kind that serve at one time.
pub const MAX_LIGHTS: usize = 8;

/// What a pattern shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// No light.
    Dark,
    /// A light.
    Light,
    /// A light in which something clips.
    Clipped,
}

impl Role {
    /// Every role.
    pub const ALL: [Self; 3] = [Self::Dark, Self::Light, Self::Clipped];
    /// As the database has it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Dark => "dark",
            Self::Light => "light",
            Self::Clipped => "clipped",
        }
    }
    /// From how the database has it.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|r| r.name() == name)
    }
    /// What a frame of a reading shows.
    fn of(frame: &Frame) -> Self {
        if frame.clipped.is_empty() { Self::Light } else { Self::Clipped }
    }
}

/// Numbers of a pattern [1/16 count of one exposure].
pub type Numbers = Arc<[i32]>;

/// A pattern that has a row.
#[derive(Clone, Debug, PartialEq)]
pub struct Pattern {
    /// Its row.
    pub id: i64,
    /// What it is.
    pub fresh: Fresh,
}

/// A pattern to be stored.
#[derive(Clone, Debug, PartialEq)]
pub struct Fresh {
    /// What it shows.
    pub role: Role,
    /// Integration time of the exposures it was taken from [s], of the last for a light.
    pub integration_s: f64,
    /// The numbers.
    pub numbers: Numbers,
}

/// The patterns that serve an instrument.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Basis {
    darks: Vec<Pattern>,
    lights: Vec<Pattern>,
    clipped: Vec<Pattern>,
}

impl Basis {
    /// Takes a pattern in, in place of what it makes unnecessary.
    ///
    /// That is what has other than its number of pixels, darks nearly as long and those between the shortest and the longest, and
    /// the oldest of many lights.
    pub fn put(&mut self, pattern: Pattern) {
        for known in [&mut self.darks, &mut self.lights, &mut self.clipped] {
            known.retain(|p| p.fresh.numbers.len() == pattern.fresh.numbers.len());
        }
        match pattern.fresh.role {
            Role::Dark => {
                self.darks.retain(|p| apart(p.fresh.integration_s, pattern.fresh.integration_s));
                self.darks.push(pattern);
                self.darks.sort_by(|a, b| a.fresh.integration_s.total_cmp(&b.fresh.integration_s));
                if self.darks.len() > 2 {
                    self.darks.remove(1);
                }
            }
            Role::Light => add(&mut self.lights, pattern),
            Role::Clipped => add(&mut self.clipped, pattern),
        }
    }
    /// Every pattern.
    #[cfg(test)]
    pub(super) fn all(&self) -> impl Iterator<Item = &Pattern> {
        self.darks.iter().chain(&self.lights).chain(&self.clipped)
    }
    /// Whether a dark would add to what is known.
    fn lacks(&self, dark: &Frame) -> bool {
        let fits = |p: &&Pattern| p.fresh.numbers.len() == dark.sums.len();
        let known: Vec<f64> = self.darks.iter().filter(fits).map(|p| p.fresh.integration_s).collect();
        let t = dark.integration_s;
        let between = matches!(known[..], [shortest, longest] if shortest < t && t < longest);
        !between && known.iter().all(|known| apart(t, *known))
    }
    /// The patterns that fit a frame, and for a lit frame which of them may vary along the spectrum: the brightest, whose own
    /// noise matters least.
    pub(super) fn of(&self, frame: &Frame, dark: bool) -> Offered<'_> {
        let fits = |p: &&Pattern| p.fresh.numbers.len() == frame.sums.len();
        let mut patterns: Vec<&Pattern> = self.darks.iter().filter(fits).collect();
        let darks = patterns.len();
        if dark {
            return Offered { patterns, darks, varying: None };
        }
        let lights = if Role::of(frame) == Role::Light { &self.lights } else { &self.clipped };
        patterns.extend(lights.iter().filter(fits));
        let brightness = |at: &usize| patterns[*at].fresh.numbers.iter().map(|n| i64::from(*n)).sum::<i64>();
        let varying = (darks..patterns.len()).max_by_key(brightness);
        Offered { patterns, darks, varying }
    }
}

/// Whether one time is much shorter or longer than another.
fn apart(t: f64, other: f64) -> bool {
    t < other / APART || t > other * APART
}

/// Adds a light; the oldest of too many leaves.
fn add(lights: &mut Vec<Pattern>, pattern: Pattern) {
    lights.push(pattern);
    if lights.len() > MAX_LIGHTS {
        lights.remove(0);
    }
}

/// What a frame may be told by.
pub(super) struct Offered<'a> {
    /// Darks, then lights.
    pub patterns: Vec<&'a Pattern>,
    /// How many of them are darks.
    pub darks: usize,
    /// Which of them may vary along the spectrum.
    pub varying: Option<usize>,
}

/// Exposures summed up.
#[derive(Clone, Debug, Default)]
struct Sum {
    integration_s: f64,
    frames: usize,
    exposures: usize,
    sums: Vec<u64>,
}

impl Sum {
    fn add(&mut self, frame: &Frame) {
        if self.sums.len() != frame.sums.len() {
            *self = Self { sums: vec![0; frame.sums.len()], ..Self::default() };
        }
        self.integration_s = frame.integration_s;
        self.frames += 1;
        self.exposures += frame.exposures();
        self.sums.iter_mut().zip(&frame.sums).for_each(|(sum, s)| *sum += u64::from(*s));
    }
    /// The mean of one exposure; of a light less the dark, or less its own lowest while that is not known.
    fn mean(&self, role: Role, dark: Option<&Pattern>) -> Fresh {
        let n = self.exposures.max(1) as u64;
        let mean = |sum: &u64| i32::try_from(((sum << PATTERN_BITS) + n / 2) / n).unwrap_or(i32::MAX);
        let mut numbers: Vec<i32> = self.sums.iter().map(mean).collect();
        if role != Role::Dark {
            let lowest = numbers.iter().copied().min().unwrap_or(0);
            match dark.map(|o| &o.fresh.numbers).filter(|o| o.len() == numbers.len()) {
                Some(dark) => numbers.iter_mut().zip(&**dark).for_each(|(n, o)| *n = n.saturating_sub(*o)),
                None => numbers.iter_mut().for_each(|n| *n -= lowest),
            }
        }
        Fresh { role, integration_s: self.integration_s, numbers: numbers.into() }
    }
}

/// A candidate and how it does.
#[derive(Clone, Debug)]
struct Trial {
    with: Basis,
    fresh: Fresh,
    frames: usize,
    bytes_with: usize,
    bytes_without: usize,
}

/// What is being learned of one kind of light.
#[derive(Clone, Debug, Default)]
struct Study {
    sum: Sum,
    /// Frames that are passed over after the last trial.
    rest: usize,
    /// Those of them that are still to come.
    to_rest: usize,
    trial: Option<Trial>,
}

/// Codes an instrument's frames and learns from them.
#[derive(Clone, Debug, Default)]
pub struct Learner {
    basis: Basis,
    /// Darks by the power of [`APART`] their exposures are nearest to.
    darks: BTreeMap<i32, Sum>,
    lights: Study,
    clipped: Study,
}

impl Learner {
    /// With what is stored already.
    pub fn new(basis: Basis) -> Self {
        Self { basis, ..Self::default() }
    }
    /// A pattern was stored: from now on frames may name it. Candidates that were tried beside less begin anew.
    pub fn stored(&mut self, id: i64, fresh: Fresh) {
        match fresh.role {
            Role::Dark => (self.lights.trial, self.clipped.trial) = (None, None),
            Role::Light => self.lights = Study::default(),
            Role::Clipped => self.clipped = Study::default(),
        }
        self.basis.put(Pattern { id, fresh });
    }

    /// Codes a dark; a pattern may come of it.
    pub fn dark(&mut self, frame: &Frame) -> Result<(Coded, Option<Fresh>), CodecError> {
        let coded = encode_with(frame, &self.basis, true)?;
        // One that is shorter by itself shows that the known darks are no longer those of the instrument.
        if coded.is_by_itself() {
            self.basis.darks.clear();
        }
        let class = frame.integration_s.log(APART).round() as i32;
        if !self.basis.lacks(frame) {
            self.darks.remove(&class);
            return Ok((coded, None));
        }
        let sum = self.darks.entry(class).or_default();
        sum.add(frame);
        let enough = sum.exposures >= DARK_EXPOSURES;
        Ok((coded, enough.then(|| self.darks.remove(&class)).flatten().map(|sum| sum.mean(Role::Dark, None))))
    }

    /// Codes a frame of a reading; a pattern may come of it.
    pub fn frame(&mut self, frame: &Frame) -> Result<(Coded, Option<Fresh>), CodecError> {
        let coded = encode_with(frame, &self.basis, false)?;
        let role = Role::of(frame);
        let study = if role == Role::Light { &mut self.lights } else { &mut self.clipped };
        let Some(trial) = &mut study.trial else {
            if study.to_rest > 0 {
                study.to_rest -= 1;
                return Ok((coded, None));
            }
            study.sum.add(frame);
            if study.sum.frames >= LIGHT_FRAMES {
                let fresh = std::mem::take(&mut study.sum).mean(role, self.basis.darks.first());
                let mut with = self.basis.clone();
                with.put(Pattern { id: 1 << 20, fresh: fresh.clone() });
                study.trial = Some(Trial { with, fresh, frames: 0, bytes_with: 0, bytes_without: 0 });
            }
            return Ok((coded, None));
        };
        trial.frames += 1;
        trial.bytes_with += encode_with(frame, &trial.with, false)?.len();
        trial.bytes_without += coded.len();
        if trial.frames < TRIAL_FRAMES {
            return Ok((coded, None));
        }
        let saved = trial.bytes_without.saturating_sub(trial.bytes_with) * PAID_AFTER / TRIAL_FRAMES;
        let worth = saved > ROW_BYTES * frame.sums.len();
        study.rest = if worth { 0 } else { (study.rest + TRIAL_FRAMES).min(MOST_REST) };
        study.to_rest = study.rest;
        let fresh = study.trial.take().map(|t| t.fresh);
        Ok((coded, fresh.filter(|_| worth)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::UtcMicros;
    use crate::record::{PixelRanges, Shutter, Stamp};

    /// A frame of 2048 pixels under a light whose structure drifts to another, with a little noise.
    fn lit(k: u32, drift: f64) -> Frame {
        let structure = |i: u32, by: u32| f64::from((i / 3).wrapping_mul(by) % 997);
        let noise = |i: u32| (i.wrapping_mul(2_654_435_761) ^ k.wrapping_mul(40_503)).wrapping_mul(2_246_822_519) >> 26;
        let sum =
            |i| 9000.0 + 10.0 * ((1.0 - drift) * structure(i, 353) + drift * structure(i, 619)) + f64::from(noise(i));
        Frame {
            integration_s: 0.1,
            shutter: Shutter::Open,
            temperature_c: None,
            stamps: vec![Stamp { start: UtcMicros(i64::from(k)), crc32: k }; 2],
            sums: (0..2048).map(|i| sum(i) as u32).collect(),
            clipped: PixelRanges::default(),
            spread: 0.0,
        }
    }

    /// Identity: a light becomes a pattern after it was seen and tried, once; another light becomes another; frames of
    /// both, and of their mixture, then come within 16 % of their noise's entropy, six bits a pixel.
    #[test]
    fn every_light_is_learned_once() {
        let mut learner = Learner::default();
        let mut learned = Vec::new();
        for k in 0..320 {
            let drift = if k < 160 { 0.0 } else { 1.0 };
            if let Some(fresh) = learner.frame(&lit(k, drift)).unwrap().1 {
                learned.push(k);
                learner.stored(i64::from(k), fresh);
            }
        }
        assert_eq!(learned.len(), 2, "{learned:?}");
        assert_eq!(learned[0], 23);
        assert!((160..240).contains(&learned[1]), "{learned:?}");
        for drift in [0.0, 0.5, 1.0] {
            let frame = lit(1000, drift);
            let (bytes, entropy) = (learner.frame(&frame).unwrap().0.len(), 2048 * 6 / 8);
            assert!(100 * bytes < 116 * entropy, "{bytes} bytes of {entropy}");
        }
    }

    /// Identity: the shortest and the longest darks serve, whichever came first, and nothing is learned of those between or of
    /// those that are known; darks of a detector with other pixels, or with another pattern, take their place.
    #[test]
    fn the_shortest_and_the_longest_darks_serve() {
        let mut learner = Learner::default();
        let dark = |integration_s, pixels, pattern: u32, k: u32| {
            let sums = lit(k, 0.0).sums.iter().take(pixels).zip(1..).map(|(s, i)| s % 64 + i * i % pattern).collect();
            Frame { integration_s, shutter: Shutter::Closed, sums, ..lit(k, 0.0) }
        };
        let mut id = 0;
        let mut learn = |t, pixels, pattern| {
            let mut all = Vec::new();
            for k in 0..20 {
                if let Some(fresh) = learner.dark(&dark(t, pixels, pattern, k)).unwrap().1 {
                    id += 1;
                    learner.stored(id, fresh);
                    all.push(k);
                }
            }
            (all, learner.basis.darks.iter().map(|p| p.fresh.integration_s).collect::<Vec<_>>())
        };
        // 32 exposures, two a frame.
        assert_eq!(learn(1.0, 2048, 997), (vec![15], vec![1.0]));
        assert_eq!(learn(2.0, 2048, 997), (vec![], vec![1.0]));
        assert_eq!(learn(0.01, 2048, 997), (vec![15], vec![0.01, 1.0]));
        assert_eq!(learn(0.1, 2048, 997), (vec![], vec![0.01, 1.0]));
        assert_eq!(learn(20.0, 2048, 997), (vec![15], vec![0.01, 20.0]));
        assert_eq!(learn(1.0, 1024, 997), (vec![15], vec![1.0]));
        assert_eq!(learn(1.0, 1024, 3989), (vec![15], vec![1.0]));
    }
}
