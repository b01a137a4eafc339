//! What capture has to know about one instrument to plan a reading: facts and settings, none of which change while it runs.

use super::grid::Grid;
use crate::calibration::Noise;
use crate::config::meant::ExposureConfig;
use crate::record::Detector;

/// Time lost around every exposure beside light and transfer [s]: settings, latency of the line.
pub const OVERHEAD_S: f64 = 0.05;

/// Everything a reading is planned from.
#[derive(Clone, Debug)]
pub struct CaptureSetup {
    /// How to expose.
    pub exposure: ExposureConfig,
    /// The detector.
    pub detector: Detector,
    /// Mains frequency [Hz]; 0 where no mains-driven light is seen.
    pub mains_hz: f64,
    /// Pixels whose light is wanted, one entry a pixel.
    pub in_use: Vec<bool>,
    /// Counts from which on a pixel is clipped.
    pub saturation_counts: f64,
    /// Pixels on either side of a clipped one that its charge spills into.
    pub blooming_pixels: u16,
    /// Standard deviation of the read noise of one exposure [counts].
    pub read_noise_counts: f64,
    /// Electrons that make one count.
    pub electrons_per_count: f64,
    /// Σ cₖ·countsᵏ by which offset-free counts are divided.
    pub linearity: Vec<f64>,
    /// Length of the window a reading fills [s]; `None` is a single shot.
    pub window_s: Option<f64>,
    /// Integration times to choose from.
    pub grid: Grid,
    /// Light-shielded pixels, one entry a pixel.
    pub shielded: Vec<bool>,
    /// Pixels that have to stay below saturation: those in use and those that would blooming into them.
    pub watched: Vec<bool>,
}

impl CaptureSetup {
    /// Puts it together. `in_use` is cut or filled up (with false) to the detector's pixels; shielded pixels are never in use.
    pub fn new(
        exposure: ExposureConfig,
        detector: Detector,
        noise: &Noise,
        linearity: &[f64],
        in_use: &[bool],
        mains_hz: f64,
        window_s: Option<f64>,
    ) -> Self {
        let shielded = detector.shielded.to_mask(detector.pixels);
        let in_use: Vec<bool> = (0..detector.pixels).map(|i| in_use.get(i) == Some(&true) && !shielded[i]).collect();
        let watched =
            (0..).zip(dilate(&in_use, noise.blooming_pixels)).map(|(i, w): (usize, _)| w && !shielded[i]).collect();
        let grid = Grid::new(
            exposure.integration_min_s.max(detector.integration_min_s),
            exposure.integration_max_s.min(detector.integration_max_s),
            mains_hz,
        );
        let saturation_counts =
            (noise.saturation_fraction * f64::from(detector.full_scale)).min(detector.full_scale.into());
        Self {
            mains_hz,
            saturation_counts,
            blooming_pixels: noise.blooming_pixels,
            read_noise_counts: noise.read_noise_counts,
            electrons_per_count: noise.electrons_per_count,
            linearity: linearity.to_vec(),
            window_s,
            grid,
            shielded,
            watched,
            in_use,
            exposure,
            detector,
        }
    }

    /// Time a reading may take in all [s].
    pub fn budget_s(&self) -> f64 {
        self.window_s.unwrap_or(self.exposure.budget_s)
    }

    /// What one exposure costs beside its light [s].
    pub fn overhead_s(&self) -> f64 {
        self.detector.transfer_s.max(0.0) + OVERHEAD_S
    }

    /// Longest integration time of the short bracket [s]. Half of the budget is kept back, so that a reading whose first
    /// frame was in vain has time for another one; a window keeps enough for its statistics.
    pub fn longest_short_s(&self) -> f64 {
        let share = if self.window_s.is_some() { 8.0 } else { 2.0 };
        let frames = 1.0 + f64::from(self.exposure.discard_frames);
        self.grid.floor((self.budget_s() / share / frames - self.overhead_s()).max(0.0))
    }

    /// Longest integration time any bracket may have [s].
    pub fn longest_s(&self) -> f64 {
        if self.exposure.bracket_ratio.is_none() {
            return self.longest_short_s();
        }
        let share = if self.window_s.is_some() { 4.0 } else { 1.0 };
        let frames = 1.0 + f64::from(self.exposure.discard_frames);
        self.grid.floor((self.budget_s() / share / frames - self.overhead_s()).max(0.0)).max(self.longest_short_s())
    }

    /// Counts above the offset, made proportional to light.
    pub fn linear(&self, counts: f64) -> f64 {
        let divisor = self.linearity.iter().rev().fold(0.0, |sum, c| sum * counts + c);
        if divisor > 0.1 { counts / divisor } else { counts }
    }

    /// Whether this count is clipped.
    pub fn is_clipped(&self, counts: u32) -> bool {
        // As whole numbers, since this is asked for every pixel of every exposure: above x is from ⌊x⌋ + 1 on.
        let above = match self.saturation_counts {
            s if s >= 0.0 => (s as u32).saturating_add(1),
            s if s < 0.0 => 0,
            _ => u32::MAX,
        };
        counts >= above.min(self.detector.full_scale)
    }
}

/// A mask grown by `by` entries on either side.
pub fn dilate(mask: &[bool], by: u16) -> Vec<bool> {
    let by = usize::from(by);
    let mut grown = vec![false; mask.len()];
    // Most frames have nothing clipped, which is seen many entries at a time.
    if !mask.contains(&true) {
        return grown;
    }
    // Run by run: of a frame that is clipped on purpose half the pixels are set.
    let mut looked_at = 0;
    while let Some(start) = mask[looked_at..].iter().position(|set| *set).map(|n| looked_at + n) {
        let end = mask[start..].iter().position(|set| !*set).map_or(mask.len(), |n| start + n);
        grown[start.saturating_sub(by)..(end + by).min(mask.len())].fill(true);
        looked_at = end;
    }
    grown
}
