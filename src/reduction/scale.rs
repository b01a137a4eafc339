//! The pixel axis of one calibration at one detector temperature: wavelengths, response and valid pixels.
//!
//! The wavelength scale shifts with temperature. The shift is quantised in steps of [`SHIFT_STEP_NM`], so that an axis and the
//! weights of the quantities on it can be cached, and a recomputation gets the same axis.

use super::sky_light::per_lux;
use crate::calibration::Calibration;
use crate::numeric::interpolate_clamped;
use crate::record::Detector;
use crate::spectrum::bins::Bins;
use std::ops::Range;
use std::sync::Arc;

/// Step of the wavelength shift [nm]: half a step changes the UV index by 0.09 % at most.
pub const SHIFT_STEP_NM: f64 = 0.01;
/// An edge of the bins [nm], where the ranges of many quantities begin or end.
const BIN_EDGE_NM: f64 = 400.0;
/// Photons per joule and nanometre of wavelength [µmol J⁻¹ nm⁻¹], with the accuracy that clearness needs.
const MICROMOL_PER_JOULE_NM: f64 = 0.008_359_347;

/// The properties of the pixels that depend only on the calibration and the wavelength shift.
#[derive(Clone, Debug, PartialEq)]
pub struct Scale {
    /// Wavelength shift in steps of [`SHIFT_STEP_NM`].
    pub step: i32,
    /// Wavelength of every pixel, in air [nm].
    pub wavelength_nm: Vec<f64>,
    /// Response [counts s⁻¹ / (W m⁻² nm⁻¹)]; 0 for uncalibrated pixels.
    pub response: Vec<f64>,
    /// 1 / response [W m⁻² nm⁻¹ / (counts s⁻¹)]; 0 for uncalibrated pixels.
    pub inverse_response: Vec<f64>,
    /// Relative standard uncertainty (k = 1) of the response [1].
    pub relative_uncertainty: Vec<f64>,
    /// Relative change of the response per kelvin [1/K].
    pub relative_per_k: Vec<f64>,
    /// Whether the response depends on temperature.
    pub follows_temperature: bool,
    /// Pixels that are calibrated and not shielded.
    pub valid: Vec<bool>,
    /// First and last wavelength of the calibrated range [nm].
    pub valid_nm: (f64, f64),
    /// First and last pixel of that range.
    pub valid_pixels: (usize, usize),
    /// Pixels of the stray-light floor band that are not shielded.
    pub floor: Vec<usize>,
    /// Light-shielded pixels.
    pub shielded: Vec<usize>,
    /// Highest reading of a pixel [counts].
    pub full_scale: f64,
    /// 1 / distance between the two neighbours [1/nm]; 0 where one of the three pixels is not calibrated.
    pub per_nm: Vec<f64>,
    /// Factor of the second difference of the irradiance over [`Self::slit_pixels`] that gives the bandwidth error of a triangular slit,
    /// fwhm²/12·f″ [1]; 0 where one of the three pixels is not calibrated.
    pub slit_excess: Vec<f64>,
    /// Width of the slit function [pixels], at least 1.
    pub slit_pixels: usize,
    /// Pixels of 400–700 nm, and the weight of each in an approximate PPFD (a few per cent) [µmol s⁻¹ m⁻² / (W m⁻² nm⁻¹)].
    pub photons: (Range<usize>, Vec<f64>),
    /// Spectral irradiance of one lux of daylight [W m⁻² nm⁻¹ / lx]; 0 for uncalibrated pixels.
    pub sky_per_lux: Vec<f64>,
    /// Bins of the spectrally correlated errors.
    pub bins: Arc<Bins>,
}

/// The shift in steps for a detector temperature [°C] and an additional shift [nm].
pub fn step_for(calibration: &Calibration, temperature_c: Option<f64>, shift_nm: f64) -> i32 {
    let shift = shift_nm
        + temperature_c.map_or(0.0, |t| (t - calibration.temperature_c) * calibration.wavelength.shift_nm_per_k);
    let steps = (shift / SHIFT_STEP_NM).round();
    // Bounded at 20 nm, in case the temperature sensor fails.
    if steps.abs() <= 2000.0 { steps as i32 } else { 0 }
}

impl Scale {
    /// The axis for a shift in steps.
    pub fn new(calibration: &Calibration, detector: &Detector, step: i32) -> Self {
        let pixels = detector.pixels;
        let shift = f64::from(step) * SHIFT_STEP_NM;
        let wavelength_nm: Vec<f64> = (0..pixels).map(|i| calibration.wavelength.at(i as f64) + shift).collect();
        let masked_set = detector.shielded.to_mask(pixels);
        let r = &calibration.response;
        let inside = |nm: f64| {
            r.wavelength_nm.first().is_some_and(|a| nm >= *a) && r.wavelength_nm.last().is_some_and(|b| nm <= *b)
        };
        let valid: Vec<bool> = wavelength_nm.iter().zip(&masked_set).map(|(nm, m)| inside(*nm) && !m).collect();
        let at = |nm: f64, y: &[f64]| interpolate_clamped(&r.wavelength_nm, y, nm);
        let per_valid =
            |y: &[f64]| wavelength_nm.iter().zip(&valid).map(|(nm, v)| if *v { at(*nm, y) } else { 0.0 }).collect();
        let response: Vec<f64> = per_valid(&r.counts_per_s_per_w_m2_nm);
        let relative_uncertainty: Vec<f64> = per_valid(&r.relative_uncertainty);
        let temperature = &calibration.temperature;
        let relative_per_k = wavelength_nm
            .iter()
            .map(|nm| match temperature.wavelength_nm[..] {
                [] => 0.0,
                _ => interpolate_clamped(&temperature.wavelength_nm, &temperature.relative_per_k, *nm),
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
        let shielded = (0..pixels).filter(|i| masked_set[*i]).collect();
        let inverse_response = response.iter().map(|r| if *r > 0.0 { 1.0 / r } else { 0.0 }).collect();
        let (slit_pixels, slit_excess) = slit(&wavelength_nm, &valid, (first, last), calibration.wavelength.fwhm_nm);
        Self {
            step,
            inverse_response,
            follows_temperature: temperature.relative_per_k.iter().any(|k| *k != 0.0),
            per_nm: across(&valid, 1, |i| 1.0 / (wavelength_nm[i + 1] - wavelength_nm[i - 1])),
            slit_excess,
            slit_pixels,
            photons: photons(&wavelength_nm, &valid),
            sky_per_lux: wavelength_nm.iter().zip(&valid).map(|(nm, v)| if *v { per_lux(*nm) } else { 0.0 }).collect(),
            bins: Arc::new(Bins::new(&wavelength_nm, r.correlation_length_nm, BIN_EDGE_NM)),
            wavelength_nm,
            response,
            relative_uncertainty,
            relative_per_k,
            valid,
            valid_nm,
            valid_pixels: (first, last),
            floor,
            shielded,
            full_scale: f64::from(detector.full_scale),
        }
    }
}

impl Scale {
    /// Shift of the wavelengths from those of the calibration [nm].
    pub fn shift_nm(&self) -> f64 {
        f64::from(self.step) * SHIFT_STEP_NM
    }
}

/// A number per pixel; 0 unless the pixel and those at `distance` pixels on both sides are calibrated.
fn across(valid: &[bool], distance: usize, of: impl Fn(usize) -> f64) -> Vec<f64> {
    let mut numbers = vec![0.0; valid.len()];
    for i in distance..valid.len().saturating_sub(distance) {
        if valid[i - distance] && valid[i] && valid[i + distance] {
            numbers[i] = of(i);
        }
    }
    numbers
}

/// The slit in pixels, and the factors of [`Scale::slit_excess`].
fn slit(nm: &[f64], valid: &[bool], (first, last): (usize, usize), fwhm_nm: f64) -> (usize, Vec<f64>) {
    if last <= first || !(fwhm_nm > 0.0) {
        return (1, vec![0.0; nm.len()]);
    }
    let pitch = (nm[last] - nm[first]) / (last - first) as f64;
    let distance = ((fwhm_nm / pitch).round() as usize).max(1);
    let excess = across(valid, distance, |i| {
        let h = 0.5 * (nm[i + distance] - nm[i - distance]);
        fwhm_nm * fwhm_nm / 12.0 / (h * h)
    });
    (distance, excess)
}

/// The weights of [`Scale::photons`].
fn photons(nm: &[f64], valid: &[bool]) -> (Range<usize>, Vec<f64>) {
    let start = nm.partition_point(|nm| *nm < 400.0).max(1).min(nm.len());
    let end = nm.partition_point(|nm| *nm <= 700.0).max(start);
    let weight = |i: usize| if valid[i] { nm[i] * MICROMOL_PER_JOULE_NM * (nm[i] - nm[i - 1]) } else { 0.0 };
    (start..end, (start..end).map(weight).collect())
}
