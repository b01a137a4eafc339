//! From exposures to frames: lossless sums with the clipped pixels listed and the light's unsteadiness measured.
//!
//! Decides nothing about times. What must stay true: a sum cannot overflow, holds exposures of one integration time only,
//! and lists every pixel that was clipped in any of them.

use super::frame_statistics::level;
use super::setup::{CaptureSetup, dilate};
use crate::record::{Exposure, Frame, PixelRanges, Shutter, Stamp};
use std::borrow::Cow;

/// Changes of light below this many standard deviations of the noise are not told from none.
const SIGNIFICANT: f64 = 4.0;

/// Exposures of equal integration time.
#[derive(Clone, Debug, Default)]
pub(super) struct Group {
    pub exposures: Vec<Exposure>,
}

impl Group {
    /// Whether one more exposure fits into a u32 sum.
    pub fn has_room(&self, setup: &CaptureSetup) -> bool {
        let most = u32::MAX / setup.detector.full_scale.max(1);
        (self.exposures.len() as u64) < u64::from(most.max(1))
    }

    /// Takes an exposure; hands it back when its integration time differs from the others'.
    pub fn add(&mut self, exposure: Exposure) -> Result<(), Exposure> {
        match self.exposures.first() {
            Some(first) if !Frame::same_integration(first.integration_s, exposure.integration_s) => Err(exposure),
            _ => {
                self.exposures.push(exposure);
                Ok(())
            }
        }
    }

    /// From the first light to the last [s]; 0 when empty.
    pub fn span_s(&self) -> f64 {
        match (self.exposures.first(), self.exposures.last()) {
            (Some(a), Some(b)) => b.end().seconds_since(a.start),
            _ => 0.0,
        }
    }

    /// Pixels clipped in at least one exposure.
    pub fn clipped(&self, setup: &CaptureSetup) -> Vec<bool> {
        let mut clipped = vec![false; setup.detector.pixels];
        for e in &self.exposures {
            for (c, n) in clipped.iter_mut().zip(&e.counts) {
                *c |= setup.is_clipped(*n);
            }
        }
        clipped
    }

    /// The frame; `None` when there is no exposure.
    pub fn frame(&self, setup: &CaptureSetup) -> Option<Frame> {
        let first = self.exposures.first()?;
        let clipped = self.clipped(setup);
        let mut sums = vec![0u32; setup.detector.pixels];
        for e in &self.exposures {
            for (s, n) in sums.iter_mut().zip(&e.counts) {
                *s = s.saturating_add(*n);
            }
        }
        let temperatures: Vec<f64> = self.exposures.iter().filter_map(|e| e.temperature_c).collect();
        Some(Frame {
            integration_s: first.integration_s,
            shutter: Shutter::Open,
            temperature_c: (!temperatures.is_empty())
                .then(|| temperatures.iter().sum::<f64>() / temperatures.len() as f64),
            stamps: self.exposures.iter().map(|e| Stamp { start: e.start, crc32: e.crc32 }).collect(),
            spread: self.spread(setup, &clipped) as f32,
            sums,
            clipped: PixelRanges::from_mask(&clipped),
        })
    }

    /// Largest relative change of the unclipped signal in use between two exposures [1]; 0 where noise could have made it.
    fn spread(&self, setup: &CaptureSetup, clipped: &[bool]) -> f64 {
        if self.exposures.len() < 2 {
            return 0.0;
        }
        let usable = usable(setup, clipped);
        let n = usable.iter().filter(|u| **u).count();
        let total = |e: &Exposure| -> f64 {
            e.counts.iter().zip(&usable).filter(|(_, u)| **u).map(|(c, _)| f64::from(*c)).sum()
        };
        let totals: Vec<f64> = self.exposures.iter().map(total).collect();
        let (Some(low), Some(high)) =
            (totals.iter().copied().min_by(f64::total_cmp), totals.iter().copied().max_by(f64::total_cmp))
        else {
            return 0.0;
        };
        // The totals share one offset, which therefore cancels in their difference, but not in what it is compared with.
        let brightest = self.exposures.iter().find(|e| total(e) >= high);
        let offset = brightest.map_or(0.0, |e| level(setup, &e.counts).0);
        let signal = high - offset * n as f64;
        let noise = (2.0 * n as f64 * setup.read_noise_counts.powi(2)
            + (signal.max(0.0) + (low - offset * n as f64).max(0.0)) / setup.electrons_per_count.max(1e-3))
        .sqrt();
        // Of many exposures the two extremes lie farther apart by chance; one more deviation covers thousands.
        let limit = if totals.len() > 4 { SIGNIFICANT + 3.0 } else { SIGNIFICANT };
        if high - low > limit * noise && signal > 0.0 { ((high - low) / signal).min(1.0) } else { 0.0 }
    }
}

/// Pixels in use that are neither clipped nor within the blooming of a clipped one.
pub(super) fn usable(setup: &CaptureSetup, clipped: &[bool]) -> Vec<bool> {
    let reach = dilate(clipped, setup.blooming_pixels);
    setup.in_use.iter().zip(reach).map(|(u, r)| *u && !r).collect()
}

/// Median of a set of pixels and the robust scatter of single ones about it [counts].
fn level_of(counts: &[f64], set: &[bool]) -> (f64, f64) {
    let mut dark: Vec<f64> = counts.iter().zip(set).filter(|(_, s)| **s).map(|(c, _)| *c).collect();
    if dark.is_empty() {
        return (0.0, 0.0);
    }
    dark.sort_by(f64::total_cmp);
    let quantile = |percent: usize| dark[(dark.len() - 1) * percent / 100];
    (quantile(50), 0.5 * (quantile(84) - quantile(16)))
}

/// Relative change of the light between two frames of different integration time [1], from the brightest pixels that
/// neither has clipped, over the shielded ones or, without those, over the dimmest; 0 where noise could have made it.
///
/// The light of `short` and `long` is compared as rates after linearity; what the darks still add is inside the noise.
pub(super) fn change_between(setup: &CaptureSetup, short: &Group, long: &Group) -> f64 {
    let mean = |g: &Group| -> Vec<f64> {
        let n = g.exposures.len().max(1) as f64;
        let mut mean = vec![0.0; setup.detector.pixels];
        for e in &g.exposures {
            mean.iter_mut().zip(&e.counts).for_each(|(m, c)| *m += f64::from(*c));
        }
        mean.iter_mut().for_each(|m| *m /= n);
        mean
    };
    let (Some(a), Some(b)) = (short.exposures.first(), long.exposures.first()) else { return 0.0 };
    let clipped: Vec<bool> = short.clipped(setup).iter().zip(long.clipped(setup)).map(|(a, b)| *a || b).collect();
    let usable = usable(setup, &clipped);
    let (mean_a, mean_b) = (mean(short), mean(long));
    let ground = match setup.shielded.contains(&true) {
        true => Cow::from(&setup.shielded),
        false => Cow::from(dimmest(&mean_b, &usable)),
    };
    let ((level_a, scatter_a), (level_b, scatter_b)) = (level_of(&mean_a, &ground), level_of(&mean_b, &ground));
    let light = |mean: &[f64], level: f64| -> Vec<f64> {
        let mut light = Vec::with_capacity(mean.len());
        light.extend(mean.iter().zip(&usable).filter(|(_, u)| **u).map(|(c, _)| setup.linear(c - level)));
        light
    };
    let (light_a, light_b) = (light(&mean_a, level_a), light(&mean_b, level_b));
    let brightest = |l: &[f64]| l.iter().copied().fold(0.0, f64::max);
    let (floor_a, floor_b) = (0.25 * brightest(&light_a), 0.25 * brightest(&light_b));
    let (mut sum_a, mut sum_b, mut n) = (0.0, 0.0, 0.0);
    for (a, b) in light_a.iter().zip(&light_b).filter(|(a, b)| **a >= floor_a || **b >= floor_b) {
        (sum_a, sum_b, n) = (sum_a + a, sum_b + b, n + 1.0);
    }
    let grounds = ground.iter().filter(|g| **g).count().max(1) as f64;
    let deviation = |sum: f64, scatter: f64| {
        let pixel = scatter.max(setup.read_noise_counts);
        // The common level is off by its own error in every pixel; the pixels' own patterns average out.
        (n * pixel.powi(2)
            + (n * 1.25 * pixel / grounds.sqrt()).powi(2)
            + sum.max(0.0) / setup.electrons_per_count.max(1e-3))
        .sqrt()
    };
    let (ta, tb) = (a.integration_s.max(1e-9), b.integration_s.max(1e-9));
    let (rate_a, rate_b) = (sum_a / ta, sum_b / tb);
    let noise = (deviation(sum_a, scatter_a) / ta).hypot(deviation(sum_b, scatter_b) / tb);
    let high = rate_a.max(rate_b);
    if (rate_a - rate_b).abs() > SIGNIFICANT * noise && high > 0.0 {
        ((rate_a - rate_b).abs() / high).min(1.0)
    } else {
        0.0
    }
}

/// The dimmest tenth of the usable pixels.
fn dimmest(counts: &[f64], usable: &[bool]) -> Vec<bool> {
    let mut order: Vec<usize> = (0..counts.len()).filter(|i| usable[*i]).collect();
    order.sort_by(|a, b| counts[*a].total_cmp(&counts[*b]));
    let mut set = vec![false; counts.len()];
    for i in order.iter().take(order.len() / 10) {
        set[*i] = true;
    }
    set
}
