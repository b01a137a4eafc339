//! Colour rendering in an evaluation: one light for all four indices, and one pass back to the samples for what they are
//! uncertain by.
//!
//! The derivatives of an index by the samples are a row of weights like any other, made anew for each light: with it the
//! noise and every mode go the road that all rows go. So an error that leaves the colour of the light alone leaves its
//! indices alone.

use super::Outcome;
use super::evaluated::Evaluated;
use super::sums::RowSums;
use super::values::finished;
use crate::quantities::kernel::Couple;
use crate::quantities::matrix::Matrix;
use crate::quantities::reason::NullReason;
use crate::quantities::registry::{FinishFn, Recipe};
use crate::quantities::rendering::{self, INDICES, Spread};
use crate::spectrum::errors::{Errors, IRRADIANCE};
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

/// What the indices do by the samples, in memory that is used again.
#[derive(Clone, Debug, Default)]
pub(super) struct Rendered {
    /// A row an index.
    rows: Vec<SparseRow>,
    /// Whether the rows are those of the spectrum in question.
    known: bool,
    by_sample: Vec<[f64; INDICES]>,
    sums: RowSums,
}

/// The rows of the indices have one span, and run together two by two.
const TOGETHER: [Couple; 2] = [(0, Some(1)), (2, Some(3))];

impl Rendered {
    /// The rows; none where there are no indices.
    pub fn rows(&self) -> &[SparseRow] {
        if self.known { &self.rows } else { &[] }
    }

    /// Makes the rows nobody's.
    pub fn forget(&mut self) {
        self.known = false;
    }

    /// Makes the rows from derivatives by each sample, of which the first is `first`.
    fn keep(&mut self, first: usize) {
        self.rows.resize_with(INDICES, || SparseRow { first, weights: Vec::new() });
        for (k, row) in self.rows.iter_mut().enumerate() {
            row.first = first;
            row.weights.clear();
            row.weights.extend(self.by_sample.iter().map(|sample| sample[k]));
        }
        self.known = true;
    }
}

/// The indices of a spectrum, and what of them is of second order in their variance; `made` receives what they do by the
/// samples. `sums` are those of the colour temperature's rows. Without errors the derivatives are those at the spectrum itself,
/// of which an index near 100 has none that hold for long.
fn derived(
    m: &Matrix,
    spectrum: &[f64],
    sums: impl Iterator<Item = f64>,
    rows: &[usize],
    finish: FinishFn,
    errors: Option<(&Errors, &[f64])>,
    made: &mut Rendered,
) -> Result<([f64; INDICES], [f64; INDICES]), NullReason> {
    let (temperature_k, gradient) = finished(sums, finish)?;
    let fold = m.fold.as_ref().ok_or(NullReason::NotFinite)?;
    let spread =
        errors.map(|(errors, variance)| Spread::of(fold, &m.axis_nm, errors, variance, &gradient[..rows.len().min(3)]));
    let by = rendering::derivatives(fold, spectrum, temperature_k, spread.as_ref())?;
    let spans = || rows.iter().map(|r| (m.rows[*r].first, m.rows[*r].last())).chain([fold.span()]);
    let first = spans().map(|s| s.0).min().unwrap_or(0);
    let last = spans().map(|s| s.1).max().unwrap_or(0);
    made.by_sample.clear();
    made.by_sample.resize(last + 1 - first, [0.0; INDICES]);
    fold.add_by_sample(&by.by_node, first, &mut made.by_sample);
    for (g, row) in gradient.iter().zip(rows) {
        let row = &m.rows[*row];
        for (sample, w) in made.by_sample[row.first - first..].iter_mut().zip(&row.weights) {
            for (sum, t) in sample.iter_mut().zip(by.by_temperature) {
                *sum += t * (g * w);
            }
        }
    }
    made.keep(first);
    Ok((by.value, by.second_order))
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
    let mut made = Rendered::default();
    match derived(m, spectrum, sums, rows, finish, None, &mut made) {
        Ok(_) => effects_by(made.rows(), columns),
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
    /// All indices, or why there is none; `made` receives what they do by the samples.
    pub(super) fn rendering(
        &mut self,
        rows: &[usize],
        (bright, finish): Temperature,
        made: &mut Rendered,
    ) -> [Outcome; INDICES] {
        let sums = self.sums;
        let light = || rows.iter().map(|r| sums.row(*r)[IRRADIANCE]);
        let known = Some((self.errors, self.variance));
        let found = match self.missing(rows[bright]) {
            Some(reason) => Err(reason),
            None => derived(self.m, self.irradiance, light(), rows, finish, known, made),
        };
        let (values, second_order) = match found {
            Ok(found) => found,
            Err(reason) => return std::array::from_fn(|_| self.null(reason.clone())),
        };
        made.sums.fill(&made.rows, &TOGETHER, &[], self.variance, self.errors, &mut self.scratch.four);
        let mut own = Evaluated {
            m: self.m,
            errors: self.errors,
            irradiance: self.irradiance,
            variance: self.variance,
            sums: &made.sums,
            scratch: &mut *self.scratch,
        };
        std::array::from_fn(|k| match index(values[k]) {
            Err(reason) => own.null(reason),
            Ok(value) => Outcome::new(value, own.sums.noise2[k], own.effects(&[1.0], &[k]), second_order[k]),
        })
    }

    /// All indices without uncertainty, or why there is none; nothing is told of what they do by the samples.
    pub(super) fn bare_rendering(
        &mut self,
        rows: &[usize],
        (bright, finish): Temperature,
        made: &mut Rendered,
    ) -> [Outcome; INDICES] {
        let sums = self.sums;
        let light = rows.iter().map(|r| sums.row(*r)[IRRADIANCE]);
        let found = match self.missing(rows[bright]) {
            Some(reason) => Err(reason),
            None => indices(self.m, self.irradiance, light, finish),
        };
        made.by_sample.clear();
        made.keep(0);
        std::array::from_fn(|k| match found.clone().and_then(|values| index(values[k])) {
            Err(reason) => self.null(reason),
            Ok(value) => Outcome { value: Ok(value), ..self.null(NullReason::UncertaintyNotFinite) },
        })
    }
}
