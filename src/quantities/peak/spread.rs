//! How far the top of a spectrum may be off: by drawing, since which of several samples is the highest is no first-order matter.
//!
//! Samples that could be the highest are drawn again with what is not known of them: their own noise, what the response's
//! shape may do between them, and the modes that change their differences. The numbers drawn are the same every time: 512
//! quantiles of the normal distribution in one shuffled order, begun at another place for every unknown, so that each unknown
//! is spread evenly and no two hang together. Where more samples could be the highest than can be drawn one by one, the
//! highest of a few neighbours stands for them, with the noise that the highest of so many has. A jump that fewer than one
//! draw in some hundred would show may go unseen.
//!
//! What must stay true: nothing is drawn that depends on anything but the spectrum and its errors.

use super::Peak;
use super::draws::{COMMON, Candidate, Drawn, Draws, QUANTILES, of_highest};
use crate::spectrum::errors::{Correlation, ErrorMode, Errors};
use crate::spectrum::wide;

/// A sample may be the highest that lies no more standard deviations of the difference below it.
const COULD_BE: f64 = 4.0;
/// Draws at least.
const FEWEST: usize = 128;
/// Draws times samples at most.
const WORK: usize = 10_240;
/// Samples that are looked at one by one at most.
const ALONE: usize = 64;
/// Samples that are drawn at most where each stands for some neighbours.
const TOGETHER: usize = 40;
/// Of so many samples the highest is looked at first.
const BLOCK: usize = 8;
/// A mode that changes no difference by this share of the largest deviation is left out.
const SLIGHT: f64 = 0.05;

/// A spectrum with what is not known of it.
#[derive(Clone, Copy)]
pub struct Known<'a> {
    /// Its axis [nm].
    pub axis: &'a [f64],
    /// Its samples.
    pub light: &'a [f64],
    /// Their own variance.
    pub variance: &'a [f64],
    /// What they share.
    pub errors: &'a Errors,
}

/// Memory that spreads use again.
#[derive(Clone, Debug, Default)]
pub struct Memory {
    told: Samples,
    others: Vec<usize>,
    could: Vec<bool>,
    candidates: Vec<Candidate>,
    drawn: Drawn,
}

/// Some samples, and what each mode does to them.
#[derive(Clone, Debug, Default)]
struct Samples {
    samples: Vec<usize>,
    /// Sample by sample.
    by_mode: Vec<f64>,
}

/// [`Samples`] of a spectrum.
struct Told<'a, 'm> {
    known: Known<'a>,
    samples: &'m mut Vec<usize>,
    by_mode: &'m mut Vec<f64>,
}

impl<'a, 'm> Told<'a, 'm> {
    fn of(known: &Known<'a>, Samples { samples, by_mode }: &'m mut Samples) -> Self {
        let modes = &known.errors.modes;
        by_mode.clear();
        by_mode.extend(samples.iter().flat_map(|i| modes.iter().map(|mode| known.errors.at(mode, *i))));
        Self { known: *known, samples, by_mode }
    }

    fn light(&self, k: usize) -> f64 {
        self.known.light[self.samples[k]]
    }

    /// What the modes do to one of the samples.
    fn modes(&self, k: usize) -> impl Iterator<Item = (&'a ErrorMode, f64)> {
        let modes = &self.known.errors.modes;
        modes.iter().zip(self.by_mode[k * modes.len()..].iter().copied())
    }

    /// Variance of the difference of two of the samples.
    fn difference2(&self, a: usize, b: usize) -> f64 {
        let (i, j) = (self.samples[a], self.samples[b]);
        let own = self.known.variance[i] + self.known.variance[j];
        self.modes(a).zip(self.modes(b)).fold(own, |sum, ((mode, x), (_, y))| {
            sum + match mode.mixture {
                Correlation::Shape(_) => {
                    let apart = self.known.axis[i] - self.known.axis[j];
                    (x * x + y * y - 2.0 * self.known.errors.bins.correlation_over(apart) * x * y).max(0.0)
                }
                _ => (x - y) * (x - y),
            }
        })
    }

    /// Whether one of the samples may be higher than another.
    fn could_pass(&self, k: usize, other: usize) -> bool {
        let gap = self.light(other) - self.light(k);
        gap <= 0.0 || gap * gap <= COULD_BE * COULD_BE * self.difference2(k, other)
    }

    /// Which of the samples could be the highest: those that could pass the one that is, and the highest that does not stand
    /// beside it, whose own error may be much smaller.
    fn could_be(&self, highest: usize, could: &mut Vec<bool>) {
        could.clear();
        let Some(first) = self.samples.iter().position(|i| *i == highest) else {
            return could.resize(self.samples.len(), true);
        };
        let apart = (0..self.samples.len()).filter(|k| self.samples[*k].abs_diff(highest) > 2);
        let second = apart.reduce(|a, b| if self.light(b) > self.light(a) { b } else { a });
        let second = second.filter(|k| self.could_pass(*k, first));
        let can = |k: usize| self.could_pass(k, first) && second.is_none_or(|second| self.could_pass(k, second));
        could.extend((0..self.samples.len()).map(|k| k == first || can(k)));
    }

    fn keep(&mut self, which: impl Fn(usize) -> bool) {
        let (width, mut kept) = (self.known.errors.modes.len(), 0);
        for k in (0..self.samples.len()).filter(|k| which(*k)) {
            self.samples[kept] = self.samples[k];
            self.by_mode.copy_within(k * width..(k + 1) * width, kept * width);
            kept += 1;
        }
        self.samples.truncate(kept);
        self.by_mode.truncate(kept * width);
    }

    /// The modes that change the differences of the samples most, by their places.
    fn common_modes(&self, highest: usize) -> ([usize; COMMON], usize) {
        let first = self.samples.iter().position(|i| *i == highest).unwrap_or(0);
        let all = || 0..self.samples.len();
        let largest = all().fold(0.0f64, |most, k| most.max(self.difference2(k, first)));
        let modes = self.known.errors.modes.iter().enumerate();
        let width = self.known.errors.modes.len();
        let sized = modes
            .filter(|(_, mode)| !matches!(mode.mixture, Correlation::Shape(_)))
            .map(|(m, _)| {
                let changed = |k: usize| self.by_mode[k * width + m] - self.by_mode[first * width + m];
                (all().fold(0.0f64, |most, k| most.max(changed(k).powi(2))), m)
            })
            .filter(|(size, _)| *size > SLIGHT * SLIGHT * largest);
        // The largest first, of those that are alike the first; what is past the last place falls out.
        let (mut places, mut n) = ([(0.0, 0); COMMON], 0);
        for one in sized {
            let at = places[..n].iter().position(|(size, _)| one.0 > *size).unwrap_or(n);
            if at < COMMON {
                n = (n + 1).min(COMMON);
                places[at..n].rotate_right(1);
                places[at] = one;
            }
        }
        (places.map(|(_, m)| m), n)
    }
}

impl<'a> Known<'a> {
    /// The samples that are drawn, rising, and how many each stands for.
    fn candidates<'m>(
        &self,
        (from, end): (usize, usize),
        highest: usize,
        own: f64,
        told: &'m mut Samples,
        all: &mut Vec<usize>,
        could: &mut Vec<bool>,
    ) -> (Told<'a, 'm>, usize) {
        // No sample is looked at that lies far below by its own deviation and the highest one's.
        let low = self.light[highest] - 2.0 * COULD_BE * own;
        let blocks = (from..end).step_by(BLOCK).map(|start| start..(start + BLOCK).min(end));
        let higher = |a: usize, b: usize| if self.light[b] > self.light[a] { b } else { a };
        let tops = blocks.filter_map(|block| {
            let reaches = self.light[block.clone()].iter().fold(false, |any, x| any | (*x >= low));
            reaches.then(|| block.reduce(higher)).flatten()
        });
        told.samples.clear();
        told.samples.extend(tops);
        let mut tops = Told::of(self, told);
        tops.could_be(highest, could);
        tops.keep(|k| could[k]);
        let block = |i: usize| from + (i - from) / BLOCK * BLOCK;
        let with_neighbours = |i: usize| block(i).saturating_sub(1).max(from)..(block(i) + BLOCK + 1).min(end);
        all.clear();
        all.extend(tops.samples.iter().flat_map(|i| with_neighbours(*i)));
        all.sort_unstable();
        all.dedup();
        told.samples.clear();
        if all.len() <= ALONE {
            told.samples.extend_from_slice(all);
            let mut told = Told::of(self, told);
            told.could_be(highest, could);
            told.keep(|k| could[k.saturating_sub(1)..(k + 2).min(could.len())].contains(&true));
            return (told, 1);
        }
        let each = all.len().div_ceil(TOGETHER);
        told.samples.extend(all.chunks(each).filter_map(|few| few.iter().copied().reduce(higher)));
        (Told::of(self, told), each)
    }
}

/// Standard deviation of the top [nm]; NaN where that of a sample is none.
///
/// own: the standard deviation of the highest sample, all errors together.
pub fn spread(known: &Known, calibrated: (usize, usize), peak: &Peak, own: f64, memory: &mut Memory) -> f64 {
    let highest = peak.sample;
    let Memory { told, others, could, candidates, drawn } = memory;
    let (told, each) = known.candidates(calibrated, highest, own, told, others, could);
    let (modes, common_modes) = told.common_modes(highest);
    let modes = &modes[..common_modes];
    let samples = &*told.samples;
    let (rise, narrower) = if each == 1 { (0.0, 1.0) } else { of_highest(each) };
    let unit = if own > 0.0 && own.is_finite() { own } else { 1.0 };
    let short = |x: f64| (x / unit) as f32;
    let candidate = |k: usize| {
        let i = samples[k];
        let nm = known.axis[i];
        let before = k.checked_sub(1).map(|before| known.axis[samples[before]]);
        let shape2 =
            told.modes(k).filter(|(mode, _)| matches!(mode.mixture, Correlation::Shape(_))).map(|(_, x)| x * x);
        let rho = before.map_or(0.0, |before| known.errors.bins.correlation_over(nm - before));
        let mut common = [0.0; COMMON];
        for (to, m) in common.iter_mut().zip(modes) {
            *to = short(told.by_mode[k * known.errors.modes.len() + m]);
        }
        let beside = |other: Option<&usize>| other.is_some_and(|other| other.abs_diff(i) == 1);
        Candidate {
            nm,
            light: short(known.light[i] - known.light[highest] + rise * known.variance[i].sqrt()),
            noise: short(narrower * known.variance[i].sqrt()),
            shape: short(shape2.sum::<f64>().sqrt()),
            rho: rho as f32,
            common,
            whole: each == 1 && beside(k.checked_sub(1).and_then(|k| samples.get(k))) && beside(samples.get(k + 1)),
        }
    };
    candidates.clear();
    candidates.extend((0..samples.len()).map(candidate));
    let draws = (WORK / candidates.len()).clamp(FEWEST, QUANTILES);
    wide::run(Draws { candidates, modes: modes.len(), draws, drawn });
    let tops = &drawn.tops;
    let n = tops.len() as f64;
    let mean = tops.iter().sum::<f64>() / n;
    (tops.iter().map(|t| (t - mean).powi(2)).sum::<f64>() / n).sqrt()
}
