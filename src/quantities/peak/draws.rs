//! Drawing the samples that could be the highest, again and again, and what top each draw has.
//!
//! Knows candidates, not the spectrum they come from. What must stay true: the numbers are the same every time.

use super::top;
use crate::spectrum::wide;
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_distr::{Distribution, StandardNormal};
use std::sync::LazyLock;

/// Numbers in the order that is drawn from, and draws at most.
pub const QUANTILES: usize = 512;
/// Modes common to all samples that are drawn at most: those that change differences most.
pub const COMMON: usize = 4;

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

/// What can happen to one sample that may be the highest, in units of the highest one's standard deviation: short numbers will
/// do, of which more fit a step.
#[derive(Clone, Debug)]
pub struct Candidate {
    /// Wavelength [nm].
    pub nm: f64,
    /// What it holds less what the highest holds.
    pub light: f32,
    /// Its own deviation.
    pub noise: f32,
    /// Deviation by the response's shape, and its correlation with the candidate before.
    pub shape: f32,
    /// See `shape`.
    pub rho: f32,
    /// By the modes that are common to all.
    pub common: [f32; COMMON],
    /// Whether the samples beside it are the candidates beside it.
    pub whole: bool,
}

/// Mean and deviation of the highest of some normal numbers.
pub fn of_highest(many: usize) -> (f64, f64) {
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

/// What is drawn, one a draw.
#[derive(Clone, Debug, Default)]
pub struct Drawn {
    amplitude: Vec<f32>,
    highest: Vec<f32>,
    at: Vec<f32>,
    /// The lights, candidate by candidate where they are kept.
    all: Vec<f32>,
    /// Where the top of each draw is [nm].
    pub tops: Vec<f64>,
}

impl Drawn {
    fn reset(&mut self, draws: usize, lights: usize) {
        let Self { amplitude, highest, at, all, tops } = self;
        for (numbers, n, start) in
            [(amplitude, draws, 0.0), (highest, draws, f32::NEG_INFINITY), (at, draws, 0.0), (all, lights, 0.0)]
        {
            numbers.clear();
            numbers.resize(n, start);
        }
        tops.clear();
    }
}

/// The draws.
pub struct Draws<'a> {
    /// What is drawn of.
    pub candidates: &'a [Candidate],
    /// How many modes common to all of them are drawn.
    pub modes: usize,
    /// How often.
    pub draws: usize,
    /// What comes of it.
    pub drawn: &'a mut Drawn,
}

/// The numbers of an unknown, one a draw. Every unknown begins elsewhere, and no two pairs are equally far apart, or what
/// neighbours happen to have in common would add up along the axis.
#[inline(always)]
fn drawn(quantile: &[f32], unknown: usize, draws: usize) -> &[f32] {
    &quantile[unknown * (unknown + 1) / 2 % QUANTILES..][..draws]
}

impl wide::Loops for Draws<'_> {
    type Output = ();

    /// Candidate by candidate, all draws of it: such loops run over many draws at a time.
    #[inline(always)]
    fn call(self) {
        let (n, quantile) = (self.draws, QUANTILE.as_slice());
        // Only a parabola asks for what stood beside the highest.
        let kept = self.candidates.iter().any(|candidate| candidate.whole);
        self.drawn.reset(n, if kept { n * self.candidates.len() } else { n });
        let Drawn { amplitude, highest, at, all, tops } = self.drawn;
        for (c, candidate) in self.candidates.iter().enumerate() {
            let light = &mut all[if kept { c * n } else { 0 }..][..n];
            let (rho, own) = (candidate.rho, (1.0 - candidate.rho * candidate.rho).sqrt());
            for (a, z) in amplitude.iter_mut().zip(drawn(quantile, COMMON + 2 * c, n)) {
                *a = rho * *a + own * z;
            }
            let noises = drawn(quantile, COMMON + 2 * c + 1, n);
            for ((light, a), z) in light.iter_mut().zip(&*amplitude).zip(noises) {
                *light = candidate.light + candidate.shape * a + candidate.noise * z;
            }
            for (k, common) in candidate.common.iter().enumerate().take(self.modes) {
                for (light, z) in light.iter_mut().zip(drawn(quantile, k, n)) {
                    *light += common * z;
                }
            }
            let here = c as f32;
            for ((light, highest), at) in light.iter().zip(&mut *highest).zip(&mut *at) {
                let higher = *light > *highest;
                *at = if higher { here } else { *at };
                *highest = if higher { *light } else { *highest };
            }
        }
        let draws = at.iter().zip(&*highest).enumerate();
        let top_of = |at, highest, lights: &[f32]| top_of(self.candidates, self.draws, at, highest, lights);
        tops.extend(draws.map(|(draw, (at, highest))| top_of(*at as usize, *highest, &all[draw..])));
    }
}

/// Where the top of a draw is whose highest candidate is known; where they are kept, its lights stand at every `draws`th place.
fn top_of(candidates: &[Candidate], draws: usize, at: usize, highest: f32, lights: &[f32]) -> f64 {
    let candidate = &candidates[at];
    if candidate.whole {
        let three = [at - 1, at, at + 1];
        top(&three.map(|c| candidates[c].nm), &three.map(|c| f64::from(lights[c * draws])), [0, 1, 2]).0
    } else if highest.is_finite() {
        candidate.nm
    } else {
        // What no number can be drawn for has no deviation.
        f64::NAN
    }
}
