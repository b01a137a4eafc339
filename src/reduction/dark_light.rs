//! Light that may have been in the darks: moon, twilight and night sky lower every value by as much as there was.
//!
//! How much there was is not known, only the most it may have been, a. It is taken as uniformly distributed between 0 and a: half of a is added,
//! with the standard uncertainty a/√12. Its spectrum is taken as that of daylight, which moon and twilight roughly have. Pure.

use super::counts::BracketInput;
use super::merge::Merged;

/// Standard uncertainty over the correction: (a/√12) / (a/2).
pub const UNCERTAINTY: f64 = 0.577_350_269_189_625_8;

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
