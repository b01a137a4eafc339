//! What one light frame shows exposure control: which pixels are clipped, how bright the brightest is.
//!
//! A look is taken without darks or calibration, from the shielded pixels' level alone; it steers exposures and is never a
//! result. What must stay true: a pixel at or above the saturation limit is always in `clipped`.

use super::setup::{CaptureSetup, dilate};
use crate::record::Exposure;
use std::borrow::Cow;

/// Width of the blocks whose light makes the coarse spectral shape [pixels].
pub const BLOCK: usize = 32;

/// One light frame, looked at.
#[derive(Clone, Debug)]
pub struct FrameStatistics {
    /// Integration time in force [s].
    pub integration_s: f64,
    /// Level without light [counts]: median of the shielded pixels, or a low quantile where there are none.
    pub offset: f64,
    /// Every pixel above the saturation limit.
    pub clipped: Vec<bool>,
    /// Whether light that is wanted is clipped, or lies within the blooming of a clipped pixel (stuck ones left out).
    pub spoiled: bool,
    /// Share of the pixels in use that are spoiled [1].
    pub spoiled_share: f64,
    /// Highest counts of a watched pixel that is not stuck, over full scale [1].
    pub peak_level: f64,
    /// Rate of that pixel above the offset, made linear [counts/s]; a lower bound when it is clipped.
    pub peak_rate: f64,
    /// Mean rate of each block of [`BLOCK`] pixels [counts/s]; `None` where clipping reaches into it.
    pub blocks: Vec<Option<f64>>,
    /// Standard uncertainty of a block's rate [counts/s].
    pub block_noise: f64,
}

impl FrameStatistics {
    /// Looks at an exposure. `stuck` pixels (ascending) do not steer.
    pub fn at(setup: &CaptureSetup, exposure: &Exposure, stuck: &[u16]) -> Self {
        let counts = &exposure.counts;
        let t = exposure.integration_s.max(1e-9);
        let (offset, scatter) = level(setup, counts);
        let clipped: Vec<bool> = counts.iter().map(|c| setup.is_clipped(*c)).collect();
        let (mut steering, mut watched) = (Cow::from(&clipped), Cow::from(&setup.watched));
        for p in stuck.iter().map(|p| usize::from(*p)).filter(|p| *p < clipped.len().min(setup.watched.len())) {
            (steering.to_mut()[p], watched.to_mut()[p]) = (false, false);
        }
        let reach = dilate(&steering, setup.blooming_pixels);
        let in_use = setup.in_use.iter().filter(|u| **u).count();
        let hit = reach.iter().zip(&setup.in_use).filter(|(r, u)| **r && **u).count();
        let peak = counts.iter().zip(&*watched).filter(|(_, w)| **w).map(|(c, _)| *c).max().unwrap_or(0);
        let wide_reach = dilate(&clipped, setup.blooming_pixels.saturating_mul(2).max(2));
        let blocks = (0..counts.len().div_ceil(BLOCK))
            .map(|b| {
                let range = b * BLOCK..((b + 1) * BLOCK).min(counts.len());
                if wide_reach[range.clone()].iter().any(|r| *r) {
                    return None;
                }
                let mut used = 0;
                let mut sum = 0.0;
                for i in range.filter(|i| watched[*i]) {
                    sum += setup.linear(f64::from(counts[i]) - offset);
                    used += 1;
                }
                (used > 0).then(|| sum / f64::from(used) / t)
            })
            .collect();
        Self {
            integration_s: exposure.integration_s,
            offset,
            spoiled: hit > 0,
            spoiled_share: hit as f64 / in_use.max(1) as f64,
            peak_level: f64::from(peak) / f64::from(setup.detector.full_scale.max(1)),
            peak_rate: (setup.linear(f64::from(peak) - offset) / t).max(0.0),
            blocks,
            // The level is known from a few shielded pixels only, so half of their scatter stays in every block.
            block_noise: scatter.max(setup.read_noise_counts).max(1.0) * 0.5 / t,
            clipped,
        }
    }

    /// Clipped pixels that stand alone, far above pixels beyond the reach of their blooming: what a dead pixel looks like
    /// and light through a slit does not. `None` when other pixels are clipped too.
    pub fn lone_clipped(&self, setup: &CaptureSetup, counts: &[u32]) -> Option<Vec<u16>> {
        const LONE_RUN: usize = 2;
        const LONE_SHARE: f64 = 0.01;
        let blooming = usize::from(setup.blooming_pixels) + 1;
        let low = self.offset + 0.3 * (setup.saturation_counts - self.offset);
        let mut lone = Vec::new();
        let mut i = 0;
        while i < counts.len() {
            if !self.clipped[i] {
                i += 1;
                continue;
            }
            let run = self.clipped[i..].iter().take_while(|c| **c).count();
            let neighbours = [i.checked_sub(blooming), Some(i + run - 1 + blooming)];
            let dark = |n: &usize| counts.get(*n).is_none_or(|c| f64::from(*c) < low);
            if run > LONE_RUN || !neighbours.iter().flatten().all(dark) {
                return None;
            }
            lone.extend((i..i + run).map(|p| p.min(usize::from(u16::MAX)) as u16));
            i += run;
        }
        (lone.len() as f64 <= (LONE_SHARE * counts.len() as f64).max(1.0)).then_some(lone)
    }
}

/// Level without light and the scatter of single pixels about it [counts].
pub(super) fn level(setup: &CaptureSetup, counts: &[u32]) -> (f64, f64) {
    let mut dark: Vec<u32> = counts.iter().zip(&setup.shielded).filter(|(_, m)| **m).map(|(c, _)| *c).collect();
    if dark.len() >= 3 {
        dark.sort_unstable();
        let median = f64::from(dark[dark.len() / 2]);
        let spread = f64::from(dark[dark.len() * 84 / 100]) - f64::from(dark[dark.len() * 16 / 100]);
        return (median, 0.5 * spread);
    }
    // Without shielded pixels the darkest ones stand in for them. Light on those too only makes the exposure shorter than
    // it could be, as long as the level is not overestimated: hence the bound.
    let mut all = counts.to_vec();
    if all.is_empty() {
        return (0.0, setup.read_noise_counts);
    }
    let at = all.len() / 100;
    let (_, low, _) = all.select_nth_unstable(at);
    (f64::from(*low).min(0.05 * f64::from(setup.detector.full_scale)), setup.read_noise_counts)
}
