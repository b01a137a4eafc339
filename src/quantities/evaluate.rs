//! From a spectrum and its uncertainty to every quantity and its uncertainty.
//!
//! Uncertainty comes in two kinds: a variance of each sample, independent of all others, and *modes*: errors that samples
//! share ([`Errors`]). A mode goes through the same rows as the light, so a ratio cancels what it should by itself; a
//! formula over rows takes its derivatives, and with them one combination of row sums. Derivatives are first order: a
//! relative uncertainty beyond a third is no longer right to two figures.

mod effects;
mod evaluated;
mod rendered;
mod sums;
mod values;

pub use effects::{effects, effects_with};
pub use values::{values, values_of_many};

use super::matrix::Matrix;
use super::peak;
use super::reason::NullReason;
use super::registry::{Recipe, registry};
use super::rendering::INDICES;
use crate::spectrum::errors::Errors;
use crate::spectrum::weights::SparseRow;
use evaluated::Evaluated;
use rendered::Rendered;
use sums::RowSums;

/// What a ratio or a colour is relative to has to exceed this many of its own standard uncertainties, or there is too
/// little light: the customary detection limit (IUPAC 1976, 3 standard deviations).
pub const DETECTION: f64 = 3.0;

/// One source of uncertainty, fully correlated over the samples, as a column of its own.
#[derive(Clone, Copy, Debug)]
pub struct Mode<'a> {
    /// Its name.
    pub name: &'static str,
    /// One standard deviation of each sample, signed [W m⁻² nm⁻¹].
    pub column: &'a [f64],
}

/// A quantity of one spectrum.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// The number in the quantity's unit, or why there is none.
    pub value: Result<f64, NullReason>,
    /// Standard uncertainty (k = 1), √(noise² + Σ effects² + second order²); NaN without a value.
    pub uncertainty: f64,
    /// The part of it from the variance of the samples; NaN without a value.
    pub noise: f64,
    /// What one standard deviation of each mode does to the value, in the order of the modes; NaN without a value. Signed,
    /// but for modes that have many amplitudes: theirs is the deviation of all of them together. Of the wavelength of the top
    /// these are shares of the uncertainty.
    pub effects: Vec<f64>,
    /// The part of it that is of second order and belongs to no single error; 0 for all but indices of colour rendering; NaN
    /// without a value.
    pub second_order: f64,
}

impl Outcome {
    /// Without a value; of `effects` only the memory counts and how many modes it is for.
    fn null(reason: NullReason, mut effects: Vec<f64>) -> Self {
        let none = f64::NAN;
        effects.fill(none);
        Self { value: Err(reason), uncertainty: none, noise: none, effects, second_order: none }
    }

    fn new(value: f64, noise2: f64, effects: Vec<f64>, second_order2: f64) -> Self {
        let variance = effects.iter().fold(noise2, |sum, e| sum + e * e) + second_order2;
        match countable(value, noise2, variance) {
            Err(reason) => Self::null(reason, effects),
            Ok(()) => {
                let (uncertainty, second_order) = (variance.sqrt(), second_order2.sqrt());
                Self { value: Ok(value), uncertainty, noise: noise2.sqrt(), effects, second_order }
            }
        }
    }
}

/// Whether a value with its variance is a number, of which `noise2` is a part.
fn countable(value: f64, noise2: f64, variance: f64) -> Result<(), NullReason> {
    match noise2 >= 0.0 && variance.is_finite() {
        _ if !value.is_finite() => Err(NullReason::NotFinite),
        false => Err(NullReason::UncertaintyNotFinite),
        true => Ok(()),
    }
}

/// Memory that evaluations use again.
#[derive(Clone, Debug, Default)]
pub struct Workspace {
    sums: RowSums,
    scratch: Scratch,
    rendering: Rendered,
    outcomes: Vec<Outcome>,
    bare_rendering: bool,
}

impl Workspace {
    /// Where indices of colour rendering come without their uncertainty, which takes a third of an evaluation: for measuring what
    /// all else takes. Such an index is never stored.
    #[doc(hidden)]
    pub fn without_rendering_uncertainty() -> Self {
        Self { bare_rendering: true, ..Self::default() }
    }

    /// What every index of colour rendering does by the samples of the spectrum that was evaluated last, in the order of the
    /// indices; none where it has no indices.
    pub fn rendering(&self) -> &[SparseRow] {
        self.rendering.rows()
    }

    /// Takes back the memory of an evaluation's outcomes, so that the next one allocates nothing.
    pub fn recycle(&mut self, mut outcomes: Vec<Outcome>) {
        self.scratch.spare.extend(outcomes.drain(..).map(|outcome| outcome.effects));
        self.outcomes = outcomes;
    }
}

#[derive(Clone, Debug, Default)]
struct Scratch {
    columns: Vec<f64>,
    loads: Vec<f64>,
    four: Vec<[f64; 4]>,
    peak: peak::Memory,
    /// Effects of outcomes that nobody needs any longer.
    spare: Vec<Vec<f64>>,
    /// The row that was last asked whether it stands out, and the answer.
    standing: Option<(usize, Option<NullReason>)>,
}

impl Scratch {
    /// Memory for the effects of some modes; what stands in it means nothing.
    fn effects(&mut self, modes: usize) -> Vec<f64> {
        let mut effects = self.spare.pop().unwrap_or_default();
        effects.resize(modes, f64::NAN);
        effects
    }
}

/// Evaluates every quantity of the registry, in its order.
///
/// irradiance: [W m⁻² nm⁻¹]; variance: [(W m⁻² nm⁻¹)²]; both and every mode on the matrix's axis. A quantity is null when
/// its range is not covered, a sample that weighs is not finite, or its uncertainty is not a finite number.
pub fn evaluate(m: &Matrix, irradiance: &[f64], variance: &[f64], modes: &[Mode]) -> Vec<Outcome> {
    let lengths = [irradiance.len(), variance.len()].into_iter().chain(modes.iter().map(|mode| mode.column.len()));
    if let Some(found) = lengths.into_iter().find(|n| *n != m.samples) {
        let reason = NullReason::Length { expected: m.samples, found };
        return vec![Outcome::null(reason, vec![f64::NAN; modes.len()]); m.plans.len()];
    }
    let modes: Vec<(&'static str, &[f64])> = modes.iter().map(|mode| (mode.name, mode.column)).collect();
    evaluate_with(&mut Workspace::default(), m, irradiance, variance, &Errors::of_columns(irradiance, &modes))
}

/// [`evaluate`] of a spectrum with its errors, in memory that is used again.
///
/// The first column of the errors is the irradiance.
pub fn evaluate_with(
    work: &mut Workspace,
    m: &Matrix,
    irradiance: &[f64],
    variance: &[f64],
    errors: &Errors,
) -> Vec<Outcome> {
    let Workspace { sums, scratch, rendering, outcomes, bare_rendering } = work;
    rendering.forget();
    let mut outcomes = std::mem::take(outcomes);
    outcomes.clear();
    let modes = errors.modes.len();
    let lengths = [irradiance.len(), variance.len(), errors.lanes.samples()];
    if let Some(found) = lengths.into_iter().find(|n| *n != m.samples) {
        let reason = NullReason::Length { expected: m.samples, found };
        outcomes.extend(m.plans.iter().map(|_| Outcome::null(reason.clone(), scratch.effects(modes))));
        return outcomes;
    }
    sums.fill(&m.rows, &m.couples, &m.pairs, variance, errors, &mut scratch.four);
    scratch.standing = None;
    let mut rendered: Option<[Outcome; INDICES]> = None;
    let mut evaluated = Evaluated { m, irradiance, variance, errors, sums, scratch };
    outcomes.extend(registry().iter().zip(&m.plans).map(|(quantity, plan)| match (plan, &quantity.recipe) {
        (Err(reason), _) => evaluated.null(reason.clone()),
        (Ok(rows), Recipe::Linear { factor, .. }) => evaluated.linear(rows[0], *factor),
        (Ok(rows), Recipe::Finish { bright, finish, .. }) => evaluated.finish(rows, *bright, *finish),
        (Ok(_), Recipe::Peak { .. }) => evaluated.peak(),
        (Ok(rows), Recipe::Rendering { index, temperature }) => match rendered::temperature_of(&temperature.recipe) {
            None => evaluated.null(NullReason::NotFinite),
            Some(formula) => {
                let make = || match bare_rendering {
                    true => evaluated.bare_rendering(rows, formula, rendering),
                    false => evaluated.rendering(rows, formula, rendering),
                };
                let Outcome { value, uncertainty, noise, effects: by, second_order } =
                    &rendered.get_or_insert_with(make)[*index as usize];
                let mut effects = evaluated.scratch.effects(modes);
                effects.copy_from_slice(by);
                let (value, uncertainty, noise) = (value.clone(), *uncertainty, *noise);
                Outcome { value, uncertainty, noise, effects, second_order: *second_order }
            }
        },
    }));
    evaluated.scratch.spare.extend(rendered.into_iter().flatten().map(|outcome| outcome.effects));
    outcomes
}

#[cfg(test)]
mod tests;
