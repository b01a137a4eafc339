//! The calibration of one instrument, as a laboratory delivers it.
//!
//! Holds the data and reads the files ([`mod@file`], [`set`]); [`import`] makes one from a certificate. Applying a calibration is the task of [`crate::reduction`].
//!
//! Invariants of a calibration that the loader accepted:
//! - Wavelengths rise strictly and responses are positive.
//! - Every number is finite.
//! - The validity begins before it ends.

pub mod file;
pub mod import;
pub mod matrix;
pub mod set;

pub use set::{Active, CalibrationSet};

use crate::clock::UtcMicros;

/// Everything in a calibration file (sections `[calibration]`, `[wavelength]`, …).
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    /// Identifier.
    pub id: String,
    /// Serial number of the calibrated instrument, as in its answer to `*IDN?`.
    pub instrument_serial: String,
    /// First instant of validity.
    pub valid_from: UtcMicros,
    /// End of validity (excluded); [`Calibration::NO_END`] where the file states none. In a [`CalibrationSet`] an open end is the
    /// beginning of the next calibration.
    pub valid_until: UtcMicros,
    /// Calibration certificate.
    pub certificate: String,
    /// Detector temperature during calibration [°C].
    pub temperature_c: f64,
    /// Detector temperatures for which the calibration holds [°C].
    pub temperature_range_c: (f64, f64),
    /// Wavelength scale.
    pub wavelength: WavelengthScale,
    /// Noise and saturation.
    pub noise: Noise,
    /// Coefficients cₖ of Σ cₖ·countsᵏ, the divisor of offset-free counts; `[1.0]` for a linear detector.
    pub linearity: Vec<f64>,
    /// Spectral response.
    pub response: Response,
    /// Stray light.
    pub stray_light: StrayLight,
    /// Cosine response of the optic; `None` when unknown (no correction is made).
    pub cosine: Option<Cosine>,
    /// Temperature coefficient of the response; empty when none.
    pub temperature: TemperatureCoefficient,
    /// Uncertainties that belong to no table.
    pub budget: BudgetTerms,
    /// The file's text, as stored in the database.
    pub text: String,
}

impl Calibration {
    /// The end of a calibration that states none and has no successor.
    pub const NO_END: UtcMicros = UtcMicros(i64::MAX);

    /// The end of validity; `None` where it is open.
    pub fn end(&self) -> Option<UtcMicros> {
        (self.valid_until != Self::NO_END).then_some(self.valid_until)
    }
}

/// `[wavelength]`: nm = Σ cₖ·pixelᵏ, pixel from 0, in air.
#[derive(Clone, Debug, PartialEq)]
pub struct WavelengthScale {
    /// cₖ.
    pub coefficients: Vec<f64>,
    /// Standard uncertainty of a shift common to all pixels [nm].
    pub uncertainty_nm: f64,
    /// Standard uncertainty of the error that is left when the common shift is taken away, at any wavelength [nm].
    pub variation_nm: f64,
    /// Full width at half maximum of the slit function [nm].
    pub fwhm_nm: f64,
    /// Standard uncertainty of that width [nm].
    pub fwhm_uncertainty_nm: f64,
    /// Shift of the scale per kelvin above `temperature_c` [nm/K]: true wavelength of a pixel = scale + shift·(T − T₀).
    pub shift_nm_per_k: f64,
    /// Its standard uncertainty [nm/K].
    pub shift_uncertainty_nm_per_k: f64,
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
    /// Electrons per count.
    pub electrons_per_count: f64,
    /// Standard deviation of the read noise of one exposure [counts].
    pub read_noise_counts: f64,
    /// Share of full scale above which counts are treated as clipped [1].
    pub saturation_fraction: f64,
    /// Blooming length: number of pixels on either side of a clipped pixel that receive its charge.
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
    /// Share of the variance that is common to all wavelengths [1].
    pub correlated_fraction: f64,
    /// Correlation length of the remaining variance [nm].
    pub correlation_length_nm: f64,
}

/// `[stray_light]`.
#[derive(Clone, Debug, PartialEq)]
pub struct StrayLight {
    /// Band in which the pixels receive stray light only; their mean is the stray-light floor [nm]. `None`: no floor is subtracted.
    pub floor_band_nm: Option<(f64, f64)>,
    /// Relative standard uncertainty of the floor [1].
    pub relative_uncertainty: f64,
    /// Relative standard uncertainty of what the matrix subtracts [1].
    pub matrix_relative_uncertainty: f64,
    /// Correction matrix, row-major, pixels × pixels; `None` stands for the identity (Zong et al. 2006).
    pub matrix: Option<Vec<f64>>,
}

/// `[cosine]`: response to a beam relative to the ideal cosine response.
#[derive(Clone, Debug, PartialEq)]
pub struct Cosine {
    /// Angle of incidence [degrees], rising from 0.
    pub zenith_deg: Vec<f64>,
    /// Ratio at each angle [1].
    pub ratio: Vec<f64>,
    /// Standard uncertainty of each ratio, relative to it [1].
    pub ratio_uncertainty: Vec<f64>,
    /// Standard deviation of each ratio over the azimuth, relative to it [1]: the table is one for all azimuths.
    pub azimuth_deviation: Vec<f64>,
    /// Ratio for an isotropic sky [1].
    pub diffuse_ratio: f64,
    /// Relative standard uncertainty of the ratio for the light of any sky [1].
    pub diffuse_uncertainty: f64,
}

/// `[temperature]`: relative change of the response per kelvin.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct TemperatureCoefficient {
    /// [nm], rising.
    pub wavelength_nm: Vec<f64>,
    /// [1/K].
    pub relative_per_k: Vec<f64>,
    /// Standard uncertainty of each coefficient, fully correlated [1/K]; one number where there is no table.
    pub uncertainty_per_k: Vec<f64>,
}

/// Uncertainties that belong to no table (k = 1).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BudgetTerms {
    /// When the laboratory measured the response.
    pub calibrated_on: UtcMicros,
    /// Relative standard uncertainty of the response by a year since then [1].
    pub annual_change: f64,
    /// Relative standard uncertainty of the counts at full scale after the correction of non-linearity; in proportion below [1].
    pub linearity: f64,
    /// Standard uncertainty of the level of the head, in each direction [degrees].
    pub levelling_deg: f64,
}
