//! Light that may have been in the darks: moon, twilight and night sky lower every value by as much as there was.
//!
//! How much there was is not known, only the most it may have been, a. It is taken as uniformly distributed between 0 and a: half of a is added,
//! with the standard uncertainty a/√12. Its spectrum is taken as that of daylight, which moon and twilight roughly have. Pure.

use super::counts::BracketInput;
use super::merge::Merged;
use crate::numeric::interpolate;
use crate::spectrum::g173::{G173, g173};
use std::sync::LazyLock;

/// Illuminance of the global spectrum of ASTM G173-03 [lx]: colour-science 0.4.7 (`SDS_LEFS`, CIE 1924 photopic observer, 683.002 lm/W).
pub const G173_LX: f64 = 109_495.0;
/// Standard uncertainty over the correction: (a/√12) / (a/2).
pub const UNCERTAINTY: f64 = 0.577_350_269_189_625_8;

static DAYLIGHT: LazyLock<G173> = LazyLock::new(g173);

/// Spectral irradiance of one lux of daylight at a wavelength [W m⁻² nm⁻¹]; 0 outside 280 to 1100 nm.
pub fn per_lux(nm: f64) -> f64 {
    interpolate(&DAYLIGHT.wavelength_nm, &DAYLIGHT.global_tilt, nm).unwrap_or(0.0) / G173_LX
}

/// Half of what may have been in the darks, pixel by pixel [W m⁻² nm⁻¹]; `None` where nothing may have been.
pub fn correction(brackets: &[BracketInput<'_>], merged: &Merged, per_lux: &[f64]) -> Option<Vec<f64>> {
    if !brackets.iter().any(|b| b.dark_light_lx > 0.0) {
        return None;
    }
    let mut half = vec![0.0; per_lux.len()];
    for (bracket, weights) in brackets.iter().zip(&merged.merge_weights) {
        let lux = 0.5 * bracket.dark_light_lx;
        for ((to, weight), unit) in half.iter_mut().zip(weights).zip(per_lux) {
            *to += weight * lux * unit;
        }
    }
    Some(half)
}
