//! Properties and settings that readings of one instrument are planned from. They are constant during a reading.

use crate::calibration::{Calibration, Noise};
use crate::config::ExposureConfig;
use crate::config::{InstrumentConfig, Station};
use crate::darks::DarkSetup;
use crate::record::{Detector, IntegrationGrid, dilate};
use std::sync::Arc;

/// Time that every exposure takes beyond integration and transfer [s]: commands and latency of the line.
const OVERHEAD_S: f64 = 0.05;
/// Noise that is assumed while no calibration is active: cautious values of the saturation limit and the blooming of a
/// silicon array.
const UNCALIBRATED_NOISE: Noise =
    Noise { electrons_per_count: 1.0, read_noise_counts: 10.0, saturation_fraction: 0.95, blooming_pixels: 8 };

/// Width of the slit that is assumed while no calibration is active [pixels].
const NARROW_SLIT_PIXELS: f64 = 4.0;

/// Masks with one entry per pixel.
#[derive(Clone, Debug)]
pub struct PixelMasks {
    /// Pixels that the values are computed from.
    pub in_use: Vec<bool>,
    /// Light-shielded pixels.
    pub shielded: Vec<bool>,
    /// Pixels that have to stay below saturation: those in use, and those whose charge can bloom into them.
    pub watched: Vec<bool>,
}

/// What a reading is planned from.
#[derive(Clone, Debug)]
pub struct ExposureSetup {
    /// Configuration of the exposures.
    pub exposure: ExposureConfig,
    /// The detector.
    pub detector: Detector,
    /// Noise, clipping limit and blooming of the detector.
    pub noise: Noise,
    /// Coefficients cₖ of the linearity: counts above the offset are divided by Σ cₖ·countsᵏ.
    pub linearity: Vec<f64>,
    /// Counts above which a pixel is clipped.
    pub saturation_counts: f64,
    /// Mains frequency [Hz]; 0 without mains-driven light.
    pub mains_hz: f64,
    /// Length of the window that a reading averages over [s]; `None` for a single shot.
    pub window_s: Option<f64>,
    /// Integration times to choose from.
    pub grid: IntegrationGrid,
    /// Masks of the pixels.
    pub pixels: PixelMasks,
    /// Width of the slit: full width at half maximum of a spectral line [pixels].
    pub slit_pixels: f64,
}

impl ExposureSetup {
    /// From its parts, with a slit of [`NARROW_SLIT_PIXELS`]. `in_use` is truncated, or extended with false, to the detector's pixels; shielded pixels are never in
    /// use.
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
            slit_pixels: NARROW_SLIT_PIXELS,
            exposure,
            detector,
        }
    }

    /// For an instrument with an active calibration; `in_use` are the pixels that its quantities are computed from.
    pub fn calibrated(
        instrument: &InstrumentConfig,
        station: &Station,
        detector: &Detector,
        calibration: &Calibration,
        in_use: &[bool],
    ) -> Self {
        let window_s = instrument.schedule.window_s;
        let (noise, linearity) = (&calibration.noise, &calibration.linearity);
        let exposure = instrument.exposure.clone();
        let setup = Self::new(exposure, detector.clone(), noise, linearity, in_use, station.mains_hz, window_s);
        let scale = &calibration.wavelength;
        let last = detector.pixels.saturating_sub(1).max(1) as f64;
        let pitch_nm = (scale.at(last) - scale.at(0.0)) / last;
        Self { slit_pixels: if pitch_nm > 0.0 { scale.fwhm_nm / pitch_nm } else { NARROW_SLIT_PIXELS }, ..setup }
    }

    /// For an instrument without an active calibration: its frames are stored, and values can be computed later. All pixels
    /// are in use.
    pub fn uncalibrated(instrument: &InstrumentConfig, station: &Station, detector: &Detector) -> Self {
        let (in_use, window_s) = (vec![true; detector.pixels], instrument.schedule.window_s);
        let exposure = instrument.exposure.clone();
        Self::new(exposure, detector.clone(), &UNCALIBRATED_NOISE, &[], &in_use, station.mains_hz, window_s)
    }

    /// The properties that the darks of this instrument depend on.
    pub fn for_darks(&self, calibration: Option<Arc<Calibration>>) -> DarkSetup {
        DarkSetup {
            has_shutter: self.detector.has_shutter,
            shielded: self.detector.shielded.clone(),
            clipped_from: self.clipped_from(),
            read_noise_counts: self.noise.read_noise_counts,
            grid: self.grid.clone(),
            longest_s: self.longest_s(),
            overhead_s: self.overhead_s(),
            discard_frames: self.exposure.discard_frames,
            calibration,
        }
    }

    /// Longest duration of a reading [s].
    pub fn budget_s(&self) -> f64 {
        self.window_s.unwrap_or(self.exposure.budget_s)
    }

    /// Time of one exposure beyond its integration time [s].
    pub fn overhead_s(&self) -> f64 {
        self.detector.transfer_s.max(0.0) + OVERHEAD_S
    }

    /// Longest integration time of the short bracket [s]: half of the budget, so that there is time for another exposure
    /// where the first is unusable, or an eighth of a window, so that it has enough exposures for its statistics.
    pub fn longest_short_s(&self) -> f64 {
        self.longest_in_part(if self.window_s.is_some() { 8.0 } else { 2.0 })
    }

    /// Longest integration time of any bracket [s].
    pub fn longest_s(&self) -> f64 {
        if self.exposure.bracket_ratio.is_none() {
            return self.longest_short_s();
        }
        self.longest_in_part(if self.window_s.is_some() { 4.0 } else { 1.0 }).max(self.longest_short_s())
    }

    /// Longest integration time [s] of an exposure that takes at most 1/`parts` of the budget, including the frames to be
    /// discarded before it.
    fn longest_in_part(&self, parts: f64) -> f64 {
        let frames = 1.0 + f64::from(self.exposure.discard_frames);
        self.grid.floor((self.budget_s() / parts / frames - self.overhead_s()).max(0.0))
    }

    /// Corrects counts above the offset for the nonlinearity of the detector.
    pub fn linear(&self, counts: f64) -> f64 {
        let divisor = self.linearity.iter().rev().fold(0.0, |sum, c| sum * counts + c);
        if divisor > 0.1 { counts / divisor } else { counts }
    }

    /// The lowest counts that are clipped.
    pub fn clipped_from(&self) -> u32 {
        // The lowest integer above x is ⌊x⌋ + 1.
        let lowest = match self.saturation_counts {
            s if s >= 0.0 => (s as u32).saturating_add(1),
            s if s < 0.0 => 0,
            _ => u32::MAX,
        };
        lowest.min(self.detector.full_scale)
    }

    /// Whether these counts are clipped.
    pub fn is_clipped(&self, counts: u32) -> bool {
        counts >= self.clipped_from()
    }
}
