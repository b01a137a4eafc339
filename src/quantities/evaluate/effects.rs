//! What a change of the spectrum does to every quantity, to first order: for doubts that have a size.

use super::values::finished;
use super::{Matrix, Recipe, peak, registry, rendered};
use crate::quantities::kernel::Sums;
use crate::spectrum::bins::Bins;
use crate::spectrum::lanes::LANES;
use crate::spectrum::weights::SparseRow;

/// The signed effect of each column on each quantity, `effects[column][quantity]`, in the order of the registry.
///
/// irradiance and every column: [W m⁻² nm⁻¹] on the matrix's axis; a column is what each sample would change by, all
/// together. NaN where the quantity has no value, or where lengths differ.
pub fn effects(m: &Matrix, irradiance: &[f64], columns: &[&[f64]]) -> Vec<Vec<f64>> {
    effects_with(m, irradiance, &[], columns)
}

/// [`effects`] where it is known what the indices of colour rendering do by the samples ([`super::Workspace::rendering`]): finding
/// that takes most of the time. Where nothing is known, it is found.
pub fn effects_with(m: &Matrix, irradiance: &[f64], rendering: &[SparseRow], columns: &[&[f64]]) -> Vec<Vec<f64>> {
    let quantities = registry().len();
    let mut all = vec![vec![f64::NAN; quantities]; columns.len()];
    if irradiance.len() != m.samples || columns.iter().any(|c| c.len() != m.samples) {
        return all;
    }
    if columns.is_empty() {
        return all;
    }
    // The light and some changes run over the rows together, in no more lanes than there are.
    let spectra: Vec<&[f64]> = [irradiance].into_iter().chain(columns.iter().copied()).collect();
    let sums = row_sums(m, &spectra);
    let (light, changes) = sums.split_at(m.rows.len());
    let changes = |column: usize, row: usize| changes[column * m.rows.len() + row];
    let mut indices = None;
    for (q, (quantity, plan)) in registry().iter().zip(&m.plans).enumerate() {
        let Ok(rows) = plan else { continue };
        match quantity.recipe {
            Recipe::Linear { factor, .. } => {
                all.iter_mut().enumerate().for_each(|(c, effects)| effects[q] = factor * changes(c, rows[0]));
            }
            Recipe::Finish { finish, .. } => {
                let Ok((_, gradient)) = finished(rows.iter().map(|r| light[*r]), finish) else { continue };
                for (c, effects) in all.iter_mut().enumerate() {
                    effects[q] = gradient.iter().zip(rows).map(|(g, r)| g * changes(c, *r)).sum();
                }
            }
            Recipe::Peak { .. } => {
                let Ok(peak) = peak::find(&m.axis_nm, irradiance, m.calibrated) else { continue };
                for (effects, column) in all.iter_mut().zip(columns) {
                    effects[q] = peak.samples.iter().zip(peak.gradient).map(|(i, g)| g * column[*i]).sum();
                }
            }
            Recipe::Rendering { index, temperature } => {
                let Some((_, finish)) = rendered::temperature_of(&temperature.recipe) else { continue };
                let sums = || rows.iter().map(|r| light[*r]);
                let make = || match rendering {
                    [] => rendered::effects_of(m, irradiance, sums(), rows, finish, columns),
                    known => rendered::effects_by(known, columns),
                };
                let by_column = indices.get_or_insert_with(make);
                all.iter_mut().zip(by_column).for_each(|(effects, by_index)| effects[q] = by_index[index as usize]);
            }
        }
    }
    all
}

/// Every row's sum over every spectrum, spectrum by spectrum.
fn row_sums(m: &Matrix, spectra: &[&[f64]]) -> Vec<f64> {
    fn some<const L: usize>(m: &Matrix, spectra: &[&[f64]], out: &mut Vec<f64>) {
        let sample = |i: usize| std::array::from_fn(|l| spectra.get(l).map_or(0.0, |s| s[i]));
        let lanes: Vec<[f64; L]> = (0..m.samples).map(sample).collect();
        let mut sums = Sums::<L>::default();
        sums.fill(&m.rows, &m.couples, &lanes, &Bins::default());
        (0..spectra.len()).for_each(|l| out.extend(sums.rows.iter().map(|row| row[l])));
    }
    let mut out = Vec::with_capacity(spectra.len() * m.rows.len());
    for group in spectra.chunks(LANES) {
        match group.len() {
            1 => some::<1>(m, group, &mut out),
            2 => some::<2>(m, group, &mut out),
            3 | 4 => some::<4>(m, group, &mut out),
            _ => some::<LANES>(m, group, &mut out),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::{Mode, Workspace, evaluate, evaluate_with};
    use super::*;
    use crate::quantities::SourceRule;
    use crate::spectrum::errors::Errors;

    /// Identity: without other uncertainty, effects are what the modes of an evaluation are; of an index of colour rendering
    /// nearly, since an evaluation knows how large its errors are and takes the derivatives over all of them, and of the top in
    /// proportion.
    #[test]
    fn effects_are_those_of_modes() {
        let axis: Vec<f64> = (0..800).map(|i| 290.0 + f64::from(i)).collect();
        let light: Vec<f64> = axis.iter().map(|nm| 1.0 + (nm / 90.0).sin() * 0.4).collect();
        let columns: Vec<Vec<f64>> =
            (1..12).map(|k| axis.iter().map(|nm| 1e-4 * (nm / 30.0 * f64::from(k)).cos()).collect()).collect();
        let m = Matrix::build(&axis, (290.0, 1089.0), SourceRule::Sun);
        let modes: Vec<Mode> = columns.iter().map(|c| Mode { name: "x", column: c }).collect();
        let outcomes = evaluate(&m, &light, &vec![0.0; 800], &modes);
        let views: Vec<&[f64]> = columns.iter().map(|c| &c[..]).collect();
        let got = effects(&m, &light, &views);
        for (k, effects) in got.iter().enumerate() {
            for (q, outcome) in outcomes.iter().enumerate().filter(|(_, o)| o.value.is_ok()) {
                let want = outcome.effects[k];
                if matches!(registry()[q].recipe, Recipe::Peak { .. }) {
                    let (one, other) = (effects[q] / got[0][q], want / outcome.effects[0]);
                    assert!((one - other).abs() < 1e-9 * other.abs(), "column {k}: {one} {other}");
                    continue;
                }
                let rendering = matches!(registry()[q].recipe, Recipe::Rendering { .. });
                let allowed = if rendering { 1e-3 * outcome.uncertainty } else { 1e-12 * want.abs().max(1e-12) };
                assert!((effects[q] - want).abs() <= allowed, "quantity {q}, column {k}: {} {want}", effects[q]);
            }
        }
        assert!(effects(&m, &light, &[&[0.0; 3]])[0][0].is_nan());
    }

    /// Identity: with what an evaluation told of colour rendering, effects on its indices are those of the modes too, but for
    /// rounding.
    #[test]
    fn what_an_evaluation_told_of_colour_rendering_gives_the_effects_of_its_modes() {
        let axis: Vec<f64> = (0..800).map(|i| 290.0 + f64::from(i)).collect();
        let light: Vec<f64> = axis.iter().map(|nm| 1.0 + (nm / 90.0).sin() * 0.4).collect();
        let column: Vec<f64> = axis.iter().map(|nm| 1e-2 * (nm / 30.0).cos()).collect();
        let m = Matrix::build(&axis, (290.0, 1089.0), SourceRule::Sun);
        let errors = Errors::of_columns(&light, &[("x", &column)]);
        let mut work = Workspace::default();
        let outcomes = evaluate_with(&mut work, &m, &light, &vec![1e-6; 800], &errors);
        let known = &effects_with(&m, &light, work.rendering(), &[&column])[0];
        let found = &effects(&m, &light, &[&column])[0];
        let mut compared = 0;
        for (q, quantity) in registry().iter().enumerate() {
            if matches!(quantity.recipe, Recipe::Rendering { .. }) {
                let want = outcomes[q].effects[0];
                assert!((known[q] - want).abs() <= 1e-9 * want.abs(), "{}: {} {want}", quantity.id, known[q]);
                compared += 1;
            } else {
                assert_eq!(known[q].to_bits(), found[q].to_bits(), "{}", quantity.id);
            }
        }
        assert_eq!(compared, 4);
        // A spectrum without indices leaves none of those of the one before.
        let dark = [0.0; 800];
        evaluate_with(&mut work, &m, &dark, &vec![1e-6; 800], &Errors::of_columns(&dark, &[("x", &column)]));
        assert!(work.rendering().is_empty());
    }
}
