//! The pixel axis of one calibration at one detector temperature: wavelengths, response, which pixels count.
//!
//! The wavelength scale moves with temperature; it is kept in steps of [`SHIFT_STEP_NM`], so that everything built on an
//! axis (this, and the weights of the quantities) can be kept and used again, and a recomputed reading meets the same one.

use crate::calibration::Calibration;
use crate::record::Detector;

/// Step of the wavelength shift for which axes are built [nm]: half of it moves the UV index by 0.09 % at most.
pub const SHIFT_STEP_NM: f64 = 0.01;

/// Everything about the pixels that depends on calibration and wavelength shift only.
#[derive(Clone, Debug, PartialEq)]
pub struct Scale {
    /// Wavelength shift in steps of [`SHIFT_STEP_NM`].
    pub step: i32,
    /// Wavelength of every pixel, in air [nm].
    pub wavelength_nm: Vec<f64>,
    /// Response [counts s⁻¹ / (W m⁻² nm⁻¹)]; 0 where there is no calibration.
    pub response: Vec<f64>,
    /// Its relative standard uncertainty (k = 1) [1].
    pub relative_uncertainty: Vec<f64>,
    /// Its relative change per kelvin [1/K].
    pub relative_per_k: Vec<f64>,
    /// Pixels that are calibrated and see light.
    pub valid: Vec<bool>,
    /// First and last wavelength between which every pixel that sees light is calibrated [nm].
    pub valid_nm: (f64, f64),
    /// First and last pixel of that range.
    pub valid_pixels: (usize, usize),
    /// Pixels of the stray-light floor band that see light.
    pub floor: Vec<usize>,
    /// Light-shielded pixels.
    pub masked: Vec<usize>,
}

/// The shift step for a detector temperature [°C].
pub fn step_for(calibration: &Calibration, temperature_c: Option<f64>) -> i32 {
    let shift = temperature_c.map_or(0.0, |t| (t - calibration.temperature_c) * calibration.wavelength.shift_nm_per_k);
    let steps = (shift / SHIFT_STEP_NM).round();
    // Beyond 20 nm no reading is of use; the bound keeps nonsense from a sensor from building nonsense here.
    if steps.abs() <= 2000.0 { steps as i32 } else { 0 }
}

impl Scale {
    /// Builds the axis for a shift.
    pub fn new(calibration: &Calibration, detector: &Detector, step: i32) -> Self {
        let pixels = detector.pixels;
        let shift = f64::from(step) * SHIFT_STEP_NM;
        let wavelength_nm: Vec<f64> = (0..pixels).map(|i| calibration.wavelength.at(i as f64) + shift).collect();
        let masked_set = detector.masked.to_mask(pixels);
        let r = &calibration.response;
        let inside = |nm: f64| {
            r.wavelength_nm.first().is_some_and(|a| nm >= *a) && r.wavelength_nm.last().is_some_and(|b| nm <= *b)
        };
        let valid: Vec<bool> = wavelength_nm.iter().zip(&masked_set).map(|(nm, m)| inside(*nm) && !m).collect();
        let at = |nm: f64, y: &[f64]| interpolate(&r.wavelength_nm, y, nm);
        let per_valid =
            |y: &[f64]| wavelength_nm.iter().zip(&valid).map(|(nm, v)| if *v { at(*nm, y) } else { 0.0 }).collect();
        let response: Vec<f64> = per_valid(&r.counts_per_s_per_w_m2_nm);
        let relative_uncertainty: Vec<f64> = per_valid(&r.relative_uncertainty);
        let temperature = &calibration.temperature;
        let relative_per_k = wavelength_nm
            .iter()
            .map(|nm| match temperature.wavelength_nm[..] {
                [] => 0.0,
                _ => interpolate(&temperature.wavelength_nm, &temperature.relative_per_k, *nm),
            })
            .collect();
        let first = valid.iter().position(|v| *v).unwrap_or(0);
        let last = valid.iter().rposition(|v| *v).unwrap_or(0);
        let floor = match calibration.stray_light.floor_band_nm {
            Some((lo, hi)) => {
                (0..pixels).filter(|i| !masked_set[*i] && wavelength_nm[*i] >= lo && wavelength_nm[*i] <= hi).collect()
            }
            None => Vec::new(),
        };
        let valid_nm =
            (wavelength_nm.get(first).copied().unwrap_or(0.0), wavelength_nm.get(last).copied().unwrap_or(0.0));
        let masked = (0..pixels).filter(|i| masked_set[*i]).collect();
        Self {
            step,
            wavelength_nm,
            response,
            relative_uncertainty,
            relative_per_k,
            valid,
            valid_nm,
            valid_pixels: (first, last),
            floor,
            masked,
        }
    }
}

/// Linear between entries, held beyond the ends. x must rise and be as long as y; an empty table gives 0.
pub fn interpolate(x: &[f64], y: &[f64], at: f64) -> f64 {
    let n = x.len().min(y.len());
    if n == 0 {
        return 0.0;
    }
    let i = x[..n].partition_point(|v| *v <= at);
    if i == 0 {
        return y[0];
    }
    if i == n {
        return y[n - 1];
    }
    let f = (at - x[i - 1]) / (x[i] - x[i - 1]);
    y[i - 1] + f * (y[i] - y[i - 1])
}
