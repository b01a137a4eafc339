//! The effect of a given change of the spectrum on every quantity, for flags whose error has a size.

use super::{finished, values};
use crate::quantities::matrix::Matrix;
use crate::quantities::peak;
use crate::quantities::quantity::{Quantity, Recipe};
use crate::quantities::reason::NullReason;
use crate::quantities::registry::registry;
use crate::quantities::sums::sums;
use crate::spectrum::lanes::Lanes;

/// The signed effect of each column on each quantity, `effects[column][quantity]`, in the order of the registry.
///
/// irradiance and every column: [W m⁻² nm⁻¹] on the matrix's axis; a column is the change of every sample at once. First order by the
/// derivatives of the formulas; for quantities whose uncertainty is drawn, the difference of the values with the change and without. NaN
/// where the quantity has no value, or where lengths differ.
pub fn effects(m: &Matrix, irradiance: &[f64], columns: &[&[f64]]) -> Vec<Vec<f64>> {
    if irradiance.len() != m.samples || columns.iter().any(|c| c.len() != m.samples) {
        return vec![vec![f64::NAN; registry().len()]; columns.len()];
    }
    if columns.is_empty() {
        return Vec::new();
    }
    let spectra: Vec<&[f64]> = std::iter::once(irradiance).chain(columns.iter().copied()).collect();
    let sums = sums(&m.rows, &Lanes::of(&spectra));
    let before = drawn_values(m, irradiance);
    let effects_of = |(k, column): (usize, &&[f64])| {
        let changed: Vec<f64> = irradiance.iter().zip(*column).map(|(e, c)| e + c).collect();
        let after = drawn_values(m, &changed);
        let sum = |row: &usize, spectrum: usize| sums[row * spectra.len() + spectrum];
        let first_order = |rows: &[usize], finish| match finished(rows.iter().map(|row| sum(row, 0)), finish) {
            Ok((_, gradient)) => gradient.iter().zip(rows).map(|(g, row)| g * sum(row, k + 1)).sum(),
            Err(_) => f64::NAN,
        };
        let effect = |(q, (quantity, plan)): (usize, (&Quantity, &Result<Vec<usize>, NullReason>))| match (
            plan,
            &quantity.recipe,
        ) {
            (Err(_), _) => f64::NAN,
            (Ok(rows), Recipe::Linear { factor, .. }) => factor * sum(&rows[0], k + 1),
            (Ok(rows), Recipe::Finish { finish, .. }) => first_order(rows, *finish),
            (Ok(_), Recipe::Peak { .. } | Recipe::Rendering { .. }) => after[q] - before[q],
        };
        registry().iter().zip(&m.plans).enumerate().map(effect).collect()
    };
    columns.iter().enumerate().map(effects_of).collect()
}

/// The values of the quantities whose uncertainty is drawn, in the order of the registry; NaN for one without a value.
fn drawn_values(m: &Matrix, irradiance: &[f64]) -> Vec<f64> {
    let or_nan = |value: Result<f64, NullReason>| value.unwrap_or(f64::NAN);
    if m.rendering.is_some() {
        return values(m, irradiance).into_iter().map(or_nan).collect();
    }
    let peak = or_nan(peak::find(&m.axis_nm, irradiance, m.calibrated.clone()));
    registry().iter().map(|q| if matches!(q.recipe, Recipe::Peak { .. }) { peak } else { f64::NAN }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantities::{SourceRule, evaluate};
    use crate::spectrum::errors::Errors;

    /// Identity: effects are those of the errors of an evaluation; on what has a drawn uncertainty, the difference that the change
    /// makes.
    #[test]
    fn effects_are_those_of_errors() {
        let axis: Vec<f64> = (0..800).map(|i| 290.0 + f64::from(i)).collect();
        let light: Vec<f64> = axis.iter().map(|nm| 1.0 + (nm / 90.0).sin() * 0.4).collect();
        let columns: Vec<Vec<f64>> =
            (1..12).map(|k| axis.iter().map(|nm| 1e-6 * (nm / 30.0 * f64::from(k)).cos()).collect()).collect();
        let m = Matrix::build(&axis, (290.0, 1089.0), SourceRule::Sun);
        let named: Vec<(&'static str, &[f64])> = columns.iter().map(|c| ("x", &c[..])).collect();
        let outcomes = evaluate(&m, &light, &vec![0.0; 800], &Errors::of_columns(&light, &named));
        let views: Vec<&[f64]> = columns.iter().map(|c| &c[..]).collect();
        for (k, effects) in effects(&m, &light, &views).iter().enumerate() {
            let changed: Vec<f64> = light.iter().zip(&columns[k]).map(|(e, c)| e + c).collect();
            let (before, after) = (values(&m, &light), values(&m, &changed));
            for (q, outcome) in outcomes.iter().enumerate().filter(|(_, o)| o.value.is_ok()) {
                let id = registry()[q].id;
                if registry()[q].recipe.is_drawn() {
                    assert_eq!(effects[q], after[q].clone().unwrap() - before[q].clone().unwrap(), "{id}, column {k}");
                } else {
                    let want = outcome.effects[k];
                    assert!((effects[q] - want).abs() <= 1e-12 * want.abs().max(1e-12), "{id}, column {k}: {want}");
                }
            }
        }
        assert!(effects(&m, &light, &[&[0.0; 3]])[0][0].is_nan());
    }
}
