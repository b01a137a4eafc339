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

use super::{Peak, top};
use crate::spectrum::errors::{ErrorMode, Errors, Mixture};
use crate::spectrum::wide;
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_distr::{Distribution, StandardNormal};
use std::sync::LazyLock;

/// A sample may be the highest that lies no more standard deviations of the difference below it.
const COULD_BE: f64 = 4.0;
/// Numbers in the order that is drawn from, and draws at most.
const QUANTILES: usize = 512;
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
/// Modes common to all samples that are drawn at most: those that change differences most.
const COMMON: usize = 4;
/// A mode that changes no difference by this share of the largest deviation is left out.
const SLIGHT: f64 = 0.05;

/// Quantiles of the normal distribution with unit variance, shuffled, twice over.
static QUANTILE: LazyLock<Vec<f32>> = LazyLock::new(|| {
    /// Numbers that make one quantile.
    const EACH: usize = 64;
    let mut rng = rand_pcg::Pcg64Mcg::seed_from_u64(1);
    let mut numbers: Vec<f64> = (0..QUANTILES * EACH).map(|_| StandardNormal.sample(&mut rng)).collect();
    numbers.sort_by(f64::total_cmp);
    let mut means: Vec<f64> = numbers.chunks(EACH).map(|c| c.iter().sum::<f64>() / EACH as f64).collect();
    let mean = means.iter().sum::<f64>() / QUANTILES as f64;
    let deviation = (means.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / QUANTILES as f64).sqrt();
    means.iter_mut().for_each(|m| *m = (*m - mean) / deviation);
    means.shuffle(&mut rng);
    means.iter().map(|m| *m as f32).collect::<Vec<f32>>().repeat(2)
});

/// The same quantiles once, in their order.
static SORTED: LazyLock<Vec<f64>> = LazyLock::new(|| {
    let mut sorted: Vec<f64> = QUANTILE[..QUANTILES].iter().map(|q| f64::from(*q)).collect();
    sorted.sort_by(f64::total_cmp);
    sorted
});

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

/// What can happen to one sample that may be the highest, in units of the highest one's standard deviation: short numbers will
/// do, of which more fit a step.
struct Candidate {
    nm: f64,
    light: f32,
    noise: f32,
    /// Deviation by the response's shape, and its correlation with the candidate before.
    shape: f32,
    rho: f32,
    common: [f32; COMMON],
    /// Whether the samples beside it are the candidates beside it.
    whole: bool,
}

/// Some samples, and what each mode does to them.
struct Told<'a> {
    known: Known<'a>,
    samples: Vec<usize>,
    /// Sample by sample.
    by_mode: Vec<f64>,
}

impl<'a> Told<'a> {
    fn of(known: &Known<'a>, samples: Vec<usize>) -> Self {
        let modes = &known.errors.modes;
        let by_mode = samples.iter().flat_map(|i| modes.iter().map(|mode| known.errors.at(mode, *i))).collect();
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
                Mixture::Shape(_) => {
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
    fn could_be(&self, highest: usize) -> Vec<bool> {
        let of = |sample: usize| self.samples.iter().position(|i| *i == sample);
        let Some(first) = of(highest) else { return vec![true; self.samples.len()] };
        let apart = (0..self.samples.len()).filter(|k| self.samples[*k].abs_diff(highest) > 2);
        let second = apart.reduce(|a, b| if self.light(b) > self.light(a) { b } else { a });
        let second = second.filter(|k| self.could_pass(*k, first));
        let can = |k: usize| self.could_pass(k, first) && second.is_none_or(|second| self.could_pass(k, second));
        (0..self.samples.len()).map(|k| k == first || can(k)).collect()
    }

    fn keep(&mut self, which: &[bool]) {
        let width = self.known.errors.modes.len();
        let mut kept = Vec::with_capacity(self.by_mode.len());
        for (k, _) in which.iter().enumerate().filter(|(_, w)| **w) {
            kept.extend_from_slice(&self.by_mode[k * width..(k + 1) * width]);
        }
        self.by_mode = kept;
        let mut which = which.iter();
        self.samples.retain(|_| which.next().is_some_and(|w| *w));
    }

    /// The modes that change the differences of the samples most, by their places.
    fn common_modes(&self, highest: usize) -> Vec<usize> {
        let first = self.samples.iter().position(|i| *i == highest).unwrap_or(0);
        let all = || 0..self.samples.len();
        let largest = all().fold(0.0f64, |most, k| most.max(self.difference2(k, first)));
        let modes = self.known.errors.modes.iter().enumerate();
        let width = self.known.errors.modes.len();
        let mut sized: Vec<(f64, usize)> = modes
            .filter(|(_, mode)| !matches!(mode.mixture, Mixture::Shape(_)))
            .map(|(m, _)| {
                let changed = |k: usize| self.by_mode[k * width + m] - self.by_mode[first * width + m];
                (all().fold(0.0f64, |most, k| most.max(changed(k).powi(2))), m)
            })
            .filter(|(size, _)| *size > SLIGHT * SLIGHT * largest)
            .collect();
        sized.sort_by(|a, b| b.0.total_cmp(&a.0));
        sized.into_iter().take(COMMON).map(|(_, m)| m).collect()
    }
}

impl<'a> Known<'a> {
    /// The samples that are drawn, rising, and how many each stands for.
    fn candidates(&self, (from, end): (usize, usize), highest: usize, own: f64) -> (Told<'a>, usize) {
        // No sample is looked at that lies far below by its own deviation and the highest one's.
        let low = self.light[highest] - 2.0 * COULD_BE * own;
        let blocks = (from..end).step_by(BLOCK).map(|start| start..(start + BLOCK).min(end));
        let tops = blocks.filter_map(|block| {
            let reaches = self.light[block.clone()].iter().fold(false, |any, x| any | (*x >= low));
            reaches.then(|| block.reduce(|a, b| if self.light[b] > self.light[a] { b } else { a })).flatten()
        });
        let mut tops = Told::of(self, tops.collect());
        tops.keep(&tops.could_be(highest));
        let block = |i: usize| from + (i - from) / BLOCK * BLOCK;
        let with_neighbours = |i: usize| block(i).saturating_sub(1).max(from)..(block(i) + BLOCK + 1).min(end);
        let mut all: Vec<usize> = tops.samples.iter().flat_map(|i| with_neighbours(*i)).collect();
        all.sort_unstable();
        all.dedup();
        if all.len() <= ALONE {
            let mut told = Told::of(self, all);
            let could = told.could_be(highest);
            let beside = |k: usize| could[k.saturating_sub(1)..(k + 2).min(could.len())].contains(&true);
            told.keep(&(0..could.len()).map(beside).collect::<Vec<bool>>());
            return (told, 1);
        }
        let each = all.len().div_ceil(TOGETHER);
        let highest_of =
            |few: &[usize]| few.iter().copied().reduce(|a, b| if self.light[b] > self.light[a] { b } else { a });
        (Told::of(self, all.chunks(each).filter_map(highest_of).collect()), each)
    }
}

/// Mean and deviation of the highest of some normal numbers.
fn of_highest(many: usize) -> (f64, f64) {
    let rank = |j: usize| (j as f64 / QUANTILES as f64).powi(many as i32);
    let (mut mean, mut square, mut below) = (0.0, 0.0, rank(0));
    for (j, q) in SORTED.iter().enumerate() {
        let above = rank(j + 1);
        let share = above - below;
        below = above;
        mean += share * q;
        square += share * q * q;
    }
    (mean, (square - mean * mean).max(0.0).sqrt())
}

/// Standard deviation of the top [nm]; NaN where that of a sample is none.
///
/// own: the standard deviation of the highest sample, all errors together.
pub fn spread(known: &Known, calibrated: (usize, usize), peak: &Peak, own: f64) -> f64 {
    let highest = peak.sample;
    let (told, each) = known.candidates(calibrated, highest, own);
    let modes = told.common_modes(highest);
    let samples = &told.samples;
    let (rise, narrower) = if each == 1 { (0.0, 1.0) } else { of_highest(each) };
    let unit = if own > 0.0 && own.is_finite() { own } else { 1.0 };
    let short = |x: f64| (x / unit) as f32;
    let candidate = |k: usize| {
        let i = samples[k];
        let nm = known.axis[i];
        let before = k.checked_sub(1).map(|before| known.axis[samples[before]]);
        let shape2 = told.modes(k).filter(|(mode, _)| matches!(mode.mixture, Mixture::Shape(_))).map(|(_, x)| x * x);
        let rho = before.map_or(0.0, |before| known.errors.bins.correlation_over(nm - before));
        let mut common = [0.0; COMMON];
        for (to, m) in common.iter_mut().zip(&modes) {
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
    let candidates: Vec<Candidate> = (0..samples.len()).map(candidate).collect();
    let draws = (WORK / candidates.len()).clamp(FEWEST, QUANTILES);
    let tops = wide::run(Draws { candidates: &candidates, modes: modes.len(), draws });
    let n = tops.len() as f64;
    let mean = tops.iter().sum::<f64>() / n;
    (tops.iter().map(|t| (t - mean).powi(2)).sum::<f64>() / n).sqrt()
}

/// The draws.
struct Draws<'a> {
    candidates: &'a [Candidate],
    /// How many modes common to all of them are drawn.
    modes: usize,
    draws: usize,
}

/// The numbers of an unknown, one a draw. Every unknown begins elsewhere, and no two pairs are equally far apart, or what
/// neighbours happen to have in common would add up along the axis.
#[inline(always)]
fn drawn(quantile: &[f32], unknown: usize, draws: usize) -> &[f32] {
    &quantile[unknown * (unknown + 1) / 2 % QUANTILES..][..draws]
}

impl wide::Loops for Draws<'_> {
    type Output = Vec<f64>;

    /// Candidate by candidate, all draws of it: such loops run over many draws at a time.
    #[inline(always)]
    fn call(self) -> Vec<f64> {
        let (n, quantile) = (self.draws, QUANTILE.as_slice());
        let (mut amplitude, mut highest, mut at) = (vec![0.0; n], vec![f32::NEG_INFINITY; n], vec![0.0f32; n]);
        // Only a parabola asks for what stood beside the highest.
        let kept = self.candidates.iter().any(|candidate| candidate.whole);
        let mut all = vec![0.0; if kept { n * self.candidates.len() } else { n }];
        for (c, candidate) in self.candidates.iter().enumerate() {
            let light = &mut all[if kept { c * n } else { 0 }..][..n];
            let (rho, own) = (candidate.rho, (1.0 - candidate.rho * candidate.rho).sqrt());
            for (a, z) in amplitude.iter_mut().zip(drawn(quantile, COMMON + 2 * c, n)) {
                *a = rho * *a + own * z;
            }
            let noises = drawn(quantile, COMMON + 2 * c + 1, n);
            for ((light, a), z) in light.iter_mut().zip(&amplitude).zip(noises) {
                *light = candidate.light + candidate.shape * a + candidate.noise * z;
            }
            for (k, common) in candidate.common.iter().enumerate().take(self.modes) {
                for (light, z) in light.iter_mut().zip(drawn(quantile, k, n)) {
                    *light += common * z;
                }
            }
            let here = c as f32;
            for ((light, highest), at) in light.iter().zip(&mut highest).zip(&mut at) {
                let higher = *light > *highest;
                *at = if higher { here } else { *at };
                *highest = if higher { *light } else { *highest };
            }
        }
        let draws = at.iter().zip(&highest).enumerate();
        draws.map(|(draw, (at, highest))| self.top_of(*at as usize, *highest, &all[draw..])).collect()
    }
}

impl Draws<'_> {
    /// Where the top of a draw is whose highest candidate is known; where they are kept, its lights stand at every `draws`th
    /// place.
    fn top_of(&self, at: usize, highest: f32, lights: &[f32]) -> f64 {
        let candidate = &self.candidates[at];
        if candidate.whole {
            let three = [at - 1, at, at + 1];
            top(&three.map(|c| self.candidates[c].nm), &three.map(|c| f64::from(lights[c * self.draws])), [0, 1, 2]).0
        } else if highest.is_finite() {
            candidate.nm
        } else {
            // What no number can be drawn for has no deviation.
            f64::NAN
        }
    }
}
