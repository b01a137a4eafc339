//! The calibration of one instrument, as a laboratory delivers it.
//!
//! Only data and reading it ([`mod@file`], [`set`]): what is done with it is reduction's. A calibration that passed the loader has
//! rising wavelengths, positive responses, finite numbers everywhere and a validity that begins before it ends.

pub mod file;
pub mod matrix;
pub mod set;

pub use set::{Active, CalibrationSet};

use crate::clock::UtcMicros;

/// Everything in a calibration file (sections `[calibration]`, `[wavelength]`, …).
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    /// Its own name.
    pub id: String,
    /// Serial number of the instrument it is for, as `*IDN?` answers it.
    pub instrument_serial: String,
    /// In force from.
    pub valid_from: UtcMicros,
    /// In force until.
    pub valid_until: UtcMicros,
    /// The certificate it was taken from.
    pub certificate: String,
    /// Detector temperature it was made at [°C].
    pub temperature_c: f64,
    /// Detector temperatures it may be used at [°C].
    pub temperature_range_c: (f64, f64),
    /// Wavelength scale.
    pub wavelength: WavelengthScale,
    /// Noise and saturation.
    pub noise: Noise,
    /// Σ cₖ·countsᵏ by which offset-free counts are divided; `[1.0]` for a linear detector.
    pub linearity: Vec<f64>,
    /// Spectral response.
    pub response: Response,
    /// Stray light.
    pub stray_light: StrayLight,
    /// Cosine response of the optic; `None` when not known (none is corrected).
    pub cosine: Option<Cosine>,
    /// Temperature coefficient of the response; empty when none.
    pub temperature: TemperatureCoefficient,
    /// The file's text, for the record.
    pub text: String,
}

/// `[wavelength]`: nm = Σ cₖ·pixelᵏ, pixel from 0, in air.
#[derive(Clone, Debug, PartialEq)]
pub struct WavelengthScale {
    /// cₖ.
    pub coefficients: Vec<f64>,
    /// Standard uncertainty of one common shift [nm].
    pub uncertainty_nm: f64,
    /// Full width at half maximum of the slit function [nm].
    pub fwhm_nm: f64,
    /// Shift of the scale per kelvin above `temperature_c` [nm/K]: true wavelength of a pixel = scale + shift·(T − T₀).
    pub shift_nm_per_k: f64,
}

impl WavelengthScale {
    /// Wavelength of a pixel at the calibration's temperature [nm].
    pub fn at(&self, pixel: f64) -> f64 {
        self.coefficients.iter().rev().fold(0.0, |sum, c| sum * pixel + c)
    }
}

/// `[noise]`.
#[derive(Clone, Debug, PartialEq)]
pub struct Noise {
    /// Electrons that make one count.
    pub electrons_per_count: f64,
    /// Standard deviation of the read noise of one exposure [counts].
    pub read_noise_counts: f64,
    /// Counts above this share of full scale are clipped [1].
    pub saturation_fraction: f64,
    /// Pixels on either side of a clipped one that its charge spills into.
    pub blooming_pixels: u16,
}

/// `[response]`: counts per second of a pixel for 1 W m⁻² nm⁻¹, linear between entries.
#[derive(Clone, Debug, PartialEq)]
pub struct Response {
    /// [nm], rising.
    pub wavelength_nm: Vec<f64>,
    /// [counts s⁻¹ / (W m⁻² nm⁻¹)], above zero.
    pub counts_per_s_per_w_m2_nm: Vec<f64>,
    /// Relative standard uncertainty (k = 1) at each wavelength [1].
    pub relative_uncertainty: Vec<f64>,
    /// Share of its variance that is common to all wavelengths [1].
    pub correlated_fraction: f64,
    /// Length over which the rest is correlated [nm].
    pub correlation_length_nm: f64,
}

/// `[stray_light]`.
#[derive(Clone, Debug, PartialEq)]
pub struct StrayLight {
    /// Pixels in this band see no true light; their mean is the floor [nm]. `None` corrects no floor.
    pub floor_band_nm: Option<(f64, f64)>,
    /// Relative standard uncertainty of the correction (floor and matrix) [1].
    pub relative_uncertainty: f64,
    /// Row-major correction matrix, pixels × pixels, identity where absent (Zong et al. 2006).
    pub matrix: Option<Vec<f64>>,
}

/// `[cosine]`: response to a beam over the ideal one.
#[derive(Clone, Debug, PartialEq)]
pub struct Cosine {
    /// [degrees], rising from 0.
    pub zenith_deg: Vec<f64>,
    /// [1].
    pub ratio: Vec<f64>,
    /// The same for an isotropic sky [1].
    pub diffuse_ratio: f64,
}

/// `[temperature]`: relative change of the response per kelvin.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TemperatureCoefficient {
    /// [nm], rising.
    pub wavelength_nm: Vec<f64>,
    /// [1/K].
    pub relative_per_k: Vec<f64>,
}
