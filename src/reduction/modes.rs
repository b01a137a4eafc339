//! The correlated error components of a reading, each a linear combination of columns ([`super::columns`]).

use super::binned;
use super::columns::{ColumnInputs, ColumnLayout, SLIT};
use super::dark_light;
use super::reduced::RATE;
use super::reduced::mode_names as names;
use crate::calibration::Calibration;
use crate::spectrum::errors::{Correlation, ErrorMode, IRRADIANCE, RESPONSE, SHIFT};

/// Standard uncertainty of the detector temperature [K]: the sensor is not on the silicon itself.
const SENSOR_UNCERTAINTY_K: f64 = 0.3;

/// Relative standard uncertainty of the correction for the bandwidth by the shape of the slit function [1]: by the second moments, a normal
/// curve has an error 8 % larger than a triangle of the same width, a trapezoid whose top is a fifth of its base one 28 % smaller.
const SLIT_SHAPE: f64 = 0.2;

/// Name and parts of a component; each part is a column and its factor.
type Parts = (&'static str, Vec<(usize, f64)>);

/// The components of a reading.
pub fn modes(inputs: &ColumnInputs<'_>, layout: ColumnLayout) -> Vec<ErrorMode> {
    let calibration = inputs.calibration;
    let shared = calibration.response.correlated_fraction.clamp(0.0, 1.0);
    let mut parts: Vec<Parts> = vec![(names::RESPONSE_SCALE, vec![(RESPONSE, shared.sqrt())])];
    parts.extend(inputs.floor.map(|f| (names::STRAY_FLOOR, vec![(RATE, f.uncertainty)])));
    parts.extend(dark_parts(inputs, layout));
    parts.extend(axis_parts(inputs, layout));
    for (name, relative) in
        [(names::RESPONSE_AGE, inputs.aged.response), (names::CALIBRATION_AGE, inputs.aged.calibration)]
    {
        if relative > 0.0 {
            parts.push((name, vec![(IRRADIANCE, relative)]));
        }
    }
    if let (Some(c), Some(removed)) = (layout.stray_matrix, inputs.stray_matrix) {
        let u = calibration.stray_light.matrix_relative_uncertainty;
        parts.push((names::STRAY_MATRIX, vec![(c, u), (RATE, -u * in_floor(inputs, |i| removed[i]))]));
    }
    parts.extend(layout.dark_light.map(|c| (names::DARK_LIGHT, vec![(c, dark_light::UNCERTAINTY)])));
    if let (Some(c), Some(lamps)) = (layout.lamps, inputs.lamps) {
        parts.push((names::LAMP_INCIDENCE, vec![(c, lamps.relative_incidence)]));
        parts.push((names::LAMP_SEPARATION, vec![(c + 1, 1.0)]));
    }
    parts.extend(layout.ripple.map(|c| (names::FLICKER, vec![(c, 1.0)])));
    let of_light = |(column, _): &(usize, f64)| {
        matches!(*column, IRRADIANCE | RESPONSE | SHIFT | SLIT)
            || [layout.temperature, layout.ripple, layout.lamps, layout.lamps.map(|c| c + 1)].contains(&Some(*column))
    };
    let common = |(name, parts): Parts| ErrorMode {
        name,
        of_light: parts.iter().all(of_light),
        mixture: Correlation::Common(parts),
    };
    let mut modes: Vec<ErrorMode> = parts.into_iter().map(common).collect();
    if shared < 1.0 {
        let mixture = Correlation::Shape((1.0 - shared).sqrt());
        modes.push(ErrorMode { name: names::RESPONSE_SHAPE, of_light: true, mixture });
    }
    modes.extend(binned::modes(inputs));
    modes
}

/// The dark level of each bracket, and the temperature coefficient of the dark model. The subtraction of the floor removes part of
/// an error that is common to all pixels of a bracket.
fn dark_parts(inputs: &ColumnInputs<'_>, layout: ColumnLayout) -> Vec<Parts> {
    let brackets = || inputs.signals.iter().zip(&inputs.merged.merge_weights);
    let last = inputs.signals.len().saturating_sub(1);
    let mut parts = Vec::new();
    for (r, (signal, merge_weights)) in brackets().enumerate() {
        let u = signal.level_uncertainty;
        let floor_share = in_floor(inputs, |i| merge_weights[i]);
        parts.push((
            names::DARK_LEVEL,
            match r {
                _ if r < last => vec![(layout.merge_weights + r, u), (RATE, -u * floor_share)],
                // The weight of the last bracket is 1 minus those of the others.
                _ => {
                    (0..last).map(|j| (layout.merge_weights + j, -u)).chain([(RATE, u * (1.0 - floor_share))]).collect()
                }
            },
        ));
    }
    if let Some(c) = layout.dark_model {
        let effect = |i: usize| brackets().map(|(s, w)| s.dark_rate[i] * s.exponent_effect * w[i]).sum::<f64>();
        parts.push((names::DARK_MODEL, vec![(c, 1.0), (RATE, -in_floor(inputs, effect))]));
    }
    parts
}

/// The mean of a rate over the pixels of the floor band, which is subtracted from all pixels; 0 without a floor.
fn in_floor(inputs: &ColumnInputs<'_>, rate: impl Fn(usize) -> f64) -> f64 {
    match inputs.scale.floor.len() {
        0 => 0.0,
        n if inputs.floor.is_some() => inputs.scale.floor.iter().map(|i| rate(*i)).sum::<f64>() / n as f64,
        _ => 0.0,
    }
}

/// Wavelength scale, bandwidth and detector temperature.
fn axis_parts(inputs: &ColumnInputs<'_>, layout: ColumnLayout) -> Vec<Parts> {
    let wavelength = &inputs.calibration.wavelength;
    let scale_uncertainty = wavelength.uncertainty_nm.hypot(inputs.aged.wavelength_nm);
    // The error is proportional to the square of the width.
    let slit = SLIT_SHAPE.hypot(2.0 * wavelength.fwhm_uncertainty_nm / wavelength.fwhm_nm);
    let mut parts = vec![(names::WAVELENGTH, vec![(SHIFT, scale_uncertainty)]), (names::BANDWIDTH, vec![(SLIT, slit)])];
    let per_k_nm = wavelength.shift_nm_per_k;
    if layout.temperature.is_some() || per_k_nm != 0.0 {
        let u = temperature_uncertainty(inputs.calibration, inputs.temperature_c);
        let response = layout.temperature.map(|c| (c, u));
        parts.push((names::TEMPERATURE, response.into_iter().chain([(SHIFT, u * per_k_nm)]).collect()));
    }
    parts
}

/// Standard uncertainty of the detector temperature [K]: that of the sensor, or without a sensor that of a uniform distribution
/// over the temperature range of the calibration.
fn temperature_uncertainty(calibration: &Calibration, temperature_c: Option<f64>) -> f64 {
    let (low, high) = calibration.temperature_range_c;
    match temperature_c {
        Some(_) => SENSOR_UNCERTAINTY_K,
        // Root mean square of the uniform distribution about the temperature that the reduction assumes.
        None => {
            let middle = 0.5 * (low + high) - calibration.temperature_c;
            ((high - low) / 12f64.sqrt()).hypot(middle)
        }
    }
}
