//! The reduction of one reading: runs the steps in order.

use super::columns::{self, ColumnInputs, Columns};
use super::counts::{BracketInput, Signal, signal};
use super::dark_light;
use super::light_parts::{self, LightParts};
use super::merge::{Merged, merge};
use super::modes::modes;
use super::reduced::{Reduced, ReductionContext};
use super::ripple::ripple_of;
use super::scale::Scale;
use super::stray::floor_of;
use crate::numeric::upper_median;
use crate::spectrum::errors::Errors;
use crate::spectrum::wide;
use std::sync::Arc;

/// Reduces the brackets of one reading, shortest first. Pure: the same input gives the same bits.
pub fn reduce(brackets: &[BracketInput<'_>], context: &ReductionContext<'_>) -> Reduced {
    wide::run(Reduce { brackets, context })
}

/// Loops over the pixels of a reading, for [`wide::run`].
struct Reduce<'a> {
    brackets: &'a [BracketInput<'a>],
    context: &'a ReductionContext<'a>,
}

impl wide::Loops for Reduce<'_> {
    type Output = Reduced;

    #[inline(always)]
    fn call(self) -> Reduced {
        reduce_in(self.brackets, self.context)
    }
}

#[inline(always)]
fn reduce_in(brackets: &[BracketInput<'_>], context: &ReductionContext<'_>) -> Reduced {
    let (calibration, scale) = (context.calibration, context.scale);
    let pixels = scale.wavelength_nm.len();
    let shot = 1.0 / calibration.noise.electrons_per_count;
    let signals: Vec<Signal> = brackets.iter().map(|bracket| signal(bracket, calibration, scale)).collect();
    let mut merged = merge(&signals, scale, shot);
    let mut stray_matrix = None;
    if let Some(matrix) = calibration.stray_light.matrix.as_ref().filter(|m| m.len() == pixels * pixels) {
        let corrected: Vec<f64> =
            matrix.chunks_exact(pixels).map(|row| row.iter().zip(&merged.rate).map(|(m, r)| m * r).sum()).collect();
        stray_matrix =
            Some(merged.rate.iter().zip(&corrected).map(|(before, after)| before - after).collect::<Vec<_>>());
        merged.rate = corrected;
    }
    let signal_to_noise = median_signal_to_noise(&merged, scale);
    let floor = floor_of(&merged, scale, calibration.stray_light.relative_uncertainty);
    if let Some(floor) = floor {
        merged.rate.iter_mut().for_each(|r| *r -= floor.rate);
    }

    let dt = context.temperature_c.map_or(0.0, |t| t - calibration.temperature_c);
    let mut inverse = inverse_response(scale, dt);
    let rate = merged.rate.clone();
    let LightParts { cosine, beam_share, lamps, lamp_response } = light_parts::of(&merged, &inverse, context);
    if let Some(c) = cosine {
        c.divide(&scale.wavelength_nm, &mut inverse);
    }
    let separated = lamps.as_ref().zip(lamp_response).map(|(l, r)| l.corrected(r, cosine, &inverse, scale));
    if let Some(separated) = &separated {
        merged.rate.iter_mut().zip(&separated.added_rate).for_each(|(rate, added)| *rate += added);
    }
    let dark_light = dark_light::correction(brackets, &merged, &scale.sky_per_lux);
    if let Some(light) = &dark_light {
        // As a rate, so that whatever follows the rates follows it.
        let pixels = merged.rate.iter_mut().zip(light).zip(&inverse);
        pixels.filter(|(_, k)| **k > 0.0).for_each(|((rate, light), k)| *rate += light / k);
    }
    let ripple = ripple_of(brackets, &signals, &merged, context.mains_hz);
    let inputs = ColumnInputs {
        calibration,
        scale,
        signals: &signals,
        merged: &merged,
        floor,
        inverse: &inverse,
        cosine,
        beam_share,
        sun_elevation_deg: context.sun_elevation_deg,
        stray_matrix: stray_matrix.as_deref(),
        ripple: ripple.as_deref(),
        lamps: separated.as_ref(),
        dark_light: dark_light.as_deref(),
        temperature_c: context.temperature_c,
        aged: context.aged,
    };
    let Columns { irradiance, variance, dark_irradiance, lanes, layout } = columns::fill(&inputs);
    let errors = Errors { lanes, modes: modes(&inputs, layout), bins: Arc::clone(&scale.bins) };
    Reduced {
        scale: Arc::clone(scale),
        rate,
        irradiance,
        variance,
        errors,
        merge_weights: merged.merge_weights,
        saturated: merged.saturated,
        floor_rate: floor.map(|f| f.rate),
        dark_irradiance,
        signal_to_noise,
        disagreement: merged.disagreement,
        cosine,
        beam_share,
        lamps,
        lamp_response: lamp_response.map(|response| response.value),
        dark_light,
    }
}

/// 1 / response at `dt` kelvin above the calibration's temperature; 0 for uncalibrated pixels.
#[inline(always)]
fn inverse_response(scale: &Scale, dt: f64) -> Vec<f64> {
    if !scale.follows_temperature || dt == 0.0 {
        return scale.inverse_response.clone();
    }
    scale.inverse_response.iter().zip(&scale.relative_per_k).map(|(k, per_k)| k / (1.0 + per_k * dt)).collect()
}

/// Median of rate over noise among the pixels with more than a tenth of the highest rate.
fn median_signal_to_noise(merged: &Merged, scale: &Scale) -> Option<f64> {
    let pixels = || merged.rate.iter().zip(&merged.variance).zip(&scale.valid);
    // Squares have the order of the ratios, so that one square root suffices.
    let lit: Vec<(f64, f64)> = pixels()
        .filter(|((rate, variance), valid)| **valid && **variance > 0.0 && **rate > 0.0)
        .map(|((rate, variance), _)| (*rate, rate * rate / variance))
        .filter(|(_, square)| *square > 0.0)
        .collect();
    let threshold = 0.1 * lit.iter().map(|(rate, _)| *rate).fold(0.0, f64::max);
    let mut squares: Vec<f64> = lit.into_iter().filter(|(rate, _)| *rate > threshold).map(|(_, s)| s).collect();
    upper_median(&mut squares).map(f64::sqrt)
}

#[cfg(test)]
mod tests;
