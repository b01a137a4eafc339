//! The one function that reduces.

use super::columns::{self, Known};
use super::cosine::{CosineFactor, under_the_sky};
use super::counts::{BracketInput, Signal, signal};
use super::merge::{Merged, merge};
use super::scale::Scale;
use super::stray::floor_of;
use super::sums::strided;
use crate::calibration::Calibration;
use crate::numeric::upper_median;
use crate::spectrum::errors::Errors;
use crate::spectrum::wide;
use std::sync::Arc;

/// Names of the modes, fixed because budgets and tests look for them.
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
    /// What the width of the slit does to a curved spectrum, uncorrected.
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
    /// The calibration in force.
    pub calibration: &'a Calibration,
    /// Its axis at the detector's temperature.
    pub scale: &'a Arc<Scale>,
    /// Mean detector temperature [°C].
    pub temperature_c: Option<f64>,
    /// The sun's apparent elevation [degrees]; `None` at a lamp, where no cosine is corrected.
    pub sun_elevation_deg: Option<f64>,
    /// What time since the last check that passed may have done.
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
    /// What the optic's cosine response did; `None` where none was corrected.
    pub cosine: Option<CosineFactor>,
}

/// Memory that reductions use again: one reading after the other then asks the allocator for next to nothing.
#[derive(Debug, Default)]
pub struct Workspace {
    signals: Vec<Signal>,
    merged: Merged,
    inverse: Vec<f64>,
    ratios: Vec<f64>,
    spare: Option<Reduced>,
}

impl Workspace {
    /// Takes back a reduced reading that is no longer needed, for its memory.
    pub fn recycle(&mut self, reduced: Reduced) {
        self.spare = Some(reduced);
    }
}

/// Reduces the brackets of one reading, shortest first. Pure: the same input gives the same bits.
pub fn reduce(brackets: &[BracketInput<'_>], setting: &Setting<'_>) -> Reduced {
    reduce_with(&mut Workspace::default(), brackets, setting)
}

/// [`reduce`] in memory that is used again; the bits do not depend on what was in it.
pub fn reduce_with(work: &mut Workspace, brackets: &[BracketInput<'_>], setting: &Setting<'_>) -> Reduced {
    wide::run(Reduce { work, brackets, setting })
}

/// The loops over the pixels of a reading.
struct Reduce<'a> {
    work: &'a mut Workspace,
    brackets: &'a [BracketInput<'a>],
    setting: &'a Setting<'a>,
}

impl wide::Loops for Reduce<'_> {
    type Output = Reduced;

    #[inline(always)]
    fn call(self) -> Reduced {
        reduce_in(self.work, self.brackets, self.setting)
    }
}

#[inline(always)]
fn reduce_in(work: &mut Workspace, brackets: &[BracketInput<'_>], setting: &Setting<'_>) -> Reduced {
    let calibration = setting.calibration;
    let scale = setting.scale;
    let pixels = scale.wavelength_nm.len();
    let shot = 1.0 / calibration.noise.electrons_per_count;
    let Workspace { signals, merged, inverse, ratios, spare } = work;
    let mut out = spare.take().map_or_else(|| empty(scale), |reduced| Reduced { scale: Arc::clone(scale), ..reduced });
    signals.resize_with(brackets.len(), Signal::default);
    for (bracket, out) in brackets.iter().zip(signals.iter_mut()) {
        signal(bracket, calibration, scale, out);
    }
    merge(signals, scale, shot, merged);
    if let Some(matrix) = calibration.stray_light.matrix.as_ref().filter(|m| m.len() == pixels * pixels) {
        merged.rate =
            matrix.chunks_exact(pixels).map(|row| row.iter().zip(&merged.rate).map(|(m, r)| m * r).sum()).collect();
    }
    out.signal_to_noise = median_signal_to_noise(merged, scale, ratios);
    let floor = floor_of(merged, scale, calibration.stray_light.relative_uncertainty);
    out.floor_rate = floor.map(|f| f.rate);
    out.disagreement = merged.disagreement;
    if let Some(floor) = floor {
        merged.rate.iter_mut().for_each(|r| *r -= floor.rate);
    }

    let dt = setting.temperature_c.map_or(0.0, |t| t - calibration.temperature_c);
    inverse_response(scale, dt, inverse);
    out.cosine = match (&calibration.cosine, setting.sun_elevation_deg) {
        (Some(cosine), Some(elevation)) => {
            Some(under_the_sky(cosine, elevation, rough_ppfd(&merged.rate, inverse, scale)))
        }
        _ => None,
    };
    if let Some(c) = out.cosine {
        let (ultraviolet, rest) = inverse.split_at_mut(scale.ultraviolet_end);
        ultraviolet.iter_mut().for_each(|k| *k *= 1.0 / c.ultraviolet);
        rest.iter_mut().for_each(|k| *k *= 1.0 / c.factor);
    }
    let known = Known { calibration, scale, signals, merged, floor, inverse, cosine: out.cosine, aged: setting.aged };
    columns::fill(&known, setting.temperature_c, &mut out);
    std::mem::swap(&mut out.served, &mut merged.served);
    std::mem::swap(&mut out.saturated, &mut merged.saturated);
    out
}

fn empty(scale: &Arc<Scale>) -> Reduced {
    Reduced {
        scale: Arc::clone(scale),
        irradiance: Vec::new(),
        variance: Vec::new(),
        errors: Errors::default(),
        served: Vec::new(),
        saturated: Vec::new(),
        floor_rate: None,
        dark_irradiance: Vec::new(),
        signal_to_noise: None,
        disagreement: None,
        cosine: None,
    }
}

/// 1 / response at `dt` kelvin above the calibration's temperature; 0 stays 0 where there is no calibration.
#[inline(always)]
fn inverse_response(scale: &Scale, dt: f64, inverse: &mut Vec<f64>) {
    inverse.clear();
    if scale.follows_temperature && dt != 0.0 {
        let pairs = scale.inverse_response.iter().zip(&scale.relative_per_k);
        inverse.extend(pairs.map(|(k, per_k)| k / (1.0 + per_k * dt)));
    } else {
        inverse.extend_from_slice(&scale.inverse_response);
    }
}

#[inline(always)]
fn median_signal_to_noise(merged: &Merged, scale: &Scale, ratios: &mut Vec<f64>) -> Option<f64> {
    let n = scale.valid.len();
    let (valid, rate, variance) = (&scale.valid[..n], &merged.rate[..n], &merged.variance[..n]);
    // Squares order as the ratios do, and need one root in all; what is not lit stands as zero.
    ratios.clear();
    ratios.resize(n, 0.0);
    let lit = |i: usize| valid[i] & (variance[i] > 0.0) & (rate[i] > 0.0);
    for (i, ratio) in ratios.iter_mut().enumerate() {
        let square = rate[i] * rate[i] / variance[i];
        *ratio = if lit(i) { square } else { 0.0 };
    }
    let mut peaks = [0.0_f64; 8];
    for (eight, ratios) in rate.chunks(8).zip(ratios.chunks(8)) {
        for ((peak, r), ratio) in peaks.iter_mut().zip(eight).zip(ratios) {
            *peak = if (*ratio > 0.0) & (*r > *peak) { *r } else { *peak };
        }
    }
    let threshold = 0.1 * peaks.into_iter().fold(0.0, f64::max);
    let mut kept = 0;
    for i in 0..n {
        let ratio = ratios[i];
        ratios[kept] = ratio;
        kept += usize::from((ratio > 0.0) & (rate[i] > threshold));
    }
    ratios.truncate(kept);
    upper_median(ratios).map(f64::sqrt)
}

/// PPFD good to a few per cent, only to judge how clear the sky is [µmol m⁻² s⁻¹].
#[inline(always)]
fn rough_ppfd(rate: &[f64], inverse: &[f64], scale: &Scale) -> f64 {
    let (at, weights) = &scale.photons;
    let n = weights.len();
    let (rate, inverse) = (&rate[at.clone()][..n], &inverse[at.clone()][..n]);
    let [sum] = strided(n, |i| [rate[i] * inverse[i] * weights[i]]);
    sum
}

#[cfg(test)]
mod tests;
