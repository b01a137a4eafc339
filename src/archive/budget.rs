//! The uncertainty budget of one quantity of a stored reading: what each component contributes.
//!
//! The reading is recomputed as its active values were, so the budget is that of the stored uncertainty. Invariant: the root sum of
//! squares of the contributions is the recomputed standard uncertainty.

use super::error::ArchiveError;
use super::recomputer::Recomputer;
use crate::quantities::{self, Outcome};
use crate::record::QuantityValue;
use crate::reduction::inputs::{self, Evaluation};
use crate::spectrum::errors::{Correlation, ErrorMode};
use crate::store::{Reader, StoredReading};

/// Name of the component of the noise, which is independent between pixels.
pub const NOISE: &str = "noise";

/// The budget of a value.
#[derive(Clone, Debug, PartialEq)]
pub struct Budget {
    /// The value.
    pub value: f64,
    /// Its standard uncertainty as stored, and as recomputed.
    pub stored: Option<f64>,
    /// See `stored`.
    pub recomputed: f64,
    /// The components, the largest first; empty where the uncertainty is drawn.
    pub components: Vec<Component>,
}

/// What one component contributes.
#[derive(Clone, Debug, PartialEq)]
pub struct Component {
    /// Its name.
    pub name: &'static str,
    /// How it was evaluated.
    pub evaluation: Evaluation,
    /// Standard uncertainty of its input and the unit; `None` where it differs between wavelengths.
    pub input: Option<(f64, &'static str)>,
    /// Contribution to the standard uncertainty, not negative [unit of the quantity].
    pub contribution: f64,
    /// Sign of the effect of an input that is too large; `None` where the input has several amplitudes.
    pub sign: Option<f64>,
}

impl Component {
    /// Change of the quantity for one unit of the input; `None` where the input has no one number.
    pub fn sensitivity(&self) -> Option<f64> {
        let (u, _) = self.input.filter(|(u, _)| *u > 0.0)?;
        Some(self.sign.unwrap_or(1.0) * self.contribution / u)
    }
}

/// The budget of a quantity, by its index in the registry; `None` where the reading has no such value.
pub fn budget(
    recomputer: &mut Recomputer,
    reader: &Reader,
    stored: &StoredReading,
    quantity: usize,
) -> Result<Option<Budget>, ArchiveError> {
    let Some(evaluated) = recomputer.evaluate(reader, stored)? else { return Ok(None) };
    let outcome = &evaluated.outcomes[quantity];
    let Ok(value) = outcome.value else { return Ok(None) };
    let position = reader.position(quantities::registry()[quantity].id);
    let stored = match position.and_then(|k| stored.reading.values.get(k)) {
        Some(QuantityValue::Value { uncertainty, .. }) => Some(*uncertainty),
        _ => None,
    };
    let modes = &evaluated.reduced.errors.modes;
    let input = |mode: &ErrorMode| inputs::input(mode, &evaluated.calibration);
    let components = components(outcome, modes, input);
    Ok(Some(Budget { value, stored, recomputed: outcome.uncertainty, components }))
}

/// Noise and components, those of one name together, the largest first.
fn components(
    outcome: &Outcome,
    modes: &[ErrorMode],
    input: impl Fn(&ErrorMode) -> Option<(f64, &'static str)>,
) -> Vec<Component> {
    if outcome.effects.is_empty() {
        return Vec::new();
    }
    let noise =
        Component { name: NOISE, evaluation: Evaluation::A, input: None, contribution: outcome.noise, sign: None };
    let mut components = vec![noise];
    for (mode, effect) in modes.iter().zip(&outcome.effects) {
        match components.iter_mut().find(|c| c.name == mode.name) {
            Some(same) => {
                same.contribution = same.contribution.hypot(*effect);
                same.sign = None;
            }
            None => components.push(Component {
                name: mode.name,
                evaluation: inputs::evaluation(mode.name),
                input: input(mode),
                contribution: effect.abs(),
                sign: (!matches!(mode.mixture, Correlation::Shape(_))).then_some(effect.signum()),
            }),
        }
    }
    components.sort_by(|a, b| b.contribution.total_cmp(&a.contribution));
    components
}
