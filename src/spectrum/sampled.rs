//! A sampled spectrum on a rising wavelength axis.

use crate::numeric;

/// Spectral irradiance, linear between samples.
#[derive(Clone, Debug, PartialEq)]
pub struct Spectrum {
    /// Wavelengths in air [nm], strictly rising.
    pub wavelength_nm: Vec<f64>,
    /// Spectral irradiance [W m⁻² nm⁻¹], one per wavelength.
    pub irradiance: Vec<f64>,
}

impl Spectrum {
    /// First and last wavelength [nm]; `None` without samples.
    pub fn range_nm(&self) -> Option<(f64, f64)> {
        Some((*self.wavelength_nm.first()?, *self.wavelength_nm.last()?))
    }

    /// Spectral irradiance at a wavelength [W m⁻² nm⁻¹], linear between samples; `None` outside the samples and for NaN.
    pub fn at(&self, wavelength_nm: f64) -> Option<f64> {
        numeric::interpolate(&self.wavelength_nm, &self.irradiance, wavelength_nm)
    }
}
