//! Every quantity without uncertainty, of one spectrum or of many.
//!
//! What must stay true: a value has the same bits here, alone or among many, as in an evaluation with uncertainty.

use super::rendered;
use crate::quantities::kernel::Sums;
use crate::quantities::matrix::Matrix;
use crate::quantities::peak;
use crate::quantities::reason::NullReason;
use crate::quantities::registry::{FinishFn, Recipe, registry};
use crate::quantities::rendering::INDICES;
use crate::spectrum::bins::Bins;
use crate::spectrum::lanes::{LANES, Lanes};

/// A formula over sums: the value and its derivatives, or the reason why not. Sums that are not finite never reach it.
pub(super) fn finished(
    sums: impl Iterator<Item = f64>,
    finish: FinishFn,
) -> Result<(f64, [f64; Recipe::MOST_ROWS]), NullReason> {
    let (mut inputs, mut gradient, mut n) = ([0.0; Recipe::MOST_ROWS], [0.0; Recipe::MOST_ROWS], 0);
    for (input, sum) in inputs.iter_mut().zip(sums) {
        if !sum.is_finite() {
            return Err(NullReason::NotFinite);
        }
        *input = sum;
        n += 1;
    }
    let value = finish(&inputs[..n], &mut gradient[..n])?;
    if value.is_finite() { Ok((value, gradient)) } else { Err(NullReason::NotFinite) }
}

/// Every quantity of the registry without uncertainty, by the same loop and to the same bits as [`super::evaluate`].
///
/// Ratios and colour have too little light only where what they are relative to is not above zero.
pub fn values(m: &Matrix, irradiance: &[f64]) -> Vec<Result<f64, NullReason>> {
    if irradiance.len() != m.samples {
        let reason = NullReason::Length { expected: m.samples, found: irradiance.len() };
        return vec![Err(reason); m.plans.len()];
    }
    let mut sums = Sums::<1>::default();
    sums.fill(&m.rows, &m.couples, irradiance.as_chunks().0, &Bins::default());
    values_of_lane(m, irradiance, &sums.rows, 0)
}

/// [`values`] of many spectra on one axis, eight in one pass.
pub fn values_of_many(m: &Matrix, spectra: &[&[f64]]) -> Vec<Vec<Result<f64, NullReason>>> {
    let mut sums = Sums::<LANES>::default();
    let mut all = Vec::with_capacity(spectra.len());
    for group in spectra.chunks(LANES) {
        let fitting: Vec<&[f64]> = group.iter().copied().filter(|s| s.len() == m.samples).collect();
        for block in Lanes::of(&fitting).blocks() {
            sums.fill(&m.rows, &m.couples, block, &Bins::default());
        }
        let mut lane = 0;
        for spectrum in group {
            if spectrum.len() == m.samples {
                all.push(values_of_lane(m, spectrum, &sums.rows, lane));
                lane += 1;
            } else {
                let reason = NullReason::Length { expected: m.samples, found: spectrum.len() };
                all.push(vec![Err(reason); m.plans.len()]);
            }
        }
    }
    all
}

fn values_of_lane<const L: usize>(
    m: &Matrix,
    spectrum: &[f64],
    sums: &[[f64; L]],
    lane: usize,
) -> Vec<Result<f64, NullReason>> {
    let mut rendered: Option<Result<[f64; INDICES], NullReason>> = None;
    let mut value = |recipe: &Recipe, rows: &[usize]| match recipe {
        Recipe::Linear { factor, .. } => {
            let value = factor * sums[rows[0]][lane];
            if value.is_finite() { Ok(value) } else { Err(NullReason::NotFinite) }
        }
        Recipe::Finish { bright, finish, .. } => match sums[rows[*bright]][lane] {
            light if light.is_finite() && light <= 0.0 => Err(NullReason::TooLittleLight),
            _ => finished(rows.iter().map(|r| sums[*r][lane]), *finish).map(|(value, _)| value),
        },
        Recipe::Peak { .. } => peak::find(&m.axis_nm, spectrum, m.calibrated).map(|peak| peak.wavelength_nm),
        Recipe::Rendering { index, temperature } => {
            let make = || {
                let (bright, finish) = rendered::temperature_of(&temperature.recipe).ok_or(NullReason::NotFinite)?;
                let light = sums[rows[bright]][lane];
                if light.is_finite() && light <= 0.0 {
                    return Err(NullReason::TooLittleLight);
                }
                let sums = rows.iter().map(|r| sums[*r][lane]);
                rendered::indices(m, spectrum, sums, finish)
            };
            let all = rendered.get_or_insert_with(make).clone();
            all.and_then(|all| rendered::index(all[*index as usize]))
        }
    };
    registry()
        .iter()
        .zip(&m.plans)
        .map(|(quantity, plan)| plan.as_ref().map_err(Clone::clone).and_then(|rows| value(&quantity.recipe, rows)))
        .collect()
}
