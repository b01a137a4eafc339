//! A sampled spectrum on a rising wavelength axis.

/// Spectral irradiance, linear between samples.
#[derive(Clone, Debug, PartialEq)]
pub struct Spectrum {
    /// Wavelengths in air [nm], strictly rising.
    pub wavelength_nm: Vec<f64>,
    /// Spectral irradiance [W m⁻² nm⁻¹], one a wavelength.
    pub irradiance: Vec<f64>,
}
