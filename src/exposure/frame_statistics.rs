//! Statistics of one light frame for exposure control: the clipped pixels and the signal of the brightest pixel.
//!
//! Needs neither darks nor a calibration: the offset is taken from the shielded pixels. The statistics are used for exposure
//! control only, never for values. Invariant: a pixel above the saturation limit is always in `clipped`.

use super::setup::ExposureSetup;
use crate::record::{Exposure, dilate};
use std::borrow::Cow;

/// Width of the blocks that make up the coarse spectral shape [pixels].
pub const BLOCK: usize = 32;
/// Longest run of clipped pixels that is taken for a defect of the detector [pixels].
const ISOLATED_RUN: usize = 2;
/// Largest share of the pixels that is taken for defects [1].
const ISOLATED_SHARE: f64 = 0.01;
/// The neighbours of a defect are below this share of the range up to saturation [1].
const ISOLATED_NEIGHBOUR: f64 = 0.3;

/// Statistics of one light frame.
#[derive(Clone, Debug)]
pub struct FrameStatistics {
    /// Integration time [s].
    pub integration_s: f64,
    /// Offset, the level without light [counts]: median of the shielded pixels, or the first percentile of all pixels where
    /// fewer than three are shielded.
    pub offset: f64,
    /// Every pixel above the saturation limit.
    pub clipped: Vec<bool>,
    /// Share of the pixels in use that are affected by saturation [1]: clipped, or within the blooming of a clipped pixel
    /// (stuck pixels excluded).
    pub affected_share: f64,
    /// Highest counts of a watched pixel that is not stuck, over full scale [1].
    pub peak_level: f64,
    /// Rate of that pixel above the offset, linearised [counts/s]; a lower bound when it is clipped.
    pub peak_rate: f64,
    /// Mean rate of each block of [`BLOCK`] pixels [counts/s]; `None` where saturation affects the block.
    pub blocks: Vec<Option<f64>>,
    /// Standard uncertainty of a block's rate [counts/s].
    pub block_noise: f64,
}

impl FrameStatistics {
    /// Computes the statistics of an exposure. `stuck` pixels (ascending) are left out of the shares, peaks and blocks.
    pub fn of(setup: &ExposureSetup, exposure: &Exposure, stuck: &[u16]) -> Self {
        let counts = &exposure.counts;
        let t = exposure.integration_s.max(1e-9);
        let (offset, scatter) = offset_and_scatter(setup, counts);
        let clipped_from = setup.clipped_from();
        let clipped: Vec<bool> = counts.iter().map(|c| *c >= clipped_from).collect();
        let (mut clipped_by_light, mut watched) = (Cow::from(&clipped), Cow::from(&setup.pixels.watched));
        let pixels = clipped.len().min(watched.len());
        for p in stuck.iter().map(|p| usize::from(*p)).filter(|p| *p < pixels) {
            (clipped_by_light.to_mut()[p], watched.to_mut()[p]) = (false, false);
        }
        let blooming = setup.noise.blooming_pixels;
        let affected = dilate(&clipped_by_light, blooming);
        let in_use = setup.pixels.in_use.iter().filter(|u| **u).count();
        let affected_in_use = affected.iter().zip(&setup.pixels.in_use).filter(|(a, u)| **a && **u).count();
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
            affected_share: affected_in_use as f64 / in_use.max(1) as f64,
            peak_level: f64::from(peak) / f64::from(setup.detector.full_scale.max(1)),
            peak_rate: (setup.linear(f64::from(peak) - offset) / t).max(0.0),
            blocks: (0..counts.len().div_ceil(BLOCK)).map(block_rate).collect(),
            // The offset is known from a few shielded pixels only: about half of their scatter is common to all blocks.
            block_noise: scatter.max(setup.noise.read_noise_counts).max(1.0) * 0.5 / t,
            clipped,
        }
    }

    /// Whether any pixel in use is affected by saturation.
    pub fn is_affected(&self) -> bool {
        self.affected_share > 0.0
    }

    /// Isolated clipped pixels: the pixels next to their blooming range are dark. They are defects of the detector, since
    /// light through a slit covers several pixels. `None` where other pixels are clipped too.
    pub fn isolated_clipped(&self, setup: &ExposureSetup, counts: &[u32]) -> Option<Vec<u16>> {
        let beyond = usize::from(setup.noise.blooming_pixels) + 1;
        let low = self.offset + ISOLATED_NEIGHBOUR * (setup.saturation_counts - self.offset);
        let mut isolated = Vec::new();
        let mut i = 0;
        while i < counts.len() {
            if !self.clipped[i] {
                i += 1;
                continue;
            }
            let run = self.clipped[i..].iter().take_while(|c| **c).count();
            let neighbours = [i.checked_sub(beyond), Some(i + run - 1 + beyond)];
            let dark = |n: &usize| counts.get(*n).is_none_or(|c| f64::from(*c) < low);
            if run > ISOLATED_RUN || !neighbours.iter().flatten().all(dark) {
                return None;
            }
            isolated.extend((i..i + run).map(|p| p.min(usize::from(u16::MAX)) as u16));
            i += run;
        }
        (isolated.len() as f64 <= (ISOLATED_SHARE * counts.len() as f64).max(1.0)).then_some(isolated)
    }
}

/// Offset, and the standard deviation of single pixels about it [counts].
pub(super) fn offset_and_scatter(setup: &ExposureSetup, counts: &[u32]) -> (f64, f64) {
    let read_noise = setup.noise.read_noise_counts;
    let mut dark: Vec<u32> =
        counts.iter().zip(&setup.pixels.shielded).filter(|(_, shielded)| **shielded).map(|(c, _)| *c).collect();
    if dark.len() >= 3 {
        dark.sort_unstable();
        let median = f64::from(dark[dark.len() / 2]);
        let width = f64::from(dark[dark.len() * 84 / 100]) - f64::from(dark[dark.len() * 16 / 100]);
        return (median, 0.5 * width);
    }
    // Without shielded pixels the darkest pixels are used. The bound limits the error where light reaches those as well: an
    // overestimated offset would lengthen the exposure.
    let mut all = counts.to_vec();
    if all.is_empty() {
        return (0.0, read_noise);
    }
    let percentile = all.len() / 100;
    let (_, low, _) = all.select_nth_unstable(percentile);
    (f64::from(*low).min(0.05 * f64::from(setup.detector.full_scale)), read_noise)
}
