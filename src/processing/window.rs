//! Statistics of every quantity over the exposures of a window. Pure.

use crate::quantities::{self, Matrix};
use crate::record::{Frame, WindowStatistics};
use crate::reduction::lamps::LampContext;
use crate::reduction::{BracketInput, Reduced, ReductionContext, reduce};

/// Merge weight above which a pixel is attributed to a bracket [1].
const MAIN_WEIGHT: f64 = 0.5;

/// Minimum, maximum and standard deviation of every quantity over the exposures of a window; `None` for fewer than two values.
///
/// singles: the exposures of each bracket as frames of one. Each exposure is reduced with the dark of its bracket; pixels that come
/// mainly from another bracket take the mean of the window. The statistics of a quantity are those of the bracket that contributes
/// most of its light ([`Matrix::shares`]).
pub(super) fn statistics(
    brackets: &[BracketInput<'_>],
    singles: &[Vec<Frame>],
    reduced: &Reduced,
    matrix: &Matrix,
    context: &ReductionContext<'_>,
) -> Vec<Option<WindowStatistics>> {
    // The shares of direct light and of lamps are those of the window: estimated from single exposures they would follow their noise
    // and ripple.
    let lamps = context.lamps.map(|lamps| LampContext { part: reduced.lamps.as_ref(), ..lamps });
    let context = &ReductionContext { beam_share: reduced.beam_share, lamps, ..*context };
    // By bracket, exposure and quantity.
    let mut values: Vec<Vec<Vec<f64>>> = Vec::new();
    for ((bracket, exposures), weights) in brackets.iter().zip(singles).zip(&reduced.merge_weights) {
        let values_of = |frame| {
            let exposure = reduce(&[BracketInput { frame, ..*bracket }], context);
            values_or_nan(matrix, &combined(&exposure, reduced, weights))
        };
        values.push(exposures.iter().map(values_of).collect());
    }
    let shares = light_shares(reduced, matrix);
    let of_quantity = |quantity: usize| {
        let share = |bracket: &usize| shares[*bracket][quantity].abs();
        let main = (0..values.len()).max_by(|a, b| share(a).total_cmp(&share(b)))?;
        let series: Vec<f64> = values[main].iter().map(|exposure| exposure[quantity]).collect();
        statistics_of(&series)
    };
    (0..quantities::registry().len()).map(of_quantity).collect()
}

/// Share of the light of each quantity that comes from each bracket [1], by bracket and quantity.
fn light_shares(reduced: &Reduced, matrix: &Matrix) -> Vec<Vec<f64>> {
    let weighted = |weights: &Vec<f64>| weights.iter().zip(&reduced.irradiance).map(|(w, e)| w * e).collect();
    let parts: Vec<Vec<f64>> = reduced.merge_weights.iter().map(weighted).collect();
    matrix.shares(&parts)
}

/// The spectrum of one exposure, where its bracket has the main weight, and the mean spectrum elsewhere.
fn combined(exposure: &Reduced, mean: &Reduced, weights: &[f64]) -> Vec<f64> {
    let samples = exposure.irradiance.iter().zip(&mean.irradiance).zip(weights);
    samples.map(|((own, mean), weight)| if *weight > MAIN_WEIGHT { *own } else { *mean }).collect()
}

/// Values of all quantities; NaN where a quantity is null.
fn values_or_nan(matrix: &Matrix, irradiance: &[f64]) -> Vec<f64> {
    quantities::values(matrix, irradiance).into_iter().map(|value| value.unwrap_or(f64::NAN)).collect()
}

/// Statistics of the finite values; `None` for fewer than two.
fn statistics_of(series: &[f64]) -> Option<WindowStatistics> {
    let values: Vec<f64> = series.iter().copied().filter(|v| v.is_finite()).collect();
    if values.len() < 2 {
        return None;
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    let squares = values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>();
    Some(WindowStatistics {
        minimum: values.iter().copied().fold(f64::INFINITY, f64::min),
        maximum: values.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        deviation: (squares / (n - 1.0)).sqrt(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Identity: 1, 2 and 4 have the mean 7/3 and the variance 7/3 (n − 1).
    #[test]
    fn the_statistics_are_those_of_the_finite_values() {
        let found = statistics_of(&[2.0, f64::NAN, 1.0, 4.0]).unwrap();
        assert_eq!((found.minimum, found.maximum), (1.0, 4.0));
        assert!((found.deviation - (7.0f64 / 3.0).sqrt()).abs() < 1e-15, "{}", found.deviation);
    }

    #[test]
    fn fewer_than_two_finite_values_have_no_statistics() {
        for series in [&[][..], &[1.0], &[1.0, f64::NAN, f64::INFINITY]] {
            assert_eq!(statistics_of(series), None, "{series:?}");
        }
    }
}
