//! A reduced reading on a fixed axis: spectral irradiance and its standard uncertainty. Pure.
//!
//! The wavelengths of the pixels shift with temperature, but other programs expect one axis for many readings. A spectrum is
//! therefore interpolated linearly to the wavelengths of the pixels at the calibration's temperature; without a shift these are
//! the values of the pixels.

use crate::calibration::Calibration;
use crate::record::Detector;
use crate::reduction::{Reduced, Scale};
use std::sync::Arc;

/// The fixed axis of one calibration and detector.
#[derive(Clone, Debug)]
pub struct FixedAxis {
    first: usize,
    /// Wavelength of every pixel that is calibrated and not shielded, in air [nm].
    pub wavelength_nm: Arc<Vec<f64>>,
}

/// A spectrum on a fixed axis; NaN where a pixel is clipped or its neighbour is not calibrated.
#[derive(Clone, Debug, PartialEq)]
pub struct FixedSpectrum {
    /// Spectral irradiance [W m⁻² nm⁻¹].
    pub irradiance: Vec<f32>,
    /// Standard uncertainty (k = 1) from noise and all correlated errors [W m⁻² nm⁻¹].
    pub uncertainty: Vec<f32>,
}

impl FixedAxis {
    /// The axis at the calibration's own temperature.
    pub fn new(calibration: &Calibration, detector: &Detector) -> Self {
        let scale = Scale::new(calibration, detector, 0);
        let (first, last) = scale.valid_pixels;
        let wavelengths = scale.wavelength_nm.get(first..=last).unwrap_or_default().to_vec();
        Self { first, wavelength_nm: Arc::new(wavelengths) }
    }

    /// A reading's spectrum on this axis.
    pub fn resample(&self, reduced: &Reduced) -> FixedSpectrum {
        let scale = &reduced.scale;
        let usable = |i: usize| scale.valid.get(i) == Some(&true) && reduced.saturated.get(i) == Some(&false);
        let total = |i: usize| {
            let shared: f64 = reduced.errors.modes.iter().map(|m| reduced.errors.at(m, i).powi(2)).sum();
            (reduced.variance[i] + shared).sqrt()
        };
        let uncertainty: Vec<f64> =
            (0..reduced.irradiance.len()).map(|i| if usable(i) { total(i) } else { 0.0 }).collect();
        let at = |k: usize, nm: f64, values: &[f64]| -> f32 {
            let pixel = self.first + k;
            if scale.step == 0 {
                return if usable(pixel) { values[pixel] as f32 } else { f32::NAN };
            }
            let above = scale.wavelength_nm.partition_point(|w| *w < nm);
            let Some(below) = above.checked_sub(1).filter(|b| usable(*b) && usable(above)) else { return f32::NAN };
            let (a, b) = (scale.wavelength_nm[below], scale.wavelength_nm[above]);
            let share = (nm - a) / (b - a);
            (values[below] + share * (values[above] - values[below])) as f32
        };
        let every = |values: &[f64]| self.wavelength_nm.iter().enumerate().map(|(k, nm)| at(k, *nm, values)).collect();
        FixedSpectrum { irradiance: every(&reduced.irradiance), uncertainty: every(&uncertainty) }
    }

    /// A spectrum with all values absent.
    pub fn unknown(&self) -> FixedSpectrum {
        let none = vec![f32::NAN; self.wavelength_nm.len()];
        FixedSpectrum { irradiance: none.clone(), uncertainty: none }
    }
}
