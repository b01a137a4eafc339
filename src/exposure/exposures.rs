//! Combines exposures into frames: lossless sums, the clipped pixels, and the variation of the light.
//!
//! Does not choose integration times. Invariants: a sum cannot overflow, holds exposures of one integration time only, and lists
//! every pixel that was clipped in any of them; an exposure with a spike is left out of it, unless that would leave less than half of
//! the exposures, and then its pixels are listed.

use super::frame_statistics::offset_and_scatter;
use super::setup::ExposureSetup;
use crate::record::mains_ripple::{exposure_variation, has_ripple};
use crate::record::spikes::{SpikeTest, compared, spikes};
use crate::record::{Exposure, Frame, PixelRanges, Stamp, dilate};

/// A change of light below this many standard deviations of its noise counts as none.
const SIGNIFICANT: f64 = 4.0;
/// The same for more than four exposures, whose extremes differ more by chance; sufficient for thousands.
const SIGNIFICANT_OF_MANY: f64 = 7.0;

/// Exposures of equal integration time.
#[derive(Clone, Debug, Default)]
pub(super) struct ExposureGroup {
    pub exposures: Vec<Exposure>,
    /// Those that were left out because of a spike.
    rejected: Vec<Stamp>,
    /// Pixels with a spike in an exposure that was not left out.
    marked: Vec<usize>,
}

impl ExposureGroup {
    /// Whether one more exposure fits into a u32 sum.
    pub fn has_room(&self, setup: &ExposureSetup) -> bool {
        let most = u32::MAX / setup.detector.full_scale.max(1);
        (self.exposures.len() as u64) < u64::from(most.max(1))
    }

    /// Adds an exposure; returns it as the error where its integration time differs from that of the others.
    pub fn add(&mut self, exposure: Exposure) -> Result<(), Exposure> {
        match self.exposures.first() {
            Some(first) if !Frame::same_integration(first.integration_s, exposure.integration_s) => Err(exposure),
            _ => {
                self.exposures.push(exposure);
                Ok(())
            }
        }
    }

    /// Leaves out the exposures with spikes, once all are there.
    pub fn without_spikes(mut self, setup: &ExposureSetup) -> Self {
        if self.exposures.len() < 2 {
            return self;
        }
        let exposures: Vec<&Exposure> = self.exposures.iter().collect();
        let lit: Vec<bool> = setup.pixels.shielded.iter().map(|shielded| !shielded).collect();
        let compared = compared(&lit, &exposures, setup.clipped_from(), setup.noise.blooming_pixels);
        let offsets: Vec<f64> = exposures.iter().map(|e| offset_and_scatter(setup, &e.counts).0).collect();
        let test = SpikeTest {
            compared: &compared,
            offsets: &offsets,
            slit_pixels: setup.slit_pixels,
            read_noise_counts: setup.noise.read_noise_counts,
            electrons_per_count: setup.noise.electrons_per_count,
        };
        let found = spikes(&exposures, &test);
        self.rejected = found.rejected.iter().map(|k| self.exposures[*k].stamp()).collect();
        self.marked = found.marked;
        let mut k = 0;
        self.exposures.retain(|_| {
            k += 1;
            found.rejected.binary_search(&(k - 1)).is_err()
        });
        self
    }

    /// From the start of the first exposure to the end of the last [s]; 0 when empty.
    pub fn span_s(&self) -> f64 {
        match (self.exposures.first(), self.exposures.last()) {
            (Some(a), Some(b)) => b.end().seconds_since(a.start),
            _ => 0.0,
        }
    }

    /// The frame; `None` when there is no exposure.
    pub fn frame(&self, setup: &ExposureSetup) -> Option<Frame> {
        let clipped_from = setup.clipped_from();
        let frame = Frame::of(&self.exposures, |counts| counts >= clipped_from)?;
        let mut clipped = frame.clipped.to_mask(setup.detector.pixels);
        for i in self.marked.iter().filter(|i| **i < setup.detector.pixels) {
            clipped[*i] = true;
        }
        let frame = Frame { clipped: PixelRanges::from_mask(&clipped), rejected: self.rejected.clone(), ..frame };
        let ripple = match has_ripple(&frame, setup.mains_hz) {
            true => exposure_variation(&self.exposures, &usable(setup, &clipped)),
            false => Vec::new(),
        };
        Some(Frame { light_variation: self.light_variation(setup, &clipped) as f32, ripple, ..frame })
    }

    /// Largest relative change of the unclipped signal in use between two exposures [1]; 0 where noise can
    /// explain it.
    fn light_variation(&self, setup: &ExposureSetup, clipped: &[bool]) -> f64 {
        if self.exposures.len() < 2 {
            return 0.0;
        }
        let usable = usable(setup, clipped);
        let n = usable.iter().filter(|u| **u).count() as f64;
        let total = |e: &Exposure| -> f64 {
            e.counts.iter().zip(&usable).filter(|(_, u)| **u).map(|(c, _)| f64::from(*c)).sum()
        };
        let totals: Vec<f64> = self.exposures.iter().map(total).collect();
        let low = totals.iter().copied().fold(f64::INFINITY, f64::min);
        let high = totals.iter().copied().fold(0.0, f64::max);
        // The offset cancels in the difference of two totals, but not in the signal that the difference is divided by.
        let brightest = self.exposures.iter().zip(&totals).find(|(_, total)| **total >= high);
        let offset = brightest.map_or(0.0, |(e, _)| offset_and_scatter(setup, &e.counts).0);
        let signal = high - offset * n;
        let noise = &setup.noise;
        let deviation = (2.0 * n * noise.read_noise_counts.powi(2)
            + (signal.max(0.0) + (low - offset * n).max(0.0)) / noise.electrons_per_count.max(1e-3))
        .sqrt();
        let limit = if totals.len() > 4 { SIGNIFICANT_OF_MANY } else { SIGNIFICANT };
        if high - low > limit * deviation && signal > 0.0 { ((high - low) / signal).min(1.0) } else { 0.0 }
    }
}

/// Pixels in use that are not affected by saturation: neither clipped nor within the blooming of a clipped one.
pub(super) fn usable(setup: &ExposureSetup, clipped: &[bool]) -> Vec<bool> {
    let affected = dilate(clipped, setup.noise.blooming_pixels);
    setup.pixels.in_use.iter().zip(affected).map(|(u, a)| *u && !a).collect()
}
