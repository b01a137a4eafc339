//! A quantity of one spectrum: a value with its uncertainty, or the reason why it has none.

use crate::quantities::reason::NullReason;

/// A quantity of one spectrum.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// The number in the quantity's unit, or why there is none.
    pub value: Result<f64, NullReason>,
    /// Standard uncertainty (k = 1); NaN without a value. First order: √(noise² + Σ effects²), or drawn
    /// ([`Recipe::is_drawn`](crate::quantities::Recipe::is_drawn)).
    pub uncertainty: f64,
    /// The part of it from the variance of the samples; NaN without a value and where the uncertainty is drawn.
    pub noise: f64,
    /// The effect of one standard deviation of each error on the value, in the order of the errors; empty without a value and where the
    /// uncertainty is drawn. Signed, but for errors with many amplitudes: theirs is the standard deviation of all of them together.
    pub effects: Vec<f64>,
}

impl Outcome {
    /// Without a value.
    pub(super) fn null(reason: NullReason) -> Self {
        Self { value: Err(reason), uncertainty: f64::NAN, noise: f64::NAN, effects: Vec::new() }
    }

    /// A value with its first-order uncertainty.
    pub(super) fn first_order(value: f64, noise2: f64, effects: Vec<f64>) -> Self {
        let variance = effects.iter().fold(noise2, |sum, e| sum + e * e);
        match noise2 >= 0.0 && variance.is_finite() {
            _ if !value.is_finite() => Self::null(NullReason::NotFinite),
            false => Self::null(NullReason::UncertaintyNotFinite),
            true => Self { value: Ok(value), uncertainty: variance.sqrt(), noise: noise2.sqrt(), effects },
        }
    }

    /// A value with a drawn uncertainty.
    pub(super) fn drawn(value: f64, uncertainty: f64) -> Self {
        match uncertainty.is_finite() {
            _ if !value.is_finite() => Self::null(NullReason::NotFinite),
            false => Self::null(NullReason::UncertaintyNotFinite),
            true => Self { value: Ok(value), uncertainty, noise: f64::NAN, effects: Vec::new() },
        }
    }
}
