//! The one function that reduces.

use super::cosine::{CosineFactor, under_the_sky};
use super::counts::{RungInput, Signal, signal};
use super::merge::{Merged, merge};
use super::scale::Scale;
use crate::calibration::Calibration;
use std::sync::Arc;

/// One common error: what every pixel would move by together, one standard deviation of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Mode {
    /// Its name, for budgets.
    pub name: &'static str,
    /// Change of the irradiance of every pixel [W m⁻² nm⁻¹].
    pub column: Vec<f64>,
}

/// Names of the modes, fixed because budgets and tests look for them.
pub mod mode_names {
    /// Common part of the response's relative uncertainty.
    pub const RESPONSE_SCALE: &str = "response_scale";
    /// What the stray-light correction may have left.
    pub const STRAY_FLOOR: &str = "stray_floor";
    /// Common dark level, one mode a rung.
    pub const DARK_LEVEL: &str = "dark_level";
    /// Temperature law of the dark model.
    pub const DARK_MODEL: &str = "dark_model";
    /// One common shift of the wavelength scale.
    pub const WAVELENGTH: &str = "wavelength";
    /// What the width of the slit does to a curved spectrum, uncorrected.
    pub const BANDWIDTH: &str = "bandwidth";
    /// Share of the beam under an imperfect optic.
    pub const COSINE: &str = "cosine";
}

/// What reduction receives beside frames and darks.
#[derive(Clone, Copy, Debug)]
pub struct Setting<'a> {
    /// The calibration in force.
    pub calibration: &'a Calibration,
    /// Its axis at the detector's temperature.
    pub scale: &'a Arc<Scale>,
    /// Mean detector temperature [°C].
    pub temperature_c: Option<f64>,
    /// The sun's apparent elevation [degrees]; `None` at a lamp, where no cosine is corrected.
    pub sun_elevation_deg: Option<f64>,
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
    pub modes: Vec<Mode>,
    /// Share of each rung in each pixel [1], rung by rung.
    pub served: Vec<Vec<f64>>,
    /// Pixels that see light and are clipped in every rung.
    pub saturated: Vec<bool>,
    /// Stray-light floor that was subtracted [counts/s]; `None` where the calibration names no band for it.
    pub floor_rate: Option<f64>,
    /// Dark current that was subtracted, as irradiance [W m⁻² nm⁻¹].
    pub dark_irradiance: Vec<f64>,
    /// Median of signal over noise among the lit pixels [1].
    pub signal_to_noise: Option<f64>,
    /// Relative difference of the light between rungs and its standard uncertainty [1].
    pub disagreement: Option<(f64, f64)>,
    /// What the optic's cosine response did; `None` where none was corrected.
    pub cosine: Option<CosineFactor>,
}

/// Reduces the rungs of one reading, shortest first. Pure: the same input gives the same bits.
pub fn reduce(rungs: &[RungInput<'_>], setting: &Setting<'_>) -> Reduced {
    let calibration = setting.calibration;
    let scale = setting.scale;
    let pixels = scale.wavelength_nm.len();
    let shot = 1.0 / calibration.noise.electrons_per_count;
    let signals: Vec<Signal> = rungs.iter().map(|r| signal(r, calibration, scale)).collect();
    let mut merged = merge(&signals, scale, shot);
    if let Some(matrix) = calibration.stray_light.matrix.as_ref().filter(|m| m.len() == pixels * pixels) {
        merged.rate =
            matrix.chunks_exact(pixels).map(|row| row.iter().zip(&merged.rate).map(|(m, r)| m * r).sum()).collect();
    }
    let signal_to_noise = median_signal_to_noise(&merged, scale);
    let floor = floor_of(&merged, scale, calibration.stray_light.relative_uncertainty);
    let stray = floor.map_or(0.0, |f| f.rate);
    merged.rate.iter_mut().for_each(|r| *r -= stray);

    // Response with temperature; 0 stays 0 where there is no calibration.
    let dt = setting.temperature_c.map_or(0.0, |t| t - calibration.temperature_c);
    let inverse: Vec<f64> = (0..pixels)
        .map(|i| if scale.valid[i] { 1.0 / (scale.response[i] * (1.0 + scale.relative_per_k[i] * dt)) } else { 0.0 })
        .collect();
    let mut irradiance: Vec<f64> = merged.rate.iter().zip(&inverse).map(|(r, k)| r * k).collect();
    let mut variance: Vec<f64> = merged.variance.iter().zip(&inverse).map(|(v, k)| v * k * k).collect();
    let mut modes = modes_of(&signals, &merged, floor, calibration, scale, &inverse);
    let mut dark_irradiance = vec![0.0; pixels];
    for (s, served) in signals.iter().zip(&merged.served) {
        for i in 0..pixels {
            dark_irradiance[i] += served[i] * s.dark_rate[i] * inverse[i];
        }
    }

    let cosine = match (&calibration.cosine, setting.sun_elevation_deg) {
        (Some(cosine), Some(elevation)) => Some(under_the_sky(cosine, elevation, rough_ppfd(&irradiance, scale))),
        _ => None,
    };
    if let Some(c) = cosine {
        apply_cosine(c, scale, &mut irradiance, &mut variance, &mut modes, &mut dark_irradiance);
    }
    Reduced {
        scale: Arc::clone(scale),
        irradiance,
        variance,
        modes,
        served: merged.served,
        saturated: merged.saturated,
        floor_rate: floor.map(|f| f.rate),
        dark_irradiance,
        signal_to_noise,
        disagreement: merged.disagreement,
        cosine,
    }
}

/// The stray-light floor and what is not known about it.
#[derive(Clone, Copy, Debug)]
struct Floor {
    rate: f64,
    uncertainty: f64,
}

/// Mean of the pixels that see no true light. Its noise is shared by every pixel it is subtracted from.
fn floor_of(merged: &Merged, scale: &Scale, relative_uncertainty: f64) -> Option<Floor> {
    let usable: Vec<usize> = scale.floor.iter().copied().filter(|i| !merged.saturated[*i]).collect();
    if usable.is_empty() {
        return None;
    }
    let n = usable.len() as f64;
    let mut sorted: Vec<f64> = usable.iter().map(|i| merged.rate[*i]).collect();
    sorted.sort_unstable_by(f64::total_cmp);
    // A hot pixel whose dark was missed must not lift the floor under the whole spectrum.
    let cut = sorted.len() / 10;
    let kept = &sorted[cut..sorted.len() - cut];
    let rate = kept.iter().sum::<f64>() / kept.len() as f64;
    let noise = usable.iter().map(|i| merged.variance[*i]).sum::<f64>().sqrt() / n;
    Some(Floor { rate, uncertainty: noise.hypot(relative_uncertainty * rate) })
}

fn modes_of(
    signals: &[Signal],
    merged: &Merged,
    floor: Option<Floor>,
    calibration: &Calibration,
    scale: &Scale,
    inverse: &[f64],
) -> Vec<Mode> {
    use mode_names as names;
    let pixels = inverse.len();
    let mut modes = Vec::with_capacity(8);
    let common = calibration.response.correlated_fraction.max(0.0).sqrt();
    let column = (0..pixels).map(|i| common * scale.relative_uncertainty[i] * merged.rate[i] * inverse[i]).collect();
    modes.push(Mode { name: names::RESPONSE_SCALE, column });
    if let Some(f) = floor {
        modes.push(Mode { name: names::STRAY_FLOOR, column: inverse.iter().map(|k| f.uncertainty * k).collect() });
    }
    // An error common to all pixels of a rung is partly taken out again with the floor.
    let in_floor = |per_pixel: &dyn Fn(usize) -> f64| match scale.floor.len() {
        0 => 0.0,
        n if floor.is_some() => scale.floor.iter().map(|i| per_pixel(*i)).sum::<f64>() / n as f64,
        _ => 0.0,
    };
    for (s, served) in signals.iter().zip(&merged.served) {
        let back = in_floor(&|i| served[i]);
        let u = s.level_uncertainty;
        let column = (0..pixels).map(|i| u * (served[i] - back) * inverse[i]).collect();
        modes.push(Mode { name: names::DARK_LEVEL, column });
    }
    if signals.iter().any(|s| !s.exponent_effect.is_empty()) {
        let effect = |i: usize| {
            let parts = signals.iter().zip(&merged.served).filter(|(s, _)| !s.exponent_effect.is_empty());
            parts.map(|(s, w)| s.exponent_effect[i] * w[i]).sum::<f64>()
        };
        let back = in_floor(&effect);
        modes.push(Mode {
            name: names::DARK_MODEL,
            column: (0..pixels).map(|i| (effect(i) - back) * inverse[i]).collect(),
        });
    }
    let u = calibration.wavelength.uncertainty_nm;
    modes.push(Mode { name: names::WAVELENGTH, column: slope(&merged.rate, scale, u, inverse) });
    let fwhm = calibration.wavelength.fwhm_nm;
    modes.push(Mode { name: names::BANDWIDTH, column: curvature(&merged.rate, scale, fwhm, inverse) });
    modes
}

/// Change of the irradiance when the scale is off by `nm`: the counts belong elsewhere, and so does the response.
fn slope(rate: &[f64], scale: &Scale, nm: f64, inverse: &[f64]) -> Vec<f64> {
    let x = &scale.wavelength_nm;
    let mut column = vec![0.0; rate.len()];
    for i in 1..rate.len().saturating_sub(1) {
        if scale.valid[i - 1] && scale.valid[i] && scale.valid[i + 1] {
            column[i] = nm * (rate[i + 1] - rate[i - 1]) / (x[i + 1] - x[i - 1]) * inverse[i];
        }
    }
    column
}

/// Excess that a triangular slit adds to a curved spectrum: fwhm²/12 times the second derivative, taken over half a width.
fn curvature(rate: &[f64], scale: &Scale, fwhm: f64, inverse: &[f64]) -> Vec<f64> {
    let (first, last) = scale.valid_pixels;
    let mut column = vec![0.0; rate.len()];
    if last <= first || !(fwhm > 0.0) {
        return column;
    }
    let pitch = (scale.wavelength_nm[last] - scale.wavelength_nm[first]) / (last - first) as f64;
    let k = ((0.5 * fwhm / pitch).round() as usize).max(1);
    for i in first + k..(last + 1).saturating_sub(k) {
        if scale.valid[i - k] && scale.valid[i] && scale.valid[i + k] {
            let h = 0.5 * (scale.wavelength_nm[i + k] - scale.wavelength_nm[i - k]);
            let second = (rate[i + k] - 2.0 * rate[i] + rate[i - k]) / (h * h);
            column[i] = fwhm * fwhm / 12.0 * second * inverse[i];
        }
    }
    column
}

fn median_signal_to_noise(merged: &Merged, scale: &Scale) -> Option<f64> {
    let lit = |i: &usize| scale.valid[*i] && merged.variance[*i] > 0.0;
    let peak = (0..scale.valid.len()).filter(lit).map(|i| merged.rate[i]).fold(0.0, f64::max);
    let mut ratios: Vec<f64> = (0..scale.valid.len())
        .filter(lit)
        .filter(|i| merged.rate[*i] > 0.1 * peak)
        .map(|i| merged.rate[i] / merged.variance[i].sqrt())
        .collect();
    if ratios.is_empty() {
        return None;
    }
    let middle = ratios.len() / 2;
    Some(*ratios.select_nth_unstable_by(middle, f64::total_cmp).1)
}

/// PPFD good to a few per cent, only to judge how clear the sky is [µmol m⁻² s⁻¹].
fn rough_ppfd(irradiance: &[f64], scale: &Scale) -> f64 {
    const MICROMOL_PER_JOULE_NM: f64 = 0.008_359_347;
    let x = &scale.wavelength_nm;
    (1..x.len())
        .filter(|i| scale.valid[*i] && x[*i] >= 400.0 && x[*i] <= 700.0)
        .map(|i| irradiance[i] * x[i] * MICROMOL_PER_JOULE_NM * (x[i] - x[i - 1]))
        .sum()
}

fn apply_cosine(
    c: CosineFactor,
    scale: &Scale,
    irradiance: &mut [f64],
    variance: &mut [f64],
    modes: &mut Vec<Mode>,
    dark: &mut [f64],
) {
    let inverse: Vec<f64> =
        scale.wavelength_nm.iter().map(|nm| 1.0 / if *nm < 400.0 { c.ultraviolet } else { c.factor }).collect();
    for (i, k) in inverse.iter().enumerate() {
        irradiance[i] *= k;
        variance[i] *= k * k;
        dark[i] *= k;
    }
    for mode in modes.iter_mut() {
        mode.column.iter_mut().zip(&inverse).for_each(|(c, k)| *c *= k);
    }
    if c.uncertainty > 0.0 {
        let column = irradiance.iter().zip(&inverse).map(|(e, k)| e * k * c.uncertainty).collect();
        modes.push(Mode { name: mode_names::COSINE, column });
    }
}
