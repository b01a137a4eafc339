//! The pixel axis of one calibration at one detector temperature: wavelengths, response, which pixels count.
//!
//! The wavelength scale moves with temperature; it is kept in steps of [`SHIFT_STEP_NM`], so that everything built on an
//! axis (this, and the weights of the quantities) can be kept and used again, and a recomputed reading meets the same one.

use crate::calibration::Calibration;
use crate::numeric::interpolate_clamped;
use crate::record::Detector;
use crate::spectrum::bins::Bins;
use std::ops::Range;
use std::sync::Arc;

/// Step of the wavelength shift for which axes are built [nm]: half of it moves the UV index by 0.09 % at most.
pub const SHIFT_STEP_NM: f64 = 0.01;
/// Below it the cosine correction is the ultraviolet's, where more of the light is diffuse [nm].
const ULTRAVIOLET_END_NM: f64 = 400.0;
/// Photons in a joule at a wavelength of 1 nm [µmol J⁻¹ nm⁻¹], as far as clearness needs it.
const MICROMOL_PER_JOULE_NM: f64 = 0.008_359_347;

/// Everything about the pixels that depends on calibration and wavelength shift only.
#[derive(Clone, Debug, PartialEq)]
pub struct Scale {
    /// Wavelength shift in steps of [`SHIFT_STEP_NM`].
    pub step: i32,
    /// Wavelength of every pixel, in air [nm].
    pub wavelength_nm: Vec<f64>,
    /// Response [counts s⁻¹ / (W m⁻² nm⁻¹)]; 0 where there is no calibration.
    pub response: Vec<f64>,
    /// 1 / response [W m⁻² nm⁻¹ / (counts s⁻¹)]; 0 where there is no calibration.
    pub inverse_response: Vec<f64>,
    /// Its relative standard uncertainty (k = 1) [1].
    pub relative_uncertainty: Vec<f64>,
    /// Its relative change per kelvin [1/K].
    pub relative_per_k: Vec<f64>,
    /// Whether it changes with temperature at all.
    pub follows_temperature: bool,
    /// Pixels that are calibrated and see light.
    pub valid: Vec<bool>,
    /// First and last wavelength between which every pixel that sees light is calibrated [nm].
    pub valid_nm: (f64, f64),
    /// First and last pixel of that range.
    pub valid_pixels: (usize, usize),
    /// Pixels of the stray-light floor band that see light.
    pub floor: Vec<usize>,
    /// Light-shielded pixels.
    pub shielded: Vec<usize>,
    /// 1 / distance of the two neighbours [1/nm]; 0 where one of the three is not calibrated.
    pub per_nm: Vec<f64>,
    /// What a second difference over [`Self::slit_pixels`] either way has to be multiplied with for the excess that a
    /// triangular slit adds to a curved spectrum, fwhm²/12·f″ [1]; 0 where one of the three pixels is not calibrated.
    pub slit_excess: Vec<f64>,
    /// The same for a fourth difference in such steps, to be taken off: the curve that is seen is the blunted one already
    /// [1]; 0 where one of the five pixels is not calibrated.
    pub slit_blunting: Vec<f64>,
    /// Half the slit's width [pixels], at least 1.
    pub slit_pixels: usize,
    /// The first pixel at or above 400 nm.
    pub ultraviolet_end: usize,
    /// Pixels of 400–700 nm, and what an irradiance of each adds to PPFD, to a few per cent [µmol s⁻¹ m⁻² / (W m⁻² nm⁻¹)].
    pub photons: (Range<usize>, Vec<f64>),
    /// Bins in which the response's shape is held constant, with an edge at [`Self::ultraviolet_end`].
    pub bins: Arc<Bins>,
}

/// The shift step for a detector temperature [°C] and a shift beyond what that tells [nm].
pub fn step_for(calibration: &Calibration, temperature_c: Option<f64>, shift_nm: f64) -> i32 {
    let shift = shift_nm
        + temperature_c.map_or(0.0, |t| (t - calibration.temperature_c) * calibration.wavelength.shift_nm_per_k);
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
        let (slit_pixels, [slit_excess, slit_blunting]) =
            slit(&wavelength_nm, &valid, (first, last), calibration.wavelength.fwhm_nm);
        Self {
            step,
            inverse_response,
            follows_temperature: temperature.relative_per_k.iter().any(|k| *k != 0.0),
            per_nm: across(&valid, 1, |i| 1.0 / (wavelength_nm[i + 1] - wavelength_nm[i - 1])),
            slit_excess,
            slit_blunting,
            slit_pixels,
            ultraviolet_end: wavelength_nm.partition_point(|nm| *nm < ULTRAVIOLET_END_NM),
            photons: photons(&wavelength_nm, &valid),
            bins: Arc::new(Bins::new(&wavelength_nm, r.correlation_length_nm, ULTRAVIOLET_END_NM)),
            wavelength_nm,
            response,
            relative_uncertainty,
            relative_per_k,
            valid,
            valid_nm,
            valid_pixels: (first, last),
            floor,
            shielded,
        }
    }
}

/// A number for every pixel that is calibrated together with those `reach` pixels to its left and right; 0 for the others.
fn across(valid: &[bool], reach: usize, of: impl Fn(usize) -> f64) -> Vec<f64> {
    let mut numbers = vec![0.0; valid.len()];
    for i in reach..valid.len().saturating_sub(reach) {
        if valid[i - reach] && valid[i] && valid[i + reach] {
            numbers[i] = of(i);
        }
    }
    numbers
}

/// Half the slit in pixels, and the factors of [`Scale::slit_excess`] and [`Scale::slit_blunting`].
///
/// A triangle of width w has the moments w²/6 and w⁴/15, so it makes g = f + w²/12·f″ + w⁴/360·f⁗ of a spectrum f; turned round,
/// the excess g − f is w²/12·g″ − w⁴/240·g⁗. Differences over a step h are δ²/h² = g″ + h²/12·g⁗ and δ⁴/h⁴ = g⁗.
fn slit(nm: &[f64], valid: &[bool], (first, last): (usize, usize), fwhm_nm: f64) -> (usize, [Vec<f64>; 2]) {
    if last <= first || !(fwhm_nm > 0.0) {
        return (1, [vec![0.0; nm.len()], vec![0.0; nm.len()]]);
    }
    let pitch = (nm[last] - nm[first]) / (last - first) as f64;
    let reach = ((0.5 * fwhm_nm / pitch).round() as usize).max(1);
    let excess = across(valid, reach, |i| {
        let h = 0.5 * (nm[i + reach] - nm[i - reach]);
        fwhm_nm * fwhm_nm / 12.0 / (h * h)
    });
    let blunting = across(valid, 2 * reach, |i| match excess[i] {
        // Calibrated farther out but not nearer: nothing to take a difference with.
        0.0 => 0.0,
        a => 0.6 * a * a + a / 12.0,
    });
    (reach, [excess, blunting])
}

/// The weights of [`Scale::photons`].
fn photons(nm: &[f64], valid: &[bool]) -> (Range<usize>, Vec<f64>) {
    let start = nm.partition_point(|nm| *nm < 400.0).max(1).min(nm.len());
    let end = nm.partition_point(|nm| *nm <= 700.0).max(start);
    let weight = |i: usize| if valid[i] { nm[i] * MICROMOL_PER_JOULE_NM * (nm[i] - nm[i - 1]) } else { 0.0 };
    (start..end, (start..end).map(weight).collect())
}
