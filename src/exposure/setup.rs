//! Facts and settings that a reading of one instrument is planned from. None of them changes while a reading runs.

use crate::calibration::{Calibration, Noise};
use crate::config::ExposureConfig;
use crate::config::{InstrumentConfig, Station};
use crate::darks::DarkSetup;
use crate::record::{Detector, IntegrationGrid, dilate};
use std::sync::Arc;

/// Time around every exposure beside light and transfer [s]: settings, latency of the line.
const OVERHEAD_S: f64 = 0.05;
/// Noise that readings are planned with while no calibration is active: the clipping limit and the blooming of a usual
/// silicon array, stated carefully.
const UNCALIBRATED: Noise =
    Noise { electrons_per_count: 1.0, read_noise_counts: 10.0, saturation_fraction: 0.95, blooming_pixels: 8 };

/// Roles of the pixels: masks with one entry a pixel.
#[derive(Clone, Debug)]
pub struct PixelMasks {
    /// Pixels whose light is wanted.
    pub in_use: Vec<bool>,
    /// Light-shielded pixels.
    pub shielded: Vec<bool>,
    /// Pixels that have to stay below saturation: those in use, and those whose charge would bloom into them.
    pub watched: Vec<bool>,
}

/// Everything a reading is planned from.
#[derive(Clone, Debug)]
pub struct ExposureSetup {
    /// How to expose.
    pub exposure: ExposureConfig,
    /// The detector.
    pub detector: Detector,
    /// Noise, clipping limit and blooming of the detector.
    pub noise: Noise,
    /// Σ cₖ·countsᵏ by which offset-free counts are divided.
    pub linearity: Vec<f64>,
    /// Counts above which a pixel is clipped.
    pub saturation_counts: f64,
    /// Mains frequency [Hz]; 0 where no mains-driven light is seen.
    pub mains_hz: f64,
    /// Length of the window a reading fills [s]; `None` for a single shot.
    pub window_s: Option<f64>,
    /// Integration times to choose from.
    pub grid: IntegrationGrid,
    /// Roles of the pixels.
    pub pixels: PixelMasks,
}

impl ExposureSetup {
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
        let watched = dilate(&in_use, noise.blooming_pixels).iter().zip(&shielded).map(|(w, s)| *w && !s).collect();
        let grid = IntegrationGrid::new(
            exposure.integration_min_s.max(detector.integration_min_s),
            exposure.integration_max_s.min(detector.integration_max_s),
            mains_hz,
        );
        Self {
            saturation_counts: (noise.saturation_fraction * f64::from(detector.full_scale))
                .min(detector.full_scale.into()),
            noise: noise.clone(),
            linearity: linearity.to_vec(),
            mains_hz,
            window_s,
            grid,
            pixels: PixelMasks { in_use, shielded, watched },
            exposure,
            detector,
        }
    }

    /// For an instrument under a calibration; `in_use` are the pixels whose light its quantities need.
    pub fn calibrated(
        instrument: &InstrumentConfig,
        station: &Station,
        detector: &Detector,
        calibration: &Calibration,
        in_use: &[bool],
    ) -> Self {
        let window_s = instrument.schedule.window_s;
        let (noise, linearity) = (&calibration.noise, &calibration.linearity);
        Self::new(instrument.exposure.clone(), detector.clone(), noise, linearity, in_use, station.mains_hz, window_s)
    }

    /// For an instrument without an active calibration: its frames are stored, and values can be computed later.
    pub fn uncalibrated(instrument: &InstrumentConfig, station: &Station, detector: &Detector) -> Self {
        let (in_use, window_s) = (vec![true; detector.pixels], instrument.schedule.window_s);
        let exposure = instrument.exposure.clone();
        Self::new(exposure, detector.clone(), &UNCALIBRATED, &[], &in_use, station.mains_hz, window_s)
    }

    /// What the darks of this instrument depend on.
    pub fn for_darks(&self, calibration: Option<Arc<Calibration>>) -> DarkSetup {
        DarkSetup {
            has_shutter: self.detector.has_shutter,
            shielded: self.detector.shielded.clone(),
            clipped_from: self.clipped_from(),
            read_noise_counts: self.noise.read_noise_counts,
            grid: self.grid.clone(),
            longest_s: self.longest_s(),
            overhead_s: self.overhead_s(),
            calibration,
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
        self.longest_of_share(if self.window_s.is_some() { 8.0 } else { 2.0 })
    }

    /// Longest integration time any bracket may have [s].
    pub fn longest_s(&self) -> f64 {
        if self.exposure.bracket_ratio.is_none() {
            return self.longest_short_s();
        }
        self.longest_of_share(if self.window_s.is_some() { 4.0 } else { 1.0 }).max(self.longest_short_s())
    }

    /// Longest integration time of an exposure that takes at most one part in `share` of the budget [s], the frames to be
    /// discarded before it included.
    fn longest_of_share(&self, share: f64) -> f64 {
        let frames = 1.0 + f64::from(self.exposure.discard_frames);
        self.grid.floor((self.budget_s() / share / frames - self.overhead_s()).max(0.0))
    }

    /// Counts above the offset, made proportional to light.
    pub fn linear(&self, counts: f64) -> f64 {
        let divisor = self.linearity.iter().rev().fold(0.0, |sum, c| sum * counts + c);
        if divisor > 0.1 { counts / divisor } else { counts }
    }

    /// The lowest count that is clipped.
    pub fn clipped_from(&self) -> u32 {
        // Above x is from ⌊x⌋ + 1 on.
        let above = match self.saturation_counts {
            s if s >= 0.0 => (s as u32).saturating_add(1),
            s if s < 0.0 => 0,
            _ => u32::MAX,
        };
        above.min(self.detector.full_scale)
    }

    /// Whether this count is clipped.
    pub fn is_clipped(&self, counts: u32) -> bool {
        counts >= self.clipped_from()
    }
}
