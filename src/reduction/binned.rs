//! The correlated error components that are smooth functions of wavelength: a factor for each bin of the axis, times the irradiance or
//! its slope.
//!
//! They need no column of their own ([`super::columns`]). Factors are evaluated at the middle of each bin. The cosine response is that
//! of [`super::cosine`]; what only a beam can cause vanishes with the sun below the horizon and under lamps. Pure.

use super::columns::ColumnInputs;
use super::reduced::mode_names as names;
use crate::calibration::TemperatureCoefficient;
use crate::numeric::interpolate_clamped;
use crate::spectrum::errors::{Correlation, ErrorMode, IRRADIANCE, SHIFT};

/// Wavelengths along the scale whose errors are independent of each other. The residuals of a cubic have about as many periods.
const INDEPENDENT: usize = 5;
/// Zenith angle beyond which a tilt has no greater effect [degrees]: there the beam is weak and the sun wide.
const STEEPEST_DEG: f64 = 85.0;

/// All of these components.
pub fn modes(inputs: &ColumnInputs<'_>) -> Vec<ErrorMode> {
    let middles = middles(inputs);
    let mut modes = Vec::new();
    let mut add = |name, column, factors: Vec<f64>| {
        if factors.iter().any(|f| *f != 0.0) {
            modes.push(ErrorMode { name, of_light: true, mixture: Correlation::PerBin { column, factors } });
        }
    };
    let at = |of: &dyn Fn(f64) -> f64| middles.iter().map(|nm| of(*nm)).collect();
    // What concerns the optic's response to sun and sky is an error of their part of the light.
    let sun = shares_of_sun(inputs);
    let of_sun = |of: &dyn Fn(f64) -> f64| middles.iter().zip(&sun).map(|(nm, share)| share * of(*nm)).collect();
    if let Some(c) = inputs.cosine {
        add(names::COSINE, IRRADIANCE, of_sun(&|nm| c.relative_error(nm)));
    }
    for (name, of) in optic_errors(inputs) {
        add(name, IRRADIANCE, of_sun(&of));
    }
    add(names::LINEARITY, IRRADIANCE, levels(inputs).iter().map(|l| l * inputs.calibration.budget.linearity).collect());
    if let Some(t) = inputs.temperature_c {
        let (coefficient, dt) = (&inputs.calibration.temperature, t - inputs.calibration.temperature_c);
        add(names::TEMPERATURE_COEFFICIENTS, IRRADIANCE, at(&|nm| of_coefficient(coefficient, dt, nm)));
        let shift = inputs.calibration.wavelength.shift_uncertainty_nm_per_k * dt;
        add(names::TEMPERATURE_COEFFICIENTS, SHIFT, at(&|_| shift));
    }
    let (low, high) = inputs.scale.valid_nm;
    let spacing = (high - low) / (INDEPENDENT - 1) as f64;
    for k in 0..INDEPENDENT {
        let u = inputs.calibration.wavelength.variation_nm;
        let place = |nm: f64| if spacing > 0.0 { (nm - low) / spacing - k as f64 } else { 0.0 };
        add(names::WAVELENGTH_VARIATION, SHIFT, at(&|nm| u * shape(place(nm))));
    }
    modes
}

/// A half-wave of the cosine, 1 in the middle and 0 from a distance of 1 on: squares of neighbours add up to 1.
fn shape(distance: f64) -> f64 {
    if distance.abs() < 1.0 { (std::f64::consts::FRAC_PI_2 * distance).cos() } else { 0.0 }
}

/// The wavelength in the middle of each bin [nm].
fn middles(inputs: &ColumnInputs<'_>) -> Vec<f64> {
    let (nm, bins) = (&inputs.scale.wavelength_nm, &inputs.scale.bins);
    let ends = bins.starts.iter().skip(1).copied().chain([nm.len()]);
    bins.starts.iter().zip(ends).map(|(start, end)| 0.5 * (nm[*start] + nm[end.max(1) - 1])).collect()
}

/// Share of sun and sky in the light of each bin [1]; 1 without lamps.
fn shares_of_sun(inputs: &ColumnInputs<'_>) -> Vec<f64> {
    let starts = &inputs.scale.bins.starts;
    let Some(lamps) = inputs.lamps else { return vec![1.0; starts.len()] };
    let ends = starts.iter().skip(1).copied().chain([inputs.inverse.len()]);
    let share = |(start, end): (&usize, usize)| {
        let pixels = *start..end;
        let light = inputs.merged.rate[pixels.clone()].iter().zip(&inputs.inverse[pixels.clone()]);
        let (all, lamps) = (light.map(|(r, k)| r * k).sum::<f64>(), lamps.irradiance[pixels].iter().sum::<f64>());
        if all > 0.0 { (1.0 - lamps / all).clamp(0.0, 1.0) } else { 1.0 }
    };
    starts.iter().zip(ends).map(share).collect()
}

/// Relative error of the irradiance at a wavelength [nm] by one standard uncertainty.
type OfWavelength<'a> = Box<dyn Fn(f64) -> f64 + 'a>;

/// The components by the response of the optic to beam and sky, and by its level. Without a known response the optic is taken as ideal.
fn optic_errors<'a>(inputs: &'a ColumnInputs<'_>) -> Vec<(&'static str, OfWavelength<'a>)> {
    let Some((share, elevation)) = inputs.beam_share.zip(inputs.sun_elevation_deg) else { return Vec::new() };
    let calibration = inputs.calibration;
    let zenith = 90.0 - elevation;
    let tilt = calibration.budget.levelling_deg.to_radians() * zenith.min(STEEPEST_DEG).to_radians().tan();
    // The part of the response that is to the beam, and to the sky.
    let of_beam = move |nm: f64| match inputs.cosine {
        Some(c) => share.at(nm).0 * c.beam / c.factor(nm),
        None => share.at(nm).0,
    };
    let mut errors: Vec<(&'static str, OfWavelength<'a>)> =
        vec![(names::LEVELLING, Box::new(move |nm| tilt * of_beam(nm)))];
    if let Some(cosine) = &calibration.cosine {
        let at = |list: &[f64]| interpolate_clamped(&cosine.zenith_deg, list, zenith);
        let table = at(&cosine.ratio_uncertainty).hypot(at(&cosine.azimuth_deviation));
        errors.push((names::COSINE_TABLE, Box::new(move |nm| table * of_beam(nm))));
        errors.push((names::COSINE_DIFFUSE, Box::new(move |nm| cosine.diffuse_uncertainty * (1.0 - of_beam(nm)))));
    }
    errors
}

/// Relative error of the response by one standard uncertainty of its temperature coefficient, `dt` kelvin above the calibration's
/// temperature.
fn of_coefficient(coefficient: &TemperatureCoefficient, dt: f64, nm: f64) -> f64 {
    match (&coefficient.wavelength_nm[..], &coefficient.uncertainty_per_k[..]) {
        ([], [one, ..]) => one * dt,
        (axis, of_each) => {
            let per_k = interpolate_clamped(axis, &coefficient.relative_per_k, nm);
            interpolate_clamped(axis, of_each, nm) * dt / (1.0 + per_k * dt)
        }
    }
}

/// Mean share of full scale of the light in each bin [1], weighted with the light.
fn levels(inputs: &ColumnInputs<'_>) -> Vec<f64> {
    let (rate, bins) = (&inputs.merged.rate, &inputs.scale.bins);
    let full_scale = inputs.scale.full_scale;
    let ends = bins.starts.iter().skip(1).copied().chain([rate.len()]);
    let level = |start: usize, end: usize| {
        let (mut levels, mut light) = (0.0, 0.0);
        for i in (start..end).filter(|i| rate[*i] > 0.0) {
            let brackets = inputs.signals.iter().zip(&inputs.merged.merge_weights);
            let seconds: f64 = brackets.map(|(signal, weights)| weights[i] * signal.integration_s).sum();
            levels += rate[i] * rate[i] * seconds;
            light += rate[i];
        }
        if light > 0.0 && full_scale > 0.0 { levels / light / full_scale } else { 0.0 }
    };
    bins.starts.iter().zip(ends).map(|(start, end)| level(*start, end)).collect()
}
