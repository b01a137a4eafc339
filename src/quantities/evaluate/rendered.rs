//! Colour rendering in an evaluation: one light for all four indices, and one pass back to the samples for what they are
//! uncertain by.
//!
//! The derivatives of an index by the samples are a row of weights like any other, made anew for each light: with it the
//! noise and every mode go the road that all rows go. So an error that leaves the colour of the light alone leaves its
//! indices alone.

use super::{DETECTION, Evaluated, Outcome, Sums, fill_columns, finished, row_shapes};
use crate::quantities::kernel::{couples, noise};
use crate::quantities::matrix::Matrix;
use crate::quantities::reason::NullReason;
use crate::quantities::registry::{FinishFn, Recipe};
use crate::quantities::rendering::{self, INDICES, Spread};
use crate::spectrum::errors::{Errors, IRRADIANCE};
use crate::spectrum::lanes::LANES;
use crate::spectrum::weights::SparseRow;

/// What colour rendering takes the colour temperature from: the rows, the one that has to stand out, the formula.
pub(super) type Temperature = (usize, FinishFn);

/// The recipe of a colour temperature. `None` for anything but a formula, which the registry never names.
pub(super) fn temperature_of(recipe: &Recipe) -> Option<Temperature> {
    match recipe {
        Recipe::Finish { bright, finish, .. } => Some((*bright, *finish)),
        _ => None,
    }
}

/// All indices of a spectrum without their derivatives; `sums` are those of the colour temperature's rows.
pub(super) fn indices(
    m: &Matrix,
    spectrum: &[f64],
    sums: impl Iterator<Item = f64>,
    finish: FinishFn,
) -> Result<[f64; INDICES], NullReason> {
    let (temperature_k, _) = finished(sums, finish)?;
    rendering::indices(m.fold.as_ref().ok_or(NullReason::NotFinite)?, spectrum, temperature_k)
}

/// An index that came out as no number has no reason but its sums.
pub(super) fn index(value: f64) -> Result<f64, NullReason> {
    if value.is_finite() { Ok(value) } else { Err(NullReason::NotFinite) }
}

/// All indices, their derivatives by every sample as rows, and what is of second order in their variance.
struct Derived {
    values: [f64; INDICES],
    rows: Vec<SparseRow>,
    second_order: [f64; INDICES],
}

/// The indices of a spectrum, and what they do; `sums` are those of the colour temperature's rows. Without errors the
/// derivatives are those at the spectrum itself, of which an index near 100 has none that hold for long.
fn derived(
    m: &Matrix,
    spectrum: &[f64],
    sums: impl Iterator<Item = f64>,
    rows: &[usize],
    finish: FinishFn,
    errors: Option<(&Errors, &[f64])>,
) -> Result<Derived, NullReason> {
    let (temperature_k, gradient) = finished(sums, finish)?;
    let fold = m.fold.as_ref().ok_or(NullReason::NotFinite)?;
    let spread =
        errors.map(|(errors, variance)| Spread::of(fold, &m.axis_nm, errors, variance, &gradient[..rows.len().min(3)]));
    let by = rendering::derivatives(fold, spectrum, temperature_k, spread.as_ref())?;
    let spans = || rows.iter().map(|r| (m.rows[*r].first, m.rows[*r].last())).chain([fold.span()]);
    let first = spans().map(|s| s.0).min().unwrap_or(0);
    let last = spans().map(|s| s.1).max().unwrap_or(0);
    let mut by_sample = vec![[0.0; INDICES]; last + 1 - first];
    fold.add_by_sample(&by.by_node, first, &mut by_sample);
    for (g, row) in gradient.iter().zip(rows) {
        let row = &m.rows[*row];
        for (sample, w) in by_sample[row.first - first..].iter_mut().zip(&row.weights) {
            for (sum, t) in sample.iter_mut().zip(by.by_temperature) {
                *sum += t * (g * w);
            }
        }
    }
    let row = |k: usize| SparseRow { first, weights: by_sample.iter().map(|sample| sample[k]).collect() };
    Ok(Derived { values: by.value, rows: (0..INDICES).map(row).collect(), second_order: by.second_order })
}

/// The signed effect of columns on every index: `effects[column][index]`; NaN without a light.
pub(super) fn effects_of(
    m: &Matrix,
    spectrum: &[f64],
    sums: impl Iterator<Item = f64>,
    rows: &[usize],
    finish: FinishFn,
    columns: &[&[f64]],
) -> Vec<[f64; INDICES]> {
    match derived(m, spectrum, sums, rows, finish, None) {
        Ok(Derived { rows: derived, .. }) => effects_by(&derived, columns),
        Err(_) => vec![[f64::NAN; INDICES]; columns.len()],
    }
}

/// The signed effect of columns on every index whose derivatives by the samples are known: `effects[column][index]`.
pub(super) fn effects_by(derived: &[SparseRow], columns: &[&[f64]]) -> Vec<[f64; INDICES]> {
    let effect = |row: Option<&SparseRow>, column: &[f64]| -> f64 {
        row.map_or(f64::NAN, |row| row.weights.iter().zip(&column[row.first..]).map(|(w, x)| w * x).sum())
    };
    columns.iter().map(|column| std::array::from_fn(|k| effect(derived.get(k), column))).collect()
}

impl Evaluated<'_> {
    /// All indices, or why there is none; `by_sample` receives what they do by the samples.
    pub(super) fn rendering(
        &mut self,
        rows: &[usize],
        temperature: Temperature,
        by_sample: &mut Vec<SparseRow>,
    ) -> [Outcome; INDICES] {
        let modes = self.errors.modes.len();
        let (_, finish) = temperature;
        let null = |reason: NullReason| std::array::from_fn(|_| Outcome::null(reason.clone(), modes));
        if let Some(reason) = self.no_rendering(rows, temperature) {
            return null(reason);
        }
        let sums = rows.iter().map(|r| self.row(*r)[IRRADIANCE]);
        let known = Some((self.errors, self.variance));
        let Derived { values, rows: derived, second_order } =
            match derived(self.m, self.irradiance, sums, rows, finish, known) {
                Ok(derived) => derived,
                Err(reason) => return null(reason),
            };
        let (mut sums, mut more, mut columns) = (Sums::<LANES>::default(), Sums::default(), Vec::new());
        let together = couples(&derived);
        fill_columns(&derived, &together, self.errors, &mut sums, &mut more, &mut columns);
        let (mut noise2, mut shared, mut shapes) = (Vec::new(), Vec::new(), Vec::new());
        noise(&derived, &[], self.variance, &mut noise2, &mut shared);
        row_shapes(&together, self.errors, &sums, derived.len(), &mut shapes, &mut self.scratch.four);
        let mut own = Evaluated {
            m: self.m,
            errors: self.errors,
            columns: &columns,
            irradiance: self.irradiance,
            variance: self.variance,
            width: self.width,
            sums: &sums,
            noise2: &noise2,
            shared_noise2: &shared,
            shapes: &shapes,
            scratch: &mut *self.scratch,
        };
        let outcomes = std::array::from_fn(|k| match index(values[k]) {
            Err(reason) => Outcome::null(reason, modes),
            Ok(value) => Outcome::new(value, noise2[k], own.effects(&[1.0], &[k]), second_order[k]),
        });
        *by_sample = derived;
        outcomes
    }

    /// All indices without uncertainty, or why there is none; nothing is told of what they do by the samples.
    pub(super) fn bare_rendering(
        &mut self,
        rows: &[usize],
        temperature: Temperature,
        by_sample: &mut Vec<SparseRow>,
    ) -> [Outcome; INDICES] {
        let modes = self.errors.modes.len();
        let missing = self.no_rendering(rows, temperature);
        let sums = rows.iter().map(|r| self.row(*r)[IRRADIANCE]);
        let found = match missing {
            Some(reason) => Err(reason),
            None => indices(self.m, self.irradiance, sums, temperature.1),
        };
        by_sample.resize(INDICES, SparseRow { first: 0, weights: Vec::new() });
        std::array::from_fn(|k| match found.clone().and_then(|values| index(values[k])) {
            Err(reason) => Outcome::null(reason, modes),
            Ok(value) => Outcome { value: Ok(value), ..Outcome::null(NullReason::UncertaintyNotFinite, modes) },
        })
    }

    /// Why there is no colour rendering, where the light does not stand out.
    fn no_rendering(&mut self, rows: &[usize], (bright, _): Temperature) -> Option<NullReason> {
        let reference = self.linear(rows[bright], 1.0);
        match reference.value {
            Err(reason) => Some(reason),
            Ok(light) if light <= 0.0 || light < DETECTION * reference.uncertainty => Some(NullReason::TooLittleLight),
            Ok(_) => None,
        }
    }
}
