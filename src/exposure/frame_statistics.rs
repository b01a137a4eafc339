//! Statistics of one light frame for exposure control: which pixels are clipped, how bright the brightest is.
//!
//! Needs neither darks nor a calibration: the level without light is that of the shielded pixels. The statistics steer
//! exposures and are never a result. Invariant: a pixel above the saturation limit is always in `clipped`.

use super::setup::ExposureSetup;
use crate::record::{Exposure, dilate};
use std::borrow::Cow;

/// Width of the blocks whose light makes the coarse spectral shape [pixels].
pub const BLOCK: usize = 32;
/// A clipped run of at most so many pixels may be a dead pixel.
const LONE_RUN: usize = 2;
/// Dead pixels are at most this share of all [1].
const LONE_SHARE: f64 = 0.01;
/// The neighbours of a dead pixel are below this share of the range up to saturation [1].
const LONE_NEIGHBOUR: f64 = 0.3;

/// What one light frame shows.
#[derive(Clone, Debug)]
pub struct FrameStatistics {
    /// Integration time in force [s].
    pub integration_s: f64,
    /// Level without light [counts]: median of the shielded pixels, or a low quantile where there are none.
    pub offset: f64,
    /// Every pixel above the saturation limit.
    pub clipped: Vec<bool>,
    /// Share of the pixels in use that are affected by saturation [1]: clipped, or within the blooming of a clipped pixel
    /// (stuck ones left out).
    pub affected_share: f64,
    /// Highest counts of a watched pixel that is not stuck, over full scale [1].
    pub peak_level: f64,
    /// Rate of that pixel above the offset, made linear [counts/s]; a lower bound when it is clipped.
    pub peak_rate: f64,
    /// Mean rate of each block of [`BLOCK`] pixels [counts/s]; `None` where clipping extends into it.
    pub blocks: Vec<Option<f64>>,
    /// Standard uncertainty of a block's rate [counts/s].
    pub block_noise: f64,
}

impl FrameStatistics {
    /// Of an exposure. `stuck` pixels (ascending) do not steer.
    pub fn of(setup: &ExposureSetup, exposure: &Exposure, stuck: &[u16]) -> Self {
        let counts = &exposure.counts;
        let t = exposure.integration_s.max(1e-9);
        let (offset, scatter) = level(setup, counts);
        let clipped_from = setup.clipped_from();
        let clipped: Vec<bool> = counts.iter().map(|c| *c >= clipped_from).collect();
        let (mut steering, mut watched) = (Cow::from(&clipped), Cow::from(&setup.pixels.watched));
        let pixels = clipped.len().min(watched.len());
        for p in stuck.iter().map(|p| usize::from(*p)).filter(|p| *p < pixels) {
            (steering.to_mut()[p], watched.to_mut()[p]) = (false, false);
        }
        let blooming = setup.noise.blooming_pixels;
        let affected = dilate(&steering, blooming);
        let in_use = setup.pixels.in_use.iter().filter(|u| **u).count();
        let hit = affected.iter().zip(&setup.pixels.in_use).filter(|(a, u)| **a && **u).count();
        let peak = counts.iter().zip(&*watched).filter(|(_, w)| **w).map(|(c, _)| *c).max().unwrap_or(0);
        let unusable = dilate(&clipped, blooming.saturating_mul(2).max(2));
        let block_rate = |b: usize| {
            let range = b * BLOCK..((b + 1) * BLOCK).min(counts.len());
            if unusable[range.clone()].contains(&true) {
                return None;
            }
            let light: Vec<f64> =
                range.filter(|i| watched[*i]).map(|i| setup.linear(f64::from(counts[i]) - offset)).collect();
            (!light.is_empty()).then(|| light.iter().sum::<f64>() / light.len() as f64 / t)
        };
        Self {
            integration_s: exposure.integration_s,
            offset,
            affected_share: hit as f64 / in_use.max(1) as f64,
            peak_level: f64::from(peak) / f64::from(setup.detector.full_scale.max(1)),
            peak_rate: (setup.linear(f64::from(peak) - offset) / t).max(0.0),
            blocks: (0..counts.len().div_ceil(BLOCK)).map(block_rate).collect(),
            // The level is known from a few shielded pixels only, so half of their scatter stays in every block.
            block_noise: scatter.max(setup.noise.read_noise_counts).max(1.0) * 0.5 / t,
            clipped,
        }
    }

    /// Whether any pixel in use is affected by saturation.
    pub fn is_affected(&self) -> bool {
        self.affected_share > 0.0
    }

    /// Clipped pixels that stand alone, far above the pixels beyond their blooming: dead pixels look like that, light through
    /// a slit does not. `None` when other pixels are clipped too.
    pub fn lone_clipped(&self, setup: &ExposureSetup, counts: &[u32]) -> Option<Vec<u16>> {
        let beyond = usize::from(setup.noise.blooming_pixels) + 1;
        let low = self.offset + LONE_NEIGHBOUR * (setup.saturation_counts - self.offset);
        let mut lone = Vec::new();
        let mut i = 0;
        while i < counts.len() {
            if !self.clipped[i] {
                i += 1;
                continue;
            }
            let run = self.clipped[i..].iter().take_while(|c| **c).count();
            let neighbours = [i.checked_sub(beyond), Some(i + run - 1 + beyond)];
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
pub(super) fn level(setup: &ExposureSetup, counts: &[u32]) -> (f64, f64) {
    let read_noise = setup.noise.read_noise_counts;
    let mut dark: Vec<u32> =
        counts.iter().zip(&setup.pixels.shielded).filter(|(_, shielded)| **shielded).map(|(c, _)| *c).collect();
    if dark.len() >= 3 {
        dark.sort_unstable();
        let median = f64::from(dark[dark.len() / 2]);
        let width = f64::from(dark[dark.len() * 84 / 100]) - f64::from(dark[dark.len() * 16 / 100]);
        return (median, 0.5 * width);
    }
    // Without shielded pixels the darkest ones stand in for them. Light on those too only makes the exposure shorter than
    // it could be, as long as the level is not overestimated: hence the bound.
    let mut all = counts.to_vec();
    if all.is_empty() {
        return (0.0, read_noise);
    }
    let at = all.len() / 100;
    let (_, low, _) = all.select_nth_unstable(at);
    (f64::from(*low).min(0.05 * f64::from(setup.detector.full_scale)), read_noise)
}
