//! Evaluates every quantity of a spectrum, with uncertainty or without.
//!
//! The uncertainty has two parts: a variance of each sample, independent of all others, and correlated components, errors that samples
//! share ([`Errors`]). Both are summed over the same rows as the light, so that an error common to both sums of a ratio cancels. A formula
//! is linearised in the sums of its rows; a relative uncertainty beyond a third is then no longer right to two digits. The uncertainties of
//! colour rendering ([`rendering::draws`]) and of the maximum's wavelength ([`peak`]) are drawn, because they are not first order.
//!
//! Invariant: a value has the same bits with uncertainty ([`evaluate`]) and without ([`values`]).

mod effects;
mod outcome;

pub use effects::effects;
pub use outcome::Outcome;

use super::matrix::Matrix;
use super::peak::{self, Measured};
use super::quantity::{FinishFn, Recipe};
use super::reason::NullReason;
use super::registry::registry;
use super::rendering::{self, INDICES, draws};
use super::sums::{RowSums, sum};
use crate::spectrum::errors::{Correlation, Errors};

/// The light that a ratio or a colour is relative to must exceed this many of its own standard uncertainties, or the quantity is null: the
/// customary detection limit (IUPAC 1976, 3 standard deviations).
const DETECTION: f64 = 3.0;

/// Evaluates every quantity of the registry, in its order.
///
/// irradiance: [W m⁻² nm⁻¹]; variance: [(W m⁻² nm⁻¹)²]; errors: the correlated components, with the irradiance as the first column; all
/// on the matrix's axis. A quantity is null when its range is not covered, a sample with a weight is not finite, or its uncertainty is
/// not a finite number.
pub fn evaluate(m: &Matrix, irradiance: &[f64], variance: &[f64], errors: &Errors) -> Vec<Outcome> {
    let lengths = [irradiance.len(), variance.len(), errors.lanes.samples()];
    if let Some(found) = lengths.into_iter().find(|n| *n != m.samples) {
        let reason = NullReason::Length { expected: m.samples, found };
        return m.plans.iter().map(|_| Outcome::null(reason.clone())).collect();
    }
    let sums = RowSums::of(&m.rows, &m.pairs, variance, errors);
    let evaluation = Evaluation { m, irradiance, variance, errors, sums };
    let mut indices: Option<[Outcome; INDICES]> = None;
    let outcome = |(recipe, rows): (&Recipe, &[usize])| match recipe {
        Recipe::Linear { factor, .. } => evaluation.linear(rows[0], *factor),
        Recipe::Finish { bright, finish, .. } => match evaluation.formula(rows, *bright, *finish) {
            Outcome { value: Err(NullReason::TooLittleLight), .. } => Outcome::null(recipe.too_little_light()),
            outcome => outcome,
        },
        Recipe::Peak { .. } => evaluation.peak(),
        Recipe::Rendering { index, bright, temperature, .. } => {
            indices.get_or_insert_with(|| evaluation.rendering(rows, *bright, *temperature))[*index as usize].clone()
        }
    };
    over_the_registry(m, outcome, Outcome::null)
}

/// Every quantity of the registry without uncertainty, with the same bits as by [`evaluate`].
///
/// Without an uncertainty to compare with, ratios and colours have too little light only where the light that they are relative to is not
/// above zero, and a maximum is never flat.
pub fn values(m: &Matrix, irradiance: &[f64]) -> Vec<Result<f64, NullReason>> {
    if irradiance.len() != m.samples {
        let reason = NullReason::Length { expected: m.samples, found: irradiance.len() };
        return vec![Err(reason); m.plans.len()];
    }
    let sums: Vec<f64> = m.rows.iter().map(|row| sum(row, irradiance)).collect();
    let lit = |row: usize| match sums[row] {
        light if light.is_finite() && light <= 0.0 => Err(NullReason::TooLittleLight),
        _ => Ok(()),
    };
    let mut indices: Option<Result<[f64; INDICES], NullReason>> = None;
    let value = |(recipe, rows): (&Recipe, &[usize])| match recipe {
        Recipe::Linear { factor, .. } => finite(factor * sums[rows[0]]),
        Recipe::Finish { bright, finish, .. } => {
            lit(rows[*bright]).map_err(|_| recipe.too_little_light())?;
            finished(rows.iter().map(|r| sums[*r]), *finish).map(|(value, _)| value)
        }
        Recipe::Peak { .. } => peak::find(&m.axis_nm, irradiance, m.calibrated.clone()),
        Recipe::Rendering { index, bright, temperature, .. } => {
            let all = indices.get_or_insert_with(|| {
                lit(rows[*bright])?;
                let (temperature_k, _) = finished(rows.iter().map(|r| sums[*r]), *temperature)?;
                let weights = m.rendering.as_ref().ok_or(NullReason::NotFinite)?;
                rendering::indices(&weights.fold.nodes(irradiance), temperature_k)
            });
            all.clone().and_then(|all| finite(all[*index as usize]))
        }
    };
    over_the_registry(m, value, Err)
}

/// One result for every quantity of the registry: from its recipe and its rows, or from the reason why it has none.
fn over_the_registry<'a, T>(
    m: &'a Matrix,
    mut result: impl FnMut((&'a Recipe, &'a [usize])) -> T,
    missing: impl Fn(NullReason) -> T,
) -> Vec<T> {
    let plans = registry().iter().zip(&m.plans);
    plans
        .map(|(quantity, plan)| match plan {
            Ok(rows) => result((&quantity.recipe, rows)),
            Err(reason) => missing(reason.clone()),
        })
        .collect()
}

fn finite(value: f64) -> Result<f64, NullReason> {
    if value.is_finite() { Ok(value) } else { Err(NullReason::NotFinite) }
}

/// A formula over sums: the value and its derivatives, or the null reason. It is called with finite sums only.
fn finished(sums: impl Iterator<Item = f64>, finish: FinishFn) -> Result<(f64, [f64; Recipe::MOST_ROWS]), NullReason> {
    let (mut inputs, mut gradient, mut n) = ([0.0; Recipe::MOST_ROWS], [0.0; Recipe::MOST_ROWS], 0);
    for (input, sum) in inputs.iter_mut().zip(sums) {
        *input = finite(sum)?;
        n += 1;
    }
    let value = finite(finish(&inputs[..n], &mut gradient[..n])?)?;
    Ok((value, gradient))
}

/// One spectrum with the sums of all rows.
struct Evaluation<'a> {
    m: &'a Matrix,
    irradiance: &'a [f64],
    variance: &'a [f64],
    errors: &'a Errors,
    sums: RowSums<'a>,
}

impl Evaluation<'_> {
    fn linear(&self, row: usize, factor: f64) -> Outcome {
        let noise2 = factor * factor * self.sums.noise2(row, row);
        Outcome::first_order(factor * self.sums.light(row), noise2, self.sums.effects_of(&[factor], &[row]))
    }

    /// `Err` where the light of a row does not exceed its uncertainty, so that nothing can be relative to it.
    fn is_bright(&self, row: usize) -> Result<(), NullReason> {
        let light = self.linear(row, 1.0);
        match light.value? {
            value if value <= 0.0 || value < DETECTION * light.uncertainty => Err(NullReason::TooLittleLight),
            _ => Ok(()),
        }
    }

    /// A formula's value and derivatives, if the row that must be bright is.
    fn finished(
        &self,
        rows: &[usize],
        bright: usize,
        finish: FinishFn,
    ) -> Result<(f64, [f64; Recipe::MOST_ROWS]), NullReason> {
        self.is_bright(rows[bright])?;
        finished(rows.iter().map(|r| self.sums.light(*r)), finish)
    }

    fn formula(&self, rows: &[usize], bright: usize, finish: FinishFn) -> Outcome {
        match self.finished(rows, bright, finish) {
            Err(reason) => Outcome::null(reason),
            Ok((value, gradient)) => {
                let gradient = &gradient[..rows.len()];
                let noise2 = self.sums.noise2_of(gradient, rows);
                Outcome::first_order(value, noise2, self.sums.effects_of(gradient, rows))
            }
        }
    }

    fn peak(&self) -> Outcome {
        let Self { m, irradiance: light, variance, errors, .. } = *self;
        let measured = Measured { axis: &m.axis_nm, light, variance, errors };
        match measured.peak(m.calibrated.clone()) {
            Err(reason) => Outcome::null(reason),
            Ok((wavelength_nm, deviation)) => Outcome::drawn(wavelength_nm, deviation),
        }
    }

    /// All indices of colour rendering.
    fn rendering(&self, rows: &[usize], bright: usize, temperature: FinishFn) -> [Outcome; INDICES] {
        let drawn = || {
            let (temperature_k, _) = self.finished(rows, bright, temperature)?;
            let weights = self.m.rendering.as_ref().ok_or(NullReason::NotFinite)?;
            let nodes = weights.fold.nodes(self.irradiance);
            let values = rendering::indices(&nodes, temperature_k)?;
            let points = RowSums::of(&weights.points, &weights.neighbours, self.variance, self.errors);
            let xyz = std::array::from_fn(|k| self.sums.light(rows[k]));
            let of_drawn = |xyz: [f64; 3]| finished(xyz.into_iter(), temperature).map(|(t, _)| t);
            Ok((values, draws::deviations(&nodes, xyz, &covariance(&points, self.errors), of_drawn)))
        };
        match drawn() {
            Err(reason) => std::array::from_fn(|_| Outcome::null(NullReason::clone(&reason))),
            Ok((values, deviations)) => std::array::from_fn(|i| Outcome::drawn(values[i], deviations[i])),
        }
    }
}

/// The covariance of noise and errors at the points of colour rendering.
fn covariance(points: &RowSums, errors: &Errors) -> draws::Covariance {
    let places: [usize; draws::POINTS] = std::array::from_fn(|p| p);
    let mut covariance = [[0.0; draws::POINTS]; draws::POINTS];
    let each: Vec<Vec<f64>> = places.iter().map(|p| points.effects_of(&[1.0], &[*p])).collect();
    for (k, mode) in errors.modes.iter().enumerate() {
        for (a, row) in covariance.iter_mut().enumerate() {
            for (b, sum) in row.iter_mut().enumerate() {
                *sum += match mode.mixture {
                    Correlation::Shape(factor) => {
                        let rho = errors.bins.correlation_over(draws::distance_nm(a, b));
                        factor * factor * rho * points.response(a) * points.response(b)
                    }
                    _ => each[a][k] * each[b][k],
                };
            }
        }
    }
    for (a, row) in covariance.iter_mut().enumerate() {
        for (b, sum) in row.iter_mut().enumerate().filter(|(b, _)| b.abs_diff(a) <= 1) {
            *sum += points.noise2(a, b);
        }
    }
    covariance
}

#[cfg(test)]
mod tests;
