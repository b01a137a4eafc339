//! Ripple of lamps that is left in the mean of a frame's exposures, as a relative uncertainty of the merged rate.
//!
//! Depends on what was recorded beside the frame ([`crate::record::mains_ripple`]); a frame whose exposures are whole half-cycles has
//! none, and a frame whose phases do not cover the cycle states none (it is flagged instead).

use super::counts::{BracketInput, Signal};
use super::merge::Merged;
use crate::record::mains_ripple::{has_ripple, mean_uncertainty, ripple_range};

/// Relative standard uncertainty of the merged rate of every pixel [1], fully correlated; `None` without ripple.
pub fn ripple_of(
    brackets: &[BracketInput<'_>],
    signals: &[Signal],
    merged: &Merged,
    mains_hz: f64,
) -> Option<Vec<f64>> {
    let mut relative: Option<Vec<f64>> = None;
    for ((bracket, signal), merge_weights) in brackets.iter().zip(signals).zip(&merged.merge_weights) {
        let frame = bracket.frame;
        if !has_ripple(frame, mains_hz) {
            continue;
        }
        let Some(of_mean) = mean_uncertainty(frame, mains_hz) else { continue };
        let pixels = signal.rate.len();
        let relative = relative.get_or_insert_with(|| vec![0.0; pixels]);
        for (k, counts) in frame.ripple.iter().enumerate() {
            let range = ripple_range(pixels, k);
            // Within a range the ripple is taken as proportional to the light, since a lamp's peak is bright where it ripples.
            let light: f64 =
                signal.rate[range.clone()].iter().map(|r| r.max(0.0)).sum::<f64>() / range.len().max(1) as f64;
            if light > 0.0 {
                let u = of_mean * f64::from(*counts) / frame.integration_s / light;
                relative[range.clone()].iter_mut().zip(&merge_weights[range]).for_each(|(r, w)| *r += w * u);
            }
        }
    }
    relative
}
