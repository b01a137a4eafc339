//! Which patterns an instrument's frames are told by, learned from the frames themselves; pure.
//!
//! Darks give two: the *offset* from the shortest, the *rate* from the longest, each the mean of [`ENOUGH_EXPOSURES`]. Views of the
//! light are tried: the mean of [`VIEW_FRAMES`] frames in which nothing clips is a candidate, the frames that follow are coded with and
//! without it, and only one that saves [`WORTH`] of their bytes joins; the oldest of more than [`MAX_VIEWS`] leaves. So no
//! noise figure and no calendar is needed, a light that is known costs nothing, and a changed instrument is learned anew.
//! What must stay true: a pattern serves only once its row is stored, told by [`Learner::stored`].

use super::prediction::PATTERN_BITS;
use super::{CodecError, Coded, encode_with};
use crate::record::Frame;
use std::sync::Arc;

/// Exposures of which the mean is taken for offset and rate: their noise is then a sixth of that of one.
const ENOUGH_EXPOSURES: usize = 32;
/// Frames of which the mean is a candidate, and on which it is tried: their common noise adds 4 % of a bit.
const VIEW_FRAMES: usize = 16;
/// Share of the bytes a candidate has to save to become a pattern: its row is paid for after some sixty frames.
const WORTH: f64 = 0.03;
/// Most views of the light that serve at one time.
pub const MAX_VIEWS: usize = 5;
/// How much longer than the offset's darks the rate's have to be.
const LONGER: f64 = 8.0;

/// What a pattern shows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// The dark of the shortest exposures.
    Offset,
    /// The dark of the longest.
    Rate,
    /// A light.
    View,
}

impl Role {
    /// As the database has it.
    pub fn name(self) -> &'static str {
        match self {
            Self::Offset => "offset",
            Self::Rate => "rate",
            Self::View => "view",
        }
    }
    /// From how the database has it.
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Offset, Self::Rate, Self::View].into_iter().find(|r| r.name() == name)
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
    /// Integration time of the exposures it was taken from [s], of the last for a view.
    pub integration_s: f64,
    /// The numbers.
    pub numbers: Numbers,
}

/// The patterns that serve an instrument.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Basis {
    /// The offsets.
    pub offset: Option<Pattern>,
    /// Offsets with much dark current.
    pub rate: Option<Pattern>,
    /// Lights, oldest first.
    pub views: Vec<Pattern>,
}

impl Basis {
    /// Takes a pattern in, in place of what it makes unnecessary.
    pub fn put(&mut self, pattern: Pattern) {
        match pattern.fresh.role {
            Role::Offset => self.offset = Some(pattern),
            Role::Rate => self.rate = Some(pattern),
            Role::View => {
                self.views.push(pattern);
                if self.views.len() > MAX_VIEWS {
                    self.views.remove(0);
                }
            }
        }
    }
    /// The patterns that fit a frame: those with one factor each, and for a lit frame the one whose share varies along the spectrum,
    /// the brightest: its own noise matters least.
    pub(super) fn of(&self, frame: &Frame, dark: bool) -> (Vec<&Pattern>, Option<&Pattern>) {
        let fits = |p: &&Pattern| p.fresh.numbers.len() == frame.sums.len();
        let mut whole: Vec<&Pattern> = self.offset.iter().chain(&self.rate).filter(fits).collect();
        if dark {
            return (whole, None);
        }
        let brightness = |p: &&Pattern| p.fresh.numbers.iter().map(|n| i64::from(*n)).sum::<i64>();
        let varying = self.views.iter().filter(fits).max_by_key(brightness);
        whole.extend(self.views.iter().filter(fits).filter(|p| varying.is_none_or(|v| v.id != p.id)));
        (whole, varying)
    }
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
    /// The mean of one exposure, less `offset`.
    fn mean(&self, role: Role, offset: Option<&Pattern>) -> Fresh {
        let n = self.exposures.max(1) as u64;
        let mean = |sum: &u64| i32::try_from(((sum << PATTERN_BITS) + n / 2) / n).unwrap_or(i32::MAX);
        let mut numbers: Vec<i32> = self.sums.iter().map(mean).collect();
        match offset.map(|o| &o.fresh.numbers).filter(|o| o.len() == numbers.len()) {
            Some(offset) => numbers.iter_mut().zip(&**offset).for_each(|(n, o)| *n = n.saturating_sub(*o)),
            None if role == Role::View => {
                let lowest = numbers.iter().copied().min().unwrap_or(0);
                numbers.iter_mut().for_each(|n| *n -= lowest);
            }
            None => {}
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

/// Codes an instrument's frames and learns from them.
#[derive(Clone, Debug, Default)]
pub struct Learner {
    basis: Basis,
    shortest: Sum,
    longest: Sum,
    view: Sum,
    trial: Option<Trial>,
}

impl Learner {
    /// With what is stored already.
    pub fn new(basis: Basis) -> Self {
        Self { basis, ..Self::default() }
    }
    /// The patterns that serve.
    pub fn basis(&self) -> &Basis {
        &self.basis
    }
    /// A pattern was stored: from now on frames may name it.
    pub fn stored(&mut self, id: i64, fresh: Fresh) {
        self.basis.put(Pattern { id, fresh });
        self.trial = None;
        self.view = Sum::default();
    }

    /// Codes a dark; a pattern may come of it.
    pub fn dark(&mut self, frame: &Frame) -> Result<(Coded, Option<Fresh>), CodecError> {
        let coded = encode_with(frame, &self.basis, true)?;
        let t = frame.integration_s;
        let known = |p: &Option<Pattern>| p.as_ref().map(|p| p.fresh.integration_s);
        let (offset_s, rate_s) = (known(&self.basis.offset), known(&self.basis.rate));
        if offset_s.is_none_or(|s| t < s / LONGER) {
            if self.shortest.frames == 0 || t < self.shortest.integration_s / 2.0 {
                self.shortest = Sum::default();
            }
            if self.shortest.frames == 0 || t <= 2.0 * self.shortest.integration_s {
                self.shortest.add(frame);
            }
            if self.shortest.exposures >= ENOUGH_EXPOSURES {
                let fresh = std::mem::take(&mut self.shortest).mean(Role::Offset, None);
                return Ok((coded, Some(fresh)));
            }
        }
        let long = offset_s.is_some_and(|s| t >= LONGER * s);
        if long && rate_s.is_none_or(|s| t > 2.0 * s) {
            if self.longest.frames > 0 && t > 2.0 * self.longest.integration_s {
                self.longest = Sum::default();
            }
            if self.longest.frames == 0 || t >= self.longest.integration_s / 2.0 {
                self.longest.add(frame);
            }
            if self.longest.exposures >= ENOUGH_EXPOSURES {
                let offset = self.basis.offset.as_ref();
                let fresh = std::mem::take(&mut self.longest).mean(Role::Rate, offset);
                return Ok((coded, Some(fresh)));
            }
        }
        Ok((coded, None))
    }

    /// Codes a frame of a reading; a pattern may come of it.
    pub fn frame(&mut self, frame: &Frame) -> Result<(Coded, Option<Fresh>), CodecError> {
        let coded = encode_with(frame, &self.basis, false)?;
        if !frame.clipped.is_empty() {
            return Ok((coded, None));
        }
        let Some(trial) = &mut self.trial else {
            self.view.add(frame);
            if self.view.frames >= VIEW_FRAMES {
                let fresh = std::mem::take(&mut self.view).mean(Role::View, self.basis.offset.as_ref());
                let mut with = self.basis.clone();
                with.put(Pattern { id: 1 << 20, fresh: fresh.clone() });
                self.trial = Some(Trial { with, fresh, frames: 0, bytes_with: 0, bytes_without: 0 });
            }
            return Ok((coded, None));
        };
        trial.frames += 1;
        trial.bytes_with += encode_with(frame, &trial.with, false)?.len();
        trial.bytes_without += coded.len();
        if trial.frames < VIEW_FRAMES {
            return Ok((coded, None));
        }
        let worth = (trial.bytes_with as f64) < (1.0 - WORTH) * trial.bytes_without as f64;
        let fresh = self.trial.take().map(|t| t.fresh);
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
        assert_eq!(learned[0], 31);
        assert!((160..224).contains(&learned[1]), "{learned:?}");
        for drift in [0.0, 0.5, 1.0] {
            let frame = lit(1000, drift);
            let (bytes, entropy) = (learner.frame(&frame).unwrap().0.len(), 2048 * 6 / 8);
            assert!(100 * bytes < 116 * entropy, "{bytes} bytes of {entropy}");
        }
    }
}
