//! The inputs of the reduction other than frames and darks, and its result. Plain data.

use super::beam_share::BeamShare;
use super::cosine::CosineCorrection;
use super::lamps::{LampContext, LampLight};
use super::scale::Scale;
use crate::calibration::Calibration;
use crate::spectrum::errors::Errors;
use std::sync::Arc;

/// Column of an error of 1 counts/s in every pixel, among the columns of [`Reduced::errors`].
pub const RATE: usize = 2;

/// Names of the correlated error components, as used by budgets and tests.
pub mod mode_names {
    /// Common part of the response's relative uncertainty.
    pub const RESPONSE_SCALE: &str = "response_scale";
    /// Remaining part of the response's uncertainty, correlated over its correlation length.
    pub const RESPONSE_SHAPE: &str = "response_shape";
    /// Residual of the stray-light correction.
    pub const STRAY_FLOOR: &str = "stray_floor";
    /// Common dark level, one component per bracket.
    pub const DARK_LEVEL: &str = "dark_level";
    /// Temperature coefficient β of the dark model.
    pub const DARK_MODEL: &str = "dark_model";
    /// Light that may have been in the darks, beyond the half that is added.
    pub const DARK_LIGHT: &str = "dark_light";
    /// One common shift of the wavelength scale.
    pub const WAVELENGTH: &str = "wavelength";
    /// Correction for the bandwidth: the width of the slit function and its shape.
    pub const BANDWIDTH: &str = "bandwidth";
    /// Detector temperature, where response or wavelengths depend on it.
    pub const TEMPERATURE: &str = "temperature";
    /// Possible change of the response since the last check that passed.
    pub const RESPONSE_AGE: &str = "response_age";
    /// Ripple of lamps that is left in the mean of the exposures.
    pub const FLICKER: &str = "flicker";
    /// Cosine correction: unknown share of direct light.
    pub const COSINE: &str = "cosine";
    /// Cosine response to the beam: the table and its differences between azimuths.
    pub const COSINE_TABLE: &str = "cosine_table";
    /// Cosine response to the light of the sky.
    pub const COSINE_DIFFUSE: &str = "cosine_diffuse";
    /// Level of the head.
    pub const LEVELLING: &str = "levelling";
    /// Non-linearity left after its correction.
    pub const LINEARITY: &str = "linearity";
    /// Temperature coefficients of response and wavelength scale, one component each.
    pub const TEMPERATURE_COEFFICIENTS: &str = "temperature_coefficients";
    /// Error of the wavelength scale that varies along it, one component for each of some wavelengths.
    pub const WAVELENGTH_VARIATION: &str = "wavelength_variation";
    /// What the stray-light matrix subtracts.
    pub const STRAY_MATRIX: &str = "stray_matrix";
    /// Possible change of the response between the calibration and the last check that passed.
    pub const CALIBRATION_AGE: &str = "calibration_age";
    /// Response of the optic to lamps, whose incidence is not known exactly.
    pub const LAMP_INCIDENCE: &str = "lamp_incidence";
    /// Separation of the light of lamps from that of the sun.
    pub const LAMP_SEPARATION: &str = "lamp_separation";
}

/// The inputs of the reduction other than frames and darks.
#[derive(Clone, Copy, Debug)]
pub struct ReductionContext<'a> {
    /// The active calibration.
    pub calibration: &'a Calibration,
    /// The pixel axis at the detector's temperature.
    pub scale: &'a Arc<Scale>,
    /// Mean detector temperature [°C].
    pub temperature_c: Option<f64>,
    /// The sun's apparent elevation [degrees]; `None` without sunlight: then a cosine correction is made for lamps of known incidence only.
    pub sun_elevation_deg: Option<f64>,
    /// Mean pressure at the station over 1013.25 hPa [1].
    pub pressure: f64,
    /// Share of the sun's beam, where it is known from a longer observation; `None`: it is estimated from the reading itself.
    pub beam_share: Option<BeamShare>,
    /// Lamps and glazing; `None` under the open sky, and for lamps without sunlight whose incidence is not known.
    pub lamps: Option<LampContext<'a>>,
    /// Uncertainty due to the time since the last check that passed.
    pub aged: Aged,
    /// Mains frequency of lamps [Hz]; 0 where none are seen.
    pub mains_hz: f64,
}

/// Standard uncertainties that grow with the time since the last check that passed.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Aged {
    /// Of the wavelength scale [nm].
    pub wavelength_nm: f64,
    /// Of the response, common to all wavelengths [1].
    pub response: f64,
    /// Of the response by the time from the calibration to that check, common to all wavelengths [1].
    pub calibration: f64,
}

/// The result of the reduction.
#[derive(Clone, Debug)]
pub struct Reduced {
    /// The pixel axis.
    pub scale: Arc<Scale>,
    /// Merged rate of every pixel, dark and stray-light floor subtracted [counts/s].
    pub rate: Vec<f64>,
    /// Spectral irradiance of every pixel [W m⁻² nm⁻¹]; 0 for uncalibrated pixels.
    pub irradiance: Vec<f64>,
    /// Variance of the noise, independent between pixels [(W m⁻² nm⁻¹)²].
    pub variance: Vec<f64>,
    /// Correlated errors.
    pub errors: Errors,
    /// Merge weight of each bracket in each pixel [1], bracket by bracket.
    pub merge_weights: Vec<Vec<f64>>,
    /// Calibrated pixels that are clipped in every bracket.
    pub saturated: Vec<bool>,
    /// Stray-light floor that was subtracted [counts/s]; `None` if the calibration has no floor band.
    pub floor_rate: Option<f64>,
    /// Dark current that was subtracted, as irradiance [W m⁻² nm⁻¹].
    pub dark_irradiance: Vec<f64>,
    /// Median signal-to-noise ratio of the pixels with more than a tenth of the highest rate [1].
    pub signal_to_noise: Option<f64>,
    /// Relative difference of the light between brackets and its standard uncertainty [1].
    pub disagreement: Option<(f64, f64)>,
    /// Correction for the optic's cosine response; `None` if not applied.
    pub cosine: Option<CosineCorrection>,
    /// Share of the sun's beam in the light; `None` for lamps.
    pub beam_share: Option<BeamShare>,
    /// Light of lamps; `None` where none are considered, or where they cannot be separated.
    pub lamps: Option<LampLight>,
    /// Response to the lamps relative to the ideal cosine response [1]; `None` without lamps or a cosine response.
    pub lamp_response: Option<f64>,
    /// Irradiance that was added for light in the darks [W m⁻² nm⁻¹]; `None` if none.
    pub dark_light: Option<Vec<f64>>,
}

impl Reduced {
    /// Irradiance of one count a second in a pixel [W m⁻² nm⁻¹ / (counts s⁻¹)].
    pub fn per_rate(&self, pixel: usize) -> f64 {
        self.errors.lanes.at(RATE, pixel)
    }
}
