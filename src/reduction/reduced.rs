//! What reduction receives beside frames and darks, and what it returns. Plain data.

use super::cosine::CosineFactor;
use super::scale::Scale;
use crate::calibration::Calibration;
use crate::spectrum::errors::Errors;
use std::sync::Arc;

/// Names of the error modes, fixed because budgets and tests look for them.
pub mod mode_names {
    /// Common part of the response's relative uncertainty.
    pub const RESPONSE_SCALE: &str = "response_scale";
    /// The rest of it: the response's shape, over its correlation length.
    pub const RESPONSE_SHAPE: &str = "response_shape";
    /// What the stray-light correction may have left.
    pub const STRAY_FLOOR: &str = "stray_floor";
    /// Common dark level, one mode a bracket.
    pub const DARK_LEVEL: &str = "dark_level";
    /// Temperature law of the dark model.
    pub const DARK_MODEL: &str = "dark_model";
    /// One common shift of the wavelength scale.
    pub const WAVELENGTH: &str = "wavelength";
    /// Effect of the slit's width on a curved spectrum, uncorrected.
    pub const BANDWIDTH: &str = "bandwidth";
    /// The detector's temperature, where response or wavelengths follow it.
    pub const TEMPERATURE: &str = "temperature";
    /// What the response may have lost or gained since it was last found right.
    pub const RESPONSE_AGE: &str = "response_age";
    /// Share of the beam under an imperfect optic.
    pub const COSINE: &str = "cosine";
}

/// What reduction receives beside frames and darks.
#[derive(Clone, Copy, Debug)]
pub struct Setting<'a> {
    /// The active calibration.
    pub calibration: &'a Calibration,
    /// Its axis at the detector's temperature.
    pub scale: &'a Arc<Scale>,
    /// Mean detector temperature [°C].
    pub temperature_c: Option<f64>,
    /// The sun's apparent elevation [degrees]; `None` at a lamp, where no cosine is corrected.
    pub sun_elevation_deg: Option<f64>,
    /// Effect of the time since the last check that passed.
    pub aged: Aged,
}

/// Standard uncertainties that grow with the time since a check last passed.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Aged {
    /// Of the wavelength scale [nm].
    pub wavelength_nm: f64,
    /// Of the response, common to all wavelengths [1].
    pub response: f64,
}

/// A reading as irradiance.
#[derive(Clone, Debug)]
pub struct Reduced {
    /// The axis it is on.
    pub scale: Arc<Scale>,
    /// Spectral irradiance of every pixel [W m⁻² nm⁻¹]; 0 where there is no calibration.
    pub irradiance: Vec<f64>,
    /// Its variance, independent from pixel to pixel [(W m⁻² nm⁻¹)²].
    pub variance: Vec<f64>,
    /// Errors that pixels share.
    pub errors: Errors,
    /// Share of each bracket in each pixel [1], bracket by bracket.
    pub served: Vec<Vec<f64>>,
    /// Pixels that see light and are clipped in every bracket.
    pub saturated: Vec<bool>,
    /// Stray-light floor that was subtracted [counts/s]; `None` where the calibration names no band for it.
    pub floor_rate: Option<f64>,
    /// Dark current that was subtracted, as irradiance [W m⁻² nm⁻¹].
    pub dark_irradiance: Vec<f64>,
    /// Median of signal over noise among the lit pixels [1].
    pub signal_to_noise: Option<f64>,
    /// Relative difference of the light between brackets and its standard uncertainty [1].
    pub disagreement: Option<(f64, f64)>,
    /// Correction for the optic's cosine response; `None` where none was made.
    pub cosine: Option<CosineFactor>,
}
